"""Breakpoint lists: the whole gain on the vocal stem as a table of times and decibels."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from ridebook.errors import ExchangeError
from ridebook.exchange.tables import number, read_table, time_cell, time_frame_n, write_table
from ridebook.ride.lane import Breakpoint, Lane

HEADER = ("time_s", "gain_db")


def write_breakpoints(
    path: str | Path, lane: Lane, trim_db: float, rate_hz: int, protect: Iterable[str | Path] = ()
) -> None:
    """Write trim plus lane as a breakpoint list.

    Times have 9 decimals and round back to the exact frame, gains have 9. A lane without breakpoints is one row at
    time 0 with the trim; so is what a lane has before frame 0, as no list begins earlier.

    Parameters
    ----------
    path : str or Path
        Where; a file that is there is replaced.
    lane : Lane
        The rides, trim not included.
    trim_db : float
        The trim.
    rate_hz : int
        The pair's rate.
    protect : iterable of str or Path
        Sources, which are never written over.

    Raises
    ------
    OutputError
        The file cannot be written, or is one of `protect`.
    """
    points = [point for point in lane.points if point.frame_n >= 0]
    if len(points) < len(lane.points) or not points:
        first = Breakpoint(0, float(lane.gain_db_at([0])[0]))
        points = [first, *(point for point in points if point.frame_n > 0)]
    rows = [(time_cell(frame_n, rate_hz), _gain_cell(gain_db + trim_db)) for frame_n, gain_db in points]
    write_table(path, HEADER, rows, protect)


def read_breakpoints(path: str | Path, rate_hz: int, trim_db: float = 0.0) -> Lane:
    """Lane out of a breakpoint list.

    Parameters
    ----------
    path : str or Path
        The list; further columns are passed over.
    rate_hz : int
        The pair's rate; of points that come to lie on one frame the last counts.
    trim_db : float
        What of the gain is the trim; the lane is the rest.

    Raises
    ------
    ExchangeError
        The file cannot be read, has another header or no row, or a cell does not hold; says where.
    """
    gains_db: dict[int, float] = {}
    before_s: float | None = None
    for line, row in read_table(path, HEADER):
        time_s = number(path, line, "time_s", row[0])
        if before_s is not None and time_s <= before_s:
            raise ExchangeError(
                f"{path}, line {line}: time_s is {time_s:g}, but must rise and {before_s:g} is before it"
            )
        before_s = time_s
        frame_n = time_frame_n(path, line, "time_s", row[0], rate_hz)
        gains_db[frame_n] = number(path, line, "gain_db", row[1]) - trim_db
    if not gains_db:
        raise ExchangeError(f"{path} has no breakpoint; at least one row must follow the header")
    return Lane.from_pairs(gains_db.items())


def _gain_cell(gain_db: float) -> str:
    return f"{round(gain_db, 9) + 0.0:.9f}"  # the sum makes a negative zero a plain one
