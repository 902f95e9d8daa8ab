"""Classification of drum sounds by our profiles and by a stock classifier: `cargo xtask score roles` runs this.

    python score_roles.py CASTING FOLDER [DATA]

CASTING is the built example `casting`; FOLDER holds the demo take; DATA is the folder of the developer
recordings. Prints a table as JSON.

The reference is a simple classifier from stock libraries: librosa's mel cepstra (mean and deviation over the sound)
and scikit-learn's random forest. Each group of recordings is classified by a forest that was trained without it.
Our profiles were partly made from these recordings; tests/SCORES.md says what is held out.
"""
import csv
import json
import pathlib
import subprocess
import sys

import librosa
import numpy as np
import soundfile
from sklearn.ensemble import RandomForestClassifier

# Our classes by the labels of the recordings; rim shots count as snares.
CLASSES = {"hat_pedal": "hat_closed", "cowbell": "perc", "woodblock": "perc", "clave": "perc", "sticks": "perc",
           "snap": "perc", "tambourine": "perc", "rimshot": "snare"}
ROLES = {"kick": "kick", "snare": "snare", "rim": "rim", "clap": "clap", "closed hat": "hat_closed",
         "open hat": "hat_open", "shaker": "shaker", "low tom": "tom", "high tom": "tom", "percussion": "perc"}
GUITARS = ["d01_steel_guitar", "d02_electric_guitar", "d03_strums", "d04_nylon_guitar", "d09_guitar_noises"]


def ask(program, what, files):
    command = [str(program), what, *map(str, files)]
    lines = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout.splitlines()
    return [json.loads(line)["found"] for line in lines]


def sounds(data):
    """Files of single drum sounds with their class and their group."""
    with open(data / "MANIFEST.csv", newline="") as file:
        rows = [r for r in csv.DictReader(file) if r["set"] == "drum_oneshot"]
    return [(data / r["file"], CLASSES.get(r["label"], r["label"]), r["group"]) for r in rows]


def cepstra(file):
    samples, rate = soundfile.read(file, always_2d=True)
    mono = librosa.util.fix_length(samples.mean(axis=1).astype(np.float32)[:rate], size=max(4096, min(len(samples), rate)))
    mfcc = librosa.feature.mfcc(y=mono, sr=rate, n_mfcc=20)
    return np.concatenate([mfcc.mean(axis=1), mfcc.std(axis=1)])


def forest(labelled):
    """The class of each sound by a random forest that was trained without its group."""
    x = np.array([cepstra(file) for file, _, _ in labelled])
    classes, groups = (np.array([l[i] for l in labelled]) for i in (1, 2))
    predicted = np.empty(len(labelled), object)
    for group in set(groups):
        held = groups == group
        model = RandomForestClassifier(500, class_weight="balanced", random_state=1).fit(x[~held], classes[~held])
        predicted[held] = model.predict(x[held])
    return predicted


def main():
    program, folder = sys.argv[1], pathlib.Path(sys.argv[2])
    data = pathlib.Path(sys.argv[3]) if len(sys.argv) > 3 else None
    labelled = sounds(data) if data else []
    likely = ask(program, "sounds", [file for file, _, _ in labelled]) if labelled else []
    ours = [max(p, key=p.get) for p in likely]
    theirs = forest(labelled) if labelled else []
    takes = [data / "takes" / f"{name}.flac" for name in GUITARS] if data else sorted(folder.glob("*.wav"))
    pads = [pad for kit in ask(program, "kit", takes) for pad in kit["pads"]]

    rows = []
    for role, name in [*ROLES.items(), ("all", None)]:
        mine = [i for i, (_, c, _) in enumerate(labelled) if name in (None, c)]
        of_role = [p for p in pads if role in ("all", p["role"])]
        right = lambda predicted: f"{np.mean([predicted[i] == labelled[i][1] for i in mine]):.2f}" if mine else "-"
        rows.append([
            role,
            str(len(mine)),
            right(ours),
            right(theirs),
            f"{np.mean([likely[i][labelled[i][1]] for i in mine]):.2f}" if mine else "-",
            str(len(of_role)),
            f"{np.mean([p['recipe'] for p in of_role]):.2f}" if of_role else "-",
            f"{np.mean([p['score'] for p in of_role]):.2f}" if of_role else "-",
        ])
    top = np.array([max(p.values()) for p in likely])
    hit = np.array([o == c for o, (_, c, _) in zip(ours, labelled)])
    bins = [(a, b) for a, b in [(0.0, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 1.01)] if len(top) and ((top >= a) & (top < b)).any()]
    reliability = [f"{top[(top >= a) & (top < b)].mean():.2f} -> {hit[(top >= a) & (top < b)].mean():.2f} ({((top >= a) & (top < b)).sum()})" for a, b in bins]
    print(json.dumps({
        "title": "Roles",
        "columns": ["role", "sounds", "named right", "random forest", "own score", "pads", "score, recipe", "score, fitted"],
        "rows": rows,
        "notes": [
            "sounds: single drum sounds of the developer recordings; toms are one class. random forest: scikit-learn's on",
            "librosa's mel cepstra, without the sound's own group; our profiles were partly made from these sounds.",
            f"pads: fully fitted kits of {len(takes)} takes; their score by the recipe alone, and fitted.",
            "reliability, mean score -> share right: " + (", ".join(reliability) or "-"),
        ],
    }))


main()
