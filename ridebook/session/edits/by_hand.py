"""The lane by hand: nudge, flatten, breakpoints, lines, freehand, carrying rides over."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from ridebook.errors import SegmentError
from ridebook.ride import edits as lane_edits
from ridebook.ride.lane import Breakpoint, Lane
from ridebook.segment.repeats import repeats_of
from ridebook.segment.spans import Kind, Span
from ridebook.session.document import Session, State
from ridebook.session.edits.common import (
    Cell,
    cell_runs,
    flat_cells,
    known_phrases,
    phrase_cells,
    points_about,
    points_held,
    ramp_length_n,
    runs_of,
    span_of,
    with_decisions,
    with_fields,
)

FREEHAND_TOLERANCE_DB = 0.25
"""Furthest that a freehand curve may be from its few breakpoints, in dB (a choice of this program)."""

_SAME_DB = 1e-9


def word_cell(session: Session, word: Span) -> Cell:
    """Stretch around a word that its ride may use: to the middle of the gaps to the words of the same phrase beside it.

    The first and last word of a phrase reach to the phrase's cell.
    """
    phrase = session.segments.phrase_of(word)
    words = session.segments.words_of(phrase) if phrase else session.segments.words
    start_n, end_n = phrase_cells(session)[phrase.id] if phrase else (0, session.vocal.frames_n)
    i = words.index(word)
    if i > 0:
        start_n = (words[i - 1].end_n + word.start_n) // 2
    if i + 1 < len(words):
        end_n = (word.end_n + words[i + 1].start_n) // 2
    # A word may reach out of its phrase's cell a little: its middle alone lies inside.
    return min(start_n, word.start_n), max(end_n, word.end_n)


def nudge(session: Session, span_ids: Iterable[str], by_db: float) -> Session:
    """Raise or lower the lane over phrases, words or the phrases of sections, within the settings' limits.

    Spans of one kind that follow each other are moved as one, with no dip between them; the ramps lie in the gaps
    around them. A word whose phrase is named too is moved once.

    Raises
    ------
    SegmentError
        An id is not that of a section, phrase or word.
    """
    phrases, words = _targets(session, span_ids)
    low_db, high_db = session.settings.lowest_db, session.settings.highest_db
    cells = phrase_cells(session)
    lane = session.lane
    for run in runs_of(session.segments.phrases, {phrase.id for phrase in phrases}):
        cell = (cells[run[0].id][0], cells[run[-1].id][1])
        ramp_n = ramp_length_n(session, Kind.PHRASE)
        lane = lane_edits.nudge_span(lane, run[0].start_n, run[-1].end_n, by_db, cell, ramp_n, low_db, high_db)
    for run in _word_runs(session, words):
        cell = (word_cell(session, run[0])[0], word_cell(session, run[-1])[1])
        ramp_n = ramp_length_n(session, Kind.WORD)
        lane = lane_edits.nudge_span(lane, run[0].start_n, run[-1].end_n, by_db, cell, ramp_n, low_db, high_db)
    return _with_lane(session, lane, _owners(session, phrases, words))


def flatten(session: Session, span_ids: Iterable[str], gain_db: float = 0.0) -> Session:
    """Take the rides out of phrases, words or the phrases of sections.

    A phrase's cell becomes flat at `gain_db`. A word loses the ride of its own and comes to what the lane mostly holds
    over the rest of the phrase, its median; to `gain_db` where there is no rest.

    Raises
    ------
    SegmentError
        An id is not that of a section, phrase or word.
    """
    phrases, words = _targets(session, span_ids)
    ramp_n, frames_n = ramp_length_n(session, Kind.PHRASE), session.vocal.frames_n
    lane = lane_edits.replace_cells(
        session.lane, flat_cells(session, {phrase.id for phrase in phrases}, gain_db), ramp_n, frames_n
    )
    for run in _word_runs(session, words):
        start_n, end_n = run[0].start_n, run[-1].end_n
        level_db = _rest_db(session, run, words, gain_db)
        lane = lane_edits.draw_line(lane, start_n, level_db, end_n, level_db, ramp_length_n(session, Kind.WORD))
    return _with_lane(session, lane, _owners(session, phrases, words))


def add_breakpoint(session: Session, frame_n: int, gain_db: float | None = None) -> Session:
    """Add a breakpoint, held inside the vocal and the settings' limits; without a gain one that bends nothing."""
    frame_n = min(max(0, frame_n), session.vocal.frames_n)
    if gain_db is None:
        gain_db = float(session.lane.gain_db_at([frame_n])[0])
    else:
        gain_db = min(max(gain_db, session.settings.lowest_db), session.settings.highest_db)
    lane = lane_edits.add_breakpoint(session.lane, frame_n, gain_db)
    return _with_lane(session, lane, _owners_of_frames(session, [frame_n]))


