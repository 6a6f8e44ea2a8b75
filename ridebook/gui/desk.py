"""What one window works on: the session, what was measured, what is suggested, and where the eye is.

Views listen to the desk's signals and call its methods; they never change a session themselves. The desk
computes nothing: it calls the rooms that do, the slow ones in the pool.
"""

from __future__ import annotations

import gc
import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal

from ridebook.check.standing import Standing, standing
from ridebook.errors import RidebookError
from ridebook.gui.hearing import DeskHearing
from ridebook.gui.pool import Pool
from ridebook.gui.words import signed
from ridebook.measure.measures import Measures
from ridebook.ride.hearing import Hearing
from ridebook.ride.settings import RideSettings
from ridebook.ride.suggestion import PhraseSuggestion, Suggestion
from ridebook.ride.trim import trim_for
from ridebook.segment.spans import Kind, Segments, Span
from ridebook.session.document import Session, SourceFile
from ridebook.session.edits import quiet_ids, replace_segments, set_lyric, set_trim
from ridebook.session.file import missing_sources, read_session, save_session
from ridebook.session.history import History
from ridebook.session.recovery import discard_recovery, write_recovery
from ridebook.work.steps import CancelCheck, Progress, raise_if

# What measures and suggests is imported where it is first needed, on the pool's threads, so that the window comes up
# at once.
if TYPE_CHECKING:
    from ridebook.audio.stems import StemPair
    from ridebook.segment.align import AlignedLyric
    from ridebook.work.analyse import Waves
    from ridebook.work.cache import AnalysisCache
    from ridebook.work.new_version import NewVersion
    from ridebook.work.song import Song

Edit = Callable[[Session], Session]

TRIM_SAME_DB = 0.05
"""Trims closer than this count as one."""

MIN_VIEW_S = 0.05
"""The timeline never shows less than this."""


@dataclass(frozen=True, slots=True)
class Selection:
    """What is selected.

    Parameters
    ----------
    kind : Kind
        What the selected spans are: sections, phrases or words.
    span_ids : tuple of str
        The selected spans in order of time.
    current_id : str or None
        The one that keys act from; among `span_ids` where there are any.
    points : frozenset of int
        Indices of selected breakpoints of the lane.
    stretch : tuple of int or None
        Stretch of time that was dragged over, in frames.
    """

    kind: Kind = Kind.PHRASE
    span_ids: tuple[str, ...] = ()
    current_id: str | None = None
    points: frozenset[int] = frozenset()
    stretch: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class View:
    """Stretch of time that the timeline shows, in frames."""

    start_n: int = 0
    end_n: int = 1

    @property
    def length_n(self) -> int:
        """Length in frames."""
        return self.end_n - self.start_n


@dataclass(frozen=True, slots=True)
class Opening:
    """A song that is being measured.

    Parameters
    ----------
    label : str
        What is done, as the status line says it.
    waves : Waves or None
        Its waves, as soon as they are read.
    """

    label: str
    waves: Waves | None = None


