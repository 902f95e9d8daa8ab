"""Assembles takes with exact onsets, in more kinds than a set of recordings holds.

    python detection_takes.py DATA SOUNDFONTS OUT COUNT [FIRST_SEED]

DATA is the folder of the developer recordings (MANIFEST.csv, articulations/, drums/, tools/sf2extract.py).
SOUNDFONTS is a folder with FluidR3_GM.sf2 of the Debian package fluid-soundfont-gm 3.1-5.3 (MIT):

    apt-get download fluid-soundfont-gm && dpkg -x fluid-soundfont-gm_*.deb . && ls usr/share/sounds/sf2

COUNT takes go to OUT/fit and as many to OUT/held, each FLAC with a CSV of onsets. No instrument is in both; what
the even half of the developer takes is made of (nylon, electric and muted guitars, tabla, marching drums) is in
`held` only, so that this half stays unseen when the classifier is fitted to `fit`.

An onset is where a sound's own 1 ms RMS comes to -26 dB of its maximum, as in the developer set. Hits that are
not 3 dB above everything else in one of four bands in their first 25 ms are left out of sound and truth.
"""
import csv
import pathlib
import sys

import numpy as np
import scipy.signal
import soundfile

# Families of the SoundFont by the beginnings of their samples' names, sorted by kind of sound and by half. "P2" and
# "Rh" are a digital and an electric piano, "80" is an electronic kit.
FIT = {
    "pluck": ["Steel", "Finger Bass", "Picked Bass", "Slap Bass", "Pop", "Fretless", "Acoustic Bass", "Harp ", "Pizz",
              "Banjo"],
    "struck": ["Marimba", "Xylophone", "P2", "Rh", "Glocken", "Celesta", "Timpani",
               "Low Woodblock|High Woodblock"],
    "bowed": ["Cello", "Flute", "Oboe", "Accordian", "French Horns", "English Horn"],
    "drum": ["Std Snr|Snr 1|Snr 2", "Std Kick", "Low Tumba|High Conga|Closed Slap", "Tom ", "Hi-Hat",
             "Ride1|Ride2|BellRide|Splash", "Sticks|Metronome|Square Click"],
    "scrape": ["Guiro", "Small Shaker|Cabasa", "Scratch"],
}
HELD = {
    "pluck": ["Nylon", "Clean", "Muted", "PalmMuted", "Jazz Guitar", "Koto", "Shamisen", "sitar", "dulci",
              "Harpsichord", "Clavinet", "Kalimba"],
    "struck": ["Vibraphone", "Tubular", "EP 2", "Electric Piano", "Long Taiko|Short Taiko|Taiko",
               "Low Agogo|High Agogo|Cow Bell", "Castanet"],
    "bowed": ["Violin", "Viola", "Clarinet", "Recorder", "trombone", "E's Bassoon"],
    "drum": ["Brush Snr|Orch Snare|Power Snare", "Room Kick|Power Kick|RmPwr", "Low Timbale|High Timbale",
             "Low Bongo|Bongo Rim", "Low Studio|Md Studio|Hi Studio|Flr Studio", "80", "Triangle"],
    "scrape": ["Maracas|Tambourine", "Sleigh Bells", "Brush Swirl"],
}
# Instruments of the developer recordings that belong to the unseen half.
HELD_INSTRUMENTS = {"nylon guitar", "electric guitar", "jazz guitar", "tabla", "marching snare", "marching tenors",
                    "marching bass drum", "marching cymbals", "dulcimer"}
# Time after an onset in which more detections are not false, ms; as in the developer set.
FREE_MS = {"strum": 120, "scrape": 250, "slide": 250, "roll": 250, "cut": 150, "knock": 100, "bowed": 120}
# Share of takes with each property.
REVERBERANT, HUMMING, DULL, CLIPPED = 0.4, 0.45, 0.15, 0.06