def move_breakpoints(session: Session, indices: Iterable[int], by_n: int = 0, by_db: float = 0.0) -> Session:
    """Move breakpoints together, in time and gain, as far as neighbours, vocal and limits let them.

    Raises
    ------
    LaneError
        A number is not that of a breakpoint.
    """
    indices = list(indices)
    furthest_n = max((session.lane.points[i].frame_n for i in indices if 0 <= i < len(session.lane.points)), default=0)
    by_n = min(by_n, max(0, session.vocal.frames_n - furthest_n))
    lane = lane_edits.move_breakpoints(
        session.lane, indices, by_n, by_db, session.settings.lowest_db, session.settings.highest_db
    )
    return _with_lane(session, lane, _owners_of_points(session, indices))


def delete_breakpoints(session: Session, indices: Iterable[int]) -> Session:
    """Delete breakpoints.

    Raises
    ------
    LaneError
        A number is not that of a breakpoint.
    """
    indices = list(indices)
    lane = lane_edits.delete_breakpoints(session.lane, indices)
    return _with_lane(session, lane, _owners_of_points(session, indices))


def scale_breakpoints(session: Session, indices: Iterable[int], factor: float) -> Session:
    """Multiply the gains of breakpoints, within the settings' limits.

    Raises
    ------
    LaneError
        A number is not that of a breakpoint, or the factor is not finite.
    """
    indices = list(indices)
    lane = lane_edits.scale_breakpoints(
        session.lane, indices, factor, session.settings.lowest_db, session.settings.highest_db
    )
    return _with_lane(session, lane, _owners_of_points(session, indices))


def thin(session: Session, tolerance_db: float, phrase_ids: Iterable[str] | None = None) -> Session:
    """Leave out breakpoints, in some phrases or everywhere, as long as the lane moves less than a tolerance.

    Raises
    ------
    LaneError
        The tolerance is negative.
    """
    if phrase_ids is None:
        chosen = {phrase.id for phrase in session.segments.phrases}
        return _with_lane(session, lane_edits.thin(session.lane, tolerance_db), chosen)
    chosen = set(known_phrases(session, phrase_ids))
    lane = session.lane
    for start_n, end_n in cell_runs(session, chosen):
        lane = lane_edits.thin(lane, tolerance_db, start_n, end_n)
    return _with_lane(session, lane, chosen)


def draw_line(session: Session, start_n: int, start_db: float, end_n: int, end_db: float) -> Session:
    """Draw a straight line between two places."""
    return draw_freehand(session, [start_n, end_n], [start_db, end_db], 0.0)


def draw_freehand(
    session: Session,
    frames: Sequence[int],
    gains_db: Sequence[float],
    tolerance_db: float = FREEHAND_TOLERANCE_DB,
) -> Session:
    """Draw a curve as the hand went, thinned to few breakpoints and held within the settings' limits.

    Parameters
    ----------
    session : Session
        The session.
    frames : sequence of int
        Where the hand was, in any order; held inside the vocal.
    gains_db : sequence of float
        Gains there.
    tolerance_db : float
        Furthest that the breakpoints kept may leave the curve, in dB.

    Raises
    ------
    LaneError
        The two sequences differ in length, or a gain is not finite.
    """
    low_db, high_db = session.settings.lowest_db, session.settings.highest_db
    held_n = [min(max(0, frame_n), session.vocal.frames_n) for frame_n in frames]
    held_db = [min(max(gain_db, low_db), high_db) for gain_db in gains_db]
    lane = lane_edits.draw_freehand(session.lane, held_n, held_db, tolerance_db, ramp_length_n(session, Kind.WORD))
    if (
        lane.points and lane.points[-1].frame_n > session.vocal.frames_n
    ):  # the ramp after a curve that ends with the song
        inside = [point for point in lane.points if point.frame_n < session.vocal.frames_n]
        last_db = float(lane.gain_db_at([session.vocal.frames_n])[0])
        lane = Lane((*inside, Breakpoint(session.vocal.frames_n, last_db)))
    aimed = _owners_of_stretch(session, min(held_n), max(held_n)) if held_n else set()
    return _with_lane(session, lane, aimed)


