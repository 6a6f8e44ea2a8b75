"""Edits: pure functions from session to session.

An edit that changes nothing returns the session it was given. Four rules hold for all of them:

* **A hand on the lane makes a phrase drawn.** Inked says that the lane in the phrase's cell is the suggestion it was
  decided on; a nudge, a drag or a line ends that, so the phrase becomes drawn and keeps in ``decided_on`` what was
  suggested. New suggestions leave it alone until somebody inks or strikes it by name. A neighbour whose lane changes
  no further in than a ramp reaches keeps its state.
* **Locks.** Ink, strike and leave open never touch a locked phrase. An edit by hand that is aimed at one phrase alone
  does, an edit aimed at several passes over the locked ones among them, and over every lane of a locked phrase that
  it was not aimed at.
* **Segments and the lane are apart.** No edit of segments changes the lane, but for the shift in `change_source`.
* **What came by hand stays.** A span that was moved, split, merged, named or inserted by hand is of origin hand.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Literal

import numpy as np

from ridebook.errors import SegmentError, SettingError
from ridebook.ride import edits as lane_edits
from ridebook.ride.lane import Breakpoint, Lane
from ridebook.ride.settings import RideSettings
from ridebook.ride.suggestion import PhraseSuggestion, Suggestion
from ridebook.segment.spans import Kind, Origin, Segments, Span
from ridebook.session.document import TRIM_LIMIT_DB, Decision, Session, SourceFile, State, check_aim

RAMP_S = {Kind.SECTION: 0.35, Kind.PHRASE: 0.15, Kind.WORD: 0.04}
"""Length of the ramps that an edit by hand makes, by the scale it is made on (common practice, no source)."""

FREEHAND_TOLERANCE_DB = 0.25
"""Furthest that a freehand curve may be from its few breakpoints, in dB (a choice of this program)."""

LEAST_SPAN_S = 0.01
"""Shortest span that moving a border leaves, in seconds: one cell of the measures."""

LEAST_PIECE_S = 0.1
"""Shortest piece of a found span that is kept beside a span set by hand, in seconds (a choice of this program)."""

_SAME_DB = 1e-9

Cell = tuple[int, int]


# ---- what there is ----------------------------------------------------------------------------------------------


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


def quiet_ids(session: Session) -> frozenset[str]:
    """Ids of the phrases and words that are meant to be quiet, as a suggestion takes them."""
    return session.quiet_words | {phrase_id for phrase_id, said in session.decisions.items() if said.quiet}


# ---- decisions on a suggestion ----------------------------------------------------------------------------------


def ink(session: Session, suggestion: Suggestion, phrase_ids: Iterable[str] | None = None) -> Session:
    """Take a suggestion into the lane.

    Parameters
    ----------
    session : Session
        The session.
    suggestion : Suggestion
        Made from the session's segments.
    phrase_ids : iterable of str, optional
        The phrases; without them all that are open or inked, so that what was struck or drawn stays. Locked ones and
        those that the suggestion does not know are passed over.
    """
    suggested = {phrase.phrase_id: phrase for phrase in suggestion.phrases}
    if phrase_ids is None:
        phrase_ids = [
            phrase.id
            for phrase in session.segments.phrases
            if session.decision(phrase.id).state in (State.OPEN, State.INKED)
        ]
    chosen = {phrase_id for phrase_id in _unlocked(session, phrase_ids) if phrase_id in suggested}
    # Inked neighbours that hold the same suggestion are written again with the chosen ones, so that inking one by one
    # comes to the same lane as inking all at once, without a dip at each border.
    held = chosen | {
        phrase_id
        for phrase_id, said in session.decisions.items()
        if said.state is State.INKED and not said.locked and said.decided_on == suggested.get(phrase_id)
    }
    points = suggestion.lane.points
    cells = [(start_n, end_n, _part(points, start_n, end_n)) for start_n, end_n in _cell_runs(session, held) if chosen]
    decided = {
        phrase_id: replace(session.decision(phrase_id), state=State.INKED, decided_on=suggested[phrase_id])
        for phrase_id in chosen
    }
    return _decided(_with_cells(session, cells), decided)


def strike(session: Session, phrase_ids: Iterable[str], suggestion: Suggestion | None = None) -> Session:
    """Turn a suggestion down: the lane of the phrases is flat at 0 dB.

    Parameters
    ----------
    session : Session
        The session.
    phrase_ids : iterable of str
        The phrases; locked ones are passed over.
    suggestion : Suggestion, optional
        What is turned down, to be kept with the decision.
    """
    chosen = _unlocked(session, phrase_ids)
    suggested = {phrase.phrase_id: phrase for phrase in suggestion.phrases} if suggestion else {}
    decided = {
        phrase_id: replace(
            session.decision(phrase_id),
            state=State.STRUCK,
            decided_on=suggested.get(phrase_id, session.decision(phrase_id).decided_on),
        )
        for phrase_id in chosen
    }
    return _decided(_with_cells(session, _flat_cells(session, chosen)), decided)


def leave_open(session: Session, phrase_ids: Iterable[str]) -> Session:
    """Take a decision back.

    A ride that was inked leaves the lane. One that was drawn stays in it, as no suggestion can bring it back;
    `flatten` or `strike` remove it. Locked phrases are passed over.
    """
    chosen = _unlocked(session, phrase_ids)
    inked = {phrase_id for phrase_id in chosen if session.decision(phrase_id).state is State.INKED}
    decided = {
        phrase_id: replace(session.decision(phrase_id), state=State.OPEN, decided_on=None) for phrase_id in chosen
    }
    return _decided(_with_cells(session, _flat_cells(session, inked)), decided)


def lock(session: Session, phrase_ids: Iterable[str]) -> Session:
    """Lock phrases, as `Decision.locked` says."""
    return _decided(
        session, {i: replace(session.decision(i), locked=True) for i in _known_phrases(session, phrase_ids)}
    )


def unlock(session: Session, phrase_ids: Iterable[str]) -> Session:
    """Unlock phrases."""
    return _decided(
        session, {i: replace(session.decision(i), locked=False) for i in _known_phrases(session, phrase_ids)}
    )


def set_quiet(session: Session, span_ids: Iterable[str], quiet: bool = True) -> Session:
    """Say of phrases and words that they are meant to be quiet, or not.

    Raises
    ------
    SegmentError
        An id is that of neither a phrase nor a word.
    """
    chosen = set(span_ids)
    words = {word.id for word in session.segments.words} & chosen
    phrases = _known_phrases(session, chosen - words)
    quiet_words = session.quiet_words | words if quiet else session.quiet_words - words
    if quiet_words != session.quiet_words:
        session = replace(session, quiet_words=frozenset(quiet_words))
    return _decided(session, {i: replace(session.decision(i), quiet=quiet) for i in phrases})


def set_note(session: Session, note: str, phrase_id: str | None = None) -> Session:
    """Note something about a phrase, or about the whole song where none is named."""
    if phrase_id is None:
        return _with(session, note=note)
    _known_phrases(session, [phrase_id])
    return _decided(session, {phrase_id: replace(session.decision(phrase_id), note=note)})


# ---- the song ---------------------------------------------------------------------------------------------------


def set_trim(session: Session, trim_db: float) -> Session:
    """Set the one static gain of the vocal.

    Raises
    ------
    SettingError
        It is out of its range.
    """
    if not -TRIM_LIMIT_DB <= trim_db <= TRIM_LIMIT_DB:
        raise SettingError(f"the trim is {trim_db:g} dB, but must lie within {TRIM_LIMIT_DB:g} dB either way")
    return _with(session, trim_db=float(trim_db))


def take_settings(session: Session, settings: RideSettings) -> Session:
    """Take the settings that suggestions are made by; no decision changes."""
    return _with(session, settings=settings)


def set_section_aim(session: Session, section_id: str, aim_lu: float | None) -> Session:
    """Give a section an aim of its own, or none.

    Raises
    ------
    SegmentError
        There is no such section.
    SettingError
        The aim is out of its range.
    """
    if span_of(session, section_id).kind is not Kind.SECTION:
        raise SegmentError(f"only a section has an aim of its own, and {section_id!r} is none")
    aims = {key: value for key, value in session.section_aims.items() if key != section_id}
    if aim_lu is not None:
        check_aim(aim_lu, section_id)
        aims[section_id] = float(aim_lu)
    return _with(session, section_aims=aims)


def set_title(session: Session, title: str) -> Session:
    """Set the song's title."""
    return _with(session, title=title)


