"""Lines of the lyric by hand: a new line from a word on, a line typed anew, and the texts that follow the words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from difflib import SequenceMatcher

from ridebook.errors import SegmentError
from ridebook.segment.spans import Kind, Origin, Span
from ridebook.session.document import Session
from ridebook.session.edits.common import new_ids, span_of
from ridebook.session.edits.segments import rename, split

LEAST_WORD_S = 0.06
"""A word that is typed into a line stands in a pause that has at least this much room for it, in seconds, or else
shares the stretch of the word before it (a choice of this program)."""

GUESSED = 0.0
"""Confidence of a border that is only shared out by the letters of the words."""


def break_line(session: Session, word_id: str) -> Session:
    """Begin a new phrase with a word; what was decided of the phrase holds for both.

    Raises
    ------
    SegmentError
        There is no such word, no phrase holds it, or its phrase begins with it.
    """
    word = span_of(session, word_id)
    phrase = session.segments.phrase_of(word)
    if word.kind is not Kind.WORD or phrase is None:
        raise SegmentError("a new line begins with a word of a line; this is none")
    words = session.segments.words_of(phrase)
    i = words.index(word)
    if i == 0 or word.start_n <= phrase.start_n:
        raise SegmentError(f"{word.label or 'this word'!r} begins its line already")
    result = split(session, phrase.id, word.start_n)
    last_n = words[i - 1].end_n
    if phrase.start_n < last_n < word.start_n:
        # The pause before the word belongs to neither line.
        spans = [replace(span, end_n=last_n) if span.id == phrase.id else span for span in result.segments.phrases]
        result = replace(result, segments=result.segments.with_spans(Kind.PHRASE, spans))
    return with_texts(session, result)


def retype_line(session: Session, phrase_id: str, text: str) -> Session:
    """Type a line anew: its words get the labels typed, and words come and go where there are more or fewer.

    A word that is not touched stays as it is. Where several words take the place of others, they share the stretch of
    these by their letters, and are marked as doubtful but for the first. A word that is added stands in the pause
    there, or shares the stretch of the word before it.

    Parameters
    ----------
    session : Session
        The session.
    phrase_id : str
        The line.
    text : str
        Its words.

    Raises
    ------
    SegmentError
        There is no such phrase, or the text is empty.
    """
    phrase = span_of(session, phrase_id)
    texts = text.split()
    if phrase.kind is not Kind.PHRASE or not texts:
        raise SegmentError("a line that is typed anew needs a word or more; delete it where nothing is sung")
    words = session.segments.words_of(phrase)
    made = list(_typed(words, texts, *_between_others(session, phrase), LEAST_WORD_S * session.vocal.rate_hz))
    free = iter(new_ids(session, Kind.WORD, len(made)))
    made = [span if span.id else replace(span, id=next(free)) for span in made]
    others = [word for word in session.segments.words if word not in words]
    result = replace(session, segments=session.segments.with_spans(Kind.WORD, [*others, *made]))
    gone = {word.id for word in words} - {span.id for span in made}
    result = replace(result, quiet_words=result.quiet_words - gone)
    return with_texts(session, rename(result, phrase_id, " ".join(texts)))


def _between_others(session: Session, phrase: Span) -> tuple[int, int]:
    """Stretch of a phrase that no word of another one reaches into."""
    others = [word for word in session.segments.words if not phrase.start_n <= word.middle_n < phrase.end_n]
    before = [word.end_n for word in others if word.middle_n < phrase.start_n]
    after = [word.start_n for word in others if word.middle_n >= phrase.end_n]
    return max([phrase.start_n, *before]), min([phrase.end_n, *after])


def _typed(words: Sequence[Span], texts: Sequence[str], start_n: int, end_n: int, least_n: float) -> Iterator[Span]:
    """Words of a line from `start_n` to `end_n` typed anew; those that are new have no id yet."""
    if not words:
        yield from _shared(texts, start_n, end_n, ())
        return
    parts = _parts(words, texts)
    for k, (old, new) in enumerate(parts):
        if old or not new:
            continue
        from_n = parts[k - 1][0][-1].end_n if k > 0 else start_n
        to_n = parts[k + 1][0][0].start_n if k + 1 < len(parts) else end_n
        if to_n - from_n >= len(new) * least_n:
            yield from _shared(new, from_n, to_n, ())
        elif k > 0:
            parts[k - 1][1].extend(new)
        else:
            parts[k + 1][1][:0] = new
    for old, new in parts:
        if len(old) == len(new):
            for word, text in zip(old, new):
                yield word if word.label == text else replace(word, label=text, origin=Origin.HAND)
        elif old and new:
            yield from _shared(new, old[0].start_n, old[-1].end_n, old)


def _parts(words: Sequence[Span], texts: Sequence[str]) -> list[tuple[list[Span], list[str]]]:
    """Words of a line, each with what is typed in its place: one by one where nothing changed, else those together."""
    if len(words) == len(texts):
        return [([word], [text]) for word, text in zip(words, texts)]
    parts: list[tuple[list[Span], list[str]]] = []
    blocks = SequenceMatcher(None, [word.label for word in words], texts, autojunk=False).get_opcodes()
    for what, i, i_end, j, j_end in blocks:
        if what == "equal":
            parts += [([word], [word.label]) for word in words[i:i_end]]
        else:
            parts.append((list(words[i:i_end]), list(texts[j:j_end])))
    return parts


def _shared(texts: Sequence[str], start_n: int, end_n: int, old: Sequence[Span]) -> Iterator[Span]:
    """Words that share a stretch by their letters; the first continues the first of the old ones."""
    weights = [len(text) + 1 for text in texts]
    if end_n - start_n < sum(weights):
        raise SegmentError(f"there is no room for {' '.join(texts)!r} between its neighbours; move a border first")
    borders = [start_n + (end_n - start_n) * sum(weights[:k]) // sum(weights) for k in range(len(texts) + 1)]
    for k, text in enumerate(texts):
        first = old[0] if old and k == 0 else None
        confidence = first.confidence if first is not None else GUESSED
        span_id = first.id if first is not None else ""
        yield Span(span_id, Kind.WORD, borders[k], borders[k + 1], text, Origin.HAND, confidence)


def with_texts(before: Session, after: Session) -> Session:
    """Session after an edit of segments, with the labels of lines, and the lyric, brought along.

    A phrase whose label said the words in it says those that are in it now. Where the label of a phrase changed, or
    phrases came and went, the lines of the lyric that said the same change with them.
    """
    same_words = before.segments.words == after.segments.words
    if not same_words or before.segments.phrases != after.segments.phrases:
        then = {phrase.id: phrase for phrase in before.segments.phrases}
        if same_words:  # then few phrases are another, and it is quicker to ask for theirs alone
            changed = [phrase for phrase in after.segments.phrases if then.get(phrase.id) is not phrase]
            now = {phrase.id: after.segments.words_of(phrase) for phrase in changed}
            was = {each.id: before.segments.words_of(then[each.id]) for each in changed if each.id in then}
        else:
            changed = list(after.segments.phrases)
            now, was = after.segments.words_by_phrase(), before.segments.words_by_phrase()
        labelled = {
            phrase.id: _with_label(phrase, now[phrase.id], then.get(phrase.id), was.get(phrase.id, ()))
            for phrase in changed
        }
        phrases = [labelled.get(phrase.id, phrase) for phrase in after.segments.phrases]
        if any(new is not old for new, old in zip(phrases, after.segments.phrases)):
            after = replace(after, segments=after.segments.with_spans(Kind.PHRASE, phrases))
    old_lines = [phrase.label for phrase in before.segments.phrases]
    new_lines = [phrase.label for phrase in after.segments.phrases]
    # A lyric that is another already was brought along with the edit.
    if not after.lyric or old_lines == new_lines or after.lyric != before.lyric:
        return after
    lyric = followed(after.lyric, old_lines, new_lines)
    return after if lyric == after.lyric else replace(after, lyric=lyric)


def _with_label(phrase: Span, words: Sequence[Span], then: Span | None, words_then: Sequence[Span]) -> Span:
    if then is None or then.label != phrase.label or not then.label or (words == words_then and phrase is then):
        return phrase  # new, named just now, or as it was
    texts = _said(words)
    if not texts or texts == phrase.label or _plain(_said(words_then)) != _plain(then.label):
        return phrase
    return replace(phrase, label=texts)


def _said(words: Sequence[Span]) -> str:
    return " ".join(word.label for word in words if word.label)


def lines_text(session: Session) -> str:
    """Labels of the phrases as a lyric: a line each, a blank line and a [name] before each section that has one."""
    lines: list[str] = []
    before = None
    for phrase in session.segments.phrases:
        section = session.segments.section_of(phrase)
        if section is not before:
            lines += [""] if lines else []
            lines += [f"[{section.label}]"] if section is not None and section.label else []
        before = section
        lines += [phrase.label] if phrase.label.strip() else []
    return "\n".join(lines)


def followed(lyric: str, before: Sequence[str], after: Sequence[str]) -> str:
    """Lyric whose lines are changed as the labels of phrases were; lines that no phrase says stay.

    Parameters
    ----------
    lyric : str
        The text.
    before, after : sequence of str
        Labels of the phrases in order of time, before and after the edit.
    """
    lines = lyric.split("\n")
    places: list[int | None] = []
    at = 0
    for label in before:
        found = next((k for k in range(at, len(lines)) if label.strip() and _plain(lines[k]) == _plain(label)), None)
        places.append(found)
        at = at if found is None else found + 1
    made: dict[int, list[str]] = {}
    for what, i, i_end, j, j_end in SequenceMatcher(None, before, after, autojunk=False).get_opcodes():
        if what == "equal":
            continue
        new = [label for label in after[j:j_end] if label.strip()]
        own = [place for place in places[i:i_end] if place is not None]
        if own:
            made.update({place: [] for place in own})
            made[own[0]] = new
        elif i == i_end and i > 0 and (place := places[i - 1]) is not None:
            made[place] = [*made.get(place, [lines[place]]), *new]
    if not made:
        return lyric
    return "\n".join(line for k, old in enumerate(lines) for line in made.get(k, [old]))


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()
