"""Plays what is heard from the playhead on, and writes the ride that a hand makes meanwhile."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from PySide6.QtCore import QObject, Qt, QTimer, Signal

from ridebook.audio.stems import Stem
from ridebook.errors import RidebookError
from ridebook.gui.desk import Desk
from ridebook.gui.sound import QtSound, SoundOut
from ridebook.gui.timers import rest_timer
from ridebook.session import edits
from ridebook.session.document import Session
from ridebook.work.preview import Heard, Listening, PreviewRenderer, match_db, opened_followers, opened_reference
from ridebook.work.steps import CancelCheck, Progress

TICK_MS = 25
PRE_ROLL_S = 1.0
"""A loop begins this long before the selection, so that the ear comes in on the line before (common practice)."""
LOOP_AFTER_S = 0.3
HAND_DB_PER_S = 6.0
"""A held key moves the ride this fast (a choice of this program)."""
NO_OUTPUT = "This machine has no sound output. The preview can be saved as a WAV file instead."


class Player(QObject):
    """Transport of one window.

    Parameters
    ----------
    desk : Desk
        The window's model; its playhead follows.
    sound : SoundOut, optional
        Where sound goes; the system's own output where it is left out.
    """

    playing_changed = Signal()
    listening_changed = Signal()
    hand_changed = Signal()
    message = Signal(str)

    def __init__(self, desk: Desk, parent: QObject | None = None, sound: SoundOut | None = None) -> None:
        super().__init__(parent)
        self.desk = desk
        self._given = sound
        self._sound: SoundOut | None = None
        self.renderer: PreviewRenderer | None = None
        self.listening = Listening()
        self.match_db = 0.0
        self.loop = False
        self._span: tuple[int, int] | None = None
        self._at_n = 0
        self._pulled_n = 0
        self._pieces: deque[tuple[int, int, int]] = deque()
        self._taken: list[tuple[int, float]] | None = None
        self._hand_db = 0.0
        self._hand_speed = 0.0
        self._moving_playhead = False
        self._went_round = False
        self._tick = QTimer(self)
        self._tick.setInterval(TICK_MS)
        self._tick.setTimerType(Qt.TimerType.PreciseTimer)
        self._tick.timeout.connect(self._on_tick)
        self._settle = rest_timer(self, 150, self._match)
        desk.session_changed.connect(self._on_session_changed)
        desk.analysis_changed.connect(self._on_analysis_changed)
        desk.playhead_changed.connect(self._on_playhead_changed)
        desk.closing.connect(self._on_closing)

    # --- what is heard ---------------------------------------------------------------------------

    def listen(self, **changes: object) -> None:
        """Change what is heard or how, at the same place."""
        self.listening = replace(self.listening, **changes)
        if self.renderer is not None:
            self.renderer.listening = self.listening
        self.listening_changed.emit()

    def swap(self) -> None:
        """Hear the mix as it was, or with rides again."""
        ridden = self.listening.heard is Heard.RIDDEN
        self.listen(heard=Heard.BEFORE if ridden else Heard.RIDDEN)

    @property
    def playing(self) -> bool:
        """Whether sound runs."""
        return self._sound is not None

    # --- transport -------------------------------------------------------------------------------

    def toggle(self) -> None:
        """Play from the playhead, or stop."""
        if self.playing:
            self.stop()
        else:
            self.play()

    def play(self) -> None:
        """Play from the playhead on; with the loop on, round the selection."""
        if self.renderer is None or self.playing:
            return
        if self._given is None and not QtSound.there():
            self.message.emit(NO_OUTPUT)
            return
        self._span = self._loop_span() if self.loop else None
        self._at_n = self.desk.playhead_n
        if self._span is not None and not self._span[0] <= self._at_n < self._span[1]:
            self._at_n = self._span[0]
        if self._at_n >= self.desk.frames_n:
            self._at_n = 0
        self._pulled_n = 0
        self._pieces.clear()
        sound = self._given if self._given is not None else QtSound(self)
        if isinstance(sound, QtSound):
            sound.broke.connect(self._on_broke)
        self._sound = sound
        sound.start(self.desk.rate_hz, self.pull)
        self._tick.start()
        self.playing_changed.emit()

    def stop(self) -> None:
        """Stop; a ride by hand that was under way is kept as one step."""
        if self._sound is None:
            return
        self._on_tick(last=True)
        sound, self._sound = self._sound, None
        self._tick.stop()
        sound.stop()
        self._end_hand()
        self.playing_changed.emit()

    def set_loop(self, on: bool) -> None:
        """Play round the selection, or straight on."""
        self.loop = on
        self._span = self._loop_span() if on else None
        self.listening_changed.emit()

    def _loop_span(self) -> tuple[int, int] | None:
        spans = self.desk.selected_spans()
        if not spans:
            return None
        rate_hz = self.desk.rate_hz
        start_n = max(0, spans[0].start_n - round(PRE_ROLL_S * rate_hz))
        return start_n, min(self.desk.frames_n, spans[-1].end_n + round(LOOP_AFTER_S * rate_hz))

    def pull(self, frames_n: int) -> np.ndarray:
        """Render the next frames; called by the sound output, on whatever thread that has."""
        parts = []
        end_n = self.desk.frames_n
        while frames_n > 0 and self.renderer is not None:
            span = self._span
            stop_n = span[1] if span is not None and self._at_n <= span[1] else end_n
            take_n = min(frames_n, stop_n - self._at_n)
            if take_n <= 0:
                if span is None:
                    break
                self._at_n = span[0]
                self._went_round = True
                continue
            try:
                parts.append(self.renderer.block(self._at_n, self._at_n + take_n))
            except RidebookError as error:
                self.message.emit(str(error))
                break
            self._pieces.append((self._pulled_n, self._at_n, take_n))
            self._pulled_n += take_n
            self._at_n += take_n
            frames_n -= take_n
        return np.concatenate(parts) if parts else np.zeros((0, 2), np.float32)

    def _heard_frame_n(self) -> int | None:
        """Frame of the song that is heard now; None before the first."""
        heard_n = self._sound.heard_n() if self._sound is not None else 0
        while len(self._pieces) > 1 and self._pieces[1][0] <= heard_n:
            self._pieces.popleft()
        if not self._pieces:
            return None
        out_n, at_n, length_n = self._pieces[0]
        return at_n + min(max(heard_n - out_n, 0), length_n)

    def _on_tick(self, last: bool = False) -> None:
        frame_n = self._heard_frame_n()
        if frame_n is not None:
            self._moving_playhead = True
            self.desk.set_playhead(frame_n)
            self._moving_playhead = False
        if self._went_round:
            # What was ridden in one round of a loop is a step of its own.
            self._went_round = False
            self._end_hand()
        if self._taken is not None:
            self._take_hand()
        ended = self._span is None and self._at_n >= self.desk.frames_n
        if ended and not last and self._sound is not None and self._sound.heard_n() >= self._pulled_n:
            self.stop()

    def _on_playhead_changed(self) -> None:
        if self._moving_playhead or not self.playing:
            return
        # A click in the timeline while it plays goes on from there; what was rendered ahead is dropped.
        sound = self._sound
        self._end_hand()
        sound.stop()
        self._at_n = self.desk.playhead_n
        self._pulled_n = 0
        self._pieces.clear()
        sound.start(self.desk.rate_hz, self.pull)

    def _on_broke(self, sentence: str) -> None:
        self.stop()
        self.message.emit(sentence)

    # --- ride by hand ------------------------------------------------------------------------------

    @property
    def hand_db(self) -> float | None:
        """Gain that the hand holds, or None where it holds none."""
        return self._hand_db if self._taken is not None else None

    def hold(self, direction: float) -> None:
        """Move the ride up (1), down (-1) or hold it (0), from now on until it stops."""
        if not self.playing:
            if direction:
                self.message.emit("Riding by hand goes while it plays: start with Space.")
            return
        if direction and self._taken is None:
            self._begin_hand()
        self._hand_speed = direction * HAND_DB_PER_S

    def hand_to(self, gain_db: float) -> None:
        """Put the ride at this gain, from now on until it stops."""
        if not self.playing:
            return
        if self._taken is None:
            self._begin_hand()
        self._hand_db = self._limited(gain_db)
        self._take_hand()

    def hand_by(self, by_db: float) -> None:
        """Move the ride by so much, from now on until it stops."""
        if self.playing:
            held = self.hand_db
            now_db = float(self.desk.session.lane.gain_db_at([self._at_n])[0])
            self.hand_to((now_db if held is None else held) + by_db)

    def drop_hand(self) -> None:
        """Take back the ride by hand that is under way."""
        if self._taken is not None:
            self._taken = None
            self.desk.abort()
            self.hand_changed.emit()

    def _limited(self, gain_db: float) -> float:
        settings = self.desk.session.settings
        return min(max(gain_db, settings.lowest_db), settings.highest_db)

    def _begin_hand(self) -> None:
        session = self.desk.session
        self.desk.begin("Ride by hand")
        self._hand_db = float(session.lane.gain_db_at([self._at_n])[0])
        self._hand_speed = 0.0
        self._taken = [(self._at_n, self._hand_db)]
        self.hand_changed.emit()

    def _take_hand(self) -> None:
        """Write where the hand is at the frame that is rendered next: what is heard is what is written."""
        if self._taken is None:
            return
        self._hand_db = self._limited(self._hand_db + self._hand_speed * TICK_MS / 1000.0)
        if self._at_n > self._taken[-1][0]:
            self._taken.append((self._at_n, self._hand_db))
        else:
            self._taken[-1] = (self._taken[-1][0], self._hand_db)
        # Held on to the end of what may be rendered before the next tick comes.
        ahead_n = self._at_n + round(0.2 * self.desk.rate_hz)
        taken = [*self._taken, (max(ahead_n, self._taken[-1][0] + 1), self._hand_db)]
        self.desk.stage(lambda session: edits.draw_freehand(session, *zip(*taken)))
        self.hand_changed.emit()

    def _end_hand(self) -> None:
        if self._taken is None:
            return
        taken, self._taken = self._taken, None
        self._hand_speed = 0.0
        if len(taken) > 1:
            self.desk.stage(lambda session: edits.draw_freehand(session, *zip(*taken)))
            self.desk.commit()
        else:
            self.desk.abort()
        self.hand_changed.emit()

    # --- reference -----------------------------------------------------------------------------------

    def take_reference(self, path: Path) -> None:
        """Open a record to compare with, and hear it as loud as the mix as it was."""
        measures, rate_hz = self.desk.measures, self.desk.rate_hz
        if measures is None:
            return

        def work(_progress: Progress, cancelled: CancelCheck) -> tuple[Stem, float]:
            return opened_reference(path, rate_hz, measures, cancelled)

        self.desk.pool.start(
            work,
            done=self._on_reference,
            failed=self.desk.failed.emit,
            lost=lambda opened: opened[0].close(),
            group="reference",
            label=f"Measuring {path.name}",
        )

    def _on_reference(self, opened: tuple[Stem, float]) -> None:
        if self.renderer is None:
            opened[0].close()
            return
        if self.renderer.reference is not None:
            self.renderer.reference.close()
        self.renderer.reference, self.renderer.reference_match_db = opened
        self.listen(heard=Heard.REFERENCE)

    # --- following the desk ------------------------------------------------------------------------

    def _on_analysis_changed(self) -> None:
        self.stop()
        self._let_go()
        self.renderer = PreviewRenderer(self.desk.pair) if self.desk.pair is not None else None
        if self.renderer is not None:
            self.renderer.listening = self.listening
            self._take_lane(self.desk.session)
            self._take_followers(self.desk.session)
            self._match()
        self.listening_changed.emit()

    def _on_closing(self) -> None:
        self.stop()
        self._let_go()

    def _let_go(self) -> None:
        if self.renderer is not None:
            if self.renderer.reference is not None:
                self.renderer.reference.close()
            self._set_followers(())
        self.renderer = None

    def _on_session_changed(self, before: Session | None, after: Session) -> None:
        if self.renderer is None or before is None:
            return
        if before.lane is not after.lane or before.trim_db != after.trim_db or before.settings is not after.settings:
            self._take_lane(after)
            self._settle.start()
        if before.followers != after.followers:
            self._take_followers(after)

    def _take_lane(self, session: Session) -> None:
        self.renderer.lane = session.lane
        self.renderer.trim_db = session.trim_db
        self.renderer.centre_law_db = session.settings.centre_law_db

    def _take_followers(self, session: Session) -> None:
        """Have the session's followers heard: with other shares at once, other files as soon as they are open."""
        stems = [stem for stem, _ in self.renderer.followers]
        if [str(stem.path) for stem in stems] == [follower.source.path for follower in session.followers]:
            self._share(stems, session)
            return
        if not session.followers:
            self.stop()
            self._set_followers(())
            return

        def work(_progress: Progress, cancelled: CancelCheck) -> tuple[Stem, ...]:
            return opened_followers(session, cancelled)

        self.desk.pool.start(
            work, done=self._on_followers, failed=self.desk.failed.emit, lost=_close_all, group="followers heard"
        )

    def _on_followers(self, stems: Sequence[Stem]) -> None:
        session = self.desk.session
        if self.renderer is None or session is None or len(session.followers) != len(stems):
            _close_all(stems)
            return
        self.stop()  # what sounds may still be reading the files that are closed here
        self._set_followers(())
        self._share(stems, session)

    def _share(self, stems: Sequence[Stem], session: Session) -> None:
        shares = [follower.share for follower in session.followers]
        self.renderer.followers = tuple(zip(stems, shares, strict=True))

    def _set_followers(self, followers: tuple[tuple[Stem, float], ...]) -> None:
        before, self.renderer.followers = self.renderer.followers, followers
        _close_all([stem for stem, _ in before])

    def _match(self) -> None:
        session, measures = self.desk.session, self.desk.measures
        if session is None or measures is None or self.renderer is None:
            return

        def work(_progress: Progress, _cancelled: CancelCheck) -> float:
            return match_db(measures, session.lane, session.trim_db, session.settings.centre_law_db)

        self.desk.pool.start(work, done=self._on_matched, group="match")

    def _on_matched(self, gain_db: float) -> None:
        self.match_db = gain_db
        if self.renderer is not None:
            self.renderer.match_db = gain_db
        self.listening_changed.emit()


def _close_all(stems: Sequence[Stem]) -> None:
    for stem in stems:
        stem.close()
