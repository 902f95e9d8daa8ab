"""Measures of a drum sound that the judges use: a mel spectrogram and cepstra."""
import numpy as np
from scipy.fft import dct, rfft

from drums import at_rate

RATE = 32000
# Edges of time segments, in frames of 8 ms: short at the start, long in the tail.
EDGES = [0, 1, 2, 3, 4, 6, 8, 11, 15, 20, 27, 36, 48, 64]


def mel_filters(size, count):
    """Triangular filters of equal width on the mel scale of O'Shaughnessy."""
    mel, hz = (lambda f: 2595 * np.log10(1 + f / 700)), (lambda m: 700 * (10 ** (m / 2595) - 1))
    e = hz(np.linspace(mel(40), mel(15500), count + 2))
    f = np.arange(size // 2 + 1) * RATE / size
    up, down = (f - e[:-2, None]) / (e[1:-1] - e[:-2])[:, None], (e[2:, None] - f) / (e[2:] - e[1:-1])[:, None]
    return np.maximum(0, np.minimum(up, down))


FILTERS = mel_filters(1024, 32)


def measures(sound, rate):
    """Level-matched mel spectrogram, and cepstra of the same with the envelope; None for silence."""
    sound = at_rate(sound, rate, RATE)
    peak = np.abs(sound).max() if len(sound) else 0
    if peak < 1e-7:
        return None
    sound = sound / peak
    start = max(0, np.argmax(np.abs(sound) > 0.1) - 160)
    sound = sound[start:start + int(0.6 * RATE)]
    sound = np.pad(sound, (256, int(0.6 * RATE) - len(sound) + 1024))
    frames = np.lib.stride_tricks.sliding_window_view(sound, 1024)[::256] * np.hanning(1024)
    level = 10 * np.log10((np.abs(rfft(frames, axis=1)) ** 2) @ FILTERS.T + 1e-9)
    level = np.maximum(level - level.max(), -70)
    mel = np.concatenate([level[a:b].mean(0) for a, b in zip(EDGES[:-1], EDGES[1:])])
    cepstra = dct(level, norm="ortho", axis=1)[:, :16]
    weight = 10 ** (level.max(1) / 10)
    mean = (cepstra * weight[:, None]).sum(0) / weight.sum()
    envelope = level.max(1)[[0, 1, 2, 3, 4, 6, 8, 12, 18, 27, 40, 60]]
    return mel, np.concatenate([mean, cepstra[0], cepstra[2:5].mean(0), cepstra[8:16].mean(0), envelope])
