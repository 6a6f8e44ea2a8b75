import json
import os
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as runs
from hypothesis import strategies as st

import ridebook.audio.output
from ridebook.audio.files import file_sha256
from ridebook.errors import (
    OutputError,
    OutputExistsError,
    OutputIsSourceError,
    SegmentError,
    SessionChangedError,
    SessionUnreadableError,
    SettingError,
)
from ridebook.ride.lane import Lane
from ridebook.segment.spans import Segments, Span
from ridebook.session.document import Decision, Follower, ReferencePair, State
from ridebook.session.edits import ink
from ridebook.session.file import (
    load_session,
    locate,
    missing_sources,
    read_session,
    save_session,
    session_from_text,
    session_text,
)
from tests.session.made import S, sessions, small_session, small_suggestion, source, span


@given(session=sessions(), where=st.sampled_from(["/songs/x.ridebook", "/songs/one/x.ridebook", "/a/b/x.ridebook"]))
@runs(max_examples=50, deadline=None)
def test_what_was_written_is_read_back(session, where):
    text = session_text(session, Path(where)).encode("utf-8", "backslashreplace")
    assert session_from_text(text, Path(where)) == session


def test_text_is_plain_json_with_an_item_a_line(tmp_path):
    session = ink(small_session(lyric="one two\n\nthree"), small_suggestion(), ["p1"])
    path = tmp_path / "song.ridebook"
    save_session(session, path)
    text = path.read_text(encoding="utf-8")
    assert json.loads(text)["format"] == "ridebook-session"
    assert json.loads(text)["version"] == 3
    assert '\n    {"id": "w3", "kind": "word", "start_n": 240000, "end_n": 312000, "label": "three"},\n' in text
    assert "\n    [192000, 2.0],\n" in text
    assert text.endswith('  "lyric": [\n    "one two",\n    "",\n    "three"\n  ]\n}\n')
    assert text.count("\n    {") == len(session.segments.all_spans()) + 1  # and the bed


@pytest.mark.parametrize("version", [1, 2])
def test_a_file_of_an_earlier_layout_is_read(version):
    text = session_text(small_session(), Path("/x.ridebook"))
    older = text.replace('"version": 3', f'"version": {version}').replace('  "followers": [],\n', "")
    assert older.count("\n") == text.count("\n") - 1
    assert session_from_text(older.encode(), Path("/x.ridebook")) == small_session()


def test_followers_are_kept_with_their_share(tmp_path):
    double, hall = source(tmp_path / "double.wav"), source("/far/hall.wav")
    session = small_session(followers=(Follower(double), Follower(hall, 0.5)))
    save_session(session, tmp_path / "song.ridebook")
    kept = json.loads((tmp_path / "song.ridebook").read_text("utf-8"))["followers"]
    assert [each["share"] for each in kept] == [1.0, 0.5]
    assert kept[0]["path"] == "double.wav"
    assert load_session(tmp_path / "song.ridebook") == session
    assert {each.path for each in missing_sources(session)} >= {double.path, hall.path}


def test_reference_pairs_are_kept_and_found_again_where_they_were_moved(tmp_path):
    other, bed = tmp_path / "other" / "voice.wav", tmp_path / "other" / "band.wav"
    other.parent.mkdir()
    for path in (other, bed):
        path.write_bytes(path.name.encode())
    known = [replace(source(path), sha256=file_sha256(path)) for path in (other, bed)]
    session = small_session(reference_pairs=(ReferencePair(known[0], (known[1],)),))
    save_session(session, tmp_path / "song.ridebook")
    assert load_session(tmp_path / "song.ridebook") == session
    other.parent.rename(tmp_path / "moved")
    assert {each.path for each in missing_sources(session)} >= {str(other), str(bed)}
    (pair,) = locate(session, tmp_path).reference_pairs
    assert [Path(each.path).parent.name for each in pair.sources] == ["moved", "moved"]