def set_lyric(session: Session, lyric: str) -> Session:
    """Set the song's lyric; segments stay as they are."""
    return _with(session, lyric=lyric)


def set_references(session: Session, references: Iterable[SourceFile]) -> Session:
    """Set the reference files."""
    return _with(session, references=tuple(references))


def accept_finding(session: Session, key: str, note: str = "") -> Session:
    """Accept a finding, which stays quiet from then on."""
    return _with(session, accepted={**session.accepted, key: note})


def withdraw_acceptance(session: Session, key: str) -> Session:
    """Let a finding that was accepted speak again."""
    return _with(session, accepted={each: note for each, note in session.accepted.items() if each != key})


# ---- the lane by hand -------------------------------------------------------------------------------------------


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
    for run in _runs(session.segments.phrases, {phrase.id for phrase in phrases}):
        cell = (cells[run[0].id][0], cells[run[-1].id][1])
        ramp_n = _ramp_n(session, Kind.PHRASE)
        lane = lane_edits.nudge_span(lane, run[0].start_n, run[-1].end_n, by_db, cell, ramp_n, low_db, high_db)
    for run in _word_runs(session, words):
        cell = (word_cell(session, run[0])[0], word_cell(session, run[-1])[1])
        ramp_n = _ramp_n(session, Kind.WORD)
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
    ramp_n, frames_n = _ramp_n(session, Kind.PHRASE), session.vocal.frames_n
    lane = lane_edits.replace_cells(
        session.lane, _flat_cells(session, {phrase.id for phrase in phrases}, gain_db), ramp_n, frames_n
    )
    for run in _word_runs(session, words):
        start_n, end_n = run[0].start_n, run[-1].end_n
        level_db = _rest_db(session, run, words, gain_db)
        lane = lane_edits.draw_line(lane, start_n, level_db, end_n, level_db, _ramp_n(session, Kind.WORD))
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
    chosen = set(_known_phrases(session, phrase_ids))
    lane = session.lane
    for start_n, end_n in _cell_runs(session, chosen):
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
    lane = lane_edits.draw_freehand(session.lane, held_n, held_db, tolerance_db, _ramp_n(session, Kind.WORD))
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
    to_n = _with_room(to_n, _ramp_n(session, Kind.WORD))
    # Where there is no gap at an end, what came in the other gap has no place.
    first, last = to_n[0] == to_n[1], len(to_n) - (to_n[-1] == to_n[-2])
    from_n, to_n = from_n[first:last], to_n[first:last]
    held = Lane(tuple(_held(session.lane, from_n[0], from_n[-1])))
    frames = np.rint(np.interp(held.frames, from_n, to_n)).astype(int).tolist()
    points = sorted(dict(zip(frames, held.gains_db.tolist())).items())
    lane = lane_edits.replace_cell(
        session.lane, to_n[0], to_n[-1], points, _ramp_n(session, Kind.PHRASE), session.vocal.frames_n
    )
    return _with_lane(session, lane, {phrase.id for phrase in pair[1]})


