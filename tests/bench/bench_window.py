"""Frames of the window: panning, zooming, nudging and dragging in the timeline, as percentiles.

Run as ``python -m tests.bench.bench_window [frames]``. The window is 1440 x 860 as a whole, of which the timeline
has 960 x 668. A frame is everything from the change (a view, a step of a drag) to the painted picture, on the
offscreen platform unless a display is there. Exits with 1 where a goal is missed.
"""

from __future__ import annotations

import os
import platform
import sys
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import numpy as np
from PySide6.QtCore import QEvent, QPointF, Qt
from PySide6.QtGui import QMouseEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from ridebook.gui.desk import Desk
from ridebook.gui.theme import themes
from ridebook.gui.timeline import Timeline
from ridebook.ride.lane import Lane
from ridebook.session.edits import replace_lane
from tests.gui.timeline_song import RATE_HZ, song

SIZE_PX = (960, 668)
FRAME_MEDIAN_MS, FRAME_P99_MS, STEP_P95_MS, LONG_RATIO = 8.0, 16.0, 16.0, 1.25
POINTS_N = 2000


def cpu() -> str:
    """Name of the processor."""
    info = Path("/proc/cpuinfo")
    if info.exists():
        for line in info.read_text().splitlines():
            if line.startswith("model name"):
                return f"{line.split(':', 1)[1].strip()}, {os.cpu_count()} cores seen"
    return platform.processor() or platform.machine()


def opened(seconds: float) -> Timeline:
    """Timeline of an invented song of this length, shown."""
    session, measures, pyramids, suggestion = song(seconds)
    desk = Desk()
    timeline = Timeline(desk)
    timeline.resize(*SIZE_PX)
    rng = np.random.default_rng(3)
    frames = np.sort(rng.choice(session.vocal.frames_n, POINTS_N, replace=False))
    lane = Lane.from_pairs(zip(frames.tolist(), np.round(rng.normal(0, 1.5, POINTS_N), 1).clip(-6, 6).tolist()))
    desk.show_session(replace_lane(session, lane), measures=measures, pyramids=pyramids, suggestion=suggestion)
    timeline.show()
    QApplication.processEvents()
    return timeline


def timed(timeline: Timeline, frames_n: int, change: Callable[[int], None]) -> np.ndarray:
    """Milliseconds of each frame, the change and the picture that follows from it: by the clock, of the processor."""
    took = []
    for k in range(frames_n + 10):
        start, busy = time.perf_counter(), time.thread_time()
        change(k)
        timeline.canvas.repaint()
        if k >= 10:  # the first frames fill caches of fonts and tiles
            took.append(((time.perf_counter() - start) * 1e3, (time.thread_time() - busy) * 1e3))
        QApplication.processEvents()
    return np.array(took)


def panned(timeline: Timeline, frames_n: int) -> np.ndarray:
    """Pan through the song at three zooms."""
    desk, whole = timeline.desk, timeline.desk.frames_n
    parts = []
    for view_s in (6.0, 40.0, whole / RATE_HZ * 0.7):
        length_n = view_s * RATE_HZ
        step_n = length_n * 0.007
        span_n = whole - length_n

        def change(k: int, length_n: float = length_n, step_n: float = step_n, span_n: float = span_n) -> None:
            start_n = (k * step_n) % span_n
            desk.set_view(start_n, start_n + length_n)

        parts.append(timed(timeline, frames_n, change))
    return np.concatenate(parts)


def zoomed(timeline: Timeline, frames_n: int) -> np.ndarray:
    """Zoom from the song to a second and back."""
    desk, whole = timeline.desk, timeline.desk.frames_n
    middle = whole * 0.4

    def change(k: int) -> None:
        share = 0.5 - 0.5 * np.cos(2 * np.pi * k / frames_n)
        length_n = whole * (RATE_HZ / whole) ** share
        desk.set_view(middle - length_n * 0.4, middle + length_n * 0.6)

    return timed(timeline, frames_n, change)


def point_in_view(desk: Desk) -> int:
    """Index of a breakpoint in the middle of the first half minute."""
    return int(np.searchsorted(desk.session.lane.frames, 15 * RATE_HZ))