def carry(session: Session, from_id: str, to_id: str) -> Session:
    """Repeat the rides of a phrase or section over another that repeats it, stretched to fit.

    The gap before, the span and the gap after are stretched each by itself, so that onset comes to lie on onset; in
    sections of as many phrases, phrase by phrase.

    Raises
    ------
    SegmentError
        The two are not both phrases or both sections, or a section holds no phrase.
    """
    source, target = span_of(session, from_id), span_of(session, to_id)
    if source.kind is not target.kind or source.kind not in (Kind.PHRASE, Kind.SECTION):
        raise SegmentError(f"rides are carried from phrase to phrase or section to section, not {from_id} to {to_id}")
    pair = [_phrases_in(session, span) for span in (source, target)]
    for span, phrases in zip((source, target), pair):
        if not phrases:
            raise SegmentError(f"section {span.id!r} holds no phrase whose rides could be carried")
    if source is target:
        return session
    cells = phrase_cells(session)
    from_n, to_n = (_carry_knots(phrases, cells, len(pair[0]) == len(pair[1])) for phrases in pair)
    to_n = _with_room(to_n, ramp_length_n(session, Kind.WORD))
    # Where there is no gap at an end, what came in the other gap has no place.
    first, last = to_n[0] == to_n[1], len(to_n) - (to_n[-1] == to_n[-2])
    from_n, to_n = from_n[first:last], to_n[first:last]
    held = Lane(tuple(points_held(session.lane, from_n[0], from_n[-1])))
    frames = np.rint(np.interp(held.frames, from_n, to_n)).astype(int).tolist()
    points = sorted(dict(zip(frames, held.gains_db.tolist())).items())
    lane = lane_edits.replace_cell(
        session.lane, to_n[0], to_n[-1], points, ramp_length_n(session, Kind.PHRASE), session.vocal.frames_n
    )
    return _with_lane(session, lane, {phrase.id for phrase in pair[1]})


def open_to_carry(session: Session, from_id: str) -> tuple[Span, ...]:
    """Repeats of a phrase or section that are not locked, and so take its rides.

    Raises
    ------
    SegmentError
        There is no such span.
    """
    others = repeats_of(session.segments, span_of(session, from_id))
    return tuple(
        other for other in others if any(not session.decision(p.id).locked for p in _phrases_in(session, other))
    )


def carry_to_repeats(session: Session, from_id: str) -> Session:
    """Repeat the rides of a phrase or section over all that sing the same, each as `carry` does, locked ones aside.

    Raises
    ------
    SegmentError
        There is no such span, or it is a section without a phrase.
    """
    for other in open_to_carry(session, from_id):
        session = carry(session, from_id, other.id)
    return session


def replace_lane(session: Session, lane: Lane) -> Session:
    """Take a whole lane that was drawn elsewhere; phrases where it differs become drawn, locked ones are kept."""
    return _with_lane(session, lane, {phrase.id for phrase in session.segments.phrases})


def _with_lane(session: Session, lane: Lane, aimed: Collection[str]) -> Session:
    """Session with a lane that a hand has changed.

    Parameters
    ----------
    session : Session
        The session before.
    lane : Lane
        Its lane after the edit.
    aimed : collection of str
        Phrases that the edit was aimed at; a locked one is changed only if it is the only one.
    """
    if lane == session.lane:
        return session
    cells = phrase_cells(session)
    foreign = {
        phrase_id: cells[phrase_id]
        for phrase_id, said in session.decisions.items()
        if said.locked and not (len(aimed) == 1 and phrase_id in aimed)
    }
    guarded = _changed(session.lane, lane, foreign)
    if guarded:
        free = cell_runs(session, cells.keys() - set(guarded))
        parts = [(start_n, end_n, points_about(lane.points, start_n, end_n)) for start_n, end_n in free]
        lane = lane_edits.replace_cells(session.lane, parts, ramp_length_n(session, Kind.WORD), session.vocal.frames_n)
    ramp_n = ramp_length_n(session, Kind.PHRASE)
    deep = {
        phrase_id: cell if phrase_id in aimed else (cell[0] + ramp_n, cell[1] - ramp_n)
        for phrase_id, cell in cells.items()
        if phrase_id in aimed or cell[1] - cell[0] > 2 * ramp_n
    }
    changed = _changed(session.lane, lane, deep)
    drawn = {phrase_id: replace(session.decision(phrase_id), state=State.DRAWN) for phrase_id in changed}
    return with_decisions(with_fields(session, lane=lane), drawn)


def _changed(before: Lane, after: Lane, cells: Mapping[str, Cell]) -> list[str]:
    """Phrases in whose cell two lanes differ."""
    if not cells:
        return []
    borders = np.array(list(cells.values()), dtype=np.int64)
    # Between knots both lanes are straight, so that they differ in a cell if and only if they do at a knot of it.
    knots = np.unique(np.concatenate([before.frames, after.frames, borders.ravel()]))
    differs = np.abs(before.gain_db_at(knots) - after.gain_db_at(knots)) > _SAME_DB
    counts = np.concatenate([[0], np.cumsum(differs)])
    first = np.searchsorted(knots, borders[:, 0], side="left")
    last = np.searchsorted(knots, borders[:, 1], side="right")
    return [phrase_id for phrase_id, count in zip(cells, (counts[last] - counts[first]).tolist()) if count]


