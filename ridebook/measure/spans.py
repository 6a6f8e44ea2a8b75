"""Loudness and balance of spans, read from the measures alone."""

from __future__ import annotations

import numpy as np

from ridebook.measure.loudness import loudness_lufs
from ridebook.measure.measures import ABSENT_LUFS, CELLS_PER_S, Measures, StemMeasures

Frames = int | np.ndarray


def span_power(stem: StemMeasures, start_n: Frames, end_n: Frames) -> np.ndarray:
    """Mean K-weighted power of spans.

    Energy is interpolated inside a cell, so that a border may lie on any frame.

    Parameters
    ----------
    stem : StemMeasures
        Powers on the grid.
    start_n, end_n : int or ndarray
        First frame and the frame after the last of each span; shapes that broadcast. Frames outside the
        stem count as silence.

    Returns
    -------
    ndarray
        float64, the broadcast shape.

    Raises
    ------
    ValueError
        A span does not end after its start.
    """
    borders = np.array(np.broadcast_arrays(start_n, end_n), dtype=np.float64)
    length = borders[1] - borders[0]
    if not (length > 0.0).all():
        raise ValueError("a span must end after its start")
    energy = _energy_before(stem, borders)
    # The sums' rounding can leave a trace under zero where a pause follows loud music.
    return np.asarray(np.maximum(energy[1] - energy[0], 0.0) / length)


def _energy_before(stem: StemMeasures, frame_n: np.ndarray) -> np.ndarray:
    """Give the energy of all frames before each of `frame_n`.

    What `numpy.interp` would give, but that converts the whole grid to float64 at every call: 1 ms for an hour.
    """
    at = np.minimum(np.maximum(frame_n, 0), stem.frames_n)
    # The cell by its length, put right by one where the grid's rounding moved its border: no search for each span.
    last = len(stem.cell_power) - 1
    cell = np.minimum((at * (CELLS_PER_S / stem.rate_hz)).astype(np.int64), last)
    cell -= stem.grid_n[cell] > at
    cell += stem.grid_n[cell + 1] <= at
    cell = np.minimum(cell, last)
    return np.asarray(stem.energy[cell] + stem.cell_power[cell] * (at - stem.grid_n[cell]))


def span_loudness_lufs(stem: StemMeasures, start_n: Frames, end_n: Frames) -> np.ndarray:
    """Ungated loudness of spans in LUFS, -inf where there is silence; parameters as for `span_power`."""
    return loudness_lufs(span_power(stem, start_n, end_n))


def balance_lu(measures: Measures, start_n: Frames, end_n: Frames, centre_law_db: float = 0.0) -> np.ndarray:
    """Balance of spans: loudness of the vocal less that of the bed, as heard in the mix.

    Parameters
    ----------
    measures : Measures
        Measures of the pair.
    start_n, end_n : int or ndarray
        Borders of the spans, as for `span_power`.
    centre_law_db : float
        What a mono vocal loses by being placed in the centre of a wider mix: 0, -3, -4.5 or -6 dB. Where
        the vocal is not mono or the mix is not wider it changes nothing.

    Returns
    -------
    ndarray
        float64, in LU; NaN where there is no bed (under `ABSENT_LUFS`), -inf where the vocal is silent.
    """
    vocal = span_loudness_lufs(measures.vocal, start_n, end_n) + law_db(measures, centre_law_db)
    bed = span_loudness_lufs(measures.bed, start_n, end_n)
    present = bed >= ABSENT_LUFS
    return np.where(present, vocal - np.where(present, bed, 0.0), np.nan)


def mean_balance_lu(measures: Measures, start_n: Frames, end_n: Frames, centre_law_db: float = 0.0) -> float:
    """Balance from the mean powers over all frames of many spans; of the phrases it is the song's balance.

    Spans without a bed are left out. Parameters as for `balance_lu`.

    Returns
    -------
    float
        LU; NaN where no span has a bed, -inf where the vocal is silent in all that have one.
    """
    start, end = np.broadcast_arrays(np.atleast_1d(start_n), np.atleast_1d(end_n))
    bed = span_power(measures.bed, start, end)
    present = loudness_lufs(bed) >= ABSENT_LUFS
    if not present.any():
        return np.nan
    length = (end - start)[present]
    vocal = span_power(measures.vocal, start, end)[present]
    lu = loudness_lufs((vocal * length).sum()) - loudness_lufs((bed[present] * length).sum())
    return float(lu) + law_db(measures, centre_law_db)


def law_db(measures: Measures, centre_law_db: float) -> float:
    """`centre_law_db` where it applies to the pair's vocal, else 0."""
    return centre_law_db if measures.vocal_spread else 0.0
