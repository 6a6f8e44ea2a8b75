"""Times of words and lines from a file, taken onto the song that lies on the desk."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from ridebook.gui.desk import Desk
from ridebook.gui.words import counted
from ridebook.session import edits
from ridebook.session.document import Session
from ridebook.work.steps import CancelCheck, Progress

if TYPE_CHECKING:
    from ridebook.exchange.timings import Timings

SUFFIXES = (".vtt", ".textgrid", ".tsv")
"""Endings of files with times; others are looked into as well, where they are opened as such."""
FILTER = "Timings (*.vtt *.TextGrid *.textgrid *.tsv *.txt);;All files (*)"


def take_timings(desk: Desk, path: Path) -> None:
    """Read a file with times and lay them on the song, as one step; what is by hand and what is locked stays.

    Parameters
    ----------
    desk : Desk
        The model; it tells what did not fit.
    path : Path
        WebVTT, TextGrid, or tab-separated start, end, label.
    """
    if desk.session is None:
        return
    desk.commit()
    vocal, found = desk.session.vocal, desk.found

    def work(_progress: Progress, _cancelled: CancelCheck) -> Timings:
        from ridebook.exchange.timings import read_timings

        return read_timings(path, vocal.rate_hz, vocal.frames_n)

    def done(timings: Timings) -> None:
        from ridebook.exchange.timings import completed

        def taken(session: Session) -> Session:
            after = edits.replace_segments(session, completed(timings.segments, found))
            return after if after.lyric.strip() else edits.set_lyric(after, edits.lines_text(after))

        if desk.session is None or desk.session.vocal != vocal:
            return
        desk.edit(f"Take the timings of {path.name}", taken)
        segments = timings.segments
        said = (
            f"Took {counted(len(segments.phrases), 'line')} and {counted(len(segments.words), 'word')} of {path.name}"
        )
        desk.tell_misfits(said, timings.notices)

    desk.pool.start(work, done=done, failed=desk.failed.emit, group="lyric", label=f"Reading {path.name}")
