"""Reference values for finding the key of a distribution of pitch classes; writes keys.json beside itself.

Needs music21 from PyPI (10.x or 9.x): its Krumhansl-Schmuckler analysis with the profiles of Krumhansl and
Kessler (1982). Each case is a melody of random notes of one scale with random lengths; kept are how long each
pitch class sounds, the key that music21 finds, and the correlation it reports.
"""

import json
import pathlib
import random

from music21 import analysis, note, stream

draw = random.Random(1982)
cases = []
for tonic in range(12):
    for mode, scale in (("major", [0, 2, 4, 5, 7, 9, 11]), ("minor", [0, 2, 3, 5, 7, 8, 10])):
        melody = stream.Stream()
        lengths = [0.0] * 12
        for _ in range(12):
            degree = draw.choices(range(7), weights=[5, 2, 3, 2, 4, 2, 1])[0]
            pitch_class = (tonic + scale[degree]) % 12
            length = draw.choice([0.5, 1.0, 2.0])
            lengths[pitch_class] += length
            melody.append(note.Note(60 + pitch_class, quarterLength=length))
        key = analysis.discrete.KrumhanslKessler().getSolution(melody)
        cases.append(
            {
                "lengths": lengths,
                "tonic": key.tonic.pitchClass,
                "mode": key.mode,
                "correlation": round(key.correlationCoefficient, 9),
            }
        )
path = pathlib.Path(__file__).with_name("keys.json")
path.write_text("[\n" + ",\n".join(json.dumps(c) for c in cases) + "\n]" + "\n")
