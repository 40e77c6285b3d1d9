"""The few errors Hubtack raises on purpose, one for each party that must act.

Bad bytes are data, not errors: they are counted by the framing and the decoder. Wrong arguments to a pure
function stay ``ValueError``. Every message says what is wrong, where, and what to try.
"""

from __future__ import annotations


class HubtackError(Exception):
    """Root of all errors that a command shows as one line; ``exit_code`` is what the process then ends with."""

    exit_code = 2


class UsageError(HubtackError):
    """The command line or the site file asks for something that cannot be; the user must change it."""

    exit_code = 2


class SourceError(HubtackError):
    """A port, file or network source could not be opened, was refused, or ended early.

    Parameters
    ----------
    message : str
        One sentence: what, where, what to try.
    code : str or None
        The finding code that this failure is evidence for (``caster_auth``, ...), where there is one.
    retry : bool
        False where another try with the same settings cannot help (a wrong login, an unknown mount point).
    """

    exit_code = 3

    def __init__(self, message: str, *, code: str | None = None, retry: bool = True) -> None:
        super().__init__(message)
        self.code = code
        self.retry = retry


class LogFormatError(HubtackError):
    """A file is not what it claims to be; the message names the file, the byte offset and what was expected."""

    exit_code = 3