def _targets(session: Session, span_ids: Iterable[str]) -> tuple[list[Span], list[Span]]:
    """Phrases and words that an edit of several spans changes: sections opened up, locked phrases left out."""
    segments = session.segments
    ids = set(span_ids)
    chosen = [span for span in segments.all_spans() if span.id in ids]
    for span_id in ids - {span.id for span in chosen}:
        raise SegmentError(f"there is no segment {span_id!r}")
    for span in chosen:
        if span.kind not in (Kind.SECTION, Kind.PHRASE, Kind.WORD):
            raise SegmentError(f"a {span.kind} has no ride of its own; name a section, phrase or word")
    phrase_ids = {span.id for span in chosen if span.kind is Kind.PHRASE}
    phrase_ids |= {p.id for span in chosen if span.kind is Kind.SECTION for p in segments.phrases_of(span)}
    words = [(word, segments.phrase_of(word)) for word in segments.words if word.id in ids]
    words = [(word, phrase) for word, phrase in words if phrase is None or phrase.id not in phrase_ids]
    owners = phrase_ids | {phrase.id for _, phrase in words if phrase is not None}
    if len(owners) > 1:
        owners = {phrase_id for phrase_id in owners if not session.decision(phrase_id).locked}
    return (
        [phrase for phrase in segments.phrases if phrase.id in phrase_ids & owners],
        [word for word, phrase in words if phrase is None or phrase.id in owners],
    )


def _word_runs(session: Session, words: Sequence[Span]) -> list[list[Span]]:
    """Words that follow each other in one phrase, together."""
    runs: list[list[Span]] = []
    for run in runs_of(session.segments.words, {word.id for word in words}):
        before: Span | None = None
        for word in run:
            phrase = session.segments.phrase_of(word)
            if word is run[0] or phrase is not before:
                runs.append([])
            runs[-1].append(word)
            before = phrase
    return runs


def _rest_db(session: Session, run: Sequence[Span], words: Sequence[Span], otherwise_db: float) -> float:
    """Median of the lane over the phrase of some words, without all that are chosen."""
    phrase = session.segments.phrase_of(run[0])
    if phrase is None:
        return otherwise_db
    step_n = max(1, session.vocal.rate_hz // 100)
    frames = np.arange(phrase.start_n, phrase.end_n, step_n)
    for word in words:
        frames = frames[(frames < word.start_n - step_n) | (frames > word.end_n + step_n)]
    return float(np.median(session.lane.gain_db_at(frames))) if len(frames) else otherwise_db


def _owners(session: Session, phrases: Iterable[Span], words: Iterable[Span]) -> set[str]:
    owners = {phrase.id for phrase in phrases}
    return owners | {phrase.id for word in words if (phrase := session.segments.phrase_of(word)) is not None}


def _owners_of_frames(session: Session, frames: Iterable[int]) -> set[str]:
    cells = phrase_cells(session)
    ids, ends = list(cells), [end_n for _, end_n in cells.values()]
    # Cells follow each other without gaps; an empty one owns nothing.
    places = [(bisect_right(ends, frame_n), frame_n) for frame_n in frames]
    return {ids[i] for i, frame_n in places if i < len(ids) and cells[ids[i]][0] <= frame_n}


def _owners_of_points(session: Session, indices: Iterable[int]) -> set[str]:
    points = session.lane.points
    return _owners_of_frames(session, [points[i].frame_n for i in indices])


def _owners_of_stretch(session: Session, start_n: int, end_n: int) -> set[str]:
    return {i for i, (first_n, last_n) in phrase_cells(session).items() if first_n <= end_n and start_n < last_n}


def _phrases_in(session: Session, span: Span) -> tuple[Span, ...]:
    return (span,) if span.kind is Kind.PHRASE else session.segments.phrases_of(span)


def _carry_knots(phrases: Sequence[Span], cells: Mapping[str, Cell], each: bool) -> list[int]:
    """Frames that are carried onto each other: borders of the cells and of the spans in them, rising."""
    if not each:
        phrases = [replace(phrases[0], end_n=phrases[-1].end_n)]
    knots = [cells[phrases[0].id][0]]
    for phrase in phrases:
        knots += [phrase.start_n, phrase.end_n]
    return [*knots, cells[phrases[-1].id][1]]


def _with_room(knots: Sequence[int], ramp_n: int) -> list[int]:
    """Knots in which the gaps between spans are at least a ramp long, at the cost of the spans' ends."""
    roomy = list(knots)
    for i in range(2, len(knots) - 2, 2):
        end_n, start_n = knots[i], knots[i + 1]
        if start_n - end_n < ramp_n:  # as between spans that touch
            half_n = min(ramp_n // 2, (end_n - knots[i - 1]) // 3, (knots[i + 2] - start_n) // 3)
            middle_n = (end_n + start_n) // 2
            roomy[i], roomy[i + 1] = middle_n - half_n, middle_n + half_n
    return roomy