def replace_lane(session: Session, lane: Lane) -> Session:
    """Take a whole lane that was drawn elsewhere; phrases where it differs become drawn, locked ones are kept."""
    return _with_lane(session, lane, {phrase.id for phrase in session.segments.phrases})


# ---- segments by hand -------------------------------------------------------------------------------------------


def move_border(session: Session, span_id: str, edge: Literal["start", "end"], to_n: int) -> Session:
    """Move a border of a span; the border of a neighbour that it touches moves along.

    The border stops where the span, the neighbour or the vocal ends.

    Raises
    ------
    SegmentError
        There is no such span.
    """
    span = span_of(session, span_id)
    spans = _of_kind(session.segments, span.kind)
    i = spans.index(span)
    least_n = max(1, round(LEAST_SPAN_S * session.vocal.rate_hz))
    if edge == "start":
        beside = spans[i - 1] if i > 0 else None
        touching = beside is not None and beside.end_n == span.start_n
        floor_n = 0 if beside is None else beside.start_n + least_n if touching else beside.end_n
        at_n = _between(to_n, floor_n, span.end_n - least_n, span.start_n)
        moved = replace(span, start_n=at_n, origin=Origin.HAND)
        along = replace(beside, end_n=at_n, origin=Origin.HAND) if beside is not None and touching else None
    else:
        beside = spans[i + 1] if i + 1 < len(spans) else None
        touching = beside is not None and beside.start_n == span.end_n
        last_n = session.vocal.frames_n if beside is None else beside.end_n - least_n if touching else beside.start_n
        at_n = _between(to_n, span.start_n + least_n, last_n, span.end_n)
        moved = replace(span, end_n=at_n, origin=Origin.HAND)
        along = replace(beside, start_n=at_n, origin=Origin.HAND) if beside is not None and touching else None
    if (moved.start_n, moved.end_n) == (span.start_n, span.end_n):
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
    first = replace(span, end_n=at_n, label=labels[0], origin=Origin.HAND)
    second = Span(_new_id(session, span.kind), span.kind, at_n, span.end_n, labels[1], Origin.HAND)
    spans = [each for each in _of_kind(session.segments, span.kind) if each is not span]
    result = _with_kind(session, span.kind, [*spans, first, second])
    if span.id in session.decisions:
        decision = session.decisions[span.id]
        result = _decided(result, {second.id: replace(decision, decided_on=_renamed(decision.decided_on, second.id))})
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
    spans = _of_kind(session.segments, kind)
    if spans.index(last) - spans.index(first) + 1 != len(chosen):
        raise SegmentError(f"{kind}s can be merged when they follow each other; one between them is missing")
    label = " ".join(span.label for span in chosen if span.label)
    merged = Span(first.id, kind, first.start_n, last.end_n, label, Origin.HAND)
    result = _with_kind(session, kind, [*(span for span in spans if span not in chosen), merged])
    gone = ids - {first.id}
    if kind is Kind.PHRASE:
        decisions = {key: value for key, value in session.decisions.items() if key not in gone}
        decisions[first.id] = _merged_decision([session.decision(span.id) for span in chosen])
        result = replace(result, decisions=_said(decisions))
    if kind is Kind.SECTION:
        aims = [session.section_aims[span.id] for span in chosen if span.id in session.section_aims]
        kept = {key: value for key, value in session.section_aims.items() if key not in ids}
        result = replace(result, section_aims=kept | ({first.id: aims[0]} if aims else {}))
    if kind is Kind.WORD:
        quiet = {first.id} if ids <= session.quiet_words else set()
        result = replace(result, quiet_words=session.quiet_words - ids | quiet)
    return _without_acceptances(result, gone)


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
    spans = _of_kind(session.segments, span.kind)
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
        segments = segments.with_spans(kind, [span for span in _of_kind(segments, kind) if span.id not in gone])
    return _without_acceptances(_pruned(replace(session, segments=segments)), gone)


