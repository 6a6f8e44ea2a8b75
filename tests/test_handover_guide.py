"""The commands of the hand-over guide, run as they stand there, on a small hand-over in the place of the demo's."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from ridebook.work.demo import HANDED
from ridebook.work.hand_over import HandOver, Output, hand_over
from tests.handed import made_song
from tools.handover_guide import blocks, printed_now


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("guide")
    session = replace(made_song(made / "demo_sessions"), title="The Orchard Wall")
    (made / "demo_out").mkdir()
    hand_over(session, HandOver(tuple(Output(what, made / "demo_out" / name) for what, name in HANDED.items())))
    return made


def test_the_guide_shows_every_file() -> None:
    shown = " ".join(command for command, _ in blocks())
    assert len(blocks()) == 8
    assert all(name in shown for name in HANDED.values() if name != "mix.wav")


@pytest.mark.parametrize(("command", "printed"), blocks(), ids=lambda text: text.split()[0])
def test_commands_run_as_they_stand(folder: Path, command: str, printed: str) -> None:
    if command.startswith("ffprobe") and shutil.which("ffprobe") is None:
        pytest.skip("ffprobe is not there")
    assert "ridebook" not in command
    command = command.replace("vocal.flac", "vocal.wav")
    # Figures differ from song to song; all else of the first line is as in the guide.
    first, shown = (re.sub(r"-?[\d.]+", "0", text.split("\n")[0]) for text in (printed_now(command, folder), printed))
    assert first == shown
