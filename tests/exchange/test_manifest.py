"""Manifests that are read, and those that cannot be."""

from __future__ import annotations

import json
from pathlib import Path

import msgspec
import pytest

from ridebook.errors import ExchangeError
from ridebook.exchange.manifest import Manifest, ManifestFile, ManifestSource, read_manifest, write_manifest

MADE = Manifest(
    title="Wall",
    program="ridebook 0.1.0",
    written_at="2031-05-09T17:42:00+00:00",
    trim_db=-1.5,
    breakpoints=3,
    settings={"share": 0.8},
    sources=(ManifestSource("follower", "double.wav", "ab" * 32, 48_000, 1, 96_000, 0.5),),
    files=(ManifestFile("rides", "Wall rides.csv", 120, "cd" * 32, {"breakpoints": 3}),),
)


def test_what_was_written_is_read(tmp_path: Path) -> None:
    write_manifest(tmp_path / "m.json", MADE)
    assert read_manifest(tmp_path / "m.json") == MADE


def changed(**fields: object) -> str:
    return json.dumps({**json.loads(msgspec.json.encode(MADE)), **fields})


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("", "damaged"),
        ("{", "damaged"),
        ("[1]", "is no manifest"),
        ('{"format": "else"}', "is no manifest"),
        (changed(version=2), "newer version"),
        (changed(trim_db="loud"), "trim_db"),
        (changed(mood="fine"), "mood"),
        (changed(files=[{"what": "rides"}]), "files"),
    ],
)
def test_what_is_no_manifest_is_told(tmp_path: Path, content: str, says: str) -> None:
    (tmp_path / "m.json").write_text(content, "utf-8")
    with pytest.raises(ExchangeError, match=says):
        read_manifest(tmp_path / "m.json")


def test_a_missing_one_is_told(tmp_path: Path) -> None:
    with pytest.raises(ExchangeError, match="cannot be read"):
        read_manifest(tmp_path / "none.json")
