//! Every measure of the sound beside its target.

use crate::support::{
    comparison_crates, cpu_load, denormals,
    figures::{cloud, dynamics, filters, resampling, saturation, tone},
};
use kitwright_core::{engine::dsp::reader::Reader, kit::Character};
use serde_json::{Value, json};

/// One line: name, target, measured value, whether it is reached, and how it is measured.
type Row = [String; 5];

/// The table as `xtask/src/score.rs` reads it.
pub fn figures() -> Value {
    Reader::prepare();
    let mut rows = Vec::new();
    for (part, measure) in [
        ("reading", reading as fn(&mut Vec<Row>)),
        ("filters", filters),
        ("dynamics", dynamics),
        ("colour", colour),
        ("cloud", cloud),
        ("speed", speed),
        ("denormals", denormals),
    ] {
        eprintln!("measuring {part}");
        measure(&mut rows);
    }
    let missed = rows.iter().filter(|r| r[3] == "no").count();
    json!({
        "title": "The sound's figures",
        "columns": ["figure", "wanted", "measured", "reached", "how it is measured"],
        "rows": rows,
        "notes": [
            format!("{} figures, {missed} not reached", rows.len()),
            "processor time of one thread, the shortest of several runs of each block; compare within this table only",
            "targets without a source named are the project's own",
        ],
    })
}

fn row(rows: &mut Vec<Row>, figure: &str, wanted: &str, measured: String, reached: bool, how: &str) {
    let reached = match (wanted, reached) {
        ("", _) => "",
        (_, true) => "yes",
        (_, false) => "no",
    };
    rows.push([figure.into(), wanted.into(), measured, reached.into(), how.into()]);
}

fn reading(rows: &mut Vec<Row>) {
    let (snr, loss) = resampling::noise_and_loss(1.0);
    let how = "least-squares fit of sines, 44.1 kHz, +1 st";
    row(rows, "signal to noise to 15 kHz", ">= 110 dB", format!("{snr:.1} dB"), snr >= 110.0, how);
    row(rows, "loss to 15 kHz", "<= 0.1 dB", format!("{loss:.4} dB"), loss <= 0.1, how);
    let rejection =
        resampling::PITCHED_UP.map(resampling::alias_rejection).into_iter().fold(f64::MAX, f64::min);
    let how = "sines above the new half rate, +1 to +24 st";
    row(rows, "alias rejection", ">= 100 dB", format!("{rejection:.1} dB"), rejection >= 100.0, how);
    let changed = resampling::changed_at_ratio_one();
    row(rows, "samples changed at ratio 1", "0", changed.to_string(), changed == 0, "forwards and backwards");
    let noise = resampling::glide_noise();
    let how = "a glide over 18 st against its exact phase";
    row(rows, "noise of a glide", "<= -105 dB", format!("{noise:.1} dB"), noise <= -105.0, how);
}

fn filters(rows: &mut Vec<Row>) {
    for gain in [12.0, -12.0] {
        let off = filters::ten_khz_bell(gain);
        let figure = format!("bell at 10 kHz, {gain:+} dB, Q 1, 48 kHz");
        let how = "to 20 kHz against scipy.signal's analogue prototype";
        row(rows, &figure, "<= 0.6 dB off", format!("{off:.3} dB"), off <= 0.6, how);
    }
    let off = filters::crossover_sum();
    let how = "sum of the bands, 44.1 to 192 kHz, splits 60 Hz to 2 kHz";
    row(rows, "crossover sums flat", "<= 0.1 dB", format!("{off:.4} dB"), off <= 0.1, how);
}

fn dynamics(rows: &mut Vec<Row>) {
    let (curve, whole) = dynamics::static_curve();
    let how = "Giannoulis, Massberg, Reiss (2012), equation 4";
    row(rows, "static curve", "<= 0.1 dB off", format!("{curve:.5} dB"), curve <= 0.1, how);
    row(rows, "compressor on steady levels", "<= 0.1 dB off", format!("{whole:.4} dB"), whole <= 0.1, how);
    let off = dynamics::times();
    let how = "63 % of a step, apart from one frame";
    row(rows, "attack and release times", "<= 1 % off", format!("{:.2} %", off * 100.0), off <= 0.01, how);
    let (meter, own) = dynamics::ceiling();
    for (figure, peak, how) in [
        (
            "true peak over the ceiling, 4 times",
            meter,
            "ebur128 (ITU-R BS.1770), twelve kinds of stress material",
        ),
        ("true peak over the ceiling, 16 times", own, "our own long sinc on the same material"),
    ] {
        let over = peak + 1.0;
        row(rows, figure, "<= 0.1 dB", format!("{over:+.3} dB"), over <= 0.1, how);
    }
}

