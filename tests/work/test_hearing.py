"""The second pass: cached like the first, called off between blocks, and the same whoever asks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ridebook.audio.stems import open_pair
from ridebook.cli import main
from ridebook.ride.settings import RideSettings
from ridebook.work import hearing as module
from ridebook.work.cache import AnalysisCache
from ridebook.work.hearing import pair_bands, session_hearing, with_hearing
from ridebook.work.review import review
from ridebook.work.song import Song, open_song
from ridebook.work.steps import Cancelled
from tests.songs import noise_bed, sung, write_pair


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Song]:
    folder = tmp_path_factory.mktemp("heard")
    vocal, _ = sung([[0.0, -9.0, 0.0, 0.0]] * 3)
    paths = write_pair(folder, vocal, np.stack([noise_bed(len(vocal))[:, 0]] * 2, axis=1))
    made = open_song(paths[0], [paths[1]])
    with made.pair:
        yield made


def test_bands_are_kept_and_come_back_the_same(song: Song, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cache = AnalysisCache(tmp_path)
    first = pair_bands(song.pair, song.session.sources, cache)
    monkeypatch.setattr(module, "PairBandAccumulator", None)
    again = pair_bands(song.pair, song.session.sources, cache)
    assert again.vocal.power.tobytes() == first.vocal.power.tobytes()
    assert again.bed.power.tobytes() == first.bed.power.tobytes()
    assert again.bed is again.beds[0]
    (kept,) = tmp_path.glob("*-bands.npz")
    kept.write_bytes(kept.read_bytes()[:100])
    with pytest.raises(TypeError):
        pair_bands(song.pair, song.session.sources, cache)


def test_several_beds_come_back_with_their_sum(song: Song, tmp_path: Path) -> None:
    bed = song.session.beds[0].path
    with open_pair(song.session.vocal.path, [bed, bed]) as pair:
        sources = (song.session.vocal, *song.session.beds, *song.session.beds)
        cache = AnalysisCache(tmp_path)
        first, again = (pair_bands(pair, sources, cache) for _ in range(2))
    assert len(again.beds) == 2
    assert again.bed.power.tobytes() == first.bed.power.tobytes()
    # Samples add up: twice the same bed is four times its power.
    np.testing.assert_allclose(again.bed.power, 4.0 * again.beds[0].power, rtol=1e-4, atol=1e-12)


def test_it_is_called_off(song: Song) -> None:
    with pytest.raises(Cancelled):
        pair_bands(song.pair, cancelled=lambda: True)


def test_the_listening_level_counts(song: Song) -> None:
    measures = song.analysis.measures
    at_75 = session_hearing(song.session, song.pair, measures)
    loud = replace(song.session, settings=RideSettings(listening_level_db=85.0))
    at_85 = session_hearing(loud, song.pair, measures)
    assert at_85.offset_db == pytest.approx(at_75.offset_db + 10.0)
    assert not np.array_equal(at_85.needed_db, at_75.needed_db)


def test_a_song_that_was_listened_to_is_suggested_by_it(song: Song) -> None:
    assert song.hearing is None
    heard = with_hearing(song)
    assert heard.hearing is not None
    assert heard.hearing.words is song.session.segments.words
    made = review(song.pair, song.session, song.analysis.measures, hearing=heard.hearing)
    assert made.hearing is heard.hearing


def test_the_commands_take_a_listening_level(
    song: Song, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    session = tmp_path / "s.ridebook"
    files = [song.session.vocal.path, song.session.beds[0].path]
    assert main(["suggest", *files, "--session", str(session), "--listening-level", "82"]) == 0
    assert '"listening_level_db": 82.0' in session.read_text("utf-8")
    capsys.readouterr()
    main(["check", str(session)])
    assert "Words lost by audibility:" in capsys.readouterr().out
    assert main(["check", str(session), "--listening-level", "120"]) == 2
    assert "listening_level_db is 120" in capsys.readouterr().err
