"""Reference magnitudes for tests/engine/dsp_filters.rs.

Analogue prototypes (bells and shelves of the "Cookbook formulae for audio EQ biquad filter
coefficients", Butterworth cuts from scipy.signal) evaluated by scipy.signal.freqs.
Run: python3 -m venv V && V/bin/pip install scipy && V/bin/python eq_reference.py > eq_reference.json
"""
import json
import numpy as np
from scipy import signal

HZ = [20, 50, 100, 200, 500, 1000, 2000, 3000, 5000, 7000, 8000, 9000, 10000, 11000, 12000, 14000,
      16000, 18000, 20000]


def cookbook(kind, hz, gain_db, q):
    a = 10 ** (gain_db / 40)
    root = np.sqrt(a)
    num, den = {
        "bell": ([1, a / q, 1], [1, 1 / (a * q), 1]),
        "low shelf": ([a, a * root / q, a * a], [a, root / q, 1]),
        "high shelf": ([a * a, a * root / q, a], [1, root / q, a]),
    }[kind]
    # s in units of the middle frequency
    w = 2 * np.pi * hz
    scale = np.array([1 / w**2, 1 / w, 1])
    return np.array(num) * scale, np.array(den) * scale


def case(kind, hz, gain_db=0.0, q=0.70710678):
    if kind in ("low cut 12", "low cut 24", "high cut 12", "high cut 24"):
        order = 2 if kind.endswith("12") else 4
        b, a = signal.butter(order, 2 * np.pi * hz, "highpass" if kind.startswith("low") else "lowpass",
                             analog=True)
    elif kind == "tilt":
        g, w = 10 ** (gain_db / 20), 2 * np.pi * hz
        b, a = [g / w, 1], [1 / w, g]
    else:
        b, a = cookbook(kind, hz, gain_db, q)
    _, h = signal.freqs(b, a, 2 * np.pi * np.array(HZ))
    db = 20 * np.log10(np.abs(h))
    return dict(kind=kind, hz=hz, gain_db=gain_db, q=q, magnitude_db=[round(float(x), 5) for x in db])


CASES = []
for hz in (100, 1000, 5000, 10000, 14000):
    for gain in (12, -12, 24, -24, 3):
        for q in (0.3, 1, 4):
            CASES.append(case("bell", hz, gain, q))
for kind in ("low shelf", "high shelf"):
    for hz in (120, 1000, 6000, 10000):
        for gain in (12, -12, 3):
            CASES.append(case(kind, hz, gain, 0.70710678))
for kind in ("low cut 12", "low cut 24", "high cut 12", "high cut 24"):
    for hz in (40, 250, 2000, 8000):
        CASES.append(case(kind, hz))
for gain in (6, -6, 12):
    CASES.append(case("tilt", 1000, gain))
print(json.dumps(dict(hz=HZ, cases=CASES), indent=None, separators=(",", ":")).replace('{"kind"', '\n{"kind"'))
