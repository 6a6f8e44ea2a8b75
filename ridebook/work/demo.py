"""The demo song, taken through the whole job."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path

from ridebook.audio.output import atomic_write, check_target
from ridebook.check.findings import Severity
from ridebook.errors import OutputError
from ridebook.exchange.report import Report, report_json
from ridebook.session.document import Session
from ridebook.session.edits import ink
from ridebook.session.file import save_session
from ridebook.work.hand_over import HandOver, Output, What, hand_over
from ridebook.work.hearing import with_hearing
from ridebook.work.places import shipped
from ridebook.work.review import reported
from ridebook.work.song import Song, open_phrases, open_song, with_words
from ridebook.work.steps import Progress, part_of, silent

HANDED = {
    What.RIDES: "rides.csv",
    What.MIDI: "rides.mid",
    What.AAF: "rides.aaf",
    What.SEGMENTS: "segments.csv",
    What.STEM: "vocal_ridden.wav",
    What.MIX: "mix.wav",
    What.MANIFEST: "manifest.json",
}
"""What is handed over, and its name."""

FINDINGS, SESSION = "findings.json", "demo.ridebook"
OUTPUT_NAMES = (*HANDED.values(), FINDINGS, SESSION)
PICTURE, SHEET = "window.png", "sheet.pdf"

TITLE = "The Orchard Wall"
WORDS, LYRIC = "words.csv", "lyric.txt"
_BEDS = ("band.flac", "keys.flac")


@dataclass(frozen=True, eq=False)
class Demo:
    """What became of the demo song.

    Parameters
    ----------
    song : Song
        The song as it was opened; its files are closed.
    session : Session
        With all suggestions inked.
    lines : tuple of str
        What was written and found, as sentences.
    report : Report
        All findings and figures.
    """

    song: Song
    session: Session
    lines: tuple[str, ...]
    report: Report


def demo_sources() -> tuple[Path, list[Path]]:
    """Vocal and bed of the demo song that ships with the program."""
    folder = shipped("demo_sessions")
    return folder / "vocal.flac", [folder / name for name in _BEDS]


def make_demo(out: Path, progress: Progress = silent) -> Demo:
    """Suggest, ink, render, check and export the demo song.

    Parameters
    ----------
    out : Path
        Folder to write to; made where it is missing. Files of an earlier demo are replaced.
    progress : callable
        Told how much is done.

    Raises
    ------
    OutputError
        The folder or a file in it cannot be written.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{out} cannot be made a folder: {error.strerror}; name another with --out") from error
    for name in (*OUTPUT_NAMES, PICTURE, SHEET):
        check_target(out / name)
    vocal, beds = demo_sources()
    song = open_song(vocal, beds, progress=part_of(progress, 0, 4))
    with song.pair:
        song = with_words(song, vocal.with_name(WORDS), vocal.with_name(LYRIC), TITLE)
        song = with_hearing(song, progress=part_of(progress, 1, 4))
        session = ink(song.session, song.suggestion, open_phrases(song.session))
        outputs = tuple(Output(what, out / name) for what, name in HANDED.items())
        handed = hand_over(session, HandOver(outputs), progress=part_of(progress, 2, 4))
        report = reported(
            song.pair, session, song.analysis.measures, hearing=song.hearing, progress=part_of(progress, 3, 4)
        )
        atomic_write(out / FINDINGS, report_json(report), [vocal, *beds])
        save_session(session, out / SESSION, force=True)
    must_n = sum(found.severity is Severity.MUST for found in report.findings)
    told = f"Findings: {must_n} that must be seen to, {len(report.findings) - must_n} worth a look."
    return Demo(song, session, (*handed.lines(names_only=True), told), report)


def display_there() -> bool:
    """Whether a window could be shown to a person."""
    if sys.platform in ("win32", "darwin"):
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))
