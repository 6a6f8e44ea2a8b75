"""Lost words by what is heard of them, and those that sink by their balance, each apart from the other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ridebook.check.findings import Severity, apply_cure, find
from ridebook.check.proof import LostBy, prove
from ridebook.check.standing import standing
from ridebook.exchange.report import report_of
from ridebook.measure.audibility import BANDS_N, LOST
from ridebook.measure.measures import Measures
from ridebook.ride.hearing import Hearing, hearing_of
from ridebook.ride.lane import Lane
from ridebook.ride.settings import RideSettings
from ridebook.session import edits
from ridebook.session.document import Session
from tests.check.test_findings import CELLS_N, decided, lost_word, pair
from tests.measure import bands_made
from tests.measure.bands_made import speech

LOUD_DB = 12.65
"""Normal speech at 75 dB SPL."""
WORDS = {"w1": slice(100, 200), "w2": slice(250, 400), "w3": slice(500, 650), "w4": slice(650, 800)}
KEYS = slice(12, 17)


def heard(session: Session, measures: Measures, over_db: dict[str, float], *beds: np.ndarray) -> Hearing:
    """Hearing of a voice of speech's spectrum that stands 6 dB over such a bed, or as is said."""
    voice = speech(CELLS_N, LOUD_DB)
    for word_id, balance_db in over_db.items():
        voice[WORDS[word_id]] += balance_db - 6.0
    bands = bands_made.pair(voice, *(beds or (speech(CELLS_N, LOUD_DB - 6.0),)))
    # The offset is 0: levels of the bands are levels at the ear.
    return replace(
        hearing_of(bands, measures, session.segments.words, 75.0, before=_silent(bands)), words=session.segments.words
    )


def _silent(bands) -> Hearing:
    return Hearing(bands, 75.0, 0.0, (), np.zeros(0))


def keys(session, measures, hearing):
    return [found.key for found in find(session, measures, hearing=hearing)]


def test_lost_is_what_cannot_be_heard_and_not_what_is_low():
    session, even = decided(), pair()
    # 5 dB under a bed of its own spectrum: lost, though the balance says that it stands at the aim.
    hearing = heard(session, even, {"w1": -5.0})
    (found,) = find(session, even, hearing=hearing)
    assert (found.key, found.severity, found.unit) == ("lost:w1", Severity.MUST, "audibility")
    assert found.value < found.limit == LOST
    missing_db = standing(session, even, hearing=hearing).words["w1"].missing_db
    assert missing_db == pytest.approx(1.3, abs=0.5)
    assert found.sentence == (
        f"“one” at 0:01.0 is still lost: audibility {found.value:.2f}, and 0.33 is the least. "
        f"{np.ceil(missing_db * 10) / 10:.1f} dB up would bring it back; the bed covers 400 Hz-2 kHz by 5 dB here. "
        "Or say that it is meant to be quiet."
    )
    # The other way: 6.5 LU under the aim, and heard.
    (low,) = find(session, lost_word(6.5), hearing=heard(session, lost_word(6.5), {}))
    assert (low.key, low.severity, low.unit) == ("sinks:w1", Severity.LOOK, "LU")
    assert low.sentence.startswith("“one” at 0:01.0 is heard, but sinks: it stands 6.5 LU under the aim.")
    # Without ears the balance says both at once.
    assert keys(session, lost_word(6.5), None) == ["lost:w1"]


def test_a_lost_word_that_sinks_too_is_told_once():
    session, low = decided(), lost_word(6.5)
    hearing = heard(session, low, {"w1": -5.0})
    assert keys(session, low, hearing) == ["lost:w1"]
    stands = standing(session, low, hearing=hearing)
    assert stands.words["w1"].lost
    assert stands.words["w1"].sinks


def test_the_cure_brings_it_back_and_quiet_is_never_lost():
    session, even = decided(), pair()
    hearing = heard(session, even, {"w1": -5.0, "w2": -6.0})
    (found,) = find(session, even, hearing=hearing)
    assert found.key == "lost:w1:w2"
    assert "2 words of “one two” between 0:01.0 and 0:04.0 are still lost" in found.sentence
    assert "would bring them back" in found.sentence
    assert not [key for key in keys(apply_cure(session, found), even, hearing) if key.startswith("lost")]
    assert keys(edits.set_quiet(session, ["w1", "w2"]), even, hearing) == []
    assert keys(edits.set_quiet(session, ["p1"]), even, hearing) == []
    accepted = edits.accept_finding(session, found.key, "so it is in the demo")
    assert keys(accepted, even, hearing) == []


