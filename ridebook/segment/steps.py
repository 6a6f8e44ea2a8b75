"""Steps of the level inside a line: the same sound goes on, louder or softer."""

from __future__ import annotations

import numpy as np

from ridebook.measure.features import VocalFeatures
from ridebook.segment.activity import Activity
from ridebook.segment.change import moving_max

_SIDE_N = 6
_GAP_N = 2
_LEAST_STEP_DB = 3.0
_LARGEST_SPREAD_DB = 0.7
_BELOW_TOP_DB = 40.0
_LEAST_BANDS = 8
_SIDE_RANGE_DB = 2.5
_APART_N = 7


def find_steps(features: VocalFeatures, activity: Activity) -> np.ndarray:
    """Cells at which the level steps by 3 dB or more while the spectrum's shape stays.

    A singer's own crescendo is slower, and a new sound changes some bands more than others: on real singing without
    a step in it this finds next to nothing.

    Returns
    -------
    ndarray
        int64, rising.
    """
    cells = features.cells_n
    reach = _GAP_N + _SIDE_N
    k = np.arange(reach, cells - reach)
    if not len(k):
        return np.zeros(0, np.int64)
    sides = np.lib.stride_tricks.sliding_window_view(features.level_db, _SIDE_N)
    ranges, means = sides.max(axis=1) - sides.min(axis=1), sides.mean(axis=1)
    held = np.maximum(ranges[k - reach], ranges[k + _GAP_N]) < _SIDE_RANGE_DB
    louder = np.abs(means[k + _GAP_N] - means[k - reach]) > 0.8 * _LEAST_STEP_DB
    # Only where the level steps between two held stretches is it worth to look at the bands.
    near = k[held & louder & activity.active[k]]
    offsets = np.arange(_SIDE_N)
    before = features.bands_db[near[:, None] - reach + offsets].mean(axis=1)
    after = features.bands_db[near[:, None] + _GAP_N + offsets].mean(axis=1)
    change = after - before
    heard = np.minimum(before, after) > np.maximum(before, after).max(axis=1, keepdims=True) - _BELOW_TOP_DB
    step = _median(change, heard)
    spread = _median(np.abs(change - step[:, None]), heard)
    is_step = (np.abs(step) >= _LEAST_STEP_DB) & (spread < _LARGEST_SPREAD_DB) & (heard.sum(axis=1) >= _LEAST_BANDS)
    strength = np.zeros(cells)
    strength[near] = np.where(is_step, np.abs(step) - spread, 0.0)
    return np.flatnonzero((strength > 0) & (strength == moving_max(strength, _APART_N)))


def _median(values: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """Return the median of each row over the columns that count (the upper one of two); 0 where none does."""
    ordered = np.sort(np.where(counts, values, np.inf), axis=1)
    middle = ordered[np.arange(len(ordered)), counts.sum(axis=1) // 2]
    return np.where(np.isfinite(middle), middle, 0.0)
