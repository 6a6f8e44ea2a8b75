"""The gain that voices are rendered with; the ridden stem and the mix of a session, written and metered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
from os import PathLike
from typing import Protocol

import numpy as np

from ridebook.audio.chunks import Marker
from ridebook.audio.gain import GainCurve
from ridebook.audio.render import Observer, RenderReport, render_mix, render_stem
from ridebook.audio.stems import Stem, StemPair
from ridebook.measure.truepeak import TruePeak
from ridebook.ride.lane import Breakpoint, Lane
from ridebook.session.document import Session
from ridebook.work.steps import CancelCheck, Cancelled, Progress, never, part_of, silent

CEILING_DBTP = -1.0
"""A true peak over this is told (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Rendered:
    """One file that was rendered.

    Parameters
    ----------
    what : str
        ``ridden stem`` or ``mix``.
    report : RenderReport
        What was written.
    """

    what: str
    report: RenderReport

    def line(self) -> str:
        """Say what there is to say of the file, in one line."""
        report = self.report
        parts = [f"Wrote the {self.what} {report.path}: true peak {report.true_peak_dbtp:.1f} dBTP."]
        if report.true_peak_dbtp > CEILING_DBTP:
            parts.append(f"That is over the ceiling of {CEILING_DBTP:g} dBTP; nothing was limited.")
        if report.clipped_n:
            parts.append(f"{report.clipped_n} samples are cut off at full scale: lower the trim.")
        return " ".join([*parts, *report.notices])


class _Job(Protocol):
    def __call__(self, *, observer: Observer, progress: Progress, cancelled: CancelCheck) -> RenderReport | None: ...


def whole_gain(lane: Lane, trim_db: float) -> GainCurve:
    """Trim plus lane as the samples see it."""
    if not lane.points:
        return GainCurve(np.zeros(1, np.int64), np.array([trim_db]))
    return GainCurve(lane.frames, lane.gains_db + trim_db)


def shared_lane(lane: Lane, share: float) -> Lane:
    """Lane of a follower: all gains in dB times its share."""
    return Lane(tuple(Breakpoint(point.frame_n, point.gain_db * share) for point in lane.points))


def voice_curves(session: Session) -> list[GainCurve]:
    """Whole gain of the vocal and of each follower; the trim is the vocal's own."""
    lanes = [shared_lane(session.lane, follower.share) for follower in session.followers]
    return [whole_gain(session.lane, session.trim_db), *(whole_gain(lane, 0.0) for lane in lanes)]


def file_curve(curve: GainCurve, stem: Stem) -> GainCurve:
    """Curve on the frames of a stem's own file, which may begin elsewhere and have another rate."""
    ratio = Fraction(stem.info.rate_hz, stem.rate_hz)
    # Of breakpoints that come to lie on one frame the last counts.
    gains_db = {
        round((frame_n - stem.start_n) * ratio): gain_db
        for frame_n, gain_db in zip(curve.frames.tolist(), curve.gains_db.tolist(), strict=True)
    }
    return GainCurve(np.array(list(gains_db), dtype=np.int64), np.array(list(gains_db.values())))


def phrase_markers(session: Session, stem: Stem | None = None) -> list[Marker]:
    """Phrases as markers, on the vocal's clock or on the frames of a stem's own file."""
    start_n, ratio = (0, Fraction(1)) if stem is None else (stem.start_n, Fraction(stem.info.rate_hz, stem.rate_hz))
    markers = []
    for i, phrase in enumerate(session.segments.phrases, start=1):
        at_n, end_n = (round((frame_n - start_n) * ratio) for frame_n in (phrase.start_n, phrase.end_n))
        if at_n >= 0 and (stem is None or at_n < stem.info.frames_n):
            markers.append(Marker(at_n, phrase.label or f"phrase {i}", end_n - at_n))
    return markers


def render_outputs(
    pair: StemPair,
    session: Session,
    *,
    stem: str | PathLike[str] | None = None,
    mix: str | PathLike[str] | None = None,
    protect: Sequence[str | PathLike[str]] = (),
    progress: Progress = silent,
    cancelled: CancelCheck = never,
) -> tuple[Rendered, ...]:
    """Write the ridden stem, the mix, or both, with the phrases as markers where the file can hold them.

    Parameters
    ----------
    pair : StemPair
        The open pair of the session.
    session : Session
        Trim and lane.
    stem, mix : path-like, optional
        Files to write.
    protect : sequence of path-like
        Files that must not be written over, beside the pair's own.
    progress, cancelled
        As for `ridebook.work.analyse.analyse`.

    Raises
    ------
    OutputError
        A file cannot be written, or is a source.
    SourceError
        A source breaks off.
    Cancelled
        The work was called off; the file in hand was not written.
    """
    curve = whole_gain(session.lane, session.trim_db)
    protect = [*protect, *(source.path for source in session.sources)]
    law_db = session.settings.centre_law_db
    markers = phrase_markers(session)
    jobs: list[tuple[str, _Job]] = []
    if stem is not None:
        jobs.append(("ridden stem", partial(render_stem, pair.vocal.path, stem, curve, protect, markers=markers)))
    if mix is not None:
        jobs.append(("mix", partial(render_mix, pair, mix, curve, law_db, protect, markers=markers)))
    rendered = []
    for i, (what, job) in enumerate(jobs):
        meter = TruePeak(pair.rate_hz)
        report = job(observer=meter.feed, progress=part_of(progress, i, len(jobs)), cancelled=cancelled)
        if report is None:
            raise Cancelled
        rendered.append(Rendered(what, replace(report, true_peak_dbtp=meter.dbtp)))
    return tuple(rendered)
