"""Plosives: the bursts of p, t, k, b, d and g, and the thumps of the breath on the microphone that go with some."""

from __future__ import annotations

import numpy as np

from ridebook.measure.features import VocalFeatures, band_edges_hz
from ridebook.segment.activity import Activity

POP = "pop"
"""Label of a plosive that thumps."""

_FLOOR_UNDER_VOICE_DB = 60.0
_BURST_UNDER_VOICE_DB = 50.0
_LEAST_RISE_DB = 5.0
_APART_N = 3
_LONGEST_N = 12
_SHORTEST_N = 3
_FALL_DB = 8.0
_VOICED = 0.6
# Log odds of a burst by the columns of `burst_columns`, fitted by tools/fit_plosives.py to synthesized speech.
_WEIGHTS = (0.127, 0.107, -9.164, 0.491, 0.071, 0.362, -0.117)
_BIAS = 0.344
_LEAST_ODDS = 1.0
_LONG_SIBILANT_N = 8

_THUMP_HZ = 200.0
_THUMP_UNDER_VOICE_DB = 12.0
_THUMP_OVER_BODY_DB = 6.0
_THUMP_RISE_DB = 12.0
_THUMP_N = 6
_GONE_N = 16
_SAME_N = 4


def _band_mean(bands_db: np.ndarray, low_hz: float, high_hz: float) -> np.ndarray:
    centres = band_edges_hz()[1:-1]
    return np.asarray(bands_db[:, (centres >= low_hz) & (centres < high_hz)].mean(axis=1))


def burst_columns(features: VocalFeatures, activity: Activity, sibilants: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Cells in which the upper bands rise at once, and what tells a plosive from other onsets there.

    Parameters
    ----------
    features : VocalFeatures
        The take.
    activity : Activity
        Its activity.
    sibilants : ndarray
        int64, shape (sibilants, 2), in cells. The onset of one that lasts 80 ms or more is left out.

    Returns
    -------
    cells : ndarray
        int64, rising.
    columns : ndarray
        float32, shape (cells, 7): rise of the bands over 1 kHz against 30 ms before; bands over 3 kHz less those under
        1 kHz; periodicity, and that 60 ms later; rise of the lowest bands; fall after the burst; level less that 60 ms
        later. In dB but for the periodicities.
    """
    bands = np.maximum(features.bands_db, np.float32(activity.voice_db - _FLOOR_UNDER_VOICE_DB))
    level = np.maximum(features.level_db, np.float32(activity.voice_db - _FLOOR_UNDER_VOICE_DB))
    upper = _band_mean(bands, 1000.0, 9000.0)
    rise = upper - np.concatenate([upper[:2], upper[:-2]])
    neighbours = np.pad(rise, _APART_N, mode="edge")
    top = np.maximum.reduce([neighbours[k : k + len(rise)] for k in range(2 * _APART_N + 1)])
    is_burst = (rise > _LEAST_RISE_DB) & (rise >= top) & (upper > activity.voice_db - _BURST_UNDER_VOICE_DB)
    for start, end in sibilants:
        if end - start >= _LONG_SIBILANT_N:
            is_burst[max(start - 3, 0) : end] = False
    cells = np.flatnonzero(is_burst)

    def at(values: np.ndarray, shift: int) -> np.ndarray:
        return values[np.clip(cells + shift, 0, len(values) - 1)]

    low = _band_mean(bands, 80.0, 260.0)
    tilt = _band_mean(bands, 3000.0, 9000.0) - _band_mean(bands, 300.0, 1000.0)
    columns = np.stack(
        [
            at(upper, 1) - np.minimum(at(upper, -3), at(upper, -4)),
            at(tilt, 0),
            at(features.periodicity, 0),
            at(features.periodicity, 6),
            at(low, 1) - at(low, -3),
            at(upper, 1) - np.minimum.reduce([at(upper, k) for k in range(2, 7)]),
            at(level, 0) - at(level, 6),
        ],
        axis=1,
    )
    return cells, columns.astype(np.float32)


def find_plosives(features: VocalFeatures, activity: Activity, sibilants: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Bursts of plosives; takes what `burst_columns` does.

    Returns
    -------
    bursts : ndarray
        int64, shape (plosives, 2): first cell and the cell after the last; from the opening to where the noise has
        fallen or the voice has set in.
    pops : ndarray
        bool, shape (plosives,). With a thump in the lowest bands that is near the voice's own level: breath that hit
        the microphone.
    """
    none = np.zeros((0, 2), np.int64), np.zeros(0, bool)
    if not activity.active.any():
        return none
    cells, columns = burst_columns(features, activity, sibilants)
    cells = cells[columns @ np.array(_WEIGHTS, np.float32) + np.float32(_BIAS) > _LEAST_ODDS]
    thumps = thump_cells(features, activity)
    # A thump hides the burst that it goes with.
    apart = np.abs(cells[:, None] - thumps).min(axis=1, initial=features.cells_n) > _SAME_N
    pops = np.concatenate([np.zeros(int(apart.sum()), bool), np.ones(len(thumps), bool)])
    cells = np.concatenate([cells[apart], thumps])
    if not len(cells):
        return none
    order = np.argsort(cells)
    cells, pops = cells[order], pops[order]
    after = np.clip(cells[:, None] + np.arange(1, _LONGEST_N), 0, features.cells_n - 1)
    upper = _band_mean(features.bands_db[after.ravel()], 1000.0, 9000.0).reshape(after.shape)
    over = (upper < upper[:, :2].max(axis=1, keepdims=True) - _FALL_DB) | (features.periodicity[after] > _VOICED)
    length_n = np.where(over.any(axis=1), over.argmax(axis=1) + 2, _LONGEST_N)
    length_n = np.maximum(length_n, np.where(pops, _THUMP_N, _SHORTEST_N))
    starts = np.maximum(cells - 1, 0)
    ends = np.minimum(starts + length_n, features.cells_n)
    ends[:-1] = np.minimum(ends[:-1], starts[1:])
    return np.column_stack([starts, ends]), pops


def thump_cells(features: VocalFeatures, activity: Activity) -> np.ndarray:
    """Cells in which the lowest bands leap up near the voice's own level and are gone in 150 ms; int64, rising.

    Unlike the onset of a low note, which stays, and has its overtones with it. Choices of this program, no source.
    """
    centres = band_edges_hz()[1:-1]
    low = np.asarray(features.bands_db[:, centres < _THUMP_HZ].max(axis=1))
    loud = np.flatnonzero(low > activity.voice_db - _THUMP_UNDER_VOICE_DB)

    def at(values: np.ndarray, shift: int) -> np.ndarray:
        return values[np.clip(loud + shift, 0, len(values) - 1)]

    top = np.maximum.reduce([at(low, k) for k in range(-3, _GONE_N)])
    rises = low[loud] - np.minimum.reduce([at(low, k) for k in range(-5, -1)]) > _THUMP_RISE_DB
    falls = np.minimum.reduce([at(low, k) for k in range(4, _GONE_N)]) < low[loud] - _THUMP_RISE_DB
    body = _band_mean(features.bands_db[loud], 300.0, 3000.0)
    cells = loud[rises & falls & (low[loud] >= top) & (low[loud] > body + _THUMP_OVER_BODY_DB)] - 1
    return np.asarray(cells[np.diff(cells, prepend=-_SAME_N - 1) > _SAME_N])
