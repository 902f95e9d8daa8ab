"""Labelled drum sounds of open recordings, on which the profiles and the classifiers of judges.py are trained.
Labels come from the key in SoundFont kits (General MIDI 1, percussion key map), else from names."""
import csv
import glob
import hashlib
import os
import re
from fractions import Fraction

import numpy as np
import soundfile
from scipy.signal import lfilter, resample_poly

from soundfont import RATE, SoundFont

CLASSES = ["kick", "snare", "rim", "clap", "hat_closed", "hat_open", "shaker", "tom", "perc", "cymbal"]
KEYS = {35: "kick", 36: "kick", 37: "rim", 38: "snare", 39: "clap", 40: "snare", 42: "hat_closed",
        44: "hat_closed", 46: "hat_open", 69: "shaker", 70: "shaker", 82: "shaker"}
KEYS |= {k: "cymbal" for k in (49, 51, 52, 53, 55, 57, 59)}
KEYS |= {k: "tom" for k in (41, 43, 45, 47, 48, 50, 60, 61, 62, 63, 64, 65, 66)}
KEYS |= {k: "perc" for k in (26, 31, 54, 56, 67, 68, 73, 74, 75, 76, 77)}
# Kits with another key map.
OTHER_MAPS = r"arching|Metronome|SFX|CM-|Sound"
OTHER_SOUNDS = r"brush|reverse|scratch|orch"
# The drum line, which lies on other keys, and the temple blocks: labelled by the names of their samples. The rims of
# its marching snares are left out: they are shorter and drier than the side stick of a kit.
NAMED = [("snare", r"msnr-hit"), ("tom", r"mtnr.*hit|conga|bongo$"),
         ("perc", r"backstick|stick (shot|click)|temple block|tambourine"), ("cymbal", r"mcym.*crash")]
FILES = {
    "kick": r"^bd_|drum_heavy_kick|drum_bass|elec_hollow_kick|elec_soft_kick",
    "snare": r"^sn_|snare",
    "hat_closed": r"drum_cymbal_closed|drum_cymbal_pedal",
    "hat_open": r"drum_cymbal_open",
    "tom": r"drum_tom|elec_fuzz_tom",
    "perc": r"cowbell|perc_snap|elec_wood|^perc_bell$|elec_tick",
    "cymbal": r"drum_splash|drum_cymbal_(hard|soft)|elec_cymbal|^ride_",
}


# Groups of the developer recordings that are in the packages below, and our labels for theirs. Rim shots are left out:
# data sets label them either as snares or as rims.
IN_PACKAGES = {"FluidR3", "MDL", "DrumlineCymbals", "sonic-pi"}
# Recordings that are no good examples of their label: a "rim" whose strongest part lies below 100 Hz for 100 ms, as no side
# stick's does.
NO_EXAMPLES = {"drums/rim/rim_010_lmms.flac"}
LABELS = {"hat_pedal": "hat_closed", "tambourine": "perc", "cowbell": "perc", "woodblock": "perc", "clave": "perc",
          "sticks": "perc", "snap": "perc", "rimshot": None}


class Sound:
    def __init__(self, label, group, name, samples, rate):
        self.label, self.group, self.name = label, group, name
        peak = np.abs(samples).max() if len(samples) else 0
        self.samples, self.rate = samples[:int(1.5 * rate)] / max(peak, 1e-9) * 0.7, rate


def at_rate(sound, rate, wanted):
    """The sound, recorded at `rate` Hz, at `wanted` Hz."""
    if rate == wanted:
        return sound
    ratio = Fraction(wanted, int(rate)).limit_denominator(1000)
    return resample_poly(sound, ratio.numerator, ratio.denominator)


def kits(path, group):
    """The drums of a SoundFont; a sound that several of its kits share counts once."""
    font, seen = SoundFont(path), set()
    for kit, key, voices in font.drums(sorted(KEYS)):
        name = voices[0]["sample"]["name"]
        brushes = re.search("brush", kit, re.I) and key in (38, 39, 40)
        orchestra = re.search("orch", kit, re.I) and key < 45
        wrong = KEYS[key] == "clap" and re.search("snare|snr|castanet", name, re.I)
        if brushes or orchestra or wrong or re.search(OTHER_MAPS, kit) or re.search(OTHER_SOUNDS, name, re.I):
            continue
        identity = tuple(sorted((re.sub(r"\s*\([LR]\)$", "", r["sample"]["name"]), round(r["semitones"], 2),
                             round(r["filter_hz"])) for r in voices))
        if identity not in seen:
            seen.add(identity)
            sound = font.play(voices)
            if len(sound) > 300:
                yield Sound(KEYS[key], group, f"{key} {kit} {name}", sound, RATE)