def soundfont(folder, data, halves):
    """Samples of the SoundFont: {half: {family: [(rate, samples, loop)]}}."""
    sys.path.insert(0, str(data / "tools"))
    from sf2extract import SF2

    file = SF2(str(next(pathlib.Path(folder).rglob("FluidR3_GM.sf2"))))
    out = {half: {} for half in halves}
    for half, table in halves.items():
        for kind, families in table.items():
            for family in families:
                names = tuple(family.split("|"))
                chosen = [s for s in file.samples if s["name"].startswith(names) and s["type"] in (1, 4)]
                sounds = []
                for s in chosen:
                    pcm = file.pcm(s).astype(np.float64) / 32768
                    loop = (s["ls"] - s["start"], s["le"] - s["start"])
                    # some loops hold the whole stroke: only a few cycles of a settled tone can be sustained
                    if loop[1] - loop[0] > 0.06 * s["sr"] or loop[0] < 0.5 * len(pcm):
                        loop = (0, 0)
                    if len(pcm) > 0.02 * s["sr"] and np.max(np.abs(pcm)) > 0.01:
                        sounds.append((s["sr"], pcm, loop if 0 < loop[0] < loop[1] <= len(pcm) else None))
                if sounds:
                    out[half][(kind, family)] = sounds
    return out


def recordings(data):
    """Sounds of the developer set: {half: {(kind, name): [(rate, samples, None)]}}."""
    out = {"fit": {}, "held": {}}
    with open(data / "MANIFEST.csv", newline="") as file:
        for row in csv.DictReader(file):
            if row["set"] not in ("drum_oneshot", "articulation"):
                continue
            half = "held" if row["instrument"] in HELD_INSTRUMENTS else "fit"
            if row["instrument"] == "drum kit":  # by kit: its sounds share a room
                half = "held" if row["group"] in ("ElectricEmpire", "sonic-pi", "supersonic") else "fit"
            samples, rate = soundfile.read(data / row["file"])
            label = row["label"]
            kind = next((k for k in FREE_MS if label.startswith(k) or k in label), "drum")
            if "fret" in label or "scratch" in label:
                kind = "scrape"
            out[half].setdefault((kind, f"{row['instrument']}/{label}"), []).append((rate, samples, None))
    return out


