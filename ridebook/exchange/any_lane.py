"""A lane that another program wrote: any table whose first two columns are a time and a gain, or a list of ours."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

import numpy as np

from ridebook.errors import ExchangeError
from ridebook.exchange.breakpoints import is_breakpoint_header, read_breakpoints
from ridebook.exchange.outgoing import Timeline
from ridebook.exchange.tables import FARTHEST_S
from ridebook.ride.lane import Lane

SILENT_DB = -60.0
"""Gain that a factor of 0 becomes: at this the voice is gone."""


class GainUnit(StrEnum):
    """How a gain is told."""

    DB = "db"
    LINEAR = "linear"


class TimeUnit(StrEnum):
    """How a time is told."""

    SECONDS = "seconds"
    MILLISECONDS = "ms"
    SAMPLES = "samples"


@dataclass(frozen=True, slots=True)
class ReadLane:
    """A lane out of a table, and how the table was understood.

    Parameters
    ----------
    lane : Lane
        The whole gain.
    gain_unit, time_unit : GainUnit, TimeUnit
        Units as told or recognised.
    notice : str
        What was recognised by the values and how to say otherwise; empty where all was told.
    """

    lane: Lane
    gain_unit: GainUnit
    time_unit: TimeUnit
    notice: str = ""


def read_any_lane(
    path: str | Path,
    rate_hz: int,
    frames_n: int,
    gain_unit: GainUnit | None = None,
    time_unit: TimeUnit | None = None,
    timeline: Timeline | None = None,
) -> ReadLane:
    """Read a lane out of any two columns of time and gain.

    Columns may be parted by commas, semicolons, tabs or spaces; a header may be there or not, a decimal comma where no
    comma parts the columns; times may be numbers or minutes and seconds with colons. Rows may be in any order; of
    several at one frame the last counts. Further columns are passed over. A breakpoint list of this program in another
    form than those, with timecode, bars or several columns of time, is read by what its header names.

    Parameters
    ----------
    path : str or Path
        The table, UTF-8.
    rate_hz : int
        The pair's rate.
    frames_n : int
        Length of the vocal, by which samples are told from seconds.
    gain_unit, time_unit : optional
        Units, where they are known; recognised by the header, else by the values: a negative gain is in dB, times
        beyond the vocal are milliseconds or samples.
    timeline : Timeline, optional
        Where the vocal stands on the timeline of a breakpoint list with timecode, bars or several columns of time.

    Raises
    ------
    ExchangeError
        The file cannot be read, or a row holds no two numbers; says where.
    """
    lines = _lines(Path(path))
    names = [name.strip() for name in re.split("[;,]", lines[0][1])]
    if is_breakpoint_header(names) and None in _units_of(names):
        gain = GainUnit.DB if "gain_db" in names else GainUnit.LINEAR
        lane = read_breakpoints(path, rate_hz, timeline=timeline)
        if lane.points[0].frame_n >= frames_n:
            raise ExchangeError(
                f"{path} begins {lane.points[0].frame_n / rate_hz:g} s into the vocal, after its end; the list is for "
                "a timeline that begins elsewhere: export it with its zero where the vocal begins"
            )
        return ReadLane(lane, gain, TimeUnit.SECONDS)
    header, rows = _rows(path, lines)
    times = np.array([_time(path, line, cells[0]) for line, cells in rows])
    gains = np.array([_number(path, line, "gain", cells[1]) for line, cells in rows])
    named_time, named_gain = _units_of(header)
    taken_time = time_unit or named_time or _time_unit(times, rate_hz, frames_n)
    taken_gain = gain_unit or named_gain or _gain_unit(gains)
    recognised = []
    if gain_unit is None and named_gain is None:
        recognised.append("decibels" if taken_gain is GainUnit.DB else "linear gain")
    if time_unit is None and named_time is None:
        recognised.append(taken_time.value if taken_time is not TimeUnit.MILLISECONDS else "milliseconds")
    if taken_gain is GainUnit.LINEAR:
        if (gains < 0.0).any():
            raise ExchangeError(f"{path}: a linear gain is negative; give the gains in dB, or say --gain db")
        gains = 20.0 * np.log10(np.maximum(gains, 10.0 ** (SILENT_DB / 20.0)))
    seconds = times / {TimeUnit.SECONDS: 1.0, TimeUnit.MILLISECONDS: 1000.0, TimeUnit.SAMPLES: rate_hz}[taken_time]
    if (np.abs(seconds) > FARTHEST_S).any() or (np.abs(gains) > 200.0).any():
        raise ExchangeError(f"{path}: times or gains lie beyond any song; say their units with --time and --gain")
    order = np.argsort(seconds, kind="stable")
    frames = np.rint(seconds[order] * rate_hz).astype(np.int64).tolist()
    lane = Lane.from_pairs(dict(zip(frames, gains[order].tolist())).items())
    notice = ""
    if recognised:
        notice = f"{Path(path).name} was taken to hold {' and '.join(recognised)}; --gain and --time say otherwise."
    return ReadLane(lane, taken_gain, taken_time, notice)


def _lines(path: Path) -> list[tuple[int, str]]:
    """Lines that hold something, with their numbers; one at least."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise ExchangeError(f"{path} cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise ExchangeError(f"{path} is not UTF-8 text (byte {error.start}); save it as UTF-8") from error
    lines = [(i, line) for i, line in enumerate(text.splitlines(), start=1) if line.strip()]
    if not lines:
        raise ExchangeError(f"{path} is empty; a row with a time and a gain is needed")
    return lines


