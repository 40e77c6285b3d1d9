"""Playing a log at its own pace: by the epoch times that it speaks of. Sans-I/O.

``TimeMarks`` finds where in the bytes a new time begins; ``Pace`` says when that moment is due. Several logs that share
one ``Pace`` are laid on one time axis, so a rover log and its correction log keep their distance.
"""

from __future__ import annotations

import re
import threading

from hubtack.framing.splitter import Kind, Splitter
from hubtack.knowledge.leap_seconds import BEIDOU_BEHIND_GPS_S, CURRENT_LEAP_S, GLONASS_AHEAD_OF_UTC_S
from hubtack.knowledge.messages import BEIDOU, GLONASS, LEGACY_OBSERVATIONS, system_of
from hubtack.readers.clock import Clock

DAY_S = 86_400.0
JUMP_S = 1800.0  # beyond this a log has been stopped and started: contract, `--gap`

_TIMED = re.compile(rb"\$[A-Z]{2}(?:GGA|GNS|RMC|GST|ZDA),(\d\d)(\d\d)(\d\d(?:\.\d*)?),")


def rtcm_utc_s(frame: bytes | memoryview) -> float | None:
    """UTC time of day of an observation frame (header included), None for other types. [s]

    Source: RTCM 10403.3, message headers (DF002, DF003, DF004/DF034/DF248/DF427; DF416 day of week).
    """
    if len(frame) < 11:
        return None
    bits = int.from_bytes(bytes(frame[3:11]), "big")
    number, epoch30, epoch27 = bits >> 52, bits >> 10 & 0x3FFFFFFF, bits >> 13 & 0x7FFFFFF
    system = system_of(number)
    if system is None:
        return None
    if system == GLONASS:
        # MSM: three bits of the day of the week, then the time of day; legacy: the time of day alone.
        tod_ms = epoch27 if number in LEGACY_OBSERVATIONS else epoch30 & 0x7FFFFFF
        return (tod_ms * 1e-3 - GLONASS_AHEAD_OF_UTC_S) % DAY_S
    behind_s = BEIDOU_BEHIND_GPS_S if system == BEIDOU else 0
    return (epoch30 * 1e-3 + behind_s - CURRENT_LEAP_S) % DAY_S


class TimeMarks:
    """Cuts a log where a new time begins; the pieces, put together again, are the log."""

    def __init__(self) -> None:
        self._splitter = Splitter()
        self._tod_s: float | None = None

    def feed(self, data: bytes, *, end: bool = False) -> list[tuple[float | None, bytes]]:
        """Pieces that are complete, each with the UTC time of day at its head [s] (None: no new time).

        With ``end`` nothing is held back.
        """
        pieces = self._splitter.feed(data)
        if end:
            pieces += self._splitter.flush()
        out: list[tuple[float | None, bytes]] = []
        run, run_tod_s = bytearray(), None
        for piece in pieces:
            tod_s = None
            if piece.kind is Kind.FRAME:
                tod_s = rtcm_utc_s(piece.data)
            elif piece.kind is Kind.SENTENCE:
                match = _TIMED.match(piece.data)
                if match is not None:
                    tod_s = int(match[1]) * 3600 + int(match[2]) * 60 + float(match[3])
            if tod_s is not None and tod_s != self._tod_s:
                if run:
                    out.append((run_tod_s, bytes(run)))
                    run.clear()
                self._tod_s = run_tod_s = tod_s
            run += piece.data
        if run:
            out.append((run_tod_s, bytes(run)))
        return out


class Pace:
    """When a moment of the log is due, by a clock; one for all logs that are played together."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self._lock = threading.Lock()
        self._anchor: tuple[float, int] | None = None

    def anchor(self, tod_s: float) -> tuple[float, int]:
        """The common zero: a time of day and the clock's reading for it; the first to come sets it."""
        with self._lock:
            if self._anchor is None:
                self._anchor = (tod_s, self.clock.mono_ns())
            return self._anchor


class PacedLog:
    """One log's way along a ``Pace``."""

    def __init__(self, pace: Pace) -> None:
        self._pace = pace
        self._last_tod_s: float | None = None
        self._due_ns = 0

    def due_ns(self, tod_s: float) -> int:
        """The clock's reading at which the time of day ``tod_s`` of this log is due; never earlier than before. [ns]

        A log that begins more than 30 min away from the others starts at once; after a jump of more it goes on in 1 s.
        """
        if self._last_tod_s is None:
            zero_tod_s, zero_ns = self._pace.anchor(tod_s)
            step_s = _signed_step_s(zero_tod_s, tod_s)
            self._due_ns = zero_ns + round(step_s * 1e9) if abs(step_s) <= JUMP_S else self._pace.clock.mono_ns()
        else:
            step_s = _signed_step_s(self._last_tod_s, tod_s)
            if abs(step_s) > JUMP_S:
                step_s = 1.0
            elif step_s < 0:  # a late sentence or another scale: it belongs to the time already reached
                return self._due_ns
            self._due_ns += round(step_s * 1e9)
        self._last_tod_s = tod_s
        return self._due_ns


def _signed_step_s(before_s: float, after_s: float) -> float:
    """From one time of day to another across midnight, from -12 h to 12 h."""
    return (after_s - before_s + DAY_S / 2) % DAY_S - DAY_S / 2