def voiced(rng, sound, rate, kind):
    """One stroke of a sound at `rate`: varied in speed, looped on and dying away, bowed ones swelling."""
    own, samples, loop = sound
    if loop:
        samples = np.concatenate([samples[: loop[0]], np.tile(samples[loop[0]:loop[1]], 400)])[: int(2.5 * own)]
    speed = own / rate * 2 ** (rng.uniform(-2, 2) / 12)
    x = np.interp(np.arange(0, len(samples) - 1, speed), np.arange(len(samples)), samples)
    t = np.arange(len(x)) / rate
    if loop:
        x = x * 10 ** (-3 * t / rng.uniform(0.4, 3.0))
    else:  # fade out a sound that is cut off
        tail = np.sqrt(np.mean(x[-len(x) // 20 :] ** 2)) / max(np.max(np.abs(x)), 1e-9)
        x = x * 10 ** (-max(3 + np.log10(tail + 1e-9), 0) * t / t[-1]) * np.minimum(1, (t[-1] - t) / 0.01)
    if kind == "bowed":
        length = rng.uniform(0.3, 1.2)
        x = x[: int(length * rate)] * np.minimum(1, (length - t[: int(length * rate)]) / 0.08)
        if rng.random() < 0.7:  # slow start of the bow
            x = x * np.minimum(1, t[: len(x)] / rng.uniform(0.04, 0.2)) ** rng.choice([1, 2])
    elif rng.random() < 0.15:  # damped by the hand
        stop = rng.uniform(0.08, 0.4)
        x = x * np.clip(1 + (stop - t) / 0.02, 0, 1)
    return x[: int(4 * rate)]


def scratch(rng, rate):
    """A nail along a wound string: clicks at a rising or falling rate through one or two resonances."""
    seconds = rng.uniform(0.12, 0.6)
    n = int(seconds * rate)
    rates = np.linspace(*rng.uniform(60, 500, 2), n) * (1 + 0.2 * rng.standard_normal(n))
    clicks = np.diff(np.floor(np.cumsum(rates) / rate), prepend=0) * rng.uniform(0.3, 1, n)
    x = clicks + 0.05 * rng.standard_normal(n)
    for _ in range(2):
        hz = rng.uniform(700, 6000)
        b, a = scipy.signal.iirpeak(hz, rng.uniform(1, 6), fs=rate)
        x = x + 3 * scipy.signal.lfilter(b, a, x)
    t = np.arange(n) / n
    return x * np.minimum(1, t / rng.uniform(0.02, 0.5)) * (1 - t) ** rng.uniform(0.3, 1)


def breath(rng, rate):
    """Noise that swells and decays: air, a brush, the edge of a bow."""
    rise, seconds = rng.uniform(0.05, 0.3), rng.uniform(0.3, 1)
    t = np.arange(int(seconds * rate)) / rate
    low = rng.uniform(100, 4000)
    high = min(low * rng.uniform(2, 12), 0.45 * rate)
    colour = scipy.signal.butter(1, [low, high], "band", fs=rate, output="sos")
    x = scipy.signal.sosfilt(colour, rng.standard_normal(len(t)))
    return x * np.minimum(1, t / rise) ** rng.uniform(1, 3) * (1 - t / seconds)


def strum(rng, sounds, rate):
    """Four to six strings within 15 to 90 ms."""
    gap = rng.uniform(0.004, 0.016)
    strings = [voiced(rng, sounds[rng.integers(len(sounds))], rate, "pluck") for _ in range(rng.integers(4, 7))]
    at = [int(rate * gap * k * rng.uniform(0.8, 1.2)) for k in range(len(strings))]
    out = np.zeros(max(a + len(s) for a, s in zip(at, strings)))
    for a, s in zip(at, strings):
        out[a : a + len(s)] += s / max(np.max(np.abs(s)), 1e-9) * rng.uniform(0.5, 1)
    return out


def onset(x, rate):
    """First sample at -26 dB of the maximum of the 1 ms RMS, and from there to the maximum, samples."""
    power = np.convolve(x * x, np.ones(max(int(rate * 0.001), 1)), "same")
    top = int(np.argmax(power >= power.max() * 0.999))
    first = int(np.argmax(power >= power.max() * 10**-2.6))
    return first, top - first


def bands(x, rate):
    power = np.abs(np.fft.rfft(x, 2048)) ** 2
    edges = np.searchsorted(np.arange(len(power)) * rate / 2048, [0, 250, 1000, 4000])
    return np.add.reduceat(power, edges) + 1e-12


def floor_noise(rng, n, rate):
    """Hiss of some colour, hum, rumble."""
    white = rng.standard_normal(n + 8)
    colour = rng.choice(["white", "pink", "brown", "band"])
    if colour == "pink":
        white = scipy.signal.lfilter([0.049922, -0.095993, 0.050613, -0.004408], [1, -2.494956, 2.017266, -0.5221894], white)
    elif colour == "brown":
        white = scipy.signal.lfilter([1], [1, -0.98], white)
    elif colour == "band":
        b, a = scipy.signal.butter(1, sorted(rng.uniform(80, 9000, 2)) + np.array([0, 500]), "band", fs=rate)
        white = scipy.signal.lfilter(b, a, white)
    x = white[:n] / np.std(white) * 10 ** (rng.uniform(-78, -50) / 20)
    if rng.random() < HUMMING:
        base, level = rng.choice([50.0, 60.0]), 10 ** (rng.uniform(-72, -48) / 20)
        t = 2 * np.pi * np.arange(n) / rate
        for k in range(1, 12):
            strength = (1 if k % 2 else 0.3) / k ** rng.uniform(0.7, 2)
            x = x + level * strength * np.sin(t * base * k + rng.uniform(0, 6))
    return x


def room(rng, x, rate):
    """Direct sound and an exponentially decaying, low-passed tail."""
    seconds = rng.uniform(0.15, 0.9)
    t = np.arange(int(seconds * rate)) / rate
    tail = rng.standard_normal(len(t)) * 10 ** (-3 * t / seconds) * np.minimum(1, t / 0.004)
    tail = scipy.signal.lfilter([1, 0.6], [1], tail)
    tail *= 10 ** (-rng.uniform(2, 16) / 20) / np.sqrt(np.sum(tail**2))
    return x + scipy.signal.fftconvolve(x, tail)[: len(x)]


class Player:
    """Plays one take."""

    def __init__(self, rng, sounds, rate, seconds):
        self.rng, self.sounds, self.rate = rng, sounds, rate
        self.mix = np.zeros(int(seconds * rate))
        self.noise = floor_noise(rng, len(self.mix), rate)
        self.truth = []
        self.need = 3.0
        self.count = 0

    def stroke(self, kind):
        """Samples of one stroke of `kind`, and its free time, ms."""
        if kind == "scratch":
            x = scratch(self.rng, self.rate)
            return x, max(250, 1000 * len(x) / self.rate + 30)
        if kind == "breath":
            return breath(self.rng, self.rate), 20  # one hit, however long it swells
        if kind[0] == "strummed":
            return strum(self.rng, self.sounds[("pluck", kind[1])], self.rate), 120
        sounds = self.sounds[kind]
        x = voiced(self.rng, sounds[self.rng.integers(len(sounds))], self.rate, kind[0])
        return x, FREE_MS.get(kind[0], 40)

    def hit(self, kind, t, peak_db, group):
        x, free = self.stroke(kind)
        first, rise = onset(x, self.rate)
        at, width = int(t * self.rate), int(0.025 * self.rate)
        if at < first or at + width >= len(self.mix) or first + width >= len(x) or np.max(np.abs(x)) < 1e-6:
            return
        x = x * 10 ** (peak_db / 20) / np.max(np.abs(x))
        other = (self.mix + self.noise)[at : at + width]
        margin = 10 * np.log10(np.max(bands(x[first : first + width], self.rate) / bands(other, self.rate)))
        if margin < self.need:
            return
        x = x[: len(self.mix) - at + first]
        self.mix[at - first : at - first + len(x)] += x
        label = kind if isinstance(kind, str) else "/".join(kind)
        self.truth.append((at / self.rate, label, group, peak_db, 1000 * rise / self.rate, margin, free))

    def touch(self, t, peak_db):
        """A finger that damps a ringing string just before a stroke, with a soft noise."""
        rng, rate = self.rng, self.rate
        at = int((t - rng.uniform(0.025, 0.08)) * rate)
        fade = np.maximum(1 - np.arange(len(self.mix) - at) / rate / rng.choice([0.002, 0.008, 0.025]), rng.uniform(0, 0.3))
        self.mix[at:] *= fade
        n = int(0.03 * rate)
        noise = scipy.signal.sosfilt(
            scipy.signal.butter(1, rng.uniform(800, 6000), fs=rate, output="sos"), rng.standard_normal(n)
        )
        noise *= np.exp(-np.arange(n) / rate / rng.uniform(0.002, 0.008))
        level = 10 ** ((peak_db - rng.uniform(16, 46)) / 20) / np.max(np.abs(noise))
        self.mix[at : at + n] += level * noise

    def play(self, kinds):
        rng = self.rng
        t, end = rng.uniform(0.3, 1.2), len(self.mix) / self.rate - 1.5
        draw = lambda: kinds[rng.integers(len(kinds))]
        while t < end:
            kind, self.count = draw(), self.count + 1
            match rng.integers(10):
                case 0 if kind[0] in ("pluck", "struck", "drum", "knock"):
                    loud, gap = rng.uniform(-14, -3), rng.uniform(0.022, 0.05)
                    self.hit(kind, t, loud - rng.uniform(4, 12), f"flam{self.count}")
                    self.hit(kind, t + gap, loud, f"flam{self.count}")
                    t += rng.uniform(0.5, 1.2)
                case 1 if kind[0] in ("pluck", "struck", "drum", "knock"):
                    gap, n = rng.uniform(0.06, 0.115), rng.integers(6, 12)
                    for k in range(n):
                        level = -20 + 17 * k / n + rng.uniform(-2, 2)
                        self.hit(kind, t + gap * (k + rng.uniform(-0.05, 0.05)), level, f"roll{self.count}")
                    t += gap * n + rng.uniform(0.4, 1)
                case 2 | 3:
                    self.hit(kind, t, rng.uniform(-38, -30), "soft")
                    t += rng.uniform(0.3, 0.9)
                case 4 | 5:
                    for _ in range(rng.integers(2, 5)):
                        self.hit(draw(), t, rng.uniform(-15, -2), "overlap")
                        t += rng.uniform(0.11, 0.28)
                    t += rng.uniform(0.3, 0.8)
                case _:
                    level = rng.uniform(-32, -2)
                    if kind[0] in ("pluck", "struck", "strummed") and rng.random() < 0.4 and t > 0.5:
                        self.touch(t, level)
                    self.hit(kind, t, level, "single")
                    t += rng.uniform(0.4, 1.3)


def take(seed, sounds, stem):
    """Assembles one take and writes it."""
    rng = np.random.default_rng(seed)
    rate, seconds = int(rng.choice([44100, 48000])), 24
    player = Player(rng, sounds, rate, seconds)
    keys = sorted(sounds)
    main = keys[rng.integers(len(keys))]
    # One instrument in a few articulations, and sometimes another sound.
    same = [k for k in keys if k[1].split("/")[0] == main[1].split("/")[0]]
    other = [keys[i] for i in rng.integers(len(keys), size=rng.integers(0, 4))]
    kinds = [same[i] for i in rng.integers(len(same), size=3)] + other
    plucked = [k[1] for k in kinds if k[0] == "pluck"]
    if plucked and rng.random() < 0.5:
        kinds.append(("strummed", plucked[0]))
    if rng.random() < 0.3:
        kinds.append("scratch")
    if stem.name.startswith("held") and rng.random() < 0.3:
        kinds.append("breath")  # not in the fit: swells have a rule of their own
    wet = rng.random() < REVERBERANT
    player.need = 6.0 if wet else 3.0  # The room's tail masks more than the check counts.
    player.play(kinds)
    x = room(rng, player.mix, rate) if wet else player.mix
    x = x + player.noise
    if rng.random() < DULL:
        x = scipy.signal.sosfilt(scipy.signal.butter(2, rng.uniform(3000, 8000), fs=rate, output="sos"), x)
    loudest = 0.97 / np.max(np.abs(x))
    x = x * (loudest * rng.uniform(1.5, 4) if rng.random() < CLIPPED else min(loudest, 1) * rng.uniform(0.15, 1))
    soundfile.write(stem.with_suffix(".flac"), np.clip(x, -1, 1), rate, subtype="PCM_24")
    with open(stem.with_suffix(".csv"), "w", newline="") as file:
        out = csv.writer(file)
        out.writerow(["time_s", "label", "group", "peak_dbfs", "attack_ms", "margin_db", "free_ms"])
        for row in sorted(player.truth):
            out.writerow([f"{row[0]:.5f}", *row[1:3], *(f"{v:.1f}" for v in row[3:])])


def main():
    data, fonts, out, count = pathlib.Path(sys.argv[1]), sys.argv[2], pathlib.Path(sys.argv[3]), int(sys.argv[4])
    first = int(sys.argv[5]) if len(sys.argv) > 5 else 0
    font, recorded = soundfont(fonts, data, {"fit": FIT, "held": HELD}), recordings(data)
    for half in ("fit", "held"):
        sounds = {**font[half], **recorded[half]}
        (out / half).mkdir(parents=True, exist_ok=True)
        for k in range(first, first + count):
            take(10_000 * (half == "held") + k, sounds, out / half / f"{half}{k:03d}")


if __name__ == "__main__":
    main()
