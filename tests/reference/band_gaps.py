#!/usr/bin/env python3
"""How far the pads of kits lie from recorded drums of their role, by band and time: the median of ours minus the median of
the collections' medians, dB. Needs what judges.py needs.
  band_gaps.py OWN HELD_OUT DATA KIT...
OWN, HELD_OUT, DATA, KIT: as in judges.py. A star: outside the 15th to 85th percentile of the collections."""
import glob
import os
import sys

import numpy as np
import soundfile

from drums import of_packages
from held_out import of_held_out
from mel import EDGES, measures

ROLES = [("kick", "kick"), ("snare", "snare"), ("rim", "rim"), ("clap", "clap"), ("hat_closed", "closed-hat"),
         ("hat_closed", "pedal-hat"), ("hat_open", "open-hat"), ("shaker", "shaker"), ("cymbal", "crash"),
         ("cymbal", "ride"), ("tom", "low-tom"), ("tom", "middle-tom"), ("tom", "high-tom")]
# Four mel bands each, centres in Hz; every other stretch of time.
BANDS = [253, 686, 1313, 2227, 3555, 5485, 8292, 12371]
STRETCHES = range(0, len(EDGES) - 1, 2)


def grid(mel):
    return mel.reshape(len(EDGES) - 1, len(BANDS), 4).mean(2)[STRETCHES]


def main():
    own, held_out, data, *kits = sys.argv[1:]
    recorded = {}
    for sound in [*of_packages(own), *of_held_out(held_out, data)]:
        if m := measures(sound.samples, sound.rate):
            recorded.setdefault(sound.label, {}).setdefault(sound.group, []).append(grid(m[0]))
    print("ms after the start | Hz: " + " ".join(f"{hz:6d}" for hz in BANDS))
    for label, role in ROLES:
        groups = np.array([np.median(sounds, 0) for sounds in recorded[label].values()])
        low, middle, high = np.percentile(groups, [15, 50, 85], axis=0)
        names = [n for kit in kits for n in glob.glob(os.path.join(kit, "pads", f"*-{role}.wav"))]
        sounds = [soundfile.read(n, always_2d=True) for n in names]
        ours = [grid(m[0]) for x, rate in sounds if (m := measures(x.mean(1), rate))]
        if not ours:
            continue
        ours = np.median(ours, 0)
        print(f"{role}, {len(names)} pads beside {len(groups)} collections")
        for i, stretch in enumerate(STRETCHES):
            star = lambda j: " " if low[i, j] <= ours[i, j] <= high[i, j] else "*"
            print(f"{8 * EDGES[stretch]:18d} |     " + " ".join(f"{ours[i, j] - middle[i, j]:+5.0f}{star(j)}" for j in range(len(BANDS))))


main()
