"""The likeliest walk through the sounds of a lyric, frame by frame."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ridebook.segment.align_sounds import STATES
from ridebook.segment.syllables import VOWELS

ASIDE = "*" * 10
"""Sounds of a stand-in for voice that is no word of the lyric: any sound, in rows of 20 ms at least 0.2 s of it."""

_NEVER = np.float32(-1e9)
_FARTHEST_DEVIATION = 9.0
_POLL_FRAMES_N = 512
_VOWEL_STATES = [STATES.index(name) for name in "AEIOU"]
_CONSONANT_STATES = [STATES.index(name) for name in "SFTNL"]
_STATE = {name: i for i, name in enumerate((*STATES, "*"))}


@dataclass(frozen=True)
class Costs:
    """What a walk costs, in natural logarithm, and what it goes by.

    Chosen on singing with word times; the figures in the tests hold with songs left out.

    Parameters
    ----------
    weight : float
        What the fit of a 10 ms cell counts.
    vowel_stay, consonant_stay : float
        Cost of each 10 ms that a sound is held beyond its least length.
    vowel_share : float
        Least length of a vowel over a syllable's.
    word_start, line_start : float
        What the found borders' log odds count where a word, and where a line begins.
    least_odds, most_odds : float
        Log odds of borders are taken between these.
    pause_in_line : float
        Cost of a pause between two words of a line.
    no_pause : float
        Cost of no pause between two lines.
    aside_in_line, aside_between : float
        Cost of each 10 ms of voice that belongs to no word, inside a line and between lines, over that of the sound
        that fits best; before `weight`.
    long_aside, long_aside_begin : float
        The same for a stretch of voice between two lines that a stand-in for a line takes, over what a line of
        any other words would cost there; and what it costs to begin.
    aside_length : float
        What the prior on lengths counts for a stand-in, whose expected length is a line's.
    skipped_word, skipped_line, skipped_section : float
        Cost of a word, a line and a section of the lyric that is not sung.
    length : float
        What the log-normal prior on the lengths of words counts.
    length_spread : float
        Its standard deviation.
    last_syllable : float
        Length of a line's last syllable over the others'.
    """

    weight: float = 0.5
    vowel_stay: float = 0.03
    consonant_stay: float = 0.25
    vowel_share: float = 0.2
    word_start: float = 0.3
    line_start: float = 0.5
    least_odds: float = -3.0
    most_odds: float = 3.0
    pause_in_line: float = 1.0
    no_pause: float = 2.0
    aside_in_line: float = 4.0
    aside_between: float = 2.0
    long_aside: float = 0.0
    long_aside_begin: float = 15.0
    aside_length: float = 1.0
    skipped_word: float = 20.0
    skipped_line: float = 30.0
    skipped_section: float = 60.0
    length: float = 5.0
    length_spread: float = 0.5
    last_syllable: float = 1.6


@dataclass(frozen=True, slots=True)
class ChainWord:
    """A word to walk through.

    Parameters
    ----------
    sounds : str
        Its sound classes.
    starts_line, starts_section : bool
        It is the first of a line, of a section.
    length_n : float
        Expected length in frames.
    aside : bool
        It is as likely left out as not.
    """

    sounds: str
    starts_line: bool
    starts_section: bool
    length_n: float
    aside: bool = False


@dataclass(frozen=True, eq=False)
class Stretch:
    """A stretch of the vocal and the words in it.

    Parameters
    ----------
    words : sequence of ChainWord
        In order.
    first : int
        First row of the fits.
    count : int
        Number of rows.
    """

    words: Sequence[ChainWord]
    first: int
    count: int


@dataclass(frozen=True, eq=False)
class Walk:
    """Where the words of a stretch lie.

    Parameters
    ----------
    starts, ends : ndarray
        int64, shape (words,). First row and the row after the last, -1 where a word is left out.
    states : ndarray
        int64, shape (rows,). Index into `STATES` that each row was given.
    """

    starts: np.ndarray
    ends: np.ndarray
    states: np.ndarray


@dataclass(frozen=True, eq=False)
class _Chain:
    """States of all stretches, one after the other: a pause before each word, its sounds, a pause at the end."""

    state: np.ndarray
    stay: np.ndarray
    word: np.ndarray
    first: np.ndarray
    last: np.ndarray
    gaps: np.ndarray
    starts: np.ndarray
    ends: np.ndarray


def _chain(stretches: Sequence[Stretch], costs: Costs, step_n: int, vowel_n: int) -> _Chain:
    state: list[int] = []
    stay: list[float] = []
    word: list[int] = []
    first, last, gaps, starts, ends = [], [], [], [], []
    number = 0
    for stretch in stretches:
        starts.append(len(state))
        for chain_word in stretch.words:
            gaps.append(len(state))
            state.append(_STATE["-"])
            stay.append(0.0)
            word.append(-1)
            first.append(len(state))
            for sound in chain_word.sounds:
                is_vowel = sound in VOWELS
                least_n = vowel_n if is_vowel else 1 if step_n > 1 or sound in "T?" else 2
                state += [_STATE[sound]] * least_n
                held = 0.0 if sound == "*" else costs.vowel_stay if is_vowel else costs.consonant_stay
                stay += [1e9] * (least_n - 1) + [step_n * held]
                word += [number] * least_n
            last.append(len(state) - 1)
            number += 1
        gaps.append(len(state))
        state.append(_STATE["-"])
        stay.append(0.0)
        word.append(-1)
        ends.append(len(state) - 1)
    columns = (state, np.array(stay, np.float32), word, first, last, gaps, starts, ends)
    return _Chain(*(np.asarray(column) for column in columns))


def best_walks(
    stretches: Sequence[Stretch],
    fits: np.ndarray,
    word_odds: np.ndarray,
    line_odds: np.ndarray,
    costs: Costs,
    *,
    step_n: int = 1,
    may_skip: bool = False,
    tick: Callable[[float], None] | None = None,
) -> list[Walk]:
    """Likeliest walk through each of some stretches.

    A Viterbi search over hidden states (Rabiner, "A tutorial on hidden Markov models", Proc. IEEE 77 (1989), 257-286,
    from memory) with tokens that remember when their word began, so that a word pays for an unlikely length where it
    ends. All stretches go side by side.

    Parameters
    ----------
    stretches : sequence of Stretch
        Each with at least one word and one row.
    fits : ndarray
        float32, shape (rows, states), from `state_fits`.
    word_odds, line_odds : ndarray
        float, shape (rows,). Log odds that a word, and that a line begins.
    costs : Costs
    step_n : int
        Cells of 10 ms in a row.
    may_skip : bool
        Words, lines and sections may be left out; for one stretch alone.
    tick : callable, optional
        Told how much is done, 0 to 1; may raise to stop.

    Returns
    -------
    list of Walk
    """
    if may_skip and len(stretches) != 1:
        raise ValueError("only one stretch at a time may skip words")
    words = [word for stretch in stretches for word in stretch.words]
    real = [w for w in words if w.sounds != ASIDE]
    syllable_n = np.median([w.length_n / max(1, sum(s in VOWELS for s in w.sounds)) for w in real])
    vowel_n = int(np.clip(costs.vowel_share * syllable_n, 1 if step_n > 1 else 3, 12 / step_n))
    chain = _chain(stretches, costs, step_n, vowel_n)
    counts = np.array([stretch.count for stretch in stretches])
    firsts = np.array([stretch.first for stretch in stretches])
    rows_n = int(counts.max())
    size = len(chain.state)

    first, last, gaps = chain.first, chain.last, chain.gaps
    is_end = np.isin(gaps, chain.ends)
    after_gaps = gaps[np.flatnonzero(~is_end) + 1]  # the pause after it
    stretch_of_state = np.repeat(np.arange(len(stretches)), np.diff(np.append(chain.starts, size)))
    row_of_state = firsts[stretch_of_state]
    row_of_word, row_of_gap = row_of_state[first], row_of_state[gaps]
    any_sound = fits[:, 1:].max(axis=1)
    fits = np.column_stack([fits, any_words(fits) - np.float32(costs.long_aside)])
    # Zeros after the end, where stretches that are over go on beside the longer ones.
    fits = np.pad(fits, ((0, rows_n), (0, 0))) * np.float32(costs.weight * step_n)
    any_sound = np.pad(any_sound, (0, rows_n)) * np.float32(costs.weight * step_n)
    columns_n = fits.shape[1]
    place_of_state = row_of_state * columns_n + chain.state

    starts_line = np.array([word.starts_line for word in words])
    stretch_first = np.zeros(len(words), bool)
    stretch_first[np.cumsum([0, *[len(s.words) for s in stretches[:-1]]])] = True
    gap_starts_line = np.ones(len(gaps), bool)
    gap_starts_line[~is_end] = starts_line | stretch_first
    fill = -np.where(gap_starts_line, costs.aside_between, costs.aside_in_line).astype(np.float32)
    fill *= np.float32(costs.weight * step_n)
    enter_gap = np.where(gap_starts_line[np.flatnonzero(~is_end) + 1], 0.0, costs.pause_in_line).astype(np.float32)
    # Only words that follow another one in their stretch can follow it without a pause.
    followers = np.flatnonzero(~stretch_first)
    follow_cost = np.where(starts_line[followers], costs.no_pause, 0.0).astype(np.float32)
    expected = np.log([word.length_n for word in words]).astype(np.float32)
    is_aside = np.array([word.sounds == ASIDE for word in words])
    stiffness = np.where(is_aside, costs.aside_length, costs.length) / (2 * costs.length_spread**2)
    stiffness = stiffness.astype(np.float32)

    def entry_bonus() -> tuple[np.ndarray, np.ndarray]:
        """Bonus by row of entering a word, and what is added where it begins a line."""
        near = [np.clip(np.arange(len(word_odds)) + k, 0, len(word_odds) - 1) for k in range(-(-5 // step_n))]
        bonus = []
        for odds, weight in ((word_odds, costs.word_start), (line_odds, costs.line_start)):
            clipped = weight * np.clip(odds, costs.least_odds, costs.most_odds)
            # The tops of the odds lag the border by some 20 ms.
            best = np.maximum.reduce([clipped[rows] for rows in near])
            bonus.append(np.pad(best, (0, rows_n)).astype(np.float32))
        return bonus[0], bonus[1]

    word_bonus, line_bonus = entry_bonus()
    aside_words, begins_line = np.flatnonzero(is_aside), np.flatnonzero(starts_line | is_aside)
    skips = _skips(words, costs) if may_skip else []

    score = np.full(size, _NEVER, np.float32)
    score[chain.starts] = 0.0
    if may_skip:
        score[gaps] = _skipped(np.where(gaps == gaps[0], 0.0, _NEVER).astype(np.float32), skips)[0]
    entry = np.zeros(size, np.int32)
    held, moved, moved_entry = np.empty_like(score), np.full_like(score, _NEVER), np.zeros_like(entry)
    back = np.zeros((rows_n, size), np.uint8)
    jumps = np.zeros((rows_n, len(gaps) if may_skip else 0), np.int32)
    finals = np.full((len(stretches), 2), _NEVER, np.float32)
    finish = np.argsort(counts, kind="stable")
    finished = 0
    for t in range(rows_n):
        if tick is not None and t % _POLL_FRAMES_N == 0:
            tick(t / rows_n)
        np.subtract(score, chain.stay, out=held)
        deviation = np.log(np.maximum(t - entry[last], 1).astype(np.float32)) - expected
        left = score[last] - stiffness * np.minimum(deviation * deviation, _FARTHEST_DEVIATION)
        moved[1:], moved_entry[1:] = score[:-1], entry[:-1]
        moved[chain.starts] = _NEVER
        moved[after_gaps] = left - enter_gap
        bonus = word_bonus.take(row_of_word + t)
        bonus[aside_words] -= costs.long_aside_begin
        bonus[begins_line] += line_bonus.take(row_of_word[begins_line] + t)
        entering = moved[first] + bonus
        past = left[followers - 1] + bonus[followers] - follow_cost
        direct = past > entering[followers]
        entering[followers] = np.maximum(entering[followers], past)
        moved[first] = entering
        take = np.greater(moved, held, out=back[t].view(bool))
        np.maximum(moved, held, out=score)
        np.copyto(entry, moved_entry, where=take)
        entry[first[take[first]]] = t
        by_past = first[followers[direct]]
        by_past = by_past[take[by_past]]
        back[t, by_past] = 2
        in_gap = score[gaps] + any_sound.take(row_of_gap + t) + fill
        score += fits.take(place_of_state + t * columns_n)
        in_gap = np.maximum(score[gaps], in_gap)
        if may_skip:
            in_gap, jumps[t] = _skipped(in_gap, skips)
        score[gaps] = in_gap
        while finished < len(finish) and counts[finish[finished]] == t + 1:
            k = finish[finished]
            end = chain.ends[k]
            final = int(np.searchsorted(last, end)) - 1
            away = np.log(max(t + 1 - entry[last[final]], 1)) - expected[final]
            finals[k] = score[end], score[end - 1] - stiffness[final] * min(away * away, _FARTHEST_DEVIATION)
            finished += 1
    return _walked(stretches, chain, back, jumps, finals)


def any_words(fits: np.ndarray) -> np.ndarray:
    """How well words of another lyric would fit each row: float32, shape (rows,).

    The mean over the vowels, or over the consonants where that is more. Against it the right line of a melismatic
    take gains as much as it costs to leave one out, and a wrong line nothing; against the sound that fits best both
    lose about the same, since long vowels wander.
    """
    likely = np.exp(fits)
    return np.asarray(
        np.log(np.maximum(likely[:, _VOWEL_STATES].mean(axis=1), likely[:, _CONSONANT_STATES].mean(axis=1)))
    )


def _skips(words: list[ChainWord], costs: Costs) -> list[tuple[np.ndarray, np.ndarray]]:
    """Gaps that can be jumped between, and the sum of costs up to each, for words, lines and sections."""
    count = len(words)
    word = np.where([w.aside for w in words], costs.skipped_word / 4, costs.skipped_word)
    word[[w.sounds == ASIDE for w in words]] = 0.0
    skips = [(np.arange(count + 1), np.concatenate([[0.0], np.cumsum(word)]).astype(np.float32))]
    for starts, cost in (
        ([w.starts_line for w in words], costs.skipped_line),
        ([w.starts_section for w in words], costs.skipped_section),
    ):
        places = np.append(np.flatnonzero(starts), count)
        skips.append((places, (cost * np.arange(len(places))).astype(np.float32)))
    return skips


def _skipped(scores: np.ndarray, skips: list[tuple[np.ndarray, np.ndarray]]) -> tuple[np.ndarray, np.ndarray]:
    """Scores in the gaps once words, lines and sections may be left out, and the gap that each comes from."""
    source = np.arange(len(scores), dtype=np.int32)
    scores = scores.copy()
    for places, sums in skips:
        raised = scores[places] + sums
        best = np.maximum.accumulate(raised)
        origin = np.maximum.accumulate(np.where(raised >= best, np.arange(len(places)), 0))
        source[places] = source[places[origin]]
        scores[places] = best - sums
    return scores, source


def _walked(
    stretches: Sequence[Stretch], chain: _Chain, back: np.ndarray, jumps: np.ndarray, finals: np.ndarray
) -> list[Walk]:
    gap_number = np.full(len(chain.state), -1)
    gap_number[chain.gaps] = np.arange(len(chain.gaps))
    walks = []
    word_base = 0
    for k, stretch in enumerate(stretches):
        s = int(chain.ends[k]) - int(finals[k, 1] > finals[k, 0])
        words = np.empty(stretch.count, np.int64)
        states = np.empty(stretch.count, np.int64)
        for t in range(stretch.count - 1, -1, -1):
            if jumps.shape[1] and gap_number[s] >= 0:
                s = int(chain.gaps[jumps[t, gap_number[s]]])
            words[t] = chain.word[s]
            states[t] = chain.state[s]
            s -= int(back[t, s])
        starts = np.full(len(stretch.words), -1)
        ends = np.full(len(stretch.words), -1)
        changes = np.flatnonzero(np.diff(words, prepend=-2))
        for at, until in zip(changes, np.append(changes[1:], stretch.count)):
            if words[at] >= 0:
                starts[words[at] - word_base], ends[words[at] - word_base] = at, until
        walks.append(Walk(starts, ends, states))
        word_base += len(stretch.words)
    return walks
