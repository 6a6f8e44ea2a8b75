"""Stems and the ride on them as an Advanced Authoring Format file.

One composition: a mono track for each channel of each stem, the ride as a Mono Audio Gain operation with a varying
value, a timecode track, and phrases as markers. Receivers have mono gain alone as a common ground, so that a stereo
vocal becomes two mono tracks with the same gain.

Sources: AMWA "Advanced Authoring Format (AAF) Object Specification" v1.1 and "AAF Edit Protocol" (mobs, slots,
operation groups, control points; from memory); the identifiers of operation, parameter and interpolation are those of
the AAF software kit's dictionary. Amplitude is a factor on the samples. The parameter Level that the dictionary has too
is not taken for automation by an independent reader.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from ridebook import __version__
from ridebook.audio.chunks import Marker, wave_head
from ridebook.audio.output import written_aside
from ridebook.audio.pcm24 import Pcm24
from ridebook.audio.stems import Stem, StemPair
from ridebook.errors import SettingError
from ridebook.exchange.dense import dense_lane
from ridebook.exchange.outgoing import Timeline
from ridebook.exchange.timecode import timecode_frames
from ridebook.ride.lane import Breakpoint, Lane

WITHIN_DB = 0.045
"""How far a reader that ramps in amplitude may be from the lane; amplitudes are rounded, and 0.05 dB is to hold."""

MONO_AUDIO_GAIN = "9d2ea894-0968-11d3-8a38-0050040ef7d2"
AMPLITUDE = "e4962321-2267-11d3-8a4c-0050040ef7d2"
LINEAR = "5b6c85a4-0ede-11d3-80a9-006008143e6f"

PRODUCT = "5a0c9d0e-7b3c-4c57-9a0e-6f1f5d0b8a21"
"""Names this program in the files that it writes; drawn once."""

FEWEST_BITS_N = 20
"""Amplitudes are counted in steps of 2^-20 or finer."""

_Rational = tuple[int, int]
_INT32_MAX = 2**31 - 1
_CHANNEL_NAMES = {
    1: ("",),
    2: (" L", " R"),
    5: (" L", " R", " C", " Ls", " Rs"),
    6: (" L", " R", " C", " LFE", " Ls", " Rs"),
}


class GainOn(StrEnum):
    """Where the ride sits: on the clip, and moves with it, or on the track, and stays when the clip is moved."""

    CLIP = "clip"
    TRACK = "track"


@dataclass(frozen=True, eq=False)
class AafTrack:
    """One stem of the composition.

    Parameters
    ----------
    stem : Stem
        The audio.
    lane : Lane or None
        The whole gain on it, by frames of the vocal; with the trim or without, as it is to arrive. None for no gain
        operation at all.
    """

    stem: Stem
    lane: Lane | None = None


@dataclass(frozen=True, slots=True)
class AafReport:
    """What was written.

    Parameters
    ----------
    path : Path
        The file.
    tracks_n : int
        Mono tracks.
    points_n : int
        Points of gain on each track that has the ride; 0 without a ride.
    notices : tuple of str
        Sentences for the user.
    """

    path: Path
    tracks_n: int
    points_n: int
    notices: tuple[str, ...] = ()


def aaf_tracks(pair: StemPair, lane: Lane, trim_db: float = 0.0) -> list[AafTrack]:
    """Tracks for a vocal with its ride and its beds without one.

    Parameters
    ----------
    pair : StemPair
        The open pair.
    lane : Lane
        The ride.
    trim_db : float
        Added to the ride; 0 leaves the trim out.
    """
    points = lane.points or (Breakpoint(0, 0.0),)
    whole = Lane(tuple(Breakpoint(point.frame_n, point.gain_db + trim_db) for point in points))
    return [AafTrack(pair.vocal, whole), *(AafTrack(bed) for bed in pair.beds)]


def write_aaf(
    target: str | Path,
    tracks: Sequence[AafTrack],
    timeline: Timeline | None = None,
    *,
    gain_on: GainOn = GainOn.CLIP,
    linked: bool = False,
    markers: Sequence[Marker] = (),
    title: str = "",
    protect: Sequence[str | Path] = (),
    progress: Callable[[float], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> AafReport | None:
    """Write stems and their rides as one composition.

    Parameters
    ----------
    target : str or Path
        The file to write; moved into place when it is whole.
    tracks : sequence of AafTrack
        The stems, all of one pair.
    timeline : Timeline, optional
        Where the vocal's first frame stands, and the timecode that runs along; the composition begins at the timeline's
        zero, and what a stem has before that is cut off.
    gain_on : GainOn
        Whether the ride is on the clip or on the track.
    linked : bool
        Refer to the stems' own files. Only WAV and RF64 files at the pair's rate can be; all others, and all without
        this, are embedded as mono 24-bit samples.
    markers : sequence of Marker
        Markers, by frames of the vocal.
    title : str
        Name of the composition; the vocal's where it is empty.
    protect : sequence of str or Path
        Files that must not be written over; the stems are among them anyway.
    progress : callable, optional
        Told how much is done, 0 to 1. What it raises ends the work.
    cancelled : callable, optional
        Asked between blocks whether to stop.

    Returns
    -------
    AafReport or None
        None where `cancelled` said so; then nothing is written.

    Raises
    ------
    OutputIsSourceError, OutputError
        The target is a source, or cannot be written.
    SettingError
        There is no stem, a gain is over 66 dB, nothing lies after the timeline's zero, or the timecode begins inside a
        video frame.
    SourceUnreadableError, SourceUnusableError
        A stem cannot be read to its end, or holds NaN or infinity.
    """
    if not tracks:
        raise SettingError("there is no stem to write into the AAF file")
    layout = _Layout(tracks, timeline or Timeline())
    ride_points = [layout.points(track, gain_on) for track in tracks]
    sources = [track.stem.path for track in tracks]
    total_n = sum(track.stem.layout.channels_n * (track.stem.end_n - track.stem.start_n) for track in tracks)
    told: list[str] = []
    done_n = 0

    def step(samples_n: int) -> None:
        nonlocal done_n
        done_n += samples_n
        if cancelled is not None and cancelled():
            raise _Stopped
        if progress is not None:
            progress(min(done_n / total_n, 1.0))

    try:
        with (
            written_aside(target, [*sources, *protect]) as aside,
            _composition(aside, title or sources[0].stem) as aaf,
        ):
            for track, points in zip(tracks, ride_points, strict=True):
                if linked and _can_link(track.stem):
                    masters = aaf.linked_masters(track.stem, step)
                else:
                    masters = aaf.embedded_masters(track.stem, step)
                    if linked:
                        told.append(
                            f"{track.stem.path.name} is embedded, as only WAV and RF64 files at the vocal's rate "
                            "can be linked to."
                        )
                aaf.add_tracks(layout, track, masters, points, gain_on)
            aaf.add_timecode(layout)
            aaf.add_markers(layout, markers)
            told += aaf.notices
            tracks_n = aaf.tracks_n
    except _Stopped:
        return None
    if progress is not None:
        progress(1.0)
    return AafReport(Path(target), tracks_n, max(len(points) for points in ride_points), tuple(told))


class _Stopped(Exception):
    """The work was called off."""


class _Layout:
    """Where everything stands on the composition's timeline, in frames at the pair's rate."""

    def __init__(self, tracks: Sequence[AafTrack], timeline: Timeline):
        self.offset_n = timeline.offset_n
        self.rate_hz = tracks[0].stem.rate_hz
        self.length_n = max(track.stem.end_n for track in tracks) + self.offset_n
        self.timecode = timeline.timecode
        start = timecode_frames(timeline.timecode.start, timeline.timecode.rate)
        if start.denominator != 1:
            raise SettingError(f"timecode {timeline.timecode.start} lies inside a video frame; AAF counts whole ones")
        self.timecode_start_n = int(start)
        for track in tracks:
            if track.stem.end_n + self.offset_n <= 0:
                raise SettingError(f"{track.stem.path.name} lies before the timeline's zero; choose another offset")

    def clip(self, stem: Stem) -> tuple[int, int, int]:
        """First frame of a stem's clip on the timeline, its length, and where in the stem it begins."""
        at_n = stem.start_n + self.offset_n
        cut_n = max(-at_n, 0)
        return max(at_n, 0), stem.end_n - stem.start_n - cut_n, cut_n

    def group(self, stem: Stem, gain_on: GainOn) -> tuple[int, int]:
        """First frame on the timeline, and length, of what a gain operation spans."""
        at_n, length_n, _ = self.clip(stem)
        return (at_n, length_n) if gain_on is GainOn.CLIP else (0, self.length_n)

    def points(self, track: AafTrack, gain_on: GainOn) -> list[tuple[_Rational, _Rational]]:
        """Points of gain of a track: parts of the group's length from 0 to 1, and factors; none without a lane."""
        if track.lane is None:
            return []
        at_n, length_n = self.group(track.stem, gain_on)
        first_n = at_n - self.offset_n
        last_n = first_n + length_n
        inside = {int(frame_n) for frame_n in track.lane.frames if first_n < frame_n < last_n}
        frames = sorted(inside | {first_n, last_n})
        whole = Lane(tuple(map(Breakpoint, frames, track.lane.gain_db_at(frames).tolist())))
        dense = dense_lane(whole, WITHIN_DB)
        factors = 10.0 ** (dense.gains_db / 20.0)
        # One denominator for all: the finest with which the largest factor is still a 32-bit integer.
        bits_n = min(30, 30 - int(np.floor(np.log2(factors.max()))))
        if bits_n < FEWEST_BITS_N:
            raise SettingError(
                f"the gain rises to {dense.gains_db.max():.1f} dB, more than AAF's numbers can hold finely enough; "
                "lower the trim"
            )
        return [
            (_part(frame_n - first_n, length_n), (min(round(factor * 2**bits_n), _INT32_MAX), 2**bits_n))
            for frame_n, factor in zip(dense.frames.tolist(), factors.tolist(), strict=True)
        ]


