"""How well each cell of a vocal fits each class of sounds: what an alignment listens to, in any language."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from importlib import resources
from itertools import pairwise

import numpy as np

from ridebook.measure.features import FLOOR_DB, VocalFeatures
from ridebook.segment.activity import Activity

CLASSES = ("-", "S", "F", "T", "N", "L", "A", "E", "I", "O", "U", "V")
"""Pause, and the sounds of `ridebook.segment.syllables`; V is the murmured vowel here."""

STATES = ("-", "S", "F", "T", "N", "L", "A", "E", "I", "O", "U", "V", "?")
"""What a word's sounds may ask for; V is a vowel of any place here, ? a consonant of any kind."""

_BELOW_FRAME_DB = 40.0
_BELOW_VOICE_DB = 55.0
_GROUP_EDGES = (0, 5, 10, 15, 20, 25, 30)
_PERIODICITY_WEIGHT = 20.0
_LEAST_PERIODICITY = 0.6
_LEAST_VOICED_N = 30

TEMPERATURE = 0.3
"""Log odds of a cell count by this: neighbouring cells say much the same. Chosen on singing."""

VOWEL_DOUBT = 0.7
"""Share of a vowel that any vowel may stand for: sung vowels wander. Chosen on singing."""

_NOISE_PERCENTILE = 10.0
_OVER_SUBTRACTED = 1.5
_NOISE_LEFT_DB = -20.0

LEAST_LOG = -5.0
_LEAST_LOG_IN_PAUSE = -3.0


def without_noise(features: VocalFeatures) -> VocalFeatures:
    """Features whose bands lack what lies under the voice all the time: noise of the take, and steady bleed.

    Spectral subtraction (Boll, "Suppression of acoustic noise in speech using spectral subtraction", IEEE Trans. ASSP
    27 (1979), 113-120, from memory) with the noise as the tenth percentile of each band's power over the take; what to
    take off and to leave was chosen on singing and speech with noise and bleed 10 dB under them. Level and periodicity
    stay: with the level cleaned as well, singing was laid worse.
    """
    if not features.cells_n:
        return features
    power = np.exp(features.bands_db * np.float32(np.log(10.0) / 10.0))
    noise = np.percentile(power, _NOISE_PERCENTILE, axis=0).astype(np.float32)
    least = np.maximum(noise * np.float32(10.0 ** (_NOISE_LEFT_DB / 10.0)), np.float32(10.0 ** (FLOOR_DB / 10.0)))
    cleaned = np.maximum(power - np.float32(_OVER_SUBTRACTED) * noise, least)
    return replace(features, bands_db=np.float32(10.0) * np.log10(cleaned))


def sound_columns(features: VocalFeatures, activity: Activity) -> np.ndarray:
    """Return what the classes are told by: float32, shape (cells, 42).

    Shape of the spectrum less its mean over the take's voiced cells (which takes the singer, the microphone and the
    equaliser out of it), level below the voice, periodicity, and change of level and spectrum over 60 to 200 ms.
    """
    bands = np.maximum(features.bands_db, features.bands_db.max(axis=1, keepdims=True) - np.float32(_BELOW_FRAME_DB))
    bands = np.maximum(bands, np.float32(activity.voice_db - _BELOW_VOICE_DB))
    level = np.clip(features.level_db - np.float32(activity.voice_db), -45.0, 6.0)

    def at(values: np.ndarray, shift: int) -> np.ndarray:
        return values[np.clip(np.arange(len(values)) + shift, 0, len(values) - 1)]

    groups = np.stack([bands[:, a:b].mean(axis=1) for a, b in pairwise(_GROUP_EDGES)], axis=1)
    columns = np.stack(
        [
            level,
            np.float32(_PERIODICITY_WEIGHT) * features.periodicity,
            at(level, 3) - at(level, -3),
            level - (at(level, 5) + at(level, -5)) / 2,
            level - (at(level, 10) + at(level, -10)) / 2,
        ],
        axis=1,
    )
    shape = bands - bands.mean(axis=1, keepdims=True)
    voiced = activity.active & (features.periodicity > _LEAST_PERIODICITY)
    shape -= shape[voiced if voiced.sum() >= _LEAST_VOICED_N else activity.active].mean(axis=0)
    return np.concatenate([shape, columns, at(groups, 3) - at(groups, -3)], axis=1).astype(np.float32)


@cache
def _weights() -> tuple[np.ndarray, np.ndarray]:
    """Weights, shape (classes, columns), and biases, as tools/fit_sound_classes.py fits them."""
    text = resources.files("ridebook.segment").joinpath("align_sounds.json").read_text("utf-8")
    held = json.loads(text)
    return np.array(held["weights"], np.float32), np.array(held["biases"], np.float32)


def class_odds(features: VocalFeatures, activity: Activity) -> np.ndarray:
    """Log odds of each class but for a sum that is common to a row; float32, shape (cells, 12).

    Linear discriminants (classes that share one covariance), fitted to synthesized speech of ten languages with noise,
    bleed and reverberation; chosen over larger models since what sets sung sounds apart is plain in the spectrum.
    """
    weights, biases = _weights()
    return np.asarray(sound_columns(features, activity) @ weights.T + biases)


def state_fits(odds: np.ndarray, active: np.ndarray) -> np.ndarray:
    """Log of how well each cell fits each of `STATES`; float32, shape (cells, 13), from `LEAST_LOG` to about 0.

    Parameters
    ----------
    odds : ndarray
        From `class_odds`.
    active : ndarray
        bool, shape (cells,). Where the voice sounds: elsewhere only pauses fit, and what may be silent.
    """
    scaled = odds * np.float32(TEMPERATURE)
    scaled = np.exp(scaled - scaled.max(axis=1, keepdims=True))
    p = dict(zip(CLASSES, (scaled / scaled.sum(axis=1, keepdims=True)).T))
    vowel = p["A"] + p["E"] + p["I"] + p["O"] + p["U"] + p["V"]
    fits = {c: (1 - VOWEL_DOUBT) * p[c] + VOWEL_DOUBT * vowel for c in "AEIOU"}
    fits |= {
        "-": np.where(active, p["-"], 1.0),
        "S": p["S"],
        "F": p["F"] + 0.5 * p["-"] * active + 0.3 * p["T"],
        "T": p["T"] + 0.7 * p["-"] + 0.3 * p["F"],
        "N": p["N"] + 0.3 * p["L"],
        "L": p["L"] + 0.3 * p["N"] + 0.2 * vowel,
        "V": vowel,
        "?": p["S"] + p["F"] + p["T"] + p["N"] + p["L"] + 0.5 * vowel,
    }
    logs = np.log(np.maximum(np.stack([fits[c] for c in STATES], axis=1), np.exp(LEAST_LOG)))
    sounding = np.array([c not in "-TF?S" for c in STATES])
    silent = ~active[:, None] & sounding
    return np.asarray(np.where(silent, np.minimum(logs, _LEAST_LOG_IN_PAUSE), logs), np.float32)
