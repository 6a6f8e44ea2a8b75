"""The demo song: whole, small, and wrong in just the places that its list of known problems names."""

from __future__ import annotations

import csv
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile

SONG = Path(__file__).resolve().parents[1] / "demo_sessions"
STEMS = ("vocal", "band", "keys")
RATE_HZ = 48000


def rows(name: str) -> list[dict[str, str]]:
    with (SONG / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def spans(kind: str) -> list[tuple[float, float, str]]:
    return [(float(r["start_s"]), float(r["end_s"]), r["label"]) for r in rows("words.csv") if r["kind"] == kind]


@cache
def samples(name: str) -> np.ndarray:
    return soundfile.read(SONG / f"{name}.flac", always_2d=True)[0]


@cache
def power(name: str) -> np.ndarray:
    """K-weighted power of each frame of a stem, or of the bed, the channels summed."""
    sound = samples("band") + samples("keys") if name == "bed" else samples(name)
    total = np.zeros(len(sound))
    for channel in sound.T:
        for stage in pyloudnorm.Meter(RATE_HZ)._filters.values():
            channel = stage.apply_filter(channel)
        total += channel**2
    return total


def level_db(name: str, start_s: float, end_s: float) -> float:
    return float(10 * np.log10(power(name)[round(start_s * RATE_HZ) : round(end_s * RATE_HZ)].mean()))


def test_stems_share_rate_and_length_and_are_small() -> None:
    infos = {name: soundfile.info(SONG / f"{name}.flac") for name in STEMS}
    assert {info.samplerate for info in infos.values()} == {RATE_HZ}
    assert len({info.frames for info in infos.values()}) == 1
    assert [infos[name].channels for name in STEMS] == [1, 2, 2]
    assert 45.0 <= infos["vocal"].duration <= 60.0
    assert sum(path.stat().st_size for path in SONG.iterdir() if path.is_file()) < 6_000_000


def test_peaks_leave_room() -> None:
    assert 20 * np.log10(np.abs(samples("vocal")).max()) == pytest.approx(-6.0, abs=1.0)
    assert np.abs(samples("vocal") + samples("band") + samples("keys")).max() < 1.0


def test_truth_lies_within_the_song_and_holds_together() -> None:
    seconds = soundfile.info(SONG / "vocal.flac").duration
    for kind in ("section", "phrase", "word", "breath"):
        found = spans(kind)
        assert found
        assert found[0][0] >= 0.0
        assert found[-1][1] <= seconds
        for before, after in pairwise(found):
            assert before[0] < before[1] <= after[0] < after[1]
    for start_s, end_s, label in spans("phrase"):
        words = [word for word in spans("word") if start_s <= word[0] < end_s]
        assert [word[2] for word in words] == label.split()
        assert words[0][0] == start_s
        assert words[-1][1] == end_s
        assert any(a <= start_s and end_s <= b for a, b, _ in spans("section"))


def test_lyric_is_what_is_sung() -> None:
    lines = (SONG / "lyric.txt").read_text(encoding="utf-8").splitlines()
    assert [line for line in lines if line and not line.startswith("[")] == [phrase[2] for phrase in spans("phrase")]
    assert [line[1:-1] for line in lines if line.startswith("[")] == [section[2] for section in spans("section")]


def test_the_voice_sounds_where_the_truth_says_and_breathes_between() -> None:
    words_db = [level_db("vocal", *word[:2]) for word in spans("word")]
    phrases = spans("phrase")
    for start_s, end_s, _ in spans("breath"):
        breath_db = level_db("vocal", start_s, end_s)
        assert np.median(words_db) - 30 < breath_db < np.median(words_db) - 10
        assert not any(a < end_s and start_s < b for a, b, _ in phrases)


def problem(kind: str, part: str) -> list[tuple[float, float, str, float]]:
    return [
        (float(r["start_s"]), float(r["end_s"]), r["label"], float(r["change_db"]))
        for r in rows("known_problems.csv")
        if (r["kind"], r["in"]) == (kind, part)
    ]


def test_low_words_are_lower_than_their_lines() -> None:
    low = problem("word", "voice")
    assert len(low) >= 3
    known = [(start_s, end_s) for start_s, end_s, *_ in low]
    for start_s, end_s, label, change_db in low:
        line = next(p for p in spans("phrase") if p[0] <= start_s < p[1])
        others = [w[:2] for w in spans("word") if line[0] <= w[0] < line[1] and w[:2] not in known]
        under_db = level_db("vocal", start_s, end_s) - np.median([level_db("vocal", *other) for other in others])
        assert under_db == pytest.approx(change_db, abs=2.0), label


def test_lines_stand_out_by_what_is_said() -> None:
    wrong = problem("phrase", "voice")
    assert {change_db > 0 for *_, change_db in wrong} == {True, False}
    verse = [p for p in spans("phrase") if any(a <= p[0] < b for a, b, name in spans("section") if "verse" in name)]
    usual_db = np.median([level_db("vocal", *p[:2]) for p in verse])
    for start_s, end_s, label, change_db in wrong:
        assert level_db("vocal", start_s, end_s) - usual_db == pytest.approx(change_db, abs=1.5), label


def test_the_bed_swells_over_the_last_chorus_and_covers_a_word() -> None:
    (first, second) = [s for s in spans("section") if s[2] == "chorus"]
    ((_, _, _, swell_db),) = problem("section", "bed")
    assert level_db("bed", *second[:2]) - level_db("bed", *first[:2]) == pytest.approx(swell_db, abs=0.7)
    for start_s, end_s, *_ in problem("word", "bed"):
        assert level_db("bed", start_s, end_s) - level_db("bed", start_s - 2.0, start_s) > 3.0


def test_mean_balance_is_nearly_right() -> None:
    sung = np.zeros(len(power("vocal")), bool)
    for start_s, end_s, _ in spans("phrase"):
        sung[round(start_s * RATE_HZ) : round(end_s * RATE_HZ)] = True
    # As heard in the mix: a mono vocal goes at full amplitude to both sides and so counts twice.
    balance_lu = 10 * np.log10(2 * power("vocal")[sung].mean() / power("bed")[sung].mean())
    assert 1.0 <= balance_lu <= 2.0
