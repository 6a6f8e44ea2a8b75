"""Scrolling the timeline on while something is dragged to its edge."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QElapsedTimer, QObject, QTimer

from ridebook.gui.drawing import START_PX

STEP_MS = 16
LONGEST_STEP_MS = 50
"""A step counts for no more than this, so that a held-up window does not jump."""
SLOW_PER_S = 0.2
FAST_PER_S = 1.5
"""Shares of the view that go by in a second: at the begin of the zone, and one zone beyond the edge or further."""


class EdgeScroll(QObject):
    """Turns a pointer that is held near an edge into steps of scrolling.

    Parameters
    ----------
    scroll : callable
        Scrolls by a share of the view and returns whether there was anything left to scroll to.
    """

    def __init__(self, scroll: Callable[[float], bool], parent: QObject) -> None:
        super().__init__(parent)
        self._scroll = scroll
        self._pressed_px = 0.0
        self._speed_per_s = 0.0
        self._clock = QElapsedTimer()
        self._timer = QTimer(self)
        self._timer.setInterval(STEP_MS)
        self._timer.timeout.connect(self._step)

    @property
    def active(self) -> bool:
        """Whether the view is scrolling on."""
        return self._timer.isActive()

    def begin(self, x_px: float) -> None:
        """Remember where the button was pressed."""
        self.stop()
        self._pressed_px = x_px

    def follow(self, x_px: float, left_px: float, right_px: float, zone_px: float) -> None:
        """Scroll on while the pointer is in the zone inside an edge, or beyond the edge.

        What was pressed inside a zone scrolls only once it is taken nearer to the edge: a gain may be changed there
        without the view running off.
        """
        left_px = min(left_px + zone_px, self._pressed_px - START_PX)
        right_px = max(right_px - zone_px, self._pressed_px + START_PX)
        beyond_px = min(x_px - left_px, 0.0) + max(x_px - right_px, 0.0)
        if not beyond_px:
            self.stop()
            return
        share = min(abs(beyond_px) / (2 * zone_px), 1.0)
        speed = SLOW_PER_S + (FAST_PER_S - SLOW_PER_S) * share
        self._speed_per_s = speed if beyond_px > 0 else -speed
        if not self._timer.isActive():
            self._clock.start()
            self._timer.start()

    def stop(self) -> None:
        """Scroll no further."""
        self._timer.stop()

    def _step(self) -> None:
        passed_s = min(self._clock.restart(), LONGEST_STEP_MS) / 1000.0
        if not self._scroll(self._speed_per_s * passed_s):
            self.stop()
