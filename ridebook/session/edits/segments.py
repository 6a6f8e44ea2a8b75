"""Segments by hand: borders, splitting, merging, names, and what is sure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Literal

from ridebook.errors import SegmentError
from ridebook.ride.suggestion import PhraseSuggestion
from ridebook.segment.spans import Kind, Origin, Span
from ridebook.session.document import Decision, Session, State
from ridebook.session.edits.common import new_ids, of_kind, pruned, saying, span_of, with_decisions, without_acceptances

LEAST_SPAN_S = 0.01
"""Shortest span that moving a border leaves, in seconds: one cell of the measures."""


def move_border(session: Session, span_id: str, edge: Literal["start", "end"], to_n: int) -> Session:
    """Move a border of a span; the border of a neighbour that it touches moves along.

    The border stops where the span, the neighbour or the vocal ends. Where a start was doubtful, it is no longer.

    Raises
    ------
    SegmentError
        There is no such span.
    """
    span = span_of(session, span_id)
    spans = of_kind(session.segments, span.kind)
    i = spans.index(span)
    least_n = max(1, round(LEAST_SPAN_S * session.vocal.rate_hz))
    if edge == "start":
        beside = spans[i - 1] if i > 0 else None
        touching = beside is not None and beside.end_n == span.start_n
        floor_n = 0 if beside is None else beside.start_n + least_n if touching else beside.end_n
        at_n = _between(to_n, floor_n, span.end_n - least_n, span.start_n)
        moved = replace(span, start_n=at_n, origin=Origin.HAND, confidence=None)
        along = replace(beside, end_n=at_n, origin=Origin.HAND) if beside is not None and touching else None
    else:
        beside = spans[i + 1] if i + 1 < len(spans) else None
        touching = beside is not None and beside.start_n == span.end_n
        last_n = session.vocal.frames_n if beside is None else beside.end_n - least_n if touching else beside.start_n
        at_n = _between(to_n, span.start_n + least_n, last_n, span.end_n)
        moved = replace(span, end_n=at_n, origin=Origin.HAND)
        along = None
        if beside is not None and touching:
            along = replace(beside, start_n=at_n, origin=Origin.HAND, confidence=None)
    if at_n == (span.start_n if edge == "start" else span.end_n):
        return session
    changed = {span.id: moved} | ({along.id: along} if along is not None else {})
    return _with_kind(session, span.kind, [changed.get(each.id, each) for each in spans])


def split(session: Session, span_id: str, at_n: int) -> Session:
    """Split a span in two; the first keeps the id, both keep what was decided.

    A phrase's label is shared out by its words where there are as many of these as the label has.

    Raises
    ------
    SegmentError
        There is no such span, or the place is not inside it.
    """
    span = span_of(session, span_id)
    if not span.start_n < at_n < span.end_n:
        raise SegmentError(
            f"{span.kind} {span_id!r} can be split between its frames {span.start_n} and {span.end_n} only"
        )
    texts = span.label.split()
    words = session.segments.words_of(span) if span.kind is Kind.PHRASE else ()
    first_n = sum(word.middle_n < at_n for word in words) if len(words) == len(texts) else len(texts)
    labels = (" ".join(texts[:first_n]), " ".join(texts[first_n:])) if texts[first_n:] else (span.label, "")
    first = replace(span, end_n=at_n, label=labels[0], origin=Origin.HAND, repeats="")
    second = Span(new_ids(session, span.kind)[0], span.kind, at_n, span.end_n, labels[1], Origin.HAND)
    spans = [each for each in of_kind(session.segments, span.kind) if each is not span]
    result = _with_kind(session, span.kind, [*spans, first, second])
    if span.id in session.decisions:
        decision = session.decisions[span.id]
        result = with_decisions(
            result, {second.id: replace(decision, decided_on=_renamed(decision.decided_on, second.id))}
        )
    if span.id in session.section_aims:
        result = replace(result, section_aims={**result.section_aims, second.id: session.section_aims[span.id]})
    if span.id in session.quiet_words:
        result = replace(result, quiet_words=result.quiet_words | {second.id})
    return result


def merge(session: Session, span_ids: Iterable[str]) -> Session:
    """Make one span of several of a kind that follow each other; it keeps the id of the first.

    Phrases of one state keep it. Where one was open the merged phrase is, as part of it was never decided; else it is
    drawn, as its lane is no longer one suggestion's. It is locked if one was, meant to be quiet if all were, and holds
    all notes.

    Raises
    ------
    SegmentError
        There are fewer than two, they are of several kinds, or one between them is missing.
    """
    ids = set(span_ids)
    chosen = [span for span in session.segments.all_spans() if span.id in ids]
    if len(chosen) < 2 or len({span.kind for span in chosen}) > 1 or len(chosen) < len(ids):
        raise SegmentError("two segments or more of one kind can be merged, no others")
    kind, first, last = chosen[0].kind, chosen[0], chosen[-1]
    spans = of_kind(session.segments, kind)
    if spans.index(last) - spans.index(first) + 1 != len(chosen):
        raise SegmentError(f"{kind}s can be merged when they follow each other; one between them is missing")
    label = " ".join(span.label for span in chosen if span.label)
    merged = replace(first, end_n=last.end_n, label=label, origin=Origin.HAND, repeats="")
    result = _with_kind(session, kind, [*(span for span in spans if span not in chosen), merged])
    gone = ids - {first.id}
    if kind is Kind.PHRASE:
        decisions = {key: value for key, value in session.decisions.items() if key not in gone}
        decisions[first.id] = _merged_decision([session.decision(span.id) for span in chosen])
        result = replace(result, decisions=saying(decisions))
    if kind is Kind.SECTION:
        aims = [session.section_aims[span.id] for span in chosen if span.id in session.section_aims]
        kept = {key: value for key, value in session.section_aims.items() if key not in ids}
        result = replace(result, section_aims=kept | ({first.id: aims[0]} if aims else {}))
    if kind is Kind.WORD:
        quiet = {first.id} if ids <= session.quiet_words else set()
        result = replace(result, quiet_words=session.quiet_words - ids | quiet)
    return without_acceptances(result, gone)


def rename(session: Session, span_id: str, label: str) -> Session:
    """Give a span another label.

    Raises
    ------
    SegmentError
        There is no such span.
    """
    span = span_of(session, span_id)
    if span.label == label:
        return session
    named = replace(span, label=label, origin=Origin.HAND)
    spans = of_kind(session.segments, span.kind)
    return _with_kind(session, span.kind, [named if each is span else each for each in spans])


def delete_spans(session: Session, span_ids: Iterable[str]) -> Session:
    """Delete spans, and what was decided of them; the lane stays.

    The cell of a phrase that is gone belongs to its neighbours, or is open where there are none.

    Raises
    ------
    SegmentError
        There is no such span.
    """
    gone = {span_of(session, span_id).id for span_id in span_ids}
    if not gone:
        return session
    segments = session.segments
    for kind in Kind:
        segments = segments.with_spans(kind, [span for span in of_kind(segments, kind) if span.id not in gone])
    return without_acceptances(pruned(replace(session, segments=segments)), gone)


def insert_span(session: Session, kind: Kind, start_n: int, end_n: int, label: str = "") -> Session:
    """Insert a span; a phrase begins open.

    Raises
    ------
    SegmentError
        It is empty, outside the vocal, or overlaps another of its kind.
    """
    if start_n < 0 or end_n > session.vocal.frames_n:
        raise SegmentError(f"a {kind} from frame {start_n} to {end_n} lies outside the vocal")
    span = Span(new_ids(session, kind)[0], kind, start_n, end_n, label, Origin.HAND)
    return _with_kind(session, kind, [*of_kind(session.segments, kind), span])


def confirm(session: Session, span_ids: Iterable[str]) -> Session:
    """Say that spans lie where they should: they are by hand from then on, and not doubtful.

    Raises
    ------
    SegmentError
        There is no such span.
    """
    ids = {span_of(session, span_id).id for span_id in span_ids}
    result = session
    for kind in Kind:
        spans = of_kind(session.segments, kind)
        said = [
            replace(span, origin=Origin.HAND, confidence=None)
            if span.id in ids and (span.origin is not Origin.HAND or span.confidence is not None)
            else span
            for span in spans
        ]
        if any(new is not old for new, old in zip(said, spans)):
            result = _with_kind(result, kind, said)
    return result


def room_for(session: Session, kind: Kind, start_n: int, end_n: int) -> tuple[int, int] | None:
    """Longest part of a stretch that no span of a kind lies in, or None where there is none of `LEAST_SPAN_S`."""
    start_n, end_n = max(0, start_n), min(end_n, session.vocal.frames_n)
    parts = []
    for span in of_kind(session.segments, kind):
        if span.end_n > start_n and span.start_n < end_n:
            parts.append((start_n, span.start_n))
            start_n = span.end_n
    parts.append((start_n, end_n))
    longest = max(parts, key=lambda part: part[1] - part[0])
    return longest if longest[1] - longest[0] >= LEAST_SPAN_S * session.vocal.rate_hz else None


def _with_kind(session: Session, kind: Kind, spans: Iterable[Span]) -> Session:
    return replace(session, segments=session.segments.with_spans(kind, spans))


def _between(value: int, low: int, high: int, otherwise: int) -> int:
    """Value held between two others; where these leave no room, what was."""
    return min(max(value, low), high) if low <= high else otherwise


def _renamed(suggestion: PhraseSuggestion | None, phrase_id: str) -> PhraseSuggestion | None:
    return None if suggestion is None else replace(suggestion, phrase_id=phrase_id)


def _merged_decision(decisions: Sequence[Decision]) -> Decision:
    states = {decision.state for decision in decisions}
    state = decisions[0].state if len(states) == 1 else State.OPEN if State.OPEN in states else State.DRAWN
    return Decision(
        state=state,
        decided_on=None if state is State.OPEN else decisions[0].decided_on,
        locked=any(decision.locked for decision in decisions),
        quiet=all(decision.quiet for decision in decisions),
        note="\n".join(decision.note for decision in decisions if decision.note),
    )
