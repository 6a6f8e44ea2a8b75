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
    left = hidden(ridden, stands, [word for word in lost if stands.words.is_lost(word.id)])
    found = left | hidden(ridden, stands, [word for word in lost if word.id not in left], before=True)
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
    own = dict(phrase.word_reasons)
    for word in lost:
        clause = f"lost as it is: {_outcome([word], found, left)}"
        own[word.id] = f"{own[word.id]}; {clause}" if word.id in own else clause
    one = lost[0].label and f"“{lost[0].label}”"
    who = f"{counted(len(lost), 'word')} are" if len(lost) > 1 else f"{one or 'one word'} is"
    reason = f"{phrase.reason}; {who} lost as it is: {_outcome(lost, found, left)}"
    return replace(phrase, reason=reason, word_reasons=tuple(own.items()))


def _outcome(lost: list[Span], found: Mapping[str, Hidden], left: Set[str]) -> str:
    """Say what hides some words, and what the ride makes of it; of several the one that is hidden deepest."""
    still = [found[word.id] for word in lost if word.id in left]
    if not still:
        deepest = min((found[word.id] for word in lost), key=lambda each: each.obstacle.audibility)
        return f"{deepest.covering}, and the ride brings {'it' if len(lost) == 1 else 'them'} back"
    deepest = min(still, key=lambda each: each.obstacle.audibility)
    back_n = len(lost) - len(still)
    if len(lost) == 1:
        return f"with the ride, {deepest.said}"
    which = "the one that is left" if len(still) == 1 else "the deepest"
    return f"the ride brings {back_n or 'none'} of them back; {which}: {deepest.said}"
