"""What is kept of past songs, and that it can be seen, switched off and deleted."""

import datetime
import json
from pathlib import Path

import pytest

from ridebook.errors import HandUnreadableError
from ridebook.ride.hand import Case, SongRecord, learnt_hand
from ridebook.ride.settings import RideSettings
from ridebook.session.edits import ink, leave_open, nudge, strike
from ridebook.work.hand import HandStore, KeptHand, hand_lines, song_record
from ridebook.work.song import Song, open_song
from tests.songs import noise_bed, sung, write_pair

CASE = Case(2.0, 1.4, 0.8, 4.0)


def record(song_id: str, title: str = "") -> SongRecord:
    return SongRecord(song_id, title, "2026-01-31", (CASE,))


@pytest.fixture
def store(tmp_path: Path) -> HandStore:
    return HandStore(tmp_path / "data")


def test_a_song_is_kept_once_and_replaced(store: HandStore) -> None:
    assert store.keep(record("a", "first"))
    assert store.keep(record("b"))
    assert store.keep(record("a", "again"))
    assert [(song.id, song.title) for song in store.read().songs] == [("b", ""), ("a", "again")]
    assert json.loads(store.path.read_text("utf-8"))["format"] == "ridebook-hand"


def test_switched_off_nothing_is_written(store: HandStore) -> None:
    store.keep(record("a"))
    store.switch(on=False)
    before = store.path.read_bytes()
    assert not store.keep(record("b"))
    assert store.path.read_bytes() == before
    store.switch(on=True)
    assert store.keep(record("b"))


def test_a_song_without_decisions_is_not_kept(store: HandStore) -> None:
    assert not store.keep(SongRecord("a", "", "2026-01-31", left_lu=2.0))
    assert not store.path.exists()


def test_deletion_takes_one_song_or_all_and_keeps_the_switch(store: HandStore) -> None:
    for name in "abc":
        store.keep(record(name))
    store.delete("b")
    assert [song.id for song in store.read().songs] == ["a", "c"]
    store.delete()
    assert store.read() == KeptHand()
    assert not store.path.exists()
    store.switch(on=False)
    store.delete()
    assert store.read() == KeptHand(on=False)


@pytest.mark.parametrize("content", ["", "{}", '{"format": "ridebook-hand", "version": 2}', '{"format": 3}'])
def test_a_damaged_file_is_told_and_can_be_deleted(store: HandStore, content: str) -> None:
    store.path.parent.mkdir()
    store.path.write_text(content)
    with pytest.raises(HandUnreadableError, match=r"hand\.json"):
        store.keep(record("a"))
    store.delete()
    assert store.read() == KeptHand()


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> Song:
    folder = tmp_path_factory.mktemp("song")
    vocal, _ = sung([[0.0] * 5, [-5.0] * 5, [4.0] * 5, [0.0] * 5])
    vocal_path, bed_path = write_pair(folder, vocal, noise_bed(len(vocal)))
    opened = open_song(vocal_path, [bed_path])
    opened.pair.close()
    return opened


def test_a_record_says_what_was_suggested_and_what_became_of_it(song: Song) -> None:
    session, suggestion = song.session, song.suggestion
    first, second, third, fourth = [phrase.id for phrase in session.segments.phrases]
    session = ink(session, suggestion, [first, second, fourth])
    session = strike(session, [third], suggestion)
    session = nudge(session, [second], -1.0)
    session = leave_open(session, [fourth])
    made = song_record(session, song.analysis.measures, datetime.date(2026, 1, 31))
    suggested = {phrase.phrase_id: phrase.ride_db for phrase in suggestion.phrases}
    assert [case.struck for case in made.cases] == [False, False, True]
    for case, phrase_id in zip(made.cases, (first, second, third), strict=True):
        assert case.suggested_db == pytest.approx(suggested[phrase_id], abs=0.002)
    assert made.cases[1].final_db == pytest.approx(suggested[second] - 1.0, abs=0.15)
    assert made.cases[2].final_db == pytest.approx(0.0, abs=0.15)
    assert made.day == "2026-01-31"
    assert made.left_lu is not None
    assert Path(session.vocal.path).name not in str(made)


def test_the_lines_tell_the_numbers() -> None:
    hand = learnt_hand([SongRecord(f"{i}", "", "2026-01-31", (CASE,) * 40, 3.0) for i in range(5)])
    share, aim = hand_lines(hand, RideSettings())
    assert "200 phrases of 5 songs" in share
    assert "now 80 %" in share
    assert "+2.6 LU (now +2.0): learnt from how 5 songs were left" in aim
    assert "Nothing was learnt yet" in hand_lines(learnt_hand([]), RideSettings())[0]