def named(path, group):
    font = SoundFont(path)
    for sample in font.samples:
        label = next((l for l, rule in NAMED if re.search(rule, sample["name"], re.I)), None)
        if label and not sample["name"].endswith("(R)") and sample["end"] - sample["begin"] > 500:
            yield Sound(label, group, sample["name"], font.stored(sample), sample["rate"])


def files(folder, group):
    for path in sorted(glob.glob(os.path.join(folder, "*.flac"))):
        name = os.path.basename(path)[:-5]
        label = next((l for l, rule in FILES.items() if re.search(rule, name)), None)
        sound, rate = soundfile.read(path, always_2d=True)
        if label and len(sound) <= 4 * rate:
            yield Sound(label, group, name, sound.mean(1), rate)


def of_packages(unpacked):
    """All sounds for the profiles; `unpacked` holds the Debian packages."""
    fonts = os.path.join(unpacked, "usr/share/sounds/sf2/")
    yield from kits(fonts + "FluidR3_GM.sf2", "fluid")
    yield from named(fonts + "MuseScore_General_Full.sf2", "drumline")
    yield from kits(fonts + "sf_GMbank.sf2", "gmbank")
    yield from files(os.path.join(unpacked, "usr/share/sonic-pi/samples"), "sonicpi")


def recordings(data):
    """The single drum sounds of the developer recordings that come from none of the packages."""
    with open(os.path.join(data, "MANIFEST.csv"), newline="") as manifest:
        rows = list(csv.DictReader(manifest))
    for row in rows:
        label = LABELS.get(row["label"], row["label"])
        known = row["group"] in IN_PACKAGES or row["file"] in NO_EXAMPLES
        if row["set"] == "drum_oneshot" and not known and label:
            sound, rate = soundfile.read(os.path.join(data, row["file"]), always_2d=True)
            yield Sound(label, row["group"], row["file"], sound.mean(1), rate)


def copies(sounds):
    """Altered copies per sound: about sixty sounds for each class of each group, at most 23 copies."""
    count = {}
    for s in sounds:
        count[s.label, s.group] = count.get((s.label, s.group), 0) + 1
    return [int(np.clip(round(60 / count[s.label, s.group]), 3, 24)) - 1 for s in sounds]


def altered(sound, rng):
    """The sound with random pitch, tilt, decay, noise and drive."""
    scale = 1.3 if sound.label in ("rim", "shaker", "clap") else 0.75 if sound.label in ("kick", "tom") else 1.0
    ratio = Fraction(2 ** (-rng.uniform(-2, 2) * scale / 12)).limit_denominator(60)
    y = resample_poly(sound.samples, ratio.numerator, ratio.denominator)
    y = tilted(y, sound.rate, rng.uniform(-5, 5) * scale)
    if rng.random() < 0.6:
        min_decay_s = {"hat_open": 0.35, "cymbal": 0.35, "tom": 0.15}.get(sound.label, 0)
        y = y * np.exp(-np.arange(len(y)) / sound.rate / max(10 ** rng.uniform(-1.0, 0.3), min_decay_s))
    if rng.random() < 0.5:
        y = y + rng.standard_normal(len(y)) * np.abs(y).max() * 10 ** (rng.uniform(-70, -48) / 20)
    if rng.random() < 0.3:
        y = np.tanh(y / np.abs(y).max() * rng.uniform(1, 5))
    return y / max(1e-9, np.abs(y).max()) * 0.7


def tilted(x, rate, db):
    """A first-order shelf around 1 kHz."""
    a, g = np.exp(-2 * np.pi * 1000 / rate), 10 ** (db / 40)
    low = lfilter([1 - a], [1, -a], x)
    return low / g + (x - low) * g


def generator(sound):
    """Random numbers seeded by the sound's name, so that every run draws the same."""
    return np.random.default_rng(int(hashlib.sha256(f"{sound.group} {sound.name}".encode()).hexdigest()[:8], 16))
