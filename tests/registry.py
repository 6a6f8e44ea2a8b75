"""Real audio for tests, downloaded once from the package registry.

Mark a test that uses it with ``@pytest.mark.registry``. Without the registry such a test fails and says so;
set ``RIDEBOOK_OFFLINE=1`` to skip it instead. Files are kept in the user's cache directory, or in the one that
``RIDEBOOK_TEST_MATERIAL`` names.
"""

import hashlib
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from functools import cache
from pathlib import Path
from typing import NamedTuple

import platformdirs
import pytest

_DOWNLOAD_LIMIT_S = 240
_IN_VAIN: dict[str, str] = {}
"""What could not be downloaded, and why: the next test that needs it does not wait for it again."""


class _Package(NamedTuple):
    """A file of the registry: what pip is asked for, and what must come."""

    wanted: str
    archive: str
    sha256: str
    options: tuple[str, ...] = ()


# Solo singing: two recordings of the data set vocadito (CC BY 4.0) that its source distribution has among its tests.
_BASIC_PITCH = _Package(
    "basic-pitch==0.4.0",
    "basic_pitch-0.4.0.tar.gz",
    "6f48ac4b909c990fd59460622137a03b857c829bb1f3e65c71708da576ab68e5",
    ("--no-binary", "basic-pitch"),
)
_SINGING = ("vocadito_10.wav", "vocadito_14.wav")

# Read English with word times made by hand: "mary" and "bobby", MIT licence; and a reader of TextGrids.
_PRAATIO = _Package(
    "praatio==6.2.2",
    "praatio-6.2.2.tar.gz",
    "ed8fdee6121bdae142817879ed9a50cc8334e72c03c110162e21ed8160180d2a",
    ("--no-binary", "praatio"),
)

# English speech with word times: "im_twelve", "two_plus_two" and "three_plus_five", BSD licence.
_PHONLAB = _Package(
    "phonlab==0.0.70",
    "phonlab-0.0.70-py3-none-any.whl",
    "8de4e92a9e67de469417e71beb9a70d8cf17c90a28b32c80cfc4fa58122d8fb6",
)


# A few seconds of one song as a mix and its stems (MP4 with a track each), in the package of a reader of such files.
# The song is "Falcon 69" by The Easton Ellises; its licence forbids commercial use, so it is downloaded and never kept
# in the tree.
_STEMPEG = _Package(
    "stempeg==0.2.6",
    "stempeg-0.2.6-py3-none-any.whl",
    "aa5d5dcdfba10abf0c76b502c00808a6dedd86a14e64b298615249294e522bee",
)
_STEM_TRACKS = ("mix", "drums", "bass", "other", "vocals")


class NotThereError(Exception):
    """Material cannot be made on this machine; says why."""


class StemSong(NamedTuple):
    """A song in stems: the finished mix, its vocal, the rest of it."""

    mix: Path
    vocal: Path
    beds: tuple[Path, ...]


@cache
def song_in_stems() -> StemSong:
    """Six seconds of a real song, stereo, 44.1 kHz: its mix, its vocal, its drums, bass and other.

    Raises
    ------
    NotThereError
        There is no ffmpeg to decode it.
    """
    folder = _folder() / "stempeg-0.2.6"
    paths = [folder / f"{name}.wav" for name in _STEM_TRACKS]
    if not all(path.exists() for path in paths):
        ffmpeg = shutil.which("ffmpeg")
        if ffmpeg is None:
            raise NotThereError("the song in stems needs ffmpeg to be decoded, which is not on this machine")
        archive = _archive(folder.parent, _STEMPEG)
        with tempfile.TemporaryDirectory(dir=folder.parent) as there, zipfile.ZipFile(archive) as packed:
            name = next(each for each in packed.namelist() if each.endswith(".stem.mp4"))
            song, made = Path(packed.extract(name, there)), Path(there) / "made"
            made.mkdir()
            for track, path in enumerate(paths):
                command = [ffmpeg, "-v", "error", "-i", str(song), "-map", f"0:{track}", "-c:a", "pcm_f32le"]
                subprocess.run([*command, str(made / path.name)], check=True, capture_output=True, timeout=60)
            _move(made, folder)
    return StemSong(paths[0], paths[-1], tuple(paths[1:-1]))


