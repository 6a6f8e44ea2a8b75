"""The lyric as text: sections, lines and words."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass

from ridebook.segment.syllables import syllables_n

_MOST_REPEATS = 16
_MOST_LINES = 10_000
_BRACKETED = re.compile(r"[\[［【]\s*([^\]］】]*?)\s*[\]］】]")
_NAMES = (
    "verse|pre-?chorus|post-?chorus|chorus|refrain|hook|bridge|middle eight|intro|outro|coda|tag|break|interlude|solo"
    "|strophe|refrão|coro|estribillo|refrain|couplet|kıta|nakarat|köprü|zemin|meyan|припев|куплет|サビ|副歌|主歌"
)
_NAMED = re.compile(rf"(?:{_NAMES})\s*\d*\s*[:：]?|(?:{_NAMES})\s*\d*\s*[:：]\s*.*", re.IGNORECASE)
_REPEAT = re.compile(r"[(\[（]?\s*(?:[x×]\s*(\d{1,3})|(\d{1,3})\s*[x×]|bis)\s*[)\]）]?", re.IGNORECASE)
_REPEAT_AT_END = re.compile(rf"(?<=\s){_REPEAT.pattern}\s*$|[(\[（]\s*bis\s*[)\]）]\s*$", re.IGNORECASE)
# Ideographs and kana are written without spaces; a syllable each, but for small kana and marks of length.
_BY_CHARACTER = re.compile(r"[\u3041-\u30ff\u31f0-\u31ff\u3400-\u4dbf\u4e00-\u9fff\uf900-\ufaff\U00020000-\U0003ffff]")
_BELONGS_BEFORE = re.compile(r"[ぁぃぅぇぉっゃゅょゎァィゥェォッャュョヮーんン々\u3099\u309a]")
_BREAKS = re.compile(r"[\s/|\\…]+|--+|[–—―]|\.{2,}")
_ENGLISH_SIGNS = frozenset(
    ("the", "and", "you", "of", "my", "your", "that", "it's", "i'm", "with", "don't", "what", "love")
)


@dataclass(frozen=True, slots=True)
class LyricWord:
    """A word of the lyric.

    Parameters
    ----------
    text : str
        As written, without the punctuation around it; of ideographs and kana one syllable.
    syllables_n : int
        Syllables as far as the spelling tells.
    aside : bool
        Stands in round brackets: often a second voice that is not on the lead vocal.
    """

    text: str
    syllables_n: int
    aside: bool = False


@dataclass(frozen=True, slots=True)
class LyricLine:
    """A line: its text as written, and its words (at least one)."""

    text: str
    words: tuple[LyricWord, ...]

    @property
    def syllables_n(self) -> int:
        """Syllables of the whole line."""
        return sum(word.syllables_n for word in self.words)


@dataclass(frozen=True, slots=True)
class LyricSection:
    """A section: its name (empty where the text gives none) and its lines (at least one)."""

    name: str
    lines: tuple[LyricLine, ...]


@dataclass(frozen=True, slots=True)
class Lyric:
    """A lyric.

    Parameters
    ----------
    sections : tuple of LyricSection
        In the order of singing, repeats written out.
    language : str or None
        What it was read as; ISO 639-1.
    """

    sections: tuple[LyricSection, ...] = ()
    language: str | None = None

    @property
    def lines(self) -> tuple[LyricLine, ...]:
        """All lines in order."""
        return tuple(line for section in self.sections for line in section.lines)

    @property
    def words(self) -> tuple[LyricWord, ...]:
        """All words in order."""
        return tuple(word for line in self.lines for word in line.words)


def parse_lyric(text: str, language: str | None = None) -> Lyric:
    """Read a lyric.

    Sections are parted by blank lines or headings in square brackets; a heading of a usual name ("Chorus:") may go
    without. A heading with no lines under it repeats the section that had its name before. "x2" at the end of a line,
    on a line of its own (the lines of the section so far) or in a heading repeats what it belongs to.

    Parameters
    ----------
    text : str
        Any text; a byte order mark and line ends of any system are taken.
    language : str, optional
        ISO 639-1 code; guessed where none is given.

    Returns
    -------
    Lyric
        Empty where the text has no word.
    """
    language = language or guess_language(text)
    sections: list[LyricSection] = []
    lines: list[LyricLine] = []
    name, times = "", 1
    headed = False

    def close() -> None:
        nonlocal lines, times, headed
        held = tuple(lines)
        if headed and not held:
            held = next((s.lines for s in reversed(sections) if s.name.casefold() == name.casefold() and name), ())
        room = max(_MOST_LINES - sum(len(s.lines) for s in sections), 0) // len(held) if held else 0
        sections.extend([LyricSection(name, held)] * min(times, room))
        lines, times, headed = [], 1, False

    blank = False
    for row in text.removeprefix("\ufeff").splitlines():
        row = "".join(c for c in row if c in "\t" or unicodedata.category(c) not in ("Cc", "Cf")).strip()
        heading = _heading(row)
        if heading is not None:
            close()
            name, times = heading
            headed, blank = True, False
        elif not row:
            blank = True
        elif _REPEAT.fullmatch(row):
            if lines:
                lines = lines * min(_times(row), max(_MOST_LINES // len(lines), 1))
            elif sections:
                times = _times(row) - 1
                name, lines = sections[-1].name, list(sections[-1].lines)
                close()
                name = ""
            blank = False
        else:
            if blank and lines:
                close()
                name = ""
            blank = False
            line, count = _line(row, language)
            lines += [line] * count if line is not None and len(lines) < _MOST_LINES else []
    close()
    return Lyric(tuple(sections), language)


def guess_language(text: str) -> str | None:
    """Guess English or Turkish by signs that other languages lack; None for all others."""
    sample = text[:20000]
    letters = sum(c.isalpha() for c in sample)
    if not letters:
        return None
    turkish = sum(c in "ğışĞİŞ" for c in sample)
    if turkish > 0.02 * letters:
        return "tr"
    words = re.findall(r"[^\W\d_]+(?:['’][^\W\d_]+)?", sample.lower().replace("’", "'"))
    signs = sum(word in _ENGLISH_SIGNS for word in words)
    plain = sum(c.isascii() for c in sample if c.isalpha())
    return "en" if words and plain > 0.98 * letters and signs >= max(1.0, 0.08 * len(words)) else None


def _heading(row: str) -> tuple[str, int] | None:
    bracketed = _BRACKETED.fullmatch(row)
    times = 1
    if not bracketed and row[:1] in "[［【":
        # A mark of repetition may stand after the bracket.
        mark = _REPEAT_AT_END.search(row)
        bracketed = _BRACKETED.fullmatch(row[: mark.start()].strip()) if mark else None
        times = _times(mark[0]) if mark and bracketed else 1
    if bracketed and _REPEAT.fullmatch(bracketed[1].strip()):
        return None
    name = bracketed[1] if bracketed else row.rstrip(":：") if len(row) < 40 and _NAMED.fullmatch(row) else None
    if name is None:
        return None
    mark = _REPEAT_AT_END.search(name)
    if mark:
        name, times = name[: mark.start()], times * _times(mark[0])
    return name.strip(" :：-"), times


def _times(mark: str) -> int:
    figures = re.search(r"\d+", mark)
    return min(max(int(figures[0]), 1), _MOST_REPEATS) if figures else 2


def _line(row: str, language: str | None) -> tuple[LyricLine | None, int]:
    count = 1
    mark = _REPEAT_AT_END.search(row)
    if mark and row[: mark.start()].strip():
        count, row = _times(mark[0]), row[: mark.start()].strip()
    words = tuple(_words(row, language))
    return (LyricLine(row, words) if words else None), count


def _words(row: str, language: str | None) -> Iterator[LyricWord]:
    depth = 0
    for token in _BREAKS.split(row):
        opened = sum(c in "(（" for c in token)
        aside = depth + opened > 0
        depth = max(depth + opened - sum(c in ")）" for c in token), 0)
        for text in _by_character(token):
            text = _bare(text)
            if any(c.isalnum() for c in text):
                yield LyricWord(text, syllables_n(text, language), aside)


def _by_character(token: str) -> Iterator[str]:
    if not _BY_CHARACTER.search(token):
        yield token
        return
    held = ""
    for c in token:
        by_character = _BY_CHARACTER.match(c)
        joins = held and (_BELONGS_BEFORE.match(c) or not (by_character or _BY_CHARACTER.match(held[-1])))
        if joins:
            held += c
        else:
            if held:
                yield held
            held = c
    yield held


def _bare(text: str) -> str:
    """Text without punctuation around it; apostrophes of words cut short stay."""
    start, end = 0, len(text)
    while start < end and not _is_of_word(text[start]):
        start += 1
    while end > start and not _is_of_word(text[end - 1]):
        end -= 1
    if start > 0 and text[start - 1] in "'’" and end < len(text) + 1 and not text[end:].startswith(("'", "’")):
        start -= 1
    elif end < len(text) and text[end] in "'’" and not text[:start].endswith(("'", "‘", "’")):
        end += 1
    return text[start:end]


def _is_of_word(c: str) -> bool:
    return c.isalnum() or unicodedata.category(c)[0] == "M"
