"""Exported kits in independent players and checkers: `cargo xtask score export` runs this.

    python score_export.py KITWRIGHT KIT FOLDER

KITWRIGHT is the built command line, KIT a folder that `kitwright kit` has made, FOLDER for what is made on the way. The
same strokes are played by `kitwright render` and by players of the exported files: pysfizz (SFZ) and fluidsynth
(SoundFont 2). Levels are the energy of both channels of each stroke. A player has a level of its own, the same for all
strokes: that of pysfizz is measured with a known tone, that of fluidsynth is the median of what it plays. Prints a table
as JSON.
"""
import json
import pathlib
import subprocess
import sys

import jsonschema
import numpy as np
import pysfizz
import soundfile
from lxml import etree

RATE = 48000
# Seconds from stroke to stroke, and how long a key is down.
APART, DOWN = 3.0, 0.5
# Velocities that are tried between the recorded ones.
BETWEEN = [20, 45, 84, 110]
# Strokes below this are left out: 16 bits hold little of them.
QUIET_DB = -40.0


def run(*words):
    done = subprocess.run([str(w) for w in words], capture_output=True, text=True)
    if done.returncode:
        sys.exit(f"{words[0]} failed: {done.stderr}{done.stdout}")
    return done.stdout + done.stderr


def read_wav(path):
    """Samples as (channels, frames), -1 to 1."""
    return soundfile.read(str(path), always_2d=True)[0].T


def write_midi(path, strokes, channel=10):
    """Strokes are (key, velocity), APART from each other, on a channel from 1; a tick is a millisecond."""
    def length(n):
        out = [n & 127]
        while n > 127:
            n >>= 7
            out.insert(0, n & 127 | 128)
        return bytes(out)

    track, now = bytearray(b"\0\xff\x51\x03\x07\xa1\x20"), 0
    for i, (key, velocity) in enumerate(strokes):
        for at, message in [(i * APART, bytes([0x8F + channel, key, velocity])), (i * APART + DOWN, bytes([0x7F + channel, key, 0]))]:
            tick = round(at * 1000)
            track += length(tick - now) + message
            now = tick
    track += length(round(len(strokes) * APART * 1000) - now) + b"\xff\x2f\0"
    path.write_bytes(b"MThd\0\0\0\6\0\0\0\1\1\xf4MTrk" + len(track).to_bytes(4, "big") + track)


def strokes_of(sound, count):
    frames = round(APART * RATE)
    sound = np.pad(sound[:, :count * frames], ((0, 0), (0, max(0, count * frames - sound.shape[1]))))
    return [sound[:, i * frames:(i + 1) * frames] for i in range(count)]


def level_db(sound):
    return 10 * np.log10(np.sum(sound ** 2) + 1e-30)


class SfzPlayer:
    def __init__(self, path):
        self.synth = pysfizz.Synth(RATE, 64)
        if not self.synth.load_sfz_file(path):
            sys.exit(f"pysfizz does not read {path}")

    def play(self, key, velocity):
        return self.synth.render_note(key, velocity, DOWN, APART).astype(np.float64)


