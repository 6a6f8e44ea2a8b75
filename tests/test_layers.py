"""The rooms keep to their order, and everything but the window works where Qt cannot be imported."""

from __future__ import annotations

import pkgutil
import subprocess
import sys
from pathlib import Path

import pytest

import ridebook

ROOT = Path(__file__).resolve().parent.parent
ROOMS = ("errors", "audio", "measure", "segment", "ride", "session", "check", "exchange", "work", "cli")

# Bars the named packages in a new interpreter, then imports the modules given on its command line.
IMPORT_WITHOUT = """
import importlib, sys
class Bar:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in BARRED:
            raise ImportError(f"{name} is barred")
BARRED = set(sys.argv[1].split(","))
sys.meta_path.insert(0, Bar())
for name in sys.argv[2:]:
    importlib.import_module(name)
"""


def modules_of(*rooms: str) -> list[str]:
    found = []
    for room in rooms:
        name = f"ridebook.{room}"
        folder = ROOT / "ridebook" / room
        found.append(name)
        if folder.is_dir():
            found += [info.name for info in pkgutil.walk_packages([str(folder)], f"{name}.")]
    return found


def import_without(barred: str, modules: list[str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", IMPORT_WITHOUT, barred, *modules], capture_output=True, text=True, check=False
    )


def test_import_contracts_hold() -> None:
    lint = Path(sys.executable).parent / "lint-imports"
    result = subprocess.run([str(lint)], cwd=ROOT, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stdout + result.stderr


def test_all_rooms_but_gui_import_without_qt() -> None:
    modules = modules_of(*ROOMS)
    assert len(modules) > 20
    result = import_without("PySide6,pyqtgraph,shiboken6", modules)
    assert result.returncode == 0, result.stderr


def test_the_bar_itself_bars() -> None:
    result = import_without("PySide6", ["ridebook.gui.theme"])
    assert result.returncode != 0
    assert "is barred" in result.stderr


@pytest.mark.parametrize("slow", ["scipy.signal", "scipy.fft", "soundfile", "PySide6"])
def test_start_of_the_command_line_loads_nothing_slow(slow: str) -> None:
    code = f"import sys, ridebook.cli\nsys.exit({slow!r} in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_version_is_one_thing() -> None:
    assert ridebook.__version__.count(".") == 2
