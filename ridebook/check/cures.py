"""Cures: edits that do away with a finding, by one key."""

from __future__ import annotations

from bisect import bisect_left

from ridebook.check.finding import Cure, CureKind, Finding
from ridebook.errors import SettingError
from ridebook.ride.lane import Breakpoint, Lane
from ridebook.ride.suggestion import Suggestion
from ridebook.session import edits
from ridebook.session.document import TRIM_LIMIT_DB, Session

WIDE_S = 0.04
"""Length of a ramp that a step is made into: the middle of what a word's ramp takes (common practice, no source)."""


def apply_cure(session: Session, finding: Finding, suggestion: Suggestion | None = None) -> Session:
    """Session with a finding's cure applied.

    Parameters
    ----------
    session : Session
        The session that the finding was made of.
    finding : Finding
        The finding.
    suggestion : Suggestion, optional
        What is suggested now; needed where phrases are to be inked.

    Raises
    ------
    SettingError
        The finding has no cure that a key can apply, or it needs a suggestion and there is none.
    SegmentError
        A span that the finding names is no longer there.
    """
    cure = finding.cure
    if cure is None:
        raise SettingError(f"no key cures this; see to it by hand: {finding.sentence}")
    if cure.kind is CureKind.NUDGE:
        for span_id, by_db in cure.gains_db:
            session = edits.nudge(session, [span_id], by_db)
        return session
    if cure.kind is CureKind.LEVEL:
        for start_n, end_n, gain_db in cure.stretches:
            session = edits.draw_line(session, start_n, gain_db, end_n, gain_db)
        return session
    if cure.kind is CureKind.THIN:
        return edits.thin(session, cure.value_db)
    if cure.kind is CureKind.CUT:
        return edits.replace_lane(session, _cut(session.lane, session.vocal.frames_n))
    if cure.kind is CureKind.WIDEN:
        return _widened(session, cure)
    if cure.kind is CureKind.TRIM:
        trim_db = min(max(session.trim_db + cure.value_db, -TRIM_LIMIT_DB), TRIM_LIMIT_DB)
        return edits.set_trim(session, trim_db)
    if suggestion is None:
        raise SettingError("there is no suggestion yet that could be inked; wait until the measuring is done")
    return edits.ink(session, suggestion, [span_id for span_id, _ in cure.gains_db])


def _cut(lane: Lane, frames_n: int) -> Lane:
    """Lane without what lies beyond the song, the same within it."""
    first_db, last_db = lane.gain_db_at([0, frames_n]).tolist()
    inside = [point for point in lane.points if 0 < point.frame_n < frames_n]
    return Lane((Breakpoint(0, first_db), *inside, Breakpoint(frames_n, last_db)))


def _widened(session: Session, cure: Cure) -> Session:
    """Session in which the two breakpoints of a step are as far apart as a ramp of a word, as far as there is room."""
    points = list(session.lane.points)
    wide_n = round(WIDE_S * session.vocal.rate_hz)
    for start_n, end_n, _ in cure.stretches:
        i = bisect_left(points, start_n, key=lambda point: point.frame_n)
        if i + 1 >= len(points) or (points[i].frame_n, points[i + 1].frame_n) != (start_n, end_n):
            continue
        more_n = wide_n - (end_n - start_n)
        floor_n = points[i - 1].frame_n + 1 if i > 0 else 0
        ceiling_n = points[i + 2].frame_n - 1 if i + 2 < len(points) else session.vocal.frames_n
        first_n = max(floor_n, start_n - more_n // 2)
        last_n = min(ceiling_n, first_n + wide_n)
        points[i] = points[i]._replace(frame_n=max(floor_n, min(first_n, last_n - wide_n)))
        points[i + 1] = points[i + 1]._replace(frame_n=last_n)
    return edits.replace_lane(session, Lane(tuple(points)))
