"""Decisions on a suggestion: ink, strike, leave open, lock, meant to be quiet, a note."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from ridebook.ride import edits as lane_edits
from ridebook.ride.suggestion import Suggestion
from ridebook.segment.spans import Kind
from ridebook.session.document import Session, State
from ridebook.session.edits.common import (
    cell_runs,
    flat_cells,
    known_phrases,
    points_about,
    ramp_length_n,
    with_decisions,
    with_fields,
)


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
    cells = [
        (start_n, end_n, points_about(points, start_n, end_n)) for start_n, end_n in cell_runs(session, held) if chosen
    ]
    decided = {
        phrase_id: replace(session.decision(phrase_id), state=State.INKED, decided_on=suggested[phrase_id])
        for phrase_id in chosen
    }
    return with_decisions(_with_cells(session, cells), decided)


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
    return with_decisions(_with_cells(session, flat_cells(session, chosen)), decided)


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
    return with_decisions(_with_cells(session, flat_cells(session, inked)), decided)


def lock(session: Session, phrase_ids: Iterable[str]) -> Session:
    """Lock phrases, as `Decision.locked` says."""
    return with_decisions(
        session, {i: replace(session.decision(i), locked=True) for i in known_phrases(session, phrase_ids)}
    )


def unlock(session: Session, phrase_ids: Iterable[str]) -> Session:
    """Unlock phrases."""
    return with_decisions(
        session, {i: replace(session.decision(i), locked=False) for i in known_phrases(session, phrase_ids)}
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
    phrases = known_phrases(session, chosen - words)
    quiet_words = session.quiet_words | words if quiet else session.quiet_words - words
    if quiet_words != session.quiet_words:
        session = replace(session, quiet_words=frozenset(quiet_words))
    return with_decisions(session, {i: replace(session.decision(i), quiet=quiet) for i in phrases})


def set_note(session: Session, note: str, phrase_id: str | None = None) -> Session:
    """Note something about a phrase, or about the whole song where none is named."""
    if phrase_id is None:
        return with_fields(session, note=note)
    known_phrases(session, [phrase_id])
    return with_decisions(session, {phrase_id: replace(session.decision(phrase_id), note=note)})


def _unlocked(session: Session, phrase_ids: Iterable[str]) -> set[str]:
    return {i for i in known_phrases(session, phrase_ids) if not session.decision(i).locked}


def _with_cells(session: Session, cells: Sequence[tuple[int, int, Sequence[tuple[int, float]]]]) -> Session:
    """Session with cells of its lane replaced as decisions are, whatever phrases they belong to."""
    if not cells:
        return session
    ramp_n = ramp_length_n(session, Kind.PHRASE)
    return with_fields(session, lane=lane_edits.replace_cells(session.lane, cells, ramp_n, session.vocal.frames_n))
