"""Several files that are written together: all of them, or none."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from ridebook.audio.output import written_together
from ridebook.errors import LaneError, OutputError, OutputExistsError, OutputIsSourceError


def left(folder: Path) -> set[str]:
    everything = [path for path in folder.rglob("*") if path.is_file() or path.name.endswith(".part")]
    return {path.relative_to(folder).as_posix() for path in everything}


def fill(targets: list[Path], contents: list[bytes], error: str = "") -> None:
    with written_together(targets) as asides:
        for aside, content in zip(asides, contents, strict=False):
            aside.write_bytes(content)
        if error:
            raise LaneError(f"{asides[-1]} {error}")


def test_all_are_moved_when_the_block_ends_well(tmp_path: Path) -> None:
    (tmp_path / "sub").mkdir()
    targets = [tmp_path / "a.csv", tmp_path / "b.wav", tmp_path / "sub" / "a.csv"]
    targets[1].write_bytes(b"old")
    with written_together(targets) as asides:
        assert [aside.name for aside in asides] == ["a.csv", "b.wav", "a.csv"]
        for i, aside in enumerate(asides):
            aside.write_bytes(b"%d" % i)
        assert targets[1].read_bytes() == b"old"
    assert [target.read_bytes() for target in targets] == [b"0", b"1", b"2"]
    assert left(tmp_path) == {"a.csv", "b.wav", "sub/a.csv"}


@pytest.mark.skipif(os.name != "posix", reason="rights as POSIX has them")
def test_rights_and_links_are_kept(tmp_path: Path) -> None:
    real, link = tmp_path / "real.csv", tmp_path / "link.csv"
    real.write_bytes(b"old")
    real.chmod(0o640)
    link.symlink_to(real)
    fill([link], [b"new"])
    assert link.is_symlink()
    assert (real.read_bytes(), real.stat().st_mode & 0o777) == (b"new", 0o640)


def test_none_is_moved_when_the_block_fails_and_the_target_is_named(tmp_path: Path) -> None:
    targets = [tmp_path / "a.csv", tmp_path / "b.wav"]
    targets[0].write_bytes(b"old")
    with pytest.raises(LaneError) as caught:
        fill(targets, [b"new"], "is odd")
    assert str(caught.value) == f"{targets[1]} is odd"
    assert targets[0].read_bytes() == b"old"
    assert left(tmp_path) == {"a.csv"}


def test_none_is_moved_when_one_was_not_written(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"b\.wav cannot be written"):
        fill([tmp_path / "a.csv", tmp_path / "b.wav"], [b"new"])
    assert left(tmp_path) == set()


def test_a_move_that_fails_tells_what_is_in_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    targets = [tmp_path / name for name in ("a.csv", "b.csv", "c.csv")]
    move = os.replace

    def broken(source: Path, target: Path) -> None:
        if Path(target).name == "b.csv":
            raise OSError(5, "Input/output error")
        move(source, target)

    monkeypatch.setattr(os, "replace", broken)
    with pytest.raises(OutputError) as caught:
        fill(targets, [b"new"] * 3)
    assert "b.csv cannot be written: Input/output error" in str(caught.value)
    assert str(caught.value).endswith(f"Written before that: {targets[0]}.")
    assert left(tmp_path) == {"a.csv"}


@pytest.mark.parametrize(
    ("names", "options", "error", "says"),
    [
        (["a.csv", "./a.csv"], {}, OutputError, "named for two outputs"),
        (["a.csv", "source.wav"], {}, OutputIsSourceError, "is a source"),
        (["no/a.csv"], {}, OutputError, "there is no folder"),
        (["there.csv"], {"replace": False}, OutputExistsError, "is there already"),
    ],
)
def test_bad_places_are_refused_before_any_work(
    tmp_path: Path, names: list[str], options: dict[str, bool], error: type[Exception], says: str
) -> None:
    (tmp_path / "source.wav").write_bytes(b"x")
    (tmp_path / "there.csv").write_bytes(b"x")
    work = written_together([tmp_path / name for name in names], [tmp_path / "source.wav"], **options)
    with pytest.raises(error, match=says):
        work.__enter__()
    assert left(tmp_path) == {"source.wav", "there.csv"}
