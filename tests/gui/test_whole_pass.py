"""The whole pass on the demo in a real window, by mouse and keys alone; what lies on disk is then held against it."""

from __future__ import annotations

import csv
import os
import shutil
import subprocess
import sys

import numpy as np
import pytest
import soundfile

from ridebook.gui.theme import PAPER
from ridebook.ride.lane import Lane
from ridebook.session.document import State
from ridebook.session.file import load_session
from ridebook.work.demo import demo_sources
from tests.gui.xscreen import Screen, missing_tools, squares, until

INK = tuple(int(PAPER.ink[i : i + 2], 16) for i in (1, 3, 5))

pytestmark = [
    pytest.mark.window,
    pytest.mark.skipif(sys.platform != "linux", reason="drives an X server"),
    pytest.mark.skipif(os.environ.get("RIDEBOOK_NO_DISPLAY") == "1", reason="RIDEBOOK_NO_DISPLAY=1 leaves it out"),
]


@pytest.fixture
def screen(tmp_path):
    missing = ", ".join(missing_tools())
    assert not missing, f"install {missing}, or set RIDEBOOK_NO_DISPLAY=1 to go without the test in a real window"
    (tmp_path / "screen").mkdir()
    made = Screen(tmp_path / "screen")
    yield made
    made.close()


@pytest.fixture
def folder(tmp_path):
    made = tmp_path / "song"
    made.mkdir()
    vocal, beds = demo_sources()
    for source in (vocal, *beds):
        shutil.copy(source, made)
    return made


def started(screen, folder, *words):
    home = folder.parent / "home"
    home.mkdir()
    env = {**screen.env, "QT_QPA_PLATFORM": "xcb", "HOME": str(home)}
    env |= {name: str(home / name) for name in ("XDG_CONFIG_HOME", "XDG_CACHE_HOME", "XDG_STATE_HOME", "XDG_DATA_HOME")}
    env.pop("WAYLAND_DISPLAY", None)
    # Chosen before the first start, so that the colours that are looked for are known.
    config = home / "XDG_CONFIG_HOME" / "ridebook"
    config.mkdir(parents=True)
    (config / "ridebook.ini").write_text("[General]\ntheme=paper\n", "utf-8")
    return subprocess.Popen([sys.executable, "-m", "ridebook", *map(str, words)], env=env, cwd=os.getcwd())


def four(points):
    return points if len(points) == 4 else None


def test_whole_pass(screen, folder):
    stems = [folder / name for name in ("vocal.flac", "band.flac", "keys.flac")]
    before = [path.read_bytes() for path in stems]
    program = started(screen, folder, "open", *stems)
    try:
        screen.focus("vocal")
        screen.settle()

        # Ink two, strike the third, ride the next one up by one and a half dB.
        screen.key("Return", "Return", "x", "n", "plus", "plus", "plus")

        # Go close, and drag the breakpoint at the start of the plateau up.
        screen.key("2")
        points = until(lambda: four(squares(screen.settle(), INK)), 60, "the four breakpoints of a phrase")
        plateau = points[1]
        assert plateau[1] < points[0][1]
        screen.drag(plateau, *((plateau[0], plateau[1] - step) for step in range(4, 29, 4)))

        # Draw the next open phrase freehand: an arch above the line.
        screen.key("n", "2")
        screen.settle()
        screen.key("d")
        middle = points[0][1]
        arch = [(700 + 400 * i / 24, middle - 30 * np.sin(np.pi * i / 24)) for i in range(25)]
        screen.drag(*arch)

        # Strike one more, and think better of it.
        screen.key("n", "x", "ctrl+z")

        screen.key("ctrl+s")
        screen.focus("Save the session")
        session_path = folder / "pass.ridebook"
        screen.key("ctrl+a")
        screen.text(str(session_path))
        screen.key("Return")
        until(session_path.exists, 60, "the saved session")

        screen.focus("vocal")
        screen.key("ctrl+e")
        screen.focus("^Export$")
        screen.key("Return")
        stem_path = until(lambda: next(folder.glob("*ridden.wav"), None), 60, "the ridden stem")
        screen.focus("^Exported$")
        screen.key("Return")
        screen.focus("vocal")
        screen.key("ctrl+q")
        assert program.wait(60) == 0
    finally:
        if program.poll() is None:
            program.kill()
            program.wait(60)

    session = load_session(session_path)
    states = [session.decision(phrase.id).state for phrase in session.segments.phrases]
    assert states[:5] == [State.INKED, State.INKED, State.STRUCK, State.DRAWN, State.DRAWN]
    assert set(states[5:]) == {State.OPEN}

    for phrase in session.segments.phrases[:2]:
        suggested = Lane(session.decision(phrase.id).decided_on.points)
        # A ramp down to an open neighbour may begin in the last tenth of a second.
        at_n = np.linspace(phrase.start_n, phrase.end_n - 0.1 * session.vocal.rate_hz, 50)
        assert np.abs(session.lane.gain_db_at(at_n) - suggested.gain_db_at(at_n)).max() < 0.01

    ridden, drawn = session.segments.phrases[3:5]
    at_start_db, at_end_db = session.lane.gain_db_at([ridden.start_n, ridden.end_n - 1])
    assert at_end_db == pytest.approx(1.5, abs=0.01)
    assert at_start_db >= 3.0
    assert at_start_db * 2 == pytest.approx(round(at_start_db * 2), abs=1e-6)
    struck = session.segments.phrases[2]
    assert np.abs(session.lane.gain_db_at([struck.start_n, struck.middle_n])).max() < 1e-9
    arch_db = session.lane.gain_db_at(np.linspace(drawn.start_n, drawn.end_n, 200))
    assert 2.0 < arch_db.max() < 6.0
    in_drawn = [point for point in session.lane.points if drawn.start_n <= point.frame_n < drawn.end_n]
    assert 3 <= len(in_drawn) < 15

    rides_path = next(folder.glob("*rides.csv"))
    with rides_path.open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    rate_hz = session.vocal.rate_hz
    assert [round(float(row["time_s"]) * rate_hz) for row in rows] == [p.frame_n for p in session.lane.points]
    for row, point in zip(rows, session.lane.points):
        assert float(row["gain_db"]) == pytest.approx(point.gain_db + session.trim_db, abs=1e-6)

    vocal, _ = soundfile.read(stems[0])
    rendered, rendered_hz = soundfile.read(stem_path)
    assert rendered_hz == rate_hz
    assert rendered.shape == vocal.shape
    gain = 10 ** ((session.lane.gain_db_at(np.arange(len(vocal))) + session.trim_db) / 20)
    # 24 bit with dither: an error of about a step and a half.
    assert np.abs(rendered - vocal * gain).max() < 3 / 2**23
    assert [path.read_bytes() for path in stems] == before
