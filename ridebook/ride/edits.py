"""Edits of a lane: pure functions from lane to lane.

Frames are at the pair's rate, gains in dB, trim not included. An edit of a stretch leaves the lane outside that
stretch as it was (to 1e-9 dB); where it must, it sets a breakpoint at the border to hold it.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Collection, Iterable, Sequence

import numpy as np

from ridebook.errors import LaneError
from ridebook.measure.measures import StemMeasures
from ridebook.ride.lane import Breakpoint, Lane

_SAME_DB = 1e-10
"""Gains this close are one: far above the rounding of an interpolation, far under anything audible."""


def _with_points(lane: Lane, chosen: np.ndarray, frames: np.ndarray, gains_db: np.ndarray) -> Lane:
    """Lane whose breakpoints `chosen` are elsewhere; the others are not made again at each step of a drag."""
    points = list(lane.points)
    for i, frame_n, gain_db in zip(chosen.tolist(), frames[chosen].tolist(), gains_db[chosen].tolist()):
        points[i] = Breakpoint(frame_n, gain_db)
    return Lane(tuple(points))


def _checked_indices(lane: Lane, indices: Iterable[int]) -> np.ndarray:
    chosen = np.unique(np.fromiter(indices, dtype=np.int64))
    if len(chosen) and (chosen[0] < 0 or chosen[-1] >= len(lane.points)):
        raise LaneError(f"breakpoints are numbered 0 to {len(lane.points) - 1}, but {chosen.tolist()} were named")
    return chosen


def _checked_stretch(start_n: int, end_n: int) -> None:
    if end_n <= start_n:
        raise LaneError(f"a stretch of the lane must end after its start, but {start_n} to {end_n} was given")


def _without_idle(lane: Lane, frames: Collection[int]) -> Lane:
    """Lane without those of its breakpoints at `frames` that bend nothing."""
    points = list(lane.points)
    for frame_n in sorted(frames):
        i = bisect_left(points, frame_n, key=lambda point: point.frame_n)
        if i == len(points) or points[i].frame_n != frame_n or len(points) == 1:
            continue
        beside = [*points[max(0, i - 1) : i], *points[i + 1 : i + 2]]
        near = points[max(0, i - 1) : i + 2]
        bend_db = Lane(tuple(beside)).gain_db_at([point.frame_n for point in near]) - [point.gain_db for point in near]
        if np.abs(bend_db).max() <= _SAME_DB:
            del points[i]
    return lane if len(points) == len(lane.points) else Lane(tuple(points))


def _spliced(lane: Lane, start_n: int, end_n: int, points: Sequence[tuple[int, float]]) -> Lane:
    """Lane whose breakpoints from `start_n` to `end_n`, both included, are `points`."""
    before = tuple(point for point in lane.points if point.frame_n < start_n)
    after = tuple(point for point in lane.points if point.frame_n > end_n)
    return Lane(before + tuple(Breakpoint(int(frame), float(gain)) for frame, gain in points) + after)


def add_breakpoint(lane: Lane, frame_n: int, gain_db: float) -> Lane:
    """Lane with a breakpoint at `frame_n`; one that is there already is replaced.

    Parameters
    ----------
    lane : Lane
        The lane.
    frame_n : int
        Where.
    gain_db : float
        Its gain.

    Returns
    -------
    Lane
        The new lane.
    """
    return _spliced(lane, frame_n, frame_n, [(frame_n, gain_db)])


def delete_breakpoints(lane: Lane, indices: Iterable[int]) -> Lane:
    """Lane without the breakpoints numbered `indices`.

    Raises
    ------
    LaneError
        A number is not that of a breakpoint.
    """
    chosen = set(_checked_indices(lane, indices).tolist())
    return Lane(tuple(point for i, point in enumerate(lane.points) if i not in chosen))


def move_breakpoints(
    lane: Lane,
    indices: Iterable[int],
    by_n: int = 0,
    by_db: float = 0.0,
    lowest_db: float = -np.inf,
    highest_db: float = np.inf,
    first_n: int = 0,
) -> Lane:
    """Lane in which some breakpoints are moved together, keeping their shape.

    The move stops where one of them would meet a neighbour that stays, come before `first_n`, or leave the limits. A
    breakpoint that lies outside the limits already may move toward them only.

    Parameters
    ----------
    lane : Lane
        The lane.
    indices : iterable of int
        Numbers of the breakpoints.
    by_n : int
        How far in frames.
    by_db : float
        How far in dB.
    lowest_db, highest_db : float
        Limits of the gain in dB.
    first_n : int
        First frame that may hold a breakpoint.

    Returns
    -------
    Lane
        The new lane.

    Raises
    ------
    LaneError
        A number is not that of a breakpoint.
    """
    chosen = _checked_indices(lane, indices)
    if not len(chosen):
        return lane
    frames, gains_db = lane.frames.copy(), lane.gains_db.copy()
    moved = np.zeros(len(frames), dtype=bool)
    moved[chosen] = True
    earliest, latest = min(0, first_n - int(frames[chosen[0]])), None
    for i in chosen:
        if i > 0 and not moved[i - 1]:
            earliest = max(earliest, int(frames[i - 1] + 1 - frames[i]))
        if i + 1 < len(frames) and not moved[i + 1]:
            room_n = int(frames[i + 1] - 1 - frames[i])
            latest = room_n if latest is None else min(latest, room_n)
    by_n = max(by_n, earliest)
    frames[chosen] += by_n if latest is None else min(by_n, latest)
    lowest_by_db = min(0.0, lowest_db - gains_db[chosen].min())
    highest_by_db = max(0.0, highest_db - gains_db[chosen].max())
    gains_db[chosen] += min(max(by_db, lowest_by_db), highest_by_db)
    return _with_points(lane, chosen, frames, gains_db)


def scale_breakpoints(
    lane: Lane, indices: Iterable[int], factor: float, lowest_db: float = -np.inf, highest_db: float = np.inf
) -> Lane:
    """Lane in which the gains of some breakpoints are multiplied by `factor` and held within the limits.

    Raises
    ------
    LaneError
        A number is not that of a breakpoint, or the factor is not finite.
    """
    chosen = _checked_indices(lane, indices)
    if not np.isfinite(factor):
        raise LaneError(f"breakpoints cannot be scaled by {factor}")
    gains_db = lane.gains_db.copy()
    gains_db[chosen] = np.clip(gains_db[chosen] * factor, lowest_db, highest_db)
    return _with_points(lane, chosen, lane.frames, gains_db)


def nudge_span(
    lane: Lane,
    start_n: int,
    end_n: int,
    by_db: float,
    cell: tuple[int, int],
    ramp_n: int,
    lowest_db: float = -np.inf,
    highest_db: float = np.inf,
) -> Lane:
    """Lane raised over a span by `by_db`, with ramps in the gaps on either side of it.

    A gap is what lies between the cell's border and the span. Where it is shorter than half a ramp, the ramp lies
    across the span's border, half of it inside.

    Parameters
    ----------
    lane : Lane
        The lane.
    start_n, end_n : int
        The span, in frames.
    by_db : float
        How much, in dB; negative lowers.
    cell : tuple of int
        First frame and frame after the last of the cell that holds the span.
    ramp_n : int
        Length of a ramp in frames.
    lowest_db, highest_db : float
        Limits of the gain in dB, for the stretch that is nudged.

    Returns
    -------
    Lane
        The new lane; unchanged outside the ramps.

    Raises
    ------
    LaneError
        The span is empty.
    """
    _checked_stretch(start_n, end_n)
    ramp_n = max(2, ramp_n)
    half_n = min(ramp_n // 2, max(1, (end_n - start_n) // 3))
    before_n, after_n = start_n - cell[0], cell[1] - end_n
    rise = (start_n - min(before_n, ramp_n), start_n)
    if before_n < ramp_n // 2:
        rise = (start_n - half_n, start_n + half_n)
    fall = (end_n, end_n + min(after_n, ramp_n))
    if after_n < ramp_n // 2:
        fall = (end_n - half_n, end_n + half_n)
    if fall[0] <= rise[1]:  # a span of a few frames: a peak in its middle
        middle_n = max(rise[0] + 1, (start_n + end_n) // 2)
        rise, fall = (rise[0], middle_n), (middle_n, max(fall[1], middle_n + 1))
    return _raised(lane, (rise[0], rise[1], fall[0], fall[1]), by_db, lowest_db, highest_db)


def _raised(lane: Lane, corners: tuple[int, int, int, int], by_db: float, lowest_db: float, highest_db: float) -> Lane:
    """Lane plus a trapezoid; exact, as both are straight between the points of either."""
    first_n, last_n = corners[0], corners[3]
    frames = np.union1d(lane.frames[(lane.frames > first_n) & (lane.frames < last_n)], corners)
    old_db = lane.gain_db_at(frames)
    gains_db = old_db + np.interp(frames, corners, (0.0, by_db, by_db, 0.0))
    # What lies outside the limits already stays, but goes no further out.
    gains_db = np.clip(gains_db, np.minimum(lowest_db, old_db), np.maximum(highest_db, old_db))
    raised = _spliced(lane, first_n, last_n, list(zip(frames.tolist(), gains_db.tolist())))
    return _without_idle(raised, corners)


def replace_cell(
    lane: Lane,
    cell_start_n: int,
    cell_end_n: int,
    points: Sequence[tuple[int, float]],
    ramp_n: int,
    frames_n: int | None = None,
) -> Lane:
    """Lane in which one cell follows `points`, joined to the rest by ramps inside the cell.

    Parameters
    ----------
    lane : Lane
        The lane.
    cell_start_n, cell_end_n : int
        The cell, in frames. One that starts at frame 0 has nothing before it to be joined to.
    points : sequence of (int, float)
        Frames, rising, and gains in dB of what the cell is to hold; flat outside them, 0 dB where there are none.
    ramp_n : int
        Length of the joining ramps in frames; no ramp where the gains agree at the border.
    frames_n : int, optional
        Length of the vocal: a cell that ends there has nothing after it to be joined to.

    Returns
    -------
    Lane
        The new lane; the same outside the cell to 1e-9 dB.

    Raises
    ------
    LaneError
        The cell is empty, or `points` do not rise.
    """
    return replace_cells(lane, [(cell_start_n, cell_end_n, points)], ramp_n, frames_n)


def replace_cells(
    lane: Lane,
    cells: Iterable[tuple[int, int, Sequence[tuple[int, float]]]],
    ramp_n: int,
    frames_n: int | None = None,
) -> Lane:
    """Lane in which several cells follow their points; cells that touch are joined to each other without ramps.

    Parameters
    ----------
    lane : Lane
        The lane.
    cells : iterable of (int, int, sequence of (int, float))
        Start, end and points of each cell, as `replace_cell` takes them; not overlapping.
    ramp_n, frames_n
        As `replace_cell` takes them.

    Returns
    -------
    Lane
        The new lane.

    Raises
    ------
    LaneError
        A cell is empty, two overlap, or points do not rise.
    """
    runs: list[tuple[int, int, list[tuple[int, float]]]] = []
    inner_borders: set[int] = set()
    for start_n, end_n, points in sorted(cells, key=lambda cell: cell[0]):
        _checked_stretch(start_n, end_n)
        held = _held_inside(points, start_n, end_n)
        if runs and start_n < runs[-1][1]:
            raise LaneError(f"cells overlap: one ends at frame {runs[-1][1]}, the next begins at {start_n}")
        if runs and start_n == runs[-1][1]:
            first_n, _, so_far = runs[-1]
            runs[-1] = (first_n, end_n, so_far[:-1] + held)
            inner_borders.add(start_n)
        else:
            runs.append((start_n, end_n, held))
    for start_n, end_n, held in runs:
        lane = _run_replaced(lane, start_n, end_n, held, ramp_n, frames_n)
    return _without_idle(lane, inner_borders)


def _held_inside(points: Sequence[tuple[int, float]], start_n: int, end_n: int) -> list[tuple[int, float]]:
    """Return the points inside a cell, with one at each border."""
    shape = Lane.from_pairs(points)
    inner = [(frame, gain) for frame, gain in shape.points if start_n < frame < end_n]
    first_db, last_db = shape.gain_db_at([start_n, end_n]).tolist()
    return [(start_n, first_db), *inner, (end_n, last_db)]


def _run_replaced(
    lane: Lane, start_n: int, end_n: int, held: list[tuple[int, float]], ramp_n: int, frames_n: int | None
) -> Lane:
    shape = Lane.from_pairs(held)
    ramp_n = max(1, min(ramp_n, (end_n - start_n) // 3))
    outside_db = lane.gain_db_at([start_n, end_n])
    apart = np.abs(outside_db - shape.gain_db_at([start_n, end_n])) > _SAME_DB
    first_n, last_n = start_n, end_n
    points: list[tuple[int, float]] = []
    if apart[0] and start_n > 0:
        first_n = start_n + ramp_n
        points.append((start_n, float(outside_db[0])))
    tail: list[tuple[int, float]] = []
    if apart[1] and (frames_n is None or end_n < frames_n):
        last_n = max(end_n - ramp_n, first_n + 1)
        if last_n < end_n:
            tail.append((end_n, float(outside_db[1])))
    first_db, last_db = shape.gain_db_at([first_n, last_n]).tolist()
    points.append((first_n, first_db))
    points += [(frame, gain) for frame, gain in held if first_n < frame < last_n]
    if last_n > first_n:
        points.append((last_n, last_db))
    replaced = _spliced(lane, start_n, end_n, points + tail)
    # Points set at the borders alone, by this edit or an earlier one, are dropped where they bend nothing.
    return _without_idle(replaced, {start_n, first_n, last_n, end_n})


def thin(lane: Lane, tolerance_db: float, start_n: int | None = None, end_n: int | None = None) -> Lane:
    """Lane with the fewest of its breakpoints that keep it within a tolerance of what it was.

    Parameters
    ----------
    lane : Lane
        The lane.
    tolerance_db : float
        Furthest that the gain may change at any frame, in dB.
    start_n, end_n : int, optional
        Only breakpoints from `start_n` to `end_n`, both included, may go; the whole lane without them.

    Returns
    -------
    Lane
        The new lane; the first and last breakpoint of the stretch stay.

    Raises
    ------
    LaneError
        The tolerance is negative.
    """
    if not tolerance_db >= 0.0:
        raise LaneError(f"a tolerance of {tolerance_db} dB was given, but it must be 0 or more")
    frames = lane.frames
    low = 0 if start_n is None else int(np.searchsorted(frames, start_n, side="left"))
    high = len(frames) if end_n is None else int(np.searchsorted(frames, end_n, side="right"))
    if high - low < 3:
        return lane
    kept = low + _fewest_vertices(frames[low:high], lane.gains_db[low:high], tolerance_db)
    keep = np.concatenate([np.arange(low), kept, np.arange(high, len(frames))])
    return Lane(tuple(lane.points[i] for i in keep))


def _fewest_vertices(frames: np.ndarray, gains_db: np.ndarray, tolerance_db: float) -> np.ndarray:
    """Fewest vertices of a polyline, first and last among them, that stay within a tolerance of it.

    A shortest path over all chords that hold the tolerance (Imai & Iri, Computational-geometric methods for polygonal
    approximations of a curve, 1986; from memory). Chords from one vertex are tested together by the cone of slopes
    that the vertices between leave open.
    """
    last = len(frames) - 1
    from_vertex = np.full(last + 1, -1, dtype=np.int64)
    level = [0]
    reached = np.zeros(last + 1, dtype=bool)
    reached[0] = True
    tolerance_db += _SAME_DB
    while not reached[last]:
        following = []
        for i in level:
            for j in _chords_from(frames, gains_db, i, tolerance_db):
                if not reached[j]:
                    reached[j] = True
                    from_vertex[j] = i
                    following.append(j)
        level = following
    path = [last]
    while path[-1] != 0:
        path.append(int(from_vertex[path[-1]]))
    return np.array(path[::-1], dtype=np.int64)


def _chords_from(frames: np.ndarray, gains_db: np.ndarray, i: int, tolerance_db: float) -> list[int]:
    chords: list[int] = []
    low, high = -np.inf, np.inf
    start, count = i + 1, 64
    while start < len(frames) and low <= high:
        part = slice(start, min(start + count, len(frames)))
        apart_n = (frames[part] - frames[i]).astype(np.float64)
        rise_db = gains_db[part] - gains_db[i]
        lows = np.maximum.accumulate(np.maximum((rise_db - tolerance_db) / apart_n, low))
        highs = np.minimum.accumulate(np.minimum((rise_db + tolerance_db) / apart_n, high))
        slope = rise_db / apart_n
        # A chord's own end is within the tolerance by itself; the cone of all up to it only widens the test by it.
        fits = (slope >= lows) & (slope <= highs)
        chords += (start + np.flatnonzero(fits)).tolist()
        low, high = float(lows[-1]), float(highs[-1])
        start, count = start + count, count * 2
    return chords


def draw_line(lane: Lane, start_n: int, start_db: float, end_n: int, end_db: float, ramp_n: int) -> Lane:
    """Lane with a straight line drawn between two places, in either order, joined by ramps outside it.

    Parameters
    ----------
    lane : Lane
        The lane.
    start_n, end_n : int
        Ends of the line, in frames.
    start_db, end_db : float
        Gains there.
    ramp_n : int
        Length of the ramps that lead from the old lane to the line, in frames.

    Returns
    -------
    Lane
        The new lane; unchanged outside the ramps.
    """
    return draw_freehand(lane, [start_n, end_n], [start_db, end_db], 0.0, ramp_n)


def draw_freehand(
    lane: Lane, frames: Sequence[int], gains_db: Sequence[float], tolerance_db: float, ramp_n: int
) -> Lane:
    """Lane with a drawn curve in it, thinned to few breakpoints.

    Parameters
    ----------
    lane : Lane
        The lane.
    frames : sequence of int
        Where the hand was, in any order; of several gains at one frame the last counts.
    gains_db : sequence of float
        Gains there, same length.
    tolerance_db : float
        Furthest that the breakpoints kept may leave the drawn curve, in dB.
    ramp_n : int
        Length of the ramps that lead from the old lane to the curve, in frames.

    Returns
    -------
    Lane
        The new lane; unchanged outside the ramps.

    Raises
    ------
    LaneError
        The two sequences differ in length, or a gain is not finite.
    """
    if len(frames) != len(gains_db):
        raise LaneError(f"a drawn curve has as many frames as gains, but {len(frames)} and {len(gains_db)} came")
    drawn = Lane.from_pairs(sorted(dict(zip(frames, gains_db)).items()))
    if not drawn.points:
        return lane
    drawn = thin(drawn, tolerance_db)
    start_n, end_n = drawn.points[0].frame_n, drawn.points[-1].frame_n
    first_n, last_n = max(0, start_n - max(1, ramp_n)), end_n + max(1, ramp_n)
    first_db, last_db = lane.gain_db_at([first_n, last_n]).tolist()
    points = [*drawn.points, Breakpoint(last_n, last_db)]
    if first_n < start_n:
        points.insert(0, Breakpoint(first_n, first_db))
    return _without_idle(_spliced(lane, first_n, last_n, points), {first_n, last_n})


def carry(lane: Lane, from_span: tuple[int, int], to_span: tuple[int, int], ramp_n: int) -> Lane:
    """Lane in which one span's rides are repeated over another, stretched to fit, joined by ramps inside it.

    Parameters
    ----------
    lane : Lane
        The lane.
    from_span, to_span : tuple of int
        First frame and frame after the last of the span taken from and the span written to.
    ramp_n : int
        Length of the joining ramps in frames.

    Returns
    -------
    Lane
        The new lane; the same outside `to_span` to 1e-9 dB.

    Raises
    ------
    LaneError
        A span is empty.
    """
    _checked_stretch(*from_span)
    _checked_stretch(*to_span)
    held = _held_inside(lane.points, *from_span)
    stretch = (to_span[1] - to_span[0]) / (from_span[1] - from_span[0])
    points: dict[int, float] = {}
    for frame_n, gain_db in held:
        points[to_span[0] + round((frame_n - from_span[0]) * stretch)] = gain_db
    return replace_cell(lane, *to_span, sorted(points.items()), ramp_n)


def mean_ride_db(lane: Lane, vocal: StemMeasures, start_n: int, end_n: int) -> float:
    """Mean of the lane over a span in dB, weighted by the vocal's power.

    Parameters
    ----------
    lane : Lane
        The lane.
    vocal : StemMeasures
        The vocal's powers.
    start_n, end_n : int
        The span, in frames.

    Returns
    -------
    float
        The mean in dB; unweighted where the vocal is silent.

    Raises
    ------
    LaneError
        The span is empty.
    """
    _checked_stretch(start_n, end_n)
    grid_n = vocal.grid_n
    first = max(0, int(np.searchsorted(grid_n, start_n, side="right")) - 1)
    stop = min(len(vocal.cell_power), int(np.searchsorted(grid_n, end_n, side="left")))
    if stop <= first:
        return float(lane.gain_db_at([start_n, end_n]).mean())
    starts_n = np.maximum(grid_n[first:stop], start_n)
    ends_n = np.minimum(grid_n[first + 1 : stop + 1], end_n)
    weights = vocal.cell_power[first:stop] * (ends_n - starts_n)
    gains_db = lane.gain_db_at((starts_n + ends_n) / 2)
    if weights.sum() <= 0.0:
        weights = (ends_n - starts_n).astype(np.float64)
    return float(np.average(gains_db, weights=weights))
