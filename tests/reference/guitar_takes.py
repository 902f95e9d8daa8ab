#!/usr/bin/env python3
"""Assembles seven guitar takes from single notes of two SoundFonts, for `judges.py`. Nothing was tuned
to them. Needs numpy, scipy, soundfile.
  guitar_takes.py SOUNDS OUT
SOUNDS: where `cargo xtask profiles` unpacked its packages (target/profiles/unpacked). Notes are struck one after
the other, 0.3 to 1.2 s apart and 3 to 25 dB below full scale, a third of them damped, over hiss of -58 to -66 dBFS."""
import os
import re
import sys
from fractions import Fraction

import numpy as np
import soundfile
from scipy.signal import resample_poly

from soundfont import SoundFont

RATE = 44100
TAKE_S, MAX_NOTE_S, MAX_NOTES = 40, 1.5, 12
FONTS = {"gmb": "sf_GMbank.sf2", "mus": "MuseScore_General_Full.sf2"}
# For each take: the SoundFont, names of its samples, and their decay, 1/s (they are stored without an end).
TAKES = {
    "g1_steel": [("gmb", "^Steel AcGtr", 3), ("mus", "^Steel Gtr", 3), ("gmb", "Guitar (Slap|Cut)|FretNoise", 3)],
    "g2_nylon": [("mus", "^Nylon", 3), ("gmb", "^N Guitar", 3), ("gmb", "Guitar (Click|Slap)", 3)],
    "g3_jazz": [("gmb", "^Jazz Guitar", 3), ("mus", "^Jazz Guitar", 3)],
    "g4_clean": [("gmb", "^Strat", 4), ("gmb", "GtrHarmonics", 4), ("mus", "^Fretnoise", 2)],
    "g5_muted": [("gmb", "^Gtr Mute", 6), ("mus", "^PalmMuted", 6), ("gmb", "Guitar Cut", 4)],
    "g6_drive": [("mus", "^Distortion", 3), ("gmb", "^OD Gtr", 3), ("gmb", "^FretNoise|^Scratch", 3)],
    "g7_noise": [("gmb", "FretNoise|Scratch|Guitar (Slap|Cut|Click)", 1), ("mus", "Fretnoise", 1), ("gmb", "^Gtr Mute", 25)],
}


def notes(font, names, fall):
    found = []
    for sample in font.samples:
        stored = font.stored(sample).astype(float)
        if re.search(names, sample["name"], re.I) and sample["rate"] > 8000 and len(stored) >= 400:
            f = Fraction(RATE, sample["rate"]).limit_denominator(1000)
            note = resample_poly(stored, f.numerator, f.denominator)
            found.append(note / np.abs(note).max() * np.exp(-fall * np.arange(len(note)) / RATE))
    return found[::max(1, len(found) // MAX_NOTES)]


def take(rng, sounds):
    out, at = np.zeros(RATE * TAKE_S), 0.5
    while at < TAKE_S - 1.5:
        note = sounds[rng.integers(len(sounds))]
        damped = rng.random() < 0.35
        gain = 10 ** (-rng.uniform(3, 25) / 20)
        if damped:
            note = note * np.exp(-rng.uniform(15, 60) * np.arange(len(note)) / RATE)
        start = int(at * RATE)
        note = note[:min(len(note), int(RATE * MAX_NOTE_S), len(out) - start)].copy()
        fade = min(len(note), 800)
        note[-fade:] *= np.linspace(1, 0, fade)
        out[start:start + len(note)] += gain * note
        at += rng.choice([0.3, 0.5, 0.7, 0.9, 1.2])
    out += rng.normal(size=len(out)) * 10 ** (-rng.uniform(58, 66) / 20)
    return out * (0.8 / np.abs(out).max())


def main():
    sounds, out = sys.argv[1:]
    fonts = {n: SoundFont(os.path.join(sounds, "usr/share/sounds/sf2", file)) for n, file in FONTS.items()}
    os.makedirs(out, exist_ok=True)
    for seed, (name, parts) in enumerate(TAKES.items()):
        pool = [note for font, names, fall in parts for note in notes(fonts[font], names, fall)]
        samples = take(np.random.default_rng(seed), pool)
        soundfile.write(os.path.join(out, name + ".flac"), samples, RATE, subtype="PCM_16")


main()
