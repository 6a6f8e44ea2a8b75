"""Rides as controllers of a Standard MIDI File.

MIDI 1.0 has no ramps: a controller holds until the next event, so that the lane is written as steps, as few as hold it.

The gain law is that of General MIDI's recommended practice, from memory: the Level 1 Developer Guidelines and the Level
2 specification give Channel Volume (controller 7) and Expression (controller 11) each ``40 log10(v / 127)`` dB, added
together; 127 is 0 dB. Since it only turns down, 127 is declared to be `MidiForm.full_scale_db`, and a text event says
so:

    gain = full_scale_db + 40 log10(v / 127)              7 bits, v from 0 to 127
    gain = full_scale_db + 40 log10(v / 16383)            14 bits, v = 128 * MSB + LSB

MIDI 1.0 gives controllers 0 to 31 a least significant byte 32 above, and 14 bits the range 0 to 16383; it has no law
for a 14-bit volume (from memory). The range is scaled end to end here, for two reasons: both ends meet those of 7 bits,
and ``128 m + m = 16383 m / 127``, so that wherever both bytes are alike a receiver that takes the first alone has the
very same gain, and it is within one of its own steps everywhere else. A receiver that divides by 128 instead has all of
it 0.135 dB louder. The most significant byte is sent first, as it sets the other to 0 in the receiver (MIDI 1.0), and
both are sent each time, so that a place in the middle can be found by looking back for one pair.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import islice, pairwise
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from ridebook.audio.output import written_aside
from ridebook.errors import SettingError
from ridebook.exchange.outgoing import Timeline, outgoing_lane
from ridebook.exchange.tempo import Metre, Tempo, TempoMap
from ridebook.ride.lane import Lane
from ridebook.segment.spans import Span

CHANNEL_VOLUME, EXPRESSION = 7, 11

WITHIN_DB = 0.1
"""How far 14-bit steps may be off the lane; where the steps of the law are wider, half of one (a choice of this
program)."""

LONGEST_TICK_S = Fraction(1, 2000)
"""Ticks last no longer, so that an event is a quarter of a millisecond off at most: a quarter of what is promised."""

STANDARD_TEMPO = TempoMap.steady(120)
"""Tempo of a Standard MIDI File that tells none (MIDI 1.0)."""

_LEVEL_DB = 1e-9

_Point = tuple[float, float]
_Piece = tuple[_Point, _Point]


@dataclass(frozen=True, slots=True)
class MidiForm:
    """How rides are written as controllers.

    Parameters
    ----------
    controller : int
        7 (Channel Volume) or 11 (Expression).
    bits : int
        7, or 14 for pairs of bytes.
    full_scale_db : float
        Gain that the highest value means; the law only turns down from there.
    channel : int
        1 to 16.
    timeline : Timeline
        Where the vocal stands on the workstation's timeline, and its tempo; 120 and 4/4 where it tells none.
    span : (int, int) or None
        First and last frame of a selection. The whole song without; the first value then stands at the begin.
    with_trim : bool
        Whether the trim is in the gains.

    Raises
    ------
    SettingError
        Something is none of these.
    """

    controller: int = EXPRESSION
    bits: int = 14
    full_scale_db: float = 6.0
    channel: int = 1
    timeline: Timeline = field(default_factory=Timeline)
    span: tuple[int, int] | None = None
    with_trim: bool = True

    def __post_init__(self) -> None:
        if self.controller not in (CHANNEL_VOLUME, EXPRESSION):
            raise SettingError(f"rides go to controller 7 (volume) or 11 (expression), but {self.controller} was named")
        if self.bits not in (7, 14):
            raise SettingError(f"a controller has 7 or 14 bits, but {self.bits} were named")
        if not 0.0 <= self.full_scale_db <= 60.0:
            raise SettingError(f"full scale is {self.full_scale_db:g} dB, but must be from 0 to 60 dB")
        if not 1 <= self.channel <= 16:
            raise SettingError(f"MIDI has channels 1 to 16, but {self.channel} was named")

    @property
    def highest(self) -> int:
        """Highest value."""
        return (1 << self.bits) - 1

    def gain_db(self, value: float) -> float:
        """Gain in dB that a value above 0 means."""
        return self.full_scale_db + 40.0 * math.log10(value / self.highest)

    def value(self, gain_db: float) -> float:
        """Value, not rounded, that means a gain."""
        return self.highest * math.pow(10.0, (gain_db - self.full_scale_db) / 40.0)

    def holding(self, gain_db: float) -> tuple[int, int]:
        """Lowest and highest value that hold a gain within what is promised."""
        lowest, highest = self.value(gain_db) - 0.5, self.value(gain_db) + 0.5
        if self.bits == 14:
            lowest = min(lowest, self.value(gain_db - WITHIN_DB))
            highest = max(highest, self.value(gain_db + WITHIN_DB))
        return max(1, math.ceil(lowest)), min(self.highest, math.floor(highest))

    def held_db(self, value: int) -> tuple[float, float]:
        """Lowest and highest gain that a value holds."""
        lowest_db, highest_db = self.gain_db(value - 0.5), self.gain_db(value + 0.5)
        if self.bits == 14:
            lowest_db = min(lowest_db, self.gain_db(value) - WITHIN_DB)
            highest_db = max(highest_db, self.gain_db(value) + WITHIN_DB)
        return lowest_db, highest_db

    def nearest(self, gain_db: float) -> int:
        """Value nearest to a gain."""
        return min(self.highest, max(1, round(self.value(gain_db))))


class Step(NamedTuple):
    """From this tick on the controller has this value."""

    tick: int
    value: int


@dataclass(frozen=True, slots=True)
class MidiReport:
    """What was written.

    Parameters
    ----------
    steps_n, markers_n : int
        Values of the controller, and phrases marked.
    ticks_per_quarter : int
        Ticks in a quarter note.
    notices : tuple of str
        What the user should know: boosts or cuts that the controller cannot hold.
    """

    steps_n: int
    markers_n: int
    ticks_per_quarter: int
    notices: tuple[str, ...] = ()


def write_midi_rides(
    path: str | Path,
    lane: Lane,
    trim_db: float,
    rate_hz: int,
    form: MidiForm | None = None,
    phrases: Sequence[Span] = (),
    protect: Iterable[str | Path] = (),
    title: str = "",
) -> MidiReport:
    """Write trim plus lane as a Standard MIDI File of format 1: tempo, law and markers, then the controller.

    Every step holds the lane within `WITHIN_DB` (14 bits) or half a value (7 bits), taken at a time no further than one
    tick away. Steps are the fewest that do so and have a level stretch at its nearest value. A tempo is kept in whole
    microseconds, as the format has it, and ticks are reckoned by that, so that a reader finds the times of the lane.

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
    form : MidiForm, optional
        How they are written.
    phrases : sequence of Span
        Each becomes a marker at its start; those outside a selection do not.
    protect : iterable of str or Path
        Sources, which are never written over.
    title : str
        Name of the track.

    Returns
    -------
    MidiReport
        With a notice where the lane leaves what the controller holds; there it has its highest or lowest value.

    Raises
    ------
    OutputError
        The file cannot be written, or is one of `protect`.
    SettingError
        The form's selection holds nothing.
    """
    form = form or MidiForm()
    tempo, ticks_n = file_tempo(form.timeline.tempo or STANDARD_TEMPO)
    whole = outgoing_lane(lane, trim_db if form.with_trim else 0.0, form.timeline, form.span)
    curve = _curve(whole, rate_hz, form.timeline, tempo, ticks_n)
    steps = lane_steps(curve, form, 0 if form.span is None else None)
    markers = _markers(phrases, rate_hz, form, tempo, ticks_n)
    _write(path, protect, form, tempo, ticks_n, steps, markers, title)
    return MidiReport(len(steps), len(markers), ticks_n, _notices(whole, rate_hz, form))


def file_tempo(tempo: TempoMap) -> tuple[TempoMap, int]:
    """Tempo map as a Standard MIDI File holds it, and its ticks to the quarter note.

    Tempi are whole microseconds to the quarter note; changes lie on ticks. Of 480, 960, 1920, ... ticks it has the
    fewest of which none lasts longer than `LONGEST_TICK_S`.
    """
    slowest_s = max(change.quarter_s for change in tempo.tempi)
    ticks_n = 480
    while slowest_s / ticks_n > LONGEST_TICK_S:
        ticks_n *= 2
    # The division has 15 bits, and the slowest tempo allowed, 15 s to the quarter note, needs 30720 of its 32767.
    tempi = {
        Fraction(round(change.quarter * ticks_n), ticks_n): Fraction(round(change.quarter_s * 1_000_000), 1_000_000)
        for change in tempo.tempi
    }
    metres = {Fraction(round(metre.quarter * ticks_n), ticks_n): (metre.beats, metre.note) for metre in tempo.metres}
    return TempoMap(
        tuple(Tempo(*pair) for pair in tempi.items()),
        tuple(Metre(quarter, *figures) for quarter, figures in metres.items()),
    ), ticks_n


def _curve(whole: Lane, rate_hz: int, timeline: Timeline, tempo: TempoMap, ticks_n: int) -> list[_Point]:
    """Lane as (tick, gain in dB), straight between: where the tempo changes, a line bends and needs a point."""
    points = [Fraction(frame_n) for frame_n in whole.frames.tolist()]
    changes = [time_s * rate_hz - timeline.offset_n for time_s in tempo.change_times_s]
    frames = sorted({*points, *(frame_n for frame_n in changes if points[0] < frame_n < points[-1])})
    gains_db = whole.gain_db_at(np.array(frames, dtype=np.float64)).tolist()
    times_s = [(frame_n + timeline.offset_n) / rate_hz for frame_n in frames]
    return [(float(tempo.quarter_at(time_s) * ticks_n), gain) for time_s, gain in zip(times_s, gains_db)]


def lane_steps(curve: Sequence[_Point], form: MidiForm, first_tick: int | None = None) -> list[Step]:
    """Fewest steps that hold a curve.

    Each goes as far as one value can. No other way needs fewer: a value that holds a stretch holds any part of it.

    Parameters
    ----------
    curve : sequence of (float, float)
        Ticks, rising, and gains in dB; straight between, flat outside. Gains that no value has are taken for the
        nearest that one has.
    form : MidiForm
        The values that there are, and how near they must come.
    first_tick : int, optional
        Where the first step stands; else at the tick before the curve's begin.

    Returns
    -------
    list of Step
        Each holds the curve up to the next. A move too steep for the ticks has a step at each.
    """
    tick: int | None = math.floor(curve[0][0]) if first_tick is None else first_tick
    ends = [(float(tick or 0) - 1.0, curve[0][1]), *curve, (curve[-1][0] + 2.0, curve[-1][1])]
    pieces = list(pairwise(_clipped(ends, form.gain_db(1), form.full_scale_db)))
    steps: list[Step] = []
    at = 0
    while tick is not None:
        while pieces[at][1][0] <= tick:
            at += 1
        following, value = _furthest(pieces, at, tick, form)
        if not steps or steps[-1].value != value:
            steps.append(Step(tick, value))
        tick = following
    return steps


def _furthest(pieces: Sequence[_Piece], at: int, tick: int, form: MidiForm) -> tuple[int | None, int]:
    """Tick up to which one value can hold the curve from `tick` on, None for all of it, and that value."""
    (start, start_db), (end, end_db) = pieces[at]
    gain_db = start_db + (end_db - start_db) * ((tick - start) / (end - start))
    lowest, highest = form.holding(gain_db)
    low_db = high_db = gain_db
    stop: int | None = None
    for (start, start_db), (end, end_db) in islice(pieces, at, None):
        level = abs(end_db - start_db) <= _LEVEL_DB and end - start >= 1.0
        low, high = (form.nearest(start_db),) * 2 if level else form.holding(end_db)
        if max(lowest, low) > min(highest, high):
            if level:
                stop = math.ceil(start)
            else:
                limit_db = form.held_db(highest)[1] if end_db > start_db else form.held_db(lowest)[0]
                end = start + (limit_db - start_db) / (end_db - start_db) * (end - start)
                stop, end_db = math.floor(end), limit_db
                low_db, high_db = min(low_db, end_db), max(high_db, end_db)
            stop = max(stop, tick + 1)
            break
        lowest, highest = max(lowest, low), min(highest, high)
        low_db, high_db = min(low_db, end_db), max(high_db, end_db)
    return stop, min(highest, max(lowest, form.nearest((low_db + high_db) / 2.0)))


def _clipped(curve: Sequence[_Point], low_db: float, high_db: float) -> list[_Point]:
    """Curve with what lies outside two gains at the nearer of them."""
    points = [curve[0]]
    for (start, start_db), (end, end_db) in pairwise(curve):
        if end <= start:  # two frames of one time as floats have it: the later counts
            points[-1] = (start, end_db)
            continue
        crossed = [level for level in (low_db, high_db) if min(start_db, end_db) < level < max(start_db, end_db)]
        parts = sorted(((level - start_db) / (end_db - start_db), level) for level in crossed)
        points += ((start + part * (end - start), level) for part, level in parts)
        points.append((end, end_db))
    return [(tick, min(high_db, max(low_db, gain_db))) for tick, gain_db in points]


def _notices(whole: Lane, rate_hz: int, form: MidiForm) -> tuple[str, ...]:
    notices = []
    highest, lowest = int(whole.gains_db.argmax()), int(whole.gains_db.argmin())
    over_db = float(whole.gains_db[highest]) - form.full_scale_db
    if over_db > _LEVEL_DB:
        notices.append(
            f"At {whole.frames[highest] / rate_hz:.2f} s the gain is {whole.gains_db[highest]:+.2f} dB, but the "
            f"highest value means {form.full_scale_db:+g} dB and stands there instead; choose a full scale of "
            f"{math.ceil(whole.gains_db[highest]):+d} dB and set it at the receiver too."
        )
    if whole.gains_db[lowest] < form.gain_db(0.5):
        notices.append(
            f"At {whole.frames[lowest] / rate_hz:.2f} s the gain is {whole.gains_db[lowest]:+.2f} dB, but the lowest "
            f"value above silence means {form.gain_db(1):+.1f} dB and stands there instead."
        )
    return tuple(notices)


def _law_text(form: MidiForm) -> str:
    return (
        f"Ride on controller {form.controller}, {form.bits} bits: {form.highest} is {form.full_scale_db:+g} dB, "
        f"gain = {form.full_scale_db:g} + 40 log10(v / {form.highest}) dB, 0 dB is {form.value(0.0):.1f}"
    )


def _markers(
    phrases: Sequence[Span], rate_hz: int, form: MidiForm, tempo: TempoMap, ticks_n: int
) -> list[tuple[int, str]]:
    """Ticks and labels of phrases that begin on the timeline and inside the selection."""
    markers = []
    for i, phrase in enumerate(phrases, start=1):
        time_s = form.timeline.time_s(phrase.start_n, rate_hz)
        if time_s >= 0 and (form.span is None or form.span[0] <= phrase.start_n <= form.span[1]):
            label = " ".join(phrase.label.replace("\0", "").split()) or f"phrase {i}"
            markers.append((round(tempo.quarter_at(time_s) * ticks_n), label))
    return markers


def _write(
    path: str | Path,
    protect: Iterable[str | Path],
    form: MidiForm,
    tempo: TempoMap,
    ticks_n: int,
    steps: Sequence[Step],
    markers: Sequence[tuple[int, str]],
    title: str,
) -> None:
    import mido  # most exports need none of it

    name = " ".join(title.replace("\0", "").split()) or "Ride"
    # The map of tempo and metre and the markers belong into the first track (Standard MIDI Files 1.0, from memory).
    first: list[tuple[int, Any]] = [
        (0, mido.MetaMessage("track_name", name=name)),
        (0, mido.MetaMessage("text", text=_law_text(form))),
    ]
    first += (
        (
            int(metre.quarter * ticks_n),
            mido.MetaMessage("time_signature", numerator=metre.beats, denominator=metre.note),
        )
        for metre in tempo.metres
    )
    first += (
        (int(change.quarter * ticks_n), mido.MetaMessage("set_tempo", tempo=int(change.quarter_s * 1_000_000)))
        for change in tempo.tempi
    )
    first += ((tick, mido.MetaMessage("marker", text=label)) for tick, label in markers)
    second: list[tuple[int, Any]] = [(0, mido.MetaMessage("track_name", name=name))]
    for tick, value in steps:
        bytes_of = [(0, value >> 7), (32, value & 127)] if form.bits == 14 else [(0, value)]
        second += (
            (
                tick,
                mido.Message("control_change", channel=form.channel - 1, control=form.controller + offset, value=byte),
            )
            for offset, byte in bytes_of
        )
    file = mido.MidiFile(type=1, ticks_per_beat=ticks_n, charset="utf-8")
    for events in (first, second):
        events.sort(key=lambda event: event[0])  # stable: a pair of bytes stays in its order
        before = [0, *(tick for tick, _ in events)]
        file.tracks.append(mido.MidiTrack(e.copy(time=tick - prior) for prior, (tick, e) in zip(before, events)))
    with written_aside(path, protect) as aside:
        file.save(aside)
