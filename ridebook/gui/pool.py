"""Work off the window's thread, with progress, cancel, and a report at the end of every job."""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from PySide6.QtCore import QCoreApplication, QEvent, QObject, QThreadPool, Signal, Slot

from ridebook.errors import RidebookError
from ridebook.work.steps import CancelCheck, Cancelled, Progress

NEXT_TURN_MS = 1
"""Soonest that a timer comes after all that is posted by then: one of 0 ms is posted itself."""

_PROGRESS_EVERY_S = 0.1


@dataclass(frozen=True, slots=True)
class Report:
    """What a job says to the window.

    Parameters
    ----------
    job_id : int
        The job.
    outcome : str
        ``progress``, ``result``, ``error`` or ``cancelled``.
    value : object
        Share done, the result, or the exception.
    """

    job_id: int
    outcome: str
    value: object = None


@dataclass(slots=True)
class _Job:
    id: int
    group: str
    label: str
    done: Callable[[object], None]
    failed: Callable[[Exception], None] | None
    called_off: Callable[[], None] | None
    lost: Callable[[object], None] | None
    stop: threading.Event = field(default_factory=threading.Event)
    stale: bool = False
    progress: float = 0.0


class Pool(QObject):
    """Runs jobs one group at a time and brings their reports to the window's thread.

    A job is a function of (progress, cancelled) that holds plain data only. Starting a job calls off the one
    that still runs in the same group; what that one still brings is dropped.
    """

    busy_changed = Signal()
    _reported = Signal(object)

    def __init__(self, parent: QObject | None = None, threads_n: int = 2) -> None:
        super().__init__(parent)
        self._threads = QThreadPool(self)
        self._threads.setMaxThreadCount(threads_n)
        self._jobs: dict[int, _Job] = {}
        self._last_id = 0
        self._closed = False
        self._reported.connect(self._on_reported)

    def start(
        self,
        work: Callable[[Progress, CancelCheck], object],
        *,
        done: Callable[[object], None],
        failed: Callable[[Exception], None] | None = None,
        called_off: Callable[[], None] | None = None,
        lost: Callable[[object], None] | None = None,
        group: str = "",
        label: str = "",
    ) -> int:
        """Run `work` on another thread.

        Parameters
        ----------
        work : callable
            Called with (progress, cancelled); raises `Cancelled` when it stops for that.
        done, failed, called_off : callable
            Called on the window's thread with the result, with the `RidebookError`, or with nothing. Any other
            exception goes to the exception hook.
        lost : callable
            Called with a result that came too late to be wanted, to let go of what it holds.
        group : str
            Only the newest job of a group counts; jobs without a group stand alone.
        label : str
            What the status line says while it runs; empty for work not worth telling.

        Returns
        -------
        int
            The job's id; 0 after the pool was closed, when nothing is started any more.
        """
        # A timer may still ask for work while its window goes; Qt would wait for that work with Python stopped.
        if self._closed:
            return 0
        if group:
            self.cancel_group(group)
        self._last_id += 1
        job = _Job(self._last_id, group, label, done, failed, called_off, lost)
        self._jobs[job.id] = job
        report = self._reported.emit
        job_id, stop = job.id, job.stop

        def run() -> None:
            last_s = 0.0

            def progress(share: float) -> None:
                nonlocal last_s
                now_s = time.monotonic()
                if now_s - last_s >= _PROGRESS_EVERY_S:
                    last_s = now_s
                    report(Report(job_id, "progress", share))

            try:
                outcome = Report(job_id, "result", work(progress, stop.is_set))
            except Cancelled:
                outcome = Report(job_id, "cancelled")
            except Exception as error:  # noqa: BLE001 - every failure is brought to the window's thread
                outcome = Report(job_id, "error", error)
            # Where the program ends under a job, there is nobody left to tell.
            with contextlib.suppress(RuntimeError):
                report(outcome)

        self._threads.start(run)
        self.busy_changed.emit()
        return job.id

    def cancel_group(self, group: str) -> None:
        """Call off what runs in a group and drop what it still brings."""
        for job in self._jobs.values():
            if job.group == group:
                job.stop.set()
                job.stale = True

    def cancel(self, job_id: int) -> None:
        """Call off one job; its `called_off` is called when it has stopped."""
        job = self._jobs.get(job_id)
        if job is not None:
            job.stop.set()

    def running(self) -> list[tuple[int, str, float]]:
        """Jobs worth telling: id, label, share done."""
        return [(job.id, job.label, job.progress) for job in self._jobs.values() if job.label and not job.stale]

    @property
    def idle(self) -> bool:
        """Whether nothing runs, told or not."""
        return not self._jobs

    def close(self) -> None:
        """Call off all jobs and wait until their threads have ended; no more are started."""
        self._closed = True
        for job in self._jobs.values():
            job.stop.set()
            job.stale = True
        self._threads.waitForDone()
        # What was reported meanwhile still waits in the event queue; hear it now, so that nothing it holds is left.
        QCoreApplication.sendPostedEvents(self, QEvent.Type.MetaCall)
        self._jobs.clear()

    @Slot(object)
    def _on_reported(self, report: Report) -> None:
        job = self._jobs.get(report.job_id)
        if job is None:
            return
        if report.outcome == "progress":
            job.progress = float(report.value)
            if job.label:
                self.busy_changed.emit()
            return
        del self._jobs[job.id]
        self.busy_changed.emit()
        if report.outcome == "error" and not isinstance(report.value, RidebookError):
            error = report.value
            sys.excepthook(type(error), error, error.__traceback__)
        elif job.stale:
            if report.outcome == "result" and job.lost is not None:
                job.lost(report.value)
        elif report.outcome == "result":
            job.done(report.value)
        elif report.outcome == "cancelled":
            if job.called_off is not None:
                job.called_off()
        elif job.failed is not None:
            job.failed(report.value)