fn colour(rows: &mut Vec<Row>) {
    for &character in Character::ALL {
        let distance = |rate| saturation::alias_distance(character, 5000.0, 20.0, rate);
        let lowest = saturation::RATES.map(distance).into_iter().fold(f64::MAX, f64::min);
        let figure = format!("harmonics over aliases, {}", character.word());
        let how = "5 kHz, +20 dB drive, below 20 kHz, 44.1 to 192 kHz";
        row(rows, &figure, ">= 70 dB", format!("{lowest:.1} dB"), lowest >= 70.0, how);
    }
    let change = saturation::loudness_change();
    let how = "ebur128, sines and hits, drive 0 to 36 dB";
    row(rows, "loudness held by saturations", "<= 1 LU off", format!("{change:.2} LU"), change <= 1.0, how);
    let changes = tone::bypass();
    let (what, max) = changes.iter().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs())).expect("stages");
    let how = format!("ebur128, each of {}; the largest: {what}", changes.len());
    row(rows, "bypassed stage's loudness", "<= 1 LU off", format!("{max:+.2} LU"), max.abs() <= 1.0, &how);
}

fn cloud(rows: &mut Vec<Row>) {
    let found = cloud::distributions();
    let (what, max) = found.iter().max_by(|a, b| a.1.total_cmp(&b.1)).expect("distributions");
    let how = format!(
        "Kolmogorov-Smirnov at 0.1 %, {} distributions, {} triggers; the largest: {what}",
        found.len(),
        cloud::TRIGGERS
    );
    row(
        rows,
        "draws follow their distributions",
        "<= 1.00 of the distance",
        format!("{max:.2}"),
        *max <= 1.0,
        &how,
    );
    let correlations = cloud::correlations_of_live_triggers();
    for (figure, r, how) in [
        (
            "correlation of live hits, noise",
            correlations.noise,
            "largest correlation among twelve, cloud of 12",
        ),
        (
            "a low tone with a cloud",
            correlations.tone_in_cloud,
            "median correlation of neighbours, cloud of 12",
        ),
        ("a low tone without one", correlations.tone, "the same, a fresh pad's small variations alone"),
    ] {
        row(rows, figure, "< 0.98", format!("{r:.3}"), r < 0.98, how);
    }
    let (in_a_row, any) = cloud::correlations_of_low_tones();
    let (max, median) = (in_a_row[in_a_row.len() - 1], any[any.len() / 2]);
    let how = "largest of hits in a row, 55 to 110 Hz, 200 to 300 ms, a fresh pad";
    row(rows, "correlation of low tones", "< 0.98", format!("{max:.3}"), max < 0.98, how);
    row(
        rows,
        "of any two of 24",
        "< 0.98",
        format!("{median:.3}"),
        median < 0.98,
        "the same, median of all pairs",
    );
    let roles = cloud::max_correlation_by_role(&[(55.0, 300.0), (70.0, 200.0), (110.0, 250.0)], None);
    let (role, max) = roles.iter().max_by(|a, b| a.1.total_cmp(&b.1)).expect("roles");
    let how = format!("hits in a row, low tones cast in {} roles; the largest: {}", roles.len(), role.word());
    row(rows, "correlation on a kit's pads", "< 0.98", format!("{max:.3}"), *max < 0.98, &how);
    let (mean, min, max) = cloud::attack_peak_of_live_kicks();
    let how =
        format!("peak of 10 ms of 100 live kicks against one without variation; {min:+.2} to {max:+.2} dB");
    row(
        rows,
        "attack peak kept by variations",
        "<= 0.3 dB off",
        format!("{mean:+.2} dB"),
        mean.abs() <= 0.3,
        &how,
    );
    let differences = cloud::placed_differences();
    let how = "samples that differ between two passes";
    row(rows, "placed hits differ", "0", differences.to_string(), differences == 0, how);
}

