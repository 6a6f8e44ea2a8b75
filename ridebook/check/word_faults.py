"""Faults of words: those that the bed hides, and those that stand low though they are heard."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ridebook.check.finding import (
    Fault,
    Finding,
    Severity,
    about,
    accepted_ids,
    group_named,
    grouped,
    named,
    nudges,
    ranged,
    up,
)
from ridebook.check.hidden import Hidden, hidden
from ridebook.check.in_the_way import index_text
from ridebook.check.standing import Standing
from ridebook.measure.audibility import LOST
from ridebook.session.document import Session

LEAST_DB = 0.5
"""A cure raises a word at least so much, so that it does not stay at the very edge."""
MARGIN_LU = 0.1
MARGIN_DB = 0.3
"""So much over what a word misses: a ramp may take a part of it."""


def lost_words(session: Session, stands: Standing) -> Iterator[Finding]:
    """Words that the bed still hides; those of one phrase together, with what hides them and whether level helps."""
    if stands.hearing is None:
        yield from _low_words("lost", session, stands, Severity.MUST)
        return
    accepted = accepted_ids(session, "lost")
    words = [word for word in session.segments.words if stands.words.is_lost(word.id) and word.id not in accepted]
    in_the_way = hidden(session, stands, words)
    faults = [Fault(word, in_the_way[word.id].obstacle.audibility, _raise_db(in_the_way[word.id])) for word in words]
    for phrase, group in grouped(faults, session.segments.phrase_of):
        spans = [fault.span for fault in group]
        heard = [fault.value for fault in group]
        found = [in_the_way[span.id] for span in spans]
        one = len(group) == 1
        who = named(session, spans[0]) if one else group_named(session, phrase, spans, "word")
        texts = dict.fromkeys(index_text(value) for value in (min(heard), max(heard)))
        sentence = (
            f"{who} {'is' if one else 'are'} still lost: audibility {' to '.join(texts)}, and {LOST:.2f} is the least. "
            f"{_advice(found)}. Or say that {'it is' if one else 'they are'} meant to be quiet."
        )
        curable = [fault for fault, each in zip(group, found) if each.level_alone]
        cure = nudges(curable) if curable else None
        yield about("lost", spans, Severity.MUST, sentence, min(heard), LOST, "audibility", cure)


def _advice(found: Sequence[Hidden]) -> str:
    """Say what helps, and what is in the way: of each region the worst, of two regions at most."""
    if len(found) == 1:
        text = found[0].said
        return text[:1].upper() + text[1:]
    worst: dict[tuple[object, object], Hidden] = {}
    for each in sorted(found, key=lambda each: -each.obstacle.cover_db):
        worst.setdefault((each.obstacle.region, each.obstacle.bed), each)
    covers = " and ".join(each.covering.removesuffix(" here") for each in list(worst.values())[:2])
    helped = [each.obstacle.needed_db or 0.0 for each in found if each.level_alone]
    if not helped:
        return f"Level alone will not do it: {covers} here"
    needs = f"{ranged([up(gain_db) for gain_db in helped], 'dB')} up"
    if len(helped) == len(found):
        return f"{needs} would bring them back; {covers} here"
    rest = len(found) - len(helped)
    return f"{needs} would bring {len(helped)} back, for {rest} level alone will not do it; {covers} here"


def _raise_db(word: Hidden) -> float:
    missing_db = word.obstacle.needed_db
    if missing_db is None:
        return 0.0
    return max(min(up(missing_db + MARGIN_DB), word.allowed_db), up(missing_db), LEAST_DB)


def sunk_words(session: Session, stands: Standing) -> Iterator[Finding]:
    """Words that stand far under the aim though they are heard; those of one phrase together."""
    if stands.hearing is not None:
        yield from _low_words("sinks", session, stands, Severity.LOOK)


def _low_words(what: str, session: Session, stands: Standing, severity: Severity) -> Iterator[Finding]:
    """Words further under the aim than the settings allow, by their balance alone."""
    limit_lu = session.settings.lost_lu
    accepted = accepted_ids(session, what)
    faults = []
    for word in session.segments.words:
        found = stands.words[word.id]
        if not found.sinks or (found.lost and what != "lost") or word.id in accepted:
            continue
        under_lu = -(found.apart_lu or 0.0)
        # On the way to the aim, so that the word does not stay at the very edge.
        faults.append(Fault(word, under_lu, max(up(under_lu - limit_lu + MARGIN_LU), LEAST_DB)))
    for phrase, group in grouped(faults, session.segments.phrase_of):
        spans = [fault.span for fault in group]
        unders = [fault.value for fault in group]
        least = up(max(unders) - limit_lu)
        one = len(group) == 1
        who = named(session, spans[0]) if one else group_named(session, phrase, spans, "word")
        sentence = (
            f"{who} {_SAID[what][not one]} {ranged(unders, 'LU')} under the aim. "
            f"Raise {'it' if one else 'them'} by {least:.1f} dB or more, or say that "
            f"{'it is' if one else 'they are'} meant to be quiet."
        )
        yield about(what, spans, severity, sentence, max(unders), limit_lu, "LU", nudges(group))


_SAID = {
    "lost": ("is still lost: it stands", "are still lost: they stand"),
    "sinks": ("is heard, but sinks: it stands", "are heard, but sink: they stand"),
}