@cache
def solo_singing() -> tuple[Path, ...]:
    """Two recordings of one singer alone each, mono, 44.1 kHz, 16 bit, 9 and 12 s."""
    folder = _folder()
    paths = tuple(folder / name for name in _SINGING)
    if not all(path.exists() for path in paths):
        archive = _archive(folder, _BASIC_PITCH)
        for path in paths:
            with tarfile.open(archive) as packed:
                member = packed.extractfile(f"basic_pitch-0.4.0/tests/resources/{path.name}")
                assert member is not None, f"{archive} has no {path.name}"
                _write(path, member.read())
    return paths


@cache
def praatio_source() -> Path:
    """Folder of praatio's source distribution: the package praatio, and tests/files with sound and TextGrids."""
    folder = _folder() / "praatio-6.2.2"
    if not (folder / "PKG-INFO").exists():
        archive = _archive(folder.parent, _PRAATIO)
        with tempfile.TemporaryDirectory(dir=folder.parent) as there:
            with tarfile.open(archive) as packed:
                packed.extractall(there, members=_plain(packed))
            _move(Path(there) / folder.name, folder)
    return folder


@cache
def phonlab_audio() -> Path:
    """Folder of phonlab's example recordings, some with a TextGrid."""
    folder = _folder() / "phonlab-0.0.70"
    if not folder.exists():
        archive = _archive(folder.parent, _PHONLAB)
        with tempfile.TemporaryDirectory(dir=folder.parent) as there:
            with zipfile.ZipFile(archive) as packed:
                packed.extractall(there)
            _move(Path(there) / "phonlab" / "data" / "example_audio", folder)
    return folder


def _folder() -> Path:
    named = os.environ.get("RIDEBOOK_TEST_MATERIAL")
    folder = Path(named) if named else platformdirs.user_cache_path("ridebook") / "test_material"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _archive(folder: Path, package: _Package) -> Path:
    archive = folder / package.archive
    if not archive.exists():
        if os.environ.get("RIDEBOOK_OFFLINE") == "1":
            pytest.skip(f"RIDEBOOK_OFFLINE=1, and {package.archive} is not in {folder}")
        _download(archive, package)
    found = hashlib.sha256(archive.read_bytes()).hexdigest()
    if found != package.sha256:
        pytest.fail(f"{archive} is not the file that the tests were made for: its sha256 is {found}")
    return archive


def _download(archive: Path, package: _Package) -> None:
    if package.wanted in _IN_VAIN:
        pytest.fail(_IN_VAIN[package.wanted])
    with tempfile.TemporaryDirectory(dir=archive.parent) as there:
        command = [sys.executable, "-m", "pip", "download", "--no-deps", *package.options, "--dest", there]
        command += ["--no-input", "--disable-pip-version-check", "--retries", "2", "--timeout", "20"]
        try:
            subprocess.run(
                [*command, package.wanted], check=True, capture_output=True, text=True, timeout=_DOWNLOAD_LIMIT_S
            )
        except (subprocess.CalledProcessError, subprocess.TimeoutExpired) as error:
            _IN_VAIN[package.wanted] = (
                f"{package.wanted} cannot be downloaded from the package registry; set RIDEBOOK_OFFLINE=1 to skip the "
                f"tests that need it.\n{error}\n{error.stderr}"
            )
            pytest.fail(_IN_VAIN[package.wanted])
        _write(archive, (Path(there) / package.archive).read_bytes())


def _move(made: Path, folder: Path) -> None:
    """Move a folder into place, unless another run was quicker."""
    try:
        made.rename(folder)
    except OSError:
        if not folder.exists():
            raise


def _plain(packed: tarfile.TarFile) -> list[tarfile.TarInfo]:
    """Files and folders that stay inside the folder; `extractall` has a filter of its own from 3.11.4 on only."""
    return [
        member
        for member in packed.getmembers()
        if (member.isfile() or member.isdir())
        and not Path(member.name).is_absolute()
        and ".." not in Path(member.name).parts
    ]


def _write(path: Path, content: bytes) -> None:
    """Write whole or not at all, in case two test runs download at once."""
    aside = path.with_name(f"{path.name}.{os.getpid()}")
    aside.write_bytes(content)
    aside.replace(path)
