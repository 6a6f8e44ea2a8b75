"""What a user chooses of a hand-over, in the user's own units: kept from one song to the next."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import msgspec

from ridebook.errors import SettingError
from ridebook.exchange.aaf_rides import GainOn
from ridebook.exchange.breakpoints import ListForm, ListGain, ListTime
from ridebook.exchange.midi_rides import MidiForm
from ridebook.exchange.names import DEFAULT_PATTERN
from ridebook.exchange.outgoing import Timeline
from ridebook.exchange.tables import FARTHEST_S
from ridebook.exchange.tempo import TempoMap, read_tempo_map
from ridebook.exchange.timecode import TimecodeClock, TimecodeRate
from ridebook.session.document import Session
from ridebook.work.deliverables import STEPS_DB, Formats, Part, named_outputs, naming_of
from ridebook.work.hand_over import HandOver, Output


@dataclass(frozen=True, slots=True)
class Choices:
    """What goes out, and in which form.

    Parameters
    ----------
    parts : tuple of Part
        What is written, named by the pattern.
    pattern : str
        As for `ridebook.exchange.names.Naming`.
    audio, segments : str
        Endings of audio and of the segments.
    steps_db : tuple of float
        How far the vocal of the alternates is up and down.
    replace : bool
        Whether files that are there are replaced.
    times, gains : tuples of ListTime and of ListGain
        Columns of a breakpoint list.
    decimal_comma, dense : bool
        As for `ListForm`.
    with_trim : bool
        Whether the trim is in the gains, in all forms.
    offset_s : float
        Where the vocal begins on the workstation's timeline.
    timecode : TimecodeRate
        The timecode's rate.
    start_timecode : str
        Timecode at the timeline's zero.
    bpm : float or None
        The one tempo, in quarter notes a minute; None where there is none, or a tempo map.
    metre : str
        Metre that goes with it, as 4/4.
    tempo_map : str
        File of a tempo map; empty for none.
    controller, bits, full_scale_db
        As for `MidiForm`.
    gain_on : GainOn
        What bears the ride of an AAF file.
    linked : bool
        Whether an AAF file refers to the sources.
    """

    parts: tuple[Part, ...] = (Part.RIDES, Part.STEM)
    pattern: str = DEFAULT_PATTERN
    audio: str = ".wav"
    segments: str = ".csv"
    steps_db: tuple[float, ...] = STEPS_DB
    replace: bool = False
    times: tuple[ListTime, ...] = (ListTime.SECONDS,)
    gains: tuple[ListGain, ...] = (ListGain.DB,)
    decimal_comma: bool = False
    dense: bool = False
    with_trim: bool = True
    offset_s: float = 0.0
    timecode: TimecodeRate = TimecodeRate.F25
    start_timecode: str = "00:00:00:00"
    bpm: float | None = None
    metre: str = "4/4"
    tempo_map: str = ""
    controller: int = 11
    bits: int = 14
    full_scale_db: float = 6.0
    gain_on: GainOn = GainOn.CLIP
    linked: bool = False

    @property
    def formats(self) -> Formats:
        """Endings and steps.

        Raises
        ------
        SettingError
            As for `Formats`.
        """
        return Formats(self.audio, self.segments, self.steps_db)

    def timeline(self, rate_hz: int) -> Timeline:
        """Give the workstation's timeline.

        Raises
        ------
        SettingError, ExchangeError
            Offset, timecode, tempo or metre do not hold, or the tempo map cannot be read.
        """
        tempo = read_tempo_map(self.tempo_map) if self.tempo_map else None
        if self.bpm is not None:
            tempo = TempoMap.steady(self.bpm, _metre(self.metre))
        clock = TimecodeClock(self.timecode, self.start_timecode)
        return Timeline(frames_of("the offset", self.offset_s, rate_hz), clock, tempo)

    def list_form(self, rate_hz: int, span: tuple[int, int] | None = None) -> ListForm:
        """Form of the breakpoint list, of a selection or of the whole song.

        Raises
        ------
        SettingError, ExchangeError
            As for `timeline` and `ListForm`.
        """
        timeline = self.timeline(rate_hz)
        return ListForm(self.times, self.gains, timeline, span, self.with_trim, self.decimal_comma, self.dense)

    def midi_form(self, rate_hz: int, span: tuple[int, int] | None = None) -> MidiForm:
        """Form of the controllers.

        Raises
        ------
        SettingError, ExchangeError
            As for `timeline` and `MidiForm`.
        """
        return MidiForm(
            self.controller,
            self.bits,
            self.full_scale_db,
            timeline=self.timeline(rate_hz),
            span=span,
            with_trim=self.with_trim,
        )


def hand_over_of(
    choices: Choices,
    session: Session,
    folder: Path,
    *,
    named: Sequence[Output] = (),
    span: tuple[int, int] | None = None,
    moment: datetime | None = None,
) -> HandOver:
    """Gather what is to be written by some choices.

    Parameters
    ----------
    choices : Choices
        What is chosen.
    session : Session
        Of which.
    folder : Path
        Where the pattern's files go.
    named : sequence of Output
        Further files, with names of their own.
    span : (int, int), optional
        First and last frame of a selection, to which breakpoints are kept.
    moment : datetime, optional
        When, for the names; now where it is left out.

    Raises
    ------
    SettingError, ExchangeError
        A choice does not hold.
    OutputExistsError
        As for `named_outputs`.
    """
    rate_hz = session.vocal.rate_hz
    naming = naming_of(session, choices.pattern, moment)
    outputs = named_outputs(choices.parts, session, folder, naming, choices.formats, replace=choices.replace)
    return HandOver(
        (*named, *outputs),
        choices.list_form(rate_hz, span),
        choices.midi_form(rate_hz, span),
        choices.gain_on,
        choices.linked,
    )


def choices_text(choices: Choices) -> str:
    """Choices as a line of JSON."""
    return msgspec.json.encode(choices).decode()


def choices_from(text: str) -> Choices:
    """Choices out of such a line; those to begin from where it is none, as after another version of the program."""
    try:
        return msgspec.json.decode(text, type=Choices)
    except (msgspec.DecodeError, ValueError):
        return Choices()


def frames_of(what: str, seconds: float, rate_hz: int) -> int:
    """Frames of a time that was given.

    Raises
    ------
    SettingError
        It is beyond all measure.
    """
    if not abs(seconds) <= FARTHEST_S:
        raise SettingError(f"{what} is {seconds:g} s, but must lie within {FARTHEST_S:g} s either way")
    return round(seconds * rate_hz)


def numbers_of(what: str, text: str) -> tuple[float, ...]:
    """Numbers parted by commas, semicolons or blanks.

    Raises
    ------
    SettingError
        It is something else.
    """
    try:
        return tuple(float(part) for part in re.split(r"[,;\s]+", text.strip()))
    except ValueError as error:
        raise SettingError(f"{what} takes numbers parted by commas, as 0.5, 1, but {text!r} was given") from error


def _metre(text: str) -> tuple[int, int]:
    beats, mark, note = (part.strip() for part in text.partition("/"))
    if not mark or not (beats.isdecimal() and note.isdecimal()):
        raise SettingError(f"a metre is told as 3/4, but {text!r} was given")
    return int(beats), int(note)
