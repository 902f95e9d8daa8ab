"""Results of fitting beside a published optimiser: `cargo xtask score fit` runs this.

    python score_fit.py CASTING KITWRIGHT FOLDER [DATA]

CASTING is the built example `casting`, KITWRIGHT the program in the release profile; FOLDER holds the demo take; DATA is the
folder of the developer recordings. The reference is N. Hansen's own CMA-ES (the package `cma`) with the same controls,
start, step, cost and number of trials. Prints a table as JSON.
"""
import json
import os
import pathlib
import subprocess
import sys
import time
import warnings

import numpy as np
import soundfile

warnings.filterwarnings("ignore")  # cma warns that it cannot plot
import cma  # noqa: E402

SEARCHED = ["kick", "snare", "rim", "clap", "closed hat", "open hat", "shaker", "low tom"]
TUNED = ["kick", "rim", "low tom", "high tom"]


def ask(program, what, *arguments):
    command = [str(program), what, *map(str, arguments)]
    lines = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout.splitlines()
    return [json.loads(line)["found"] for line in lines]


def reference(program, take, role):
    """Costs of the recipe, of what our search finds and of what the reference finds."""
    process = subprocess.Popen([program, "search", take, role], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    case = json.loads(process.stdout.readline())

    def cost(positions):
        process.stdin.write(json.dumps(list(positions)) + "\n")
        process.stdin.flush()
        return float(process.stdout.readline())

    best, trials = case["recipe"], 0
    search = cma.CMAEvolutionStrategy(case["start"], 0.15, {"seed": 1, "verbose": -9})
    while trials < case["trials"]:
        tried = search.ask()
        costs = [cost(x) for x in tried]
        trials += len(costs)
        best = min(best, *costs)
        search.tell(tried, costs)
    process.stdin.close()
    process.wait()
    return case["recipe"], case["found"], best


def repeated(source, seconds, out):
    """The demo take repeated to a stereo recording of this length."""
    mono, rate = soundfile.read(source, dtype="float32", always_2d=True)
    stereo, left = np.repeat(mono[:, :1], 2, axis=1), seconds * rate
    with soundfile.SoundFile(out, "w", rate, 2, "PCM_24") as file:
        while left > 0:
            file.write(stereo[:left])
            left -= len(stereo)


def timed(kitwright, take, out):
    """A whole kit from the command line: hits, seconds by the clock, seconds of processor time, MB at most."""
    started = time.time()
    command = [str(kitwright), "kit", str(take), "--fit", "1", "--out", str(out), "--json"]
    with open(out.with_suffix(".json"), "w+") as output:
        child = subprocess.Popen(command, stdout=output, stderr=subprocess.DEVNULL)
        _, status, used = os.wait4(child.pid, 0)
        output.seek(0)
        hits = json.load(output)["takes"][0]["hits"] if status == 0 else 0
    return hits, time.time() - started, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def main():
    program, kitwright, folder = sys.argv[1], sys.argv[2], pathlib.Path(sys.argv[3])
    data = pathlib.Path(sys.argv[4]) if len(sys.argv) > 4 else None
    invented = sorted(folder.glob("*.wav"))[0]
    takes = [data / "takes" / f for f in ("d01_steel_guitar.flac", "d04_nylon_guitar.flac")] if data else [invented]
    rows = []

    def row(what, wanted, measured, reached, how):
        rows.append([what, wanted, measured, {True: "yes", False: "no", None: ""}[reached], how])

    costs = np.array([reference(program, take, role) for take in takes for role in SEARCHED])
    recipe, ours, theirs = costs.mean(axis=0)
    on = f"mean of {len(costs)} pads ({len(takes)} takes, {len(SEARCHED)} roles); lower is better"
    row("cost of the recipe", "", f"{recipe:.3f}", None, on)
    row("cost after our search", "", f"{ours:.3f}", None, on)
    row("cost after cma's search", "", f"{theirs:.3f}", None, "the same controls, start, step, cost, trials")

    for take, kit in zip(takes, ask(program, "kit", *takes)):
        name, pads = take.stem, kit["pads"]
        row(f"{name}: groove before the ceiling", "-6 dBFS", f"{kit['groove_db']:.2f} dBFS",
            abs(kit["groove_db"] + 6) <= 1, "near: within 1 dB")
        loudest = max(p["over_kick_lu"] for p in pads if p["over_kick_lu"] is not None)
        row(f"{name}: loudest pad over the kick", "<= 2 LU", f"{loudest:+.1f} LU", loudest <= 2, "ebur128, velocity 110")
        cents = [(p["role"], p["cents"]) for p in pads if p["cents"] is not None and p["role"] in TUNED]
        worst = max((abs(c) for _, c in cents), default=0.0)
        row(f"{name}: tuned pads from their notes", "<= 5 cents", f"{worst:.1f} cents", worst <= 5,
            ", ".join(f"{r} {c:+.1f}" for r, c in cents) or "none has a certain pitch")
        for p in (p for p in pads if p["dips"]):
            before, after = p["tone_db"]
            row(f"{name}: {p['role']}'s highest tone", "falls", f"{before:.1f} -> {after:.1f} dB", after < before,
                f"{p['dips']} dips, over its noise")

    for minutes in (3, 30):
        long = folder / "long" / f"{minutes} minutes.wav"
        long.parent.mkdir(exist_ok=True)
        repeated(invented, 60 * minutes, long)
        hits, wall, processor, peak_mb = timed(kitwright, long, folder / "long" / "kit")
        reached = wall < 8 if minutes == 3 else None
        row(f"{minutes} minutes, {hits} hits", "< 8 s" if minutes == 3 else "", f"{wall:.1f} s", reached,
            f"by the clock, {os.cpu_count()} cores, reading to writing; {processor:.1f} s of processor, {peak_mb:.0f} MB at most")
        long.unlink()
    print(json.dumps({"title": "Fit", "columns": ["figure", "wanted", "measured", "reached", "how it is measured"],
                      "rows": rows, "notes": ["Kits at fit 1, tuned to E minor, the kick too. The timed takes are the "
                                              "invented one, repeated, in stereo."]}))


main()
