"""A new version of the vocal or of a bed: what was decided is kept, and only what sounds different is opened again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path

import numpy as np

from ridebook.audio.files import read_info
from ridebook.audio.stems import Stem, StemPair, open_pair, open_stem
from ridebook.measure.lag import best_place_n
from ridebook.measure.measures import CELLS_PER_S, Measures, StemMeasures
from ridebook.segment.spans import Segments, Span
from ridebook.session.document import Session, SourceFile, State
from ridebook.session.edits import change_source, replace_segments
from ridebook.work.analyse import Analysis
from ridebook.work.cache import AnalysisCache
from ridebook.work.song import Song, analysed, source_file, suggestion_for
from ridebook.work.steps import CancelCheck, Progress, never, silent

FLOOR_DB = 50.0
"""Cells this far under the loudest of either version are not compared: noise of no matter."""

CHANGED_DB = 0.5
"""A cell whose power differs by more has changed: about the least change of level that is heard (from memory:
Jesteadt, Wier and Green 1977; Miller 1947)."""

CHANGED_S = 0.05
"""Changes shorter than this in all, within half a second, are taken for rounding of borders, not for another take."""

_REFINE_S = 4.0


@dataclass(frozen=True, eq=False)
class NewVersion:
    """A song in which one source was replaced.

    Parameters
    ----------
    song : Song
        The song with the new file.
    shift_n : int
        How much later the new vocal has the same singing, in frames; 0 for a bed.
    opened_ids : tuple of str
        Phrases whose audio changed and that are open again.
    added_n : int
        Phrases found where there was none before.
    """

    song: Song
    shift_n: int
    opened_ids: tuple[str, ...]
    added_n: int

    def line(self) -> str:
        """Say what came of it, in one line."""
        phrases_n = len(self.song.session.segments.phrases)
        parts = [f"{len(self.opened_ids)} of {phrases_n} phrases sound different and are open again."]
        if self.shift_n:
            seconds = self.shift_n / self.song.pair.rate_hz
            way = "later" if seconds > 0 else "earlier"
            parts.insert(0, f"The new vocal has the same singing {abs(seconds):.3f} s {way}; everything moved with it.")
        if self.added_n:
            parts.append(f"{self.added_n} new phrases were found.")
        return " ".join(parts)


def take_new_version(
    session: Session,
    measures: Measures,
    old: SourceFile,
    path: str | PathLike[str],
    *,
    cache: AnalysisCache | None = None,
    progress: Progress = silent,
    cancelled: CancelCheck = never,
) -> NewVersion:
    """Replace a source of a session by another version of it.

    Parameters
    ----------
    session : Session
        The session.
    measures : Measures
        Measures of the pair as it was.
    old : SourceFile
        The vocal or one of the beds.
    path : path-like
        The new file.
    cache, progress, cancelled
        As for `ridebook.work.song.open_song`.

    Raises
    ------
    SourceError
        The file cannot serve.
    Cancelled
        The work was called off.
    """
    is_vocal = old == session.vocal
    vocal = path if is_vocal else session.vocal.path
    beds = [path if bed == old else bed.path for bed in session.beds]
    pair = open_pair(vocal, beds)
    try:
        sources = tuple(source_file(stem.info) for stem in pair.stems)
        analysis = analysed(pair, sources, cache, progress, cancelled)
        shift_n = _shift_n(measures, session.vocal, pair, analysis.measures) if is_vocal else 0
        changed = changed_stretches(measures, analysis.measures, shift_n)
        new = sources[0] if is_vocal else sources[1 + session.beds.index(old)]
        after = change_source(session, old, new, changed, shift_n)
        before_ids = {phrase.id for phrase in after.segments.phrases}
        after = _with_new_phrases(after, analysis)
        song = Song(pair, after, analysis, suggestion_for(after, analysis.measures), pair.notices + analysis.notices)
    except BaseException:
        pair.close()
        raise
    opened = tuple(
        phrase.id
        for phrase in after.segments.phrases
        if phrase.id in before_ids
        and after.decision(phrase.id).state is State.OPEN
        and any(start_n < phrase.end_n and phrase.start_n < end_n for start_n, end_n in changed)
    )
    return NewVersion(song, shift_n, opened, len(after.segments.phrases) - len(before_ids))


def changed_stretches(before: Measures, after: Measures, shift_n: int) -> tuple[tuple[int, int], ...]:
    """Stretches in which vocal or bed has another level than before.

    Parameters
    ----------
    before, after : Measures
        Measures of the pair as it was and as it is.
    shift_n : int
        How much later the new vocal has the same singing, in frames of the new one.

    Returns
    -------
    tuple of (int, int)
        First frame and frame after the last, on the new vocal's clock.
    """
    # The bed does not move with the vocal: where the vocal starts elsewhere, the clock did.
    differs = _differs(before.vocal, after.vocal, shift_n) | _differs(before.bed, after.bed, shift_n)
    width = CELLS_PER_S // 2
    crowded = np.convolve(differs, np.ones(width), "same") > CHANGED_S * CELLS_PER_S
    edges = np.flatnonzero(np.diff(np.concatenate([[False], differs & crowded, [False]]).astype(np.int8)))
    grid_n = after.vocal.grid_n
    return tuple((int(grid_n[a]), int(grid_n[b])) for a, b in edges.reshape(-1, 2))


def _differs(before: StemMeasures, after: StemMeasures, shift_n: int) -> np.ndarray:
    """Whether each cell of `after` has another power than the same music had in `before`."""
    energy_at = (after.grid_n - shift_n) * before.rate_hz / after.rate_hz
    energy = np.interp(energy_at, before.grid_n, before.energy) / before.rate_hz
    then = np.maximum(np.diff(energy) * after.rate_hz, 0.0) / np.diff(after.grid_n)
    now = after.cell_power
    floor = max(then.max(initial=0.0), now.max(initial=0.0)) * 10.0 ** (-FLOOR_DB / 10.0)
    if floor == 0.0:
        return np.zeros(len(now), bool)
    return np.asarray(np.abs(10.0 * np.log10(np.maximum(now, floor) / np.maximum(then, floor))) > CHANGED_DB)


def _shift_n(before: Measures, old: SourceFile, pair: StemPair, after: Measures) -> int:
    """How much later the new vocal has the same singing, in frames of the new one."""
    cells = _shift_cells(before.vocal.cell_power, after.vocal.cell_power)
    coarse_n = round(cells * after.rate_hz / CELLS_PER_S)
    if not Path(old.path).exists() or old.rate_hz != after.rate_hz:
        return coarse_n
    info = read_info(old.path)
    if (info.frames_n, info.rate_hz) != (old.frames_n, old.rate_hz) or Path(old.path) == pair.vocal.path.resolve():
        return coarse_n
    with open_stem(old.path) as stem:
        return coarse_n + _refined_n(stem, pair.vocal, coarse_n, before.vocal)


def _shift_cells(before: np.ndarray, after: np.ndarray) -> int:
    """Cells by which `after` lags `before`, by the correlation of their levels."""
    from scipy import signal  # here, since importing it takes longer than most of a command

    levels = [10.0 * np.log10(np.maximum(power, power.max() * 10.0 ** (-FLOOR_DB / 10.0))) for power in (before, after)]
    levels = [level - level.min() for level in levels]
    match = signal.correlate(levels[1], levels[0], method="fft")
    return int(match.argmax()) - (len(before) - 1)


def _refined_n(old: Stem, new: Stem, coarse_n: int, before: StemMeasures) -> int:
    """Frames to add to a shift that is right to a cell, by the correlation of the samples where it is loudest."""
    length_n = min(round(_REFINE_S * new.rate_hz), old.end_n)
    loudness = np.convolve(before.cell_power, np.ones(max(1, length_n * CELLS_PER_S // new.rate_hz)), "valid")
    start_n = min(int(before.grid_n[int(loudness.argmax())]), old.end_n - length_n)
    margin_n = 2 * new.rate_hz // CELLS_PER_S
    then = old.read(start_n, start_n + length_n).mean(axis=1)
    now = new.read(start_n + coarse_n - margin_n, start_n + coarse_n + length_n + margin_n).mean(axis=1)
    return best_place_n(then, now) - margin_n


def _with_new_phrases(session: Session, analysis: Analysis) -> Session:
    """Session with the phrases that were found where none is, and their words."""
    segments, found = session.segments, analysis.segments

    def free(span: Span, others: Sequence[Span]) -> bool:
        return all(span.end_n <= other.start_n or span.start_n >= other.end_n for other in others)

    phrases = [span for span in found.phrases if free(span, segments.phrases)]
    if not phrases:
        return session
    inside = {word.id for phrase in phrases for word in found.words_of(phrase)}
    words = [word for word in found.words if word.id in inside and free(word, segments.words)]
    merged = replace(
        segments,
        phrases=(*segments.phrases, *_unlike(phrases, segments)),
        words=(*segments.words, *_unlike(words, segments)),
    )
    return replace_segments(session, merged)


def _unlike(spans: Sequence[Span], segments: Segments) -> list[Span]:
    """Spans under ids that are not in use; `replace_segments` gives those that are new their own."""
    used = {span.id for span in segments.all_spans()}
    made = []
    for span in spans:
        span_id, number = span.id, 1
        while span_id in used:
            number += 1
            span_id = f"{span.id}-{number}"
        used.add(span_id)
        made.append(replace(span, id=span_id))
    return made
