"""How the words of a song are heard: a second pass over its stems, after the suggestion is there, kept like the first.

It costs about half as much as the analysis and nothing needs it at once: the window shows the suggestion first and asks
for this on the pool, the commands ask for it where they check or tell reasons.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from threadpoolctl import threadpool_limits

from ridebook.audio.stems import StemPair
from ridebook.measure.bands import PairBandAccumulator, PairBands
from ridebook.measure.measures import Measures
from ridebook.ride.hearing import Hearing, hearing_of
from ridebook.session.document import Session, SourceFile
from ridebook.work.cache import AnalysisCache
from ridebook.work.song import Song, suggestion_for
from ridebook.work.steps import CancelCheck, Progress, never, raise_if, silent

_BLOCK_N = 1 << 17


def pair_bands(
    pair: StemPair,
    sources: Sequence[SourceFile] = (),
    cache: AnalysisCache | None = None,
    progress: Progress = silent,
    cancelled: CancelCheck = never,
) -> PairBands:
    """Band powers of a pair, from the cache where the same audio was listened to before.

    Parameters
    ----------
    pair : StemPair
        The open pair.
    sources : sequence of SourceFile
        Its vocal and beds, for the cache.
    cache : AnalysisCache, optional
        Where the same may be kept.
    progress, cancelled
        As for `ridebook.work.analyse.analyse`.

    Raises
    ------
    SourceError
        A file breaks off.
    Cancelled
        The work was called off.
    """
    key = cache.key(pair, [source.sha256 for source in sources]) if cache is not None else ""
    kept = cache.load_bands(key) if cache is not None else None
    if kept is not None:
        progress(1.0)
        return kept
    bands = PairBandAccumulator(pair)
    with threadpool_limits(1, "blas"):
        for start_n in range(0, pair.frames_n, _BLOCK_N):
            raise_if(cancelled)
            stop_n = min(start_n + _BLOCK_N, pair.frames_n)
            bands.feed(pair.vocal.read(start_n, stop_n), [bed.read(start_n, stop_n) for bed in pair.beds])
            progress(stop_n / pair.frames_n)
    made = bands.finish()
    if cache is not None:
        cache.store_bands(key, made)
    return made


def session_hearing(
    session: Session,
    pair: StemPair,
    measures: Measures,
    *,
    cache: AnalysisCache | None = None,
    progress: Progress = silent,
    cancelled: CancelCheck = never,
) -> Hearing:
    """How the words of a session are heard.

    Parameters
    ----------
    session : Session
        The session.
    pair : StemPair
        Its open pair.
    measures : Measures
        Measures of the pair.
    cache, progress, cancelled
        As for `pair_bands`.
    """
    bands = pair_bands(pair, (session.vocal, *session.beds), cache, progress, cancelled)
    return hearing_of(bands, measures, session.segments.words, session.settings.listening_level_db)


def with_hearing(
    song: Song, *, cache: AnalysisCache | None = None, progress: Progress = silent, cancelled: CancelCheck = never
) -> Song:
    """Song that knows how its words are heard, with the suggestion made anew by that; as for `session_hearing`."""
    session, measures = song.session, song.analysis.measures
    hearing = session_hearing(session, song.pair, measures, cache=cache, progress=progress, cancelled=cancelled)
    return replace(song, hearing=hearing, suggestion=suggestion_for(session, measures, hearing))
