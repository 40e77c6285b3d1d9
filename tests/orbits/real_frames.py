"""A plain splitter of recorded RTCM streams for tests, independent of the package."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from pyrtcm.rtcmhelpers import calc_crc24q


def frames_of(path: Path) -> Iterator[bytes]:
    """Whole frames with a good CRC."""
    data, i = path.read_bytes(), 0
    while (i := data.find(b"\xd3", i)) >= 0 and i + 6 <= len(data):
        end = i + 6 + ((data[i + 1] & 3) << 8 | data[i + 2])
        if end - i > 8 and end <= len(data) and calc_crc24q(data[i:end]) == 0:
            yield data[i:end]
            i = end
        else:
            i += 1


def payloads_of(path: Path) -> Iterator[bytes]:
    """Payloads of whole frames."""
    for frame in frames_of(path):
        yield frame[3:-3]


_LIGHT_MS_M = 299_792.458
_SYSTEM_OF = {107: 1, 108: 2, 109: 3, 110: 7, 111: 5, 112: 4, 113: 6}


def msm_cells(payload: bytes) -> list[dict[str, float]]:
    """Cells of one MSM4 to MSM7 payload: system, satellite, signal, pseudorange_m, phase_range_m, cn0_dbhz, lock."""
    bits = int.from_bytes(payload, "big")
    total, pos = len(payload) * 8, 0

    def take(n: int, signed: bool = False) -> int:
        nonlocal pos
        pos += n
        value = bits >> total - pos & (1 << n) - 1
        return value - (1 << n) if signed and value >> n - 1 else value

    message, _, epoch = take(12), take(12), take(30)
    kind = message % 10
    take(19)
    sat_mask, sig_mask = take(64), take(32)
    sats = [i + 1 for i in range(64) if sat_mask >> 63 - i & 1]
    sigs = [i + 1 for i in range(32) if sig_mask >> 31 - i & 1]
    cells = [(s, g) for s in sats for g in sigs if take(1)]
    whole = [take(8) for _ in sats]
    info = [take(4) for _ in sats] if kind in (5, 7) else [15] * len(sats)
    rough = [take(10) for _ in sats]
    if kind in (5, 7):
        [take(14) for _ in sats]
    wide = kind in (6, 7)
    n_code, n_phase, n_lock, n_cn0 = (20, 24, 10, 10) if wide else (15, 22, 4, 6)
    code = [take(n_code, True) for _ in cells]
    phase = [take(n_phase, True) for _ in cells]
    lock = [take(n_lock) for _ in cells]
    half = [take(1) for _ in cells]
    cn0 = [take(n_cn0) for _ in cells]
    rows = []
    for i, (s, g) in enumerate(cells):
        k = sats.index(s)
        base_ms = whole[k] + rough[k] / 1024.0 if whole[k] != 255 else float("nan")
        fine = code[i] * 2.0 ** (-29 if wide else -24) if code[i] != -(1 << n_code - 1) else float("nan")
        fine_phase = phase[i] * 2.0 ** (-31 if wide else -29) if phase[i] != -(1 << n_phase - 1) else float("nan")
        rows.append({
            "message": message, "epoch": epoch, "system": _SYSTEM_OF[message // 10], "satellite": s, "signal": g,
            "pseudorange_m": (base_ms + fine) * _LIGHT_MS_M, "phase_range_m": (base_ms + fine_phase) * _LIGHT_MS_M,
            "cn0_dbhz": cn0[i] / 16.0 if wide else float(cn0[i]), "lock": lock[i], "half_cycle": half[i],
            "glonass_channel": info[k] - 7 if message // 10 == 108 and info[k] < 14 else 99,
        })  # fmt: skip
    return rows


def gps_time_s(system: int, epoch: int) -> float:
    """Seconds of the GPS week, GLONASS by 18 leap seconds."""
    if system == 2:
        day, ms = epoch >> 27, epoch & (1 << 27) - 1
        return (day * 86_400.0 + ms / 1e3 - 10_800.0 + 18.0) % 604_800.0
    return epoch / 1e3 + (14.0 if system == 4 else 0.0)
