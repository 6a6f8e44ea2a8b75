"""Tempo maps: seconds, quarter notes, and bars and beats, converted without rounding.

Tempo is in quarter notes a minute, whatever the metre; a beat of a bar is the note that the metre's lower figure names.
Positions are exact fractions of a quarter note from the timeline's zero, which is bar 1, beat 1.
"""

from __future__ import annotations

import csv
import io
import math
import re
import struct
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

from ridebook.errors import ExchangeError, SettingError

TICKS = 960
"""Ticks in a quarter note, as bars and beats are written here (a choice of this program)."""

SLOWEST_BPM, FASTEST_BPM = 4, 1000
"""Tempi in quarter notes a minute; slower ones a Standard MIDI File cannot tell (24 bits of microseconds)."""

_MOST_BYTES = 16_000_000
_FINEST = 10**18
_METRE = re.compile(r"(\d{1,3})\s*/\s*(\d{1,3})", re.ASCII)
_POSITION = re.compile(r"(\d{1,9})\|(\d{1,3})\|(\d{1,6}(?:[.,]\d+)?)", re.ASCII)


class Tempo(NamedTuple):
    """From this quarter note on, one lasts so many seconds."""

    quarter: Fraction
    quarter_s: Fraction


class Metre(NamedTuple):
    """From this quarter note on, where a bar begins, bars have so many beats of such a note (4 is a quarter)."""

    quarter: Fraction
    beats: int
    note: int

    @property
    def beat(self) -> Fraction:
        """Length of a beat in quarter notes."""
        return Fraction(4, self.note)

    @property
    def bar(self) -> Fraction:
        """Length of a bar in quarter notes."""
        return self.beats * self.beat


@dataclass(frozen=True, slots=True)
class TempoChange:
    """A line of a list of tempi: where, and what holds from there.

    Parameters
    ----------
    bpm : Fraction, int or float or None
        Quarter notes a minute; None leaves the tempo as it was.
    bar : int or None
        Bar, from 1, at whose begin it holds.
    time_s : Fraction, int or float or None
        Time in seconds from which it holds, where no bar is told.
    metre : (int, int) or None
        Upper and lower figure; None leaves the metre as it was. One that comes inside a bar begins a new bar.
    """

    bpm: Fraction | float | None = None
    bar: int | None = None
    time_s: Fraction | float | None = None
    metre: tuple[int, int] | None = None


class BarPosition(NamedTuple):
    """Bar and beat, both from 1, and what is left over in quarter notes."""

    bar: int
    beat: int
    rest: Fraction


def _exact(value: Fraction | float) -> Fraction:
    """Fraction of what a number reads as: 120.1 is 1201/10."""
    return Fraction(repr(value)) if isinstance(value, float) else Fraction(value)


def _checked_metre(beats: int, note: int) -> tuple[int, int]:
    if not 1 <= beats <= 255 or note not in (1, 2, 4, 8, 16, 32, 64):
        raise SettingError(f"a metre of {beats}/{note} cannot be; the lower figure is 1, 2, 4, 8, 16, 32 or 64")
    return beats, note


def _checked_bpm(bpm: Fraction | float) -> Fraction:
    if not SLOWEST_BPM <= bpm <= FASTEST_BPM:
        raise SettingError(
            f"a tempo of {float(bpm):g} cannot be; quarter notes a minute go from {SLOWEST_BPM} to {FASTEST_BPM}"
        )
    return _exact(bpm)


def _begin_s(before_s: Fraction, before: Tempo, quarter: Fraction) -> Fraction:
    """Time at which a tempo begins that follows another."""
    time_s = before_s + (quarter - before.quarter) * before.quarter_s
    # Thousands of odd tempi would grow numbers of thousands of digits; 1e-18 s is nothing to anyone.
    return time_s if time_s.denominator <= _FINEST else Fraction(round(time_s * _FINEST), _FINEST)


def _begin_bar(before_bar: int, before: Metre, quarter: Fraction) -> int:
    """Bar that a metre begins that follows another; a bar cut off by it counts."""
    return before_bar + math.ceil((quarter - before.quarter) / before.bar)


