"""What the edits share: spans and cells of a session, and sessions with a part replaced."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

from ridebook.errors import SegmentError
from ridebook.ride.lane import Breakpoint, Lane
from ridebook.segment.spans import Kind, Segments, Span
from ridebook.session.document import Decision, Session

RAMP_S = {Kind.SECTION: 0.35, Kind.PHRASE: 0.15, Kind.WORD: 0.04}
"""Length of the ramps that an edit by hand makes, by the scale it is made on (common practice, no source)."""

Cell = tuple[int, int]


def span_of(session: Session, span_id: str) -> Span:
    """Span by its id.

    Raises
    ------
    SegmentError
        There is none.
    """
    for span in session.segments.all_spans():
        if span.id == span_id:
            return span
    raise SegmentError(f"there is no segment {span_id!r}")


def phrase_cells(session: Session) -> dict[str, Cell]:
    """Cell of the lane that each phrase owns, by id, in order of time; as `Segments.cell_of`, all at once."""
    phrases = session.segments.phrases
    borders = [0]
    borders += [(before.end_n + after.start_n) // 2 for before, after in pairwise(phrases)]
    borders.append(session.vocal.frames_n)
    return {phrase.id: (borders[i], borders[i + 1]) for i, phrase in enumerate(phrases)}


def quiet_ids(session: Session) -> frozenset[str]:
    """Ids of the phrases and words that are meant to be quiet, as a suggestion takes them."""
    return session.quiet_words | {phrase_id for phrase_id, said in session.decisions.items() if said.quiet}


def with_fields(session: Session, **fields: object) -> Session:
    """Session with some fields replaced; the same one where nothing differs."""
    if all(getattr(session, name) == value for name, value in fields.items()):
        return session
    return replace(session, **fields)  # type: ignore[arg-type]


def saying(decisions: Mapping[str, Decision]) -> dict[str, Decision]:
    """Decisions without those that say nothing."""
    nothing = Decision()
    return {phrase_id: decision for phrase_id, decision in decisions.items() if decision != nothing}


def with_decisions(session: Session, decided: Mapping[str, Decision]) -> Session:
    """Session with some phrases decided otherwise, by their ids."""
    return with_fields(session, decisions=saying({**session.decisions, **decided}))


def known_phrases(session: Session, phrase_ids: Iterable[str]) -> list[str]:
    """Ids of phrases, each once; a `SegmentError` where there is no such phrase."""
    known = {phrase.id for phrase in session.segments.phrases}
    chosen = list(dict.fromkeys(phrase_ids))
    for phrase_id in chosen:
        if phrase_id not in known:
            raise SegmentError(f"there is no phrase {phrase_id!r}")
    return chosen


def ramp_length_n(session: Session, kind: Kind) -> int:
    """Length of a ramp by hand on a scale, in frames."""
    return round(RAMP_S[kind] * session.vocal.rate_hz)


def runs_of(spans: Sequence[Span], ids: Collection[str]) -> list[list[Span]]:
    """Spans named in `ids`, those that follow each other together."""
    runs: list[list[Span]] = []
    follows = False
    for span in spans:
        if span.id in ids:
            if follows:
                runs[-1].append(span)
            else:
                runs.append([span])
        follows = span.id in ids
    return runs


def cell_runs(session: Session, phrase_ids: Collection[str]) -> list[Cell]:
    """Cells of phrases, those that touch as one."""
    cells = phrase_cells(session)
    return [(cells[run[0].id][0], cells[run[-1].id][1]) for run in runs_of(session.segments.phrases, phrase_ids)]


def flat_cells(
    session: Session, phrase_ids: Collection[str], gain_db: float = 0.0
) -> list[tuple[int, int, list[tuple[int, float]]]]:
    """Cells of phrases at one gain."""
    return [(start_n, end_n, [(start_n, gain_db)]) for start_n, end_n in cell_runs(session, phrase_ids)]


def points_about(points: Sequence[Breakpoint], start_n: int, end_n: int) -> Sequence[Breakpoint]:
    """Those of the points that shape a stretch: inside it, and the nearest on either side."""
    first = bisect_left(points, start_n, key=lambda point: point.frame_n)
    last = bisect_right(points, end_n, key=lambda point: point.frame_n)
    return points[max(0, first - 1) : last + 1]


def points_held(lane: Lane, start_n: int, end_n: int) -> list[Breakpoint]:
    """Points of a lane inside a stretch, with one at each border."""
    inner = [point for point in lane.points if start_n < point.frame_n < end_n]
    first_db, last_db = lane.gain_db_at([start_n, end_n]).tolist()
    return [Breakpoint(start_n, first_db), *inner, Breakpoint(end_n, last_db)]


def of_kind(segments: Segments, kind: Kind) -> tuple[Span, ...]:
    """Spans of one kind."""
    spans: tuple[Span, ...] = getattr(segments, f"{kind.value}s")
    return spans


def new_ids(session: Session, kind: Kind, count: int = 1) -> list[str]:
    """Ids that no span has: numbers above those in use, so that ids of deleted spans come back late if at all."""
    used = [span.id for span in session.segments.all_spans()]
    used += [part for key in session.accepted for part in key.split(":")]
    numbers = [int(digits) for i in used if (digits := i.lstrip("abcdefghijklmnopqrstuvwxyz")).isdecimal()]
    first = max(numbers, default=0) + 1
    return [f"{kind.value[0]}{number}" for number in range(first, first + count)]


def pruned(session: Session) -> Session:
    """Session without decisions, aims and marks of spans that are gone."""
    segments = session.segments
    phrases = {span.id for span in segments.phrases}
    sections = {span.id for span in segments.sections}
    return replace(
        session,
        decisions={key: value for key, value in session.decisions.items() if key in phrases},
        section_aims={key: value for key, value in session.section_aims.items() if key in sections},
        quiet_words=session.quiet_words & {span.id for span in segments.words},
    )


def without_acceptances(session: Session, gone: Collection[str]) -> Session:
    """Session without accepted findings about spans that are gone, as their ids may be used again one day."""
    kept = {key: note for key, note in session.accepted.items() if not set(key.split(":")) & set(gone)}
    return with_fields(session, accepted=kept)
