"""Fits the trees of src/core/listen/onset_trees.rs or noisy_onset_trees.rs to takes with true onsets.

    python detection_fit.py DETECTION OUT FIT HELD DATA [COPIES]

DETECTION is the built example `detection`; OUT the file to write. FIT and HELD are folders that detection_takes.py has
filled; DATA the developer recordings. Trees are fitted to FIT, the odd half of DATA's assembled takes and its first real
take; HELD, the even half and the other real takes are only reported.

With COPIES, a folder for copies of these takes with noise below them and for takes of noise alone, trees are fitted to
all of them that the program calls noisy (their candidates have more features); without it to those that it does not.

Boosted trees over the features that `detection features` prints, by scikit-learn's histogram gradient boosting.
Detections inside a strum's or a scratch's own time weigh little against it, those within 12 ms of a true onset
nothing.
"""
import pathlib
import shutil
import sys

import numpy as np
import soundfile
from sklearn.ensemble import HistGradientBoostingClassifier

from detection import EARLY_S, WINDOW_S, Tally, ask, truth

INSIDE, RECORDED = 0.3, 3.0
SHAPE = {"max_iter": 160, "learning_rate": 0.08, "max_leaf_nodes": 31, "min_samples_leaf": 40,
         "l2_regularization": 5, "max_features": 0.4, "random_state": 1}
# how far noise lies below a take, dB, and the colours it is drawn from: power falls with frequency to the power of this
NOISE_DB, COLOURS = (6, 26), (1, 1, 1, 0, 2)
# copies of a recorded take, and takes of noise alone: number, seconds, rate
RECORDED_COPIES = 6
ALONE = (60, 20, 44100)
# as in src/core/listen/detect.rs
MIN_SPACING_S, MIN_LOG_ODDS, NOISY_MIN_LOG_ODDS = 0.012, -0.2, -0.7
# as in src/core/listen/onset_classifier.rs
FEATURES, NOISY_FEATURES = 36, 45


def load(program, files, features):
    """Candidates of the takes with so many features, and whether each is a true onset; weight 0 near one, -1 inside its
    sound."""
    takes = []
    for file, found in zip(files, ask(program, "features", files)):
        if not found or len(found[0][1]) != features:
            continue
        rows = truth(file)
        times = np.array([r["t"] for r in rows])
        found.sort(key=lambda c: c[0])
        starts = np.array([c[0] for c in found])
        off = np.abs(times[:, None] - starts[None])
        is_hit, weight, taken = np.zeros(len(starts)), np.ones(len(starts)), set()
        for k in np.argsort(off, axis=None):
            i, j = divmod(int(k), len(starts))
            if off[i, j] > WINDOW_S:
                break
            if i not in taken and not is_hit[j]:
                taken.add(i)
                is_hit[j] = 1
        for j in np.flatnonzero(is_hit == 0):
            if any(r["t"] - EARLY_S <= starts[j] <= r["t"] + 0.012 for r in rows):
                weight[j] = 0
            elif any(r["t"] <= starts[j] <= r["t"] + r["free"] for r in rows):
                weight[j] = -1
        takes.append((rows, starts, np.array([c[1] for c in found]), is_hit, weight))
    return takes


def report(name, takes, odds, least):
    tally = Tally()
    for rows, starts, features, *_ in takes:
        found = []
        for at, value in zip(starts, odds(features)):
            if value >= least and (not found or at >= found[-1] + MIN_SPACING_S):
                found.append(at)
        tally.add(rows, found)
    print(f"{name:32}", *(f"{c:>10}" for c in tally.cells()))


def audio(folder):
    return sorted(p for p in pathlib.Path(folder).iterdir() if p.suffix in (".flac", ".wav"))


def coloured(rng, length, rate):
    """Noise from 15 Hz up of a random colour, root mean square 1."""
    hz = np.fft.rfftfreq(length, 1 / rate)
    colour = np.maximum(hz, 15) ** (-rng.choice(COLOURS) / 2)
    noise = np.fft.irfft(np.fft.rfft(rng.standard_normal(length)) * (hz > 15) * colour, length)
    return noise / np.sqrt(np.mean(noise**2))


