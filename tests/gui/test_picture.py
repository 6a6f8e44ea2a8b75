from __future__ import annotations

import pytest
from PySide6.QtGui import QImage

from ridebook.gui.picture import SIZE_PX, take_picture
from ridebook.gui.theme import LAMP
from ridebook.session.edits import ink
from ridebook.session.file import save_session
from ridebook.work.song import open_song
from tests.songs import noise_bed, sung, write_pair


@pytest.fixture
def session_path(tmp_path):
    vocal, _ = sung([(0, 0, -8, 0), (0, -2, 0, 0), (0, 0, 0)])
    opened = open_song(*(lambda pair: (pair[0], pair[1:]))(write_pair(tmp_path, vocal, noise_bed(len(vocal)))))
    with opened.pair:
        path = tmp_path / "tones.ridebook"
        save_session(ink(opened.session, opened.suggestion), path)
    return path


def test_picture_shows_the_window_at_its_size(session_path, tmp_path):
    target = tmp_path / "window.png"
    assert take_picture(session_path, target, "lamp")
    image = QImage(str(target))
    assert (image.width(), image.height()) == SIZE_PX
    colours = {image.pixelColor(x, y).name() for x in range(0, SIZE_PX[0], 3) for y in range(0, SIZE_PX[1], 3)}
    for role in ("page", "card", "ink", "vocal"):
        assert getattr(LAMP, role).lower() in colours, role


def test_picture_that_cannot_be_written_is_told(session_path, tmp_path):
    assert not take_picture(session_path, tmp_path / "no" / "window.png")
