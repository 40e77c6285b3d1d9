"""Correction streams for tests, written from figures: a base, its epochs, and what the way to the machine does to them.

The encoder follows the field widths of RTCM 10403.3 as pyrtcm's tables reproduce them and shares nothing with the
package's decoder; ``tests/reference/test_link_stream.py`` reads its frames with pyrtcm.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace

from pyrtcm.rtcmhelpers import calc_crc24q

GPS, GLONASS, GALILEO, BEIDOU = 1, 2, 3, 4
FIRST = {GPS: 1070, GLONASS: 1080, GALILEO: 1090, BEIDOU: 1120}
# Two bands of each system by MSM signal number: L1 C/A and L2C; G1 and G2; E1 and E5b; B1 and B2.
TWO_BANDS = {GPS: (2, 16), GLONASS: (2, 8), GALILEO: (2, 15), BEIDOU: (2, 14)}
SATELLITES = {
    GPS: (2, 5, 7, 9, 13, 15, 21, 27, 30),
    GLONASS: (1, 2, 8, 14, 15, 17, 24),
    GALILEO: (3, 5, 8, 13, 15, 24, 31),
    BEIDOU: (6, 9, 11, 16, 23, 25, 34, 39),
}
ARP_M = (-4449212.1234, 783521.4321, -4489730.2468)  # 45.03 S, 170.01 E or so, an invented place
DAY_S = 86_400
LEAP_S = 18


def frame(payload: bytes) -> bytes:
    """A whole frame around a payload."""
    head = bytes((0xD3, len(payload) >> 8, len(payload) & 0xFF)) + payload
    return head + calc_crc24q(head).to_bytes(3, "big")


def pack(*fields: tuple[int, int]) -> bytes:
    """Fields as (value, bits), negative values in two's complement, padded with zero bits to whole bytes."""
    value, n = 0, 0
    for v, width in fields:
        value = value << width | v & (1 << width) - 1
        n += width
    pad = -n % 8
    return (value << pad).to_bytes((n + pad) // 8, "big")


def arp_1005(
    station: int, xyz: tuple[float, float, float], *, computed: bool = False, height_m: float | None = None
) -> bytes:
    """1005, or 1006 where an antenna height is given."""
    x, y, z = (round(v * 1e4) for v in xyz)
    fields = [
        (1005 if height_m is None else 1006, 12),
        (station, 12),
        (0, 6),
        (1, 1),
        (1, 1),
        (1, 1),
        (int(computed), 1),
        (x, 38),
        (0, 2),
        (y, 38),
        (0, 2),
        (z, 38),
    ]
    if height_m is not None:
        fields.append((round(height_m * 1e4), 16))
    return frame(pack(*fields))


def physical_1032(station: int, physical: int, xyz: tuple[float, float, float]) -> bytes:
    """1032."""
    return frame(pack((1032, 12), (station, 12), (physical, 12), (0, 6), *((round(v * 1e4), 38) for v in xyz)))


def descriptor_1033(station: int, antenna: str, receiver: str) -> bytes:
    """1033 with empty serial numbers."""

    def text(s: str) -> bytes:
        return bytes((len(s),)) + s.encode()

    return frame(
        pack((1033, 12), (station, 12)) + text(antenna) + b"\0" + text("") + text(receiver) + text("1.0") + text("")
    )


def bias_1230(station: int) -> bytes:
    """1230 with no bias."""
    return frame(pack((1230, 12), (station, 12), (1, 1), (0, 3), (0, 4)))


def system_1013(station: int, mjd: int, tod_s: int) -> bytes:
    """1013 without announcements."""
    return frame(pack((1013, 12), (station, 12), (mjd, 16), (tod_s, 17), (0, 5), (LEAP_S, 8)))


def epoch_field(system: int, utc_s: float) -> int:
    """The 30 bits of an MSM's epoch for seconds of the UTC week."""
    ms = round(utc_s * 1000)
    if system == GLONASS:
        day, tod = divmod((ms + 3 * 3_600_000) % (7 * DAY_S * 1000), DAY_S * 1000)
        return day << 27 | tod
    return (ms + (LEAP_S - (14 if system == BEIDOU else 0)) * 1000) % (7 * DAY_S * 1000)


_CELL = {1: (15, 0, 0, 0), 3: (15, 22, 4, 0), 4: (15, 22, 4, 6), 7: (20, 24, 10, 10)}


def msm(
    system: int,
    level: int,
    station: int,
    utc_s: float,
    satellites: tuple[int, ...],
    signals: tuple[int, ...],
    *,
    more: bool,
    cn0_dbhz: Callable[[int, int], float],
    lock: Callable[[int, int], int] = lambda s, g: 9,
) -> bytes:
    """MSM1, 3, 4 or 7 with every cell filled."""
    code_w, phase_w, lock_w, cn0_w = _CELL[level]
    fields = [
        (FIRST[system] + level, 12),
        (station, 12),
        (epoch_field(system, utc_s), 30),
        (int(more), 1),
        (0, 3),
        (0, 7),
        (0, 2),
        (0, 2),
        (0, 1),
        (0, 3),
        (sum(1 << 64 - s for s in satellites), 64),
        (sum(1 << 32 - g for g in signals), 32),
    ]
    n_sat, n_cell = len(satellites), len(satellites) * len(signals)
    fields.append(((1 << n_cell) - 1, n_cell))
    if level >= 4:
        fields += [(70 + s % 15, 8) for s in satellites]
    if level == 7:
        fields += [(0, 4)] * n_sat
    fields += [(37 * s % 1024, 10) for s in satellites]
    if level == 7:
        fields += [(0, 14)] * n_sat
    cells = [(s, g) for s in satellites for g in signals]
    fields += [(100 + s, code_w) for s, _ in cells]
    if phase_w:
        fields += [(200 + s, phase_w) for s, _ in cells]
        fields += [(lock(s, g) if level < 6 else 300 + lock(s, g), lock_w) for s, g in cells]
        fields += [(0, 1)] * n_cell
    if cn0_w:
        fields += [(round(cn0_dbhz(s, g) * (1 if cn0_w == 6 else 16)), cn0_w) for s, g in cells]
    if level == 7:
        fields += [(0, 15)] * n_cell
    return frame(pack(*fields))


@dataclass(frozen=True)
class Base:
    """A base: what it sends, and how often."""

    station: int = 412
    arp_m: tuple[float, float, float] = ARP_M
    systems: tuple[int, ...] = (GPS, GLONASS, GALILEO, BEIDOU)
    level: int = 4
    interval_s: float = 1.0
    arp_every_s: float | None = 10.0
    bias_every_s: float | None = 30.0
    descriptor_every_s: float | None = 30.0
    antenna: str = "RNG-80 NONE"
    receiver: str = "INVENTED RX"
    computed: bool = False
    bands: int = 2
    satellites: int = 9
    cn0_dbhz: float = 45.0
    clock_s: float = 0.0  # how far its epochs are ahead of UTC

    def epoch(self, utc_s: float) -> list[bytes]:
        """Frames of one epoch, in the order in which a base sends them."""
        t, frames = utc_s + self.clock_s, []

        def due(every_s: float | None, offset_s: float) -> bool:
            return every_s is not None and (utc_s - offset_s) % every_s < self.interval_s

        for i, system in enumerate(self.systems):
            frames.append(
                msm(
                    system,
                    self.level,
                    self.station,
                    t,
                    SATELLITES[system][: self.satellites],
                    TWO_BANDS[system][: self.bands],
                    more=i < len(self.systems) - 1,
                    cn0_dbhz=lambda s, g: self.cn0_dbhz + (s * 7 + g) % 5 - 2,
                )
            )
        if due(self.arp_every_s, 2):
            frames.append(arp_1005(self.station, self.arp_m, computed=self.computed))
        if due(self.bias_every_s, 4):
            frames.append(bias_1230(self.station))
        if due(self.descriptor_every_s, 5):
            frames.append(descriptor_1033(self.station, self.antenna, self.receiver))
        return frames


def moved(base: Base, east_m: float, **changes: object) -> Base:
    """The base some metres along the second axis, with other changes."""
    x, y, z = base.arp_m
    return replace(base, arp_m=(x, y + east_m, z), **changes)  # type: ignore[arg-type]


Sent = tuple[float, bytes]  # UTC of sending [s of week], frame


def sent(base: Base, seconds: float, start_s: float = 3 * DAY_S + 36_000.0) -> list[Sent]:
    """All frames of a base over a time."""
    n = int(seconds / base.interval_s)
    return [(start_s + i * base.interval_s, f) for i in range(n) for f in base.epoch(start_s + i * base.interval_s)]


def by_epoch(frames: Iterable[Sent]) -> Iterator[tuple[float, list[bytes]]]:
    """Frames gathered by their time of sending."""
    last: float | None = None
    group: list[bytes] = []
    for t, f in frames:
        if last is not None and t != last:
            yield last, group
            group = []
        last = t
        group.append(f)
    if last is not None:
        yield last, group


def without_epochs(frames: list[Sent], lost: Callable[[int, float], bool]) -> list[Sent]:
    """What is left when whole epochs are lost; ``lost`` gets the epoch's number and time."""
    return [(t, f) for i, (t, group) in enumerate(by_epoch(frames)) if not lost(i, t) for f in group]


def damaged(frames: list[Sent], share: float, seed: int) -> list[Sent]:
    """A share of the frames with one bit turned."""
    rng, out = random.Random(seed), []
    for t, f in frames:
        if rng.random() < share:
            i = rng.randrange(24, len(f) * 8)
            f = f[: i // 8] + bytes((f[i // 8] ^ 1 << i % 8,)) + f[i // 8 + 1 :]
        out.append((t, f))
    return out


@dataclass
class Radio:
    """A first-in first-out link of a fixed rate with a buffer: what comes out when, and what does not."""

    rate_bps: float
    buffer_bytes: int = 4000
    delay_s: float = 0.15
    _free_s: float = field(default=0.0)

    def carry(self, frames: list[Sent]) -> list[Sent]:
        """Frames with the time of their arrival; a frame that finds the buffer full is lost."""
        out, self._free_s = [], 0.0
        for t, f in frames:
            waiting_bytes = max(0.0, self._free_s - t) * self.rate_bps / 8
            if waiting_bytes + len(f) > self.buffer_bytes:
                continue
            self._free_s = max(self._free_s, t) + len(f) * 8 / self.rate_bps
            out.append((self._free_s + self.delay_s, f))
        return out


def stream(frames: Iterable[Sent]) -> bytes:
    """The bytes of frames."""
    return b"".join(f for _, f in frames)
