"""Names out of a pattern."""

from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridebook.errors import SettingError
from ridebook.exchange.names import LONGEST_BYTES_N, Naming, safe_name

MOMENT = datetime(2031, 5, 9, 17, 42)


def naming(pattern: str = "{title} {what}", title: str = "Orchard") -> Naming:
    return Naming(title, "lead vox", MOMENT, pattern)


@pytest.mark.parametrize(
    ("pattern", "name"),
    [
        ("{title} {what}", "Orchard mix.wav"),
        ("{date}_{time} {vocal} - {what}", "2031-05-09_17-42 lead vox - mix.wav"),
        ("{what}", "mix.wav"),
        ("{{{what}}}", "{mix}.wav"),
        ("a/b:{what}?", "a_b_mix_.wav"),
        ("  {what}. . ", "mix.wav"),
        ("{what}\t\n{title}", "mix__Orchard.wav"),
    ],
)
def test_patterns(pattern: str, name: str) -> None:
    assert naming(pattern).file_name("mix", ".wav") == name


@pytest.mark.parametrize(
    "pattern", ["{title}", "{what} {mood}", "{what", "what}", "{what!r}", "{what:>9}", "{what.x}", ""]
)
def test_patterns_that_cannot_be(pattern: str) -> None:
    with pytest.raises(SettingError, match=r"pattern.*what"):
        naming(pattern)


def test_a_number_stands_behind_the_name() -> None:
    assert naming().file_name("rides", ".csv", 2) == "Orchard rides 2.csv"


# Microsoft, "Naming Files, Paths, and Namespaces": names kept for devices, with any ending (from memory).
@pytest.mark.parametrize("title", ["con", "NUL", "com1", "com²", "LPT9", "aux.txt"])
def test_names_of_devices_are_not_used(title: str) -> None:
    assert safe_name(title) == f"_{title}"


@given(st.text(max_size=300), st.integers(1, 3))
def test_any_title_gives_a_plain_name_of_bounded_length(title: str, number: int) -> None:
    name = naming("{title} {what}", title).file_name("mix", ".wav", number)
    stem = name.removesuffix(".wav")
    assert not set(stem) & set('\\/:*?"<>|\0\n')
    assert 0 < len(stem.encode("utf-8")) <= LONGEST_BYTES_N + 1
    assert stem == stem.strip()
    assert stem[-1] != "."


@pytest.mark.parametrize("pattern", ["{title} {what}", "{what} {title}", "{vocal} {title} {title} {what}"])
def test_a_long_title_leaves_what_the_file_holds(pattern: str) -> None:
    long = Naming("Orchard Ö " * 40, "lead " * 60, MOMENT, pattern)
    names = [long.file_name(what, ".wav", 12) for what in ("mix", "mix vocal up 0.5 dB")]
    assert "mix vocal up 0.5 dB" in names[1]
    assert "up" not in names[0]
    assert "mix" in names[0]
    assert all(LONGEST_BYTES_N - 12 < len(name.encode()) <= LONGEST_BYTES_N + 4 for name in names)


def test_bytes_that_are_no_letters_are_safe_too() -> None:
    assert safe_name(b"lead \xff vox".decode("utf-8", "surrogateescape")) == "lead _ vox"
