"""Sibilants and breaths: what a ride must not bring up."""

from __future__ import annotations

import numpy as np

from ridebook.measure.features import VocalFeatures, band_edges_hz
from ridebook.segment.activity import SILENCE_DB, Activity, runs

_SIBILANT_FROM_HZ = 4200.0
_BODY_HZ = (250.0, 3000.0)
_SIBILANT_OVER_BODY_DB = -6.0
_SIBILANT_UNDER_VOICE_DB = 24.0
_SHORTEST_SIBILANT_N = 5
_BRIGHT_OVER_BODY_DB = 2.0
_LOUD_SIBILANT_UNDER_VOICE_DB = 16.0
_VOICED_SIBILANT_PERIODICITY = 0.35

_BREATH_PERIODICITY = 0.5
_BREATH_OVER_FLOOR_DB = 6.0
_BREATH_UNDER_VOICE_DB = (8.0, 48.0)
_SHORTEST_BREATH_N = 12
_BREATH_SWELL_DB = 4.0


def _joined(mask: np.ndarray, hole_n: int) -> np.ndarray:
    """Mask with its holes of at most `hole_n` cells filled."""
    filled = mask.copy()
    for start, end in runs(~mask):
        if end - start <= hole_n and start > 0 and end < len(mask):
            filled[start:end] = True
    return filled


def _sum_db(features: VocalFeatures, low_hz: float, high_hz: float) -> np.ndarray:
    centres = band_edges_hz()[1:-1]
    chosen = features.bands_db[:, (centres >= low_hz) & (centres <= high_hz)]
    power = np.exp(chosen * np.float32(np.log(10.0) / 10.0)).sum(axis=1)
    return np.asarray(10.0 * np.log10(power + 1e-12), np.float64)


def find_sibilants(features: VocalFeatures, activity: Activity) -> np.ndarray:
    """Stretches of s-like noise: over 4.2 kHz not far less power than in the voice's body under 3 kHz.

    Plosives are left out by their length, f and th by their level. Chosen on synthesized speech.

    Returns
    -------
    ndarray
        int64, shape (sibilants, 2): first cell and the cell after the last. None where the take has hardly a
        band over 4.2 kHz (rates under 12 kHz).
    """
    if not activity.active.any() or features.rate_hz < 12000:
        return np.zeros((0, 2), np.int64)
    hiss = _sum_db(features, _SIBILANT_FROM_HZ, 20000.0)
    body = _sum_db(features, *_BODY_HZ)
    mask = (hiss - body > _SIBILANT_OVER_BODY_DB) & (hiss > activity.voice_db - _SIBILANT_UNDER_VOICE_DB)
    # What is neither bright, nor loud, nor voiced may be a breath.
    loud = hiss > activity.voice_db - _LOUD_SIBILANT_UNDER_VOICE_DB
    mask &= (hiss - body > _BRIGHT_OVER_BODY_DB) | loud | (features.periodicity > _VOICED_SIBILANT_PERIODICITY)
    found = runs(_joined(mask, 1))
    return np.asarray(found[found[:, 1] - found[:, 0] >= _SHORTEST_SIBILANT_N])


def find_breaths(features: VocalFeatures, activity: Activity, sibilants: np.ndarray) -> np.ndarray:
    """Breaths: noise over the take's floor and well under the voice, that swells up and stands between notes.

    Returns
    -------
    ndarray
        int64, shape (breaths, 2): first cell and the cell after the last. None in a whispered take, where breath
        and voice are the same.
    """
    none = np.zeros((0, 2), np.int64)
    if not activity.active.any() or activity.is_whispered:
        return none
    level = activity.level_db
    resting = level[(level > SILENCE_DB) & ~activity.active]
    floor = float(np.percentile(resting, 20)) if len(resting) > 10 else activity.voice_db - 60.0
    hissing = np.zeros(len(level), bool)
    for start, end in sibilants:
        hissing[start:end] = True
    nearest, farthest = _BREATH_UNDER_VOICE_DB
    low = max(floor + _BREATH_OVER_FLOOR_DB, activity.voice_db - farthest)
    mask = (features.periodicity < _BREATH_PERIODICITY) & ~hissing & (level > low)
    found = []
    for start, end in runs(_joined(mask, 3)):
        top = start + int(level[start:end].argmax())
        swells = level[max(0, start - 10) : top + 1].min() < level[top] - _BREATH_SWELL_DB
        if end - start >= _SHORTEST_BREATH_N and swells and level[top] < activity.voice_db - nearest:
            found.append((start, end))
    return np.array(found, np.int64).reshape(-1, 2)
