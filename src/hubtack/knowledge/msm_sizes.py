"""Length of an MSM by its contents, for what would fit through a link.

RTCM 10403.3: 169 bits of header, a cell mask of satellites times signals, then bits a satellite and bits a cell; six
bytes of frame around it. Field widths as pyrtcm's tables have them; checked against real frames in tests/reference.
"""

from __future__ import annotations

from collections.abc import Mapping

HEADER_BITS = 169
FRAME_BYTES = 6
SATELLITE_BITS: Mapping[int, int] = {1: 10, 2: 10, 3: 10, 4: 18, 5: 36, 6: 18, 7: 36}
CELL_BITS: Mapping[int, int] = {1: 15, 2: 27, 3: 42, 4: 48, 5: 63, 6: 65, 7: 80}


def msm_frame_bytes(level: int, satellites: float, signals: float, cells: float | None = None) -> int:
    """Length of a whole frame. [byte]

    Parameters
    ----------
    level : int
        MSM1 to MSM7.
    satellites, signals : float
        Number of satellites and of signals in the masks; means of many messages may be broken numbers.
    cells : float, optional
        Satellite-signal pairs that carry data; all of them where it is not given.

    Raises
    ------
    ValueError
        For a level outside 1 to 7.
    """
    if level not in CELL_BITS:
        raise ValueError(f"MSM level {level} is not 1 to 7")
    pairs = satellites * signals
    bits = (
        HEADER_BITS
        + pairs
        + SATELLITE_BITS[level] * satellites
        + CELL_BITS[level] * (pairs if cells is None else cells)
    )
    return FRAME_BYTES + int(-(-bits // 8))
