"""Times of words and lines as other programs keep them: WebVTT, Praat's TextGrid, and tab-separated labels."""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

from ridebook.audio.output import atomic_write
from ridebook.errors import ExchangeError
from ridebook.exchange.tables import FARTHEST_S, time_cell
from ridebook.segment.repeats import with_repeats
from ridebook.segment.spans import Kind, Origin, Segments, Span

NEW_PHRASE_AFTER_S = 0.35
"""Where a file has words alone, a phrase ends at a pause of this length (a choice of this program, no source)."""

_TOLD_N = 5
_LONGEST_LABEL_N = 200
_SILENCES = frozenset({"", "sil", "sp", "spn", "<sil>", "<p>", "<s>", "</s>", "<silence>", "silence", "#", "-", "_"})


@dataclass(frozen=True, slots=True)
class Timings:
    """What a file of timings holds.

    Parameters
    ----------
    segments : Segments
        Phrases and words, and sections where the file has them, of origin file. Words may be none: the file has times
        of lines alone then.
    notices : tuple of str
        What did not fit, and what was done with it, as sentences.
    """

    segments: Segments
    notices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Row:
    """One labelled stretch, in seconds, and where the file has it."""

    start_s: float
    end_s: float
    label: str
    place: str


class _Troubles:
    """Sentences on what did not fit: the first few of each sort whole, the others counted."""

    def __init__(self) -> None:
        self._sorts: dict[str, list[str]] = {}

    def add(self, place: str, what: str, label: str = "") -> None:
        name = f" ({label[:30]!r})" if label else ""
        self._sorts.setdefault(what, []).append(f"{place}{name}: {what}.")

    def sentences(self) -> tuple[str, ...]:
        told: list[str] = []
        for what, all_of_it in self._sorts.items():
            told += all_of_it[:_TOLD_N]
            if len(all_of_it) > _TOLD_N:
                told.append(f"{len(all_of_it) - _TOLD_N} more places: {what}.")
        return tuple(told)


def read_timings(path: str | Path, rate_hz: int, frames_n: int | None = None) -> Timings:
    """Read word or line times; the format is told by the content.

    Parameters
    ----------
    path : str or Path
        A WebVTT file (W3C), a TextGrid of Praat (short or long; UTF-8 or UTF-16), or tab-separated start, end, label
        with times in seconds.
    rate_hz : int
        The pair's rate.
    frames_n : int, optional
        Length of the vocal; what lies beyond it is cut or left out.

    Returns
    -------
    Timings
        Times that overlap, run backwards or lie outside the vocal are mended or left out, and told.

    Raises
    ------
    ExchangeError
        The file cannot be read, is of none of these formats, or holds no usable time.
    """
    troubles = _Troubles()
    text = _text_of(Path(path), troubles)
    if text.startswith("WEBVTT"):
        rows = _webvtt_rows(text, troubles)
    elif re.search(r'"TextGrid"', text[:400]):
        rows = _textgrid_rows(text, str(path), troubles)
    else:
        rows = _label_rows(text, str(path), troubles)
    spans: dict[Kind, list[Span]] = {}
    for kind, found in rows.items():
        spans[kind] = _spans(kind, found, rate_hz, frames_n, troubles)
    words, phrases = spans.get(Kind.WORD, []), spans.get(Kind.PHRASE, [])
    if not words and not phrases:
        reasons = " ".join(troubles.sentences()[:3])
        raise ExchangeError(f"{path} holds no time of a word or line that can be used. {reasons}".rstrip())
    if not phrases:
        phrases = _phrases_of(words, rate_hz)
    elif words:
        phrases = _with_stray_words(phrases, words, troubles)
    segments = Segments(tuple(spans.get(Kind.SECTION, [])), tuple(phrases), tuple(words))
    return Timings(with_repeats(segments), troubles.sentences())


def completed(timed: Segments, found: Segments) -> Segments:
    """Segments out of a file, with what the file does not tell taken from those found in the vocal.

    Breaths, sibilants and plosives are always those found; sections and words where the file has none of them.
    """
    return replace(
        timed,
        sections=timed.sections or found.sections,
        words=timed.words or found.words,
        breaths=found.breaths,
        sibilants=found.sibilants,
        plosives=found.plosives,
    )


