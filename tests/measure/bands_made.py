"""Band powers of made voices and beds, without a file between."""

from __future__ import annotations

import numpy as np

from ridebook.measure.audibility import BANDWIDTH_DB, NORMAL_SPEECH_DB
from ridebook.measure.bands import BELOW_N, COLUMNS_N, PairBands, StemBands
from ridebook.measure.measures import grid_points_n

RATE_HZ = 48_000
CELL_N = RATE_HZ // 100


def stem(levels_db: np.ndarray) -> StemBands:
    """A stem whose cells have these spectrum levels at an offset of 0, shape (cells, 18); nothing under 141 Hz."""
    power = np.zeros((len(levels_db), COLUMNS_N), np.float32)
    power[:, BELOW_N:] = 10 ** ((np.asarray(levels_db) + BANDWIDTH_DB) / 10)
    frames_n = len(levels_db) * CELL_N
    assert len(grid_points_n(RATE_HZ, frames_n)) == len(levels_db) + 1
    return StemBands(RATE_HZ, frames_n, power)


def speech(cells_n: int, level_db: float = 0.0) -> np.ndarray:
    """Spectrum levels of normal speech, `level_db` louder, in each cell."""
    return np.tile(np.array(NORMAL_SPEECH_DB) + level_db, (cells_n, 1))


def pair(voice_db: np.ndarray, *beds_db: np.ndarray) -> PairBands:
    """A voice and its beds, whose powers add up."""
    beds = tuple(stem(bed_db) for bed_db in beds_db)
    bed = StemBands(RATE_HZ, beds[0].frames_n, np.sum([each.power for each in beds], axis=0, dtype=np.float32))
    return PairBands(stem(voice_db), beds, beds[0] if len(beds) == 1 else bed)
