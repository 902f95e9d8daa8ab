#!/usr/bin/env python3
"""Trains the role profiles and writes src/core/cast/profiles.rs. Needs numpy, scipy, soundfile, scikit-learn.
  profiles.py WORK UNPACKED RECORDINGS FEATURES OUT SOURCES [WITHOUT...]
WORK: a folder for temporary files. UNPACKED: where the Debian packages were unpacked with dpkg -x.
RECORDINGS: the developer recordings. FEATURES: the built example `features`. OUT: the file to write. SOURCES: text
about the packages for its head. WITHOUT: groups that are left out, to measure the profiles on kits that they were not
trained on. `cargo xtask profiles` runs it."""
import json
import os
import subprocess
import sys
import textwrap
import warnings

import numpy as np
import soundfile
from scipy.optimize import minimize_scalar
from scipy.special import logsumexp
from sklearn.cluster import KMeans
from sklearn.linear_model import LogisticRegression
from sklearn.neural_network import MLPClassifier

from drums import CLASSES, altered, copies, generator, of_packages, recordings

warnings.filterwarnings("ignore")
# Groups that are left out together: collections of one author or of one kind.
FOLDS = [
    ["fluid", "drumline"],
    ["gmbank"],
    ["sonicpi", "supersonic"],
    ["BJA_Pacific", "ForzeeStereo", "rumpf", "freepats", "qabcs"],  # acoustic kits
    ["ElectricEmpire", "HardElectro", "VariBreaks", "chuck", "lmms", "Audiophob"],  # electronic and mixed
]
# Share of a class's sounds that lie below and above what the fit is held to.
TAILS = (0.1, 0.9)
# Collections of one author, or with sounds in common, that count as one.
ALIKE = {"drumline": "fluid", "supersonic": "sonicpi"}
HIDDEN = 16
BANDS = 144
BAND_WEIGHT = 0.5  # weight of each of the many bands, which are similar
# Kinds of a class (clusters of its recordings: a rim of an acoustic kit, one of a rhythm machine). Their number and the
# width of the kernel were found by leaving each group out in turn.
KINDS = (4, 8)  # of a class with few recordings, and of one with more than MANY
MANY = 60
KERNEL_DB = 4.0
# Weight of each stretch of time, and of each band by the root of its width on the mel scale.
STRETCHES = np.array([1.1, 1.6, 3.0, 1.8, 3.0, 2.3])
EDGES_HZ = np.array([20, 40, 60, 85, 115, 150, 200, 260, 340, 440, 570, 740, 950, 1220, 1560, 2000, 2560, 3280, 4200,
                     5300, 6600, 8100, 9800, 11800, 14000, 16500])


def main():
    work, unpacked, drums, features, out = (os.path.abspath(a) for a in sys.argv[1:6])
    data = Data(work, unpacked, drums, features, set(sys.argv[7:]))
    held = [fold(data, groups) for groups in FOLDS if np.isin(data.group, groups).any()]
    cross_entropy = lambda t: -np.mean(np.log(right(held, t) + 1e-6))
    temperature = minimize_scalar(cross_entropy, bounds=(0.5, 5), method="bounded").x
    reliability, named_right = table(held, temperature)
    model = train(data, np.ones(len(data.y), bool))
    text = source(data, model, temperature, reliability, named_right, sys.argv[6])
    with open(out, "w") as file:
        file.write(text)


class Data:
    """Measures of every sound unaltered (`copy` 0) and altered, with its class and group."""

    def __init__(self, work, unpacked, drums, features, without):
        os.makedirs(os.path.join(work, "sounds"), exist_ok=True)
        sounds = [s for s in [*of_packages(unpacked), *recordings(drums)] if s.group not in without]
        names, about = [], []
        for i, (sound, count) in enumerate(zip(sounds, copies(sounds))):
            rng = generator(sound)
            for k in range(count + 1):
                names.append(os.path.join(work, "sounds", f"{i}_{k}.wav"))
                samples = altered(sound, rng) if k else sound.samples
                soundfile.write(names[-1], samples, sound.rate, subtype="FLOAT")
                about.append((CLASSES.index(sound.label), sound.group, k, i))
        output = subprocess.run([features], input="\n".join(names) + "\n", text=True, stdout=subprocess.PIPE, check=True)
        rows = {d["file"]: d["row"] for d in map(json.loads, output.stdout.splitlines())}
        about = [a for n, a in zip(names, about) if n in rows]
        self.x = np.array([rows[n] for n in names if n in rows])
        self.y, self.group, self.copy, self.sound = (np.array(column) for column in zip(*about))
        for group in np.unique(self.group):
            own = (self.group == group) & (self.copy == 0)
            print(group, {CLASSES[c]: int((own & (self.y == c)).sum()) for c in np.unique(self.y[own])}, file=sys.stderr)

    def weights(self, rows):
        """Classes count evenly; within a class a group counts by the root of its number of sounds."""
        weight = np.zeros(len(self.y))
        for c in np.unique(self.y[rows]):
            own = rows & (self.y == c)
            for group in np.unique(self.group[own]):
                part = own & (self.group == group)
                weight[part] = np.sqrt(len(np.unique(self.sound[part]))) / part.sum()
            weight[own] /= weight[own].sum()
        return weight


