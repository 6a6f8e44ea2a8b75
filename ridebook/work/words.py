"""The lyric's own words on a song: laid on the voice, or timed by a file."""

from __future__ import annotations

from dataclasses import replace
from os import PathLike
from pathlib import Path

from threadpoolctl import threadpool_limits

from ridebook.audio.stems import StemPair
from ridebook.errors import ExchangeError
from ridebook.exchange.timings import completed, read_timings
from ridebook.measure.features import FeatureAccumulator, VocalFeatures
from ridebook.measure.measures import Measures
from ridebook.segment.align import AlignedLyric, align_lyric
from ridebook.segment.spans import Segments
from ridebook.session.edits import set_lyric
from ridebook.work.song import Song, with_segments
from ridebook.work.steps import CancelCheck, Cancelled, Progress, never, raise_if, silent

_LISTEN_SHARE = 0.3
"""Part of the work that hearing the vocal again is, for progress."""


def lyric_text(path: str | PathLike[str]) -> str:
    """Text of a lyric, UTF-8.

    Raises
    ------
    ExchangeError
        The file cannot be read or is not UTF-8 text.
    """
    try:
        return Path(path).read_text(encoding="utf-8-sig")
    except OSError as error:
        raise ExchangeError(f"{path} cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise ExchangeError(f"{path} is not UTF-8 text (byte {error.start}); save it as UTF-8") from error


def laid_lyric(
    text: str,
    pair: StemPair,
    measures: Measures,
    found: Segments,
    progress: Progress = silent,
    cancelled: CancelCheck = never,
) -> AlignedLyric:
    """Lay a lyric on the vocal of a pair.

    Parameters
    ----------
    text : str
        The lyric.
    pair : StemPair
        The open pair.
    measures : Measures
        Its measures.
    found : Segments
        What was found in the vocal.
    progress, cancelled
        As for `ridebook.work.analyse.analyse`.

    Raises
    ------
    SourceError
        The vocal breaks off.
    Cancelled
        The work was called off.
    """
    features = _features(pair, lambda done: progress(_LISTEN_SHARE * done), cancelled)
    with threadpool_limits(1, "blas"):
        aligned = align_lyric(
            text,
            features,
            measures,
            found,
            read_audio=pair.vocal.read,
            progress=lambda done: progress(_LISTEN_SHARE + (1.0 - _LISTEN_SHARE) * done),
            cancelled=cancelled,
        )
    if aligned is None:
        raise Cancelled
    return aligned


def _features(pair: StemPair, progress: Progress, cancelled: CancelCheck) -> VocalFeatures:
    features = FeatureAccumulator(pair.rate_hz)
    with threadpool_limits(1, "blas"):
        for start_n, block in pair.vocal.blocks():
            raise_if(cancelled)
            features.feed(block)
            progress((start_n + len(block)) / pair.frames_n)
        return features.finish()


def song_with_lyric(song: Song, text: str, progress: Progress = silent, cancelled: CancelCheck = never) -> Song:
    """Song whose phrases and words are the lyric's; trim and rides are suggested anew.

    Parameters
    ----------
    song : Song
        A song that was just opened.
    text : str
        The lyric.
    progress, cancelled
        As for `laid_lyric`.
    """
    analysis = song.analysis
    aligned = laid_lyric(text, song.pair, analysis.measures, analysis.segments, progress, cancelled)
    made = replace(song, session=set_lyric(song.session, text), notices=(*song.notices, *aligned.notices))
    return with_segments(made, aligned.segments)


def song_with_timings(song: Song, path: str | PathLike[str]) -> Song:
    """Song whose phrases and words are those of a file with times; trim and rides are suggested anew.

    Parameters
    ----------
    song : Song
        A song that was just opened.
    path : path-like
        WebVTT, TextGrid or tab-separated start, end, label.

    Raises
    ------
    ExchangeError
        The file holds no times that can be used.
    """
    timings = read_timings(Path(path), song.pair.rate_hz, song.pair.frames_n)
    made = replace(song, notices=(*song.notices, *timings.notices))
    return with_segments(made, completed(timings.segments, song.analysis.segments))
