"""Shared by the scripts about detection: our program, the reference detector, and the scoring rules.

Onsets are matched one to one within a window in the largest matching there is: mir_eval's definition
(Raffel et al., "mir_eval: a transparent implementation of common MIR metrics", ISMIR 2014), by mir_eval itself.
"""
import csv
import json
import pathlib
import subprocess

import librosa
import mir_eval
import numpy as np
import soundfile

WINDOW_S = 0.025
SHARP_MS, SHARP_S = 10.0, 0.005
# The data set's own rule: a detection is false only outside [t - 30 ms, t + free_ms] of every true onset.
EARLY_S, FREE_MS = 0.03, 30.0


def ask(program, what, files):
    """The output of our program for each file, in order."""
    command = [str(program), what, *map(str, files)]
    lines = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout.splitlines()
    return [json.loads(line)["found"] for line in lines]


def truth(audio):
    """Rows of the CSV file beside a recording: time_s, and where known attack_ms, free_ms, group."""
    with open(pathlib.Path(audio).with_suffix(".csv"), newline="") as file:
        return [
            {
                "t": float(row["time_s"]),
                "attack": float(row.get("attack_ms") or "inf"),
                "free": float(row.get("free_ms") or FREE_MS) / 1000,
                "group": row.get("group") or "",
            }
            for row in csv.DictReader(file)
        ]


def spectral_flux(audio):
    """librosa's onset detector with its defaults, hops of 256 samples, minus its delay of 8 ms."""
    samples, rate = soundfile.read(audio, always_2d=True)
    mono = samples.mean(axis=1).astype(np.float32)
    found = librosa.onset.onset_detect(y=mono, sr=rate, hop_length=256, units="time") - 0.008
    return found.tolist()


class Tally:
    """Counts over one or more recordings."""

    def __init__(self):
        self.true = self.matched = self.false = self.strict_false = 0
        self.sharp = self.sharp_exact = self.flams = self.flams_matched = 0
        self.errors = []

    def add(self, rows, found):
        times, found = np.array([r["t"] for r in rows]), np.sort(np.array(found, float))
        pairs = mir_eval.util.match_events(times, found, WINDOW_S) if len(times) and len(found) else []
        # Where several matchings are largest, the nearest partner counts for the error.
        off = {i: found[j] - times[i] for i, j in pairs}
        used = {j for _, j in pairs}
        self.true += len(rows)
        self.matched += len(pairs)
        self.strict_false += len(found) - len(pairs)
        for j, at in enumerate(found):
            excused = any(r["t"] - EARLY_S <= at <= r["t"] + r["free"] for r in rows)
            self.false += j not in used and not excused
        for i, row in enumerate(rows):
            sharp, flam = row["attack"] < SHARP_MS, row["group"].startswith("flam")
            nearest = np.min(np.abs(found - row["t"])) if i in off else np.inf
            self.sharp += sharp
            self.sharp_exact += sharp and nearest <= SHARP_S
            self.flams += flam
            self.flams_matched += flam and i in off
        self.errors += list(off.values())

    def f(self, false):
        precision = self.matched / max(self.matched + false, 1)
        recall = self.matched / max(self.true, 1)
        return 2 * precision * recall / max(precision + recall, 1e-9)

    def cells(self):
        median = f"{1000 * np.median(self.errors):+.2f}" if self.errors else "-"
        return [
            str(self.true),
            str(self.matched),
            str(self.false),
            f"{self.f(self.false):.4f}",
            f"{self.f(self.strict_false):.4f}",
            f"{self.sharp_exact}/{self.sharp}" if self.sharp else "-",
            f"{self.flams_matched}/{self.flams}" if self.flams else "-",
            median,
        ]


COLUMNS = ["true", "matched", "false", "F", "F strict", "sharp in 5 ms", "flams", "median ms"]
NOTES = [
    "Matching: mir_eval.util.match_events, one to one within 25 ms. F leaves out detections inside a sound's own",
    "time (30 ms before to free_ms after a true onset, the data set's rule); F strict is mir_eval.onset.f_measure.",
]