@dataclass(frozen=True)
class TempoMap:
    """Tempi and metres along a timeline.

    Parameters
    ----------
    tempi : tuple of Tempo
        The first at 0, rising.
    metres : tuple of Metre
        The first at 0, rising; each begins a bar.

    Raises
    ------
    SettingError
        They do not begin at 0 or do not rise, or a tempo is out of range.
    """

    tempi: tuple[Tempo, ...]
    metres: tuple[Metre, ...] = (Metre(Fraction(0), 4, 4),)

    def __post_init__(self) -> None:
        for name, quarters in (("tempo", [t.quarter for t in self.tempi]), ("metre", [m.quarter for m in self.metres])):
            if not quarters or quarters[0] != 0:
                raise SettingError(f"a tempo map must tell its {name} from the begin")
            if any(after <= before for before, after in pairwise(quarters)):
                raise SettingError(f"each {name} of a tempo map must begin after the one before")
        for tempo in self.tempi:
            if not tempo.quarter_s > 0:
                raise SettingError("a tempo cannot be endless; a quarter note must last some time")
            _checked_bpm(60 / tempo.quarter_s)

    @classmethod
    def steady(cls, bpm: Fraction | float, metre: tuple[int, int] = (4, 4)) -> TempoMap:
        """Map of one tempo and one metre.

        Raises
        ------
        SettingError
            The tempo or the metre is out of range.
        """
        tempo = Tempo(Fraction(0), 60 / _checked_bpm(bpm))
        return cls((tempo,), (Metre(Fraction(0), *_checked_metre(*metre)),))

    @classmethod
    def from_changes(cls, changes: Iterable[TempoChange]) -> TempoMap:
        """Map out of a list of changes in order of time; the metre is 4/4 until another is told.

        Raises
        ------
        SettingError
            A change does not hold, or the first is not a tempo at bar 1 (0 s); says which.
        """
        tempi: list[Tempo] = []
        metres: list[Metre] = []
        tempo_s, metre_bar = Fraction(0), 1  # where the last of each begins
        for i, change in enumerate(changes, start=1):
            try:
                quarter_s = None if change.bpm is None else 60 / _checked_bpm(change.bpm)
                figures = None if change.metre is None else _checked_metre(*change.metre)
                if (change.bar is None) == (change.time_s is None):
                    raise SettingError("it must name a bar or a time, and not both")
                if not tempi:
                    if quarter_s is None or (change.bar, change.time_s or 0) not in ((1, 0), (None, 0)):
                        raise SettingError("the first must tell the tempo at bar 1 or 0 s")
                    tempi.append(Tempo(Fraction(0), quarter_s))
                    metres.append(Metre(Fraction(0), *(figures or (4, 4))))
                    continue
                if change.bar is not None:
                    quarter = metres[-1].quarter + (change.bar - metre_bar) * metres[-1].bar
                else:
                    quarter = tempi[-1].quarter + (_exact(change.time_s or 0) - tempo_s) / tempi[-1].quarter_s
                if quarter <= max(tempi[-1].quarter, metres[-1].quarter):
                    raise SettingError("it must come after the one before")
            except SettingError as error:
                raise SettingError(f"tempo {i} of the list: {error}") from None
            if quarter_s is not None:
                tempo_s = _begin_s(tempo_s, tempi[-1], quarter)
                tempi.append(Tempo(quarter, quarter_s))
            if figures is not None:
                metre_bar = _begin_bar(metre_bar, metres[-1], quarter)
                metres.append(Metre(quarter, *figures))
        if not tempi:
            raise SettingError("a list of tempi needs one at least")
        return cls(tuple(tempi), tuple(metres))

    @cached_property
    def _tempo_quarters(self) -> list[Fraction]:
        return [tempo.quarter for tempo in self.tempi]

    @cached_property
    def _tempo_times_s(self) -> list[Fraction]:
        """Time at which each tempo begins."""
        times_s = [Fraction(0)]
        for before, after in zip(self.tempi, self.tempi[1:]):
            times_s.append(_begin_s(times_s[-1], before, after.quarter))
        return times_s

    @cached_property
    def _metre_bars(self) -> list[int]:
        """Number of the bar that each metre begins."""
        bars = [1]
        for before, after in zip(self.metres, self.metres[1:]):
            bars.append(_begin_bar(bars[-1], before, after.quarter))
        return bars

    @property
    def change_times_s(self) -> tuple[Fraction, ...]:
        """Times in seconds at which the tempo changes, the begin among them."""
        return tuple(self._tempo_times_s)

    def quarter_at(self, time_s: Fraction | int) -> Fraction:
        """Position in quarter notes at a time in seconds; before 0 the first tempo holds."""
        i = max(0, bisect_right(self._tempo_times_s, time_s) - 1)
        return self.tempi[i].quarter + (time_s - self._tempo_times_s[i]) / self.tempi[i].quarter_s

    def time_s_at(self, quarter: Fraction | int) -> Fraction:
        """Time in seconds of a position in quarter notes."""
        i = max(0, bisect_right(self._tempo_quarters, quarter) - 1)
        return self._tempo_times_s[i] + (quarter - self.tempi[i].quarter) * self.tempi[i].quarter_s

    def bar_at(self, quarter: Fraction | int) -> BarPosition:
        """Bar and beat of a position, which must not be before 0.

        Raises
        ------
        SettingError
            It is.
        """
        if quarter < 0:
            raise SettingError(f"there is no bar {float(quarter):g} quarter notes before the first one")
        i = bisect_right(self.metres, quarter, key=lambda metre: metre.quarter) - 1
        metre = self.metres[i]
        bars, rest = divmod(quarter - metre.quarter, metre.bar)
        beats, rest = divmod(rest, metre.beat)
        return BarPosition(self._metre_bars[i] + int(bars), int(beats) + 1, Fraction(rest))

    def quarter_of(self, bar: int, beat: int = 1, rest: Fraction | int = 0) -> Fraction:
        """Position in quarter notes of a bar and beat, both from 1, and what is left over.

        Raises
        ------
        SettingError
            There is no such bar or beat.
        """
        i = bisect_right(self._metre_bars, bar) - 1
        if i < 0:
            raise SettingError(f"bars are numbered from 1, but bar {bar} was named")
        metre = self.metres[i]
        quarter = metre.quarter + (bar - self._metre_bars[i]) * metre.bar + (beat - 1) * metre.beat + rest
        cut_off = i + 1 < len(self.metres) and quarter >= self.metres[i + 1].quarter
        if not 1 <= beat <= metre.beats or not 0 <= rest < metre.beat or cut_off:
            raise SettingError(f"bar {bar} has no beat {beat} with {float(rest):g} quarter notes after it")
        return quarter

    def bar_text(self, quarter: Fraction | int, digits: int = 6) -> str:
        """Position as ``bar|beat|tick``, ticks 960 to the quarter note with `digits` decimals.

        Raises
        ------
        SettingError
            It is before 0.
        """
        unit = TICKS * 10**digits
        bar, beat, rest = self.bar_at(Fraction(round(quarter * unit), unit))
        whole, part = divmod(round(rest * unit), 10**digits)
        return f"{bar}|{beat}|{whole}" + (f".{part:0{digits}d}" if digits else "")

    def quarter_of_text(self, text: str) -> Fraction:
        """Position of ``bar|beat|tick``, as `bar_text` writes it; the decimal mark may be a comma.

        Raises
        ------
        SettingError
            It is no such position, or there is no such bar, beat or tick.
        """
        match = _POSITION.fullmatch(text.strip())
        if not match:
            raise SettingError(f"{text[:40]!r} is no position in bars; it must be bar|beat|tick, for example 12|3|480")
        return self.quarter_of(int(match[1]), int(match[2]), Fraction(match[3].replace(",", ".")) / TICKS)


