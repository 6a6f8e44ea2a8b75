"""The estimate of the voice's standing on a real song in stems, and on real singers over its bed.

Source: "Falcon 69" by The Easton Ellises as it ships with stempeg 0.2.6 (six seconds; no commercial use), and two
recordings of vocadito (CC BY 4.0); both downloaded, see tests/registry.py.
"""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from ridebook.measure.centre import CentreAccumulator, CentreEstimate, centre_balance
from ridebook.work.reference import learn_from_mix, learn_from_pair, noted, reference_pair
from tests.registry import NotThereError, StemSong, solo_singing, song_in_stems
from tests.wide_beds import in_a_room

pytestmark = pytest.mark.registry

RATE_HZ = 44_100


@pytest.fixture(scope="module")
def song() -> StemSong:
    try:
        return song_in_stems()
    except NotThereError as error:
        pytest.skip(str(error))


def test_the_finished_mix_tells_what_its_stems_measure(song: StemSong) -> None:
    measured = learn_from_pair(reference_pair(song.vocal, song.beds))
    estimated = learn_from_mix(noted(song.mix))
    assert measured.known.balance_lu is not None
    assert measured.known.half_width_lu == 0.0
    assert estimated.known.balance_lu is not None
    assert abs(estimated.known.balance_lu - measured.known.balance_lu) <= estimated.known.half_width_lu


def test_real_singers_over_a_real_bed_from_minus_five_to_five(song: StemSong, tmp_path: Path) -> None:
    bed = sum(soundfile.read(path)[0] for path in song.beds)
    bed_path, vocal_path = tmp_path / "bed.wav", tmp_path / "vocal.wav"
    errors, halves = [], []
    for seed, path in enumerate(solo_singing()):
        vocal = in_a_room(soundfile.read(path)[0], RATE_HZ, seed)
        under = np.tile(bed, (-(-len(vocal) // len(bed)), 1))[: len(vocal)]
        soundfile.write(bed_path, under, RATE_HZ, subtype="FLOAT")
        soundfile.write(vocal_path, vocal, RATE_HZ, subtype="FLOAT")
        was_lu = learn_from_pair(reference_pair(vocal_path, [bed_path])).known.balance_lu
        assert was_lu is not None
        for wanted_lu in (-5.0, 0.0, 5.0):
            estimate = estimated(vocal * 10.0 ** ((wanted_lu - was_lu) / 20.0) + under)
            assert estimate.balance_lu is not None
            errors.append(estimate.balance_lu - wanted_lu)
            halves.append(estimate.half_width_lu)
    covered = np.abs(errors) <= halves
    # Nine in ten over many songs: of six, one may lie outside.
    assert covered.sum() >= 5, errors
    assert abs(np.mean(errors)) < 2.0, errors


def estimated(mix: np.ndarray) -> CentreEstimate:
    gathered = CentreAccumulator(RATE_HZ)
    gathered.feed(mix)
    return centre_balance(gathered.finish())
