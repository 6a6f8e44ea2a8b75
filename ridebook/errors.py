"""The family of errors that a user can cause.

Each message says what is wrong, where, and what to do about it::

    RidebookError
    ├── SourceError                     an audio file that was given as input
    │   ├── SourceUnreadableError       missing, no permission, not audio, broken            (OSError)
    │   └── SourceUnusableError         NaN, no frames, too short, silence, channel layout   (ValueError)
    ├── OutputError                     a file that was to be written                        (OSError)
    │   ├── OutputIsSourceError         the output would overwrite a source
    │   └── OutputExistsError           the output is there and may not be replaced          (FileExistsError)
    ├── SettingError                    a setting or option out of its range                 (ValueError)
    ├── LaneError                       an edit that a lane does not allow                   (ValueError)
    ├── SegmentError                    an edit or list of segments that does not hold       (ValueError)
    ├── ExchangeError                   a file of another program that cannot be read        (ValueError)
    ├── HandUnreadableError             what was learnt from past songs cannot be read       (ValueError)
    └── SessionError                    a session file
        ├── SessionUnreadableError      missing, not a session, of a newer version, damaged  (ValueError)
        └── SessionChangedError         changed on disk since it was read                    (OSError)

A cancelled piece of work is a state, not an error, and is not in this tree.
"""


class RidebookError(Exception):
    """Base of all errors whose message is meant for the user."""


class SourceError(RidebookError):
    """An audio file given as input cannot serve."""


class SourceUnreadableError(SourceError, OSError):
    """The file is missing, may not be read, or is not audio."""


class SourceUnusableError(SourceError, ValueError):
    """The file is audio, but its content cannot be measured."""


class OutputError(RidebookError, OSError):
    """A file cannot be written."""


class OutputIsSourceError(OutputError):
    """The output would be written over a source."""


class OutputExistsError(OutputError, FileExistsError):
    """The output is there already and was not to be replaced."""


class SettingError(RidebookError, ValueError):
    """A setting is out of its range."""


class LaneError(RidebookError, ValueError):
    """A lane or an edit of one does not hold."""


class SegmentError(RidebookError, ValueError):
    """Segments or an edit of them do not hold."""


class ExchangeError(RidebookError, ValueError):
    """A file of another program cannot be read."""


class HandUnreadableError(RidebookError, ValueError):
    """What was learnt from past songs is damaged or of a newer version."""


class SessionError(RidebookError):
    """A session file cannot serve."""


class SessionUnreadableError(SessionError, ValueError):
    """The file is not a session that this version can read."""


class SessionChangedError(SessionError, OSError):
    """The file on disk is not the one that was read."""
