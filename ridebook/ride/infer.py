"""A lane inferred from two renders of the same vocal: their ratio over time, told by few breakpoints.

Where the voice is well over the steps of the files' numbers, the ratio of two samples is the gain at that very frame.
The loudest sample of each short bin is taken; a polyline through these that stays within a tolerance is what was drawn,
and between two stretches of voice, where nothing tells, it is straight.
"""

from __future__ import annotations

import numpy as np

from ridebook.ride.fit import fewest_points
from ridebook.ride.lane import Lane

BIN_N = 8
"""Frames of a bin: a corner of the lane is placed to within one, 0.04 dB on the steepest ramp of a word at 48 kHz."""

CELLS_N = (64, 512)
"""Frames of a cell, where the voice is so quiet that only many samples together tell the gain, or very many."""

FULL_SCALE = 0.9999

SURE_DB = 0.02
"""Samples whose ratio rounding could change by more than this are passed over."""

FIT_DB = 0.025
JOIN_DB = 0.02
"""How far the polyline may leave the ratios, and how much further to save breakpoints: 0.065 dB together with
`SURE_DB`, under the 0.1 dB that the inferred lane may be off where the voice sounds."""

JOINED_N = 400
"""More corners than this are no rides that a hand drew, and are left as they are: joining them would take minutes."""


class GainTrace:
    """Gathers the gain between two signals that are fed block by block.

    Parameters
    ----------
    step_before, step_after : float
        Largest error of a sample of each, of full scale: rounding and dither.
    """

    def __init__(self, step_before: float, step_after: float) -> None:
        self._steps = step_before, step_after
        self._frames: list[np.ndarray] = []
        self._gains_db: list[np.ndarray] = []
        self._at_n = 0
        self._turned = 0

    def feed(self, before: np.ndarray, after: np.ndarray) -> None:
        """Take the same frames of both, float, shape (frames, channels); all blocks but the last whole cells long."""
        start_n, self._at_n = self._at_n, self._at_n + len(before)
        if not len(before):
            return
        short = -len(before) % CELLS_N[-1]
        one, two = (np.pad(block.astype(np.float64), ((0, short), (0, 0))) for block in (before, after))
        height = np.abs(one)
        channel = height.argmax(axis=1)
        bins = height[np.arange(len(one)), channel].reshape(-1, BIN_N)
        best = np.arange(len(bins)) * BIN_N + bins.argmax(axis=1)
        first, second = one[best, channel[best]], two[best, channel[best]]
        gain_db, error_db = self._gain(first, second, np.abs(first), np.abs(second))
        # What is cut off at full scale tells nothing.
        sure = (error_db < SURE_DB) & (np.maximum(np.abs(first), np.abs(second)) < FULL_SCALE)
        told = [(best[sure], gain_db[sure])]
        self._turned += int((np.sign(first[sure]) != np.sign(second[sure])).sum())
        known = np.asarray(sure.reshape(-1, CELLS_N[0] // BIN_N).any(axis=1))
        for cell_n in CELLS_N:
            known = np.asarray(known.reshape(len(one) // cell_n, -1).any(axis=1))
            told.append(self._of_cells(one, two, cell_n, known))
        frames = np.concatenate([part for part, _ in told])
        order = np.argsort(frames, kind="stable")
        self._frames.append(start_n + frames[order])
        self._gains_db.append(np.concatenate([part for _, part in told])[order])

    def _of_cells(
        self, one: np.ndarray, two: np.ndarray, cell_n: int, known: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Gains of whole cells where no part is `known`, which is updated: together their samples' errors cancel."""
        quiet = np.flatnonzero(~known)
        cells_one, cells_two = (block.reshape(len(known), -1)[quiet] for block in (one, two))
        energy = np.square(cells_one).sum(axis=1)
        product = (cells_one * cells_two).sum(axis=1)
        root = np.sqrt(energy)
        with np.errstate(divide="ignore", invalid="ignore"):
            gain_db, error_db = self._gain(energy, product, root, np.abs(product) / root)
            middle = (np.square(cells_one) @ np.repeat(np.arange(cell_n), one.shape[1])) / energy
        highest = np.maximum(np.abs(cells_one), np.abs(cells_two)).max(axis=1, initial=0.0)
        sure = (error_db < SURE_DB) & (highest < FULL_SCALE)
        known[quiet[sure]] = True
        self._turned += int((product[sure] < 0.0).sum())
        return (quiet * cell_n)[sure] + np.rint(middle[sure]).astype(np.int64), gain_db[sure]

    def _gain(
        self, one: np.ndarray, two: np.ndarray, height_one: np.ndarray, height_two: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Gain in dB from one to two, and its largest error; infinite where it cannot be told."""
        with np.errstate(divide="ignore", invalid="ignore"):
            gain_db = 20.0 * np.log10(np.abs(two) / np.abs(one))
            error_db = 20.0 / np.log(10.0) * (self._steps[0] / height_one + self._steps[1] / height_two)
        return gain_db, np.where(np.isfinite(gain_db), error_db, np.inf)

    @property
    def known_n(self) -> int:
        """How many gains are known."""
        return sum(map(len, self._frames))

    @property
    def turned(self) -> float:
        """Part of them at which the polarity was turned over, 0 to 1."""
        return self._turned / max(self.known_n, 1)

    def lane(self) -> Lane:
        """Lane through all gains that are known, trim included; empty where none is."""
        if not self.known_n:
            return Lane()
        frames, gains_db = np.concatenate(self._frames), np.concatenate(self._gains_db)
        corners = _corners(frames.astype(np.float64), gains_db, FIT_DB)
        at, wanted = frames[corners], gains_db[corners]
        if len(at) > JOINED_N:
            return Lane.from_pairs(zip(at.tolist(), wanted.tolist()))
        lane = fewest_points(at, wanted - JOIN_DB, wanted + JOIN_DB, wanted)
        return lane if lane.points else Lane.from_pairs([(0, 0.0)])


def _corners(x: np.ndarray, y: np.ndarray, tolerance: float) -> np.ndarray:
    """Numbers of points that a polyline needs to stay within a tolerance of all (Douglas and Peucker, 1973)."""
    kept = {0, len(x) - 1}
    stack = [(0, len(x) - 1)]
    while stack:
        first, last = stack.pop()
        if last - first < 2:
            continue
        inner = slice(first + 1, last)
        chord = y[first] + (y[last] - y[first]) / (x[last] - x[first]) * (x[inner] - x[first])
        away = np.abs(y[inner] - chord)
        worst = int(away.argmax())
        if away[worst] > tolerance:
            middle = first + 1 + worst
            kept.add(middle)
            stack += [(first, middle), (middle, last)]
    return np.array(sorted(kept))
