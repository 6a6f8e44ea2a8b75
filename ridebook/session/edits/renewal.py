"""What a new analysis or a new version of a file changes, and what it leaves."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import replace

from ridebook.errors import SegmentError
from ridebook.ride.lane import Lane
from ridebook.ride.suggestion import PhraseSuggestion
from ridebook.segment.spans import Kind, Origin, Segments, Span
from ridebook.session.document import Session, SourceFile, State
from ridebook.session.edits.common import of_kind, points_held, pruned, with_decisions, without_acceptances

LEAST_PIECE_S = 0.1
"""Shortest piece of a found span that is kept beside a span set by hand, in seconds (a choice of this program)."""


def replace_segments(session: Session, segments: Segments) -> Session:
    """Take the segments of a new analysis; what was set by hand and what was decided is kept.

    Spans of origin hand and locked phrases stay as they are; what is new gives way to them. A new span that shares
    more than half of what it and an old one cover together takes over the old one's id, and so its decision, aim or
    mark. The decisions of phrases that are gone go with them; the lane stays.
    """
    old = session.segments
    locked = {phrase_id for phrase_id, said in session.decisions.items() if said.locked}
    used = {span.id for span in old.all_spans()}
    least_n = max(1, round(LEAST_PIECE_S * session.vocal.rate_hz))
    result = Segments()
    for kind in Kind:
        olds = of_kind(old, kind)
        kept = [span for span in olds if span.origin is Origin.HAND or span.id in locked]
        pieces = [piece for span in of_kind(segments, kind) for piece in _beside(span, kept, least_n)]
        free = tuple(span for span in olds if span not in kept)
        taken = _matches(tuple(pieces), free)
        named = []
        for i, piece in enumerate(pieces):
            span_id = taken.get(i)
            if span_id is None:
                span_id = _unused_id(piece.id, kind, used)
            used.add(span_id)
            named.append(replace(piece, id=span_id))
        result = result.with_spans(kind, [*kept, *named])
    gone = {span.id for span in old.all_spans()} - {span.id for span in result.all_spans()}
    return without_acceptances(pruned(replace(session, segments=result)), gone)


def change_source(
    session: Session,
    old: SourceFile,
    new: SourceFile,
    changed: Iterable[tuple[int, int]] = (),
    shift_n: int = 0,
) -> Session:
    """Take a new version of a source; only phrases whose audio changed are opened again.

    Their lane stays, and their lock, note and marks; the decision alone is taken back.

    Parameters
    ----------
    session : Session
        The session.
    old : SourceFile
        One of its sources.
    new : SourceFile
        The file to read instead.
    changed : iterable of (int, int)
        Stretches in which the pair sounds different now, first frame and frame after the last, on the new vocal's
        clock.
    shift_n : int
        For a new vocal: how much later in the new file the same singing comes, in frames of the new file. Spans and
        lane move with it. What falls outside the new file is cut off.

    Raises
    ------
    SegmentError
        `old` is none of the session's sources, or a shift is given for one that is not the vocal.
    """
    if old not in session.sources:
        raise SegmentError(f"{old.path} is not a source of this session")
    if old == session.vocal:
        session = _on_new_clock(session, new, shift_n)
    elif shift_n:
        raise SegmentError("a new bed or reference does not shift the session's clock; only a new vocal does")
    session = replace(
        session,
        beds=tuple(new if source == old else source for source in session.beds),
        followers=tuple(replace(each, source=new) if each.source == old else each for each in session.followers),
        references=tuple(new if source == old else source for source in session.references),
        reference_pairs=tuple(pair.with_moved({old: new}) for pair in session.reference_pairs),
        approved_mix=new if session.approved_mix == old else session.approved_mix,
    )
    stretches = [(start_n, end_n) for start_n, end_n in changed if end_n > start_n]
    opened = {
        phrase.id: replace(session.decision(phrase.id), state=State.OPEN, decided_on=None)
        for phrase in session.segments.phrases
        if any(start_n < phrase.end_n and phrase.start_n < end_n for start_n, end_n in stretches)
    }
    return with_decisions(session, opened)


def _unused_id(wish: str, kind: Kind, used: Collection[str]) -> str:
    if wish not in used:
        return wish
    number = len(used)
    while f"{kind.value[0]}{number}" in used:
        number += 1
    return f"{kind.value[0]}{number}"


def _beside(span: Span, kept: Sequence[Span], least_n: int) -> list[Span]:
    """Return what is left of a span beside spans that stay: itself, pieces of it, or nothing."""
    pieces, start_n = [], span.start_n
    touching = [each for each in kept if each.start_n < span.end_n and span.start_n < each.end_n]
    if not touching:
        return [span]
    for each in touching:
        pieces.append((start_n, each.start_n))
        start_n = each.end_n
    pieces.append((start_n, span.end_n))
    return [replace(span, start_n=low_n, end_n=high_n) for low_n, high_n in pieces if high_n - low_n >= least_n]


def _matches(new: Sequence[Span], old: Sequence[Span]) -> dict[int, str]:
    """Id of the old span that each new one continues, by place in `new`: those that share over half of their union."""
    matches, j = {}, 0
    for i, span in enumerate(new):
        while j < len(old) and old[j].end_n <= span.start_n:
            j += 1
        for each in old[j:]:
            if each.start_n >= span.end_n:
                break
            shared_n = min(span.end_n, each.end_n) - max(span.start_n, each.start_n)
            if 2 * shared_n > max(span.end_n, each.end_n) - min(span.start_n, each.start_n):
                matches[i] = each.id
    return matches


def _on_new_clock(session: Session, vocal: SourceFile, shift_n: int) -> Session:
    """Session on the clock of another vocal: everything in frames moved, at another rate stretched, and cut to it."""
    ratio = vocal.rate_hz / session.vocal.rate_hz
    last_n = vocal.frames_n

    def moved(frame_n: int) -> int:
        return round(frame_n * ratio) + shift_n

    def cut(spans: Iterable[Span]) -> list[Span]:
        places = [(span, max(0, moved(span.start_n)), min(last_n, moved(span.end_n))) for span in spans]
        return [replace(span, start_n=start_n, end_n=end_n) for span, start_n, end_n in places if end_n > start_n]

    segments = session.segments
    for kind in Kind:
        segments = segments.with_spans(kind, cut(of_kind(segments, kind)))
    gone = {span.id for span in session.segments.all_spans()} - {span.id for span in segments.all_spans()}
    decisions = {
        phrase_id: replace(decision, decided_on=_moved_suggestion(decision.decided_on, moved))
        for phrase_id, decision in session.decisions.items()
    }
    lane = _moved_lane(session.lane, moved)
    if lane.points and (lane.points[0].frame_n < 0 or lane.points[-1].frame_n > last_n):
        lane = Lane(tuple(points_held(lane, 0, last_n)))
    shifted = replace(session, vocal=vocal, segments=segments, decisions=decisions, lane=lane)
    return without_acceptances(pruned(shifted), gone)


def _moved_lane(lane: Lane, moved: Callable[[int], int]) -> Lane:
    # At a lower rate two points may come to lie on one frame; the later one is what the lane goes on with.
    return Lane.from_pairs(sorted({moved(frame_n): gain_db for frame_n, gain_db in lane.points}.items()))


def _moved_suggestion(suggestion: PhraseSuggestion | None, moved: Callable[[int], int]) -> PhraseSuggestion | None:
    if suggestion is None:
        return None
    points = _moved_lane(Lane(suggestion.points), moved).points
    return replace(suggestion, start_n=moved(suggestion.start_n), end_n=moved(suggestion.end_n), points=points)
