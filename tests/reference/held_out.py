"""Held-out sounds: labelled drum sounds that the profiles were not made from, for training independent judges.
They are used for measuring only; nothing of them (some are under the GPL) becomes part of the product."""
import glob
import os
import re
import struct

import numpy as np
import soundfile

from drums import KEYS, Sound, recordings

# Names of single files in `lmms-common`.
FILES = [("kick", "^bassdrum|^kick"), ("rim", "^rim|^nasty_rim|^sidestick"), ("snare", "^snare(?!_rim)|^nasty_snare"),
         ("clap", "^clap"), ("hat_closed", "^hihat_closed|^hihat_foot"), ("hat_open", "^hihat_opened"),
         ("shaker", "^shaker"), ("tom", "^tom"), ("perc", "^clav|^wood"), ("cymbal", "^crash|^ride")]


def patches(unpacked):
    """The percussion of Debian's `freepats`: one Gravis patch for each key of General MIDI's percussion map."""
    for path in sorted(glob.glob(os.path.join(unpacked, "usr/share/midi/freepats/Drum_000/*.pat"))):
        name = os.path.basename(path)
        if label := KEYS.get(int(name[:3])):
            with open(path, "rb") as file:
                yield Sound(label, "freepats", name, *first_sample(file.read()))


def first_sample(patch):
    """Headers of the patch, the instrument and the layer, 239 bytes in all; then that of the sample, 96 bytes."""
    size, = struct.unpack_from("<I", patch, 239 + 8)
    rate, = struct.unpack_from("<H", patch, 239 + 20)
    wide, unsigned = patch[239 + 55] & 1, patch[239 + 55] & 2
    data = patch[239 + 96:239 + 96 + size]
    x = np.frombuffer(data[:size - size % 2], "<i2") if wide else np.frombuffer(data, "i1") * np.int16(256)
    # Unsigned samples differ in the highest bit.
    x = x ^ np.int16(-32768) if unsigned else x
    return x / 32768, rate


def files(unpacked):
    for path in sorted(glob.glob(os.path.join(unpacked, "usr/share/lmms/samples/drums/*.ogg"))):
        name = os.path.basename(path)
        if label := next((label for label, rule in FILES if re.search(rule, name)), None):
            try:
                sound, rate = soundfile.read(path, always_2d=True)
            except soundfile.LibsndfileError:
                continue  # one is no Ogg
            yield Sound(label, "host", name, sound.mean(1), rate)


def of_held_out(unpacked, data):
    yield from patches(unpacked)
    yield from files(unpacked)
    yield from recordings(data)