def train(data, rows):
    """A logistic regression on all and small nets, each without one of the folds, on measures in standard
    deviations, at most three. Since all models have to agree, the peculiarities of one group count less."""
    x, y, group, weight = data.x[rows], data.y[rows], data.group[rows], data.weights(rows)[rows]
    share = weight / weight.sum()
    mean = share @ x
    spread = np.sqrt(share @ (x - mean) ** 2) + 1e-3
    weigh = np.where(np.arange(x.shape[1]) < BANDS, BAND_WEIGHT, 1.0)
    z = np.clip((x - mean) / spread, -3, 3) * weigh
    line = LogisticRegression(C=0.02, max_iter=500).fit(z, y, sample_weight=share * len(y))
    nets = []
    for seed, left_out in enumerate(FOLDS):
        # the nets take no weights: draw by them instead
        rng = np.random.default_rng(seed)
        drawn = []
        for c in np.unique(y):
            own = (y == c) & ~np.isin(group, left_out)
            own = own if own.any() else y == c
            drawn.append(rng.choice(np.nonzero(own)[0], 600, p=weight[own] / weight[own].sum()))
        net = MLPClassifier((HIDDEN,), alpha=4, max_iter=150, random_state=seed, activation="tanh")
        drawn = np.concatenate(drawn)
        nets.append(net.fit(z[drawn], y[drawn]))
    plain = rows & (data.copy == 0)
    by_image = kinds(data.x[plain], data.y[plain], data.group[plain], data.weights(plain)[plain])
    return {"mean": mean, "spread": spread, "weigh": weigh, "line": line, "nets": nets, "kinds": by_image}


def image_weights():
    """Of each band of each stretch, 1 in the mean."""
    mel = 2595 * np.log10(1 + EDGES_HZ / 700)
    weights = np.outer(STRETCHES, np.sqrt(mel[2:] - mel[:-2])).ravel()
    return weights / weights.mean()


def kinds(x, y, group, weight):
    """Clusters of each class's unaltered sounds by their bands: class, share of the class, whether sounds of two
    collections or more are in it, mean and standard deviation of all measures."""
    found = []
    image = x[:, :BANDS] * np.sqrt(image_weights())
    for c in np.unique(y):
        own = np.nonzero(y == c)[0]
        count = min(KINDS[len(own) > MANY], len(np.unique(image[own], axis=0)))
        label = KMeans(count, n_init=20, random_state=0).fit(image[own], sample_weight=weight[own]).labels_
        for k in range(count):
            part = own[label == k]
            share = weight[part] / weight[part].sum()
            mean = share @ x[part]
            found.append({"class": c, "share": weight[part].sum() / weight[own].sum(), "mean": mean,
                          "confirmed": len({ALIKE.get(g, g) for g in group[part]}) > 1,
                          "width": np.sqrt(share @ (x[part] - mean) ** 2)})
    return found


def image_logits(kinds, x):
    """Logarithm of each class's likeness: a sum of Gaussian kernels around its kinds."""
    weights = image_weights()
    values = np.full((len(x), len(CLASSES)), -60.0)
    for c in {k["class"] for k in kinds}:
        own = [k for k in kinds if k["class"] == c]
        square = np.array([((x[:, :BANDS] - k["mean"][:BANDS]) ** 2 * weights).mean(1) for k in own])
        share = np.array([k["share"] for k in own])[:, None]
        values[:, c] = logsumexp(-square / (2 * KERNEL_DB ** 2), b=share, axis=0)
    return values