def test_a_reference_pair_needs_a_bed():
    with pytest.raises(SettingError, match="has no bed"):
        ReferencePair(source("/far/voice.wav"), ())


def test_one_nudge_changes_few_lines():
    before = session_text(small_session(lane=Lane.from_pairs([(0, 1.0), (S, 2.0), (2 * S, 3.0)])), Path("/x.ridebook"))
    after = session_text(small_session(lane=Lane.from_pairs([(0, 1.0), (S, 2.5), (2 * S, 3.0)])), Path("/x.ridebook"))
    differing = [pair for pair in zip(before.splitlines(), after.splitlines(), strict=True) if pair[0] != pair[1]]
    assert differing == [("    [48000, 2.0],", "    [48000, 2.5],")]


def test_numbers_of_numpy_are_written():
    odd = small_session(
        trim_db=np.float64(1.5),
        segments=Segments(phrases=(Span("p1", "phrase", np.int64(3), np.int64(5)),)),
        lane=Lane((type(Lane.from_pairs([(0, 0)]).points[0])(np.int64(4), np.float32(0.5)),)),
    )
    read = session_from_text(session_text(odd, Path("/x.ridebook")).encode(), Path("/x.ridebook"))
    assert read.trim_db == 1.5
    assert read.segments.phrases[0].end_n == 5
    assert read.lane == Lane.from_pairs([(4, 0.5)])


# ---- sources: where they are ----


def written(path):
    return json.loads(Path(path).read_text(encoding="utf-8"))


def test_sources_in_the_sessions_folder_move_with_it(tmp_path):
    old = tmp_path / "old"
    (old / "audio").mkdir(parents=True)
    for name in ("vocal.wav", "bed.wav"):
        (old / "audio" / name).write_bytes(b"")
    session = small_session(vocal=source(old / "audio/vocal.wav"), beds=(source(old / "audio/bed.wav"),))
    save_session(session, old / "song.ridebook")
    assert written(old / "song.ridebook")["vocal"]["path"] == "audio/vocal.wav"
    assert str(tmp_path) not in (old / "song.ridebook").read_text()
    os.rename(old, tmp_path / "new")
    moved = load_session(tmp_path / "new" / "song.ridebook")
    assert moved.vocal.path == str(tmp_path / "new" / "audio" / "vocal.wav")
    assert missing_sources(moved) == ()


def test_sources_elsewhere_are_found_when_the_session_alone_moves(tmp_path):
    for folder in ("audio", "sessions/deep/down"):
        (tmp_path / folder).mkdir(parents=True)
    (tmp_path / "audio/vocal.wav").write_bytes(b"")
    session = small_session(vocal=source(tmp_path / "audio/vocal.wav"), beds=())
    save_session(session, tmp_path / "sessions/song.ridebook")
    assert written(tmp_path / "sessions/song.ridebook")["vocal"]["path"] == "../audio/vocal.wav"
    os.rename(tmp_path / "sessions/song.ridebook", tmp_path / "sessions/deep/down/song.ridebook")
    assert load_session(tmp_path / "sessions/deep/down/song.ridebook").vocal.path == str(tmp_path / "audio/vocal.wav")


def test_sources_and_session_that_move_together_are_found_beside_each_other(tmp_path):
    (tmp_path / "old/audio").mkdir(parents=True)
    (tmp_path / "old/sessions").mkdir()
    (tmp_path / "old/audio/vocal.wav").write_bytes(b"")
    session = small_session(vocal=source(tmp_path / "old/audio/vocal.wav"), beds=())
    save_session(session, tmp_path / "old/sessions/song.ridebook")
    os.rename(tmp_path / "old", tmp_path / "new")
    assert load_session(tmp_path / "new/sessions/song.ridebook").vocal.path == str(tmp_path / "new/audio/vocal.wav")


