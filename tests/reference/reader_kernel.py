"""Designs the reader's kernel; prints the coefficients for src/core/engine/dsp/reader/table.rs.

    python tests/reference/reader_kernel.py        (needs numpy)

The kernel is a sum of cosines over its own length of 48 frames. Its spectrum has a closed form (each cosine cut
off at both ends gives two sincs), which is fitted in the least-squares sense to 1 in the pass band and 0 in the
stop band, with weights raised step by step where the error is largest until it is even (C. L. Lawson's
algorithm, 1961; for filters: J. H. McClellan, T. W. Parks, L. R. Rabiner 1973 describe the same aim).

Bands, in cycles per frame of the source: pass to 15 kHz of 44.1 kHz, stop from half of 1 / 1.0601 on (one
semitone and a cent up), and images of the pass band, from 1 minus its edge on, held 12 dB lower still. Ripples
are allowed to grow towards the edge of the pass band, where a hundredth of a dB is nothing; below 9 kHz they
would be audible as noise when a glide goes from table to table. One more row asks for 0 at the kernel's ends.
"""

import numpy as np

TAPS, ORDER = 48, 26
PASS, STOP = 15_000 / 44_100 * 1.003, 0.5 / 1.0601
LOW, RIPPLE, ALIAS, IMAGE = 5e-6, 4e-3, 10 ** (-110 / 20), 10 ** (-122 / 20)
END = 1e-7


def spectrum(f):
    """Of each cosine, at frequencies `f`."""
    u, k = TAPS * f[:, None], np.arange(ORDER + 1)[None, :]
    return TAPS / 2 * (np.sinc(u - k) + np.sinc(u + k))


def main():
    passing = np.linspace(0, PASS, 400)
    stopped = np.concatenate([np.linspace(STOP, 1.2, 500), np.linspace(1.2, 8, 1000)])
    f = np.concatenate([passing, stopped])
    wanted = np.where(f <= PASS, 1.0, 0.0)
    ripple = LOW * (RIPPLE / LOW) ** np.clip((f - 0.21) / (PASS - 0.21), 0, 1)
    allowed = np.where(f <= PASS, ripple, np.where(f < 1 - PASS, ALIAS, IMAGE))
    ends = (-1.0) ** np.arange(ORDER + 1)
    made = np.vstack([spectrum(f), ends])
    wanted, allowed = np.append(wanted, 0), np.append(allowed, END)
    weights, best = np.ones_like(wanted), (np.inf, None)
    for _ in range(80):
        rows = np.sqrt(weights) / allowed
        c = np.linalg.lstsq(made * rows[:, None], wanted * rows, rcond=1e-15)[0]
        error = np.abs(made @ c - wanted) / allowed
        best = min(best, (error.max(), c), key=lambda pair: pair[0])
        weights *= np.clip(error / error.max(), 1e-3, None) + 1e-3
        weights /= weights.mean()
    error, c = best
    print(f"// ripple {error * LOW:.1e} below 9 kHz, {8.686 * error * RIPPLE:.4f} dB at 15 kHz, stop {20 * np.log10(error * ALIAS):.1f} dB,"
          f" images {20 * np.log10(error * IMAGE):.1f} dB, ends {error * END:.0e} at most")
    for value in c:
        print(f"    {value:.17e},")


main()