def logits(model, x):
    """Of each model in turn; -12 for a class that it was not trained on."""
    z = np.clip((x - model["mean"]) / model["spread"], -3, 3) * model["weigh"]
    for m in [model["line"], *model["nets"]]:
        values = np.full((len(x), len(CLASSES)), -12.0)
        if m is model["line"]:
            values[:, m.classes_] = m.decision_function(z)
        else:
            values[:, m.classes_] = np.tanh(z @ m.coefs_[0] + m.intercepts_[0]) @ m.coefs_[1] + m.intercepts_[1]
        yield values
    yield image_logits(model["kinds"], x)


def probabilities(logits_of, temperature):
    e = [np.exp((v - v.max(1, keepdims=True)) / temperature) for v in logits_of]
    return np.mean([v / v.sum(1, keepdims=True) for v in e], axis=0)


def fold(data, held):
    """Logits for held-out groups of kits; sounds whose class only these groups have are left out."""
    rows = ~np.isin(data.group, held)
    asked = np.isin(data.group, held) & (data.copy < 3) & np.isin(data.y, np.unique(data.y[rows]))
    predicted = list(logits(train(data, rows), data.x[asked]))
    return predicted, data.y[asked], data.weights(asked)[asked]


def right(held, temperature):
    return np.concatenate([probabilities(s, temperature)[np.arange(len(y)), y] for s, y, _ in held])


def table(held, temperature):
    """Reliability: mean score and share of right answers, for each tenth of the scale; and the share of each class's
    sounds that are named right."""
    p = np.concatenate([probabilities(s, temperature).ravel() for s, _, _ in held])
    true = np.concatenate([(y[:, None] == np.arange(len(CLASSES))).ravel() for _, y, _ in held])
    rows = []
    for low in np.arange(0, 1, 0.1):
        at = (p >= low) & (p < low + 0.1 + (low > 0.85))
        rows.append((p[at].mean(), true[at].mean(), int(at.sum())))
        print("scored %.2f right %.2f of %d" % rows[-1], file=sys.stderr)
    best = np.concatenate([probabilities(s, temperature).argmax(1) == y for s, y, _ in held])
    print("right among ten, held-out kits: %.3f of %d" % (best.mean(), len(best)), file=sys.stderr)
    named_right = []
    for c, name in enumerate(CLASSES):
        predicted = np.concatenate([probabilities(s, temperature).argmax(1)[y == c] for s, y, _ in held])
        named_right.append((predicted == c).mean())
        print("  %-11s %.2f of %d" % (name, named_right[-1], len(predicted)), file=sys.stderr)
    return rows, named_right


def head(sentence):
    return "\n".join("//! " + line for line in textwrap.wrap(sentence, 110, break_on_hyphens=False))


def number(value):
    short = ("%.3f" % value).rstrip("0")
    short = short + "0" if short.endswith(".") else short
    return "0.0" if short == "-0.0" else short


def array(name, values, doc):
    values = np.asarray(values)
    row = lambda r: "[" + ", ".join(number(v) for v in r) + "]"
    if values.ndim == 1:
        return f"/// {doc}\npub static {name}: [f32; {len(values)}] = {row(values)};\n"
    inner = "".join(f"    {row(r)},\n" for r in values)
    return f"/// {doc}\npub static {name}: [[f32; {values.shape[1]}]; {len(values)}] = [\n{inner}];\n"