def test_a_name_that_is_no_text_survives(tmp_path):
    odd = os.fsdecode(os.fsencode(tmp_path) + b"/voc\xe4l.wav")
    session = small_session(vocal=source(odd), beds=())
    save_session(session, tmp_path / "x.ridebook")
    assert load_session(tmp_path / "x.ridebook").vocal.path == odd


def test_locate_takes_the_moved_file_and_no_other(tmp_path):
    import hashlib

    content = b"the vocal itself"
    (tmp_path / "a/deep").mkdir(parents=True)
    (tmp_path / "b").mkdir()
    (tmp_path / "a/vocal.wav").write_bytes(b"a newer vocal of the same name")
    (tmp_path / "a/deep/Vocal.WAV").write_bytes(content)
    (tmp_path / "b/other.wav").write_bytes(content)
    gone = source(tmp_path / "gone/vocal.wav", sha256=hashlib.sha256(content).hexdigest())
    session = small_session(vocal=gone, beds=(source(tmp_path / "gone/bed.wav"),))
    found = locate(session, tmp_path)
    assert found.vocal == replace(gone, path=str(tmp_path / "a/deep/Vocal.WAV"))
    assert found.beds == session.beds
    assert missing_sources(found) == session.beds
    assert locate(session, tmp_path / "b") is session  # the same content under another name is not taken
    assert locate(found, tmp_path / "nowhere") is found


# ---- saving: guards and crashes ----


def test_a_save_needs_leave_to_replace(tmp_path):
    path = tmp_path / "song.ridebook"
    first = save_session(small_session(), path)
    with pytest.raises(OutputExistsError, match=re.escape(str(path))):
        save_session(small_session(title="other"), path)
    assert load_session(path).title == ""
    second = save_session(small_session(title="again"), path, known_sha256=first)
    assert read_session(path) == (load_session(path), second)
    assert load_session(path).title == "again"
    save_session(small_session(title="forced"), path, force=True)
    assert load_session(path).title == "forced"


def test_a_file_changed_by_another_is_not_replaced(tmp_path):
    path = tmp_path / "song.ridebook"
    _, known = read_session(path) if path.exists() else (None, save_session(small_session(), path))
    other = save_session(small_session(title="by a colleague"), path, force=True)
    with pytest.raises(SessionChangedError, match=r"song\.ridebook was changed by another"):
        save_session(small_session(title="mine"), path, known_sha256=known)
    assert load_session(path).title == "by a colleague"
    assert read_session(path)[1] == other
    save_session(small_session(title="mine"), path, known_sha256=known, force=True)
    assert load_session(path).title == "mine"


def test_a_file_removed_by_another_is_written_again(tmp_path):
    path = tmp_path / "song.ridebook"
    known = save_session(small_session(), path)
    path.unlink()
    assert save_session(small_session(), path, known_sha256=known) == known
    assert path.exists()


@pytest.mark.parametrize("through_link", [False, True])
def test_a_source_is_never_written_over(tmp_path, through_link):
    vocal = tmp_path / "vocal.wav"
    vocal.write_bytes(b"samples")
    target = vocal
    if through_link:
        target = tmp_path / "link.ridebook"
        target.symlink_to(vocal)
    with pytest.raises(OutputIsSourceError):
        save_session(small_session(vocal=source(vocal)), target, force=True)
    assert vocal.read_bytes() == b"samples"


@pytest.mark.parametrize("step", ["fsync", "replace", "chmod"])
def test_a_failure_in_the_middle_leaves_the_old_file(tmp_path, monkeypatch, step):
    path = tmp_path / "song.ridebook"
    known = save_session(small_session(title="old"), path)
    failures = []

    def fails(*_arguments):
        failures.append(step)
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(ridebook.audio.output.os, step, fails)
    if step == "chmod":  # rights that cannot be kept are no reason to lose work
        save_session(small_session(title="new"), path, known_sha256=known)
    else:
        with pytest.raises(OutputError, match=r"song\.ridebook cannot be written: No space left"):
            save_session(small_session(title="new"), path, known_sha256=known)
    monkeypatch.undo()
    assert failures
    assert load_session(path).title == ("new" if step == "chmod" else "old")
    assert [entry.name for entry in tmp_path.iterdir()] == ["song.ridebook"]