def test_level_alone_will_not_do_it():
    session, even = decided(), pair()
    drums = speech(CELLS_N, LOUD_DB - 6.0)
    keys_bed = np.full((CELLS_N, BANDS_N), -20.0)
    drums[WORDS["w3"]] = speech(150, LOUD_DB + 4.0)
    keys_bed[WORDS["w3"], KEYS] = speech(150, LOUD_DB + 25.0)[:, KEYS]
    session = replace(session, beds=(session.beds[0], replace(session.beds[0], path="/songs/keys.wav")))
    hearing = heard(session, even, {}, drums, keys_bed)
    (found,) = find(session, even, hearing=hearing)
    assert found.key == "lost:w3"
    assert "Level alone will not do it: “keys” covers 2-6.5 kHz by 25 dB here." in found.sentence
    assert found.cure is None


def test_counts_agree_everywhere_and_say_by_what():
    session, low = decided(lane=Lane.from_pairs([(0, 0.0)])), lost_word(6.5)
    hearing = heard(session, low, {"w2": -6.0, "w4": -5.0})
    proof = prove(session, low, hearing)
    stands = standing(session, low, hearing=hearing)
    report = report_of(session, low, find(session, low, hearing=hearing), proof, hearing)
    lost = [word for phrase in report.phrases for word in phrase.words if word.lost]
    assert [word.label for word in lost] == ["two", "four"]
    assert proof.after.words_lost == len(lost) == int(stands.words.lost.sum()) == 2
    assert proof.after.words_sunk == int(stands.words.sinks.sum()) == 1
    assert stands.lost_phrases == {"p1", "p2"}
    assert proof.lost_by is LostBy.AUDIBILITY
    for word in lost:
        assert word.audibility_after is not None
        assert word.audibility_after < report.audible
        assert word.missing_db is not None
        assert word.missing_db > 0.0
        assert "would bring it back" in word.in_the_way
    by_balance = prove(session, low)
    assert (by_balance.after.words_lost, by_balance.lost_by) == (1, LostBy.BALANCE)


def test_rides_and_trim_count():
    session, even = decided(), pair()
    hearing = heard(session, even, {"w1": -5.0})
    lifted = replace(session, lane=Lane.from_pairs([(0, 3.0)]))
    stands = standing(lifted, even, hearing=hearing)
    assert not stands.words["w1"].lost
    assert stands.words["w1"].lost_before
    assert stands.words.gains_db == pytest.approx(3.0)
    trimmed = edits.set_trim(session, 3.0)
    assert not standing(trimmed, even, hearing=hearing).words["w1"].lost_before
    sunk = standing(session, even, hearing=hearing).words["w1"]
    assert 0.5 < sunk.sunk < 0.7
    # 1.3 dB are missing: half of the height and a twelfth for each of them.
    assert sunk.sunk == pytest.approx(0.5 + sunk.missing_db / 12.0)


def test_other_words_or_another_level_fall_back_to_the_balance():
    session, even = decided(), pair()
    hearing = heard(session, even, {"w1": -5.0})
    other = replace(session, settings=RideSettings(aim_lu=2.0, listening_level_db=80.0))
    assert standing(other, even, hearing=hearing).hearing is None
    fewer = replace(session, segments=replace(session.segments, words=session.segments.words[1:]))
    assert standing(fewer, even, hearing=hearing).hearing is None
    again = hearing_of(hearing.bands, even, fewer.segments.words, 75.0, hearing)
    assert again.needed_db.tolist() == hearing.needed_db[1:].tolist()


def test_no_bed_and_no_voice_are_not_lost():
    session = decided()
    nothing = pair(bed_lufs=-90.0)
    assert not standing(session, nothing, hearing=heard(session, nothing, {"w1": -20.0})).words.lost.any()
    even = pair()
    power = even.vocal.cell_power.copy()
    power[100:200] = 0.0
    silent = replace(even, vocal=replace(even.vocal, cell_power=power))
    assert not standing(session, silent, hearing=heard(session, silent, {"w1": -200.0})).words["w1"].lost
