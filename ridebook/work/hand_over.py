"""The hand-over: everything that leaves for a workstation, written together, all of it or nothing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from os import PathLike
from pathlib import Path
from typing import Any

from ridebook import __version__
from ridebook.audio.broadcast import BroadcastLoudness
from ridebook.audio.files import file_sha256
from ridebook.audio.output import written_together
from ridebook.audio.render import MixVersion, RenderReport, render_mixes, render_stem
from ridebook.audio.stems import Stem, StemPair
from ridebook.exchange.aaf_rides import AafTrack, GainOn, aaf_tracks, write_aaf
from ridebook.exchange.breakpoints import PLAIN, ListForm, write_breakpoints
from ridebook.exchange.manifest import (
    AudioFacts,
    FileLoudness,
    Manifest,
    ManifestFile,
    ManifestSource,
    finite,
    write_manifest,
)
from ridebook.exchange.midi_rides import MidiForm, write_midi_rides
from ridebook.exchange.segment_lists import write_segments
from ridebook.exchange.timings import WRITERS
from ridebook.segment.spans import Kind
from ridebook.session.document import Session, SourceFile
from ridebook.work.meter import Meter
from ridebook.work.opened import opened_pair
from ridebook.work.render import file_curve, phrase_markers, shared_lane, voice_curves
from ridebook.work.steps import CancelCheck, Cancelled, Progress, never, silent

AUDIO_SUFFIXES = (".wav", ".flac", ".w64", ".aiff")
SEGMENT_SUFFIXES = (".csv", *WRITERS)


class What(StrEnum):
    """What a file of the hand-over holds."""

    RIDES = "rides"
    MIDI = "rides as MIDI"
    AAF = "rides as AAF"
    SEGMENTS = "segments"
    STEM = "ridden stem"
    MIX = "mix"
    BED = "bed alone"
    FOLLOWER = "ridden follower"
    FOLLOWER_RIDES = "rides of the follower"
    MANIFEST = "manifest"


@dataclass(frozen=True, slots=True)
class Output:
    """One file to write.

    Parameters
    ----------
    what : What
        What it holds.
    path : Path
        Where; its ending chooses among formats of audio and of segments.
    step_db : float
        Of a mix: how much the vocal, and by their shares its followers, are up or down.
    follower_n : int
        Of a follower's file: which of the session's followers.
    """

    what: What
    path: Path
    step_db: float = 0.0
    follower_n: int = 0

    def title(self, session: Session) -> str:
        """Say what the file holds."""
        if self.what is What.MIX and self.step_db:
            return f"mix with the vocal {abs(self.step_db):g} dB {'up' if self.step_db > 0 else 'down'}"
        if self.what in (What.FOLLOWER, What.FOLLOWER_RIDES):
            return f"{self.what} {Path(session.followers[self.follower_n].source.path).stem}"
        return self.what


@dataclass(frozen=True, slots=True)
class HandOver:
    """What is to be written, and in which form.

    Parameters
    ----------
    outputs : tuple of Output
        The files; a manifest is written last.
    list_form : ListForm
        What breakpoint lists look like.
    midi_form : MidiForm
        How rides are written as controllers.
    gain_on : GainOn
        Whether the ride of an AAF file is on the clip or on the track.
    linked : bool
        Whether an AAF file refers to the sources instead of holding their audio.
    replace : bool
        Whether files that are there are replaced.
    """

    outputs: tuple[Output, ...]
    list_form: ListForm = PLAIN
    midi_form: MidiForm = field(default_factory=MidiForm)
    gain_on: GainOn = GainOn.CLIP
    linked: bool = False
    replace: bool = True


@dataclass(frozen=True, slots=True)
class Handed:
    """One file that was written.

    Parameters
    ----------
    output : Output
        Which.
    told : str
        What there is to say of it, beginning with a small letter; empty for nothing.
    details : dict
        What the manifest says of it.
    report : RenderReport or None
        Of audio, what was rendered.
    figures : BroadcastLoudness or None
        Of audio, its loudness.
    notices : tuple of str
        Sentences for the user.
    """

    output: Output
    told: str = ""
    details: dict[str, Any] = field(default_factory=dict)
    report: RenderReport | None = None
    figures: BroadcastLoudness | None = None
    notices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class HandedOver:
    """What became of a hand-over.

    Parameters
    ----------
    session : Session
        What was handed over.
    files : tuple of Handed
        In the order of the outputs.
    notices : tuple of str
        What the user is to know about the sources, as sentences.
    """

    session: Session
    files: tuple[Handed, ...]
    notices: tuple[str, ...] = ()

    def lines(self, *, names_only: bool = False) -> list[str]:
        """Say of each file what it is, where it is, and what is to be known of it."""
        lines = []
        for file in self.files:
            path = file.output.path
            told = f": {file.told}" if file.told else ""
            line = f"Wrote the {file.output.title(self.session)} to {path.name if names_only else path}{told}."
            lines.append(" ".join([line, *file.notices]))
        return lines


def hand_over(
    session: Session,
    plan: HandOver,
    *,
    protect: Sequence[str | PathLike[str]] = (),
    moment: datetime | None = None,
    progress: Progress = silent,
    cancelled: CancelCheck = never,
) -> HandedOver:
    """Write all that a plan names: every file, or none.

    Parameters
    ----------
    session : Session
        What is handed over.
    plan : HandOver
        The files and their forms.
    protect : sequence of path-like
        Files that must not be written over, beside the session's sources.
    moment : datetime, optional
        When, for the manifest; now where it is left out.
    progress, cancelled
        As for `ridebook.work.analyse.analyse`.

    Raises
    ------
    OutputError
        A file cannot be written, is a source, or is there and may not be replaced.
    SettingError
        A form does not fit the session, as a selection that holds nothing.
    SourceError
        A source is gone, has changed its length, or breaks off.
    Cancelled
        The work was called off; nothing was written.
    """
    if not plan.outputs:
        return HandedOver(session, ())
    kept = [Path(path) for path in protect] + [Path(source.path) for source in session.sources]
    targets = [output.path for output in plan.outputs]
    with written_together(targets, kept, replace=plan.replace) as asides, ExitStack() as held:
        writing = _Writing(session, plan, held, progress, cancelled)
        placed = list(zip(plan.outputs, asides, strict=True))
        done: dict[Output, Handed] = {}
        for output, aside in placed:
            if output.what is not What.MANIFEST and output.what not in _AUDIO:
                done[output] = writing.written(output, aside)
        done |= writing.rendered([(output, aside) for output, aside in placed if output.what in _AUDIO])
        for output, aside in placed:
            if output.what is What.MANIFEST:
                written = [(done[other], where) for other, where in placed if other in done]
                manifest = _manifest(session, written, output, moment or datetime.now().astimezone())
                write_manifest(aside, manifest)
                done[output] = Handed(output, f"hashes and figures of {len(manifest.files)} files")
        progress(1.0)
    return HandedOver(session, tuple(done[output] for output in plan.outputs), writing.notices)


_AUDIO = (What.STEM, What.MIX, What.BED, What.FOLLOWER)


class _Writing:
    """One hand-over while it is written."""

    def __init__(
        self, session: Session, plan: HandOver, held: ExitStack, progress: Progress, cancelled: CancelCheck
    ) -> None:
        self._session = session
        self._plan = plan
        self._held = held
        self._pair: StemPair | None = None
        self._cancelled = cancelled
        self._parts = _parts(plan, progress)

    @property
    def notices(self) -> tuple[str, ...]:
        """What was done to bring the sources together."""
        return self._pair.notices if self._pair is not None else ()

    def _opened(self) -> StemPair:
        if self._pair is None:
            self._pair = self._held.enter_context(opened_pair(self._session, with_followers=True))
        return self._pair

    def written(self, output: Output, path: Path) -> Handed:
        """Write one file that is no audio."""
        session, plan = self._session, self._plan
        rate_hz = session.vocal.rate_hz
        if output.what is What.RIDES:
            rows_n = write_breakpoints(path, session.lane, session.trim_db, rate_hz, form=plan.list_form)
            return Handed(output, _counted(rows_n, "breakpoint"), _list_details(plan.list_form, rows_n))
        if output.what is What.FOLLOWER_RIDES:
            follower = session.followers[output.follower_n]
            form = replace(plan.list_form, with_trim=False)
            rows_n = write_breakpoints(path, shared_lane(session.lane, follower.share), 0.0, rate_hz, form=form)
            told = f"{_counted(rows_n, 'breakpoint')}, {follower.share:.0%} of the lane, without the trim"
            return Handed(output, told, {"share": follower.share, **_list_details(form, rows_n)})
        if output.what is What.SEGMENTS:
            return self._segments(output, path)
        if output.what is What.MIDI:
            return self._midi(output, path)
        return self._aaf(output, path)

    def _segments(self, output: Output, path: Path) -> Handed:
        segments, rate_hz = self._session.segments, self._session.vocal.rate_hz
        suffix = path.suffix.lower()
        if suffix == ".textgrid":
            WRITERS[suffix](path, segments, rate_hz, self._session.vocal.frames_n)
        elif suffix == ".tsv":
            WRITERS[suffix](path, segments, rate_hz, Kind.WORD if segments.words else Kind.PHRASE)
        else:
            WRITERS.get(suffix, write_segments)(path, segments, rate_hz)
        told = f"{_counted(len(segments.phrases), 'phrase')}, {_counted(len(segments.words), 'word')}"
        return Handed(output, told, {"phrases": len(segments.phrases), "words": len(segments.words)})

    def _midi(self, output: Output, path: Path) -> Handed:
        session, form = self._session, self._plan.midi_form
        report = write_midi_rides(
            path,
            session.lane,
            session.trim_db,
            session.vocal.rate_hz,
            form,
            session.segments.phrases,
            title=session.title,
        )
        told = (
            f"{_counted(report.steps_n, 'value')} of controller {form.controller} in {form.bits} bits, full scale "
            f"{form.full_scale_db:+g} dB"
        )
        details = {
            "controller": form.controller,
            "bits": form.bits,
            "full_scale_db": form.full_scale_db,
            "channel": form.channel,
            "trim_included": form.with_trim,
            "steps": report.steps_n,
            "markers": report.markers_n,
            "ticks_per_quarter": report.ticks_per_quarter,
        }
        return Handed(output, told, details, notices=report.notices)

    def _aaf(self, output: Output, path: Path) -> Handed:
        session, plan, pair = self._session, self._plan, self._opened()
        trim_db = session.trim_db if plan.list_form.with_trim else 0.0
        tracks = aaf_tracks(pair, session.lane, trim_db)
        for stem, follower in zip(pair.followers, session.followers, strict=True):
            tracks.append(AafTrack(stem, shared_lane(session.lane, follower.share)))
        report = write_aaf(
            path,
            tracks,
            plan.list_form.timeline,
            gain_on=plan.gain_on,
            linked=plan.linked,
            markers=phrase_markers(self._session),
            title=session.title,
            progress=next(self._parts),
            cancelled=self._cancelled,
        )
        if report is None:
            raise Cancelled
        audio = "linked where it can be" if plan.linked else "embedded"
        told = (
            f"{_counted(report.tracks_n, 'mono track')}, the ride as {plan.gain_on} gain with "
            f"{_counted(report.points_n, 'point')}, audio {audio}"
        )
        details = {
            "gain_on": str(plan.gain_on),
            "audio": audio,
            "trim_included": bool(plan.list_form.with_trim),
            "tracks": report.tracks_n,
            "points": report.points_n,
        }
        return Handed(output, told, details, notices=report.notices)

    def rendered(self, placed: Sequence[tuple[Output, Path]]) -> dict[Output, Handed]:
        """Write all audio: each voice from its own file, all mixes and the bed in one reading."""
        if not placed:
            return {}
        pair = self._opened()
        curves = voice_curves(self._session)
        done: dict[Output, Handed] = {}
        with ThreadPoolExecutor(2, "meter") as worker:
            for output, path in placed:
                if output.what is What.STEM:
                    done[output] = self._voice(output, path, pair.vocal, curves[0], worker)
                elif output.what is What.FOLLOWER:
                    stem, follower = pair.followers[output.follower_n], self._session.followers[output.follower_n]
                    handed = self._voice(output, path, stem, curves[1 + output.follower_n], worker)
                    handed.details["share"] = follower.share
                    done[output] = handed
            mixes = [(output, path) for output, path in placed if output.what in (What.MIX, What.BED)]
            if mixes:
                done |= self._mixes(mixes, curves, worker)
        return done

    def _voice(self, output: Output, path: Path, stem: Stem, curve: Any, worker: ThreadPoolExecutor) -> Handed:
        meter = Meter(stem.info.rate_hz, stem.layout, worker)
        report = render_stem(
            stem.path,
            path,
            file_curve(curve, stem),
            markers=phrase_markers(self._session, stem),
            loudness=meter.figures,
            observer=meter.feed,
            progress=next(self._parts),
            cancelled=self._cancelled,
        )
        if report is None:
            raise Cancelled
        return _audio(output, report, meter.figures(), {}, self._session.limits.ceiling_dbtp)

    def _mixes(
        self, placed: Sequence[tuple[Output, Path]], curves: Sequence[Any], worker: ThreadPoolExecutor
    ) -> dict[Output, Handed]:
        pair, session = self._opened(), self._session
        shares = [1.0, *(follower.share for follower in session.followers)]
        meters = [Meter(pair.rate_hz, pair.mix_layout, worker) for _ in placed]
        versions = [
            MixVersion(
                path,
                None if output.what is What.BED else tuple(output.step_db * share for share in shares),
                loudness=meter.figures,
            )
            for (output, path), meter in zip(placed, meters, strict=True)
        ]
        reports = render_mixes(
            pair,
            versions,
            curves,
            session.settings.centre_law_db,
            markers=phrase_markers(self._session),
            observers=[meter.feed for meter in meters],
            progress=next(self._parts),
            cancelled=self._cancelled,
        )
        if reports is None:
            raise Cancelled
        return {
            output: _audio(
                output,
                report,
                meter.figures(),
                {"vocal_step_db": output.step_db} if output.what is What.MIX else {},
                session.limits.ceiling_dbtp,
            )
            for (output, _), report, meter in zip(placed, reports, meters, strict=True)
        }


def _parts(plan: HandOver, progress: Progress) -> Iterator[Progress]:
    """Progress of each long step in its turn, by the samples that it handles."""
    whats = [output.what for output in plan.outputs]
    mixes_n = sum(what in (What.MIX, What.BED) for what in whats)
    weights = [1.0] * whats.count(What.AAF)
    weights += [1.0] * (whats.count(What.STEM) + whats.count(What.FOLLOWER))
    if mixes_n:
        weights.append(1.0 + mixes_n)
    total, before = sum(weights), 0.0
    for weight in weights:
        yield _stretch(progress, before / total, weight / total)
        before += weight


def _stretch(progress: Progress, start: float, length: float) -> Progress:
    return lambda done: progress(start + length * done)


def _audio(
    output: Output,
    report: RenderReport,
    figures: BroadcastLoudness,
    details: dict[str, Any],
    ceiling_dbtp: float,
) -> Handed:
    report = replace(report, path=output.path, true_peak_dbtp=figures.true_peak_dbtp)
    told = f"{figures.integrated_lufs:.1f} LUFS, true peak {figures.true_peak_dbtp:.1f} dBTP"
    notices = []
    if figures.true_peak_dbtp > ceiling_dbtp:
        notices.append(f"That is over the ceiling of {ceiling_dbtp:g} dBTP; nothing was limited.")
    if report.clipped_n:
        # The trim is on the vocal alone.
        cure = ": lower the trim" if output.what in (What.STEM, What.MIX) else ""
        notices.append(f"{report.clipped_n} samples are cut off at full scale{cure}.")
    return Handed(output, told, details, report, figures, (*notices, *report.notices))


def _manifest(session: Session, written: Sequence[tuple[Handed, Path]], output: Output, moment: datetime) -> Manifest:
    folder = output.path.parent.resolve()
    roles: list[tuple[str, SourceFile, float | None]] = [("vocal", session.vocal, None)]
    roles += [("bed", bed, None) for bed in session.beds]
    roles += [("follower", follower.source, follower.share) for follower in session.followers]
    return Manifest(
        title=session.title,
        program=f"ridebook {__version__}",
        written_at=moment.isoformat(timespec="seconds"),
        trim_db=session.trim_db,
        breakpoints=len(session.lane.points),
        settings=asdict(session.settings),
        sources=tuple(
            ManifestSource(
                role,
                Path(source.path).name,
                # As it is now, which is what was read.
                file_sha256(source.path),
                source.rate_hz,
                source.channels_n,
                source.frames_n,
                share,
            )
            for role, source, share in roles
        ),
        files=tuple(_manifest_file(file, path, folder, session) for file, path in written),
    )


def _manifest_file(file: Handed, path: Path, folder: Path, session: Session) -> ManifestFile:
    target = file.output.path.resolve()
    return ManifestFile(
        what=file.output.title(session),
        name=target.name if target.parent == folder else str(target),
        bytes=path.stat().st_size,
        sha256=file_sha256(path),
        details=file.details,
        audio=None if file.report is None or file.figures is None else _facts(file.report, file.figures),
    )


def _facts(report: RenderReport, figures: BroadcastLoudness) -> AudioFacts:
    return AudioFacts(
        rate_hz=report.rate_hz,
        channels=report.channels_n,
        frames=report.frames_n,
        container=report.container,
        samples=report.subtype,
        clipped_samples=report.clipped_n,
        loudness=FileLoudness(
            finite(figures.integrated_lufs),
            finite(figures.range_lu),
            finite(figures.momentary_max_lufs),
            finite(figures.short_term_max_lufs),
            finite(figures.true_peak_dbtp),
        ),
    )


def _list_details(form: ListForm, rows_n: int) -> dict[str, Any]:
    return {
        "columns": list(form.header),
        "breakpoints": rows_n,
        "trim_included": form.with_trim,
        "offset_frames": form.timeline.offset_n,
        "selection_frames": form.span,
        "dense": form.dense,
    }


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"
