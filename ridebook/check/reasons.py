"""Why a suggestion rides as it does, as far as it is for what the bed hides."""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import replace

from ridebook.check.finding import counted
from ridebook.check.hidden import Hidden, hidden
from ridebook.check.standing import standing
from ridebook.measure.measures import Measures
from ridebook.ride.hearing import Hearing
from ridebook.ride.suggestion import PhraseSuggestion, Suggestion
from ridebook.segment.spans import Span
from ridebook.session.document import Session


def explained(suggestion: Suggestion, session: Session, measures: Measures, hearing: Hearing) -> Suggestion:
    """Suggestion whose reasons say which words the bed would hide, what covers them, and whether level is the cure.

    Parameters
    ----------
    suggestion : Suggestion
        What is suggested for the session.
    session : Session
        The session that it was made for.
    measures : Measures
        Measures of the pair.
    hearing : Hearing
        What the words take to be heard.
    """
    ridden = replace(session, lane=suggestion.lane, trim_db=suggestion.trim_db)
    stands = standing(ridden, measures, hearing=hearing)
    if stands.hearing is None:
        return suggestion
    words = session.segments.words
    lost = [words[i] for i in (stands.words.lost | stands.words.lost_before).nonzero()[0].tolist()]
    if not lost:
        return suggestion
    left = hidden(ridden, stands, [word for word in lost if stands.words[word.id].lost])
    found = {**hidden(ridden, stands, lost, before=True), **left}
    by_phrase: dict[str, list[Span]] = {}
    for word in lost:
        phrase = session.segments.phrase_of(word)
        if phrase is not None:
            by_phrase.setdefault(phrase.id, []).append(word)
    phrases = tuple(
        _explained(phrase, by_phrase[phrase.phrase_id], found, left.keys()) if phrase.phrase_id in by_phrase else phrase
        for phrase in suggestion.phrases
    )
    return replace(suggestion, phrases=phrases)


def _explained(
    phrase: PhraseSuggestion, lost: list[Span], found: Mapping[str, Hidden], left: Set[str]
) -> PhraseSuggestion:
    clauses = {word.id: _clause(found[word.id], word.id in left) for word in lost}
    deepest = max(lost, key=lambda word: (word.id in left, -found[word.id].obstacle.audibility))
    if len(lost) == 1:
        who = f"“{lost[0].label}” is" if lost[0].label else "one word is"
    else:
        who = f"{counted(len(lost), 'word')} are"
    reason = f"{phrase.reason}; {who} {clauses[deepest.id]}"
    own = dict(phrase.word_reasons)
    own |= {word_id: f"{own[word_id]}; {clause}" if word_id in own else clause for word_id, clause in clauses.items()}
    return replace(phrase, reason=reason, word_reasons=tuple(own.items()))


def _clause(word: Hidden, still: bool) -> str:
    if not still:
        return f"lost as it is: {word.covering}, and the ride brings it back"
    if not word.level_alone:
        return f"lost, and {word.said}"
    return f"still lost with the ride: {word.said}"
