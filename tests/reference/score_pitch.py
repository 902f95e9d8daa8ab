"""Fundamentals against true ones, beside librosa's YIN and pYIN: `cargo xtask score pitch` runs this.

    python score_pitch.py DETECTION FOLDER [DATA]

DETECTION is the built example `detection`; FOLDER takes the sounds that are made here; DATA is the folder of the
developer recordings. Prints a table as JSON.
"""
import csv
import json
import pathlib
import re
import sys

import librosa
import mir_eval
import numpy as np
import soundfile

from detection import ask

RATE = 48000
NOTES_HZ = [41.2, 55.0, 73.4, 82.4, 110.0, 146.8, 196.0, 246.9, 329.6, 440.0, 659.3, 987.8]
LEVELS = [0.5, 0.02]


def string(hz, seed):
    """Karplus and Strong, Computer Music Journal 7(2), 1983: a period of delay + 1/2 samples."""
    delay = round(RATE / hz - 0.5)
    line = np.random.default_rng(seed).uniform(-1, 1, delay)
    line -= line.mean()
    out, last = np.empty(RATE), 0.0
    for i in range(RATE):
        k = i % delay
        out[i] = line[k]
        line[k], last = 0.998 * 0.5 * (line[k] + last), line[k]
    return out, RATE / (delay + 0.5)


def partials(hz, parts, glide=0.0):
    """Decaying partials (ratio, level, decay per second); `glide` is how sharp it starts, settling with 30 ms."""
    t = np.arange(int(0.8 * RATE)) / RATE
    cycles = hz * (t + glide * 0.03 * (1 - np.exp(-t / 0.03)))
    kept = [p for p in parts if p[0] * hz < 0.45 * RATE]
    return sum(a * np.exp(-d * t) * np.sin(2 * np.pi * cycles * r + r) for r, a, d in kept) / 3


def made():
    """Groups of (samples, true Hz): name, cents that count as right, sounds."""
    rng = np.random.default_rng(4)
    yield "plucked strings", 10, [string(hz, k) for k, hz in enumerate(NOTES_HZ)]
    # Fletcher and Rossing, The Physics of Musical Instruments, 2nd edition: stiff strings (2.18), free bars
    # (2.16), membranes (3.4)
    stiff = []
    for k, hz in enumerate(NOTES_HZ):
        b = [0, 1e-4, 4e-4][k % 3]
        n = np.arange(1, 20)
        ratios = n * np.sqrt((1 + b * n * n) / (1 + b))
        levels = np.abs(np.sin(np.pi * rng.uniform(0.08, 0.25) * n)) / n
        stiff.append((partials(hz, list(zip(ratios, levels, 3 + 0.8 * n))), hz))
    yield "stiff strings", 10, stiff
    bars = [
        (partials(hz, list(zip([1, 2.756, 5.404], levels, [6, 15, 30]))), hz)
        for hz in NOTES_HZ
        for levels in ([1, 0.5, 0.3], [1, 1, 0.5])
    ]
    yield "free bars", 10, bars
    heads = [
        (partials(hz, [(r, a, 6 + 4 * r * r) for r, a in [(1, 1), (1.594, 0.5), (2.136, 0.3), (2.296, 0.2)]], glide), hz)
        for hz in (50, 65, 90, 120, 180, 260)
        for glide in (0.15, 0.3)
    ]
    yield "gliding membranes", 25, heads


def recorded(data):
    """Recorded notes whose sample ends with the name of its note: file and pitch class in semitones above C."""
    kinds = "steel guitar|nylon guitar|jazz guitar|double bass|digital piano|strings|marimba|xylophone".split("|")
    with open(data / "MANIFEST.csv", newline="") as file:
        for row in csv.DictReader(file):
            found = re.search(r":[^:]* ([A-G])([#b]?) ?\d+(?:\(L\))?$", row["file_inside"])
            if found and row["instrument"] in kinds:
                step = dict(C=0, D=2, E=4, F=5, G=7, A=9, B=11)[found[1]]
                yield data / row["file"], step + {"#": 1, "b": -1, "": 0}[found[2]]


