//! Share of a core that the loads of `groove` take, block by block, beside that of their arithmetic alone.

use super::groove::{BLOCK, RATE, dense_kit, groove_kit, limited, storm_kit, trigger_groove};
use kitwright_core::{
    engine::{Engine, PlayKit},
    kit::{PADS, Trims},
};
use std::{
    hint::black_box,
    sync::{Arc, atomic::Ordering::Relaxed},
};

/// Grains of the storm, the largest load: sixteen pads of four layers and 48 copies.
pub const STORM: usize = PADS * 52;

/// Rendering times of blocks as a share of a block's duration, percent.
#[derive(Debug, Clone, Copy)]
pub struct Shares {
    pub median: f64,
    pub high: f64,
    pub worst: f64,
}

impl Shares {
    fn new(mut seconds: Vec<f64>) -> Self {
        seconds.sort_by(f64::total_cmp);
        let at = |q: f64| seconds[((seconds.len() - 1) as f64 * q) as usize] * RATE / BLOCK as f64 * 100.0;
        Self { median: at(0.5), high: at(0.999), worst: at(1.0) }
    }
}

impl std::fmt::Display for Shares {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "median {:6.3} %   99.9 % {:6.3} %   worst {:6.3} %", self.median, self.high, self.worst)
    }
}

/// Processor time of this thread, seconds. It leaves out the time of other programs, not their effect on the caches.
/// Wall-clock time where the system does not report it.
pub fn now() -> f64 {
    #[cfg(all(target_os = "linux", target_pointer_width = "64"))]
    {
        const CLOCK_THREAD_CPUTIME_ID: i32 = 3;
        unsafe extern "C" {
            fn clock_gettime(clock: i32, time: *mut [i64; 2]) -> i32;
        }
        let mut time = [0_i64; 2];
        // SAFETY: on 64-bit Linux a `timespec` is two 64-bit integers; the pointer is good for the call.
        unsafe { clock_gettime(CLOCK_THREAD_CPUTIME_ID, &mut time) };
        time[0] as f64 + time[1] as f64 * 1e-9
    }
    #[cfg(not(all(target_os = "linux", target_pointer_width = "64")))]
    {
        static START: std::sync::OnceLock<std::time::Instant> = std::sync::OnceLock::new();
        START.get_or_init(std::time::Instant::now).elapsed().as_secs_f64()
    }
}

/// Renders blocks, each after its triggers; the seconds each took.
fn run(kit: &Arc<PlayKit>, blocks: usize, mut trigger: impl FnMut(&mut Engine, usize)) -> (Vec<f64>, Engine) {
    let mut engine = Engine::new(RATE);
    engine.set_kit(kit.clone());
    let seconds = (0..blocks).map(|block| {
        let start = now();
        trigger(&mut engine, block);
        engine.render(BLOCK);
        black_box(engine.main()[0][0]);
        now() - start
    });
    (seconds.collect(), engine)
}

/// The shortest time of each block over several runs. The runs are identical, so that longer times come from the
/// machine.
fn fastest_of(
    repeats: usize,
    kit: &Arc<PlayKit>,
    blocks: usize,
    trigger: impl Fn(&mut Engine, usize) + Copy,
) -> Shares {
    let runs = (0..repeats).map(|_| run(kit, blocks, trigger).0);
    let all = runs.reduce(|a, b| a.iter().zip(&b).map(|(a, b)| a.min(*b)).collect());
    Shares::new(all.unwrap_or_default())
}

/// 832 grains started at once and sounding for a second, the first block included.
pub fn storm(repeats: usize) -> Shares {
    storm_of(&dense_kit(4, 48), repeats)
}

/// Storms of other sounds: name and kit.
pub fn other_storms() -> Vec<(&'static str, Arc<PlayKit>)> {
    vec![
        ("stereo", storm_kit(true, [-7.0, 0.0])),
        ("+7 to +24 st", storm_kit(false, [7.0, 24.0])),
        ("stereo, +7 to +24 st", storm_kit(true, [7.0, 24.0])),
        ("stereo, all +24 st", storm_kit(true, [24.0, 24.0])),
    ]
}

/// All pads of a kit started at once and sounding for a second, the first block included.
pub fn storm_of(kit: &Arc<PlayKit>, repeats: usize) -> Shares {
    let trigger = |engine: &mut Engine, block: usize| {
        if block == 0 {
            (0..PADS).for_each(|pad| engine.trigger(pad, 1.0));
        }
    };
    let (_, engine) = run(kit, 700, trigger);
    assert_eq!(engine.meters().grains.load(Relaxed) as usize, STORM, "not all grains sound until the end");
    fastest_of(repeats, kit, 700, trigger)
}

/// Sixteenths at 120, four pads on each, clouds of 12.
pub fn groove(repeats: usize) -> Shares {
    fastest_of(repeats, &groove_kit(), 5000, trigger_groove)
}

/// The groove with every pad's limiter on, and with the kit's pitch automated as well, moving in each block.
pub fn limited_grooves(repeats: usize) -> [Shares; 2] {
    let kit = limited(&groove_kit());
    let bent = |engine: &mut Engine, block: usize| {
        bend(engine, block);
        trigger_groove(engine, block);
    };
    [fastest_of(repeats, &kit, 5000, trigger_groove), fastest_of(repeats, &kit, 5000, bent)]
}

