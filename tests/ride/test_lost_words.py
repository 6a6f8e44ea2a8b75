"""Words that the balance leaves lost are raised by what they miss, and nothing else is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ridebook.ride.hearing import Hearing
from ridebook.ride.lost_words import OVER_DB
from ridebook.ride.settings import RideSettings
from ridebook.ride.suggestion import Suggestion
from ridebook.segment.spans import Span
from tests.ride.test_suggest import FULL, Scene, even, scene

STEADY = [0.0] * 8
SPARE_DB = -10.0


def made() -> Scene:
    return scene(even(), STEADY)


def hearing(here: Scene, missing_db: dict[int, float], trim_db: float, level_db: float = 75.0) -> Hearing:
    """What the words take: each has 10 dB to spare, or misses what is said of its number."""
    words = here.segments.words
    needed_db = np.full(len(words), trim_db + SPARE_DB)
    for number, each_db in missing_db.items():
        needed_db[number] = trim_db + each_db
    # The bands are not looked at: what they say is in `needed_db`.
    return Hearing(None, level_db, 0.0, words, needed_db)  # type: ignore[arg-type]


def suggested(here: Scene, missing_db: dict[int, float], chosen: RideSettings = FULL, **more) -> Suggestion:
    trim_db = here.suggest(chosen).trim_db
    return here.suggest(chosen, hearing=hearing(here, missing_db, trim_db), **more)


def over(here: Scene, word: Span, suggestion: Suggestion) -> float:
    return float(here.lane_over(word, suggestion).mean())


def test_a_lost_word_gets_what_it_misses_and_its_neighbours_nothing():
    here = made()
    words = here.segments.words
    assert not here.suggest().lane.points
    lifted = suggested(here, {7: 2.0})
    assert over(here, words[7], lifted) == pytest.approx(2.0 + OVER_DB, abs=0.3)
    assert over(here, words[7], lifted) >= 2.0
    for near in (6, 8):
        assert abs(over(here, words[near], lifted)) < 0.3
    assert len(lifted.lane.points) <= 4
    assert lifted.trim_db == here.suggest().trim_db


def test_neighbours_that_miss_alike_rise_together():
    here = made()
    lifted = suggested(here, {6: 2.0, 7: 2.4})
    assert len(lifted.lane.points) <= 4
    for number in (6, 7):
        assert over(here, here.segments.words[number], lifted) >= 2.4


def test_less_than_a_dead_band_is_worth_a_whole_one():
    here = made()
    assert over(here, here.segments.words[7], suggested(here, {7: 0.1})) == pytest.approx(FULL.word_dead_db, abs=0.3)


@pytest.mark.parametrize("missing_db", [FULL.word_limit_db + 0.5, 20.0, np.nan])
def test_what_no_allowed_ride_brings_back_stays(missing_db):
    # A sigh or an ad-lib far under the bed: level is not its cure.
    assert not suggested(made(), {7: missing_db}).lane.points


def test_all_that_is_allowed_where_that_just_does():
    here = made()
    most_db = FULL.word_limit_db
    assert over(here, here.segments.words[7], suggested(here, {7: most_db - 0.1})) == pytest.approx(most_db, abs=0.3)


def test_what_is_meant_to_be_quiet_or_may_not_ride_stays():
    # A whisper before a belt that is meant so.
    here = made()
    word = here.segments.words[7]
    phrase = here.segments.phrase_of(word)
    for quiet_id in (word.id, phrase.id):
        assert not suggested(here, {7: 2.0}, quiet_ids=frozenset({quiet_id})).lane.points
    assert not suggested(here, {7: 2.0}, replace(FULL, ride_words=False)).lane.points
    bare = scene(even())
    assert not suggested(bare, {7: 2.0}).lane.points


def test_half_the_share_is_enough_and_none_is_none():
    here = made()
    word = here.segments.words[7]
    for share, raised_db in ((0.5, 2.5), (0.25, 1.25), (0.0, 0.0)):
        lifted = suggested(here, {7: 2.0}, replace(FULL, share=share))
        mean_db = over(here, word, lifted) if lifted.lane.points else 0.0
        assert mean_db == pytest.approx(raised_db, abs=0.3)


def test_a_hearing_of_other_words_or_of_another_level_is_not_taken():
    here = made()
    trim_db = here.suggest().trim_db
    assert not here.suggest(hearing=hearing(here, {7: 2.0}, trim_db, 80.0)).lane.points
    other = replace(hearing(here, {7: 2.0}, trim_db), words=here.segments.words[:-1])
    assert not here.suggest(hearing=other).lane.points


def test_a_ride_down_does_not_lose_a_word():
    levels = even()
    levels[4] = [level + 4.0 for level in levels[4]]
    here = scene(levels, STEADY)
    number = 4 * len(levels[0]) + 2
    word = here.segments.words[number]
    down = over(here, word, here.suggest())
    assert down < -3.0
    kept = suggested(here, {number: -1.0})
    assert over(here, word, kept) >= -1.0
    assert over(here, here.segments.words[number - 2], kept) == pytest.approx(down, abs=0.4)
