"""The lane: rides as breakpoints, straight in dB between them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from ridebook.errors import LaneError


class Breakpoint(NamedTuple):
    """One point of a lane: a frame at the pair's rate and a gain in dB."""

    frame_n: int
    gain_db: float


@dataclass(frozen=True)
class Lane:
    """Rides as automation, trim not included.

    Straight in dB between breakpoints, flat before the first and after the last. A lane without
    breakpoints is 0 dB everywhere. Two breakpoints never share a frame.

    Parameters
    ----------
    points : tuple of Breakpoint
        Strictly rising in frame; gains finite.

    Raises
    ------
    LaneError
        The frames do not rise, or a gain is not finite.
    """

    points: tuple[Breakpoint, ...] = ()

    def __post_init__(self) -> None:
        frames, gains = self.frames, self.gains_db
        if len(frames) > 1 and not (np.diff(frames) > 0).all():
            at = int(np.argmin(np.diff(frames) > 0))
            raise LaneError(f"breakpoints must rise in time: frame {frames[at]} is followed by {frames[at + 1]}")
        if not np.isfinite(gains).all():
            at = int(np.argmin(np.isfinite(gains)))
            raise LaneError(f"the gain of the breakpoint at frame {frames[at]} is not a number")

    @classmethod
    def from_pairs(cls, pairs: Iterable[tuple[int, float]]) -> Lane:
        """Lane from (frame, gain in dB) pairs in rising order."""
        return cls(tuple(Breakpoint(int(frame), float(gain)) for frame, gain in pairs))

    @cached_property
    def frames(self) -> np.ndarray:
        """Frames of the breakpoints, int64, shape (points,)."""
        return np.array([point.frame_n for point in self.points], dtype=np.int64)

    @cached_property
    def gains_db(self) -> np.ndarray:
        """Gains of the breakpoints in dB, float64, shape (points,)."""
        return np.array([point.gain_db for point in self.points], dtype=np.float64)

    def gain_db_at(self, frames: Sequence[int] | np.ndarray) -> np.ndarray:
        """Gain in dB at each of `frames`, float64, same shape."""
        at = np.asarray(frames, dtype=np.float64)
        if not self.points:
            return np.zeros_like(at)
        gains_db: np.ndarray = np.interp(at, self.frames, self.gains_db)
        return gains_db

    def block_db(self, start_n: int, stop_n: int) -> np.ndarray:
        """Gain in dB of the frames `start_n` to `stop_n` (not included), float64."""
        return self.gain_db_at(np.arange(start_n, stop_n))
