"""What is in the way: the right region, the right bed, the right cure."""

import numpy as np
import pytest

from ridebook.check.finding import up
from ridebook.check.in_the_way import REGION_COLUMNS, Obstacle, Region, obstacles, sentence
from ridebook.measure.audibility import BANDS_N, LOST, NO_NOISE_DB
from ridebook.measure.bands import COLUMNS_N, EDGES_HZ
from tests.measure.bands_made import CELL_N, pair, speech

WORD = np.array([0]), np.array([30 * CELL_N])
KEYS = slice(12, 17)
"""Bands of nominal 2.5 to 6.3 kHz."""


def wall(level_db: float, bands: slice) -> np.ndarray:
    """A bed that has the spectrum of speech in some bands and next to nothing in the others."""
    bed = np.full((30, BANDS_N), -20.0)
    bed[:, bands] = speech(30, level_db)[:, bands]
    return bed


def obstacle(*beds_db: np.ndarray, gain_db: float = 0.0) -> Obstacle:
    return obstacles(pair(speech(30), *beds_db), *WORD, 0.0, gain_db)[0]


def test_regions_take_all_columns_at_the_nearest_borders() -> None:
    # Borders of the regions: common practice, no source.
    taken = [column for columns in REGION_COLUMNS.values() for column in range(COLUMNS_N)[columns]]
    assert taken == list(range(COLUMNS_N))
    for (_, columns), border_hz in zip(list(REGION_COLUMNS.items())[1:], (90, 400, 2000, 6500), strict=True):
        distances = np.abs(np.log(np.array(EDGES_HZ) / border_hz))
        assert columns.start == int(distances.argmin())


def test_a_wall_over_the_consonants_is_told_from_a_low_word() -> None:
    found = obstacle(wall(14.0, KEYS))
    assert found.region is Region.ARTICULATION
    assert found.alone
    assert found.cover_db == pytest.approx(14.0, abs=0.1)
    assert not found.lost
    assert sentence(found) == "heard, but the bed covers 2-6.5 kHz by 14 dB here"
    low = obstacle(speech(30, 6.0))
    assert low.lost
    assert not low.alone
    assert low.cover_db == pytest.approx(6.0, abs=0.1)
    assert low.needed_db == pytest.approx(2.2, abs=0.4)
    assert sentence(low, allowed_db=4.0) == (
        f"{up(low.needed_db):.1f} dB up would bring it back; the bed covers 400 Hz-2 kHz by 6 dB here"
    )
    assert sentence(low, allowed_db=1.0) == "level alone will not do it: the bed covers 400 Hz-2 kHz by 6 dB here"


def test_a_wall_that_no_ride_gets_over() -> None:
    found = obstacle(wall(40.0, slice(5, 17)))
    assert found.lost
    assert found.needed_db is None
    assert sentence(found).startswith("level alone will not do it: the bed covers 400 Hz-2 kHz by 40 dB")


def test_the_bed_that_covers_is_named() -> None:
    keys, drums = wall(9.0, KEYS), wall(3.0, slice(3, 8))
    found = obstacle(drums, keys)
    assert found.region is Region.ARTICULATION
    assert found.bed == 1
    assert sentence(found, ["drums", "keys"]) in ("", "heard, but “keys” covers 2-6.5 kHz by 9 dB here")
    assert obstacle(keys).bed is None
    assert obstacle(keys, keys, keys).bed is None
    assert obstacle(keys - 12.0, keys).bed == 1


def test_a_hit_does_not_cover() -> None:
    hit = np.full((30, BANDS_N), NO_NOISE_DB)
    hit[14:16] = speech(2, 20.0)
    found = obstacle(hit)
    assert not found.lost
    assert found.needed_db == 0.0
    assert not found.alone
    assert found.cover_db < -20.0
    assert sentence(found) == ""


def test_low_bed_is_never_what_hides_the_words() -> None:
    bands = pair(speech(30), speech(30, -10.0))
    bands.bed.power[:, :1] = 1e12
    found = obstacles(bands, *WORD, 0.0)[0]
    rumble = found.regions[0]
    assert rumble.region is Region.RUMBLE
    assert rumble.cover_db > 40.0
    assert rumble.heard == 1.0
    assert found.region is not Region.RUMBLE


def test_gain_counts() -> None:
    before, after = obstacle(speech(30, 6.0)), obstacle(speech(30, 6.0), gain_db=3.0)
    assert after.audibility > LOST > before.audibility
    assert after.cover_db == pytest.approx(before.cover_db - 3.0, abs=1e-3)
    assert before.needed_db is not None
    assert before.needed_db < 3.0
    assert obstacles(pair(speech(30), speech(30)), np.zeros(0, int), np.zeros(0, int), 0.0) == ()


def test_each_word_has_its_own() -> None:
    bed = np.concatenate([wall(14.0, KEYS), speech(30, 6.0), speech(30, -20.0)])
    starts = np.arange(3) * 30 * CELL_N
    found = obstacles(pair(speech(90), bed), starts, starts + 30 * CELL_N, 0.0)
    assert [each.lost for each in found] == [False, True, False]
    assert [each.alone for each in found] == [True, False, False]
