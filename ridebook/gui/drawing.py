"""Drawing in the lane: small state machines that know frames and dB, but no widget and no pixels.

A gesture is `press`, any number of `move`, then `release` or `cancel`; it stages on the desk while it runs and is one
undo step when it ends. Whoever has a pointer tells them where it is in an `At`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from ridebook.gui.desk import Desk, Edit
from ridebook.gui.words import counted
from ridebook.ride.lane import Lane
from ridebook.segment.spans import Kind, Span
from ridebook.session import edits
from ridebook.session.document import Session

STEP_DB = 0.5
FINE_DB = 0.1
STEP_S = 0.010
FINE_S = 0.001
FINE_SHARE = 0.1
"""In fine mode a gesture moves by this much of what the hand does."""

START_PX = 3.0
"""A press that moves less than this is a click."""
SNAP_PX = 7.0
"""A breakpoint this close to a border of a phrase, word or gap goes to it."""
HOLD_PX = 5.0
"""A drag has to leave its place by this much before it moves in time, so that a gain can be set without slipping."""


@dataclass(frozen=True, slots=True)
class At:
    """Where the pointer is, in the lane's own units, and how it is meant.

    Parameters
    ----------
    frame_n, gain_db : float
        The place.
    frames_per_px, db_per_px : float
        How much a pixel holds, for distances that the hand feels.
    hit : int or None
        Number of the breakpoint under the pointer.
    fine : bool
        Move by a tenth of what the hand does, in steps of 0.1 dB.
    free : bool
        Do not snap.
    extend : bool
        Add to the selection.
    """

    frame_n: float
    gain_db: float
    frames_per_px: float = 1.0
    db_per_px: float = 1.0
    hit: int | None = None
    fine: bool = False
    free: bool = False
    extend: bool = False


def snapped_db(gain_db: float, at: At) -> float:
    """Gain on the grid of half dB, of 0.1 dB in fine mode, or as it is where snapping is off."""
    if at.free:
        return gain_db
    step = FINE_DB if at.fine else STEP_DB
    return round(gain_db / step) * step


def snapped_n(frame_n: float, at: At, borders_n: np.ndarray) -> int:
    """Frame, or the border next to it where one is close and snapping is on."""
    whole = round(frame_n)
    if at.free or at.fine or not len(borders_n):
        return whole
    i = int(np.searchsorted(borders_n, frame_n))
    near = borders_n[max(0, i - 1) : i + 1]
    best = int(near[np.argmin(np.abs(near - frame_n))])
    return best if abs(best - frame_n) <= SNAP_PX * at.frames_per_px else whole


def points_between(lane: Lane, start_n: float, end_n: float) -> frozenset[int]:
    """Numbers of the breakpoints from `start_n` to `end_n`."""
    first, last = np.searchsorted(lane.frames, [start_n, end_n])
    return frozenset(range(int(first), int(last)))


@dataclass(slots=True)
class _Hand:
    """Way of the hand since the press, slower while in fine mode."""

    last: At
    by_n: float = 0.0
    by_db: float = 0.0

    def follow(self, at: At) -> None:
        share = FINE_SHARE if at.fine else 1.0
        self.by_n += (at.frame_n - self.last.frame_n) * share
        self.by_db += (at.gain_db - self.last.gain_db) * share
        self.last = at


class Gesture:
    """One gesture. Nothing is begun on the desk before the hand has really moved."""

    label = ""

    def __init__(self, desk: Desk, at: At) -> None:
        self.desk = desk
        self.first = at
        self.begun = False

    def _is_click(self, at: At) -> bool:
        apart_px = max(
            abs(at.frame_n - self.first.frame_n) / at.frames_per_px, abs(at.gain_db - self.first.gain_db) / at.db_per_px
        )
        return not self.begun and apart_px < START_PX

    def _stage(self, fn: Edit) -> None:
        if not self.begun:
            self.begun = True
            self.desk.begin(self.label)
        self.desk.stage(fn)

    def move(self, at: At) -> None:
        """Follow the pointer."""

    def release(self, at: At) -> None:
        """Keep what was done: the button was let go."""
        self.move(at)
        if self.begun:
            self.desk.commit()

    def cancel(self) -> None:
        """Take the gesture back."""
        if self.begun:
            self.desk.abort()


class MovePoints(Gesture):
    """Drag breakpoints; the one under the pointer snaps, the others keep their distance from it."""

    def __init__(self, desk: Desk, at: At, points: frozenset[int], borders_n: np.ndarray) -> None:
        super().__init__(desk, at)
        self.points = points
        self.borders_n = borders_n
        self.grabbed = desk.session.lane.points[at.hit]
        self.hand = _Hand(at)
        self.left_time = self.left_gain = False
        self.label = f"Move {counted(len(points), 'breakpoint')}"

    def move(self, at: At) -> None:
        """Bring the breakpoints to where the pointer is."""
        if self._is_click(at):
            return
        self.hand.follow(at)
        self.left_time |= abs(self.hand.by_n) >= HOLD_PX * at.frames_per_px or (at.fine and self.hand.by_n != 0)
        self.left_gain |= abs(self.hand.by_db) >= START_PX * at.db_per_px or (at.fine and self.hand.by_db != 0)
        by_n, by_db = 0, 0.0
        if self.left_time:
            by_n = snapped_n(self.grabbed.frame_n + self.hand.by_n, at, self.borders_n) - self.grabbed.frame_n
        if self.left_gain:
            by_db = snapped_db(self.grabbed.gain_db + self.hand.by_db, at) - self.grabbed.gain_db
        self._stage(lambda session: edits.move_breakpoints(session, self.points, by_n, by_db))


class ScalePoints(Gesture):
    """Make the rides of a group larger or smaller: the one furthest from 0 dB goes with the pointer."""

    def __init__(self, desk: Desk, at: At, points: frozenset[int]) -> None:
        super().__init__(desk, at)
        self.points = points
        self.hand = _Hand(at)
        gains = desk.session.lane.gains_db[sorted(points)]
        self.furthest_db = float(gains[np.argmax(np.abs(gains))])
        self.label = f"Scale {counted(len(points), 'breakpoint')}"

    def move(self, at: At) -> None:
        """Scale so that the furthest gain is where the pointer took it."""
        if self._is_click(at) or self.furthest_db == 0.0:
            return
        self.hand.follow(at)
        factor = snapped_db(self.furthest_db + self.hand.by_db, at) / self.furthest_db
        self._stage(lambda session: edits.scale_breakpoints(session, self.points, factor))


@dataclass(slots=True)
class Band:
    """A rectangle that selects, in frames and dB."""

    start_n: float
    end_n: float
    low_db: float
    high_db: float


class RubberBand(Gesture):
    """Select the breakpoints in a rectangle; with `extend` to those that are selected already."""

    def __init__(self, desk: Desk, at: At, selected: frozenset[int]) -> None:
        super().__init__(desk, at)
        self.kept = selected if at.extend else frozenset()
        self.band: Band | None = None

    def move(self, at: At) -> None:
        """Span the rectangle to the pointer."""
        if self.band is None and self._is_click(at):
            return
        start_n, end_n = sorted((self.first.frame_n, at.frame_n))
        low_db, high_db = sorted((self.first.gain_db, at.gain_db))
        self.band = Band(start_n, end_n, low_db, high_db)
        lane = self.desk.session.lane
        inside = points_between(lane, start_n, end_n)
        self.desk.select_points(self.kept | {i for i in inside if low_db <= lane.points[i].gain_db <= high_db})

    def release(self, at: At) -> None:
        """Keep the selection; a click on nothing clears it."""
        self.move(at)
        if self.band is None:
            self.desk.select_points(self.kept)
        self.band = None

    def cancel(self) -> None:
        """Go back to what was selected."""
        self.band = None
        self.desk.select_points(self.kept)


class DrawFreehand(Gesture):
    """Draw as the hand goes; going back draws over. Thinned to few breakpoints as it goes."""

    label = "Draw freehand"

    def __init__(self, desk: Desk, at: At) -> None:
        super().__init__(desk, at)
        self.cell_n = max(1.0, at.frames_per_px)
        self.gains: dict[int, float] = {}
        self.last_cell = 0

    def move(self, at: At) -> None:
        """Draw on to the pointer."""
        if self._is_click(at):
            return
        if not self.gains:
            self._put(self.first)
        low, high = sorted((self.last_cell, round(at.frame_n / self.cell_n)))
        for cell in [cell for cell in self.gains if low < cell < high]:
            del self.gains[cell]
        self._put(at)
        self._stage(self._drawn)

    def _put(self, at: At) -> None:
        self.last_cell = round(at.frame_n / self.cell_n)
        self.gains[self.last_cell] = at.gain_db

    def _drawn(self, session: Session) -> Session:
        cells = sorted(cell for cell in self.gains if 0 <= cell * self.cell_n < session.vocal.frames_n)
        frames = [round(cell * self.cell_n) for cell in cells]
        return edits.draw_freehand(session, frames, [self.gains[cell] for cell in cells])


class DrawLine(Gesture):
    """A straight line from where the button went down to where it goes up."""

    label = "Draw a line"

    def __init__(self, desk: Desk, at: At, borders_n: np.ndarray) -> None:
        super().__init__(desk, at)
        self.borders_n = borders_n
        self.start_n = snapped_n(at.frame_n, at, borders_n)
        self.start_db = snapped_db(at.gain_db, at)

    def move(self, at: At) -> None:
        """Draw the line to the pointer."""
        if self._is_click(at):
            return
        end_n, end_db = snapped_n(at.frame_n, at, self.borders_n), snapped_db(at.gain_db, at)
        if end_n != self.start_n:
            self._stage(lambda session: edits.draw_line(session, self.start_n, self.start_db, end_n, end_db))


class MoveBorder(Gesture):
    """Drag the start or end of a word, phrase or section. The lane stays as it is."""

    def __init__(self, desk: Desk, at: At, span: Span, side: str) -> None:
        super().__init__(desk, at)
        self.span = span
        self.side = side
        self.border_n = span.start_n if side == "start" else span.end_n
        self.hand = _Hand(at)
        self.label = f"Move a {span.kind.value}'s border"

    def move(self, at: At) -> None:
        """Bring the border to the pointer."""
        if self._is_click(at):
            return
        self.hand.follow(at)
        self._stage(self._moved)

    def _moved(self, session: Session) -> Session:
        after = edits.move_border(session, self.span.id, self.side, round(self.border_n + self.hand.by_n))
        return edits.with_texts(session, after) if self.span.kind is Kind.PHRASE else after


@dataclass
class Commands:
    """What the keyboard and the menu do to the lane; each call is one undo step."""

    desk: Desk
    copied: Span | None = None

    @property
    def points(self) -> frozenset[int]:
        """The selected breakpoints."""
        return self.desk.selection.points

    @property
    def lane(self) -> Lane:
        """The lane."""
        return self.desk.session.lane

    def _select_frames(self, frames: Iterable[int]) -> None:
        wanted = set(frames)
        self.desk.select_points(frozenset(i for i, point in enumerate(self.lane.points) if point.frame_n in wanted))

    def add(self, frame_n: int, gain_db: float | None = None) -> None:
        """Add a breakpoint, on the lane where no gain is said, and select it."""
        frame_n = min(max(frame_n, 0), self.desk.session.vocal.frames_n)
        gain_db = float(self.lane.gain_db_at([frame_n])[0]) if gain_db is None else gain_db
        if self.desk.edit("Add a breakpoint", lambda session: edits.add_breakpoint(session, frame_n, gain_db)):
            self._select_frames([frame_n])

    def delete(self) -> None:
        """Delete the selected breakpoints."""
        points = self.points
        if points:
            label = f"Delete {counted(len(points), 'breakpoint')}"
            self.desk.edit(label, lambda session: edits.delete_breakpoints(session, points))
            self.desk.select_points(frozenset())

    def nudge(self, steps_db: int = 0, steps_s: int = 0, fine: bool = False) -> None:
        """Move the selected breakpoints by steps up and to the right; nudges in a row are one undo step."""
        points = self.points
        by_db = steps_db * (FINE_DB if fine else STEP_DB)
        by_n = round(steps_s * (FINE_S if fine else STEP_S) * self.desk.session.vocal.rate_hz)
        label = f"Nudge {counted(len(points), 'breakpoint')}"
        key = f"nudge breakpoints {sorted(points)}"
        self.desk.edit(label, lambda session: edits.move_breakpoints(session, points, by_n, by_db), merge_key=key)

    def scale(self, factor: float) -> None:
        """Multiply the selected gains; scalings in a row are one undo step."""
        points = self.points
        label = f"Scale {counted(len(points), 'breakpoint')}"
        key = f"scale breakpoints {sorted(points)}"
        self.desk.edit(label, lambda session: edits.scale_breakpoints(session, points, factor), merge_key=key)

    def straighten(self) -> None:
        """Straight line from the first selected breakpoint to the last: what lies between goes."""
        if len(self.points) < 2:
            return
        first, last = min(self.points), max(self.points)
        between = frozenset(range(first + 1, last))
        ends = [self.lane.points[first].frame_n, self.lane.points[last].frame_n]
        if between and self.desk.edit("Straight line", lambda session: edits.delete_breakpoints(session, between)):
            self._select_frames(ends)

    def select_next(self, way: int, from_n: int, extend: bool = False) -> int | None:
        """Select the next breakpoint to the right (1) or left (-1), of the selected one or of `from_n`.

        Returns
        -------
        int or None
            Its number, or None where there is none.
        """
        frames = self.lane.frames
        if self.points:
            i = (max(self.points) if way > 0 else min(self.points)) + way
        else:
            i = int(np.searchsorted(frames, from_n)) if way > 0 else int(np.searchsorted(frames, from_n, "right")) - 1
        if not 0 <= i < len(frames):
            return None
        self.desk.select_points(self.points | {i} if extend else frozenset({i}))
        return i

    def select_all(self, spans: Iterable[Span] = ()) -> None:
        """Select the breakpoints inside some spans, or all where there are none."""
        spans = tuple(spans)
        if not spans:
            self.desk.select_points(frozenset(range(len(self.lane.points))))
            return
        self.desk.select_points(frozenset().union(*(points_between(self.lane, s.start_n, s.end_n) for s in spans)))

    def copy(self, span: Span) -> None:
        """Remember the phrase or section whose rides are to be carried to another."""
        self.copied = span if span.kind in (Kind.PHRASE, Kind.SECTION) else None

    def paste(self, span: Span) -> None:
        """Carry the rides of the remembered span to another of its kind, stretched to fit."""
        source = self.copied
        if source is not None and source.id != span.id:
            label = f"Carry rides to {span.label or 'a ' + span.kind.value}"
            self.desk.edit(label, lambda session: edits.carry(session, source.id, span.id))

    def move_border(self, span: Span, side: str, steps_s: int, fine: bool = False) -> None:
        """Move a border by steps; moves in a row are one undo step."""
        by_n = round(steps_s * (FINE_S if fine else STEP_S) * self.desk.session.vocal.rate_hz)
        at_n = (span.start_n if side == "start" else span.end_n) + by_n
        label = f"Move a {span.kind.value}'s border"
        key = f"border {side} {span.id}"
        self.desk.edit(
            label,
            lambda session: edits.with_texts(session, edits.move_border(session, span.id, side, at_n)),
            merge_key=key,
        )