def test_a_disk_that_fills_up_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "song.ridebook"
    known = save_session(small_session(title="old"), path)

    def half(self, content):
        with open(self, "wb") as stream:
            stream.write(content[: len(content) // 2])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", half)
    with pytest.raises(OutputError):
        save_session(small_session(title="new"), path, known_sha256=known)
    monkeypatch.undo()
    assert load_session(path).title == "old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["song.ridebook"]


def test_a_process_killed_in_the_middle_leaves_the_old_file(tmp_path):
    """A real kill between the writing and the move, in a process of its own."""
    import subprocess
    import sys

    path = tmp_path / "song.ridebook"
    save_session(small_session(title="old"), path)
    code = (
        "import os, signal, sys\n"
        "from dataclasses import replace\n"
        "import ridebook.audio.output as output\n"
        "from ridebook.session.file import load_session, save_session\n"
        "output.os.replace = lambda *_: os.kill(os.getpid(), signal.SIGKILL)\n"
        "save_session(replace(load_session(sys.argv[1]), title='new'), sys.argv[1], force=True)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], check=False, timeout=60)
    assert done.returncode == -9
    assert load_session(path).title == "old"
    assert len(list(tmp_path.iterdir())) == 2  # the half of a save that was left lies beside, and hides nothing


def test_rights_and_links_are_kept(tmp_path):
    real = tmp_path / "real.ridebook"
    known = save_session(small_session(), real)
    real.chmod(0o640)
    link = tmp_path / "link.ridebook"
    link.symlink_to(real)
    save_session(small_session(title="new"), link, known_sha256=known)
    assert link.is_symlink()
    assert real.stat().st_mode & 0o777 == 0o640
    assert load_session(real).title == "new"


def test_bad_places_are_refused(tmp_path):
    with pytest.raises(OutputError, match="there is no folder"):
        save_session(small_session(), tmp_path / "none" / "x.ridebook")
    with pytest.raises(OutputError, match="not a plain file"):
        save_session(small_session(), tmp_path, force=True)


@pytest.mark.parametrize(
    ("fields", "error", "says"),
    [
        ({"trim_db": float("nan")}, SettingError, "the trim is nan dB"),
        ({"trim_db": 61.0}, SettingError, "within 60 dB"),
        ({"section_aims": {"s1": 21.0}}, SettingError, "section 's1' is 21"),
        ({"section_aims": {"p1": 1.0}}, SegmentError, "section 'p1', which is not among"),
        ({"decisions": {"w1": Decision(State.INKED)}}, SegmentError, "phrase 'w1', which is not among"),
        ({"quiet_words": frozenset({"p1"})}, SegmentError, "word 'p1', which is not among"),
        ({"segments": Segments(words=(span("a", "word", 19, 21),))}, SegmentError, "outside the vocal"),
        (
            {"segments": Segments(words=(span("a", "word", 0, 1),), breaths=(span("a", "breath", 0, 1),))},
            SegmentError,
            "2 segments have the id 'a'",
        ),
        ({"vocal": source("/v.wav", frames_n=0)}, SettingError, "0 frames"),
        ({"followers": (Follower(source("/double.wav"), 1.5),)}, SettingError, "the share must be 0 to 1"),
        ({"followers": (Follower(source("/songs/bed.wav")),)}, SettingError, "in the mix already"),
        ({"followers": (Follower(source("/d.wav")), Follower(source("/d.wav")))}, SettingError, "in the mix already"),
    ],
)
def test_a_session_that_breaks_a_rule_is_not_written(tmp_path, fields, error, says):
    with pytest.raises(error, match=re.escape(says)):
        save_session(small_session(**fields), tmp_path / "x.ridebook")
    assert list(tmp_path.iterdir()) == []


# ---- reading what is not as it should be ----


def changed(change):
    document = json.loads(session_text(ink(small_session(), small_suggestion()), Path("/songs/x.ridebook")))
    change(document)
    return json.dumps(document).encode()


def put(*path, value):
    def change(document):
        for key in path[:-1]:
            document = document[key]
        document[path[-1]] = value

    return change


TOLD = {"path": "d.wav", "sha256": "", "rate_hz": 1, "channels_n": 1, "frames_n": 1}

BAD = {
    "empty": (b"", "not JSON"),
    "binary": (b"RIFF\x00\x01\xff\xfe", "not UTF-8"),
    "utf-16": ("{}".encode("utf-16"), "not UTF-8"),
    "cut off": (session_text(small_session(), Path("/x"))[:700].encode(), "cut off"),
    "a list": (b"[]", "not a session"),
    "a number": (b"3", "not a session"),
    "other json": (b'{"format": "else"}', "not a session"),
    "too deep": (b"[" * 200000, "JSON"),
    "twins": (b'{"format": "ridebook-session", "format": "x"}', "'format' stands twice"),
    "NaN": (changed(lambda d: None).replace(b'"trim_db": 0.0', b'"trim_db": NaN'), "NaN is not a number"),
    "newer": (changed(put("version", value=4)), "newer version"),
    "older than any": (changed(put("version", value=0)), "'version' is 0"),
    "version as text": (changed(put("version", value="1")), "'version' is '1'"),
    "version true": (changed(put("version", value=True)), "'version' is True"),
    "no vocal": (changed(lambda d: d.pop("vocal")), "vocal"),
    "unknown field": (changed(put("trimm_db", value=1)), "trimm_db"),
    "unknown setting": (changed(put("settings", "aim", value=1)), "settings.aim"),
    "unknown in span": (changed(put("segments", 0, "color", value=1)), "segments[0].color"),
    "unknown in decision": (changed(put("decisions", "p1", "maybe", value=1)), "decisions.p1.maybe"),
    "unknown in suggestion": (changed(put("decisions", "p1", "decided_on", "x", value=1)), "p1.decided_on.x"),
    "wrong type": (changed(put("trim_db", value="loud")), "trim_db"),
    "wrong type deep": (changed(put("segments", 3, "start_n", value="soon")), "segments[3].start_n"),
    "wrong state": (changed(put("decisions", "p1", "state", value="maybe")), "maybe"),
    "wrong kind": (changed(put("segments", 0, "kind", value="verse")), "verse"),
    "setting out of range": (changed(put("settings", "share", value=1.5)), "share is 1.5"),
    "trim out of range": (changed(put("trim_db", value=99)), "the trim is 99"),
    "twin ids": (changed(put("segments", 3, "id", value="s1")), "'s1'"),
    "unsure beyond all": (changed(put("segments", 3, "confidence", value=1.5)), "the confidence 1.5"),
    "no id": (changed(put("segments", 9, "id", value="")), "''"),
    "overlap": (changed(put("segments", 0, "end_n", value=15 * S)), "overlap"),
    "backward span": (changed(put("segments", 0, "end_n", value=0)), "not after its start"),
    "span outside": (changed(put("segments", 5, "end_n", value=21 * S)), "outside the vocal"),
    "span before": (changed(put("segments", 10, "start_n", value=-1)), "outside the vocal"),
    "unknown phrase": (changed(put("decisions", "p9", value={"state": "inked"})), "'p9'"),
    "lane falls": (changed(put("lane", value=[[5, 0], [5, 1]])), "must rise"),
    "lane too far": (changed(put("lane", value=[[2**70, 0]])), "beyond any song"),
    "lane infinite": (changed(lambda d: None).replace(b'"lane": [[', b'"lane": [[0, 1e999], ['), "not a number"),
    "lane triple": (changed(put("lane", value=[[1, 2, 3]])), "lane[0]"),
    "suggestion falls": (changed(put("decisions", "p1", "decided_on", "points", value=[[5, 0], [5, 1]])), "must rise"),
    "share of a follower": (
        changed(put("followers", value=[{**TOLD, "share": 2}])),
        "share must be 0 to 1",
    ),
    "unknown in follower": (changed(put("followers", value=[{"path": "d.wav", "loud": 1}])), "followers[0]"),
    "path with null": (changed(put("vocal", "path", value="a\0b")), "no path"),
    "frames as text": (changed(put("vocal", "frames_n", value="20")), "frames_n"),
    "huge rate": (changed(put("vocal", "rate_hz", value=-1)), "-1 Hz"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_files_say_what_is_wrong_and_where(tmp_path, name):
    content, says = BAD[name]
    path = tmp_path / "bad.ridebook"
    path.write_bytes(content)
    with pytest.raises(SessionUnreadableError, match=re.escape(says)) as caught:
        load_session(path)
    assert str(path) in str(caught.value)
    assert len(str(caught.value)) < 600


def test_the_bad_files_are_bad_for_their_own_reason(tmp_path):
    (tmp_path / "good.ridebook").write_bytes(changed(lambda document: None))
    assert load_session(tmp_path / "good.ridebook").decision("p1").state is State.INKED


def test_missing_files_and_folders_are_named(tmp_path):
    for path, says in ((tmp_path / "none.ridebook", "No such file"), (tmp_path, "directory")):
        with pytest.raises(SessionUnreadableError, match=says) as caught:
            load_session(path)
        assert str(path) in str(caught.value)


def test_a_byte_order_mark_is_taken(tmp_path):
    path = tmp_path / "x.ridebook"
    path.write_bytes(b"\xef\xbb\xbf" + changed(lambda document: None))
    assert load_session(path).vocal.frames_n == 20 * S


def test_fields_that_are_left_out_are_at_their_defaults(tmp_path):
    whole = json.loads(session_text(small_session(), Path("/songs/x.ridebook")))
    least = {key: whole[key] for key in ("format", "version", "vocal", "beds")}
    read = session_from_text(json.dumps(least).encode(), Path("/songs/x.ridebook"))
    assert read == replace(small_session(), segments=Segments())


@given(st.data())
@runs(max_examples=100, deadline=None)
def test_damage_anywhere_is_told_or_harmless(data):
    """Random damage to the bytes gives the family's error or a session that holds its rules, never anything else."""
    content = bytearray(session_text(ink(small_session(), small_suggestion()), Path("/songs/x")).encode())
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(content) - 1))
        if data.draw(st.booleans()):
            content[at] = data.draw(st.integers(0, 255))
        else:
            del content[at : at + data.draw(st.integers(1, 40))]
    try:
        read = session_from_text(bytes(content), Path("/songs/x"))
    except SessionUnreadableError:
        return
    assert session_from_text(session_text(read, Path("/songs/x")).encode(), Path("/songs/x")) == read


def test_the_content_is_on_the_disk_before_it_takes_its_place_and_then_the_folder(tmp_path, monkeypatch):
    done = []
    for name in ("fsync", "replace"):
        real = getattr(os, name)

        def told(*arguments, name=name, real=real):
            what = "folder" if name == "fsync" and os.path.isdir(f"/proc/self/fd/{arguments[0]}") else name
            done.append(what)
            return real(*arguments)

        monkeypatch.setattr(ridebook.audio.output.os, name, told)
    save_session(small_session(), tmp_path / "x.ridebook")
    assert done[:2] == ["fsync", "replace"]
    if os.path.isdir("/proc/self/fd"):
        assert done[2:] == ["folder"]