def _part(frame_n: int, length_n: int) -> _Rational:
    """Part of a length that a frame is, in 32-bit integers; over 2^31 frames to the nearest of 2^31 parts."""
    if length_n <= _INT32_MAX:
        return frame_n, length_n
    return round(Fraction(frame_n * _INT32_MAX, length_n)), _INT32_MAX


@contextmanager
def _composition(path: Path, title: str) -> Iterator[_Composition]:
    """Make a composition that is in the file at `path` when the block ends well."""
    import aaf2

    # In two steps: the library leaves its stream open where making the file, or writing its end, fails.
    file = aaf2.open.__new__(aaf2.open)
    try:
        file.__init__(os.fspath(path), "w", extensions=False)
        with file:
            yield _Composition(file, title)
    finally:
        if hasattr(file, "f"):
            file.f.close()


class _Composition:
    """The AAF file while it is written."""

    def __init__(self, file: Any, title: str):
        self._file = file
        self._make = file.create
        self.notices: list[str] = []
        self.tracks_n = 0
        identity = file.header["IdentificationList"].value[-1]
        identity["CompanyName"].value = "Ridebook"
        identity["ProductName"].value = "Ridebook"
        identity["ProductVersionString"].value = __version__
        identity["ProductID"].value = _auid(PRODUCT)
        self._mob = self._make.CompositionMob(_text(title))
        self._mob.usage = "Usage_TopLevel"
        file.content.mobs.append(self._mob)
        file.content["EssenceData"].value = []  # required even where nothing is embedded
        self._operation: Any = None
        self._parameter: Any = None
        self._interpolation: Any = None

    def embedded_masters(self, stem: Stem, step: Callable[[int], None]) -> list[tuple[Any, int]]:
        """Master mob and slot of each channel of a stem whose samples are put into the file."""
        clipped_n = 0
        masters = []
        for channel, suffix in enumerate(_CHANNEL_NAMES[stem.layout.channels_n]):
            name = _text(stem.path.stem + suffix)
            source = self._make.SourceMob(name)
            self._file.content.mobs.append(source)
            essence, slot = source.create_essence(stem.rate_hz, "sound")
            pcm = Pcm24(stem, channel)
            stream = essence.open("w")
            for block in pcm.blocks():
                stream.write(block)
                step(len(block) // 3)
            clipped_n += pcm.clipped_n
            descriptor = self._make.PCMDescriptor()
            source.descriptor = descriptor
            descriptor["Channels"].value = 1
            descriptor["BlockAlign"].value = 3
            descriptor["SampleRate"].value = stem.rate_hz
            descriptor["AudioSamplingRate"].value = stem.rate_hz
            descriptor["AverageBPS"].value = 3 * stem.rate_hz
            descriptor["QuantizationBits"].value = 24
            descriptor["ContainerFormat"].value = self._file.dictionary.lookup_containerdef("AAF")
            descriptor["Length"].value = stem.end_n - stem.start_n
            slot.segment.length = stem.end_n - stem.start_n
            masters.append(self._master(name, source, [slot.slot_id], stem.rate_hz)[0])
        if clipped_n:
            self.notices.append(
                f"{stem.path.name} goes over full scale, which 24-bit samples cannot: {clipped_n} are cut off."
            )
        return masters

    def linked_masters(self, stem: Stem, step: Callable[[int], None]) -> list[tuple[Any, int]]:
        """Master mob and slot of each channel of a stem whose file is referred to."""
        info = stem.info
        name = _text(stem.path.stem)
        source = self._make.SourceMob(name)
        self._file.content.mobs.append(source)
        descriptor = self._make.WAVEDescriptor()
        source.descriptor = descriptor
        descriptor["SampleRate"].value = info.rate_hz
        descriptor["Summary"].value = bytearray(wave_head(info.path))
        descriptor["ContainerFormat"].value = self._file.dictionary.lookup_containerdef("AAF")
        descriptor["Length"].value = info.frames_n
        locator = self._make.NetworkLocator()
        locator["URLString"].value = info.path.resolve().as_uri()
        descriptor["Locator"].append(locator)
        slot_ids = []
        for channel in range(info.channels_n):
            slot = source.create_empty_slot(edit_rate=info.rate_hz, media_kind="sound", slot_id=channel + 1)
            slot.segment.length = info.frames_n
            slot["PhysicalTrackNumber"].value = channel + 1
            slot_ids.append(slot.slot_id)
            step(info.frames_n)
        return self._master(name, source, slot_ids, info.rate_hz)

    def _master(self, name: str, source: Any, slot_ids: Sequence[int], rate_hz: int) -> list[tuple[Any, int]]:
        master = self._make.MasterMob(name)
        self._file.content.mobs.append(master)
        out = []
        for number, slot_id in enumerate(slot_ids, 1):
            slot = master.create_timeline_slot(rate_hz, slot_id=number)
            slot.segment = source.create_source_clip(slot_id, media_kind="sound")
            slot["PhysicalTrackNumber"].value = number
            out.append((master, number))
        return out

    def add_tracks(
        self,
        layout: _Layout,
        track: AafTrack,
        masters: Sequence[tuple[Any, int]],
        points: Sequence[tuple[_Rational, _Rational]],
        gain_on: GainOn,
    ) -> None:
        """Add a mono track for each channel of a stem."""
        at_n, length_n, cut_n = layout.clip(track.stem)
        for (master, slot_id), suffix in zip(masters, _CHANNEL_NAMES[track.stem.layout.channels_n], strict=True):
            clip = master.create_source_clip(slot_id, start=cut_n, length=length_n, media_kind="sound")
            on_clip = bool(points) and gain_on is GainOn.CLIP
            pieces = [self._ridden(clip, length_n, points) if on_clip else clip]
            if at_n:
                pieces.insert(0, self._make.Filler("sound", at_n))
            if (rest_n := layout.length_n - at_n - length_n) > 0:
                pieces.append(self._make.Filler("sound", rest_n))
            sequence = self._make.Sequence("sound", layout.length_n)
            sequence.components.extend(pieces)
            on_track = bool(points) and gain_on is GainOn.TRACK
            slot = self._mob.create_timeline_slot(layout.rate_hz)
            slot.name = _text(track.stem.path.stem + suffix)
            slot.segment = self._ridden(sequence, layout.length_n, points) if on_track else sequence
            self.tracks_n += 1
            slot["PhysicalTrackNumber"].value = self.tracks_n

    def _ridden(self, segment: Any, length_n: int, points: Sequence[tuple[_Rational, _Rational]]) -> Any:
        """Gain operation around a clip or a sequence."""
        from aaf2.rational import AAFRational

        if self._operation is None:
            self._define()
        group = self._make.OperationGroup(self._operation, length_n, "sound")
        group.segments.append(segment)
        value = self._make.VaryingValue(self._parameter, self._interpolation)
        group.parameters.append(value)
        made = []
        for time, factor in points:
            point = self._make.ControlPoint()
            point["Time"].value = AAFRational(*time)
            stored = point["Value"]
            stored.add_pid_entry()
            stored.data = stored.typedef.encode(AAFRational(*factor), value.typedef)
            stored.mark_modified()
            made.append(point)
        value.pointlist.extend(made)
        return group

    def _define(self) -> None:
        dictionary = self._file.dictionary
        self._parameter = self._make.ParameterDef(AMPLITUDE, "Amplitude", "Factor on the samples", "Rational")
        dictionary.register_def(self._parameter)
        self._interpolation = self._make.InterpolationDef(LINEAR, "LinearInterp", "Straight between points")
        dictionary.register_def(self._interpolation)
        self._operation = self._make.OperationDef(MONO_AUDIO_GAIN, "Mono Audio Gain", "Gain on one channel")
        self._operation.media_kind = "sound"
        self._operation["IsTimeWarp"].value = False
        self._operation["Bypass"].value = 0
        self._operation["NumberInputs"].value = 1
        self._operation["OperationCategory"].value = "OperationCategory_Effect"
        self._operation.parameters.append(self._parameter)
        dictionary.register_def(self._operation)

    def add_timecode(self, layout: _Layout) -> None:
        """Add the timecode track; without one, readers take 25 frames a second from zero."""
        from aaf2.rational import AAFRational

        rate = layout.timecode.rate
        video_n = -(-layout.length_n * rate.frames_per_s // layout.rate_hz)
        slot = self._mob.create_timeline_slot(AAFRational(rate.frames_per_s))
        slot.name = "Timecode"
        slot.segment = self._make.Timecode(rate.counted, rate.drop, int(video_n))
        slot.segment.start = layout.timecode_start_n
        slot["PhysicalTrackNumber"].value = 1

    def add_markers(self, layout: _Layout, markers: Sequence[Marker]) -> None:
        """Add the markers that lie on the timeline as a track of events."""
        there = [marker for marker in sorted(markers) if 0 <= marker.frame_n + layout.offset_n < layout.length_n]
        if not there:
            return
        slot = self._make.EventMobSlot(max(slot.slot_id for slot in self._mob.slots) + 1, "Markers")
        slot.edit_rate = layout.rate_hz
        sequence = self._make.Sequence("DescriptiveMetadata", layout.length_n)
        slot.segment = sequence
        self._mob.slots.append(slot)
        for marker in there:
            event = self._make.DescriptiveMarker()
            event["Position"].value = marker.frame_n + layout.offset_n
            event.length = marker.length_n
            event["Comment"].value = _text(marker.label)
            sequence.components.append(event)


def _can_link(stem: Stem) -> bool:
    return stem.info.container in ("WAV", "WAVEX", "RF64") and stem.stored


def _text(text: str) -> str:
    """Text that UTF-16 can hold: names of files may have bytes that are no letters."""
    return text.replace("\0", "").encode("utf-8", "replace").decode()


def _auid(text: str) -> Any:
    from aaf2.auid import AUID

    return AUID(text)