def _rows(path: str | Path, lines: Sequence[tuple[int, str]]) -> tuple[list[str], list[tuple[int, list[str]]]]:
    mark = next((mark for mark in (";", "\t", ",") if any(mark in line for _, line in lines[:2])), None)
    rows = [(i, [cell.strip().strip('"') for cell in line.strip().split(mark)]) for i, line in lines]
    if mark in (";", "\t", None):
        rows = [(i, [cell.replace(",", ".") for cell in cells]) for i, cells in rows]
    header = rows[0][1] if not _numeric(rows[0][1][0]) else []
    rows = rows[1:] if header else rows
    for line, cells in rows:
        if len(cells) < 2:
            raise ExchangeError(f"{path}, line {line}: a time and a gain are needed, but there is one column")
    if not rows:
        raise ExchangeError(f"{path} has no row after its header")
    return header, rows


_CLOCK = re.compile(r"(?:(\d+):)?(\d{1,2}):(\d{1,2}(?:\.\d+)?)", re.ASCII)


def _numeric(cell: str) -> bool:
    if _CLOCK.fullmatch(cell):
        return True
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _time(path: str | Path, line: int, cell: str) -> float:
    clock = _CLOCK.fullmatch(cell)
    if clock:
        return 3600.0 * int(clock[1] or 0) + 60.0 * int(clock[2]) + float(clock[3])
    return _number(path, line, "time", cell)


def _number(path: str | Path, line: int, name: str, cell: str) -> float:
    try:
        value = float(cell)
    except ValueError:
        value = np.nan
    if value == -np.inf and name == "gain":
        return SILENT_DB
    if not np.isfinite(value):
        raise ExchangeError(f"{path}, line {line}: the {name} is {cell[:40]!r}, but must be a number")
    return float(value)


def _units_of(header: Sequence[str]) -> tuple[TimeUnit | None, GainUnit | None]:
    """Units that a header names."""
    if len(header) < 2:
        return None, None
    time, gain = (re.split(r"[^a-z]+", name.casefold()) for name in header[:2])
    times = {
        TimeUnit.SECONDS: {"s", "sec", "secs", "second", "seconds"},
        TimeUnit.MILLISECONDS: {"ms", "millisecond", "milliseconds"},
        TimeUnit.SAMPLES: {"sample", "samples", "frame", "frames", "n"},
    }
    gains = {
        GainUnit.DB: {"db", "decibel", "decibels"},
        GainUnit.LINEAR: {"linear", "lin", "factor", "amplitude", "ratio"},
    }
    named_time = next((unit for unit, names in times.items() if names & set(time)), None)
    named_gain = next((unit for unit, names in gains.items() if names & set(gain)), None)
    return named_time, named_gain


def _time_unit(times: np.ndarray, rate_hz: int, frames_n: int) -> TimeUnit:
    """Seconds unless the last time is far beyond the song; then milliseconds or samples, whichever ends with it."""
    last, last_s = float(times.max()), frames_n / rate_hz
    # A lane may run somewhat beyond its song; one in other units is a thousand times longer.
    if last <= 4.0 * last_s:
        return TimeUnit.SECONDS
    milliseconds, samples = (abs(np.log(last / whole)) for whole in (1000.0 * last_s, float(frames_n)))
    return TimeUnit.MILLISECONDS if milliseconds < samples else TimeUnit.SAMPLES


def _gain_unit(gains: np.ndarray) -> GainUnit:
    """Decibels where a gain is negative, or 0 is among small ones as in a lane that rests; else a factor around 1."""
    if (gains < 0.0).any() or gains.max() > 8.0:
        return GainUnit.DB
    middle = float(np.median(gains))
    return GainUnit.LINEAR if 0.25 <= middle <= 4.0 and not (gains == 0.0).any() else GainUnit.DB