def write_webvtt(path: str | Path, segments: Segments, rate_hz: int, protect: Iterable[str | Path] = ()) -> None:
    """Write phrases as cues of WebVTT, with the start of each word inside; to the millisecond, as the format has it.

    Parameters
    ----------
    path : str or Path
        Where; a file that is there is replaced.
    segments : Segments
        The segments; phrases shorter than a millisecond are left out, and a label without words becomes a dash.
    rate_hz : int
        The pair's rate.
    protect : iterable of str or Path
        Sources, which are never written over.

    Raises
    ------
    OutputError
        The file cannot be written, or is one of `protect`.
    """
    blocks = ["WEBVTT"]
    for phrase in segments.phrases:
        start_ms, end_ms = _ms(phrase.start_n, rate_hz), _ms(phrase.end_n, rate_hz)
        if end_ms <= start_ms:
            continue
        words = [word for word in segments.words_of(phrase) if word.label.strip()]
        parts = []
        before_ms = start_ms
        for word in words:
            at_ms = _ms(word.start_n, rate_hz)
            if before_ms < at_ms < end_ms:
                parts.append(f"<{_stamp(at_ms)}>")
                before_ms = at_ms
            parts.append(f"{_cue_text(word.label)} ")
        payload = "".join(parts).strip() or _cue_text(phrase.label) or "-"
        blocks.append(f"{_stamp(start_ms)} --> {_stamp(end_ms)}\n{payload}")
    atomic_write(path, ("\n\n".join(blocks) + "\n").encode("utf-8", "backslashreplace"), protect)


def write_textgrid(
    path: str | Path,
    segments: Segments,
    rate_hz: int,
    frames_n: int,
    *,
    short: bool = False,
    encoding: str = "utf-8",
    protect: Iterable[str | Path] = (),
) -> None:
    """Write sections, phrases and words as interval tiers of a TextGrid.

    Parameters
    ----------
    path : str or Path
        Where; a file that is there is replaced.
    segments : Segments
        The segments; kinds of which there are none have no tier.
    rate_hz : int
        The pair's rate; times have 9 decimals.
    frames_n : int
        Length of the vocal.
    short : bool
        The short text form instead of the long one.
    encoding : str
        "utf-8" or "utf-16" (with a byte order mark).
    protect : iterable of str or Path
        Sources, which are never written over.

    Raises
    ------
    OutputError
        The file cannot be written, or is one of `protect`.
    """
    kinds = ((Kind.SECTION, segments.sections), (Kind.PHRASE, segments.phrases), (Kind.WORD, segments.words))
    tiers = [(f"{kind.value}s", spans) for kind, spans in kinds if spans]
    end_n = max([frames_n, 1, *(span.end_n for _, spans in tiers for span in spans)])
    end_s = time_cell(end_n, rate_hz)
    zero_s = time_cell(0, rate_hz)
    lines: list[str] = ['File type = "ooTextFile"', 'Object class = "TextGrid"', ""]

    def put(indent: int, name: str, value: str) -> None:
        lines.append(value if short else f"{' ' * indent}{name} = {value} ")

    put(0, "xmin", zero_s)
    put(0, "xmax", end_s)
    lines.append("<exists>" if short else "tiers? <exists> ")
    put(0, "size", str(len(tiers)))
    lines += [] if short else ["item []: "]
    for i, (name, spans) in enumerate(tiers, start=1):
        intervals = _filled(spans, end_n)
        lines += [] if short else [f"    item [{i}]:"]
        put(8, "class", '"IntervalTier"')
        put(8, "name", f'"{name}"')
        put(8, "xmin", zero_s)
        put(8, "xmax", end_s)
        put(8, "intervals: size", str(len(intervals)))
        for k, (start_n, stop_n, label) in enumerate(intervals, start=1):
            lines += [] if short else [f"        intervals [{k}]:"]
            put(12, "xmin", time_cell(start_n, rate_hz))
            put(12, "xmax", time_cell(stop_n, rate_hz))
            put(12, "text", '"' + _one_line(label).replace('"', '""') + '"')
    atomic_write(path, ("\n".join(lines) + "\n").encode(encoding, "backslashreplace"), protect)


