"""Where things lie in the timeline: time across, strips from top to bottom, values up each strip."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from types import MappingProxyType

import numpy as np


@dataclass(frozen=True, slots=True)
class TimeScale:
    """Frames of the view across the pixels of the strips.

    Parameters
    ----------
    start_n, end_n : float
        Frames at the left and right edge.
    left_px, right_px : float
        Where these edges are.
    rate_hz : int
        The pair's rate.
    """

    start_n: float
    end_n: float
    left_px: float
    right_px: float
    rate_hz: int

    @property
    def frames_per_px(self) -> float:
        """How many frames a pixel holds."""
        return (self.end_n - self.start_n) / max(1.0, self.right_px - self.left_px)

    def x_px(self, frame_n: float | np.ndarray) -> float | np.ndarray:
        """Where a frame lies."""
        return self.left_px + (frame_n - self.start_n) / self.frames_per_px

    def frame_n(self, x_px: float) -> float:
        """Give the frame that lies at `x_px`."""
        return self.start_n + (x_px - self.left_px) * self.frames_per_px

    def on_lattice(self) -> TimeScale:
        """Give the same scale, moved by less than a pixel to a lattice that is fixed to the song.

        A picture can then be moved along by whole pixels.
        """
        start_n = round(self.start_n / self.frames_per_px) * self.frames_per_px
        return replace(self, start_n=start_n, end_n=start_n + (self.end_n - self.start_n))

    def bins_n(
        self, per_px: float = 1.0, left_px: float | None = None, right_px: float | None = None
    ) -> tuple[np.ndarray, float]:
        """Edges of the picture's bins, one a pixel, and where the first one lies.

        The bins lie on a lattice that is fixed to the song, so that a picture that is moved keeps its
        shape instead of shimmering.

        Parameters
        ----------
        per_px : float
            Bins in a pixel; the screen's scale where its pixels are finer than those of the layout.
        left_px, right_px : float, optional
            What the bins cover; all of it where nothing is given.

        Returns
        -------
        tuple of (ndarray, float)
            Frames, float64, shape (bins + 1,), and the position of the first edge in pixels.
        """
        left_px = self.left_px if left_px is None else left_px
        right_px = self.right_px if right_px is None else right_px
        bin_n = self.frames_per_px / per_px
        first = math.floor(self.frame_n(left_px) / bin_n)
        bins = math.ceil((right_px - left_px) * per_px) + 1
        # Rounded, so that the same bins come out in every view at this zoom.
        return np.round((first + np.arange(bins + 1)) * bin_n, 3), self.x_px(first * bin_n)


@dataclass(frozen=True, slots=True)
class ValueScale:
    """Values up a strip.

    Parameters
    ----------
    low, high : float
        Values at the lower and upper edge.
    top_px, bottom_px : float
        Where these edges are.
    """

    low: float
    high: float
    top_px: float
    bottom_px: float

    @property
    def per_px(self) -> float:
        """How much of the value a pixel holds."""
        return (self.high - self.low) / max(1.0, self.bottom_px - self.top_px)

    def y_px(self, value: float | np.ndarray) -> float | np.ndarray:
        """Where a value lies."""
        return self.bottom_px - (value - self.low) / self.per_px

    def value(self, y_px: float) -> float:
        """Give the value that lies at `y_px`."""
        return self.low + (self.bottom_px - y_px) * self.per_px


@dataclass(frozen=True, slots=True)
class Strip:
    """One strip of the timeline, from `top_px` to `bottom_px`."""

    name: str
    top_px: int
    bottom_px: int

    @property
    def height_px(self) -> int:
        """Height in pixels."""
        return self.bottom_px - self.top_px

    @property
    def middle_px(self) -> float:
        """Middle in pixels."""
        return (self.top_px + self.bottom_px) / 2


# Name, least height, share of what is left over, gap above; in the pixels of the look's drawing.
_STRIPS = (
    ("overview", 22, 0.0, 8),
    ("words", 44, 0.0, 6),
    ("vocal", 40, 0.14, 10),
    ("bed", 32, 0.10, 6),
    ("loudness", 72, 0.24, 12),
    ("balance", 64, 0.18, 12),
    ("lane", 104, 0.34, 12),
    ("ruler", 20, 0.0, 0),
)


@lru_cache(maxsize=64)
def strips(height_px: int, scale: float) -> Mapping[str, Strip]:
    """All strips, by name, in a timeline of this height.

    Parameters
    ----------
    height_px : int
        Height of the whole timeline.
    scale : float
        Text size against the size that the look was drawn at.
    """
    fixed = sum(least + gap for _, least, _, gap in _STRIPS) * scale
    left_over = max(0.0, height_px - fixed)
    made = {}
    y = 0.0
    for name, least, share, gap in _STRIPS:
        top = y + gap * scale
        y = top + least * scale + share * left_over
        made[name] = Strip(name, round(top), round(y))
    return MappingProxyType(made)


def tick_step_s(seconds_per_px: float, apart_px: float) -> float:
    """Step of the time scale's labels, in seconds: the smallest round one that leaves `apart_px` between them."""
    least = seconds_per_px * apart_px
    for step in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800):
        if step >= least:
            return float(step)
    return 3600.0


def value_steps(low: float, high: float, height_px: float, apart_px: float) -> list[float]:
    """Round values to rule and label a strip at, at least `apart_px` apart."""
    least = (high - low) / max(1.0, height_px) * apart_px
    step = next((step for step in (1.0, 2.0, 3.0, 6.0, 12.0, 24.0) if step >= least), 48.0)
    return [k * step for k in range(math.ceil(low / step), math.floor(high / step) + 1)]
