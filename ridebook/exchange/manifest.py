"""The manifest of a hand-over: which files were written, from what, by which settings, and how loud they are."""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import msgspec

from ridebook.audio.files import file_sha256
from ridebook.audio.output import atomic_write
from ridebook.errors import ExchangeError

FORMAT = "ridebook-manifest"
VERSION = 1


class FileLoudness(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Figures by ITU-R BS.1770-5 and EBU Tech 3342; null where there is none, as of silence."""

    integrated_lufs: float | None
    loudness_range_lu: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    true_peak_dbtp: float | None


class AudioFacts(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What an audio file is: libsndfile's names of container and samples, and what was cut off at full scale."""

    rate_hz: int
    channels: int
    frames: int
    container: str
    samples: str
    clipped_samples: int
    loudness: FileLoudness


class ManifestFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """A file that was written: what it holds, its name beside the manifest or its whole path, size and hash."""

    what: str
    name: str
    bytes: int
    sha256: str
    details: dict[str, Any] = {}  # msgspec copies it
    audio: AudioFacts | None = None


class ManifestSource(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """A file that it was made from: vocal, bed or follower; of a follower how much of the lane it takes."""

    role: str
    name: str
    sha256: str
    rate_hz: int
    channels: int
    frames: int
    share: float | None = None


class Manifest(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Everything about a hand-over.

    Parameters
    ----------
    title : str
        The song.
    program, written_at : str
        Version of the program; day and time by ISO 8601 with the offset from UTC.
    trim_db : float
        The trim.
    breakpoints : int
        Of the lane.
    settings : dict
        What suggestions were made by.
    sources, files
        What it was made from, and what was written.
    """

    title: str
    program: str
    written_at: str
    trim_db: float
    breakpoints: int
    settings: dict[str, Any]
    sources: tuple[ManifestSource, ...]
    files: tuple[ManifestFile, ...]
    format: str = FORMAT
    version: int = VERSION


def finite(value: float) -> float | None:
    """JSON knows no infinity and no NaN."""
    return float(value) if math.isfinite(value) else None


def write_manifest(path: str | Path, manifest: Manifest, protect: Iterable[str | Path] = ()) -> None:
    """Write a manifest as UTF-8 JSON.

    Raises
    ------
    OutputError
        The file cannot be written, or is one of `protect`.
    """
    atomic_write(path, msgspec.json.format(msgspec.json.encode(manifest), indent=2) + b"\n", protect)


def read_manifest(path: str | Path) -> Manifest:
    """Read a manifest and hold it to its form.

    Raises
    ------
    ExchangeError
        The file cannot be read, is no manifest, of a newer version, or damaged; says where.
    """
    try:
        content = Path(path).read_bytes()
    except OSError as error:
        raise ExchangeError(f"{path} cannot be read: {error.strerror or error}") from error
    try:
        head = msgspec.json.decode(content)
        if not isinstance(head, dict) or head.get("format") != FORMAT:
            raise ExchangeError(f"{path} is no manifest: its format is not {FORMAT!r}")
        if isinstance(head.get("version"), int) and head["version"] > VERSION:
            raise ExchangeError(f"{path} was written by a newer version of this program ({head.get('program')})")
        return msgspec.convert(head, Manifest)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise ExchangeError(f"{path} is no manifest, or damaged: {error}") from error


def differing_files(path: str | Path) -> tuple[str, ...]:
    """Hold the files of a manifest against it.

    Returns
    -------
    tuple of str
        A sentence for each file that is missing or has another content; none where all is as it was written.

    Raises
    ------
    ExchangeError
        As for `read_manifest`.
    SourceUnreadableError
        A file may not be read.
    """
    told = []
    for file in read_manifest(path).files:
        there = Path(path).parent / file.name  # a whole path stays what it is
        if not there.is_file():
            told.append(f"{file.name} is not there.")
        elif file_sha256(there) != file.sha256:
            told.append(f"{file.name} is not as it was written.")
    return tuple(told)