def write_labels(
    path: str | Path,
    segments: Segments,
    rate_hz: int,
    kind: Kind = Kind.WORD,
    protect: Iterable[str | Path] = (),
) -> None:
    """Write the spans of one kind as tab-separated start, end, label; seconds with 9 decimals.

    Parameters
    ----------
    path : str or Path
        Where; a file that is there is replaced.
    segments : Segments
        The segments.
    rate_hz : int
        The pair's rate.
    kind : Kind
        What to write.
    protect : iterable of str or Path
        Sources, which are never written over.

    Raises
    ------
    OutputError
        The file cannot be written, or is one of `protect`.
    """
    spans = [span for span in segments.all_spans() if span.kind == kind]
    rows = [f"{time_cell(s.start_n, rate_hz)}\t{time_cell(s.end_n, rate_hz)}\t{_one_line(s.label)}\n" for s in spans]
    atomic_write(path, "".join(rows).encode("utf-8", "backslashreplace"), protect)


def _text_of(path: Path, troubles: _Troubles) -> str:
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise ExchangeError(f"{path} cannot be read: {error.strerror or error}") from error
    try:
        text = raw.decode("utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError as error:
        if raw[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\0" in raw:
            raise ExchangeError(f"{path} is not text in UTF-8 or UTF-16 (byte {error.start})") from error
        text = raw.decode("cp1252", "replace")
        troubles.add(path.name, "the text is not UTF-8 and was read as Windows-1252; some letters may be wrong")
    return text.replace("\r\n", "\n").replace("\r", "\n").replace("\0", "\ufffd")


# WebVTT. Section numbers are those of the W3C Candidate Recommendation of 4 April 2019, from memory.

_STAMP = r"(?:(\d{2,}):)?([0-5]\d):([0-5]\d)\.(\d{3})"
_TIMING = re.compile(rf"{_STAMP}[ \t]*-->[ \t]*{_STAMP}(?:[ \t].*)?")
_TAG = re.compile(r"<([^>]*)>")


def _stamp_s(groups: Sequence[str | None]) -> float:
    hours, minutes, seconds, thousandths = (int(group or 0) for group in groups)
    return hours * 3600 + minutes * 60 + seconds + thousandths / 1000


def _webvtt_rows(text: str, troubles: _Troubles) -> dict[Kind, list[_Row]]:
    phrases: list[_Row] = []
    words: list[_Row] = []
    lines = text.split("\n")
    at = 1
    while at < len(lines) and lines[at]:  # the header block, section 4.1
        if "-->" in lines[at]:
            break
        at += 1
    while at < len(lines):
        if not lines[at].strip():
            at += 1
            continue
        block_at = at
        while at < len(lines) and lines[at]:
            at += 1
        block = lines[block_at:at]
        timed = next((i for i, line in enumerate(block[:2]) if "-->" in line), None)
        if timed is None:
            if not re.match(r"(NOTE|STYLE|REGION)(\s|$)", block[0]):
                troubles.add(f"line {block_at + 1}", "a block without times was passed over")
            continue
        place = f"line {block_at + timed + 1}"
        timing = _TIMING.fullmatch(block[timed].strip())
        if not timing:
            troubles.add(place, "the times of a cue cannot be read, and the cue was left out", block[timed])
            continue
        start_s, end_s = _stamp_s(timing.groups()[:4]), _stamp_s(timing.groups()[4:])
        label, parts = _cue_parts("\n".join(block[timed + 1 :]), start_s, end_s, place, troubles)
        if not label:
            continue
        phrases.append(_Row(start_s, end_s, label, place))
        words += [_Row(a, b, part, place) for a, b, part in parts]
    # A cue for each word, as some programs write them.
    if not words and phrases and sum(" " in row.label for row in phrases) <= 0.1 * len(phrases) and len(phrases) > 1:
        return {Kind.WORD: phrases}
    return {Kind.PHRASE: phrases, Kind.WORD: words}


def _cue_parts(
    payload: str, start_s: float, end_s: float, place: str, troubles: _Troubles
) -> tuple[str, list[tuple[float, float, str]]]:
    """Text of a cue, and its words where times inside tell them (section 4.2.2, WebVTT cue timestamp)."""
    payload = re.sub(r"<rt[.\s>].*?(</rt>|</ruby>|$)", "", payload, flags=re.DOTALL)
    chunks: list[tuple[float, str]] = [(start_s, "")]
    at = 0
    timed = False
    for tag in _TAG.finditer(payload):
        time, text = chunks[-1]
        chunks[-1] = (time, text + payload[at : tag.start()])
        at = tag.end()
        stamp = re.fullmatch(_STAMP, tag[1])
        if stamp:
            stamp_s = _stamp_s(stamp.groups())
            if chunks[-1][0] < stamp_s < end_s or (not timed and stamp_s == start_s):
                chunks.append((stamp_s, ""))
                timed = True
            else:
                troubles.add(place, "a time inside a cue runs backwards or lies outside the cue, and was passed over")
    chunks[-1] = (chunks[-1][0], chunks[-1][1] + payload[at:])
    texts = [(time, html.unescape(text).replace("\u200e", "").replace("\u200f", "")) for time, text in chunks]
    label = _one_line("".join(text for _, text in texts))
    if not timed:
        return label, []
    words: list[list[float | str]] = []
    joined = False
    for time, text in texts:
        if text.strip():
            if words and joined and not text[0].isspace():  # a time inside a word
                words[-1][2] = f"{words[-1][2]}{text}"
            else:
                words.append([time, end_s, text])
            joined = not text[-1].isspace()
        elif text:
            joined = False
    for one, after in pairwise(words):
        one[1] = after[0]
    return label, [(float(a), float(b), _one_line(str(text))) for a, b, text in words]


# TextGrid. "Free-standing" numbers, texts and flags alone count: Praat's manual, "TextGrid file formats", from memory.

_TOKEN = re.compile(r'"((?:[^"]|"")*)"|(\S+)')
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_KINDS_OF_TIERS = {
    Kind.SECTION: ("sections", "section", "parts", "part"),
    Kind.PHRASE: ("phrases", "phrase", "lines", "line", "utterances", "utterance", "sentences", "sentence", "lyrics"),
    Kind.WORD: ("words", "word", "wrd"),
}
_NOT_SPANS = re.compile(r"phon|segment|note|syll|pitch|tone|aligned", re.IGNORECASE)


def _textgrid_rows(text: str, path: str, troubles: _Troubles) -> dict[Kind, list[_Row]]:
    values: list[tuple[str | float, int]] = []
    at, line = 0, 1
    text = re.sub(r"(?m)^((?:[^\"\n]|\"[^\"\n]*\")*?)\s!.*$", r"\1", text)
    for token in _TOKEN.finditer(text):
        line += text.count("\n", at, token.start())
        at = token.start()
        if token[1] is not None:
            values.append((token[1].replace('""', '"'), line))
        elif _NUMBER.fullmatch(token[2]):
            values.append((float(token[2]), line))
    tiers = _tiers(values, path, troubles)
    rows: dict[Kind, list[_Row]] = {}
    for name, found in tiers:
        kind = next((kind for kind, names in _KINDS_OF_TIERS.items() if name.strip().lower() in names), None)
        if kind is not None and kind not in rows and found:
            rows[kind] = found
    if not rows:
        for name, found in tiers:
            if found and not _NOT_SPANS.search(name):
                spaced = sum(" " in row.label for row in found) > 0.2 * len(found)
                rows.setdefault(Kind.PHRASE if spaced else Kind.WORD, found)
        if rows:
            troubles.add(
                Path(path).name,
                "no tier is named words or phrases; they were told apart by their labels",
            )
    return rows


def _tiers(values: list[tuple[str | float, int]], path: str, troubles: _Troubles) -> list[tuple[str, list[_Row]]]:
    at = 0

    def take(kind: type) -> str | float:
        nonlocal at
        if at >= len(values):
            raise ExchangeError(f"{path} breaks off: the TextGrid ends in the middle of a tier")
        value, line = values[at]
        if not isinstance(value, kind):
            wanted = "a number" if kind is float else "a text in quotes"
            raise ExchangeError(f"{path}, line {line}: {str(value)[:40]!r} stands where {wanted} is due")
        at += 1
        return value

    for kind in (str, str, float, float):  # file type, object class, start and end
        take(kind)
    count = int(take(float)) if at < len(values) else 0
    tiers: list[tuple[str, list[_Row]]] = []
    for _ in range(count):
        tier_class, name = str(take(str)), str(take(str))
        take(float)
        take(float)
        rows = []
        for _ in range(int(take(float))):
            line = values[at][1] if at < len(values) else 0
            start_s = float(take(float))
            end_s = float(take(float)) if tier_class == "IntervalTier" else start_s
            label = _one_line(str(take(str)))
            silent = label.lower() in _SILENCES or re.fullmatch(r"_\w*_", label)
            if tier_class == "IntervalTier" and not silent:
                rows.append(_Row(start_s, end_s, label, f"line {line}"))
        if tier_class == "IntervalTier":
            tiers.append((name, rows))
        else:
            troubles.add(f"tier {name!r}", "a tier of points was passed over")
    return tiers


def _label_rows(text: str, path: str, troubles: _Troubles) -> dict[Kind, list[_Row]]:
    rows: list[_Row] = []
    for number, line in enumerate(text.split("\n"), start=1):
        cells = line.split("\t")
        if not line.strip():
            continue
        times = [cell.strip().replace(",", ".") for cell in cells[:2]]
        if len(cells) < 2 or not all(_NUMBER.fullmatch(cell) for cell in times):
            if number > 1 or rows:  # the first line may name the columns
                troubles.add(f"line {number}", "not start, end and label parted by tabs; passed over", line.strip())
            continue
        label = _one_line(" ".join(cells[2:]))
        if label.lower() not in _SILENCES:
            rows.append(_Row(float(times[0]), float(times[1]), label, f"line {number}"))
    if not rows:
        raise ExchangeError(
            f"{path} is neither WebVTT, nor a TextGrid, nor rows of start, end and label parted by tabs with times in "
            "seconds"
        )
    several = [row for row in rows if " " in row.label]
    single = [row for row in rows if " " not in row.label]
    if not several:
        return {Kind.WORD: rows}
    near = 0.01
    held = all(any(r.start_s - near <= s.start_s and s.end_s <= r.end_s + near for r in several) for s in single[:500])
    return {Kind.PHRASE: several, Kind.WORD: single} if held and single else {Kind.PHRASE: rows}


def _spans(kind: Kind, rows: list[_Row], rate_hz: int, frames_n: int | None, troubles: _Troubles) -> list[Span]:
    """Spans in order and without overlap."""
    last_n = round(FARTHEST_S * rate_hz) if frames_n is None else frames_n
    held: list[tuple[int, int, _Row]] = []
    for row in rows:
        if not (abs(row.start_s) <= FARTHEST_S and abs(row.end_s) <= FARTHEST_S):
            troubles.add(row.place, f"a {kind} lies beyond any song and was left out", row.label)
            continue
        start_n, end_n = round(row.start_s * rate_hz), round(row.end_s * rate_hz)
        if end_n <= start_n:
            troubles.add(row.place, f"a {kind} ends where or before it starts, and was left out", row.label)
            continue
        if start_n >= last_n or end_n <= 0:
            troubles.add(row.place, f"a {kind} lies outside the vocal and was left out", row.label)
            continue
        if start_n < 0 or end_n > last_n:
            # A vocal's length in another program may differ by its rounding.
            if max(-start_n, end_n - last_n) > rate_hz // 100:
                troubles.add(row.place, f"a {kind} reaches beyond the vocal and was cut there", row.label)
            start_n, end_n = max(start_n, 0), min(end_n, last_n)
        held.append((start_n, end_n, row))
    order = [start_n for start_n, _, _ in held]
    if order != sorted(order):
        troubles.add("the file", f"the {kind}s are not in order of time, and were put in order")
        held.sort(key=lambda one: one[:2])
    mended: list[tuple[int, int, _Row]] = []
    for start_n, end_n, row in held:
        if mended and start_n < mended[-1][1]:
            before_start_n, before_end_n, before = mended[-1]
            if start_n <= before_start_n:
                troubles.add(row.place, f"a {kind} starts together with another one, and was left out", row.label)
                continue
            if before_end_n - start_n > rate_hz // 500:  # less may be a rounding of times
                troubles.add(before.place, f"a {kind} overlaps the next one, and ends where that starts", before.label)
            mended[-1] = (before_start_n, start_n, before)
        mended.append((start_n, end_n, row))
    return [
        Span(f"{kind.value[0]}f{i}", kind, start_n, end_n, row.label, Origin.FILE)
        for i, (start_n, end_n, row) in enumerate(mended, start=1)
    ]


def _phrase(number: int, words: Sequence[Span]) -> Span:
    label = " ".join(word.label for word in words)
    return Span(f"pf{number}", Kind.PHRASE, words[0].start_n, words[-1].end_n, label, Origin.FILE)


def _phrases_of(words: list[Span], rate_hz: int) -> list[Span]:
    groups: list[list[Span]] = []
    for word in words:
        if groups and word.start_n - groups[-1][-1].end_n < NEW_PHRASE_AFTER_S * rate_hz:
            groups[-1].append(word)
        else:
            groups.append([word])
    return [_phrase(i, group) for i, group in enumerate(groups, start=1)]


def _with_stray_words(phrases: list[Span], words: list[Span], troubles: _Troubles) -> list[Span]:
    """Phrases, and one of its own for each word whose middle lies in none of them."""
    held = Segments(phrases=tuple(phrases))
    stray = [word for word in words if held.phrase_of(word) is None]
    room: list[Span] = []
    for i, word in enumerate(stray, start=1):
        before_n = max([p.end_n for p in phrases if p.start_n <= word.middle_n], default=0)
        after_n = min([p.start_n for p in phrases if p.start_n > word.middle_n], default=word.end_n)
        start_n, end_n = max(word.start_n, before_n), min(word.end_n, after_n)
        if start_n <= word.middle_n < end_n:
            room.append(Span(f"pw{i}", Kind.PHRASE, start_n, end_n, word.label, Origin.FILE))
            troubles.add("the file", "a word lies in no line, and got a line of its own", word.label)
    return sorted([*phrases, *room], key=lambda span: span.start_n)


def _filled(spans: Sequence[Span], end_n: int) -> list[tuple[int, int, str]]:
    """Intervals that cover the whole length, as an interval tier must, the pauses without a label."""
    intervals: list[tuple[int, int, str]] = []
    at_n = 0
    for span in spans:
        if span.start_n > at_n:
            intervals.append((at_n, span.start_n, ""))
        intervals.append((span.start_n, span.end_n, span.label))
        at_n = span.end_n
    return [*intervals, (at_n, end_n, "")] if at_n < end_n else intervals


def _one_line(text: str) -> str:
    return " ".join(text.replace("\0", "").split())[:_LONGEST_LABEL_N]


def _ms(frame_n: int, rate_hz: int) -> int:
    return round(frame_n * 1000 / rate_hz)


def _stamp(ms: int) -> str:
    return f"{ms // 3_600_000:02d}:{ms // 60_000 % 60:02d}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"


def _cue_text(label: str) -> str:
    return _one_line(label).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


WRITERS: dict[str, Callable[..., None]] = {".vtt": write_webvtt, ".textgrid": write_textgrid, ".tsv": write_labels}
"""Writer for each suffix, in lower case."""
