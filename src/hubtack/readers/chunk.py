"""What every reader hands on: bytes with the moment they arrived, or a note on the source's state.

A read time-out, the end of a file and a lost device are three different things, and look different here: silence
yields nothing at all, the end is ``SourceState.ENDED`` and a lost device is ``SourceState.FAILED`` with the reason.
"""

from __future__ import annotations

import enum
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol


class SourceState(enum.Enum):
    """What has happened to a source; ``FAILED`` is followed by a retry, ``REFUSED`` and ``ENDED`` are not."""

    OPENED = "opened"
    FAILED = "failed"
    REFUSED = "refused"
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes as they came from one source.

    ``t_utc_ns`` and ``t_mono_ns`` are the arrival by this computer's two clocks [ns]; both None for a plain file,
    which has no arrival. ``sequence`` numbers the chunks of all sources of a session in the order of arrival; the
    queue gives it, a reader leaves it at 0.
    """

    source: str
    data: bytes
    t_utc_ns: int | None = None
    t_mono_ns: int | None = None
    sequence: int = 0


@dataclass(frozen=True, slots=True)
class Notice:
    """A change in the state of one source, with a sentence for the user and a finding code where there is one."""

    source: str
    state: SourceState
    message: str = ""
    code: str | None = None
    t_utc_ns: int | None = None
    t_mono_ns: int | None = None
    sequence: int = 0


Event = Chunk | Notice


class Reader(Protocol):
    """One source of bytes: ``run`` blocks on a thread of its own and hands every event to ``emit``.

    ``name`` is the role of the source in the session (``rover``, ``corrections``, ``second_antenna``); ``label`` is
    how it may be shown (a URL without secrets). ``run`` returns when the source has ended for good or soon (0.5 s)
    after ``stop`` is set; it raises nothing.
    """

    name: str
    label: str

    def run(self, emit: Callable[[Event], None], stop: threading.Event) -> None:
        """Read until the end or ``stop``; every byte goes to ``emit`` once and in order."""
        ...
