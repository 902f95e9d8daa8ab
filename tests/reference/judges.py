#!/usr/bin/env python3
"""Asks independent classifiers ("judges") which drum each pad of a kit is. Needs numpy, scipy, soundfile, scikit-learn.
  judges.py OWN[,HELD_OUT,DATA] KIT...
OWN: where `cargo xtask profiles` unpacked its packages (target/profiles/unpacked), or nothing. HELD_OUT: where
Debian's `freepats` and `lmms-common` were unpacked with dpkg -x; DATA: the developer recordings. KIT: folders
that `kitwright kit --out KIT` wrote; a folder like OWN stands for the real drums in it. Without kits: how many drums of
each collection the judges name right when they have learned from the others alone. The five judges are
other kinds of models than the scoring model and use other features (cepstra, mel spectrograms). Each is trained twice: on
the seven drums alone, and with other percussion and cymbals as further answers. Judges trained on OWN share their
training sounds with the scoring model, which favours our kits; judges trained on HELD_OUT alone do not."""
import glob
import json
import os
import sys
import warnings

import numpy as np
import soundfile
from sklearn.decomposition import PCA
from sklearn.ensemble import ExtraTreesClassifier, RandomForestClassifier
from sklearn.neural_network import MLPClassifier
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler
from sklearn.svm import SVC

from drums import altered, generator, of_packages
from held_out import of_held_out
from mel import measures

warnings.filterwarnings("ignore")
WANTED = {"kick": "kick", "snare": "snare", "rim": "rim", "clap": "clap", "closed-hat": "hat_closed", "open-hat": "hat_open",
          "shaker": "shaker", "low-tom": "tom", "high-tom": "tom", "middle-tom": "tom", "pedal-hat": "hat_closed",
          "crash": "cymbal", "ride": "cymbal"}


def judges():
    """Name, index of the measures, and constructor of each judge."""
    even = {"class_weight": "balanced"}
    support = lambda c, g: SVC(C=c, gamma=g, random_state=0, **even)
    return [
        ("cepstra, extra trees", 1, lambda: ExtraTreesClassifier(200, random_state=0, **even)),
        ("cepstra, support vectors", 1, lambda: make_pipeline(StandardScaler(), support(6, 0.004))),
        ("mel, random forest", 0, lambda: RandomForestClassifier(200, min_samples_leaf=2, max_features=0.1, random_state=1, **even)),
        ("mel, support vectors", 0, lambda: make_pipeline(StandardScaler(), PCA(60, random_state=0), support(5, "scale"))),
        ("mel, small net", 0, lambda: make_pipeline(StandardScaler(), PCA(80, random_state=0),
                                                    MLPClassifier((48,), alpha=2, max_iter=150, random_state=0))),
    ]


def training_sounds(own, held_out=None, data=None):
    if own:
        yield from of_packages(own)
    if held_out:
        yield from of_held_out(held_out, data)


def training(labelled):
    """Measures, labels, groups, and whether altered."""
    sounds, labels, groups, changed = [], [], [], []
    for sound in labelled:
        rng = generator(sound)
        # Each sound unaltered and four times altered.
        for i, samples in enumerate([sound.samples, *(altered(sound, rng) for _ in range(4))]):
            if m := measures(samples, sound.rate):
                sounds.append(m)
                labels.append(sound.label)
                groups.append(sound.group)
                changed.append(i > 0)
    return [np.array([s[i] for s in sounds]) for i in (0, 1)], *map(np.array, (labels, groups, changed))


def left_out(sounds, labels, groups, changed):
    """A row for each drum: how many of them the judges name right, mean of the judges, each collection left out in turn."""
    drums = ~np.isin(labels, ["perc", "cymbal"])
    right = {}
    for group in np.unique(groups):
        asked, learned = drums & (groups == group) & ~changed, drums & (groups != group)
        if not asked.any():
            continue
        for _, which, judge in judges():
            found = judge().fit(sounds[which][learned], labels[learned]).predict(sounds[which][asked])
            for label, answer in zip(labels[asked], found):
                right.setdefault(label, []).append(label == answer)
    return [[str(label), str(len(r) // len(judges())), f"{np.mean(r):.2f}"] for label, r in right.items()]


REAL = {"hat_closed": "closed-hat", "hat_open": "open-hat", "tom": "low-tom"}


def pads(kits):
    found = []
    for kit in kits:
        if os.path.isdir(os.path.join(kit, "usr")):
            for s in of_packages(kit):
                role = REAL.get(s.label, s.label)
                if role in WANTED and (m := measures(s.samples, s.rate)):
                    found.append((role, m))
            continue
        for name in sorted(glob.glob(os.path.join(kit, "pads", "*.wav"))):
            role = os.path.basename(name)[3:-4]
            sound, rate = soundfile.read(name, always_2d=True)
            if role in WANTED and (m := measures(sound.mean(1), rate)):
                found.append((role, m))
    return found


def main():
    sounds, labels, groups, changed = training(training_sounds(*sys.argv[1].split(",")))
    if not sys.argv[2:]:
        print(json.dumps({"title": "Drums of left-out collections named right", "columns": ["drum", "count", "right"],
                          "rows": left_out(sounds, labels, groups, changed), "notes": []}, indent=1))
        return
    found = pads(sys.argv[2:])
    roles = np.array([role for role, _ in found])
    features = [np.array([m[i] for _, m in found]) for i in (0, 1)]
    wanted = np.array([WANTED[r] for r in roles])
    no_toms = wanted != "tom"
    rows = []
    for drums_only in (True, False):
        keep = ~np.isin(labels, ["perc", "cymbal"]) if drums_only else np.ones(len(labels), bool)
        answers = []
        for name, which, judge in judges():
            right = judge().fit(sounds[which][keep], labels[keep]).predict(features[which]) == wanted
            # without that answer nobody can give it
            right = np.where(drums_only & (wanted == "cymbal"), np.nan, right)
            answers.append(right)
            rows.append([name + ("" if drums_only else ", more answers"), right])
        rows.append(["mean" + ("" if drums_only else ", more answers"), np.mean(answers, axis=0)])
    line = lambda right: [f"{np.nanmean(right[roles == r]):.2f}" if (roles == r).any() else "-" for r in WANTED]
    print(json.dumps({
        "title": f"Pads recognised as their role by independent classifiers, {len(roles)} pads",
        "columns": ["judge", *WANTED, "without toms"],
        "rows": [[name, *line(right), f"{np.nanmean(right[no_toms]):.2f}"] for name, right in rows],
        "notes": [],
    }, indent=1))


main()