def sfz_gain(folder):
    """Level of pysfizz itself, dB: a known tone."""
    tone = 0.25 * np.sin(2 * np.pi * 440 * np.arange(RATE // 2) / RATE) * np.exp(-np.arange(RATE // 2) / RATE * 8)
    soundfile.write(str(folder / "tone.wav"), np.stack([tone, tone], 1), RATE, subtype="PCM_24")
    (folder / "tone.sfz").write_text("<region> sample=tone.wav key=60 loop_mode=one_shot amp_veltrack=0\n")
    heard = SfzPlayer(folder / "tone.sfz").play(60, 100)
    return level_db(heard) - level_db(np.stack([tone, tone]))


def regions(path):
    """Key, lowest and highest velocity and turns of each step of an SFZ file, without the further keys of a pad, and the
    names of its samples."""
    steps, names, key, stem = {}, {}, None, None
    for line in path.read_text().splitlines():
        words = dict(word.split("=", 1) for word in line.split() if "=" in word)
        if line.startswith("// ") and "-" in line:
            stem = line[3:]
        elif line.startswith("<group>"):
            key = int(words["key"])
        elif line.startswith("<region>") and stem.startswith(f"{key:02}-"):
            step = (key, int(words["lovel"]), int(words["hivel"]))
            steps[step] = int(words.get("seq_length", 1))
            turn = int(words.get("seq_position", 1)) - 1
            names[(*step, steps[step]), turn] = pathlib.Path(words["sample"]).name
    return [(*step, turns) for step, turns in steps.items()], names


def compare(program, kit, folder, steps, velocity_of):
    """For each step the strokes of the plugin's engine and of both players: (step, velocity, [(engine, sfz, sf2)])."""
    sf2 = folder / "sf2" / f"{kit.stem}.sf2"
    found = []
    chosen = [(step, velocity_of(step)) for step in steps]
    for velocity in sorted({v for _, v in chosen if v}):
        here = [step for step, v in chosen if v == velocity]
        # a new one: the turns of a key go on from one velocity to the next
        sfz = SfzPlayer(folder / "sfz" / f"{kit.stem}.sfz")
        played = [(step[0], velocity) for step in here for _ in range(step[3])]
        write_midi(folder / "strokes.mid", played)
        run(program, "render", kit, folder / "strokes.mid", "--out", folder / "engine.wav", "--rate", RATE)
        run("fluidsynth", "-ni", "-q", "-R", 0, "-C", 0, "-g", 1, "-r", RATE, "-O", "s24", "-T", "wav",
            "-F", folder / "sf2.wav", sf2, folder / "strokes.mid")
        engine = strokes_of(read_wav(folder / "engine.wav"), len(played))
        soundfont = strokes_of(read_wav(folder / "sf2.wav"), len(played))
        at = 0
        for step in here:
            turns = range(at, at + step[3])
            at += step[3]
            # pysfizz reads the rest of a long sample while it plays, and may be late: the second round is heard
            for _ in turns:
                sfz.play(step[0], velocity)
            found.append((step, velocity, [(engine[t], sfz.play(step[0], velocity), soundfont[t]) for t in turns]))
    return found


def row(name, off):
    """`off` holds how far each stroke lies from the engine's, dB, and where."""
    far = max(off, key=lambda o: abs(o[0]))
    all_db = np.abs([o[0] for o in off])
    return [name, len(off), f"{abs(far[0]):.2f} dB", f"{np.percentile(all_db, 95):.2f} dB", f"{np.mean(all_db):.2f} dB", far[1]]


def sfz_off(found, gain_db):
    """Levels of an SFZ's strokes beside the engine's, in the order of their turns."""
    return [(level_db(sfz) - gain_db - level_db(engine), f"key {step[0]}, velocity {velocity}, turn {turn + 1}")
            for step, velocity, strokes in found for turn, (engine, sfz, _) in enumerate(strokes)
            if level_db(engine) > QUIET_DB]


def sf2_off(found):
    """The same for a SoundFont. It plays one of the turns at each velocity: the turns share the velocities of a step."""
    off = []
    for (key, low, high, turns), velocity, strokes in found:
        width = high - low + 1
        shares = min(turns, width)
        turn = max(i for i in range(shares) if low + i * width // shares <= velocity)
        engine, _, sf2 = strokes[turn]
        if level_db(engine) > QUIET_DB:
            off.append((level_db(sf2) - level_db(engine), f"key {key}, velocity {velocity}, turn {turn + 1}"))
    return off


def keys_off(program, kit, folder, gain_db):
    """Levels of the key parts' strokes in pysfizz beside the engine's: sampled keys, keys between, two velocities."""
    off = []
    for path in sorted((folder / "sfz").glob("* keys-*.sfz")):
        channel = int(path.read_text().splitlines()[0].split(" channel ")[1].split(",")[0])
        strokes = [(key, velocity) for key in range(30, 80, 7) for velocity in (127, 70)]
        write_midi(folder / "strokes.mid", strokes, channel)
        run(program, "render", kit, folder / "strokes.mid", "--out", folder / "engine.wav", "--rate", RATE)
        sfz = SfzPlayer(path)
        for (key, velocity), engine in zip(strokes, strokes_of(read_wav(folder / "engine.wav"), len(strokes))):
            if level_db(engine) > QUIET_DB:
                sfz.play(key, velocity)
                by = level_db(sfz.play(key, velocity)) - gain_db - level_db(engine)
                off.append((by, f"{path.stem}, key {key}, velocity {velocity}"))
    return off


def wav_null(found, folder, names):
    """Largest difference between the WAV files and the engine's strokes, dB below the stroke."""
    worst = -np.inf
    for step, _, strokes in found:
        for turn, (engine, _, _) in enumerate(strokes):
            sample = strokes_of(read_wav(folder / "wav" / names[step, turn]), 1)[0]
            worst = max(worst, level_db(sample - engine) - level_db(engine))
    return worst


def checked(folder, kit, root):
    """What independent checkers say about the files, one line each."""
    lint = pathlib.Path(sys.executable).with_name("sfzlint")
    said = "".join(run(lint, path, "--spec-version", "v1") for path in sorted((folder / "sfz").glob("*.sfz"))).strip()
    names = etree.DTD(str(root / "midi_names.dtd"))
    document = etree.parse(str(folder / "midnam" / f"{kit.stem}.midnam"),
                           etree.XMLParser(load_dtd=False, no_network=True))
    valid = names.validate(document)
    schema = json.loads((root.parent.parent / "src/core/export/kit.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    faults = list(jsonschema.Draft202012Validator(schema).iter_errors(json.loads((kit.parent / "kit.json").read_text())))
    return [
        f"sfzlint, SFZ version 1: {said or 'no remark'}",
        f"DTD of the MIDI name document: {'valid' if valid else names.error_log.last_error}",
        f"kit.json by its schema (jsonschema): {'valid' if not faults else faults[0].message}",
    ]


def main():
    program, made, folder = sys.argv[1], pathlib.Path(sys.argv[2]), pathlib.Path(sys.argv[3])
    root = pathlib.Path(__file__).resolve().parent
    kit = next(made.glob("*.kitwright"))
    for kind in ["wav", "sfz", "sf2", "midnam"]:
        run(program, "export", kit, "--as", kind, "-o", folder / kind)
    gain_db = sfz_gain(folder)
    steps, names = regions(folder / "sfz" / f"{kit.stem}.sfz")
    recorded = compare(program, kit, folder, steps, lambda step: step[2])
    between = compare(program, kit, folder, steps,
                      lambda step: next((v for v in BETWEEN if step[1] <= v < step[2]), None))
    keys = keys_off(program, kit, folder, gain_db)
    sf2_recorded, sf2_between = sf2_off(recorded), sf2_off(between)
    sf2_gain = float(np.median([by for by, _ in sf2_recorded]))
    less = lambda off: [(by - sf2_gain, where) for by, where in off]
    rows = [
        row("SFZ in pysfizz, recorded velocities", sfz_off(recorded, gain_db)),
        row("SFZ in pysfizz, velocities between", sfz_off(between, gain_db)),
        *([row("SFZ in pysfizz, key parts", keys)] if keys else []),
        row("SoundFont 2 in fluidsynth, recorded velocities", less(sf2_recorded)),
        row("SoundFont 2 in fluidsynth, velocities between", less(sf2_between)),
    ]
    print(json.dumps({
        "title": "Exported kits in other players, beside the engine's own render",
        "columns": ["export", "strokes", "farthest", "95 of 100", "mean", "farthest at"],
        "rows": rows,
        "notes": ["Target: 0.5 dB for SFZ in pysfizz, alternates in their turns.",
                  f"WAV files less the engine's strokes: {wav_null(recorded, folder, names):.0f} dB or less.",
                  f"Level of the players themselves: pysfizz {gain_db:.2f} dB, fluidsynth {sf2_gain:.2f} dB.",
                  "fluidsynth fades every sample in over its first 64 frames, which short hats lose by.",
                  *checked(folder, kit, root)],
    }))


main()
