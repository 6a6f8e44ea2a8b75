"""Sections by what is plain to hear: a long rest of the voice, or a lasting step of the bed."""

from __future__ import annotations

import numpy as np

from ridebook.measure.measures import CELLS_PER_S, StemMeasures
from ridebook.segment.change import Means, moving_max

LONG_REST_S = 6.0
BED_STEP_LU = 4.0
SIDE_S = 8.0
SHORTEST_S = 10.0
"""Choices of this program, no source."""


def bed_steps(bed: StemMeasures) -> np.ndarray:
    """Cells at which the bed's loudness steps by 4 LU or more from the 8 s before to the 8 s after; int64, rising."""
    if not np.any(bed.cell_power > 0):
        return np.zeros(0, np.int64)
    side = round(SIDE_S * CELLS_PER_S)
    means = Means(bed.cell_power)
    # Under -70 LUFS all is the same silence (the absolute gate of ITU-R BS.1770-5, Annex 1).
    silence = 10.0 ** ((-70.0 + 0.691) / 10.0)
    before, after = means.before_and_after(side, side)
    step = np.abs(10.0 * np.log10(np.maximum(after, silence) / np.maximum(before, silence)))
    step[:side] = 0.0
    step[max(len(step) - side, 0) :] = 0.0
    return np.flatnonzero((step >= BED_STEP_LU) & (step == moving_max(step, side)))


def find_sections(phrases: np.ndarray, bed: StemMeasures, cells_n: int) -> np.ndarray:
    """Sections that cover the whole take, cut in the middle of pauses between phrases.

    Parameters
    ----------
    phrases : ndarray
        int64, shape (phrases, 2), in cells.
    bed : StemMeasures
        The bed as heard.
    cells_n : int
        Length of the take in cells.

    Returns
    -------
    ndarray
        int64, shape (sections, 2), in cells. None where there is no phrase.
    """
    if not len(phrases):
        return np.zeros((0, 2), np.int64)
    rests = phrases[1:, 0] - phrases[:-1, 1]
    cuts = (phrases[1:, 0] + phrases[:-1, 1]) // 2
    wanted = set(np.flatnonzero(rests >= LONG_REST_S * CELLS_PER_S).tolist())
    if len(cuts):
        wanted |= {int(np.abs(cuts - step).argmin()) for step in bed_steps(bed).tolist()}
    borders = [0]
    for i in sorted(wanted):
        is_long_rest = rests[i] >= LONG_REST_S * CELLS_PER_S
        if is_long_rest or min(cuts[i] - borders[-1], cells_n - cuts[i]) >= SHORTEST_S * CELLS_PER_S:
            borders.append(int(cuts[i]))
    return np.column_stack([borders, [*borders[1:], cells_n]]).astype(np.int64)
