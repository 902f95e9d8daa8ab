#!/usr/bin/env python3
"""Plays several strokes of each pad of kits, so that judges.py and second_judge.py hear more than the one that is exported: two
strokes of a pad differ, and a judge may name one and not the other. Needs numpy and soundfile.
  strokes.py KITWRIGHT COUNT OUT KIT...
KITWRIGHT: the built program. KIT: folders that `kitwright kit --out KIT` wrote. OUT: for each stroke and kit a folder is
made in it, with `pads` as in the kit."""
import glob
import os
import struct
import subprocess
import sys
import tempfile

import soundfile

# One stroke at velocity 110 each 1.5 s, at 120 beats a minute with 480 ticks a beat: 960 ticks a second.
APART_S, TICKS, LENGTH, VELOCITY = 1.5, 960, 48, 110


def number(n):
    """A variable-length quantity (Standard MIDI Files 1.0)."""
    out = [n & 127]
    while n := n >> 7:
        out.insert(0, n & 127 | 128)
    return bytes(out)


def midi(notes):
    track = b"\0\xff\x51\x03\x07\xa1\x20"
    for i, note in enumerate(notes):
        wait = int(APART_S * TICKS) - LENGTH if i else 0
        track += number(wait) + bytes([0x99, note, VELOCITY]) + number(LENGTH) + bytes([0x89, note, 0])
    track += number(2 * TICKS) + b"\xff\x2f\0"
    return b"MThd" + struct.pack(">IHHH", 6, 0, 1, 480) + b"MTrk" + struct.pack(">I", len(track)) + track


def main():
    program, count, out, *kits = sys.argv[1:]
    with tempfile.TemporaryDirectory() as work:
        song, sound = os.path.join(work, "song.mid"), os.path.join(work, "song.wav")
        for kit in kits:
            file, = glob.glob(os.path.join(kit, "*.kitwright"))
            pads = [os.path.basename(p) for p in sorted(glob.glob(os.path.join(kit, "pads", "*.wav")))]
            with open(song, "wb") as f:
                f.write(midi([int(pad[:2]) for pad in pads] * int(count)))
            subprocess.run([program, "render", file, song, "--out", sound], check=True, stdout=subprocess.DEVNULL)
            samples, rate = soundfile.read(sound, always_2d=True)
            for i, pad in enumerate(pads * int(count)):
                folder = os.path.join(out, f"{os.path.basename(kit.rstrip('/'))}-{i // len(pads) + 1}", "pads")
                os.makedirs(folder, exist_ok=True)
                start = int(i * APART_S * rate)
                stroke = samples[start:start + int(APART_S * rate)]
                soundfile.write(os.path.join(folder, pad), stroke, rate, subtype="FLOAT")


main()