def source(data, model, temperature, reliability, named_right, sources):
    weight = data.weights(np.ones(len(data.y), bool))
    of = lambda c: (data.x[data.y == c], weight[data.y == c] / weight[data.y == c].sum())
    centre = np.array([w @ x for x, w in map(of, range(len(CLASSES)))])
    width = np.array([np.sqrt(w @ (x - w @ x) ** 2) for x, w in map(of, range(len(CLASSES)))])
    text = f"""//! Role profiles, made by `cargo xtask profiles` (`tests/reference/profiles.py`): do not edit.
//!
{head(f"Trained on labelled open recordings: {sources}, all from Debian 12; and on the single drum sounds of the developer recordings, of whose own sounds nothing but these statistics is in here. Measures by `cast::features`.")}
#![cfg_attr(rustfmt, rustfmt_skip)]
#![allow(clippy::approx_constant, clippy::excessive_precision)]

use super::{{kind::Kind, net::Net}};

/// What the logits are divided by, so that scores are probabilities (found on sounds of groups that were held out).
pub const TEMPERATURE: f32 = {temperature:.3f};
/// Groups of kits held out in turn: mean score, share of right ones, and how many scores, for each tenth of the scale.
#[cfg(test)]
pub static RELIABILITY: [(f32, f32, u32); {len(reliability)}] = [
"""
    text += "".join("    (%.3f, %.3f, %d),\n" % r for r in reliability) + "];\n"
    text += array("NAMED_RIGHT", named_right, "Share of each class's sounds that is named right on held-out groups.")
    text += array("MEAN", model["mean"], "Mean of each measure over all training sounds.")
    text += array("SPREAD", model["spread"], "Standard deviation of each measure.")
    text += array("LINE_BIAS", model["line"].intercept_, "Multinomial logistic regression: one bias for each class.")
    text += array("LINE", model["line"].coef_ * model["weigh"], "Its weights: `[class][measure]`.")
    for n, net in enumerate(model["nets"]):
        text += array(f"NET{n}_IN_BIAS", net.intercepts_[0], "Small net: biases of its hidden units.")
        text += array(f"NET{n}_IN", (net.coefs_[0] * model["weigh"][:, None]).T, "`[hidden][measure]`.")
        text += array(f"NET{n}_OUT_BIAS", net.intercepts_[1], "One for each class.")
        text += array(f"NET{n}_OUT", net.coefs_[1].T, "`[class][hidden]`.")
    nets = range(len(model["nets"]))
    fields = lambda n: f"in_bias: &NET{n}_IN_BIAS, weights: &NET{n}_IN, out_bias: &NET{n}_OUT_BIAS, out: &NET{n}_OUT"
    text += f"/// The small nets, each trained without one fold of the groups.\npub static NETS: [Net; {len(nets)}] = [\n"
    text += "".join(f"    Net {{ {fields(n)} }},\n" for n in nets) + "];\n"
    text += kinds_source(model, data)
    text += array("CENTRE", centre, "Mean of each measure over the sounds of a class: `[class][measure]`.")
    doc = "Their standard deviation, at least half of that of all sounds."
    text += array("WIDTH", np.maximum(width, 0.5 * model["spread"]), doc)
    usual = np.array([quantiles(data, c) for c in range(len(CLASSES))])
    for name, which, at in [("USUAL_MIN", 0, "tenth"), ("USUAL_MAX", 1, "ninetieth")]:
        text += array(name, usual[:, which], f"The {at} percentile of each measure over a class's recordings as they are.")
    return text


def kinds_source(model, data):
    """The kinds of all classes, and what a distance from them needs."""
    text = f"/// Standard deviation of the kernels around kinds, dB.\npub const KERNEL_DB: f32 = {number(KERNEL_DB)};\n"
    text += array("IMAGE_WEIGHT", image_weights(), "Weight of each band of each stretch in a distance from a kind, 1 in the mean.")
    for n, kind in enumerate(model["kinds"]):
        text += array(f"KIND{n}_CENTRE", kind["mean"], f"Mean of each measure over a kind of {CLASSES[kind['class']]}.")
        least = 0.5 * model["spread"]
        text += array(f"KIND{n}_WIDTH", np.maximum(kind["width"], least), "Their standard deviation, at least half of that of all sounds.")
    text += f"/// Kinds of all classes, those of a class in a row.\npub static KINDS: [Kind; {len(model['kinds'])}] = [\n"
    for n, kind in enumerate(model["kinds"]):
        text += (f"    Kind {{ class: {kind['class']}, share: {number(kind['share'])}, confirmed: {str(bool(kind['confirmed'])).lower()}, "
                 f"centre: &KIND{n}_CENTRE, width: &KIND{n}_WIDTH }},\n")
    return text + "];\n"


def quantiles(data, c):
    """Percentiles of each measure over a class's unaltered sounds, weighted as in training."""
    own = (data.y == c) & (data.copy == 0)
    x, weight = data.x[own], data.weights(own)[own]
    out = np.empty((2, x.shape[1]))
    for m in range(x.shape[1]):
        order = np.argsort(x[:, m])
        place = np.cumsum(weight[order]) - 0.5 * weight[order]
        out[:, m] = np.interp(TAILS, place / weight.sum(), x[order, m])
    return out


main()
