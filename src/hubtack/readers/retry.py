"""How long to wait before a source is tried again. Pure: random numbers come in as a callable.

Pauses 1, 2, 5, 10, 30, 60 s: common practice (casters ban addresses that come back every second).
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence

NETWORK_PAUSES_S = (1.0, 2.0, 5.0, 10.0, 30.0, 60.0)
DEVICE_PAUSES_S = (0.5, 1.0, 1.0, 2.0)  # a cable in the hand: nobody is banned, somebody is waiting
GOOD_AFTER_S = 60.0


class Backoff:
    """Growing, jittered pauses between tries; a spell of ``GOOD_AFTER_S`` with data starts them afresh."""

    def __init__(
        self, pauses_s: Sequence[float] = NETWORK_PAUSES_S, uniform: Callable[[float, float], float] = random.uniform
    ) -> None:
        self._pauses_s = tuple(pauses_s)
        self._uniform = uniform
        self._step = 0

    def worked(self, seconds: float) -> None:
        """The last connection carried data for ``seconds``."""
        if seconds >= GOOD_AFTER_S:
            self._step = 0

    def at_least(self, seconds: float) -> None:
        """Skip the pauses that are shorter than ``seconds``: the other side asked for patience."""
        while self._pauses_s[self._step] < seconds and self._step < len(self._pauses_s) - 1:
            self._step += 1

    def next_s(self) -> float:
        """Pause before the next try: never below the table's value, up to 30 % above it. [s]"""
        pause_s = self._pauses_s[self._step]
        self._step = min(self._step + 1, len(self._pauses_s) - 1)
        return pause_s * self._uniform(1.0, 1.3)
