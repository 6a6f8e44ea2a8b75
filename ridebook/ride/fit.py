"""The sparse fit: the fewest breakpoints with which a lane passes through what is wanted.

What is wanted is a row of gates: a frame, a lowest and a highest gain. Between two gates any straight line will do, so
that a stretch with constant bounds is two gates, and a gap in which the lane is free is what lies between them.
Breakpoints may stand at gates alone, as only there a move may begin or end. Among all lanes that pass all gates, the
one found has the fewest breakpoints, and of those with its breakpoints one that lies near the middle gains wanted.

The count is the least possible: level by level the gains that can be reached at each gate with 1, 2, 3, ...
breakpoints are kept as exact intervals (Imai & Iri, Computational-geometric methods for polygonal approximations of a
curve, 1986, for the idea; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ridebook.errors import LaneError
from ridebook.ride.lane import Breakpoint, Lane

_ROUNDING_DB = 1e-9

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class _Reach:
    """Gains that can be had at a gate, and the gate and gains of the breakpoint before that they come from."""

    low_db: float
    high_db: float
    from_gate: int
    from_low_db: float
    from_high_db: float


def fewest_points(
    frames: np.ndarray,
    low_db: np.ndarray,
    high_db: np.ndarray,
    wanted_db: np.ndarray,
    weights: np.ndarray | None = None,
) -> Lane:
    """Lane with the fewest breakpoints that passes all gates.

    Parameters
    ----------
    frames : ndarray
        int64, shape (gates,), strictly rising.
    low_db, high_db : ndarray
        float64, shape (gates,). Lowest and highest gain at each gate, ``low_db <= high_db``.
    wanted_db : ndarray
        float64, shape (gates,). Gain wanted at each gate; of lanes with the same breakpoints the nearest is taken.
    weights : ndarray, optional
        float64, shape (gates,), positive. How much a gate's wanted gain counts; all alike without it.

    Returns
    -------
    Lane
        The lane, its breakpoints at gates; empty where 0 dB passes all gates or there are none.

    Raises
    ------
    LaneError
        The gates do not rise, or one is closed.
    """
    if len(frames) > 1 and not (np.diff(frames) > 0).all():
        raise LaneError("the gates of a fit must rise in time")
    if not (low_db <= high_db).all():
        at = int(np.argmin(low_db <= high_db))
        raise LaneError(f"no gain passes at frame {frames[at]}: {low_db[at]} to {high_db[at]} dB")
    if not len(frames) or ((low_db <= 0.0) & (high_db >= 0.0)).all():
        return Lane()
    at_n = frames.astype(np.float64).tolist()
    low, high = low_db.tolist(), high_db.tolist()
    path = _fewest(at_n, low, high)
    gates = np.array([gate for gate, _ in path])
    gains_db = np.array([gain for _, gain in path])
    nearest_db = _nearest(frames, frames[gates], wanted_db, weights)
    gains_db = _toward(frames, low_db, high_db, frames[gates], gains_db, nearest_db)
    return Lane(tuple(map(Breakpoint, frames[gates].tolist(), gains_db.tolist())))


def _fewest(at_n: list[float], low: list[float], high: list[float]) -> list[tuple[int, float]]:
    """Gates of a lane with the fewest breakpoints, and gains that pass."""
    gates_n = len(at_n)
    # After its last breakpoint the lane is flat: gains that may be held from a gate to the end.
    last: list[Interval] = [(0.0, -1.0)] * gates_n
    held_low, held_high = -np.inf, np.inf
    for k in range(gates_n - 1, -1, -1):
        held_low, held_high = max(held_low, low[k]), min(held_high, high[k])
        last[k] = (held_low, held_high)
    levels: list[dict[int, list[_Reach]]] = [{}]
    held_low, held_high = -np.inf, np.inf
    for k in range(gates_n):
        held_low, held_high = max(held_low, low[k]), min(held_high, high[k])
        if held_low > held_high:
            break
        levels[0][k] = [_Reach(held_low, held_high, -1, held_low, held_high)]
    known: dict[int, list[Interval]] = {
        k: [(reach.low_db, reach.high_db) for reach in reaches] for k, reaches in levels[0].items()
    }
    while True:
        for k, reaches in levels[-1].items():
            for reach in reaches:
                end_low, end_high = max(reach.low_db, last[k][0]), min(reach.high_db, last[k][1])
                if end_low <= end_high:
                    return _traced(levels, at_n, low, high, k, (end_low + end_high) / 2.0, reach)
        following: dict[int, list[_Reach]] = {}
        for i, reaches in levels[-1].items():
            for reach in reaches:
                _extend(at_n, low, high, i, reach, known, following)
        levels.append(following)


def _extend(
    at_n: list[float],
    low: list[float],
    high: list[float],
    i: int,
    source: _Reach,
    known: dict[int, list[Interval]],
    following: dict[int, list[_Reach]],
) -> None:
    """Add what can be reached from gate `i` by one straight piece, as far as it is new."""
    a, b = source.low_db, source.high_db
    for k, (reach_low, reach_high) in _seen(at_n, low, high, i, a, b):
        if any(
            old_low <= reach_low + _ROUNDING_DB and reach_high <= old_high + _ROUNDING_DB
            for old_low, old_high in known.get(k, ())
        ):
            continue
        following.setdefault(k, []).append(_Reach(reach_low, reach_high, i, a, b))
        known[k] = _joined([*known.get(k, []), (reach_low, reach_high)])


def _joined(intervals: list[Interval]) -> list[Interval]:
    intervals.sort()
    joined = [intervals[0]]
    for low, high in intervals[1:]:
        if low <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], high))
        else:
            joined.append((low, high))
    return joined


def _seen(
    at_n: list[float], low: list[float], high: list[float], i: int, a: float, b: float
) -> list[tuple[int, Interval]]:
    """Gains at each later gate that a straight piece from gate `i`, gains `a` to `b`, can have.

    The highest gain at gate k is the least, over two gates c < d, that a line through the low end of c and the high
    end of d gives there; the lowest likewise. Only the corners of the hull of each side can bind.
    """
    found: list[tuple[int, Interval]] = []
    floors: list[tuple[float, float]] = [(at_n[i], a)]
    ceilings: list[tuple[float, float]] = [(at_n[i], b)]
    # Lines that bind so far: (position, gain, slope) of the steepest and the flattest that still pass.
    steepest: tuple[float, float, float] | None = None
    flattest: tuple[float, float, float] | None = None
    for k in range(i + 1, len(at_n)):
        x = at_n[k]
        top, bottom = high[k], low[k]
        if steepest is not None and flattest is not None:
            top = min(top, steepest[1] + steepest[2] * (x - steepest[0]))
            bottom = max(bottom, flattest[1] + flattest[2] * (x - flattest[0]))
            if bottom > top:
                break
        found.append((k, (bottom, top)))
        # The new gate's ends, against the corners of the other side, may bind from here on.
        steepest = _tighter(floors, x, high[k], steepest, 1.0)
        flattest = _tighter(ceilings, x, low[k], flattest, -1.0)
        _push(floors, x, low[k], 1.0)
        _push(ceilings, x, high[k], -1.0)
    return found


def _tighter(
    corners: list[tuple[float, float]], x: float, y: float, line: tuple[float, float, float] | None, sign: float
) -> tuple[float, float, float] | None:
    best = min(sign * (y - corner[1]) / (x - corner[0]) for corner in corners) * sign
    if line is None or sign * (y - (line[1] + line[2] * (x - line[0]))) < 0.0:
        return (x, y, best)
    return line


def _push(corners: list[tuple[float, float]], x: float, y: float, sign: float) -> None:
    """Add a corner to the hull, dropping those that it hides from all that is to come."""
    while len(corners) > 1:
        (x1, y1), (x2, y2) = corners[-2], corners[-1]
        if sign * ((y2 - y1) * (x - x1) - (y - y1) * (x2 - x1)) > 0.0:
            break
        corners.pop()
    corners.append((x, y))


def _traced(
    levels: list[dict[int, list[_Reach]]],
    at_n: list[float],
    low: list[float],
    high: list[float],
    gate: int,
    gain_db: float,
    reach: _Reach,
) -> list[tuple[int, float]]:
    """Breakpoints from the last one back."""
    path = [(gate, gain_db)]
    for level in range(len(levels) - 2, -1, -1):
        i, a, b = reach.from_gate, reach.from_low_db, reach.from_high_db
        # A straight piece that ends at the gain just chosen: which gains may it have at gate i?
        for c in range(i + 1, gate):
            part = (at_n[gate] - at_n[i]) / (at_n[gate] - at_n[c])
            a = max(a, gain_db + (low[c] - gain_db) * part)
            b = min(b, gain_db + (high[c] - gain_db) * part)
        gate, gain_db = i, (a + b) / 2.0
        path.append((gate, gain_db))
        reach = next(
            old for old in levels[level][i] if old.low_db == reach.from_low_db and old.high_db == reach.from_high_db
        )
    return path[::-1]


def _nearest(frames: np.ndarray, at_n: np.ndarray, wanted_db: np.ndarray, weights: np.ndarray | None) -> np.ndarray:
    """Gains of breakpoints at `at_n` that come nearest to what is wanted, by least squares."""
    positions = np.interp(frames, at_n, np.arange(len(at_n)))
    left = np.minimum(positions.astype(np.int64), max(len(at_n) - 2, 0))
    part = positions - left
    root = np.sqrt(np.ones(len(frames)) if weights is None else weights)
    # Each gate lies between two breakpoints: the normal equations have three diagonals.
    size = len(at_n)
    main = np.full(size, 1e-9)
    beside = np.zeros(max(size - 1, 0))
    right_side = np.zeros(size)
    np.add.at(main, left, (root * (1.0 - part)) ** 2)
    np.add.at(right_side, left, root**2 * (1.0 - part) * wanted_db)
    if size > 1:
        np.add.at(main, left + 1, (root * part) ** 2)
        np.add.at(right_side, left + 1, root**2 * part * wanted_db)
        np.add.at(beside, left, root**2 * part * (1.0 - part))
    for k in range(1, size):
        factor = beside[k - 1] / main[k - 1]
        main[k] -= factor * beside[k - 1]
        right_side[k] -= factor * right_side[k - 1]
    gains_db = np.zeros(size)
    for k in range(size - 1, -1, -1):
        after = beside[k] * gains_db[k + 1] if k + 1 < size else 0.0
        gains_db[k] = (right_side[k] - after) / main[k]
    return gains_db


def _toward(
    frames: np.ndarray,
    low_db: np.ndarray,
    high_db: np.ndarray,
    at_n: np.ndarray,
    passing_db: np.ndarray,
    nearest_db: np.ndarray,
) -> np.ndarray:
    """Gains moved from those that pass toward the nearest, one breakpoint after the other, as far as all gates allow.

    The set of gains that pass is convex, so that each stays in it.
    """
    positions = np.interp(frames, at_n, np.arange(len(at_n)))
    left = np.minimum(positions.astype(np.int64), max(len(at_n) - 2, 0))
    part = (positions - left).tolist()
    before = left.tolist()
    low, high, nearest = low_db.tolist(), high_db.tolist(), nearest_db.tolist()
    gains: list[float] = passing_db.tolist()
    # Gates whose gain a breakpoint has a share in, and that share.
    shares: list[list[tuple[int, float]]] = [[] for _ in gains]
    for gate, (k, after) in enumerate(zip(before, part)):
        if after < 1.0:
            shares[k].append((gate, 1.0 - after))
        if after > 0.0:
            shares[k + 1].append((gate, after))
    for _ in range(3):
        for k, held in enumerate(shares):
            up, down = np.inf, -np.inf
            for gate, share in held:
                first = before[gate]
                now = gains[first]
                if part[gate]:
                    now += part[gate] * (gains[first + 1] - now)
                up = min(up, (high[gate] - now) / share)
                down = max(down, (low[gate] - now) / share)
            gains[k] += min(max(nearest[k] - gains[k], min(down, 0.0)), max(up, 0.0))
    return np.array(gains)