fn speed(rows: &mut Vec<Row>) {
    let (snr, loss) = comparison_crates::quality();
    let measured = format!("{snr:.1} dB, {loss:.3} dB loss");
    let how = "rubato, 64 taps, 1024 phases: signal to noise and loss as for ours";
    row(rows, "quality of the other reader", "110 dB, 0.1 dB", measured, snr >= 110.0 && loss <= 0.1, how);
    let [filter, swept, crate_filter] = comparison_crates::filtering();
    for (figure, wanted, [own, other]) in [
        ("reading mono", 3.0, comparison_crates::reading(1)),
        ("reading stereo", 3.0, comparison_crates::reading(2)),
        ("second-order filter, stereo", 1.0, [filter, crate_filter]),
    ] {
        let measured = format!("{:.2} times: {:.1} M/s", own / other, own * 1e-6);
        let how = if figure.starts_with("reading") { "rubato" } else { "the biquad crate" };
        let how = format!("{how}: {:.1} M frames/s in the same run", other * 1e-6);
        row(rows, figure, &format!(">= {wanted} times"), measured, own / other >= wanted, &how);
    }
    let measured = format!("{:.2} times: {:.1} M/s", swept / crate_filter, swept * 1e-6);
    row(rows, "state-variable filter, stereo", "", measured, true, "the same run; its cutoff may move");
    let storm = cpu_load::storm(7);
    let how = "832 grains triggered at once, blocks of 64 at 48 kHz";
    row(
        rows,
        "storm, worst block",
        "< 80 % of a core",
        format!("{:.1} %", storm.worst),
        storm.worst < 80.0,
        how,
    );
    for (what, kit) in cpu_load::other_storms() {
        let other = cpu_load::storm_of(&kit, 5);
        let figure = format!("storm, {what}, worst block");
        let how = format!("the same; median {:.1} %, 99.9th percentile {:.1} %", other.median, other.high);
        row(rows, &figure, "< 80 % of a core", format!("{:.1} %", other.worst), other.worst < 80.0, &how);
    }
    row(rows, "storm, 99.9th percentile", "", format!("{:.1} %", storm.high), true, how);
    row(rows, "storm, median", "", format!("{:.1} %", storm.median), true, how);
    let (wanted, can) = (cpu_load::storm_multiply_adds(), cpu_load::multiply_adds_a_second());
    let how = format!(
        "{:.1} of {:.1} billion multiply-adds/s: {:.1} % of a core at least",
        wanted * 1e-9,
        can * 1e-9,
        wanted / can * 100.0
    );
    let times = storm.median / (wanted / can * 100.0);
    row(rows, "storm against arithmetic alone", "", format!("{times:.1} times"), true, &how);
    let groove = cpu_load::groove(3);
    let how = "four pads on each 16th at 120, clouds of 12, blocks of 64";
    row(rows, "groove, worst block", "< 15 %", format!("{:.1} %", groove.worst), groove.worst < 15.0, how);
    row(rows, "groove, 99.9th percentile", "", format!("{:.1} %", groove.high), true, how);
    row(rows, "groove, median", "", format!("{:.1} %", groove.median), true, how);
    let idle = cpu_load::idle(3);
    row(
        rows,
        "idle, median",
        "< 0.05 %",
        format!("{:.3} %", idle.median),
        idle.median < 0.05,
        "a kit, no note",
    );
    let line = cpu_load::line();
    let measured = format!("{:.1} us + {:.1} ns a voice", line.base_us, line.voice_ns);
    let how = format!("49 to 784 voices, a block of 64; largest error of the line {:.0} %", line.max_error);
    row(rows, "cost against voices", "a line", measured, line.max_error < 15.0, &how);
}

fn denormals(rows: &mut Vec<Row>) {
    let found = denormals::tails(3600, 40);
    let how = "an hour with a trigger every 40 s, each decaying to silence";
    row(rows, "denormal output samples", "0", found.in_output.to_string(), found.in_output == 0, how);
    if denormals::met_denormals().is_some() {
        let how = "the same hour, by the processor's own flag, in blocks of 256";
        row(rows, "blocks with a denormal inside", "0", found.met.to_string(), found.met == 0, how);
    }
}
