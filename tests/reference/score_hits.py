"""Detected hits against true ones, beside librosa's detector: `cargo xtask score hits` runs this.

    python score_hits.py DETECTION FOLDER...

DETECTION is the built example `detection`; each folder holds recordings, each with a CSV file of true onsets.
Prints a table as JSON.
"""
import json
import pathlib
import sys

from detection import COLUMNS, NOTES, Tally, ask, spectral_flux, truth


def sets(folder, files):
    """Named parts of a folder; the takes to which the classifier was fitted are separate from the unseen ones."""
    if folder.name == "takes":
        yield "assembled, odd half (fitted to)", files[0::2]
        yield "assembled, even half (unseen)", files[1::2]
        yield "assembled, all", files
    elif folder.name == "real":
        yield "real, first (fitted to)", files[:1]
        yield "real, others (unseen)", files[1:]
        yield "real, all", files
    else:
        yield "invented take (unseen)", files


def main():
    program, folders = sys.argv[1], map(pathlib.Path, sys.argv[2:])
    rows = []
    for folder in folders:
        files = sorted(p for p in folder.iterdir() if p.suffix in (".flac", ".wav"))
        ours = dict(zip(files, ask(program, "hits", files)))
        theirs = {file: spectral_flux(file) for file in files}
        for name, part in sets(folder, files):
            for who, found in [("Kitwright", ours), ("librosa", theirs)]:
                tally = Tally()
                for file in part:
                    tally.add(truth(file), found[file])
                rows.append([f"{name}: {who}", *tally.cells()])
    print(json.dumps({"title": "Hits", "columns": ["recordings", *COLUMNS], "rows": rows, "notes": NOTES}))


main()
