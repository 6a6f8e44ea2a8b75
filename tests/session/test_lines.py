"""Lines by hand: new lines, lines typed anew, and the texts that follow."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from ridebook.errors import SegmentError
from ridebook.segment.spans import LOW_CONFIDENCE, Kind, Origin, Segments, Span
from ridebook.session import edits
from ridebook.session.document import State, check_session
from ridebook.session.edits.lines import followed
from tests.session.made import S, sessions, small_session, small_suggestion, span

LYRIC = "[verse]\nOne two\nthree four\n\n[chorus]\nla la"


def labels(session, kind=Kind.WORD):
    return [each.label for each in getattr(session.segments, f"{kind.value}s")]


def places(session):
    return [(each.label, each.start_n / S, each.end_n / S) for each in session.segments.words]


def line(*words):
    """A session of one line from 1 to 9 s; words as (label, start, end) in seconds."""
    spans = tuple(span(f"w{i}", "word", start_s, end_s, label) for i, (label, start_s, end_s) in enumerate(words, 1))
    text = " ".join(label for label, _, _ in words)
    return small_session(segments=Segments(phrases=(span("p1", "phrase", 1, 9, text),), words=spans))


# ---- a new line ----


def test_new_line_from_a_word_on_leaves_the_pause_to_neither():
    session = edits.ink(small_session(lyric=LYRIC), small_suggestion())
    after = edits.break_line(session, "w2")
    first, second = after.segments.phrases[:2]
    assert (first.id, first.label, first.start_n, first.end_n) == ("p1", "one", 1 * S, 2 * S)
    assert (second.label, second.start_n, second.end_n) == ("two", 2.5 * S, 4 * S)
    assert after.decision(second.id).state is State.INKED
    assert after.lane is session.lane
    assert after.lyric == "[verse]\none\ntwo\nthree four\n\n[chorus]\nla la"
    check_session(after)


@pytest.mark.parametrize("word", ["w1", "p1"])
def test_a_line_is_not_broken_before_its_first_word(word):
    with pytest.raises(SegmentError, match="begins"):
        edits.break_line(small_session(), word)


# ---- a line typed anew ----


def test_as_many_words_take_the_labels():
    after = edits.retype_line(small_session(lyric=LYRIC), "p1", " won  too ")
    assert labels(after)[:2] == ["won", "too"]
    assert [(w.start_n, w.end_n) for w in after.segments.words] == [
        (w.start_n, w.end_n) for w in small_session().segments.words
    ]
    assert all(w.origin is Origin.HAND for w in after.segments.words[:2])
    assert labels(after, Kind.PHRASE)[0] == "won too"
    assert "\nwon too\n" in after.lyric


def test_an_added_word_stands_in_the_pause_or_shares_the_word_before():
    session = line(("one", 1, 3), ("two", 6, 7), ("three", 7, 9))
    assert places(edits.retype_line(session, "p1", "one and two three")) == [
        ("one", 1, 3),
        ("and", 3, 6),
        ("two", 6, 7),
        ("three", 7, 9),
    ]
    after = edits.retype_line(session, "p1", "one two to three")
    assert [label for label, _, _ in places(after)] == ["one", "two", "to", "three"]
    assert places(after)[1][1:] == (6, pytest.approx(6 + 4 / 7, abs=1e-4))
    assert places(after)[2][2] == 7
    assert places(after)[3] == ("three", 7, 9)
    two, to = after.segments.words[1:3]
    assert two.confidence is None
    assert to.confidence < LOW_CONFIDENCE
    check_session(after)


def test_words_that_are_gone_leave_the_others_where_they_are():
    session = edits.set_quiet(line(("one", 1, 3), ("two", 6, 7), ("three", 7, 9)), ["w2"])
    after = edits.retype_line(session, "p1", "one three")
    assert places(after) == [("one", 1, 3), ("three", 7, 9)]
    assert not after.quiet_words
    assert after.segments.words[0] is session.segments.words[0]
    check_session(after)


def test_first_word_added_and_a_line_whose_words_are_not_known():
    session = line(("one", 1, 3), ("two", 3, 9))
    assert [label for label, _, _ in places(edits.retype_line(session, "p1", "oh one two"))] == ["oh", "one", "two"]
    bare = small_session(segments=Segments(phrases=(span("p1", "phrase", 1, 9),)))
    after = edits.retype_line(bare, "p1", "one two")
    assert places(after) == [("one", 1, 5), ("two", 5, 9)]
    assert all(word.doubtful for word in after.segments.words)
    check_session(after)


@pytest.mark.parametrize("at_n", [0, 5 * S, 20 * S - 1])
def test_a_line_of_one_frame_has_room_for_no_word_and_says_so(at_n):
    phrase = Span("p1", Kind.PHRASE, at_n, at_n + 1, "one")
    # A word that reaches past such a line on both sides may have its middle in it or not.
    words = [(), (Span("w1", Kind.WORD, max(0, at_n - 3), at_n + 1, "one"),), (Span("w1", Kind.WORD, at_n, at_n + 1),)]
    for own in words:
        session = small_session(segments=Segments(phrases=(phrase,), words=own))
        with pytest.raises(SegmentError, match="no room for"):
            edits.retype_line(session, "p1", "one two three")
    alone = small_session(segments=Segments(phrases=(phrase,), words=words[2]))
    assert labels(edits.retype_line(alone, "p1", "won")) == ["won"]


def test_an_empty_line_is_refused():
    for span_id, text in (("p1", "  "), ("w1", "one")):
        with pytest.raises(SegmentError, match="typed anew"):
            edits.retype_line(small_session(), span_id, text)


# ---- texts that follow ----


def test_line_and_lyric_follow_their_words():
    session = small_session(lyric=LYRIC)
    after = edits.with_texts(session, edits.rename(session, "w1", "won"))
    assert labels(after, Kind.PHRASE)[0] == "won two"
    assert after.segments.phrases[0].origin is Origin.FOUND
    assert after.lyric == LYRIC.replace("One two", "won two")
    gone = edits.with_texts(session, edits.delete_spans(session, ["p1", "w1", "w2"]))
    assert gone.lyric == LYRIC.replace("One two\n", "")
    one = edits.with_texts(session, edits.merge(session, ["p1", "p2"]))
    assert one.lyric == "[verse]\none two three four\n\n[chorus]\nla la"
    named = edits.with_texts(session, edits.rename(session, "p3", "la"))
    assert named.lyric == LYRIC.replace("three four", "three four\nla")


def test_a_line_of_its_own_wording_does_not_follow():
    session = edits.rename(small_session(), "p1", "something else")
    after = edits.with_texts(session, edits.rename(session, "w1", "won"))
    assert labels(after, Kind.PHRASE)[0] == "something else"


def test_a_border_of_a_line_that_passes_a_word_takes_it_along():
    session = small_session()
    after = edits.with_texts(session, edits.move_border(session, "p1", "end", 2 * S))
    assert labels(after, Kind.PHRASE)[:2] == ["one", "three four"]


def test_lyric_of_repeats_changes_at_its_own_place():
    lyric = "la la\nx\nla la\ny"
    assert followed(lyric, ["la la", "x", "la la", "y"], ["la la", "x", "la lo", "y"]) == "la la\nx\nla lo\ny"
    assert followed(lyric, ["nothing like it"], ["else"]) == lyric
    assert followed("", ["a"], ["b"]) == ""


# ---- doubt ----


def doubtful():
    words = tuple(Span(f"w{i}", Kind.WORD, i * S, (i + 1) * S, str(i), Origin.LYRIC, 0.2) for i in range(1, 4))
    return small_session(segments=Segments(words=words))


def doubts(session):
    return [word.doubtful for word in session.segments.words]


def test_moving_a_start_ends_its_doubt_and_moving_an_end_that_of_the_next():
    session = doubtful()
    assert doubts(session) == [True, True, True]
    assert doubts(edits.move_border(session, "w2", "start", round(2.1 * S))) == [True, False, True]
    assert doubts(edits.move_border(session, "w2", "end", round(2.9 * S))) == [True, True, False]
    assert doubts(edits.move_border(session, "w3", "end", round(3.9 * S))) == [True, True, True]
    assert doubts(edits.rename(session, "w1", "x")) == [True, True, True]


def test_confirming_ends_the_doubt_and_holds_the_word():
    session = doubtful()
    after = edits.confirm(session, ["w1", "w3"])
    assert doubts(after) == [False, True, False]
    assert [word.origin for word in after.segments.words] == [Origin.HAND, Origin.LYRIC, Origin.HAND]
    assert edits.confirm(after, ["w1"]) is after
    with pytest.raises(SegmentError):
        edits.confirm(session, ["w9"])


def test_split_and_merge_keep_the_doubt_of_the_first_start():
    session = doubtful()
    assert doubts(edits.split(session, "w1", round(1.5 * S))) == [True, False, True, True]
    assert doubts(edits.merge(session, ["w1", "w2"])) == [True, True]


def test_room_is_the_longest_free_part():
    session = small_session()
    assert edits.room_for(session, Kind.PHRASE, 7 * S, 12 * S) == (8 * S, 11 * S)
    assert edits.room_for(session, Kind.PHRASE, -S, 99 * S) == (8 * S, 11 * S)
    assert edits.room_for(session, Kind.WORD, -S, 99 * S) == (8 * S, 20 * S)
    assert edits.room_for(session, Kind.PHRASE, 2 * S, 3 * S) is None
    assert edits.room_for(session, Kind.PHRASE, 19 * S, 25 * S) == (19 * S, 20 * S)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.filter_too_much])
@given(sessions(), st.text("ab c", min_size=1, max_size=12), st.data())
def test_any_line_can_be_typed_anew_and_nothing_else_changes(session, text, data):
    phrases = session.segments.phrases
    assume(phrases and text.split())
    phrase = data.draw(st.sampled_from(phrases))
    after, refused = None, ""
    try:
        after = edits.retype_line(session, phrase.id, text)
    except SegmentError as error:
        refused = str(error)
    if after is None:
        assert "there is no room" in refused  # where words have but a few frames, or others lie in the line
        return
    check_session(after)
    assert after.lane is session.lane
    assert edits.span_of(after, phrase.id).label == " ".join(text.split())
    inside = session.segments.words_of(phrase)
    others = [word for word in session.segments.words if word not in inside]
    assert [word for word in after.segments.words if word in others] == others


@settings(max_examples=30, deadline=None)
@given(sessions())
def test_words_of_all_phrases_at_once_are_those_of_each(session):
    segments = session.segments
    assert segments.words_by_phrase() == {phrase.id: segments.words_of(phrase) for phrase in segments.phrases}