class Desk(QObject):
    """The one model of a window.

    Attributes
    ----------
    session : Session or None
        What is decided; None before anything is opened.
    measures : Measures or None
        What was measured; None until the analysis has ended.
    pyramids : dict of str to Pyramid
        ``vocal`` and ``bed``, for the waveforms.
    suggestion : Suggestion or None
        What is suggested now.
    history : History or None
        Undo and redo; None before anything is opened.
    selection : Selection
        What is selected.
    view : View
        What the timeline shows.
    playhead_n : int
        Where listening goes on.
    path : Path or None
        The session's file.
    notices : tuple of str
        What the user is to know about the files.
    misfits : tuple of str
        What did not fit of the lyric or the timings that were taken last.
    opening : Opening or None
        What is about to lie on the desk.
    """

    session_changed = Signal(object, object)
    """Session before and after; compare their parts with ``is``."""
    analysis_changed = Signal()
    suggestion_changed = Signal()
    selection_changed = Signal()
    view_changed = Signal()
    playhead_changed = Signal()
    message = Signal(str)
    told = Signal(str, object)
    """A heading, and sentences to be read at leisure."""
    busy_changed = Signal()
    failed = Signal(object)
    """A `RidebookError` that the window must show."""
    opening_changed = Signal()
    opened = Signal()
    """Another song lies on the desk."""
    closing = Signal()
    """The open files are about to be let go of."""
    saved = Signal()
    sources_missing = Signal(object, object, object)
    """Session, its path and the hash of its file: a source of it is not where it was."""

    _waves_read = Signal(object, object)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.pool = Pool(self)
        self.pool.busy_changed.connect(self.busy_changed)
        self._waves_read.connect(self._on_waves_read)
        self.session: Session | None = None
        self.measures: Measures | None = None
        self.pyramids: dict[str, object] = {}
        self.suggestion: Suggestion | None = None
        self.history: History | None = None
        self.selection = Selection()
        self.view = View()
        self.playhead_n = 0
        self.path: Path | None = None
        self.notices: tuple[str, ...] = ()
        self.misfits: tuple[str, ...] = ()
        self.opening: Opening | None = None
        self.pair: StemPair | None = None
        self.found = Segments()
        self.cache_on = True
        self.saved_at_s: float | None = None
        self._sha256: str | None = None
        self._gesture_from: Session | None = None
        self._suggest_later = False
        self._standing: tuple[Session, Measures, Hearing | None, Standing] | None = None
        self.hearing = DeskHearing(self)
        self._trim: tuple[tuple[Measures, Segments, RideSettings], float] | None = None
        self._suggested: dict[str, PhraseSuggestion] = {}

    # --- opening ---------------------------------------------------------------------------------

    def show_session(
        self,
        session: Session,
        *,
        path: Path | None = None,
        measures: Measures | None = None,
        pyramids: dict[str, object] | None = None,
        suggestion: Suggestion | None = None,
    ) -> None:
        """Put another session on the desk: history, selection, view and playhead begin anew."""
        before = self.session
        self.session = session
        self.path = path
        self.misfits = ()
        self.measures = measures
        self.pyramids = dict(pyramids or {})
        self.history = History(session)
        self.saved_at_s = None
        self._gesture_from = None
        self.session_changed.emit(before, session)
        self.analysis_changed.emit()
        self._on_suggested(suggestion)
        self.select()
        self.set_playhead(0)
        self.zoom_to("song")
        if measures is not None and suggestion is None:
            self.suggest_again()

    def warm_up(self) -> None:
        """Import what opening and exporting a song need, so that the first one goes as quickly as the next."""

        def work(_progress: Progress, _cancelled: CancelCheck) -> None:
            import scipy.fft
            import scipy.signal  # noqa: F401

            import ridebook.gui.export_dialog
            import ridebook.work.demo
            import ridebook.work.song  # noqa: F401

        # What is there by now stays: a collection need not go through all of it again, which takes 50 ms.
        self.pool.start(work, done=lambda _none: gc.freeze())

    def open_pair(
        self,
        vocal: Path,
        beds: Sequence[Path],
        *,
        words: Path | None = None,
        lyric: Path | None = None,
        title: str = "",
    ) -> None:
        """Begin a new song from a vocal and its bed; nothing on the desk changes before it is measured.

        Parameters
        ----------
        vocal : Path
            The vocal.
        beds : sequence of Path
            The files of its bed.
        words : Path, optional
            Segment list to take in place of what is found in the vocal.
        lyric : Path, optional
            Text of the song.
        title : str
            The song's title; the name of the vocal's file where it is empty.
        """
        keep = self.cache_on
        opening = Opening(f"Measuring {Path(vocal).name}")

        def work(progress: Progress, cancelled: CancelCheck) -> Song:
            from ridebook.work.song import open_song, with_words

            song = open_song(
                vocal,
                beds,
                cache=_cache(keep),
                progress=progress,
                cancelled=cancelled,
                show=lambda waves: self._waves_read.emit(opening, waves),
            )
            return with_words(song, words, lyric, title)

        self._open(work, opening, None, None)

    def open_session(self, path: Path) -> None:
        """Open a session's file and measure its stems; `sources_missing` tells where one was moved."""
        path = Path(path)
        self._set_opening(None)

        def work(_progress: Progress, _cancelled: CancelCheck) -> tuple[Session, str]:
            return read_session(path)

        self.pool.start(
            work,
            done=lambda read: self.open_read(read[0], path, read[1]),
            failed=self.failed.emit,
            group="open",
            label=f"Reading {path.name}",
        )

    def open_read(self, session: Session, path: Path | None, sha256: str | None, *, unsaved: bool = False) -> None:
        """Go on with a session that was read: measure its stems, or tell that some are missing.

        Parameters
        ----------
        session : Session
            As it was read.
        path, sha256
            Its file and the hash of that file's content; None where it has none.
        unsaved : bool
            What is on disk is not this session, as after opening a recovery copy.
        """
        # A song is worked on without its references; they say by themselves that they are gone.
        missing = set(missing_sources(session)) - set(session.reference_sources)
        if missing:
            self.sources_missing.emit(session, path, sha256)
            return

        keep = self.cache_on
        opening = Opening(f"Opening {path.name if path is not None else session.title}")

        def work(progress: Progress, cancelled: CancelCheck) -> Song:
            from ridebook.work.song import reopen_song

            return reopen_song(
                session,
                cache=_cache(keep),
                progress=progress,
                cancelled=cancelled,
                show=lambda waves: self._waves_read.emit(opening, waves),
            )

        self._open(work, opening, path, sha256, unsaved=unsaved)

    def lay_lyric(self, text: str) -> None:
        """Lay a lyric on the voice; phrases that stay keep what was decided, what is by hand stays where it is."""
        pair, measures, found = self.pair, self.measures, self.found
        if pair is None or measures is None:
            return
        self.commit()

        def work(progress: Progress, cancelled: CancelCheck) -> AlignedLyric:
            from ridebook.work.words import laid_lyric

            return laid_lyric(text, pair, measures, found, progress, cancelled)

        def done(laid: AlignedLyric) -> None:
            self.edit("Lay the lyric", lambda session: replace_segments(set_lyric(session, text), laid.segments))
            self.tell_misfits("The lyric lies on the voice", laid.notices)

        self.pool.start(work, done=done, failed=self.failed.emit, group="lyric", label="Laying the lyric")

    def tell_misfits(self, what: str, misfits: Sequence[str]) -> None:
        """Tell that a lyric or a file with times was taken, and what of it did not fit."""
        self.misfits = tuple(misfits)
        if misfits:
            self.told.emit(f"{what}. To look at:", self.misfits)
        else:
            self.message.emit(f"{what}.")

    def take_new_version(self, old: SourceFile, path: Path) -> None:
        """Put another version of the vocal or a bed in its place; what was decided is kept."""
        session, measures = self.session, self.measures
        if session is None or measures is None:
            return
        self.commit()
        keep = self.cache_on
        session_path, sha256 = self.path, self._sha256

        def work(progress: Progress, cancelled: CancelCheck) -> NewVersion:
            from ridebook.work.new_version import take_new_version

            return take_new_version(
                session, measures, old, path, cache=_cache(keep), progress=progress, cancelled=cancelled
            )

        def done(made: NewVersion) -> None:
            self._show_song(made.song, session_path, sha256)
            self.history.mark_unclean()
            self.message.emit(made.line())

        self.pool.start(
            work,
            done=done,
            failed=self.failed.emit,
            lost=lambda made: made.song.pair.close(),
            group="open",
            label=f"Comparing {path.name}",
        )

    def _open(
        self,
        work: Callable[[Progress, CancelCheck], Song],
        opening: Opening,
        path: Path | None,
        sha256: str | None,
        *,
        unsaved: bool = False,
    ) -> None:
        def done(song: Song) -> None:
            self._show_song(song, path, sha256)
            self._set_opening(None)
            if unsaved:
                self.history.mark_unclean()

        def failed(error: Exception) -> None:
            self._set_opening(None)
            self.failed.emit(error)

        self.pool.start(
            work,
            done=done,
            failed=failed,
            called_off=lambda: self._set_opening(None),
            lost=lambda song: song.pair.close(),
            group="open",
            label=opening.label,
        )
        self._set_opening(opening)

    def _set_opening(self, opening: Opening | None) -> None:
        self.opening = opening
        self.opening_changed.emit()

    def _on_waves_read(self, opening: Opening, waves: Waves) -> None:
        """Show the waves of what is being opened, unless something else is by now."""
        if opening is self.opening:
            self._set_opening(replace(opening, waves=waves))

    def _show_song(self, song: Song, path: Path | None, sha256: str | None) -> None:
        self.forget()
        self.pair = song.pair
        self.found = song.analysis.segments
        self.notices = song.notices
        self.show_session(
            song.session,
            path=path,
            measures=song.analysis.measures,
            pyramids={"vocal": song.analysis.vocal_pyramid, "bed": song.analysis.bed_pyramid},
            suggestion=song.suggestion,
        )
        self._sha256 = sha256
        self.opened.emit()

    def forget(self) -> None:
        """Let go of the open files and of the recovery copy; what is on the desk stays to be seen."""
        self.closing.emit()
        if self.session is not None:
            discard_recovery(self.session, self.path)
        if self.pair is not None:
            self.pair.close()
            self.pair = None

    def close(self) -> None:
        """End all work that still runs and let go of the files."""
        self.pool.close()
        self.forget()

    # --- edits -----------------------------------------------------------------------------------

    def edit(self, label: str, fn: Edit, merge_key: str | None = None) -> bool:
        """Make one undo step.

        Parameters
        ----------
        label : str
            Name of the step in the undo list.
        fn : callable
            Pure, session to session; raising a `RidebookError` leaves all as it was and shows the message.
        merge_key : str or None
            Steps in a row with the same key become one.

        Returns
        -------
        bool
            Whether anything changed.
        """
        if self.session is None:
            return False
        self.commit()
        before = self.session
        after = self._tried(fn, before)
        if after is None or after is before or after == before:
            return False
        self._now(self.history.do(label, after, merge_key))
        return True

    def begin(self, label: str, merge_key: str | None = None) -> None:
        """Begin a gesture: all that is staged until `commit` is one undo step."""
        if self.session is not None:
            self.commit()
            self._gesture_from = self.session
            self.history.begin(label, merge_key)

    def stage(self, fn: Edit) -> None:
        """Show a gesture so far: `fn` is applied to the session as it was at `begin`."""
        if not self.in_gesture:
            return
        after = self._tried(fn, self._gesture_from)
        if after is not None and after is not self.session:
            self._now(self.history.stage(after))

    def commit(self, label: str | None = None) -> None:
        """End a gesture, under a better name where one is given; nothing happens where none was begun."""
        if self.in_gesture:
            if self.session == self._gesture_from:
                self.abort()
            else:
                self._now(self.history.commit(label), always=True)

    def abort(self) -> None:
        """Take back a gesture; nothing happens where none was begun."""
        if self.in_gesture:
            self._now(self.history.abort())

    def _tried(self, fn: Edit, session: Session) -> Session | None:
        try:
            return fn(session)
        except RidebookError as error:
            self.message.emit(str(error))
            return None

    @property
    def in_gesture(self) -> bool:
        """Whether a gesture was begun and has not ended."""
        return self.history is not None and self.history.in_gesture

    def undo(self) -> None:
        """Go back one step; in a gesture, take the gesture back."""
        if self.history is not None:
            self._now(self.history.undo())

    def redo(self) -> None:
        """Go forward one step."""
        if self.history is not None:
            self.commit()
            self._now(self.history.redo())

    def jump(self, done_n: int) -> None:
        """Go to a place in the undo list: `done_n` of its steps done."""
        if self.history is not None:
            self.commit()
            self._now(self.history.jump(done_n))

    def _now(self, after: Session, *, always: bool = False) -> None:
        before = self.session
        if after is before and not always:
            return
        self.session = after
        self._keep_selection(after)
        self.session_changed.emit(before, after)
        if self._suggestion_is_old(before, after):
            self._suggest_later = True
        # A border that is being dragged would have it made anew at every step.
        if self._suggest_later and not (self.in_gesture and before.segments is not after.segments):
            self.suggest_again()

    # --- standing and suggestion -----------------------------------------------------------------

    @property
    def standing(self) -> Standing | None:
        """How each phrase and word stands against the bed now; None until it is measured."""
        session, measures = self.session, self.measures
        if session is None or measures is None:
            return None
        hearing = self.hearing.of(session, measures)
        known = self._standing
        if known is None or any(one is not other for one, other in zip(known, (session, measures, hearing))):
            before = known[-1] if known is not None else None
            self._standing = (session, measures, hearing, standing(session, measures, before, hearing))
        return self._standing[-1]

    @staticmethod
    def _suggestion_is_old(before: Session | None, after: Session) -> bool:
        if before is None:
            return True
        if before is after:
            return False
        return (
            before.settings != after.settings
            or before.section_aims != after.section_aims
            or before.segments is not after.segments
            or before.trim_db != after.trim_db
            or quiet_ids(before) != quiet_ids(after)
        )

    def suggest_again(self) -> None:
        """Make the suggestion anew off the window's thread; only the newest that was asked for is shown."""
        self._suggest_later = False
        if self.session is None or self.measures is None:
            return
        session, measures = self.session, self.measures
        hearing = self.hearing.of(session, measures)

        def work(_progress: Progress, cancelled: CancelCheck) -> Suggestion:
            raise_if(cancelled)  # a newer one may have been asked for while this one waited
            return _suggested(session, measures, hearing)

        self.pool.start(work, done=self._on_suggested, failed=self.failed.emit, group="suggest")

    @property
    def suggested_trim_db(self) -> float | None:
        """Trim that the settings ask for; None until it is measured."""
        if self.session is None or self.measures is None:
            return None
        asked = self.measures, self.session.segments, self.session.settings
        if self._trim is None or any(one is not other for one, other in zip(self._trim[0], asked)):
            self._trim = asked, trim_for(*asked)
        return self._trim[1]

    @property
    def trim_follows(self) -> bool:
        """Whether the trim is the one that the settings ask for, and so goes along when they change."""
        wanted_db = self.suggested_trim_db
        return wanted_db is not None and abs(wanted_db - self.session.trim_db) < TRIM_SAME_DB

    def take_trim(self) -> None:
        """Take the trim that the settings ask for."""
        trim_db = self.suggested_trim_db
        if trim_db is not None:
            self.edit(f"Trim {signed(trim_db)} dB", lambda now: set_trim(now, trim_db), merge_key="trim")

    def suggest_with_trim(self) -> None:
        """Make trim and rides anew; where rides are drawn already, the trim that they were drawn with stays."""
        if self.session is None or self.measures is None:
            return
        wanted_db, now_db = self.suggested_trim_db, self.session.trim_db
        if self.trim_follows:
            self.message.emit("Suggested again; the trim is the one that the aim asks for.")
        elif self.session.lane.points:
            self.message.emit(
                f"Suggested again over the trim of {signed(now_db)} dB, which the rides were drawn with; the aim "
                f"would ask for {signed(wanted_db)} dB."
            )
        else:
            self.take_trim()
            self.message.emit(f"Suggested again, with a trim of {signed(wanted_db)} dB.")
        self.suggest_again()

    def _on_suggested(self, suggestion: Suggestion | None) -> None:
        self.suggestion = suggestion
        self._suggested = {found.phrase_id: found for found in suggestion.phrases} if suggestion is not None else {}
        self.suggestion_changed.emit()

    def suggestion_of(self, phrase_id: str) -> PhraseSuggestion | None:
        """Suggestion for a phrase, or None."""
        return self._suggested.get(phrase_id)

    # --- selection, view, playhead ---------------------------------------------------------------

    def select(
        self,
        span_ids: Sequence[str] = (),
        *,
        kind: Kind = Kind.PHRASE,
        current_id: str | None = None,
        points: frozenset[int] | None = None,
        stretch: tuple[int, int] | None = None,
    ) -> None:
        """Select spans of one kind, breakpoints, a stretch, or several of these; nothing selects nothing."""
        ids = tuple(span_ids)
        if self.session is not None and ids:
            wanted = set(ids)
            ids = tuple(span.id for span in spans_of(self.session, kind) if span.id in wanted)
        if current_id not in ids:
            current_id = ids[-1] if ids else None
        made = Selection(kind, ids, current_id, points or frozenset(), stretch)
        if made != self.selection:
            self.selection = made
            self.selection_changed.emit()

    def select_points(self, points: frozenset[int]) -> None:
        """Select breakpoints and leave the selected spans."""
        made = replace(self.selection, points=points)
        if made != self.selection:
            self.selection = made
            self.selection_changed.emit()

    def span(self, span_id: str | None) -> Span | None:
        """Span of this id, or None."""
        if self.session is None or span_id is None:
            return None
        return next((span for span in self.session.segments.all_spans() if span.id == span_id), None)

    def selected_spans(self) -> tuple[Span, ...]:
        """Spans that are selected, in order of time."""
        if self.session is None:
            return ()
        wanted = set(self.selection.span_ids)
        return tuple(span for span in spans_of(self.session, self.selection.kind) if span.id in wanted)

    def selected_phrases(self) -> tuple[Span, ...]:
        """Phrases that an action is for: the selected ones, those of selected sections, or that of selected words."""
        if self.session is None:
            return ()
        segments = self.session.segments
        chosen = self.selected_spans()
        if self.selection.kind is Kind.PHRASE:
            return chosen
        if self.selection.kind is Kind.SECTION:
            return tuple(phrase for section in chosen for phrase in segments.phrases_of(section))
        held = {phrase.id: phrase for word in chosen if (phrase := segments.phrase_of(word)) is not None}
        return tuple(held.values())

    def _keep_selection(self, session: Session) -> None:
        """Drop from the selection what the session no longer has."""
        there = {span.id for span in spans_of(session, self.selection.kind)}
        ids = tuple(span_id for span_id in self.selection.span_ids if span_id in there)
        points = frozenset(i for i in self.selection.points if i < len(session.lane.points))
        current = self.selection.current_id if self.selection.current_id in ids else (ids[-1] if ids else None)
        made = replace(self.selection, span_ids=ids, current_id=current, points=points)
        if made != self.selection:
            self.selection = made
            self.selection_changed.emit()

    @property
    def rate_hz(self) -> int:
        """The pair's rate; 48000 before anything is opened."""
        return self.session.vocal.rate_hz if self.session is not None else 48000

    @property
    def frames_n(self) -> int:
        """The vocal's length in frames; 1 before anything is opened."""
        return self.session.vocal.frames_n if self.session is not None else 1

    def set_view(self, start_n: float, end_n: float) -> None:
        """Show a stretch of time, kept inside the song and no shorter than `MIN_VIEW_S`."""
        whole = self.frames_n
        length = min(max(round(end_n - start_n), math.ceil(MIN_VIEW_S * self.rate_hz)), whole)
        start = min(max(round(start_n), 0), whole - length)
        made = View(start, start + length)
        if made != self.view:
            self.view = made
            self.view_changed.emit()

    def zoom_to(self, what: Span | str) -> None:
        """Show a span, ``"selection"`` or ``"song"``, with a little air on both sides."""
        if what == "song":
            self.set_view(0, self.frames_n)
            return
        spans = self.selected_spans() if what == "selection" else (what,)
        if not spans:
            return
        start_n, end_n = spans[0].start_n, spans[-1].end_n
        air_n = max((end_n - start_n) * 0.08, 0.1 * self.rate_hz)
        self.set_view(start_n - air_n, end_n + air_n)

    def show_span(self, span: Span) -> None:
        """Bring a span into the view at the zoom that is on; nothing moves where it is all seen already."""
        view = self.view
        if span.start_n >= view.start_n and span.end_n <= view.end_n:
            return
        if span.length_n > view.length_n * 0.9:
            self.zoom_to(span)
            return
        start_n = span.middle_n - view.length_n // 2
        self.set_view(start_n, start_n + view.length_n)

    def set_playhead(self, frame_n: float) -> None:
        """Put the playhead somewhere in the song."""
        made = min(max(round(frame_n), 0), self.frames_n)
        if made != self.playhead_n:
            self.playhead_n = made
            self.playhead_changed.emit()

    # --- saving ----------------------------------------------------------------------------------

    @property
    def changed(self) -> bool:
        """Whether there is something that is not saved."""
        return self.history is not None and not self.history.is_clean

    def save(
        self, path: Path | None = None, *, force: bool = False, failed: Callable[[RidebookError], None] | None = None
    ) -> None:
        """Write the session to its file, or to another that is its own from then on.

        Parameters
        ----------
        path : Path, optional
            Another file.
        force : bool
            Replace what is there, and what another program wrote since.
        failed : callable, optional
            Called with the error in place of the signal `failed`.
        """
        target = Path(path) if path is not None else self.path
        if self.session is None or target is None:
            return
        self.commit()
        session = self.session
        known = self._sha256 if target == self.path else None

        def work(_progress: Progress, _cancelled: CancelCheck) -> str:
            return save_session(session, target, known_sha256=known, force=force)

        def done(sha256: str) -> None:
            if self.history is None or self.session is None:
                return
            discard_recovery(session, self.path)
            self.path, self._sha256, self.saved_at_s = target, sha256, time.time()
            self.history.mark_clean(session)
            self.saved.emit()

        self.pool.start(work, done=done, failed=failed or self.failed.emit, label=f"Saving {target.name}")

    def keep_recovery(self) -> None:
        """Write a recovery copy in the background, where there is something that is not saved."""
        if not self.changed or self.in_gesture:
            return
        session, path, sha256 = self.session, self.path, self._sha256

        def work(_progress: Progress, _cancelled: CancelCheck) -> Path:
            return write_recovery(session, path, sha256)

        self.pool.start(work, done=lambda _path: None, failed=self.failed.emit, group="recovery")


def spans_of(session: Session, kind: Kind) -> tuple[Span, ...]:
    """Spans of one kind in order of time."""
    return getattr(session.segments, f"{kind.value}s")


def _cache(keep: bool) -> AnalysisCache | None:
    from ridebook.work.cache import AnalysisCache

    return AnalysisCache() if keep else None


def _suggested(session: Session, measures: Measures, hearing: Hearing | None) -> Suggestion:
    from ridebook.work.song import suggestion_for

    return suggestion_for(session, measures, hearing)
