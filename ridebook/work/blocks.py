"""Blocks of a pair as they go into the mix."""

from __future__ import annotations

import numpy as np

from ridebook.audio.gain import GainCurve
from ridebook.audio.stems import StemPair
from ridebook.work.preview import placed


def bed_placed(pair: StemPair, start_n: int, stop_n: int) -> np.ndarray:
    """Give all beds together in the channels of the mix, float64, shape (frames, mix channels)."""
    return np.asarray(sum(placed(bed, pair.mix_layout, start_n, stop_n) for bed in pair.beds))


def voices_placed(pair: StemPair, start_n: int, stop_n: int, centre_law_db: float) -> list[np.ndarray]:
    """Give the vocal and each follower in the channels of the mix, as their files are."""
    stems = (pair.vocal, *pair.followers)
    return [placed(stem, pair.mix_layout, start_n, stop_n, centre_law_db) for stem in stems]


def gain_column(curve: GainCurve, start_n: int, stop_n: int) -> np.ndarray | float:
    """Linear gain of a stretch, to be multiplied with frames: one number where it is constant, else a column."""
    gain = curve.block(start_n, stop_n)
    return gain if isinstance(gain, float) else gain[:, None]
