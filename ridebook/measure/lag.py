"""How much later one signal has what another has."""

from __future__ import annotations

import numpy as np


def best_place_n(part: np.ndarray, whole: np.ndarray) -> int:
    """Place in a longer signal where a part matches best, whatever its gain and polarity: by their correlation.

    Parameters
    ----------
    part, whole : ndarray
        Samples, shape (frames,); `whole` is at least as long as `part`.

    Returns
    -------
    int
        First frame of the match in `whole`, from 0 to the difference of the lengths.
    """
    size = 1 << (len(whole) + len(part)).bit_length()
    match = np.fft.irfft(np.fft.rfft(whole, size) * np.conj(np.fft.rfft(part, size)), size)
    return int(np.abs(match[: len(whole) - len(part) + 1]).argmax())
