"""A password in memory: it shows itself only when asked by name, so it cannot slip into a log or a traceback."""

from __future__ import annotations

MASK = "***"


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
