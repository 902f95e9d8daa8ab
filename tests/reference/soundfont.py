"""SoundFont 2 drum presets, played well enough for labels: zones with their tuning, filter and envelope.
Source: the SoundFont technical specification 2.04 (chunks: chapter 7, generators: chapter 8). Loops, modulators
and effects are left out: drums are struck once. Needs numpy, scipy."""
import struct
from fractions import Fraction

import numpy as np
from scipy.signal import lfilter, resample_poly

RATE = 44100
MAX_S = 1.5
# Velocity that selects the zones.
VELOCITY = 112
# generators, by their numbers in chapter 8.1.2
FILTER_HZ, ATTACK, HOLD, DECAY, SUSTAIN = 8, 34, 35, 36, 37
INSTRUMENT, KEYS, VELOCITIES, ATTENUATION, COARSE, FINE, SAMPLE, SCALE, ROOT = 41, 43, 44, 48, 51, 52, 53, 56, 58


class SoundFont:
    def __init__(self, path):
        with open(path, "rb") as file:
            self.data = file.read()
        self.at = {}
        for name, start, size in chunks(self.data, 12, len(self.data)):
            if name == b"LIST":
                for inner, place, length in chunks(self.data, start + 4, start + size):
                    self.at[inner] = (place, length)
        self.samples = []
        for r in self.records(b"shdr", 46)[:-1]:
            begin, end, _, _, rate, key = struct.unpack("<IIIIIB", r[20:41])
            self.samples.append({"name": text(r), "begin": begin, "end": end, "rate": rate, "key": key})

    def records(self, chunk, size):
        place, length = self.at[chunk]
        return [self.data[place + i:place + i + size] for i in range(0, length - size + 1, size)]

    def stored(self, sample):
        """The sample as it is stored, -1 to 1."""
        place = self.at[b"smpl"][0] + 2 * sample["begin"]
        return np.frombuffer(self.data, "<i2", sample["end"] - sample["begin"], place) / 32768

    def zones(self, bags, generators, first, last, target):
        pairs = lambda chunk: [struct.unpack("<HH", r) for r in self.records(chunk, 4)]
        bags, generators = pairs(bags), pairs(generators)
        everywhere, out = {}, []
        for bag in range(first, last):
            zone = dict(generators[bags[bag][0]:bags[bag + 1][0]])
            if target in zone:
                out.append({**everywhere, **zone})
            else:
                everywhere = zone
        return out

    def drums(self, keys):
        """Name of the kit, key, and its voices, for each drum preset (bank 128)."""
        presets, instruments = self.records(b"phdr", 38), self.records(b"inst", 22)
        for here, after in zip(presets, presets[1:]):
            if struct.unpack("<H", here[22:24])[0] != 128:
                continue
            pairs = []
            for outer in self.zones(b"pbag", b"pgen", bag(here, 24), bag(after, 24), INSTRUMENT):
                i = outer[INSTRUMENT]
                inner = self.zones(b"ibag", b"igen", bag(instruments[i], 20), bag(instruments[i + 1], 20), SAMPLE)
                pairs += [(outer, zone) for zone in inner]
            for key in keys:
                fits = [p for p in pairs if all(holds(z, KEYS, key) and holds(z, VELOCITIES, VELOCITY) for z in p)]
                if fits:
                    yield text(here), key, [self.voice(key, *p) for p in fits]

    def voice(self, key, outer, inner):
        sample = self.samples[inner[SAMPLE]]
        root = inner.get(ROOT, 255)
        root = root if root < 128 else sample["key"] if sample["key"] < 128 else 60
        add = lambda g, usual=0: signed(inner.get(g, usual & 0xFFFF)) + signed(outer.get(g, 0))
        seconds = lambda g: 2 ** (add(g, -12000) / 1200)
        return {
            "sample": sample,
            "semitones": (key - root) * inner.get(SCALE, 100) / 100 + add(COARSE) + add(FINE) / 100,
            "filter_hz": 8.176 * 2 ** (add(FILTER_HZ, 13500) / 1200),
            "level": 10 ** (-add(ATTENUATION) / 200 * 0.4),  # centibels; players apply 0.4 of them
            "attack": seconds(ATTACK), "hold": seconds(HOLD), "decay": seconds(DECAY),
            "sustain_db": max(0, add(SUSTAIN)) / 10,
        }

    def play(self, voices):
        """The sum of the voices, mono at RATE."""
        out = np.zeros(int(MAX_S * RATE))
        for r in voices:
            ratio = Fraction(RATE / (r["sample"]["rate"] * 2 ** (r["semitones"] / 12))).limit_denominator(400)
            x = resample_poly(self.stored(r["sample"]), ratio.numerator, ratio.denominator)[:len(out)]
            t = np.arange(len(x)) / RATE
            if r["sustain_db"] > 0:
                fallen = np.clip((t - r["attack"] - r["hold"]) / max(r["decay"], 1e-3), 0, 1)
                x = x * 10 ** (-fallen * min(r["sustain_db"], 100) / 20)
            if r["attack"] > 0.002:
                x = x * np.minimum(1, t / r["attack"])
            if r["filter_hz"] < 18000:
                x = low_pass(x, r["filter_hz"])
            out[:len(x)] += x * r["level"]
        loud = np.nonzero(np.abs(out) > np.abs(out).max() * 1e-4)[0]
        return out[:loud[-1] + 1] if len(loud) else out[:0]


def chunks(data, at, end):
    while at + 8 <= end:
        size = struct.unpack("<I", data[at + 4:at + 8])[0]
        yield data[at:at + 4], at + 8, size
        at += 8 + size + (size & 1)


def text(record):
    return record[:20].split(b"\0")[0].decode("latin1").strip()


def bag(record, at):
    return struct.unpack("<H", record[at:at + 2])[0]


def signed(value):
    return value - 65536 if value > 32767 else value


def holds(zone, generator, value):
    span = zone.get(generator, 0x7F00)
    return span & 255 <= value <= span >> 8


def low_pass(x, hz):
    """Second order, Butterworth: Bristow-Johnson's cookbook."""
    w = 2 * np.pi * hz / RATE
    alpha, c = np.sin(w) / np.sqrt(2), np.cos(w)
    b = np.array([(1 - c) / 2, 1 - c, (1 - c) / 2]) / (1 + alpha)
    return lfilter(b, [1, -2 * c / (1 + alpha), (1 - alpha) / (1 + alpha)], x)
