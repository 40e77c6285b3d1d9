"""How much of the channel do the corrections take, and what age does that add?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from hubtack.knowledge.msm_sizes import msm_frame_bytes
from hubtack.knowledge.radio import FASTER_BPS, SERIAL_ENOUGH_BPS, SHARE_MOST, TURNAROUND_S

SERIAL_BITS_PER_BYTE = 10  # one start bit, eight data bits, one stop bit


@dataclass(frozen=True, slots=True)
class LoadResult:
    """Load of one epoch on the air. ``share`` is the part of the interval in which the channel is taken."""

    bytes_per_epoch: float
    airtime_s: float
    serial_s: float
    share: float
    fits: bool
    added_age_s: float


def epoch_bytes(systems: Mapping[str, tuple[int, int]], level: int) -> int:
    """Bytes of one epoch: one MSM a system, its satellites by signals all present, frames included.

    An MSM holds 64 cells at most; a larger set is sent as several messages of equal size (RTCM 10403.3).
    """
    total = 0
    for satellites, signals in systems.values():
        parts = -(-satellites * signals // 64)
        sizes = [satellites // parts + (1 if i < satellites % parts else 0) for i in range(parts)]
        total += sum(msm_frame_bytes(level, size, signals) for size in sizes)
    return total


def load(
    bytes_per_epoch: float,
    interval_s: float,
    rate_bps: float,
    *,
    overhead: float = 0.0,
    repeats: int = 1,
    serial_bps: float | None = None,
    slot_s: float | None = None,
) -> LoadResult:
    """Time on the air and on the serial leg.

    ``overhead`` is the radio's own framing and error correction as a part of the data (0.1 to 0.3 for framing, 0.33 to 1
    for error correction: common practice, no source). ``repeats`` is how often each epoch is sent: 2 with one repeater.
    """
    once_s = 8.0 * bytes_per_epoch * (1.0 + overhead) / rate_bps
    air_s = once_s * repeats
    serial_s = 0.0 if serial_bps is None else SERIAL_BITS_PER_BYTE * bytes_per_epoch / serial_bps
    room_s = SHARE_MOST * interval_s if slot_s is None else slot_s
    fits = air_s + repeats * TURNAROUND_S <= room_s and serial_s <= SHARE_MOST * interval_s
    return LoadResult(bytes_per_epoch, air_s, serial_s, air_s / interval_s, fits, air_s + serial_s)


def remedies(
    result: LoadResult,
    systems: Mapping[str, tuple[int, int]] | None,
    level: int | None,
    interval_s: float,
    rate_bps: float,
    **rest: object,
) -> list[str]:
    """What would make it fit, with figures, in the order in which they cost least."""
    if result.fits:
        return []
    found: list[str] = []
    again: dict[str, object] = dict(rest)
    if systems and level is not None and level > 4:
        small = epoch_bytes(systems, 4)
        found.append(f"MSM4 in place of MSM{level}: {_said(load(small, interval_s, rate_bps, **again), small)}")  # type: ignore[arg-type]
    if systems and any(signals > 2 for _, signals in systems.values()):
        two = epoch_bytes({k: (sats, min(2, sigs)) for k, (sats, sigs) in systems.items()}, level or 4)
        found.append(f"two signals a satellite: {_said(load(two, interval_s, rate_bps, **again), two)}")  # type: ignore[arg-type]
    slower = load(result.bytes_per_epoch, 2 * interval_s, rate_bps, **again)  # type: ignore[arg-type]
    found.append(f"an epoch every {2 * interval_s:g} s: {_said(slower, result.bytes_per_epoch)}")
    for faster in FASTER_BPS:
        if faster > rate_bps:
            tried = load(result.bytes_per_epoch, interval_s, faster, **again)  # type: ignore[arg-type]
            if tried.fits:
                found.append(
                    f"{faster:g} bit/s over the air, where channel and licence allow: {_said(tried, result.bytes_per_epoch)}"
                )
                break
    serial = rest.get("serial_bps")
    if isinstance(serial, float) and result.serial_s > SHARE_MOST * interval_s:
        found.append(f"{SERIAL_ENOUGH_BPS} bit/s or more between receiver and radio")
    return found


def _said(result: LoadResult, size: float) -> str:
    return f"{size:.0f} bytes, {result.airtime_s:.2f} s on the air, {'fits' if result.fits else 'still does not fit'}"