def read_tempo_map(path: str | Path) -> TempoMap:
    """Tempo map out of a Standard MIDI File or a list.

    A Standard MIDI File (MIDI 1.0) gives its set-tempo and time-signature events, of all tracks; before the first of
    each it is 120 quarter notes a minute and 4/4, as the standard says. A list is a table with a header: `bar` or
    `time_s`, then `bpm`, then `metre` (as 3/4) where it changes; with commas between, or semicolons and decimal commas.

    Parameters
    ----------
    path : str or Path
        The file.

    Raises
    ------
    ExchangeError
        The file cannot be read, is of neither kind or broken, or what it tells does not hold; says where.
    """
    try:
        with open(path, "rb") as stream:
            content = stream.read(_MOST_BYTES + 1)
    except OSError as error:
        raise ExchangeError(f"{path} cannot be read: {error.strerror or error}") from error
    if len(content) > _MOST_BYTES:
        raise ExchangeError(
            f"{path} is over {_MOST_BYTES // 1_000_000} MB, too large for a tempo map; export the tempo alone"
        )
    try:
        return _map_of_midi(content) if content.startswith(b"MThd") else _map_of_list(content)
    except SettingError as error:
        raise ExchangeError(f"{path}: {error}") from error


def _map_of_midi(content: bytes) -> TempoMap:
    import mido  # takes 60 ms, and most exports need no tempo

    try:
        file = mido.MidiFile(file=io.BytesIO(content))
    except (OSError, EOFError, ValueError, LookupError, TypeError, struct.error, mido.KeySignatureError) as error:
        raise SettingError(
            f"this Standard MIDI File is broken ({error or 'it ends too early'}); export it again"
        ) from error
    if file.type == 2:
        raise SettingError(
            "this Standard MIDI File is of format 2, whose tracks have no common time; export format 0 or 1"
        )
    if file.ticks_per_beat <= 0:
        raise SettingError(
            "this Standard MIDI File counts timecode and not beats, so that it has no tempo; export it with beats"
        )
    quarters_s = {Fraction(0): Fraction(1, 2)}
    metres = {Fraction(0): (4, 4)}
    for track in file.tracks:
        tick = 0
        for event in track:
            tick += event.time
            quarter = Fraction(tick, file.ticks_per_beat)
            if event.type == "set_tempo":
                quarters_s[quarter] = Fraction(event.tempo, 1_000_000)
            elif event.type == "time_signature":
                metres[quarter] = _checked_metre(event.numerator, event.denominator)
    return TempoMap(
        tuple(Tempo(*pair) for pair in sorted(quarters_s.items())),
        tuple(Metre(quarter, *metre) for quarter, metre in sorted(metres.items())),
    )


