"""Gain over time as the samples see it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ridebook.errors import LaneError

_NEPER_PER_DB = np.log(10.0) / 20.0
_FINE_N = 512


@dataclass(frozen=True, eq=False)
class GainCurve:
    """Gain as breakpoints, straight in dB between them, flat before the first and after the last.

    Parameters
    ----------
    frames : ndarray
        int64, shape (points,), strictly rising frames of the vocal. Without points the gain is 0 dB.
    gains_db : ndarray
        float64, shape (points,), finite; the whole gain in dB, trim included.

    Raises
    ------
    LaneError
        The frames do not rise, the gains are not finite, or the two differ in length.
    """

    frames: np.ndarray
    gains_db: np.ndarray

    def __post_init__(self) -> None:
        frames = np.asarray(self.frames, dtype=np.int64)
        gains_db = np.asarray(self.gains_db, dtype=np.float64)
        if frames.ndim != 1 or frames.shape != gains_db.shape:
            raise LaneError(f"{frames.size} frames of breakpoints were given with {gains_db.size} gains")
        if not (np.diff(frames) > 0).all():
            at = int(np.argmin(np.diff(frames) > 0))
            raise LaneError(f"breakpoints must rise in time: frame {frames[at]} is followed by {frames[at + 1]}")
        if not np.isfinite(gains_db).all():
            at = int(np.argmin(np.isfinite(gains_db)))
            raise LaneError(f"the gain of the breakpoint at frame {frames[at]} is not a number")
        object.__setattr__(self, "frames", frames)
        object.__setattr__(self, "gains_db", gains_db)

    def block(self, start_n: int, stop_n: int) -> float | np.ndarray:
        """Factors for the frames `start_n` to `stop_n` (not included).

        Returns
        -------
        float or ndarray
            One factor where the gain is the same in the whole block, otherwise float64, shape (frames,).
            Within 1e-6 dB of the curve.
        """
        pieces = list(self.pieces(start_n, stop_n))
        factors = {factor for _, _, factor in pieces if isinstance(factor, float)}
        if len(factors) == 1 and all(isinstance(factor, float) for _, _, factor in pieces):
            return factors.pop()
        out = np.empty(max(stop_n - start_n, 0))
        for from_n, to_n, factor in pieces:
            out[from_n - start_n : to_n - start_n] = factor
        return out

    def pieces(
        self, start_n: int, stop_n: int, repeat_n: int = 1, scratch: np.ndarray | None = None
    ) -> Iterator[tuple[int, int, float | np.ndarray]]:
        """Cut the frames `start_n` to `stop_n` (not included) at the breakpoints.

        A straight line in dB is a geometric series, so that a moving piece costs one multiplication a frame.

        Parameters
        ----------
        start_n, stop_n : int
            Frames of the vocal.
        repeat_n : int
            How often each factor of a moving piece is repeated, for interleaved channels.
        scratch : ndarray, optional
            float64, flat, of at least ``scratch_samples_n((stop_n - start_n) * repeat_n, repeat_n)`` samples, in which
            the factors of each piece in turn are made; a fresh array where it is left out.

        Yields
        ------
        tuple
            First frame, frame after the last, and the factor: one float where the gain does not move, otherwise
            float64, shape (frames * repeat_n,).
        """
        if not len(self.frames):
            if start_n < stop_n:
                yield start_n, stop_n, 1.0
            return
        at_n = start_n
        while at_n < stop_n:
            after = int(np.searchsorted(self.frames, at_n, side="right"))
            before = max(after - 1, 0)
            to_n = min(stop_n, int(self.frames[after])) if after < len(self.frames) else stop_n
            from_db, to_db = float(self.gains_db[before]), float(self.gains_db[min(after, len(self.frames) - 1)])
            if from_db == to_db:
                yield at_n, to_n, 10.0 ** (from_db / 20.0)
            else:
                slope_db = (to_db - from_db) / int(self.frames[after] - self.frames[before])
                first_db = from_db + slope_db * int(at_n - self.frames[before])
                yield at_n, to_n, _geometric(first_db, slope_db, to_n - at_n, repeat_n, scratch)
            at_n = to_n


def scratch_samples_n(samples_n: int, repeat_n: int) -> int:
    """Length of the scratch array for pieces of up to `samples_n` factors, repeats counted."""
    return samples_n + _FINE_N * repeat_n


def _geometric(
    first_db: float, slope_db: float, length_n: int, repeat_n: int, scratch: np.ndarray | None
) -> np.ndarray:
    """Factors of a line in dB, each repeated, float64, shape (length_n * repeat_n,)."""
    fine = np.repeat(np.exp(_NEPER_PER_DB * slope_db * np.arange(_FINE_N)), repeat_n)
    coarse = np.exp(_NEPER_PER_DB * (first_db + slope_db * np.arange(0, length_n, _FINE_N)))
    table_n = len(coarse) * len(fine)
    out = np.empty(table_n) if scratch is None else scratch[:table_n]
    np.multiply.outer(coarse, fine, out=out.reshape(len(coarse), len(fine)))
    return out[: length_n * repeat_n]
