"""Playing a log at its own pace: by the epoch times that it speaks of. Sans-I/O.

``TimeMarks`` finds where in the bytes a new time begins; ``Pace`` says when that moment is due. Several logs that share
one ``Pace`` are laid on one time axis, so a rover log and its correction log keep their distance.
"""

from __future__ import annotations

import re
import threading

from hubtack.readers.clock import Clock

DAY_S = 86_400.0
GPS_MINUS_UTC_S = 18.0  # IERS Bulletin C; unchanged since 2017-01-01
BDT_BEHIND_GPS_S = 14.0  # BeiDou ICD: BDT = GPST - 14 s
GLONASS_AHEAD_UTC_S = 3 * 3600.0  # GLONASS ICD: UTC(SU) + 3 h
JUMP_S = 1800.0  # beyond this a log has been stopped and started: contract, `--gap`
HOLD_BACK = 1200  # more than the longest frame (1029): a mark is judged only when all of its frame is there

_MARK = re.compile(rb"\$[A-Z]{2}(?:GGA|GNS|RMC|GST|ZDA),(\d\d)(\d\d)(\d\d(?:\.\d*)?),|\xd3[\x00-\x03]")


def rtcm_utc_s(frame: bytes | memoryview) -> float | None:
    """UTC time of day of an observation frame (header included), None for other types. [s]

    Source: RTCM 10403.3, message headers (DF002, DF003, DF004/DF034/DF248/DF427; DF416 day of week).
    """
    if len(frame) < 11:
        return None
    bits = int.from_bytes(bytes(frame[3:11]), "big")
    number, epoch30, epoch27 = bits >> 52, bits >> 10 & 0x3FFFFFFF, bits >> 13 & 0x7FFFFFF
    if number in (1001, 1002, 1003, 1004) or number in range(1071, 1078) or number in range(1091, 1118):
        tod_s = epoch30 * 1e-3 - GPS_MINUS_UTC_S
    elif number in range(1121, 1138):
        tod_s = epoch30 * 1e-3 + (BDT_BEHIND_GPS_S if number < 1131 else 0.0) - GPS_MINUS_UTC_S
    elif number in (1009, 1010, 1011, 1012):
        tod_s = epoch27 * 1e-3 - GLONASS_AHEAD_UTC_S
    elif number in range(1081, 1088):
        tod_s = (epoch30 & 0x7FFFFFF) * 1e-3 - GLONASS_AHEAD_UTC_S
    else:
        return None
    return tod_s % DAY_S


class TimeMarks:
    """Cuts a log where a new time begins; the pieces, put together again, are the log."""

    def __init__(self) -> None:
        self._buffer = bytearray()

    def feed(self, data: bytes, *, end: bool = False) -> list[tuple[float | None, bytes]]:
        """Pieces that are complete, each with the UTC time of day at its head [s] (None: before the first time).

        With ``end`` nothing is held back.
        """
        buffer = self._buffer
        buffer += data
        stop = len(buffer) if end else len(buffer) - HOLD_BACK
        pieces: list[tuple[float | None, bytes]] = []
        start, tod_s = 0, None
        skip_to = 0
        for match in _MARK.finditer(buffer):
            at = match.start()
            if at >= stop:
                break
            if at < skip_to:
                continue
            if match[1] is not None:
                seconds: float | None = int(match[1]) * 3600 + int(match[2]) * 60 + float(match[3])
            else:
                length = 6 + ((buffer[at + 1] & 3) << 8 | buffer[at + 2]) if at + 3 <= len(buffer) else 0
                frame = bytes(buffer[at : at + length])
                if length < 6 or len(frame) < length or _crc24q(frame) != 0:
                    continue
                skip_to = at + length
                seconds = rtcm_utc_s(frame)
            if seconds is None or seconds == tod_s:
                continue
            if at > start:
                pieces.append((tod_s, bytes(buffer[start:at])))
            start, tod_s = at, seconds
        if end:
            stop = len(buffer)
        if stop > start:
            pieces.append((tod_s, bytes(buffer[start:stop])))
            start = stop
        del buffer[:start]
        return pieces


def _crc24q(frame: bytes) -> int:
    import anycrc

    # CRC-24/LTE-A of the CRC catalogue has the polynomial and the start value of RTCM's CRC-24Q.
    return int(anycrc.Model("CRC24-LTE-A").calc(frame))


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
