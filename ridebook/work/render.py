"""What voices are rendered with: their gain, on their own files, and the phrases as markers."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from ridebook.audio.chunks import Marker
from ridebook.audio.gain import GainCurve
from ridebook.audio.stems import Stem
from ridebook.ride.lane import Breakpoint, Lane
from ridebook.session.document import Session


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
