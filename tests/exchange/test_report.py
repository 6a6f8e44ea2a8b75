"""The report: what it holds, that it comes back from its JSON, and that the sheet says nothing that is not in it."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from ridebook.check.findings import find
from ridebook.check.proof import Metered, Outputs, prove
from ridebook.exchange.report import Report, report_from_json, report_json, report_of
from ridebook.exchange.report_page import report_html
from ridebook.exchange.sheet_content import (
    MINUS,
    Mark,
    SheetContent,
    balance_limits,
    clock,
    lane_line,
    sheet_content,
    signed,
)
from ridebook.ride.lane import Lane
from ridebook.session import edits
from ridebook.session.document import Decision, State
from tests.check.test_findings import decided, lost_word
from tests.session.made import S

METERS = Outputs(Metered(-23.4, 5.25, -4.9), Metered(-19.06, 7.0, None))
NUMBER = re.compile("[-+\N{MINUS SIGN}]?\\d+(?:[.:]\\d+)*")


def made_report() -> Report:
    """Lost word, struck, drawn and open phrases, a note, an acceptance, an aim of its own."""
    session = decided(
        title="Low <Water> & more",
        note="Second take",
        lane=Lane.from_pairs([(5 * S, 0.0), (5 * S + 2400, -1.26), (8 * S, -1.26), (9 * S, 0.0)]),
        decisions={"p1": Decision(State.STRUCK, note="as sung"), "p2": Decision(State.DRAWN, locked=True)},
        trim_db=0.34,
    )
    session = edits.accept_finding(edits.set_section_aim(session, "s2", 3.0), "band:p4", "a whisper")
    measures = lost_word(7.2)
    proof = replace(prove(session, measures), rendered_before=METERS, rendered_after=METERS)
    proof = replace(proof, references=(("record.flac", Metered(-9.8, 4.4, -0.3)),))
    return report_of(session, measures, find(session, measures), proof)


def texts_of(content: SheetContent) -> list[str]:
    """Everything that is printed as text."""
    figures = [each for line in (*content.counts, *content.meters) for each in (line.name, line.before, line.after)]
    rows = [row for block in content.blocks for row in block.rows]
    lyric = [word.text for row in rows for word in row.words]
    margin = [each for row in rows for each in (row.time, row.ride, row.balance, row.note)]
    findings = [each for line in content.findings for each in (line.time, line.sentence)]
    headings = [block.heading for block in content.blocks]
    return [content.title, *content.about, *figures, *headings, *lyric, *margin, *findings, *content.notes]


def numbers_known(value: object) -> set[str]:
    """Every number of a JSON value as it might be printed, and those in its texts."""
    if isinstance(value, dict):
        return set().union(*map(numbers_known, value.values()), *map(numbers_known, value))
    if isinstance(value, list):
        return set().union(*map(numbers_known, value)) if value else set()
    if isinstance(value, str):
        return set(NUMBER.findall(value))
    if isinstance(value, bool) or value is None:
        return set()
    plain = {f"{value:.1f}", f"{value:g}", f"{100 * value:.0f}", f"{value / 1000:g}", clock(abs(value))}
    return plain | {text.replace("-", MINUS) for text in plain} | {signed(value)}


def test_every_number_on_the_sheet_is_in_the_json():
    report = made_report()
    known = numbers_known(json.loads(report_json(report)))
    printed = [number for text in texts_of(sheet_content(report)) for number in NUMBER.findall(text)]
    assert len(printed) > 45
    assert [number for number in printed if number not in known] == []


def test_a_wrong_number_would_be_seen():
    known = numbers_known(json.loads(report_json(made_report())))
    assert not {"12.7", "+8.8", "3:45.6"} & known


def test_the_report_comes_back_from_its_json_and_names_places_in_frames_and_seconds():
    report = made_report()
    assert report_from_json(report_json(report)) == report
    told = json.loads(report_json(report))
    assert told["findings"][0]["key"] == "lost:w1"
    assert told["findings"][0]["start_s"] == pytest.approx(told["findings"][0]["start_n"] / S)
    assert told["findings"][0]["cure"]["kind"] == "nudge"
    assert told["proof"]["before"]["words_lost"] == 1
    assert told["proof"]["rendered_after"]["mix"]["true_peak_dbtp"] is None


def test_rows_of_the_sheet_carry_marks_lost_words_and_notes():
    content = sheet_content(made_report())
    verse, chorus = content.blocks
    assert (verse.heading, chorus.heading) == ("verse", "chorus · aim +3.0 LU")
    first, second = verse.rows
    assert [(word.text, word.lost) for word in first.words] == [("one", True), ("two", False)]
    assert (first.mark, first.note) == (Mark.STRUCK, "as sung")
    assert (second.mark, second.locked, second.ride) == (Mark.DRAWN, True, f"{MINUS}1.2")
    assert [row.mark for row in chorus.rows] == [Mark.OPEN, Mark.OPEN]
    assert [word.text for word in chorus.rows[0].words] == ["phrase 3"]  # no words are known there
    assert content.notes == ("Second take", "Accepted: band \N{EN DASH} a whisper")
    assert content.findings[0].must


def test_pictures_show_all_of_the_lane_and_no_balance_beyond_reason():
    report = made_report()
    line = lane_line(report)
    assert line[0] == (0.0, 0.0)
    assert line[-1] == (20.0, 0.0)
    assert lane_line(replace(report, lane=())) == [(0.0, 0.0), (20.0, 0.0)]
    low_lu, high_lu = balance_limits(report)
    far = replace(report.phrases[0], balance_after_lu=-60.0)
    assert low_lu < report.aim_lu < high_lu
    assert balance_limits(replace(report, phrases=(far,))) == (report.aim_lu - 12.0, report.aim_lu + 12.0)


class _Page(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.text = [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text.append(data)


def test_the_page_needs_nothing_else_and_says_the_same():
    report = made_report()
    page = _Page()
    page.feed(report_html(report))
    assert not [attrs for _, attrs in page.tags if {"src", "href"} & attrs.keys()]
    assert "script" not in {tag for tag, _ in page.tags}
    assert "url(" not in report_html(report)
    text = "".join(page.text)
    assert "Low <Water> & more" in text
    for finding in report.findings:
        assert finding.sentence in text
    for line in (*sheet_content(report).counts, *sheet_content(report).meters):
        assert line.after in text


def test_a_song_without_segments_or_bed_has_a_report():
    from ridebook.segment.spans import Segments
    from tests.check.test_findings import pair

    bare = decided(segments=Segments(), decisions={})
    report = report_of(bare, pair(bed_lufs=-90.0), (), prove(bare, pair(bed_lufs=-90.0)))
    assert report.phrases == ()
    assert "No findings" in report_html(report)
    quiet = report_of(decided(), pair(bed_lufs=-90.0), (), prove(decided(), pair(bed_lufs=-90.0)))
    assert {row.balance for block in sheet_content(quiet).blocks for row in block.rows} == {"\N{EN DASH}"}