def insert_span(session: Session, kind: Kind, start_n: int, end_n: int, label: str = "") -> Session:
    """Insert a span; a phrase begins open.

    Raises
    ------
    SegmentError
        It is empty, outside the vocal, or overlaps another of its kind.
    """
    if start_n < 0 or end_n > session.vocal.frames_n:
        raise SegmentError(f"a {kind} from frame {start_n} to {end_n} lies outside the vocal")
    span = Span(_new_id(session, kind), kind, start_n, end_n, label, Origin.HAND)
    return _with_kind(session, kind, [*_of_kind(session.segments, kind), span])


# ---- segments from an analysis, sources from disk ---------------------------------------------------------------


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
        olds = _of_kind(old, kind)
        kept = [span for span in olds if span.origin is Origin.HAND or span.id in locked]
        pieces = [piece for span in _of_kind(segments, kind) for piece in _beside(span, kept, least_n)]
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
    return _without_acceptances(_pruned(replace(session, segments=result)), gone)


def change_source(
    session: Session,
    old: SourceFile,
    new: SourceFile,
    changed: Iterable[tuple[int, int]] = (),
    shift_n: int = 0,
) -> Session:
    """Take a new version of the vocal, a bed or a reference; only phrases whose audio changed are opened again.

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
        references=tuple(new if source == old else source for source in session.references),
    )
    stretches = [(start_n, end_n) for start_n, end_n in changed if end_n > start_n]
    opened = {
        phrase.id: replace(session.decision(phrase.id), state=State.OPEN, decided_on=None)
        for phrase in session.segments.phrases
        if any(start_n < phrase.end_n and phrase.start_n < end_n for start_n, end_n in stretches)
    }
    return _decided(session, opened)


# ---- helpers: decisions and lane --------------------------------------------------------------------------------


def _with(session: Session, **fields: object) -> Session:
    if all(getattr(session, name) == value for name, value in fields.items()):
        return session
    return replace(session, **fields)  # type: ignore[arg-type]


def _said(decisions: Mapping[str, Decision]) -> dict[str, Decision]:
    """Decisions without those that say nothing."""
    nothing = Decision()
    return {phrase_id: decision for phrase_id, decision in decisions.items() if decision != nothing}


def _decided(session: Session, decided: Mapping[str, Decision]) -> Session:
    return _with(session, decisions=_said({**session.decisions, **decided}))


def _known_phrases(session: Session, phrase_ids: Iterable[str]) -> list[str]:
    known = {phrase.id for phrase in session.segments.phrases}
    chosen = list(dict.fromkeys(phrase_ids))
    for phrase_id in chosen:
        if phrase_id not in known:
            raise SegmentError(f"there is no phrase {phrase_id!r}")
    return chosen


def _unlocked(session: Session, phrase_ids: Iterable[str]) -> set[str]:
    return {i for i in _known_phrases(session, phrase_ids) if not session.decision(i).locked}


def _ramp_n(session: Session, kind: Kind) -> int:
    return round(RAMP_S[kind] * session.vocal.rate_hz)


def _runs(spans: Sequence[Span], ids: Collection[str]) -> list[list[Span]]:
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


def _cell_runs(session: Session, phrase_ids: Collection[str]) -> list[Cell]:
    """Cells of phrases, those that touch as one."""
    cells = phrase_cells(session)
    return [(cells[run[0].id][0], cells[run[-1].id][1]) for run in _runs(session.segments.phrases, phrase_ids)]


def _flat_cells(
    session: Session, phrase_ids: Collection[str], gain_db: float = 0.0
) -> list[tuple[int, int, list[tuple[int, float]]]]:
    return [(start_n, end_n, [(start_n, gain_db)]) for start_n, end_n in _cell_runs(session, phrase_ids)]


def _with_cells(session: Session, cells: Sequence[tuple[int, int, Sequence[tuple[int, float]]]]) -> Session:
    """Session with cells of its lane replaced as decisions are, whatever phrases they belong to."""
    if not cells:
        return session
    ramp_n = _ramp_n(session, Kind.PHRASE)
    return _with(session, lane=lane_edits.replace_cells(session.lane, cells, ramp_n, session.vocal.frames_n))


def _part(points: Sequence[Breakpoint], start_n: int, end_n: int) -> Sequence[Breakpoint]:
    """Those of the points that shape a stretch: inside it, and the nearest on either side."""
    first = bisect_left(points, start_n, key=lambda point: point.frame_n)
    last = bisect_right(points, end_n, key=lambda point: point.frame_n)
    return points[max(0, first - 1) : last + 1]


def _held(lane: Lane, start_n: int, end_n: int) -> list[Breakpoint]:
    """Points of a lane inside a stretch, with one at each border."""
    inner = [point for point in lane.points if start_n < point.frame_n < end_n]
    first_db, last_db = lane.gain_db_at([start_n, end_n]).tolist()
    return [Breakpoint(start_n, first_db), *inner, Breakpoint(end_n, last_db)]


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
        free = _cell_runs(session, cells.keys() - set(guarded))
        parts = [(start_n, end_n, _part(lane.points, start_n, end_n)) for start_n, end_n in free]
        lane = lane_edits.replace_cells(session.lane, parts, _ramp_n(session, Kind.WORD), session.vocal.frames_n)
    ramp_n = _ramp_n(session, Kind.PHRASE)
    deep = {
        phrase_id: cell if phrase_id in aimed else (cell[0] + ramp_n, cell[1] - ramp_n)
        for phrase_id, cell in cells.items()
        if phrase_id in aimed or cell[1] - cell[0] > 2 * ramp_n
    }
    changed = _changed(session.lane, lane, deep)
    drawn = {phrase_id: replace(session.decision(phrase_id), state=State.DRAWN) for phrase_id in changed}
    return _decided(_with(session, lane=lane), drawn)


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
    for run in _runs(session.segments.words, {word.id for word in words}):
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


# ---- helpers: segments ------------------------------------------------------------------------------------------


def _of_kind(segments: Segments, kind: Kind) -> tuple[Span, ...]:
    spans: tuple[Span, ...] = getattr(segments, f"{kind.value}s")
    return spans


def _with_kind(session: Session, kind: Kind, spans: Iterable[Span]) -> Session:
    return replace(session, segments=session.segments.with_spans(kind, spans))


def _between(value: int, low: int, high: int, otherwise: int) -> int:
    """Value held between two others; where these leave no room, what was."""
    return min(max(value, low), high) if low <= high else otherwise


def _new_id(session: Session, kind: Kind) -> str:
    """Id that no span has: one number above those in use, so that ids of deleted spans come back late if at all."""
    used = [span.id for span in session.segments.all_spans()]
    used += [part for key in session.accepted for part in key.split(":")]
    numbers = [int(digits) for i in used if (digits := i.lstrip("abcdefghijklmnopqrstuvwxyz")).isdecimal()]
    return f"{kind.value[0]}{max(numbers, default=0) + 1}"


def _unused_id(wish: str, kind: Kind, used: Collection[str]) -> str:
    if wish not in used:
        return wish
    number = len(used)
    while f"{kind.value[0]}{number}" in used:
        number += 1
    return f"{kind.value[0]}{number}"


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


def _pruned(session: Session) -> Session:
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


def _without_acceptances(session: Session, gone: Collection[str]) -> Session:
    """Session without accepted findings about spans that are gone, as their ids may be used again one day."""
    kept = {key: note for key, note in session.accepted.items() if not set(key.split(":")) & set(gone)}
    return _with(session, accepted=kept)


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
        segments = segments.with_spans(kind, cut(_of_kind(segments, kind)))
    gone = {span.id for span in session.segments.all_spans()} - {span.id for span in segments.all_spans()}
    decisions = {
        phrase_id: replace(decision, decided_on=_moved_suggestion(decision.decided_on, moved))
        for phrase_id, decision in session.decisions.items()
    }
    lane = _moved_lane(session.lane, moved)
    if lane.points and (lane.points[0].frame_n < 0 or lane.points[-1].frame_n > last_n):
        lane = Lane(tuple(_held(lane, 0, last_n)))
    shifted = replace(session, vocal=vocal, segments=segments, decisions=decisions, lane=lane)
    return _without_acceptances(_pruned(shifted), gone)


def _moved_lane(lane: Lane, moved: Callable[[int], int]) -> Lane:
    # At a lower rate two points may come to lie on one frame; the later one is what the lane goes on with.
    return Lane.from_pairs(sorted({moved(frame_n): gain_db for frame_n, gain_db in lane.points}.items()))


def _moved_suggestion(suggestion: PhraseSuggestion | None, moved: Callable[[int], int]) -> PhraseSuggestion | None:
    if suggestion is None:
        return None
    points = _moved_lane(Lane(suggestion.points), moved).points
    return replace(suggestion, start_n=moved(suggestion.start_n), end_n=moved(suggestion.end_n), points=points)
