"""The two clocks of this computer and the one way to wait, so that a test can put a hand-moved clock in their place."""

from __future__ import annotations

import threading
import time
from typing import Protocol


class Clock(Protocol):
    """What a reader knows of time."""

    def mono_ns(self) -> int:
        """Now by the clock that never steps. [ns]"""
        ...

    def utc_ns(self) -> int:
        """Now by the wall clock, since 1970. [ns]"""
        ...

    def wait(self, stop: threading.Event, seconds: float) -> bool:
        """Wait ``seconds``; True as soon as ``stop`` is set."""
        ...


class RealClock:
    """The clocks as they are."""

    def mono_ns(self) -> int:
        return time.monotonic_ns()

    def utc_ns(self) -> int:
        return time.time_ns()

    def wait(self, stop: threading.Event, seconds: float) -> bool:
        return stop.wait(max(0.0, seconds))


class ScaledClock:
    """A clock that runs ``speed`` times as fast, for playing logs.

    Reader and driver must share it: at speed 10 a gap of 30 s lasts 3 s at the desk and is still a gap of 30 s.
    ``mono_ns`` and ``utc_ns`` are what it reads at first; None: now.
    """

    def __init__(self, speed: float, mono_ns: int | None = None, utc_ns: int | None = None) -> None:
        if not speed > 0:
            raise ValueError("speed must be above 0")
        self.speed = speed
        self._began_ns = time.monotonic_ns()
        self._mono_ns = self._began_ns if mono_ns is None else mono_ns
        self._utc_ns = time.time_ns() if utc_ns is None else utc_ns

    def _elapsed_ns(self) -> int:
        return round((time.monotonic_ns() - self._began_ns) * self.speed)

    def mono_ns(self) -> int:
        return self._mono_ns + self._elapsed_ns()

    def utc_ns(self) -> int:
        return self._utc_ns + self._elapsed_ns()

    def wait(self, stop: threading.Event, seconds: float) -> bool:
        return stop.wait(max(0.0, seconds / self.speed))
