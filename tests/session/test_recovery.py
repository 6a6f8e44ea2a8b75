import os
import subprocess
import sys

import pytest

import ridebook.session.recovery
from ridebook.errors import OutputError
from ridebook.session.recovery import discard_recovery, find_recoveries, recovery_folder, write_recovery
from tests.session.made import small_session


@pytest.fixture
def ended(monkeypatch):
    """Make what this run has written look like that of a run that has ended."""
    return lambda: monkeypatch.setattr(ridebook.session.recovery, "_THIS_RUN", os.urandom(4).hex())


def test_a_copy_left_behind_is_found_with_all_that_is_in_it(tmp_path, ended):
    session = small_session(title="unsaved \ud800", lyric="a\nb")
    write_recovery(small_session(title="earlier"), tmp_path / "song.ridebook", "cd" * 32, folder=tmp_path / "state")
    path = write_recovery(session, tmp_path / "song.ridebook", "cd" * 32, folder=tmp_path / "state")
    assert find_recoveries(tmp_path / "state") == ()  # this run goes on
    ended()
    (found,) = find_recoveries(tmp_path / "state")
    assert found.session == session
    assert (found.path, found.session_path, found.known_sha256) == (path, tmp_path / "song.ridebook", "cd" * 32)


def test_sessions_without_a_file_are_told_apart_by_their_vocal_and_the_newest_comes_first(tmp_path, ended, monkeypatch):
    times = iter([10.0, 30.0, 20.0])
    monkeypatch.setattr(ridebook.session.recovery.time, "time", lambda: next(times))
    for name in "abc":
        write_recovery(
            small_session(vocal=small_session().beds[0].__class__(f"/{name}.wav", "", 48000, 1, 10**6)), folder=tmp_path
        )
    ended()
    found = find_recoveries(tmp_path)
    assert [copy.session.vocal.path for copy in found] == ["/b.wav", "/c.wav", "/a.wav"]
    assert {copy.session_path for copy in found} == {None}


def test_a_copy_is_gone_after_a_save_on_purpose(tmp_path, ended):
    write_recovery(small_session(), tmp_path / "a.ridebook", folder=tmp_path)
    write_recovery(small_session(), tmp_path / "b.ridebook", folder=tmp_path)
    discard_recovery(small_session(), tmp_path / "a.ridebook", folder=tmp_path)
    discard_recovery(small_session(), tmp_path / "never.ridebook", folder=tmp_path)
    ended()
    assert [copy.session_path for copy in find_recoveries(tmp_path)] == [tmp_path / "b.ridebook"]


def test_copies_of_runs_that_go_on_are_left_alone(tmp_path, ended):
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as other:
        write_recovery(small_session(), folder=tmp_path)
        (path,) = tmp_path.iterdir()
        path.write_bytes(
            path.read_bytes().replace(f'"process": {os.getpid()}'.encode(), f'"process": {other.pid}'.encode())
        )
        ended()
        assert find_recoveries(tmp_path) == ()
        other.communicate(b"\n")
    assert len(find_recoveries(tmp_path)) == 1


@pytest.mark.parametrize("content", [b"", b"{", b"{}\n{}", b"\xff\xfe", b"[1]\n", b"[" * 100000])
def test_copies_that_cannot_be_read_are_passed_over(tmp_path, ended, content):
    write_recovery(small_session(), folder=tmp_path)
    (tmp_path / "bad.recovery").write_bytes(content)
    (tmp_path / "folder.recovery").mkdir()
    ended()
    assert len(find_recoveries(tmp_path)) == 1


def test_no_folder_is_no_copies_and_a_folder_that_cannot_be_made_is_told(tmp_path):
    assert find_recoveries(tmp_path / "none") == ()
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputError):
        write_recovery(small_session(), folder=tmp_path / "file" / "state")


def test_the_folder_is_the_users_own(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    if sys.platform == "linux":
        assert recovery_folder() == tmp_path / "ridebook" / "recovery"
    assert recovery_folder().name == "recovery"