def nudged(timeline: Timeline, frames_n: int) -> np.ndarray:
    """Nudge a breakpoint by its key, up and down."""
    desk = timeline.desk
    desk.set_view(0, 30 * RATE_HZ)
    desk.select_points(frozenset({point_in_view(desk)}))
    return timed(
        timeline, frames_n, lambda k: QTest.keyClick(timeline.canvas, Qt.Key.Key_Up if k % 2 else Qt.Key.Key_Down)
    )


def dragged(timeline: Timeline, frames_n: int, whole: bool) -> np.ndarray:
    """Drag a breakpoint about, in half a minute or in the whole song."""
    desk, canvas = timeline.desk, timeline.canvas
    desk.set_view(0, desk.frames_n if whole else min(desk.frames_n, 30 * RATE_HZ))
    point = point_in_view(desk)
    desk.select_points(frozenset({point}))
    place = canvas.point_px(point)

    def send(kind: QEvent.Type, at: QPointF, button: Qt.MouseButton, buttons: Qt.MouseButton) -> None:
        event = QMouseEvent(kind, at, canvas.mapToGlobal(at), button, buttons, Qt.KeyboardModifier.NoModifier)
        QApplication.sendEvent(canvas, event)

    left = Qt.MouseButton.LeftButton
    send(QEvent.Type.MouseButtonPress, place, left, left)
    took = timed(
        timeline,
        frames_n,
        lambda k: send(
            QEvent.Type.MouseMove,
            place + QPointF(30 * np.sin(k / 9), 40 * np.cos(k / 7)),
            Qt.MouseButton.NoButton,
            left,
        ),
    )
    send(QEvent.Type.MouseButtonRelease, place, left, Qt.MouseButton.NoButton)
    return took


def line(name: str, took: np.ndarray) -> str:
    """Percentiles of frames as text."""
    p50, p95, p99 = np.percentile(took[:, 0], (50, 95, 99))
    busy = np.median(took[:, 1])
    return f"{name:<28}{p50:7.2f}{p95:8.2f}{p99:8.2f}{took[:, 0].max():8.2f}{busy:9.2f}  ms, {len(took)} frames"


def main() -> int:
    """Print the percentiles, and exit with 1 where a goal is missed."""
    frames_n = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    app = QApplication.instance() or QApplication([])
    themes().choose("paper")
    themes().apply()
    print(f"{cpu()}; platform {app.platformName()}; {SIZE_PX[0]} x {SIZE_PX[1]} px; {POINTS_N} breakpoints")
    print(f"{'':<28}{'median':>7}{'p95':>8}{'p99':>8}{'most':>8}{'cpu p50':>9}")
    missed = []
    medians: dict[str, float] = {}
    for minutes in (5, 60):
        timeline = opened(minutes * 60.0)
        for name, run in (("pan", panned), ("zoom", zoomed)):
            took = run(timeline, frames_n)
            print(line(f"{minutes} min, {name}", took))
            p50, p99 = np.percentile(took[:, 0], (50, 99))
            if minutes == 5:
                medians[name] = p50
                if p50 > FRAME_MEDIAN_MS or p99 > FRAME_P99_MS:
                    missed.append(f"{name}: goal {FRAME_MEDIAN_MS} ms median, {FRAME_P99_MS} ms p99")
            elif p50 > medians[name] * LONG_RATIO:
                missed.append(f"{name} of 60 min: {p50 / medians[name]:.2f} times 5 min, goal {LONG_RATIO}")
        for name, took in (
            ("nudge", nudged(timeline, frames_n)),
            ("drag, 30 s in view", dragged(timeline, frames_n, whole=False)),
            ("drag, song in view", dragged(timeline, frames_n, whole=True)),
        ):
            print(line(f"{minutes} min, {name}", took))
            if minutes == 5 and np.percentile(took[:, 0], 95) > STEP_P95_MS:
                missed.append(f"{name}: goal {STEP_P95_MS} ms p95")
        timeline.desk.close()
        timeline.close()
    for each in missed:
        print(f"missed: {each}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
