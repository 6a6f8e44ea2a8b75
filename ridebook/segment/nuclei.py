"""Syllable nuclei: the loud middles of vowels."""

from __future__ import annotations

import numpy as np

from ridebook.measure.features import VocalFeatures, band_edges_hz
from ridebook.segment.activity import Activity, find_activity, moving_mean
from ridebook.segment.change import moving_max

_LOWEST_HZ = 150.0
_HIGHEST_HZ = 4500.0
_PROMINENCE_DB = 1.0
_TOP_DB = 3.0
_BELOW_LOUD_DB = 20.0
_LEAST_PERIODICITY = 0.3
_LEAST_DISTANCE_N = 5


def sonority_db(features: VocalFeatures, activity: Activity) -> np.ndarray:
    """How much of a vowel each cell is: amplitudes of the bands between 150 Hz and 4.5 kHz summed, smoothed; dB.

    Amplitudes instead of powers make a sound with several formants count for more than a nasal with one. Chosen on
    synthesized speech.
    """
    centres = band_edges_hz()[1:-1]
    bands = features.bands_db[:, (centres > _LOWEST_HZ) & (centres < _HIGHEST_HZ)]
    bands = np.maximum(bands, np.float32(activity.voice_db - 45.0))
    amplitude = np.exp(bands * np.float32(np.log(10.0) / 20.0)).mean(axis=1, dtype=np.float64)
    return moving_mean(moving_mean(20.0 * np.log10(amplitude), 3), 3)


def tops(curve: np.ndarray, prominence: float) -> np.ndarray:
    """Cells of the maxima that stand at least `prominence` above the valleys to both sides; int64."""
    found: list[int] = []
    values = curve.tolist()
    if not values:
        return np.zeros(0, np.int64)
    top, bottom = 0, 0
    rising = False
    for k, value in enumerate(values):
        if rising:
            if value > values[top]:
                top = k
            elif value < values[top] - prominence:
                found.append(top)
                rising, bottom = False, k
        elif value < values[bottom]:
            bottom = k
        elif value > values[bottom] + prominence:
            rising, top = True, k
    return np.array(found, np.int64)


def nuclei(features: VocalFeatures, activity: Activity | None = None) -> np.ndarray:
    """Frames of the syllable nuclei of a take.

    Parameters
    ----------
    features : VocalFeatures
        The take.
    activity : Activity, optional
        Its activity, where it is known already.

    Returns
    -------
    ndarray
        int64, shape (nuclei,), rising: the middle of what lies within 3 dB of each top of the sonority.
    """
    activity = find_activity(features) if activity is None else activity
    cells = nuclei_cells(features, activity)
    return np.round((cells + 0.5) * features.rate_hz / 100.0).astype(np.int64)


def nuclei_cells(features: VocalFeatures, activity: Activity) -> np.ndarray:
    """Cells of the nuclei, float64 (a half may stand for the border of two cells)."""
    if not activity.active.any():
        return np.zeros(0)
    curve = sonority_db(features, activity)
    loud = np.percentile(curve[activity.active], 90)
    found = tops(curve, _PROMINENCE_DB)
    periodic = moving_max(features.periodicity, 3)[found] > _LEAST_PERIODICITY
    found = found[activity.active[found] & (curve[found] > loud - _BELOW_LOUD_DB) & (periodic | activity.is_whispered)]
    middles: list[float] = []
    for top in found.tolist():
        start, end = top, top
        while start > 0 and curve[start - 1] > curve[top] - _TOP_DB:
            start -= 1
        while end < len(curve) - 1 and curve[end + 1] > curve[top] - _TOP_DB:
            end += 1
        middle = (start + end) / 2
        if not middles or middle - middles[-1] >= _LEAST_DISTANCE_N:
            middles.append(middle)
    return np.array(middles)