def frames(method, audio):
    """The median of a frame-wise method over 60 to 400 ms, or over the whole of what is shorter."""
    samples, rate = soundfile.read(audio, always_2d=True)
    mono = samples.mean(axis=1).astype(np.float32)[: int(0.46 * rate)]
    length = 1 << (int(rate * 2 / 36) - 1).bit_length()
    common = dict(fmin=36.0, fmax=2000.0, sr=rate, frame_length=length)
    hz = librosa.pyin(mono, **common)[0] if method == "pYIN" else librosa.yin(mono, **common)
    times = librosa.times_like(hz, sr=rate, hop_length=length // 4)
    chosen = hz[(times >= 0.06) & (times <= 0.4)]
    chosen = chosen[np.isfinite(chosen)]
    chosen = chosen if len(chosen) else hz[np.isfinite(hz)]
    return float(np.median(chosen)) if len(chosen) else None


def row(name, who, cents, within):
    """One line: how many sounds, the share right by mir_eval's raw pitch accuracy, the median error."""
    found = np.isfinite(cents)
    base = 6000.0  # any value: only differences count
    estimate = np.where(found, base + np.where(found, cents, 0), 0)
    accuracy = mir_eval.melody.raw_pitch_accuracy(
        np.ones(len(cents)), np.full(len(cents), base), found.astype(float), estimate, cent_tolerance=within
    )
    median = f"{np.median(np.abs(cents[found])):.1f}" if found.any() else "-"
    worst = f"{np.max(np.abs(cents[found])):.0f}" if found.any() else "-"
    return [f"{name}: {who}", str(len(cents)), str(int((~found).sum())), str(within), f"{accuracy:.3f}", median, worst]


def main():
    program, folder = sys.argv[1], pathlib.Path(sys.argv[2])
    rows = []

    def compare(name, within, files, error):
        ours = [d["pitch_hz"] for d in ask(program, "describe", files)]
        results = {"Kitwright": ours}
        for method in ("YIN", "pYIN"):
            results[f"librosa {method}"] = [frames(method, file) for file in files]
        for who, list_hz in results.items():
            cents = np.array([error(i, hz) if hz else np.inf for i, hz in enumerate(list_hz)])
            rows.append(row(name, who, cents, within))

    rng = np.random.default_rng(7)
    for name, within, sounds in made():
        files, true = [], []
        for k, (samples, hz) in enumerate(sounds):
            for level in LEVELS:
                file = folder / f"{name.replace(' ', '-')}-{k}-{level}.wav"
                noise = 10 ** (-75 / 20) * rng.standard_normal(len(samples))
                soundfile.write(file, level * samples + noise, RATE, subtype="PCM_24")
                files.append(file)
                true.append(hz)
        compare(name, within, files, lambda i, hz: 1200 * np.log2(hz / true[i]))
    if len(sys.argv) > 3:
        notes = list(recorded(pathlib.Path(sys.argv[3])))

        def class_error(i, hz):
            semitones = 69 + 12 * np.log2(hz / 440) - notes[i][1]
            return 100 * (semitones - 12 * np.round(semitones / 12))
        compare("recorded notes (pitch class)", 50, [file for file, _ in notes], class_error)
    print(json.dumps({
        "title": "Pitch",
        "columns": ["sounds", "count", "no pitch", "within, ct", "right", "median ct", "worst ct"],
        "rows": rows,
        "notes": [
            "right: mir_eval.melody.raw_pitch_accuracy with the tolerance given, each sound a frame. Each made sound is",
            "there at 0.5 and at 0.02 of full scale over noise of -75 dB. Recorded notes are named by their key, up to",
            "half a semitone out of tune, and octaves are counted differently from set to set: pitch class only.",
        ],
    }))


main()
