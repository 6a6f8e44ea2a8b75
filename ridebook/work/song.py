"""A song as the program works on it: its open pair, what was measured, what is decided and what is suggested."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path

from ridebook.audio.files import FileInfo, file_sha256
from ridebook.audio.stems import StemPair, open_pair
from ridebook.check.reasons import explained
from ridebook.exchange.segment_lists import read_segments
from ridebook.measure.measures import Measures
from ridebook.ride.hearing import Hearing
from ridebook.ride.settings import RideSettings
from ridebook.ride.suggest import suggest
from ridebook.ride.suggestion import Suggestion
from ridebook.segment.spans import Segments
from ridebook.session.document import Session, SourceFile, State
from ridebook.session.edits import quiet_ids, set_lyric, set_title, set_trim
from ridebook.work.analyse import Analysis, Waves, analyse, waves_of
from ridebook.work.cache import AnalysisCache
from ridebook.work.opened import opened_pair
from ridebook.work.steps import CancelCheck, Progress, never, silent

ShowWaves = Callable[[Waves], None]


@dataclass(frozen=True, eq=False)
class Song:
    """Everything that is known of one song.

    Parameters
    ----------
    pair : StemPair
        The open files; who takes the song closes them.
    session : Session
        What is decided.
    analysis : Analysis
        What was measured and found.
    suggestion : Suggestion
        What is suggested by the session's settings and segments.
    notices : tuple of str
        What the user is to know about the files, as sentences.
    hearing : Hearing or None
        How its words are heard; None until it was listened for, as by `ridebook.work.hearing.with_hearing`.
    """

    pair: StemPair
    session: Session
    analysis: Analysis
    suggestion: Suggestion
    notices: tuple[str, ...]
    hearing: Hearing | None = None


def open_song(
    vocal: str | PathLike[str],
    beds: Sequence[str | PathLike[str]],
    settings: RideSettings | None = None,
    *,
    cache: AnalysisCache | None = None,
    progress: Progress = silent,
    cancelled: CancelCheck = never,
    show: ShowWaves | None = None,
) -> Song:
    """Begin a new song from a vocal and its bed.

    The session has the suggested trim, all phrases open and a flat lane.

    Parameters
    ----------
    vocal : path-like
        The lead vocal.
    beds : sequence of path-like
        The rest of the mix.
    settings : RideSettings, optional
        What suggestions are made by.
    cache : AnalysisCache, optional
        Where an analysis of the same audio may be kept.
    progress, cancelled
        As for `analyse`.
    show : callable, optional
        As for `analysed`.

    Raises
    ------
    SourceError
        A file cannot serve.
    Cancelled
        The work was called off.
    """
    pair = open_pair(vocal, beds)
    try:
        sources = tuple(source_file(stem.info) for stem in pair.stems)
        analysis = analysed(pair, sources, cache, progress, cancelled, show)
        settings = settings or RideSettings()
        suggestion = suggest(analysis.measures, analysis.segments, settings)
        session = Session(
            vocal=sources[0],
            beds=sources[1:],
            trim_db=suggestion.trim_db,
            settings=settings,
            segments=analysis.segments,
            title=Path(vocal).stem,
        )
    except BaseException:
        pair.close()
        raise
    return Song(pair, session, analysis, suggestion, pair.notices + analysis.notices)


def reopen_song(
    session: Session,
    *,
    cache: AnalysisCache | None = None,
    progress: Progress = silent,
    cancelled: CancelCheck = never,
    show: ShowWaves | None = None,
) -> Song:
    """Open the files of a session and measure them.

    The session is taken as it is: its own segments and trim rule. A file whose content is not the one that the
    session was made on is told.

    Raises
    ------
    SourceUnreadableError
        A source is no longer where it was.
    SourceUnusableError
        The vocal has another length or rate than the session's clock.
    SourceError
        A file cannot serve.
    Cancelled
        The work was called off.
    """
    pair = opened_pair(session, with_followers=True)
    try:
        sources = tuple(source_file(stem.info) for stem in pair.stems)
        changed = tuple(
            f"{Path(now.path).name} has changed since the session was saved."
            for now, then in zip(sources, (session.vocal, *session.beds), strict=True)
            if now.sha256 != then.sha256
        )
        analysis = analysed(pair, sources, cache, progress, cancelled, show)
        suggestion = suggestion_for(session, analysis.measures)
    except BaseException:
        pair.close()
        raise
    return Song(pair, session, analysis, suggestion, pair.notices + analysis.notices + changed)


def with_words(song: Song, words: Path | None, lyric: Path | None, title: str) -> Song:
    """Song with the segments of a list and the lyric of a text, its trim and rides suggested anew.

    Parameters
    ----------
    song : Song
        The song as it was opened.
    words : Path or None
        A segment list.
    lyric : Path or None
        A UTF-8 text.
    title : str
        The song's title; empty to leave it.

    Raises
    ------
    ExchangeError
        The list cannot be read.
    """
    session = song.session
    if lyric is not None:
        session = set_lyric(session, lyric.read_text("utf-8"))
    if title:
        session = set_title(session, title)
    if words is None:
        return replace(song, session=session)
    segments = read_segments(words, session.vocal.rate_hz, session.vocal.frames_n)
    return with_segments(replace(song, session=session), segments)


def with_segments(song: Song, segments: Segments) -> Song:
    """Song with other segments, nothing of it decided, and its trim and rides suggested anew."""
    suggestion = suggest(song.analysis.measures, segments, song.session.settings)
    session = set_trim(replace(song.session, segments=segments), suggestion.trim_db)
    return replace(song, session=session, suggestion=suggestion, hearing=None)


def suggestion_for(session: Session, measures: Measures, hearing: Hearing | None = None) -> Suggestion:
    """Suggestion by a session's own trim, settings and segments, which says what covers the words that are lost."""
    suggestion = suggest(
        measures,
        session.segments,
        session.settings,
        section_aims=session.section_aims,
        quiet_ids=quiet_ids(session),
        trim_db=session.trim_db,
        hearing=hearing,
    )
    return suggestion if hearing is None else explained(suggestion, session, measures, hearing)


def open_phrases(session: Session) -> tuple[str, ...]:
    """Ids of the phrases that are still open and not locked, in order of time."""
    decided = ((phrase.id, session.decision(phrase.id)) for phrase in session.segments.phrases)
    return tuple(phrase_id for phrase_id, known in decided if known.state is State.OPEN and not known.locked)


def source_file(info: FileInfo) -> SourceFile:
    """Note down a file for a session."""
    return SourceFile(str(info.path.resolve()), file_sha256(info.path), info.rate_hz, info.channels_n, info.frames_n)


def analysed(
    pair: StemPair,
    sources: Sequence[SourceFile],
    cache: AnalysisCache | None,
    progress: Progress = silent,
    cancelled: CancelCheck = never,
    show: ShowWaves | None = None,
) -> Analysis:
    """Analysis of a pair, from the cache where the same audio was analysed before.

    `show` is given the waves as soon as they are there, where the analysis is not in the cache.
    """
    key = cache.key(pair, [source.sha256 for source in sources]) if cache is not None else ""
    kept = cache.load(key) if cache is not None else None
    if kept is not None:
        progress(1.0)
        return kept
    waves = None
    if show is not None:
        waves = waves_of(pair, cancelled)
        show(waves)
    analysis = analyse(pair, progress, cancelled, waves=waves)
    if cache is not None:
        cache.store(key, analysis)
    return analysis
