"""What is learnt from past songs, against songs whose hand is known."""

import numpy as np
import pytest

from ridebook.ride.hand import Case, SongRecord, learnt_hand
from ridebook.ride.settings import RideSettings


def song(ratio: float, phrases_n: int, *, share: float = 1.0, spread_db: float = 0.2, seed: int = 1) -> SongRecord:
    """A song of a hand that takes `ratio` of each suggestion."""
    random = np.random.default_rng(seed)
    suggested_db = random.uniform(1.0, 3.0, phrases_n) * random.choice((-1.0, 1.0), phrases_n)
    final_db = ratio * suggested_db + random.normal(0.0, spread_db, phrases_n)
    return SongRecord(
        f"song {seed}",
        "",
        "2026-01-31",
        tuple(Case(float(s), float(f), share, 4.0) for s, f in zip(suggested_db, final_db, strict=True)),
    )


def test_a_hand_that_takes_seven_tenths_is_learnt_from_many_phrases() -> None:
    hand = learnt_hand([song(0.7, 40, seed=seed) for seed in range(5)])
    assert hand.share == pytest.approx(0.7, abs=0.03)
    assert (hand.songs_n, hand.phrases_n, hand.share_n) == (5, 200, 200)
    assert hand.applied(RideSettings()).share == pytest.approx(0.7, abs=0.03)


def test_two_phrases_change_next_to_nothing() -> None:
    hand = learnt_hand([song(0.7, 2)])
    assert hand.share == pytest.approx(RideSettings().share, abs=0.04)


def test_more_phrases_never_move_it_back() -> None:
    shares = [learnt_hand([song(0.5, phrases_n)]).share for phrases_n in (2, 10, 50, 250)]
    assert shares == sorted(shares, reverse=True)


def test_the_share_that_was_suggested_with_is_counted_in() -> None:
    hand = learnt_hand([song(0.75, 60, share=0.8, seed=seed) for seed in range(3)])
    assert hand.share == pytest.approx(0.6, abs=0.03)


def test_a_few_that_were_struck_do_not_count_for_all() -> None:
    whole = song(1.0, 40, share=0.8)
    struck = tuple(Case(2.5, 0.0, 0.8, 4.0, struck=True) for _ in range(6))
    hand = learnt_hand([whole, SongRecord("other", "", "2026-01-31", struck)])
    plain = (
        0.8
        * (sum(case.suggested_db * case.final_db for case in whole.cases))
        / (sum(case.suggested_db**2 for case in (*whole.cases, *struck)))
    )
    assert hand.share is not None
    assert hand.share > plain + 0.02
    assert hand.struck_n == 6


def test_small_suggestions_say_nothing_about_the_share() -> None:
    hand = learnt_hand([SongRecord("a", "", "2026-01-31", (Case(0.3, 3.0, 0.8, 4.0),) * 50)])
    assert hand.share is None


def test_limit_is_learnt_from_rides_near_it_alone() -> None:
    held = tuple(Case(3.8, 2.5, 0.8, 4.0) for _ in range(60))
    assert learnt_hand([SongRecord("a", "", "2026-01-31", held)]).phrase_limit_db == pytest.approx(2.7, abs=0.1)
    far = tuple(Case(3.8, 6.0, 0.8, 4.0) for _ in range(60))
    assert learnt_hand([SongRecord("a", "", "2026-01-31", far)]).phrase_limit_db == pytest.approx(5.7, abs=0.1)
    assert learnt_hand([song(1.0, 60)]).phrase_limit_db is None


def test_aim_leans_to_where_songs_are_left_and_no_further_at_the_second_click() -> None:
    songs = [SongRecord(f"{i}", "", "2026-01-31", left_lu=lu) for i, lu in enumerate((3.4, 3.5, 3.6, 3.5, 3.5))]
    hand = learnt_hand(songs)
    assert hand.aim_lu == pytest.approx((5 * 3.5 + 3 * 2.0) / 8)
    once = hand.applied(RideSettings())
    assert hand.applied(once) == once


def test_nothing_is_learnt_from_nothing() -> None:
    hand = learnt_hand([])
    assert hand.applied(RideSettings()) == RideSettings()
