"""A password in memory: it shows itself only when asked by name, so it cannot slip into a log or a traceback."""

from __future__ import annotations

import re

MASK = "***"
# From the first colon after :// to the last @ before a blank: a password may itself hold @, / and #.
_LOGIN = re.compile(r"(?P<head>[A-Za-z][A-Za-z0-9+.-]*:/{0,2}[^\s:@/]*):(?P<password>[^\s]*)@")


class Secret:
    """A string that prints as ``***``."""

    __slots__ = ("_text",)

    def __init__(self, text: str) -> None:
        self._text = text

    def reveal(self) -> str:
        """The text itself, for the one place that sends it."""
        return self._text

    def __repr__(self) -> str:
        return MASK

    __str__ = __repr__

    def __bool__(self) -> bool:
        return bool(self._text)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Secret) and other._text == self._text

    def __hash__(self) -> int:
        return hash(self._text)


_ONE_URL = re.compile(r"([A-Za-z][A-Za-z0-9+.-]*:/{0,2}[^:@/]*):(.*)@", re.DOTALL)


def mask_url(url: str) -> str:
    """One URL, all of ``url``, with its password replaced by ``***`` (which may even hold blanks)."""
    return _ONE_URL.sub(rf"\1:{MASK}@", url)


def mask_passwords(text: str) -> str:
    """``text`` with the password of every URL in it replaced by ``***``."""
    return _LOGIN.sub(rf"\g<head>:{MASK}@", text)
