//! The fundamental: the period of a string.

/// Fundamental in Hz and confidence 0 to 1 of a mono slice.
///
/// The McLeod pitch method (McLeod and Wyvill, "A smarter way to find pitch", 2005).
pub(super) fn estimate(x: &[f32], rate: f64) -> (Option<f32>, f32) {
    let skip = ((0.02 * rate) as usize).min(x.len() / 4);
    let x = &x[skip..];
    let take = ((0.1 * rate) as usize).min(x.len());
    let stride = ((rate / 24_000.0) as usize).max(1);
    let y: Vec<f32> = x[..take].chunks(stride).map(|c| c.iter().sum::<f32>() / c.len() as f32).collect();
    let rate = rate / stride as f64;
    let longest = ((rate / 35.0) as usize).min(y.len() / 2);
    let shortest = (rate / 2500.0).ceil() as usize;
    if longest <= shortest + 2 {
        return (None, 0.0);
    }
    let width = y.len() - longest;
    let nsdf: Vec<f32> = (0..longest)
        .map(|lag| {
            let (mut r, mut m) = (0.0f32, 1e-12f32);
            for i in 0..width {
                r += y[i] * y[i + lag];
                m += y[i] * y[i] + y[i + lag] * y[i + lag];
            }
            2.0 * r / m
        })
        .collect();
    let peaks: Vec<usize> = (shortest.max(1)..longest - 1)
        .filter(|&i| nsdf[i] > 0.0 && nsdf[i] >= nsdf[i - 1] && nsdf[i] > nsdf[i + 1])
        .collect();
    let best = peaks.iter().map(|&i| nsdf[i]).fold(0.0, f32::max);
    match peaks.iter().find(|&&i| nsdf[i] >= 0.9 * best) {
        Some(&i) if best > 0.5 => {
            let (a, b, c) = (nsdf[i - 1], nsdf[i], nsdf[i + 1]);
            let shift = 0.5 * (a - c) / (a - 2.0 * b + c).min(-1e-9);
            (Some((rate / (i as f64 + f64::from(shift))) as f32), nsdf[i].clamp(0.0, 1.0))
        }
        _ => (None, best.clamp(0.0, 1.0)),
    }
}
