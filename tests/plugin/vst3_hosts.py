"""Plays the VST3 bundle in a real host: `vst3_hosts.py HOST BUNDLE PRESET`; run by vst3_hosts.rs.

The preset holds the kit of tests/support/kit.rs: sixteen pads that sound, each on its own note.
"""

import gc
import sys
import threading

import numpy as np

HOST, BUNDLE, PRESET = sys.argv[1:4]
NOTES = [36, 37, 38, 39, 40, 42, 43, 44, 46, 47, 49, 50, 51, 56, 60, 70]


def passed(what):
    print("passed:", what, flush=True)


def peak(samples):
    return float(np.abs(samples).max()) if samples.size else 0.0


def pedalboard_host():
    """Main bus only; the host switches every other bus off."""
    import pedalboard
    from pedalboard._pedalboard import ExternalPlugin

    # As it is loaded, each instance is asked for a thousand texts of every parameter, seconds of processor time. The
    # instances whose `parameters` are read below are asked all the same.
    ExternalPlugin.__set_initial_parameter_values__ = lambda plugin, values: None

    def make(preset=True):
        plugin = pedalboard.load_plugin(BUNDLE)
        if preset:
            plugin.load_preset(PRESET)
        return plugin

    def play(plugin, notes=NOTES, rate=48_000, block=512, gap=0.05):
        midi = []
        for i, note in enumerate(notes):
            midi.append((bytes([0x90, note, 100]), 0.1 + i * gap))
            midi.append((bytes([0x80, note, 0]), 0.12 + i * gap))
        return plugin(midi, duration=1.0, sample_rate=rate, num_channels=2, buffer_size=block)

    plugin = make()
    assert plugin.is_instrument and plugin.name == "Kitwright"
    sound = play(plugin)
    assert sound.shape == (2, 48_000)
    assert peak(sound[:, :4800]) == 0.0 and peak(sound[:, 4800:]) > 0.1
    assert np.isfinite(sound).all()
    passed("the main bus plays, from the note's frame on")

    for block in (1, 17, 64, 512, 8192):
        assert np.array_equal(play(make(), block=block), sound), block
    passed("any block size, the same samples")

    assert peak(play(make(preset=False))) == 0.0
    passed("an empty kit is silent")

    for rate in (44_100, 96_000, 192_000):
        assert peak(play(make(), rate=rate)) > 0.1, rate
    passed("other sample rates")

    names = list(plugin.parameters)
    assert len(names) == len(set(names)) and "pad_16_level_db" in names and "kit_revision" in names
    pitch = plugin.parameters["pad_1_pitch_st"]
    assert (pitch.string_value, pitch.label) == ("0.0", "st"), (pitch.string_value, pitch.label)
    pitch.raw_value = 0.75
    assert pitch.string_value == "+12.0", pitch.string_value
    assert abs(pitch.get_raw_value_for_text("-12 st") - 0.25) < 1e-6
    passed("parameters by name, with their text")

    changed = play(plugin)
    assert not np.array_equal(changed, sound)
    twin = make(preset=False)
    twin.raw_state = plugin.raw_state
    assert np.array_equal(play(twin), changed)
    passed("the host's state in a second instance sounds the same to the bit")

    plugin.parameters["pad_1_mute"].raw_value = 1.0
    assert peak(play(plugin, notes=[36])) == 0.0
    passed("a muted pad is silent")

    state = plugin.raw_state
    for cut in (0, 10, len(state) // 2, len(state) - 1):
        try:
            plugin.raw_state = state[:cut]
        except Exception as refusal:  # a refusal is fine, an end of the process is not
            assert refusal is not None
    assert peak(play(plugin, notes=[37])) > 0.01
    passed("truncated states do no harm")

    for i in range(10):
        passing = make(preset=i % 2 == 0)
        play(passing, notes=NOTES[:2])
        del passing
        gc.collect()
    assert np.array_equal(play(make()), sound)
    passed("instances come and go")


def dawdreamer_host():
    """Every bus, the side input, automation."""
    import dawdreamer

    indices = {}

    def play(notes, block=512, automation=None, side=False, main_only=False, on_thread=False, seconds=1.0):
        engine = dawdreamer.RenderEngine(48_000, block)
        plugin = engine.make_plugin_processor("kit", BUNDLE)
        plugin.load_vst3_preset(PRESET)
        if main_only:
            plugin.disable_nonmain_buses()
        for note, start in notes:
            plugin.add_midi_note(note, 100, start, 0.02)
        if not indices:
            # the descriptions of all parameters, which are the same in each instance
            indices.update({p["name"]: p["index"] for p in plugin.get_parameters_description()})
        for name, values in (automation or {}).items():
            plugin.set_automation(indices[name], values)
        graph = []
        if side:
            noise = np.random.default_rng(1).uniform(-0.5, 0.5, (2, int(48_000 * seconds)))
            graph.append((engine.make_playback_processor("side", noise.astype(np.float32)), []))
        graph.append((plugin, ["side"] if side else []))
        engine.load_graph(graph)
        if on_thread:
            # as in a live host: made on the main thread, played on another
            audio_thread = threading.Thread(target=engine.render, args=[seconds])
            audio_thread.start()
            audio_thread.join()
        else:
            engine.render(seconds)
        return plugin.get_audio()

    strokes = [(note, 0.1 + 0.05 * i) for i, note in enumerate(NOTES)]
    sound = play(strokes)
    assert sound.shape == (34, 48_000), sound.shape
    assert peak(sound[:, :4800]) == 0.0 and np.isfinite(sound).all()
    for pad in range(16):
        alone = play([strokes[pad]])
        for bus in range(17):
            heard = peak(alone[2 * bus : 2 * bus + 2]) > 0.005
            assert heard == (bus in (0, pad + 1)), (pad, bus)
    passed("each pad on its own bus and on the main one")

    for block in (1, 17, 64, 8192):
        assert np.array_equal(play(strokes, block=block), sound), block
    passed("any block size, the same samples")

    assert np.array_equal(play(strokes, side=True), sound)
    passed("sound at the side input does not leak")

    main = play(strokes, main_only=True)
    assert np.array_equal(main[:2], sound[:2]), main.shape
    passed("all buses but the main one switched off")

    # the pad is muted from 0.3 s to 0.6 s
    mute = np.zeros(48_000, dtype=np.float32)
    mute[14_400:28_800] = 1.0
    three = [(36, 0.1), (36, 0.4), (36, 0.7)]
    muted = play(three, block=64, automation={"Pad 1 Mute": mute})
    assert peak(muted[2:4, 4800:14_400]) > 0.1
    assert peak(muted[2:4, 19_200:28_800]) == 0.0
    assert peak(muted[2:4, 33_600:]) > 0.1
    passed("automation")

    # the framework dies when an instance goes with changes on their way to its window
    dice = np.random.default_rng(2)
    names = [f"Pad {pad} {what}" for pad in range(1, 17) for what in ("Level", "Pan", "Pitch", "Drive")]
    for _ in range(30):
        automation = {name: dice.uniform(0, 1, 4800).astype(np.float32) for name in names}
        play([(36, 0.0)], block=1, automation=automation, on_thread=True, seconds=0.02)
        gc.collect()
    passed("instances go while automation is on its way")


{"pedalboard": pedalboard_host, "dawdreamer": dawdreamer_host}[HOST]()
print("all passed")
