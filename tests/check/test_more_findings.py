"""Findings about lifts, pumping, repeats, spread, density and sources: each with a case that has it and it alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ridebook.check.findings import Severity, apply_cure, find
from ridebook.check.source_faults import OnsetFit, SourceHealth, onset_fit
from ridebook.errors import SettingError
from ridebook.measure.measures import Measures, StemMeasures
from ridebook.ride.lane import Lane
from ridebook.ride.settings import RideSettings
from ridebook.segment.spans import Segments
from ridebook.session import edits
from ridebook.session.document import Decision, State
from tests.check.test_findings import CELLS_N, decided, keys, lost_word, move, pair, stem
from tests.session.made import S, small_session, small_suggestion, span
from tests.timing import best_cpu_s

WIDE = RideSettings(aim_lu=2.0, band_lu=6.0)


def only(session, measures, **more):
    (found,) = find(session, measures, **more)
    return found


def cured(session, found, measures):
    """What is left of a finding once its cure is applied."""
    after = apply_cure(session, found, small_suggestion())
    return [key for key in keys(after, measures) if key.partition(":")[0] == found.key.partition(":")[0]]


# ---- several of a kind are one sentence, and cures ----


def test_neighbours_in_a_section_are_told_together_and_acceptance_holds_for_what_is_left_of_them():
    session, measures = decided(), pair(p3=4.0, p4=4.3)
    found = only(session, measures)
    assert found.key == "band:p3:p4"
    assert found.value == pytest.approx(2.3, abs=0.01)
    assert found.sentence == (
        "2 phrases of the chorus between 0:11.0 and 0:18.0 stand 2.0 to 2.3 LU over the aim, outside its band of "
        "1.5 LU. Lower each by what it is off, or look at the trim or the section's aim."
    )
    accepted = edits.accept_finding(session, found.key, "as on the demo")
    assert keys(accepted, measures) == []
    assert keys(accepted, pair(p3=4.0)) == []
    assert keys(accepted, pair(p2=4.0, p3=4.0)) == ["band:p2"]


def test_a_nudge_brings_phrases_into_the_band():
    session, measures = decided(), pair(p3=4.0, p4=4.3)
    after = apply_cure(session, only(session, measures))
    assert keys(after, measures) == []
    assert after.lane.gain_db_at([12 * S, 16 * S]) == pytest.approx([-1.3, -1.6])


def test_lost_words_of_a_phrase_are_told_together_and_raised():
    measures = pair()
    power = measures.vocal.cell_power.copy()
    power[500:650] *= 10**-0.7
    power[650:800] *= 10**-0.8
    measures = replace(measures, vocal=StemMeasures(S, 20 * S, power))
    session = decided(settings=RideSettings(aim_lu=2.0, band_lu=6.0))
    found = next(each for each in find(session, measures) if each.key.startswith("lost"))
    assert (found.key, found.severity) == ("lost:w3:w4", Severity.MUST)
    assert found.sentence.startswith("2 words of “three four” between 0:05.0 and 0:08.0 are still lost: they stand 7.0")
    assert cured(session, found, measures) == []


@pytest.mark.parametrize(
    ("session", "measures"),
    [
        (decided(), lost_word(6.5)),
        (decided(lane=move(5.5, 3.0, 0.04), settings=WIDE), pair()),
        (decided(lane=move(4.7, 2.0, 0.005), settings=WIDE), pair()),
        (decided(lane=Lane.from_pairs([(-S, 1.0), (0, 0.0), (21 * S, 1.0)]), settings=WIDE), pair()),
        (decided(decisions={}, lane=Lane()), pair()),
    ],
    ids=["lost", "lurch", "step", "beyond", "open"],
)
def test_a_key_cures(session, measures):
    found = find(session, measures)[0]
    assert found.cure is not None
    assert cured(session, found, measures) == []


def test_a_peak_is_cured_by_the_trim_and_a_mix_is_left_to_the_engineer():
    stem_peak, mix_peak = find(decided(), pair(), {"ridden stem": 0.5, "mix": 0.5})[::-1]
    assert apply_cure(decided(), stem_peak).trim_db == pytest.approx(-1.5)
    assert mix_peak.cure is None
    with pytest.raises(SettingError, match="no key cures this"):
        apply_cure(decided(), mix_peak)


# ---- lifted breaths, sibilants, plosives and pauses ----


def noisy(session=None):
    """The pair with a breath at 4.2 s, a plosive and a sibilant in w4 and bleed in all pauses, all of it told."""
    measures = pair()
    power = measures.vocal.cell_power.copy()
    power[power < 1e-9] = 10**-5.5
    power[420:450] = 10**-4.0
    segments = small_session().segments
    segments = replace(
        segments,
        breaths=(span("b1", "breath", 4.2, 4.5),),
        sibilants=(span("x1", "sibilant", 7, 7.2),),
        plosives=(span("t1", "plosive", 6.8, 6.86, "pop"),),
    )
    return replace(measures, vocal=StemMeasures(S, 20 * S, power)), segments


def lane_s(*pairs):
    return Lane.from_pairs([(round(s * S), db) for s, db in pairs])


@pytest.mark.parametrize(
    ("key", "fault", "near_miss"),
    [
        ("breath:b1", [(4.0, 0), (4.15, 1.8), (4.5, 1.8), (5, 2)], [(4.0, 0), (4.6, 0), (4.8, 2)]),
        ("sibilant:x1", [(6.95, 0), (7.0, 1.7), (7.2, 1.7), (7.25, 0)], [(6.8, 0), (6.95, 1.7), (7.25, 1.7), (7.4, 0)]),
        (
            "plosive:t1",
            [(6.75, 0), (6.79, 1.7), (6.87, 1.7), (6.91, 0)],
            [(6.6, 0), (6.7, 1.7), (6.87, 1.7), (6.91, 0)],
        ),
        ("pause:p3", [(8.5, 0), (9, 1.6), (10, 1.6), (10.5, 0)], [(8.5, 0), (9, 1.4), (10, 1.4), (10.5, 0)]),
    ],
)
def test_noise_that_is_lifted_over_its_neighbours(key, fault, near_miss):
    measures, segments = noisy()
    session = decided(segments=segments, settings=WIDE, lane=lane_s((0, 0), *fault))
    found = only(session, measures)
    assert (found.key, found.severity, found.limit) == (key, Severity.LOOK, 1.5)
    assert 1.5 < found.value <= 2.0
    assert cured(session, found, measures) == []
    assert keys(decided(segments=segments, settings=WIDE, lane=lane_s((0, 0), *near_miss)), measures) == []


def test_a_silent_pause_is_not_bleed_and_a_breath_in_it_is_told_once():
    measures, segments = noisy()
    lifted = decided(segments=segments, settings=WIDE, lane=lane_s((4.0, 0), (4.15, 1.8), (4.5, 1.8), (4.9, 0)))
    assert keys(lifted, measures) == ["breath:b1"]
    silent = pair()
    lane = lane_s((8.5, 0), (9, 1.6), (10, 1.6), (10.5, 0))
    assert keys(decided(segments=segments, settings=WIDE, lane=lane), silent) == []


# ---- pumping, repeats, spread ----


def of_words(own_lu, bed_lu, lane_db, *, label="verse"):
    """One phrase of one-second words, each with a level, a bed and a ride of its own."""
    words_n = len(own_lu)
    cells = slice(50, 50 + 100 * words_n)
    voice, bed = np.full(CELLS_N, -120.0), np.full(CELLS_N, -22.0)
    voice[cells] = -20.0 + np.repeat(own_lu, 100)
    bed[cells] = -22.0 + np.repeat(bed_lu, 100)
    words = tuple(span(f"w{i}", "word", 0.5 + i, 1.5 + i) for i in range(words_n))
    whole = span("p1", "phrase", 0.5, 0.5 + words_n)
    segments = Segments((span("s1", "section", 0, 20, label),), (whole,), words)
    points = [(round((0.5 + i + at) * S), db) for i, db in enumerate(lane_db) for at in (0.02, 0.98)]
    settings = RideSettings(aim_lu=2.0, band_lu=6.0, lost_lu=20.0)
    decisions = {"p1": Decision(State.INKED)}
    session = small_session(segments=segments, decisions=decisions, settings=settings, lane=Lane.from_pairs(points))
    beds = stem(bed)
    return session, Measures(stem(voice), (beds,), beds)


BED_LU = np.array([0, 2, -2, 1.5, -1, 2, -2, 0, 1, -1.5, 2, -2.0])


def test_rides_that_repeat_the_bed_pump():
    found = only(*of_words(np.zeros(12), BED_LU, BED_LU * 0.8))
    assert (found.key, found.severity, found.limit) == ("pump:s1", Severity.LOOK, 0.8)
    assert found.value == pytest.approx(1.0, abs=0.02)
    assert "by 0.79 dB for each dB of it (correlation 1.00)" in found.sentence


def test_rides_that_follow_a_part_or_even_the_singer_do_not():
    assert keys(*of_words(np.zeros(12), BED_LU, BED_LU * 0.4)) == []
    # A singer who sinks where the bed is loud, and is brought level: the ride is the bed's shape, the vocal is even.
    assert keys(*of_words(-BED_LU * 2, BED_LU, BED_LU * 0.9)) == []
    other = np.roll(BED_LU, 5)
    assert keys(*of_words(np.zeros(12), BED_LU, other * 0.8)) == []


def two_choruses(by_lu, labels=("chorus", "chorus")):
    segments = small_session().segments
    sections = tuple(replace(section, label=label) for section, label in zip(segments.sections, labels))
    half = by_lu / 2
    measures = pair(p1=2 + half, p2=2 + half, p3=2 - half, p4=2 - half)
    return decided(segments=replace(segments, sections=sections)), measures


def test_repeats_that_differ_are_asked_about():
    session, measures = two_choruses(2.0)
    found = only(session, measures)
    assert (found.key, found.severity, found.limit) == ("differ:s2", Severity.LOOK, -1.5)
    assert found.value == pytest.approx(-2.0, abs=0.01)
    assert found.sentence == (
        "The chorus at 0:10.0 stands 2.0 LU under the chorus at 0:00.0, each against its aim. Is that meant?"
    )
    assert cured(session, found, measures) == []
    assert keys(*two_choruses(2.0, ("Chorus 1", "chorus 2"))) == ["differ:s2"]
    # Sections without a name that were heard to sing the same.
    session, measures = two_choruses(2.0, ("", ""))
    assert keys(session, measures) == []
    alike = tuple(replace(section, repeats="A") for section in session.segments.sections)
    assert keys(replace(session, segments=replace(session.segments, sections=alike)), measures) == ["differ:s2"]


def test_repeats_that_agree_or_are_none_are_not():
    assert keys(*two_choruses(1.4)) == []
    assert keys(*two_choruses(2.0, ("verse", "chorus"))) == []
    assert keys(*two_choruses(2.0, ("", ""))) == []
    session, measures = two_choruses(2.0)
    assert keys(edits.set_section_aim(session, "s1", 3.0), measures) == []


def test_a_take_of_words_that_jump_is_too_uneven_to_ride():
    jumps = np.tile([0.0, -6.5], 7)
    flat = np.zeros(14)
    found = only(*of_words(jumps, flat, flat))
    assert (found.key, found.limit, found.unit) == ("spread:song", 6.0, "LU")
    assert found.value == pytest.approx(6.5, abs=0.01)
    # What one in five does is a singer's way; and so is what the rides leave of less.
    assert keys(*of_words(np.tile([0.0, -5.5], 7), flat, flat)) == []
    assert keys(*of_words(np.where(np.arange(14) % 9 == 4, -9.0, 0.0), flat, flat)) == []


# ---- density and length of the lane ----


def test_a_lane_with_a_point_each_tenth_of_a_second_is_too_dense_and_can_be_thinned():
    wave = [(5 + i / 10, 0.1 * (i % 2)) for i in range(30)]
    session = decided(lane=lane_s((0, 0), *wave))
    found = only(session, pair())
    assert (found.key, found.value, found.limit) == ("dense:lane", 10.0, 8.0)
    assert "Thin the lane by 0.25 dB" in found.sentence
    assert cured(session, found, pair()) == []
    near = [(5 + i / 7.9, 0.1 * (i % 2)) for i in range(24)]
    assert keys(decided(lane=lane_s((0, 0), *near)), pair()) == []


def long_song(states):
    """Ten phrases of which the first four ride, all of one state or another."""
    phrases = tuple(span(f"p{i}", "phrase", 2 * i, 2 * i + 1.5) for i in range(10))
    voice = np.full(CELLS_N, -20.0)
    bed = stem(np.full(CELLS_N, -22.0))
    points = [(2 * i + at, 0.5 * (at in (0.5, 1.0))) for i in range(4) for at in (0.1, 0.5, 1.0, 1.4)]
    decisions = {phrase.id: Decision(states[phrase.id > "p3"]) for phrase in phrases}
    return decided(segments=Segments(phrases=phrases), decisions=decisions, lane=lane_s(*points)), Measures(
        stem(voice), (bed,), bed
    )


def test_a_drawn_lane_that_ends_long_before_the_song_may_be_cut():
    found = only(*long_song((State.DRAWN, State.DRAWN)))
    assert (found.key, found.severity, found.unit) == ("short:lane", Severity.LOOK, "s")
    assert found.value == pytest.approx(7.4)
    assert found.sentence.startswith("The lane ends at 0:07.4 and 6 phrases follow, to 0:19.5.")


def test_a_lane_that_was_decided_to_end_or_ends_near_the_end_is_whole():
    assert keys(*long_song((State.INKED, State.INKED))) == []
    session, measures = long_song((State.DRAWN, State.DRAWN))
    near_end = replace(session, lane=lane_s(*((2 * i + at, 0.0) for i in range(7) for at in (0.1, 0.5, 1.4))))
    assert keys(near_end, measures) == []
    assert keys(replace(session, lane=lane_s((3, 0.5))), measures) == []  # one point is a trim, not rides


# ---- sources ----


WELL = SourceHealth(peak_dbfs=-6.0, offset=0.001, sides=0.2, shared=0.1, onsets=OnsetFit(0.2, 0.22, 0.5, 0.01))


def test_sound_sources_are_quiet():
    assert keys(decided(), pair(), health=WELL) == []


@pytest.mark.parametrize(
    ("fault", "near_miss", "key", "severity"),
    [
        (
            {"clipped": ((S, S + 5), (2 * S, 2 * S + 4), (9 * S, 9 * S + 3))},
            {"clipped": ((S, S + 5), (2 * S, 2 * S + 4))},
            "clipped:vocal",
            Severity.LOOK,
        ),
        ({"offset": -0.004}, {"offset": -0.0029}, "offset:vocal", Severity.LOOK),
        ({"sides": -0.6}, {"sides": -0.4}, "sides:vocal", Severity.MUST),
        ({"shared": 0.4}, {"shared": 0.2}, "shared:bed", Severity.MUST),
        ({"shared": -0.4}, {"shared": -0.2}, "shared:bed", Severity.MUST),
        (
            {"onsets": OnsetFit(0.05, 0.2, -0.21, 0.01)},
            {"onsets": OnsetFit(0.11, 0.2, -0.21, 0.01)},
            "aligned:pair",
            "look",
        ),
        (
            {"onsets": OnsetFit(0.0, 0.09, 0.4, 0.01)},
            {"onsets": OnsetFit(0.0, 0.07, 0.4, 0.01)},
            "aligned:pair",
            "look",
        ),
        ({"changed": ("vocal.wav",)}, {"changed": ()}, "stale:vocal.wav", Severity.MUST),
    ],
)
def test_a_fault_of_a_source(fault, near_miss, key, severity):
    found = only(decided(), pair(), health=replace(WELL, **fault))
    assert (found.key, found.severity) == (key, severity)
    assert found.cure is None
    assert abs(found.value) > abs(found.limit) or key == "clipped:vocal"
    assert keys(decided(), pair(), health=replace(WELL, **near_miss)) == []


def test_the_words_about_sources():
    def said(**fault):
        return only(decided(), pair(), health=replace(WELL, **fault)).sentence

    assert "clipped at -6.0 dBFS in 3 places, first at 0:01.0, 0:02.0" in said(
        clipped=((S, S + 5), (2 * S, 2 * S + 4), (2 * S + 9, 2 * S + 12))
    )
    assert "(DC) of +0.4 % of full scale" in said(offset=0.004)
    assert "with its polarity turned over (correlation -0.40), so that the vocal is cancelled" in said(shared=-0.4)
    assert "with the vocal 0.21 s earlier" in said(onsets=OnsetFit(0.0, 0.2, -0.21, 0.01))


def test_onsets_meet_where_they_were_put():
    rng = np.random.default_rng(3)
    hits = np.sort(rng.choice(np.arange(50, 5900), 150, replace=False))
    level = np.full(6000, -60.0)
    for hit in hits:
        level[hit : hit + 12] = -20.0
    noise = rng.normal(0.0, 1.0, (2, 6000))
    vocal = StemMeasures(S, 60 * S, 10 ** ((level + noise[0]) / 10))
    for by in (0, 13, -40):
        bed = StemMeasures(S, 60 * S, 10 ** ((np.roll(level, by) + noise[1]) / 10))
        fit = onset_fit(Measures(vocal, (bed,), bed))
        assert fit.move_s == pytest.approx(by / 100)
        assert fit.best > 8 * fit.chance
        assert (fit.here < 0.5 * fit.best) is (by != 0)
    silent = StemMeasures(S, 60 * S, np.zeros(6000))
    assert onset_fit(Measures(vocal, (silent,), silent)) is None


def test_findings_about_many_spans_are_quick_enough_to_follow_an_edit():
    """As many spans as five minutes hold; an edit and its findings may take a second."""

    words = tuple(span(f"w{i}", "word", 0.02 * i, 0.02 * i + 0.018) for i in range(900))
    phrases = tuple(span(f"p{i}", "phrase", 0.2 * i, 0.2 * i + 0.19) for i in range(90))
    points = [(0.05 * i, float(np.sin(i))) for i in range(380)]
    session = decided(segments=Segments((), phrases, words), decisions={}, lane=lane_s(*points))
    assert find(session, pair())
    assert best_cpu_s(lambda: find(session, pair()), rounds_n=3) < 1.0
