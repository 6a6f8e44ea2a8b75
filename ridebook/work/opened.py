"""The files of a session, opened on one clock."""

from __future__ import annotations

from pathlib import Path

from ridebook.audio.stems import StemPair, open_pair
from ridebook.errors import SourceUnreadableError, SourceUnusableError
from ridebook.session.document import Session


def opened_pair(session: Session, *, with_followers: bool = False) -> StemPair:
    """Open the files of a session.

    Parameters
    ----------
    session : Session
        The session.
    with_followers : bool
        Whether its followers are opened too.

    Returns
    -------
    StemPair
        A context manager.

    Raises
    ------
    SourceUnreadableError
        A source is no longer where it was.
    SourceUnusableError
        The vocal has another length or rate than the session's clock.
    SourceError
        A file cannot serve.
    """
    followers = [follower.source for follower in session.followers] if with_followers else []
    for source in (session.vocal, *session.beds, *followers):
        if not Path(source.path).exists():
            raise SourceUnreadableError(
                f"{source.path} is no longer where the session was made with it; put it back, or open the session in "
                "the window and show where it is"
            )
    pair = open_pair(session.vocal.path, [bed.path for bed in session.beds], [each.path for each in followers])
    vocal = pair.vocal.info
    if (vocal.rate_hz, vocal.frames_n) != (session.vocal.rate_hz, session.vocal.frames_n):
        pair.close()
        raise SourceUnusableError(
            f"{vocal.path} has {vocal.frames_n} frames at {vocal.rate_hz} Hz, but the session was made on "
            f"{session.vocal.frames_n} frames at {session.vocal.rate_hz} Hz; a new version of the vocal is taken in"
            " with the window"
        )
    return pair