/// The storm with every pad's limiter on and the kit's pitch moving in each block.
pub fn bent_storm(repeats: usize) -> Shares {
    fastest_of(repeats, &limited(&dense_kit(4, 48)), 700, |engine, block| {
        bend(engine, block);
        if block == 0 {
            (0..PADS).for_each(|pad| engine.trigger(pad, 1.0));
        }
    })
}

fn bend(engine: &mut Engine, block: usize) {
    let mut trims = Trims::default();
    trims.kit.pitch_st = (block as f32 * 0.01).sin();
    engine.set_trims(&trims);
}

/// A kit loaded, nothing played.
pub fn idle(repeats: usize) -> Shares {
    fastest_of(repeats, &dense_kit(4, 48), 5000, |_, _| ())
}

/// Cost of a block against its voices.
#[derive(Debug, Clone, Copy)]
pub struct Line {
    /// Microseconds without any voice.
    pub base_us: f64,
    /// Nanoseconds that a voice adds.
    pub voice_ns: f64,
    /// Largest distance of a measured cost from the line, percent.
    pub max_error: f64,
}

/// A straight line through the times with 49 to 784 voices. Of each, the 5th percentile of the blocks counts: the
/// minimum of hundreds is sometimes an error of the clock.
pub fn line() -> Line {
    let kit = dense_kit(1, 48);
    let mut points = Vec::new();
    for hits in [1, 2, 4, 6, 8, 10, 12, 14, 16_usize] {
        let (times, _) = run(&kit, 400, |engine, block| {
            if block == 0 {
                (0..hits).for_each(|pad| engine.trigger(pad, 1.0));
            }
        });
        // All grains have begun after the spread of 20 ms.
        let mut times = times[50..].to_vec();
        times.sort_by(f64::total_cmp);
        points.push((hits as f64 * 49.0, times[times.len() / 20] * 1e6));
    }
    let n = points.len() as f64;
    let (mx, my) = (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n);
    let slope = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>()
        / points.iter().map(|p| (p.0 - mx).powi(2)).sum::<f64>();
    let base = my - slope * mx;
    let max_error = points.iter().map(|p| ((base + slope * p.0) / p.1 - 1.0).abs()).fold(0.0, f64::max);
    Line { base_us: base, voice_ns: slope * 1000.0, max_error: max_error * 100.0 }
}

/// Multiply-adds that the storm's grains take in a second: per tap of the slow tables three for the cubic and one for
/// the product.
pub fn storm_multiply_adds() -> f64 {
    const TAPS: f64 = kitwright_core::engine::dsp::reader::table::BASE_TAPS as f64;
    STORM as f64 * RATE * TAPS * 4.0
}

/// Multiply-adds in a second of one core on numbers in its registers, with its widest vectors.
pub fn multiply_adds_a_second() -> f64 {
    const ROUNDS: u64 = 200_000;
    let mut best = 0.0_f64;
    for _ in 0..20 {
        let start = now();
        let done = spin(ROUNDS);
        best = best.max(done as f64 / (now() - start));
    }
    best
}

/// Runs twelve independent chains; returns the number of multiply-adds.
fn spin(rounds: u64) -> u64 {
    #[cfg(target_arch = "x86_64")]
    {
        if std::arch::is_x86_feature_detected!("avx512f") {
            // SAFETY: the processor has AVX-512F, checked above.
            return unsafe { spin_avx512(rounds) };
        }
        if std::arch::is_x86_feature_detected!("avx2") && std::arch::is_x86_feature_detected!("fma") {
            // SAFETY: the processor has AVX2 and FMA, checked above.
            return unsafe { spin_avx2(rounds) };
        }
    }
    let mut sums = [[1.0_f32; 4]; 12];
    for _ in 0..rounds {
        for x in sums.iter_mut().flatten() {
            *x = *x * 0.999 + 0.001;
        }
    }
    black_box(sums);
    rounds * 48
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx512f")]
fn spin_avx512(rounds: u64) -> u64 {
    use std::arch::x86_64::*;
    let (a, b) = (_mm512_set1_ps(black_box(0.999)), _mm512_set1_ps(black_box(0.001)));
    let mut sums = [_mm512_set1_ps(1.0); 12];
    for _ in 0..rounds {
        for x in &mut sums {
            *x = _mm512_fmadd_ps(*x, a, b);
        }
    }
    black_box(sums.map(|x| _mm512_reduce_add_ps(x)));
    rounds * 12 * 16
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
fn spin_avx2(rounds: u64) -> u64 {
    use std::arch::x86_64::*;
    let (a, b) = (_mm256_set1_ps(black_box(0.999)), _mm256_set1_ps(black_box(0.001)));
    let mut sums = [_mm256_set1_ps(1.0); 12];
    for _ in 0..rounds {
        for x in &mut sums {
            *x = _mm256_fmadd_ps(*x, a, b);
        }
    }
    black_box(sums.map(|x| _mm256_cvtss_f32(x)));
    rounds * 12 * 8
}
