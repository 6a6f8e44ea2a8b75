"""The lyric laid on the voice: its sections, phrases and words with their times."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ridebook.measure.features import VocalFeatures, points_n
from ridebook.measure.measures import CELLS_PER_S, Measures
from ridebook.segment import align_english
from ridebook.segment.activity import Activity, find_activity, runs
from ridebook.segment.align_path import ASIDE, ChainWord, Costs, Stretch, any_words, best_walks
from ridebook.segment.align_sounds import STATES, class_odds, state_fits, without_noise
from ridebook.segment.borders import PHRASE_SCORER, WORD_SCORER, find_pace, phrase_features, word_features
from ridebook.segment.change import find_change
from ridebook.segment.lyric import Lyric, parse_lyric
from ridebook.segment.nuclei import nuclei_cells
from ridebook.segment.repeats import named, sections_by_repeats
from ridebook.segment.spans import LOW_CONFIDENCE, Kind, Origin, Segments, Span
from ridebook.segment.syllables import VOWELS, sounds

ReadAudio = Callable[[int, int], np.ndarray]
"""Frames of the vocal from a first one to the one after the last: floating point, (frames, channels) or (frames,)."""

FASTEST_PER_S = 9.0
"""More syllables than this in a second of voice are not sung (common practice, no source: quick rap has 7 to 8)."""

_STEP_N = 2
_KEPT_PAUSE_N = 40
_MARGIN_N = 25
_TOLD_N = 4
_SHORTEST_WORD_N = 3
_BADLY = 0.5
_RECOGNIZED_S = 30.0
_AROUND_N = 20
_RIVAL_N = 40
_AGREE_N = 8
_SURE = 0.75
_UNSURE = 0.35
_STAND_IN = ChainWord(ASIDE, False, False, 1.0, aside=True)


@dataclass(frozen=True, eq=False)
class AlignedLyric:
    """A lyric laid on a voice.

    Parameters
    ----------
    segments : Segments
        Sections, phrases (a line of the lyric each) and words of origin lyric, with labels. Voice that fits no line
        keeps its found phrases and words; breaths and sibilants are those found.
    confidences : dict of str to float
        For the id of each word of the lyric how sure its place is, 0 to 1; those under `LOW_CONFIDENCE` are to be
        looked at.
    notices : tuple of str
        What did not fit, as sentences.
    """

    segments: Segments
    confidences: dict[str, float] = field(default_factory=dict)
    notices: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Heard:
    """What an alignment listens to, by cells of 10 ms."""

    activity: Activity
    fits: np.ndarray
    word_odds: np.ndarray
    line_odds: np.ndarray


@dataclass(frozen=True, slots=True)
class Word:
    """A word of the lyric to be laid: its text, sounds, and place in the lyric."""

    text: str
    sounds: str
    line: int
    section: int
    starts_line: bool
    starts_section: bool
    ends_line: bool
    aside: bool

    @property
    def syllables_n(self) -> int:
        """Syllables."""
        return sum(sound in VOWELS for sound in self.sounds)


@dataclass(frozen=True, eq=False)
class Laid:
    """Where words lie, in cells of 10 ms; -1 where a word is left out.

    Parameters
    ----------
    starts, ends : ndarray
        int64, shape (words,).
    states : ndarray
        int64, shape (cells,). Index into `STATES` that each cell was given; 0 outside words.
    """

    starts: np.ndarray
    ends: np.ndarray
    states: np.ndarray


def align_lyric(
    lyric_text: str,
    features: VocalFeatures,
    measures: Measures,
    found: Segments,
    language: str | None = None,
    read_audio: ReadAudio | None = None,
    progress: Callable[[float], None] = lambda _done: None,
    cancelled: Callable[[], bool] = lambda: False,
) -> AlignedLyric | None:
    """Lay a lyric on the voice.

    Parameters
    ----------
    lyric_text : str
        The lyric, as `parse_lyric` reads it.
    features : VocalFeatures
        The vocal's features.
    measures : Measures
        The pair's measures.
    found : Segments
        What was found in the vocal without the lyric.
    language : str, optional
        ISO 639-1 code; guessed where none is given.
    read_audio : callable, optional
        Reads the vocal, for English where the optional recognizer is installed.
    progress : callable
        Told how much is done, 0 to 1.
    cancelled : callable
        Asked between steps whether to stop.

    Returns
    -------
    AlignedLyric or None
        None where the work was called off.
    """
    lyric = parse_lyric(lyric_text, language)
    if not lyric.lines:
        return AlignedLyric(found, {}, ("The lyric has no words.",))
    heard = listen(features, found)
    if heard is None:
        return AlignedLyric(found, {}, ("There is no voice in the vocal to lay the lyric on.",))
    words, notices = _words_that_have_room(lyric, heard.activity)
    costs = Costs()

    def tick_of(first: float, share: float) -> Callable[[float], None]:
        def tick(done: float) -> None:
            if cancelled():
                raise _CalledOff
            progress(first + share * done)

        return tick

    try:
        rough = lay(words, heard, costs, tick_of(0.05, 0.65))
        laid = refined(words, rough, heard, costs, tick_of(0.7, 0.1))
        other = refined(words, rough, heard, OTHER_COSTS, tick_of(0.8, 0.1))
        sure = confidence(words, laid, other, heard, costs)
    except _CalledOff:
        return None
    if lyric.language == "en" and read_audio is not None:
        try:
            laid, sure = _weighed_with_recognizer(words, laid, sure, heard, features, read_audio, tick_of(0.9, 0.1))
        except _CalledOff:
            return None
    result = _result(lyric, words, laid, sure, features, found, notices)
    progress(1.0)
    return result


class _CalledOff(Exception):
    """The work was called off."""


def listen(features: VocalFeatures, found: Segments) -> Heard | None:
    """Return what an alignment listens to, or None where there is no voice.

    Parameters
    ----------
    features : VocalFeatures
        The vocal's features.
    found : Segments
        Its breaths are no voice.
    """
    activity = find_activity(features)
    if not activity.active.any():
        return None
    active = activity.active.copy()
    for breath in found.breaths:
        cells = slice(*(round(n * CELLS_PER_S / features.rate_hz) for n in (breath.start_n, breath.end_n)))
        active[cells] = False
    if active.any():
        activity = replace(activity, active=active)
    features = without_noise(features)
    change = find_change(features, activity)
    pace = find_pace(nuclei_cells(features, activity), activity)
    return Heard(
        activity,
        state_fits(class_odds(features, activity), activity.active),
        WORD_SCORER.scores(word_features(change, pace)),
        PHRASE_SCORER.scores(phrase_features(change)),
    )


def words_of(lyric: Lyric) -> list[Word]:
    """Words of a lyric with their sounds."""
    words: list[Word] = []
    line_number = 0
    for s, section in enumerate(lyric.sections):
        for i, line in enumerate(section.lines):
            last = len(line.words) - 1
            words += [
                Word(w.text, sounds(w.text, lyric.language), line_number, s, k == 0, k == i == 0, k == last, w.aside)
                for k, w in enumerate(line.words)
            ]
            line_number += 1
    return words


def _words_that_have_room(lyric: Lyric, activity: Activity) -> tuple[list[Word], list[str]]:
    words = words_of(lyric)
    room = FASTEST_PER_S * float(activity.active.sum()) / CELLS_PER_S + 10.0
    syllables = np.cumsum([word.syllables_n for word in words])
    if syllables[-1] <= room:
        return words, []
    lines = max(words[int(np.searchsorted(syllables, room))].line, 1)
    notice = (
        f"The lyric has {syllables[-1]:,} syllables, more than {activity.active.sum() / CELLS_PER_S:.0f} s of voice "
        f"have room for: only its first {lines} of {len(lyric.lines)} lines were laid."
    )
    return [word for word in words if word.line < lines], [notice]


def _chain_words(words: Sequence[Word], syllable_n: float, costs: Costs) -> list[ChainWord]:
    last = costs.last_syllable - 1.0
    return [
        ChainWord(w.sounds, w.starts_line, w.starts_section, syllable_n * (w.syllables_n + last * w.ends_line), w.aside)
        for w in words
    ]


def _syllable_cells(words: Sequence[Word], active_n: float, costs: Costs) -> float:
    """Mean length of a syllable, were all words sung."""
    count = sum(word.syllables_n + (costs.last_syllable - 1.0) * word.ends_line for word in words if not word.aside)
    return float(np.clip(active_n / max(count, 1.0), 12.0, 150.0))


def _folded(values: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """Mean (of a table) or maximum (of a curve) of each kept pair of cells."""
    second = np.minimum(kept + 1, len(values) - 1)
    if values.ndim == 2:
        return np.asarray((values[kept] + values[second]) / 2, np.float32)
    return np.asarray(np.maximum(values[kept], values[second]))


def lay(words: Sequence[Word], heard: Heard, costs: Costs, tick: Callable[[float], None] | None = None) -> Laid:
    """Lay all words on the whole take, in steps of 20 ms; words, lines and sections may be left out."""
    active = heard.activity.active
    keep = np.ones(len(active), bool)
    for start, end in runs(~active):  # the middle of a long pause says nothing
        keep[start + _KEPT_PAUSE_N // 2 : max(end - _KEPT_PAUSE_N // 2, start + _KEPT_PAUSE_N // 2)] = False
    kept = np.arange(0, len(active), _STEP_N)
    kept = kept[keep[kept]]
    syllable_n = _syllable_cells(words, active.sum(), costs) / _STEP_N
    laid_words = _chain_words(words, syllable_n, costs)
    lines_n = sum(word.starts_line for word in laid_words)
    stand_in = replace(_STAND_IN, length_n=sum(word.length_n for word in laid_words) / lines_n)
    chain: list[ChainWord] = []
    real: list[int] = []
    for word in laid_words:
        if word.starts_line:
            chain.append(stand_in)
        real.append(len(chain))
        chain.append(word)
    stretch = Stretch([*chain, stand_in], 0, len(kept))
    walk = best_walks(
        [stretch],
        _folded(heard.fits, kept),
        _folded(heard.word_odds, kept),
        _folded(heard.line_odds, kept),
        costs,
        step_n=_STEP_N,
        may_skip=True,
        tick=tick,
    )[0]
    ends = np.append(kept, len(active))
    starts_row, ends_row = walk.starts[real], walk.ends[real]
    sung = starts_row >= 0
    states = np.zeros(len(active), np.int64)
    of_words = np.where(walk.states < len(STATES), walk.states, 0)
    states[kept] = of_words
    states[np.minimum(kept + 1, len(active) - 1)] = of_words
    return Laid(
        np.where(sung, kept[starts_row], -1),
        np.where(sung, np.minimum(ends[ends_row - 1] + _STEP_N, len(active)), -1),
        states,
    )


def sung_lines(words: Sequence[Word], laid: Laid) -> list[np.ndarray]:
    """Return the indices of the sung words of each line that has any."""
    lines: dict[int, list[int]] = {}
    for i, word in enumerate(words):
        if laid.starts[i] >= 0:
            lines.setdefault(word.line, []).append(i)
    return [np.array(line) for line in lines.values()]


def refined(
    words: Sequence[Word], laid: Laid, heard: Heard, costs: Costs, tick: Callable[[float], None] | None = None
) -> Laid:
    """Lay the words anew between the pauses they lie between, in steps of 10 ms; lines that touch go together."""
    groups: list[list[int]] = []
    for line in sung_lines(words, laid):
        if groups and laid.starts[line[0]] - laid.ends[groups[-1][-1]] < 2 * _SHORTEST_WORD_N:
            groups[-1] += line.tolist()
        else:
            groups.append(line.tolist())
    if not groups:
        return laid
    cells_n = len(heard.activity.active)
    firsts, lasts = [int(laid.starts[g[0]]) for g in groups], [int(laid.ends[g[-1]]) for g in groups]
    middles = [(last + first) // 2 for last, first in zip(lasts, firsts[1:])]
    stretches = []
    for group, first, last, low, high in zip(groups, firsts, lasts, [0, *middles], [*middles, cells_n]):
        start, stop = max(first - _MARGIN_N, low), min(last + _MARGIN_N, high)
        own = [replace(words[i], aside=False) for i in group]
        syllable_n = _syllable_cells(own, last - first, costs)
        stretches.append(Stretch(_chain_words(own, syllable_n, costs), start, stop - start))
    walks = best_walks(stretches, heard.fits, heard.word_odds, heard.line_odds, costs, tick=tick)
    starts, ends = laid.starts.copy(), laid.ends.copy()
    states = np.zeros(cells_n, np.int64)
    for group, stretch, walk in zip(groups, stretches, walks):
        if (walk.starts < 0).any():  # the stretch is shorter than the sounds at their least: the first laying stays
            part = slice(stretch.first, stretch.first + stretch.count)
            states[part] = laid.states[part]
            continue
        starts[group], ends[group] = walk.starts + stretch.first, walk.ends + stretch.first
        states[stretch.first : stretch.first + stretch.count] = walk.states
    return Laid(starts, ends, states)


def confidence(words: Sequence[Word], laid: Laid, other: Laid, heard: Heard, costs: Costs) -> np.ndarray:
    """How likely each word's start lies within 150 ms, float64, shape (words,), 0 to 1; 0 for what is left out.

    Parameters
    ----------
    words : sequence of Word
        The lyric.
    laid : Laid
        Where they lie.
    other : Laid
        Where they would lie under `OTHER_COSTS`: what moves by that stands on weak ground.
    heard : Heard
        What was listened to.
    costs : Costs
        What they were laid by.
    """
    columns = confidence_columns(words, laid, other, heard, costs)
    odds = columns @ np.array(_CONFIDENCE_WEIGHTS) + _CONFIDENCE_BIAS
    return np.asarray(np.where(laid.starts >= 0, 1.0 / (1.0 + np.exp(-odds)), 0.0))


OTHER_COSTS = Costs(length=2.0, weight=0.8)
"""A walk that trusts the sounds more and the lengths less."""

# A logistic regression on singing and speech, clean and over noise and bleed, with lyrics that are whole, lack a line,
# have one too many or belong to other words; figures with songs and voices left out are in the contributor's guide.
_CONFIDENCE_WEIGHTS = (0.51, 0.29, 0.07, -3.32, 1.32, 5.34, 2.19, -1.22, -0.8, 0.79, 0.05, 0.56)
_CONFIDENCE_BIAS = 8.53


def confidence_columns(words: Sequence[Word], laid: Laid, other: Laid, heard: Heard, costs: Costs) -> np.ndarray:
    """Return what speaks for a word's place: float64, shape (words, 12).

    Fit of its vowels, fit of its consonants, log odds of a border at its start, and how far its length is from the
    expected, each averaged with what stands beside the word; the first two again as means over all words, which a
    lyric of another song does not reach. Then for the word alone, by cell: how much better it fits than any words
    would, and the same of its line; how far the other walk puts its start; its border's odds under the best within
    0.4 s; the pause before it; and whether it begins a line.
    """
    rows = np.zeros((len(words), 10))
    best = heard.fits[:, 1:].max(axis=1)
    own = heard.fits[np.arange(len(best)), laid.states]
    got = own - best
    gained = np.concatenate([[0.0], np.cumsum(own - any_words(heard.fits), dtype=np.float64)])
    is_vowel = np.array([state in VOWELS for state in STATES])[laid.states]
    sung = np.flatnonzero(laid.starts >= 0).tolist()
    if not sung:
        return np.zeros((len(words), 12))
    active_n = float((laid.ends - laid.starts)[sung].sum())
    expected = _chain_words(words, _syllable_cells([words[i] for i in sung], active_n, costs), costs)
    before_n = 0
    for line in sung_lines(words, laid):
        low, high = laid.starts[line[0]], laid.ends[line[-1]]
        for i in line.tolist():
            start, end = int(laid.starts[i]), int(laid.ends[i])
            vowels = got[start:end][is_vowel[start:end]]
            consonants = got[start:end][~is_vowel[start:end] & (laid.states[start:end] > 0)]
            border = heard.word_odds[max(start - 2, 0) : start + 5].max()
            around = heard.word_odds[max(start - _RIVAL_N, 0) : start + _RIVAL_N].max()
            rows[i] = (
                vowels.mean() if len(vowels) else -1.0,
                consonants.mean() if len(consonants) else -0.5,
                np.clip(border, costs.least_odds, costs.most_odds),
                abs(np.log((end - start) / expected[i].length_n)),
                (gained[end] - gained[start]) / (end - start),
                (gained[high] - gained[low]) / (high - low),
                np.log1p(abs(int(other.starts[i]) - start) / 5.0),
                np.clip(border - around, -6.0, 0.0),
                np.log1p(max(start - before_n, 0) / 5.0),
                i == line[0],
            )
            before_n = end
    near = rows[sung, :4]
    padded = np.pad(near, ((1, 1), (0, 0)), mode="edge")
    rows[sung, :4] = 0.5 * near + 0.25 * (padded[:-2] + padded[2:])
    means = np.broadcast_to(near[:, :2].mean(axis=0), (len(rows), 2))
    return np.concatenate([rows[:, :4], means, rows[:, 4:]], axis=1)


def _weighed_with_recognizer(
    words: Sequence[Word],
    laid: Laid,
    sure: np.ndarray,
    heard: Heard,
    features: VocalFeatures,
    read_audio: ReadAudio,
    tick: Callable[[float], None],
) -> tuple[Laid, np.ndarray]:
    """Take the recognizer's opinion of the least sure lines, as many as there is time for.

    Where both ways agree, the word begins between them, and is surer for it. Where they do not, a line that was sure
    stays; else the recognizer is followed if its words have likely lengths and stand where the voice sounds.
    """
    if not align_english.is_installed():
        return laid, sure
    lines = sung_lines(words, laid)
    starts, ends, sure = laid.starts.copy(), laid.ends.copy(), sure.copy()
    rate = features.rate_hz
    frames = points_n(0, features.cells_n + 1, rate)
    left_s = _RECOGNIZED_S
    order = sorted(range(len(lines)), key=lambda k: (float(sure[lines[k]].mean()), k))
    for done, k in enumerate(order):
        line = lines[k]
        low = ends[lines[k - 1][-1]] if k else 0
        high = starts[lines[k + 1][0]] if k + 1 < len(lines) else features.cells_n
        first, last = starts[line[0]], ends[line[-1]]
        begin, stop = max(first - _AROUND_N, min(low, first)), min(last + _AROUND_N, max(high, last))
        length_s = (stop - begin) / CELLS_PER_S
        if length_s > left_s:
            continue
        left_s -= length_s
        tick(done / len(order))
        samples = read_audio(int(frames[begin]), int(min(frames[stop], features.frames_n)))
        mono = samples if samples.ndim == 1 else samples.mean(axis=1)
        told = align_english.forced_starts(mono, rate, [words[i].text for i in line])
        if told is None:
            continue
        said = begin + np.round(np.array(told) * CELLS_PER_S).astype(np.int64)
        said = np.clip(said, begin, stop)
        apart = np.abs(said[:, 0] - starts[line])
        agrees = apart <= _AGREE_N
        own = float(sure[line].mean())
        if agrees.mean() < 0.5 and (own > _SURE or not _is_likely(said, [words[i] for i in line], heard)):
            continue
        follow = ~agrees & (sure[line] < _SURE)
        new = np.where(agrees, (said[:, 0] + starts[line]) // 2, np.where(follow, said[:, 0], starts[line]))
        new_ends = np.where(follow, said[:, 1], ends[line])
        if (np.diff(new) < _SHORTEST_WORD_N).any():
            continue
        new_ends[:-1] = np.where(new_ends[:-1] > new[1:] - _SHORTEST_WORD_N, new[1:], new_ends[:-1])
        new_ends = np.maximum(new_ends, new + 1)
        starts[line], ends[line] = new, np.minimum(new_ends, max(high, last))
        sure[line] = np.where(agrees, np.maximum(sure[line], 0.5 + 0.5 * sure[line]), np.minimum(sure[line], _UNSURE))
    return replace(laid, starts=starts, ends=ends), sure


def _is_likely(said: np.ndarray, words: Sequence[Word], heard: Heard) -> bool:
    """Whether what the recognizer says of a line could be so: lengths by syllables, and words where there is voice."""
    lengths = np.maximum(said[:, 1] - said[:, 0], 1)
    each = np.log(lengths / np.array([word.syllables_n for word in words]))
    voiced = np.concatenate([[0], np.cumsum(heard.activity.active)])
    inside = (voiced[said[:, 1]] - voiced[said[:, 0]]) / lengths
    return bool(np.abs(each[:-1] - np.median(each)).max(initial=0.0) < np.log(6.0) and inside.min() > 0.3)


def _clock(frame_n: int, rate_hz: int) -> str:
    seconds = frame_n / rate_hz
    return f"{int(seconds // 60)}:{seconds % 60:04.1f}"


def _few(items: Sequence[str]) -> str:
    more = f" and {len(items) - _TOLD_N} more" if len(items) > _TOLD_N else ""
    return ", ".join(items[:_TOLD_N]) + more


def _result(
    lyric: Lyric,
    words: Sequence[Word],
    laid: Laid,
    sure: np.ndarray,
    features: VocalFeatures,
    found: Segments,
    notices: list[str],
) -> AlignedLyric:
    frames = points_n(0, features.cells_n + 1, features.rate_hz)
    frames[-1] = features.frames_n
    word_spans: list[Span] = []
    phrase_spans: list[Span] = []
    confidences: dict[str, float] = {}
    lines = lyric.lines
    section_of_phrase: list[int] = []
    for line in sung_lines(words, laid):
        number = words[line[0]].line
        own = []
        for i in line:
            span_id = f"lw{i + 1:04d}"
            start_n, end_n = int(frames[laid.starts[i]]), int(frames[laid.ends[i]])
            confidences[span_id] = round(float(sure[i]), 3)
            own.append(Span(span_id, Kind.WORD, start_n, end_n, words[i].text, Origin.LYRIC, confidences[span_id]))
        word_spans += own
        label = lines[number].text
        phrase_spans.append(
            Span(f"lp{number + 1:03d}", Kind.PHRASE, own[0].start_n, own[-1].end_n, label, Origin.LYRIC)
        )
        section_of_phrase.append(words[line[0]].section)
    notices = notices + _misfits(lines, words, laid, confidences)
    kept_phrases, kept_words = _outside(found, phrase_spans)
    if kept_phrases and phrase_spans:
        places = _few([_clock(phrase.start_n, features.rate_hz) for phrase in kept_phrases])
        one = len(kept_phrases) == 1
        count = "1 stretch of voice fits" if one else f"{len(kept_phrases)} stretches of voice fit"
        keep = "keeps" if one else "keep"
        notices.append(f"{count} no line of the lyric and {keep} what was found without it: at {places}.")
    texts = [" ".join(words[i].text.casefold() for i in line) for line in sung_lines(words, laid)]
    phrase_spans = [replace(phrase, repeats=name) for phrase, name in zip(phrase_spans, named(texts))]
    kept_phrases = tuple(replace(phrase, repeats="") for phrase in kept_phrases)
    sections = _sections(lyric, phrase_spans, section_of_phrase, features.frames_n) or found.sections
    sections = sections_by_repeats(sections, phrase_spans)
    segments = Segments(
        sections,
        tuple(phrase_spans) + kept_phrases,
        tuple(word_spans) + kept_words,
        found.breaths,
        found.sibilants,
        found.plosives,
    )
    return AlignedLyric(segments, confidences, tuple(notices))


def _misfits(lines: Sequence[object], words: Sequence[Word], laid: Laid, confidences: dict[str, float]) -> list[str]:
    notices = []
    sung = laid.starts >= 0
    by_line: dict[int, list[int]] = {}
    for i, word in enumerate(words):
        by_line.setdefault(word.line, []).append(i)
    lost_lines = [n for n, own in by_line.items() if not sung[own].any() and not all(words[i].aside for i in own)]
    if not sung.any():
        return ["No line of the lyric fits the voice: it seems to be the lyric of another song."]
    if lost_lines:
        named = _few([f"{getattr(lines[n], 'text', '')[:40]!r}" for n in lost_lines])
        count = "1 line was" if len(lost_lines) == 1 else f"{len(lost_lines)} lines were"
        notices.append(f"{count} not found in the voice: {named}.")
    missing = [
        i for n, own in by_line.items() if n not in lost_lines for i in own if not sung[i] and not words[i].aside
    ]
    if missing:
        named = _few([f"{words[i].text!r} in line {words[i].line + 1}" for i in missing])
        notices.append(f"Not found in the voice: {named}.")
    values = np.array(list(confidences.values()))
    low = int((values < LOW_CONFIDENCE).sum())
    if np.median(values) < _BADLY and len(values) >= 4:
        notices.append(
            "The lyric fits this voice badly: it may be the lyric of another song, or lack a part that is sung."
        )
    elif low:
        notices.append(f"{low} of {len(values)} words are not surely where they were laid; they are marked.")
    return notices


def _outside(found: Segments, phrases: Sequence[Span]) -> tuple[tuple[Span, ...], tuple[Span, ...]]:
    """Found phrases and their words where no line of the lyric lies, cut so that they overlap none."""
    held = Segments(phrases=tuple(phrases))
    kept_phrases: list[Span] = []
    kept_words: list[Span] = []
    for phrase in found.phrases:
        free = [
            w for w in found.words_of(phrase) if not any(w.start_n < p.end_n and p.start_n < w.end_n for p in phrases)
        ]
        if not free:
            continue
        groups: list[list[Span]] = []
        for word in free:
            adjoins = groups and not any(groups[-1][-1].end_n <= p.start_n < word.start_n for p in held.phrases)
            if adjoins:
                groups[-1].append(word)
            else:
                groups.append([word])
        # What is left of a found phrase at the edge of a line is the line's own tail or attack, not another line.
        groups = [group for group in groups if len(free) == len(found.words_of(phrase)) or len(group) >= 2]
        for k, group in enumerate(groups):
            span_id = phrase.id if k == 0 else f"{phrase.id}.{k}"
            kept_phrases.append(replace(phrase, id=span_id, start_n=group[0].start_n, end_n=group[-1].end_n))
            kept_words += group
    return tuple(kept_phrases), tuple(kept_words)


def _sections(
    lyric: Lyric, phrases: Sequence[Span], section_of_phrase: Sequence[int], frames_n: int
) -> tuple[Span, ...]:
    """Sections that cover the take, cut in the middle of the pauses between their lines."""
    firsts = [i for i, s in enumerate(section_of_phrase) if i == 0 or s != section_of_phrase[i - 1]]
    borders = [0, *((phrases[i - 1].end_n + phrases[i].start_n) // 2 for i in firsts[1:]), frames_n]
    return tuple(
        Span(
            f"ls{k + 1:02d}",
            Kind.SECTION,
            borders[k],
            borders[k + 1],
            lyric.sections[section_of_phrase[i]].name,
            Origin.LYRIC,
        )
        for k, i in enumerate(firsts)
    )
