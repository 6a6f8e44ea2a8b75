"""Breakpoint lists: gains on the vocal stem as a table of times and gains, in the units that a workstation takes.

The list of this program is `time_s,gain_db` with the trim; a `ListForm` chooses other columns, separators and
stretches. The header names the unit of each column, so that lists of any form are read back.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from itertools import islice
from pathlib import Path

from ridebook.errors import ExchangeError, SettingError
from ridebook.exchange.outgoing import Timeline, outgoing_lane
from ridebook.exchange.tables import FARTHEST_S, number, read_rows, table_text, time_cell, write_table
from ridebook.exchange.timecode import TimecodeClock, TimecodeRate
from ridebook.ride.lane import Lane

HEADER = ("time_s", "gain_db")

_TIMECODE = "timecode_"


class ListTime(StrEnum):
    """How a breakpoint list tells time."""

    SECONDS = "seconds"
    SAMPLES = "samples"
    TIMECODE = "timecode"
    BARS = "bars"


class ListGain(StrEnum):
    """How a breakpoint list tells gain."""

    DB = "db"
    LINEAR = "linear"


_TIME_NAMES = {ListTime.SECONDS: "time_s", ListTime.SAMPLES: "time_samples", ListTime.BARS: "bar_beat_tick960"}
_GAIN_NAMES = {ListGain.DB: "gain_db", ListGain.LINEAR: "gain_linear"}


@dataclass(frozen=True, slots=True)
class ListForm:
    """What a breakpoint list looks like.

    Parameters
    ----------
    times : tuple of ListTime
        Columns of time, one at least, in their order: seconds with 9 decimals, samples, timecode with 6 decimals of a
        video frame, or bar|beat|tick with 960 ticks to the quarter note and 6 decimals.
    gains : tuple of ListGain
        Columns of gain, one at least, in their order: dB with 9 decimals, the linear factor with 12.
    timeline : Timeline
        Where the vocal stands on the workstation's timeline, and its timecode and tempo.
    span : (int, int) or None
        First and last frame of a selection; breakpoints are set at both. The whole song without.
    with_trim : bool
        Whether the gains have the trim in them.
    decimal_comma : bool
        Comma as decimal mark, and semicolons between columns; else a point, and commas.
    dense : bool
        With extra points for readers that ramp in amplitude.

    Raises
    ------
    SettingError
        A column is missing or named twice, or bars are asked for without a tempo.
    """

    times: tuple[ListTime, ...] = (ListTime.SECONDS,)
    gains: tuple[ListGain, ...] = (ListGain.DB,)
    timeline: Timeline = field(default_factory=Timeline)
    span: tuple[int, int] | None = None
    with_trim: bool = True
    decimal_comma: bool = False
    dense: bool = False

    def __post_init__(self) -> None:
        for name, columns in (("time", self.times), ("gain", self.gains)):
            if not columns or len(set(columns)) < len(columns):
                raise SettingError(f"a breakpoint list needs a column of {name}, and each once")
        if ListTime.BARS in self.times and self.timeline.tempo is None:
            raise SettingError("bars and beats need a tempo; name one, a list of tempi, or a Standard MIDI File")

    @property
    def header(self) -> tuple[str, ...]:
        """Names of the columns."""
        timecode = _TIMECODE + self.timeline.timecode.rate.value
        return (*(_TIME_NAMES.get(time, timecode) for time in self.times), *(_GAIN_NAMES[gain] for gain in self.gains))

    @property
    def separator(self) -> str:
        """What parts the columns."""
        return ";" if self.decimal_comma else ","


PLAIN = ListForm()
"""The list of this program: `time_s,gain_db`, trim included."""


def write_breakpoints(
    path: str | Path,
    lane: Lane,
    trim_db: float,
    rate_hz: int,
    protect: Iterable[str | Path] = (),
    form: ListForm = PLAIN,
) -> int:
    """Write trim plus lane as a breakpoint list.

    Every column of time rounds back to the exact frame. A lane without breakpoints is one row at the begin; so is what
    a lane has before frame 0 or the timeline's zero, as no list begins earlier.

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
    form : ListForm
        What the list looks like.

    Returns
    -------
    int
        Breakpoints written.

    Raises
    ------
    OutputError
        The file cannot be written, or is one of `protect`.
    SettingError
        The form's selection holds nothing.
    """
    rows = list(_rows(lane, trim_db, rate_hz, form))
    write_table(path, form.header, rows, protect, form.separator)
    return len(rows)


def list_preview(lane: Lane, trim_db: float, rate_hz: int, form: ListForm = PLAIN, rows_n: int = 6) -> str:
    r"""Header and first rows of a breakpoint list, as they would be written, with ``\n`` between lines.

    Parameters
    ----------
    lane, trim_db, rate_hz, form
        As for `write_breakpoints`.
    rows_n : int
        Rows at most, the header not counted.

    Raises
    ------
    SettingError
        The form's selection holds nothing.
    """
    rows = islice(_rows(lane, trim_db, rate_hz, form), rows_n)
    return table_text(form.header, rows, form.separator).replace("\r\n", "\n")


def _rows(lane: Lane, trim_db: float, rate_hz: int, form: ListForm) -> Iterator[list[str]]:
    whole = outgoing_lane(lane, trim_db if form.with_trim else 0.0, form.timeline, form.span, form.dense)
    for frame_n, gain_db in whole.points:
        cells = [_time_cell(time, frame_n, rate_hz, form.timeline) for time in form.times]
        cells += (_gain_cell(gain, gain_db) for gain in form.gains)
        yield [cell.replace(".", ",") for cell in cells] if form.decimal_comma else cells


def _time_cell(time: ListTime, frame_n: int, rate_hz: int, timeline: Timeline) -> str:
    if time is ListTime.SECONDS:
        return time_cell(frame_n + timeline.offset_n, rate_hz)
    if time is ListTime.SAMPLES:
        return str(frame_n + timeline.offset_n)
    time_s = timeline.time_s(frame_n, rate_hz)
    if time is ListTime.TIMECODE:
        return timeline.timecode.text_at(time_s)
    if timeline.tempo is None:
        raise SettingError("bars and beats need a tempo; name one, a list of tempi, or a Standard MIDI File")
    return timeline.tempo.bar_text(timeline.tempo.quarter_at(time_s))


def _gain_cell(gain: ListGain, gain_db: float) -> str:
    if gain is ListGain.LINEAR:
        return f"{10.0 ** (gain_db / 20.0):.12f}"
    return f"{round(gain_db, 9) + 0.0:.9f}"  # the sum makes a negative zero a plain one


def read_breakpoints(path: str | Path, rate_hz: int, trim_db: float = 0.0, timeline: Timeline | None = None) -> Lane:
    """Lane out of a breakpoint list of any form that `write_breakpoints` has.

    Parameters
    ----------
    path : str or Path
        The list: columns of time, then columns of gain; further columns are passed over. Of several columns of time the
        seconds count, else samples, timecode, bars; of gain the dB.
    rate_hz : int
        The pair's rate; of points that come to lie on one frame the last counts.
    trim_db : float
        What of the gain is the trim; the lane is the rest.
    timeline : Timeline, optional
        Where the vocal stands on the list's timeline; needed where that does not begin with the vocal, for the start of
        a timecode (its rate is in the header), and for bars.

    Raises
    ------
    ExchangeError
        The file cannot be read, has another header or no row, or a cell does not hold; says where.
    """
    timeline = timeline or Timeline()
    separator, rows = read_rows(path)
    names = [name.strip() for name in rows[0][1]] if rows else []
    columns = _columns(names)
    if columns is None:
        raise ExchangeError(
            f"{path} must begin with the header {','.join(HEADER)}, but begins with "
            f"{separator.join(names)[:80] or 'nothing'}"
        )
    time_at, gain_at = columns
    time_name, linear = names[time_at], names[gain_at] == _GAIN_NAMES[ListGain.LINEAR]
    comma = separator == ";"
    gains_db: dict[int, float] = {}
    before: tuple[Fraction | float, str] | None = None
    for line, row in rows[1:]:
        if len(row) <= max(columns):
            raise ExchangeError(f"{path}, line {line}: {len(row)} columns, but {','.join(names)} are needed")
        cell = row[time_at].strip()
        at, frame_n = _time_of(path, line, time_name, cell, rate_hz, timeline, comma)
        if before is not None and at <= before[0]:
            raise ExchangeError(
                f"{path}, line {line}: {time_name} is {cell[:40]}, but must rise, and {before[1][:40]} is before it"
            )
        before = at, cell
        gain = number(path, line, names[gain_at], row[gain_at], comma)
        if linear:
            if gain <= 0.0:
                raise ExchangeError(f"{path}, line {line}: gain_linear is {gain:g}, but must be above 0")
            gain = 20.0 * math.log10(gain)
        gains_db[frame_n] = gain - trim_db
    if not gains_db:
        raise ExchangeError(f"{path} has no breakpoint; at least one row must follow the header")
    return Lane.from_pairs(gains_db.items())


def is_breakpoint_header(names: Sequence[str]) -> bool:
    """Whether a table with these names of columns is a breakpoint list as `read_breakpoints` reads it."""
    return _columns([name.strip() for name in names]) is not None


def _columns(names: Sequence[str]) -> tuple[int, int] | None:
    """Where the columns of time and gain are that count; None where it is no breakpoint list."""
    timecodes = [_TIMECODE + rate.value for rate in TimecodeRate]
    ranked_times = ["time_s", "time_samples", *timecodes, _TIME_NAMES[ListTime.BARS]]
    ranked_gains = list(_GAIN_NAMES.values())
    times_n = next((i for i, name in enumerate(names) if name not in ranked_times), len(names))
    gains = [name for name in ranked_gains if name in names[times_n : times_n + len(ranked_gains)]]
    if not times_n or not gains or names[times_n] not in ranked_gains:
        return None
    time = next(name for name in ranked_times if name in names[:times_n])
    return names.index(time), names.index(gains[0], times_n)


def _time_of(
    path: str | Path, line: int, name: str, cell: str, rate_hz: int, timeline: Timeline, comma: bool
) -> tuple[Fraction | float, int]:
    """Time as it must rise, and the frame of the vocal that it means."""
    time_s: Fraction | float
    at_n: Fraction | float
    if name in (_TIME_NAMES[ListTime.SECONDS], _TIME_NAMES[ListTime.SAMPLES]):
        value = number(path, line, name, cell, comma)
        in_seconds = name == _TIME_NAMES[ListTime.SECONDS]
        time_s, at_n = (value, value * rate_hz) if in_seconds else (value / rate_hz, value)
        said, most_s = f"{value:g} s" if in_seconds else f"{value:g}", FARTHEST_S
    else:
        try:
            time_s = _time_s_of(name, cell, timeline)
        except SettingError as error:
            raise ExchangeError(f"{path}, line {line}: {error}") from error
        # Timecode runs round the clock: what lies before its start seems to lie most of a day after.
        said, at_n, most_s = cell, time_s * rate_hz, 12 * 3600.0
    frame_n = round(at_n) - timeline.offset_n
    if time_s < 0.0 or frame_n < 0 or time_s > most_s:
        first_s = max(0.0, timeline.offset_n / rate_hz)
        raise ExchangeError(
            f"{path}, line {line}: {name} is {said}, but must be from {first_s:g} to {most_s:g} s of the timeline"
        )
    return time_s, frame_n


def _time_s_of(name: str, cell: str, timeline: Timeline) -> Fraction:
    if name.startswith(_TIMECODE):
        rate = TimecodeRate(name.removeprefix(_TIMECODE))
        return TimecodeClock(rate, timeline.timecode.start).time_s_of(cell)
    if timeline.tempo is None:
        raise SettingError("the time is in bars; name a tempo, a list of tempi, or a Standard MIDI File")
    return timeline.tempo.time_s_at(timeline.tempo.quarter_of_text(cell))
