"""Fits the trees of src/core/listen/onset_trees.rs to takes with true onsets.

    python detection_fit.py DETECTION OUT FIT HELD DATA NOISY [MORE...]

NOISY is a folder for copies of the takes to fit to with pink noise below them, to which the trees are fitted as well.
DETECTION is the built example `detection`; OUT the file to write (src/core/listen/onset_trees.rs). FIT and HELD are folders
that detection_takes.py has filled; DATA the developer recordings. Trees are fitted to FIT, the odd half of DATA's
assembled takes and its first real take; HELD, the even half, the other real takes and MORE are only reported.

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
NOISE_DB = (6, 34)
# as in src/core/listen/detect.rs
MIN_SPACING_S, MIN_LOG_ODDS = 0.012, -0.2


def load(program, files):
    """Candidates of each take, and whether each is a true onset; weight 0 near one, -1 inside its sound."""
    takes = []
    for file, found in zip(files, ask(program, "features", files)):
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


def report(name, takes, odds):
    tally = Tally()
    for rows, starts, features, *_ in takes:
        found = []
        for at, value in zip(starts, odds(features)):
            if value >= MIN_LOG_ODDS and (not found or at >= found[-1] + MIN_SPACING_S):
                found.append(at)
        tally.add(rows, found)
    print(f"{name:32}", *(f"{c:>10}" for c in tally.cells()))


def audio(folder):
    return sorted(p for p in pathlib.Path(folder).iterdir() if p.suffix in (".flac", ".wav"))


def noisy(files, folder):
    """Copies of takes with pink noise (from 15 Hz up) at a random level below their root mean square, with their truth."""
    folder.mkdir(parents=True, exist_ok=True)
    copies = []
    for n, file in enumerate(files):
        rng = np.random.default_rng(n)
        samples, rate = soundfile.read(file, always_2d=True)
        samples = samples.mean(axis=1)
        hz = np.fft.rfftfreq(len(samples), 1 / rate)
        spectrum = np.fft.rfft(rng.standard_normal(len(samples))) * (hz > 15) / np.sqrt(np.maximum(hz, 15))
        noise = np.fft.irfft(spectrum, len(samples))
        noise *= np.sqrt(np.mean(samples**2) / np.mean(noise**2)) * 10 ** (-rng.uniform(*NOISE_DB) / 20)
        copies.append(folder / f"{file.stem}_noisy.wav")
        mixed = samples + noise
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
    program, out, fit, held, data, noisy_folder = sys.argv[1], *map(pathlib.Path, sys.argv[2:7])
    assembled, real = audio(data / "takes"), audio(data / "real")
    made, recorded = audio(fit), assembled[0::2] + real[:1]
    made = load(program, made + noisy(made[::2], noisy_folder))
    recorded = load(program, recorded + noisy(recorded, noisy_folder))
    others = {
        "made, other instruments": audio(held),
        "assembled, even half": assembled[1::2],
        "real, others": real[1:],
        **{pathlib.Path(more).name: audio(more) for more in sys.argv[7:]},
    }

    features, is_hit = (np.concatenate([t[k] for t in made + recorded]) for k in (2, 3))
    weight = np.concatenate([t[4] for t in made] + [RECORDED * t[4] for t in recorded])
    weight = np.where(weight < 0, -INSIDE * weight, weight)
    kept = weight > 0
    model = HistGradientBoostingClassifier(**SHAPE)
    model.fit(features[kept], is_hit[kept], sample_weight=weight[kept])
    odds = model.decision_function

    print(f"{'':32}", *(f"{c:>10}" for c in ("true", "matched", "false", "F", "F strict", "sharp", "flams", "median")))
    report("fitted to: made", made, odds)
    report("fitted to: recorded", recorded, odds)
    for name, files in others.items():
        report(f"unseen: {name}", load(program, files), odds)
    trees = [rust_tree(predictors[0].nodes) for predictors in model._predictors]
    text = "//! Trees of the onset classifier, written by `tests/reference/detection_fit.py`; not to be edited by hand.\n\n"
    text += "use super::boosted_trees::Node::{self, At, Leaf};\n\n"
    text += f"pub(super) const BIAS: f32 = {number(model._baseline_prediction.item())};\n"
    text += "#[rustfmt::skip]\n"
    text += f"pub(super) static TREES: [&[Node]; {len(trees)}] = [\n"
    text += "".join(f"    &[{', '.join(tree)}],\n" for tree in trees) + "];\n"
    out.write_text(text)


main()
