"""Listening through a sink of the tests' own: what comes out, where the playhead is, what a hand writes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from ridebook.audio.files import read_info
from ridebook.gui.desk import Desk
from ridebook.gui.player import NO_OUTPUT, Player
from ridebook.gui.sound import QtSound
from ridebook.ride.lane import Lane
from ridebook.segment.spans import Kind
from ridebook.session import edits
from ridebook.session.document import Follower
from ridebook.work.preview import Heard
from ridebook.work.song import source_file
from tests.songs import noise_bed, sung, write_pair

BLOCK_N = 1_024


class Sink:
    """Takes what is played and keeps it; the test says how much is heard."""

    def __init__(self) -> None:
        self.pull: Callable[[int], np.ndarray] | None = None
        self.taken: list[np.ndarray] = []

    def start(self, rate_hz: int, pull: Callable[[int], np.ndarray]) -> None:
        self.rate_hz = rate_hz
        self.pull = pull
        self.taken = []

    def stop(self) -> None:
        self.pull = None

    def heard_n(self) -> int:
        return sum(len(block) for block in self.taken)

    def run(self, blocks_n: int) -> np.ndarray:
        """Play so many blocks at once."""
        new = [self.pull(BLOCK_N) for _ in range(blocks_n)]
        self.taken += new
        return np.concatenate(new)


@pytest.fixture
def desk(qtbot, tmp_path: Path):
    vocal, _ = sung([[0, 0, 0], [-4, -4, -4], [0, 0, 0]])
    paths = write_pair(tmp_path, vocal, noise_bed(len(vocal)))
    made = Desk()
    made.cache_on = False
    with qtbot.waitSignal(made.opened):
        made.open_pair(paths[0], [paths[1]])
    yield made
    made.close()


@pytest.fixture
def sink() -> Sink:
    return Sink()


@pytest.fixture
def player(desk: Desk, sink: Sink) -> Player:
    return Player(desk, sound=sink) if desk.pair is None else _on_open(desk, sink)


def _on_open(desk: Desk, sink: Sink) -> Player:
    player = Player(desk, desk, sound=sink)
    player._on_analysis_changed()
    return player


def test_plays_from_the_playhead_and_the_playhead_follows(desk: Desk, player: Player, sink: Sink) -> None:
    desk.set_playhead(20_000)
    player.listen(heard=Heard.BEFORE, matched=False, level_db=0.0)
    player.play()
    heard = sink.run(10)
    expected = desk.pair.vocal.read(20_000, 20_000 + 10 * BLOCK_N) + desk.pair.beds[0].read(
        20_000, 20_000 + 10 * BLOCK_N
    )
    np.testing.assert_allclose(heard, expected, atol=1e-6)
    player._on_tick()
    assert desk.playhead_n == 20_000 + 10 * BLOCK_N
    player.stop()
    assert sink.pull is None
    assert desk.playhead_n == 20_000 + 10 * BLOCK_N


def test_switching_keeps_the_place(desk: Desk, player: Player, sink: Sink) -> None:
    player.play()
    sink.run(4)
    player.listen(heard=Heard.BED, level_db=0.0)
    heard = sink.run(4)
    np.testing.assert_allclose(heard, desk.pair.beds[0].read(4 * BLOCK_N, 8 * BLOCK_N), atol=1e-6)
    player.stop()


def test_an_edit_is_heard_in_the_next_block(desk: Desk, player: Player, sink: Sink) -> None:
    player.listen(heard=Heard.VOCAL, level_db=0.0)
    desk.edit("Trim", lambda session: edits.set_trim(session, 0.0))
    desk.set_playhead(40_000)
    player.play()
    sink.run(2)
    desk.edit("Lane", lambda session: edits.replace_lane(session, Lane.from_pairs([(0, 3.0)])))
    at_n = 40_000 + 2 * BLOCK_N
    expected = desk.pair.vocal.read(at_n, at_n + BLOCK_N) * 10 ** (3.0 / 20)
    np.testing.assert_allclose(sink.run(1), np.repeat(expected, 2, axis=1), atol=1e-6)
    player.stop()


def test_stops_by_itself_at_the_end(desk: Desk, player: Player, sink: Sink) -> None:
    desk.set_playhead(desk.frames_n - 3 * BLOCK_N)
    player.play()
    assert len(sink.run(5)) == 3 * BLOCK_N
    player._on_tick()
    assert not player.playing


def test_loop_goes_round_the_selection_with_a_run_up(desk: Desk, player: Player, sink: Sink) -> None:
    phrase = desk.session.segments.phrases[1]
    desk.select([phrase.id], kind=Kind.PHRASE)
    player.set_loop(True)
    player.play()
    sink.run(1)
    player._on_tick()
    first_n = desk.playhead_n - BLOCK_N
    assert first_n == phrase.start_n - desk.rate_hz
    sink.run((phrase.length_n + 2 * desk.rate_hz) // BLOCK_N)
    player._on_tick()
    assert first_n <= desk.playhead_n <= phrase.end_n + desk.rate_hz
    player.stop()


def test_hand_that_is_held_up_writes_one_step_of_few_points(desk: Desk, player: Player, sink: Sink) -> None:
    desk.set_playhead(40_000)
    steps_n = len(desk.history.steps)
    player.play()
    player.hold(1.0)
    for _ in range(20):
        sink.run(1)
        player._on_tick()
    player.hold(0.0)
    for _ in range(20):
        sink.run(1)
        player._on_tick()
    during = desk.session.lane
    player.stop()
    lane = desk.session.lane
    assert len(desk.history.steps) == steps_n + 1
    assert desk.history.undo_label == "Ride by hand"
    # 20 ticks of 25 ms at 6 dB/s.
    assert lane.gain_db_at([40_000 + 25 * BLOCK_N])[0] == pytest.approx(3.0, abs=0.4)
    assert during.gain_db_at([40_000 + 25 * BLOCK_N])[0] == pytest.approx(3.0, abs=0.4)
    assert len(lane.points) <= 8
    desk.undo()
    assert desk.session.lane.points == ()


def test_what_the_hand_does_is_heard_at_once(desk: Desk, player: Player, sink: Sink) -> None:
    player.listen(heard=Heard.VOCAL, level_db=0.0)
    desk.edit("Trim", lambda session: edits.set_trim(session, 0.0))
    desk.set_playhead(40_000)
    player.play()
    sink.run(2)
    player.hand_to(4.0)
    sink.run(3)
    at_n = 40_000 + 5 * BLOCK_N
    player.hand_to(4.0)
    heard = sink.run(1)
    expected = desk.pair.vocal.read(at_n, at_n + BLOCK_N) * 10 ** (4.0 / 20)
    np.testing.assert_allclose(heard, np.repeat(expected, 2, axis=1), atol=0.02)
    assert np.abs(heard).max() > 1.3 * np.abs(desk.pair.vocal.read(at_n, at_n + BLOCK_N)).max()
    player.stop()


def test_hand_can_be_taken_back(desk: Desk, player: Player, sink: Sink) -> None:
    player.play()
    sink.run(1)
    player.hand_to(3.0)
    sink.run(5)
    player._on_tick()
    assert desk.session.lane.points
    player.drop_hand()
    assert desk.session.lane.points == ()
    assert player.playing
    player.stop()


def test_hand_needs_sound(desk: Desk, player: Player) -> None:
    told: list[str] = []
    player.message.connect(told.append)
    player.hold(1.0)
    assert "while it plays" in told[0]
    assert desk.session.lane.points == ()


def test_no_output_is_said_calmly(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(QtSound, "there", staticmethod(lambda: False))
    player = Player(desk, desk)
    player._on_analysis_changed()
    told: list[str] = []
    player.message.connect(told.append)
    player.play()
    assert told == [NO_OUTPUT]
    assert not player.playing


def test_closing_the_song_ends_the_sound(desk: Desk, player: Player, sink: Sink) -> None:
    player.play()
    sink.run(1)
    desk.forget()
    assert not player.playing
    assert player.renderer is None


def test_reference_plays_as_loud_as_the_mix(qtbot, desk: Desk, player: Player, sink: Sink, tmp_path: Path) -> None:
    import soundfile

    soundfile.write(tmp_path / "record.wav", noise_bed(44_100 * 5, 0.2, seed=3), 44_100)
    with qtbot.waitSignal(player.listening_changed, check_params_cb=lambda: player.listening.heard is Heard.REFERENCE):
        player.take_reference(tmp_path / "record.wav")
    assert player.renderer.reference_match_db < -3.0
    player.listen(level_db=0.0)
    player.play()
    assert np.abs(sink.run(4)).max() > 0.01
    player.stop()


def test_followers_are_heard_once_they_are_named(desk: Desk, player: Player, sink: Sink, qtbot, tmp_path: Path) -> None:
    double = tmp_path / "double.wav"
    soundfile.write(double, 0.1 * noise_bed(desk.frames_n, seed=9), desk.rate_hz, "FLOAT")
    follower = Follower(source_file(read_info(double)), 0.5)
    player.listen(heard=Heard.RIDDEN, matched=False, level_db=0.0)
    player.play()
    alone = sink.run(4)
    player.stop()
    desk.edit("Followers", lambda session: edits.set_followers(session, [follower]))
    qtbot.waitUntil(lambda: bool(player.renderer.followers))
    desk.set_playhead(0)
    player.play()
    with_double = sink.run(4)
    player.stop()
    expected = soundfile.read(double, stop=4 * BLOCK_N, dtype="float64")[0]
    np.testing.assert_allclose(with_double - alone, expected, atol=1e-6)
    desk.edit("Share", lambda session: edits.set_followers(session, [replace(follower, share=1.0)]))
    assert [share for _, share in player.renderer.followers] == [1.0]
    desk.undo()
    desk.undo()
    assert player.renderer.followers == ()
    desk.redo()
    qtbot.waitUntil(lambda: bool(player.renderer.followers))
    player._on_closing()
    assert player.renderer is None
