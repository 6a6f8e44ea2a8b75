"""Real audio for tests, downloaded once from the package registry.

Mark a test that uses it with ``@pytest.mark.registry``. Without the registry such a test fails and says so;
set ``RIDEBOOK_OFFLINE=1`` to skip it instead. Files are kept in the user's cache directory, or in the one that
``RIDEBOOK_TEST_MATERIAL`` names.
"""

import hashlib
import os
import subprocess
import sys
import tarfile
import tempfile
from functools import cache
from pathlib import Path

import platformdirs
import pytest

# Solo singing: two recordings of the data set vocadito (CC BY 4.0) that the source distribution of basic-pitch
# 0.4.0 carries among its tests.
_PACKAGE = "basic-pitch==0.4.0"
_ARCHIVE = "basic_pitch-0.4.0.tar.gz"
_ARCHIVE_SHA256 = "6f48ac4b909c990fd59460622137a03b857c829bb1f3e65c71708da576ab68e5"
_SINGING = ("vocadito_10.wav", "vocadito_14.wav")
_DOWNLOAD_LIMIT_S = 240


@cache
def solo_singing() -> tuple[Path, ...]:
    """Two recordings of one singer alone each, mono, 44.1 kHz, 16 bit, 9 and 12 s."""
    folder = _folder()
    paths = tuple(folder / name for name in _SINGING)
    if not all(path.exists() for path in paths):
        archive = _archive(folder)
        for path in paths:
            with tarfile.open(archive) as packed:
                member = packed.extractfile(f"basic_pitch-0.4.0/tests/resources/{path.name}")
                assert member is not None, f"{archive} has no {path.name}"
                _write(path, member.read())
    return paths


def _folder() -> Path:
    named = os.environ.get("RIDEBOOK_TEST_MATERIAL")
    folder = Path(named) if named else platformdirs.user_cache_path("ridebook") / "test_material"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _archive(folder: Path) -> Path:
    archive = folder / _ARCHIVE
    if not archive.exists():
        if os.environ.get("RIDEBOOK_OFFLINE") == "1":
            pytest.skip(f"RIDEBOOK_OFFLINE=1, and {_ARCHIVE} is not in {folder}")
        _download(archive)
    found = hashlib.sha256(archive.read_bytes()).hexdigest()
    if found != _ARCHIVE_SHA256:
        pytest.fail(f"{archive} is not the file that the tests were made for: its sha256 is {found}")
    return archive


def _download(archive: Path) -> None:
    with tempfile.TemporaryDirectory(dir=archive.parent) as there:
        command = [sys.executable, "-m", "pip", "download", "--no-deps", "--no-binary", "basic-pitch", "--dest", there]
        try:
            subprocess.run([*command, _PACKAGE], check=True, capture_output=True, text=True, timeout=_DOWNLOAD_LIMIT_S)
        except (subprocess.CalledProcessError, subprocess.TimeoutExpired) as error:
            pytest.fail(
                f"{_PACKAGE} cannot be downloaded from the package registry; set RIDEBOOK_OFFLINE=1 to skip the "
                f"tests that need it.\n{error.stderr}"
            )
        _write(archive, (Path(there) / _ARCHIVE).read_bytes())


def _write(path: Path, content: bytes) -> None:
    """Write whole or not at all, in case two test runs download at once."""
    aside = path.with_name(f"{path.name}.{os.getpid()}")
    aside.write_bytes(content)
    aside.replace(path)