def _map_of_list(content: bytes) -> TempoMap:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SettingError("this is neither a Standard MIDI File nor UTF-8 text with a list of tempi") from error
    first = text.lstrip().partition("\n")[0]
    comma = ";" in first
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=";" if comma else ",")
    changes: list[TempoChange] = []
    try:
        rows = [(reader.line_num, [cell.strip() for cell in row]) for row in reader if any(map(str.strip, row))]
    except csv.Error as error:
        raise SettingError(f"line {reader.line_num}: {error}") from error
    header = rows[0][1] if rows else []
    if header[:2] not in (["bar", "bpm"], ["time_s", "bpm"]) or header[2:3] not in ([], ["metre"]):
        raise SettingError(
            "this is neither a Standard MIDI File nor a list of tempi, which begins with the header bar,bpm,metre or "
            "time_s,bpm,metre"
        )
    for line, row in rows[1:]:
        try:
            changes.append(_change_of_row(header[0], row, comma))
        except SettingError as error:
            raise SettingError(f"line {line}: {error}") from error
    return TempoMap.from_changes(changes)


def _change_of_row(place: str, row: Sequence[str], comma: bool) -> TempoChange:
    cells = [*row, "", ""]
    numbers: list[Fraction | None] = []
    for name, cell in zip((place, "bpm"), cells):
        text = cell.replace(",", ".") if comma else cell
        if not text and name == "bpm":
            numbers.append(None)
            continue
        if not re.fullmatch(r"\d{1,12}(\.\d{1,12})?", text, re.ASCII):
            raise SettingError(f"{name} is {cell[:40]!r}, but must be a number")
        numbers.append(Fraction(text))
    where, bpm = numbers
    metre = _METRE.fullmatch(cells[2]) if cells[2] else None
    if cells[2] and not metre:
        raise SettingError(f"metre is {cells[2][:40]!r}, but must be two figures, for example 3/4")
    figures = (int(metre[1]), int(metre[2])) if metre else None
    if place == "time_s":
        return TempoChange(bpm, time_s=where, metre=figures)
    if where is None or where.denominator != 1:
        raise SettingError(f"bar is {cells[0][:40]!r}, but must be a whole number")
    return TempoChange(bpm, bar=int(where), metre=figures)