def alone(folder, seed):
    """Takes of noise alone, steady or slowly waving: without any onset."""
    folder.mkdir(parents=True, exist_ok=True)
    count, seconds, rate = ALONE
    files = []
    for n in range(count):
        rng = np.random.default_rng([n, seed])
        t = np.arange(seconds * rate) / rate
        wave = 1 + rng.choice([0, 0.2, 0.4]) * np.sin(2 * np.pi * rng.uniform(0.1, 1) * t)
        files.append(folder / f"alone_{seed}_{n}.wav")
        soundfile.write(files[-1], 0.1 * wave * coloured(rng, len(t), rate), rate, subtype="PCM_24")
        files[-1].with_suffix(".csv").write_text("time_s\n")
    return files


def noisy(files, folder, number=0):
    """Copies of takes with noise (from 15 Hz up) of a random colour and level below their root mean square, with their
    truth."""
    folder.mkdir(parents=True, exist_ok=True)
    copies = []
    for n, file in enumerate(files):
        rng = np.random.default_rng([n, number])
        samples, rate = soundfile.read(file, always_2d=True)
        samples = samples.mean(axis=1)
        level = np.sqrt(np.mean(samples**2)) * 10 ** (-rng.uniform(*NOISE_DB) / 20)
        copies.append(folder / f"{file.stem}_{number}.wav")
        mixed = samples + level * coloured(rng, len(samples), rate)
        soundfile.write(copies[-1], mixed / max(1, np.abs(mixed).max()), rate, subtype="PCM_24")
        shutil.copy(file.with_suffix(".csv"), copies[-1].with_suffix(".csv"))
    return copies


def number(value):
    return np.format_float_positional(np.float32(value), 5, fractional=False, trim="0")


def rust_tree(nodes, at=0):
    """A tree as Rust, depth first; `nodes` is scikit-learn's own table (its _predictors)."""
    node = nodes[at]
    if node["is_leaf"]:
        return [f"Leaf({number(node['value'])})"]
    left, right = (rust_tree(nodes, node[side]) for side in ("left", "right"))
    head = f"At({node['feature_idx']}, {number(node['num_threshold'])}, {len(left) + 1})"
    return [head, *left, *right]


def main():
    program, out, fit, held, data = sys.argv[1], *map(pathlib.Path, sys.argv[2:6])
    assembled, real = audio(data / "takes"), audio(data / "real")
    made, recorded = audio(fit), assembled[0::2] + real[:1]
    others = {
        "made, other instruments": audio(held),
        "assembled, even half": assembled[1::2],
        "real, others": real[1:],
    }
    wanted, least = FEATURES, MIN_LOG_ODDS
    if len(sys.argv) > 6:
        wanted, least, folder = NOISY_FEATURES, NOISY_MIN_LOG_ODDS, pathlib.Path(sys.argv[6])
        made = made + noisy(made, folder) + noisy(made[::2], folder, 1) + alone(folder, 2)
        recorded = recorded + [copy for k in range(RECORDED_COPIES) for copy in noisy(recorded, folder, k)]
        others = {name: files + noisy(files, folder) for name, files in others.items()}
        others["noise alone"] = alone(folder, 3)
    made, recorded = (load(program, files, wanted) for files in (made, recorded))

    features, is_hit = (np.concatenate([t[k] for t in made + recorded]) for k in (2, 3))
    weight = np.concatenate([t[4] for t in made] + [RECORDED * t[4] for t in recorded])
    weight = np.where(weight < 0, -INSIDE * weight, weight)
    kept = weight > 0
    model = HistGradientBoostingClassifier(**SHAPE)
    model.fit(features[kept], is_hit[kept], sample_weight=weight[kept])
    odds = model.decision_function

    print(f"{'':32}", *(f"{c:>10}" for c in ("true", "matched", "false", "F", "F strict", "sharp", "flams", "median")))
    report("fitted to: made", made, odds, least)
    report("fitted to: recorded", recorded, odds, least)
    for name, files in others.items():
        report(f"unseen: {name}", load(program, files, wanted), odds, least)
    trees = [rust_tree(predictors[0].nodes) for predictors in model._predictors]
    text = "//! Trees of the onset classifier, written by `tests/reference/detection_fit.py`; not to be edited by hand.\n\n"
    text += "use super::boosted_trees::Node::{self, At, Leaf};\n\n"
    text += f"pub(super) const BIAS: f32 = {number(model._baseline_prediction.item())};\n"
    text += "#[rustfmt::skip]\n"
    text += f"pub(super) static TREES: [&[Node]; {len(trees)}] = [\n"
    text += "".join(f"    &[{', '.join(tree)}],\n" for tree in trees) + "];\n"
    out.write_text(text)


main()
