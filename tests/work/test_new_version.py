from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from ridebook.session.document import Session, State
from ridebook.session.edits import ink
from ridebook.work.new_version import NewVersion, take_new_version
from ridebook.work.song import open_phrases, open_song
from tests.songs import RATE_HZ, noise_bed, sung, tone, write_pair

LEVELS_DB = [[0, 0, 0], [-4, -4, -4], [3, 3, 3], [0, 0, 0]]


@pytest.fixture
def song(tmp_path: Path):
    vocal, spans = sung(LEVELS_DB)
    paths = write_pair(tmp_path, vocal, noise_bed(len(vocal)))
    opened = open_song(paths[0], [paths[1]])
    with opened.pair:
        session = ink(opened.session, opened.suggestion, open_phrases(opened.session))
        yield vocal, spans, session, opened.analysis.measures


def taken(song, tmp_path: Path, samples: np.ndarray, which: str = "vocal") -> NewVersion:
    _, _, session, measures = song
    path = tmp_path / "new.wav"
    soundfile.write(path, samples, RATE_HZ, subtype="PCM_24")
    old = session.vocal if which == "vocal" else session.beds[0]
    made = take_new_version(session, measures, old, path)
    made.song.pair.close()
    return made


def states(session: Session) -> list[State]:
    return [session.decision(phrase.id).state for phrase in session.segments.phrases]


def test_the_same_audio_opens_nothing(song, tmp_path: Path) -> None:
    made = taken(song, tmp_path, song[0])
    assert made.opened_ids == ()
    assert made.shift_n == 0
    assert made.song.session.lane == song[2].lane
    assert set(states(made.song.session)) == {State.INKED}


def test_only_the_phrase_that_changed_is_open_again(song, tmp_path: Path) -> None:
    vocal, spans, session, _ = song
    new = vocal.copy()
    new[slice(*spans[2])] *= 0.7
    made = taken(song, tmp_path, new)
    assert made.opened_ids == (session.segments.phrases[2].id,)
    assert states(made.song.session) == [State.INKED, State.INKED, State.OPEN, State.INKED]
    assert made.song.session.lane == session.lane
    assert "1 of 4" in made.line()


@pytest.mark.parametrize("shift_n", [12_345, -7_001])
def test_a_vocal_that_starts_elsewhere_is_followed_to_the_sample(song, tmp_path: Path, shift_n: int) -> None:
    vocal, _, session, _ = song
    new = np.concatenate([np.zeros(shift_n), vocal]) if shift_n > 0 else vocal[-shift_n:]
    made = taken(song, tmp_path, new)
    assert made.shift_n == shift_n
    moved = [point.frame_n + shift_n for point in session.lane.points]
    assert [point.frame_n for point in made.song.session.lane.points][1:-1] == [n for n in moved if n >= 0][1:-1]
    starts = [phrase.start_n + shift_n for phrase in session.segments.phrases]
    assert [phrase.start_n for phrase in made.song.session.segments.phrases] == starts


def test_a_phrase_sung_anew_in_a_pause_is_found(song, tmp_path: Path) -> None:
    vocal, _, session, _ = song
    new = np.concatenate([vocal, tone(RATE_HZ, 200.0), np.zeros(RATE_HZ)])
    made = taken(song, tmp_path, new)
    assert made.added_n >= 1
    assert len(made.song.session.segments.phrases) == len(session.segments.phrases) + made.added_n
    assert made.song.session.segments.words[-1].start_n > len(vocal) - 1000


def test_a_new_bed_opens_the_phrases_that_it_changes(song, tmp_path: Path) -> None:
    vocal, spans, session, _ = song
    bed = noise_bed(len(vocal))
    bed[spans[1][0] : spans[1][1]] *= 2.0
    made = taken(song, tmp_path, bed, "bed")
    assert made.opened_ids == (session.segments.phrases[1].id,)
    assert made.song.session.vocal == session.vocal
    assert Path(made.song.session.beds[0].path).name == "new.wav"
