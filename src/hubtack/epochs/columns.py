"""Rover epochs as columns: one row an epoch, one array a quantity, NaN for what the receiver did not say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Quality as GGA has it (NMEA 0183); GNS and RMC letters are mapped onto the same numbers.
QUALITY_FIXED = 4.0


@dataclass(slots=True)
class Epochs:
    """Rows of rover epochs in the order in which they were opened; every column is (N,).

    Attributes
    ----------
    pos, end : int64
        Offset of the first byte of the row's first sentence, and one past the last byte of its last, in the source.
    kinds : int64
        Bit set of the sentences the row holds, by ``KIND_BIT``.
    kinds_early : int64
        The same for those sentences only that came before the next row opened: what a live row can be expected to
        hold while it is the newest.
    segment : int64
        Number of the stretch without a jump in time.
    tod_ms : int64
        UTC milliseconds since the midnight before the segment's first row; runs on past 24 h.
    time_ns : int64
        The same on the session's axis [ns]; filled in by the session.
    latitude_deg, longitude_deg, h_geoid_m, geoid_separation_m : float
        Position as the receiver has it; ``h_geoid_m`` is the height above its geoid, not above the ellipsoid.
    quality : float
        GGA quality 0 to 9, or the number that fits the mode letters of GNS or RMC.
    satellites, hdop, age_s, station_id : float
        As in GGA or GNS; the station ID is packed text (``decode.tables.unpack_text``).
    minute_decimals, height_decimals : float
        Digits after the point in latitude minutes and in the height: what the output can resolve.
    sigma_major_m ... sigma_up_m : float
        GST: error ellipse (orientation from true north) and 1 sigma by axis.
    pdop, n_used : float
        GSA: dilution of precision, and the number of satellites listed as used.
    n_tracked : float
        GSV: satellites with a signal strength.
    speed_m_s, course_deg : float
        VTG, else RMC.
    rmc_void : float
        1 where RMC says that the data are not valid, 0 where it says they are.
    heading_deg, heading_source : float
        True heading of the antenna line; source 1 HDT, 2 THS, 3 two positions.
    separation_m : float
        Distance of the second antenna where the two give a position stream each.
    date_day : float
        Days since 1970-01-01 of the midnight that ``tod_ms`` counts from, by RMC or ZDA.
    stamp_utc_s : float
        A logger's stamp in front of the row's last sentence. [s since 1970]
    """

    pos: Ints
    end: Ints
    kinds: Ints
    kinds_early: Ints
    segment: Ints
    tod_ms: Ints
    time_ns: Ints
    latitude_deg: Floats
    longitude_deg: Floats
    h_geoid_m: Floats
    geoid_separation_m: Floats
    quality: Floats
    satellites: Floats
    hdop: Floats
    age_s: Floats
    station_id: Floats
    minute_decimals: Floats
    height_decimals: Floats
    sigma_major_m: Floats
    sigma_minor_m: Floats
    orientation_deg: Floats
    sigma_north_m: Floats
    sigma_east_m: Floats
    sigma_up_m: Floats
    pdop: Floats
    n_used: Floats
    n_tracked: Floats
    speed_m_s: Floats
    course_deg: Floats
    rmc_void: Floats
    heading_deg: Floats
    heading_source: Floats
    separation_m: Floats
    date_day: Floats
    stamp_utc_s: Floats

    def __len__(self) -> int:
        return len(self.pos)

    @classmethod
    def blank(cls, n: int, *, filled: bool = True) -> Epochs:
        """``n`` rows in which nothing is known; if not ``filled``, every float column is still to be written."""
        # Two tables and not forty columns: a live row is made twenty times a second.
        table = np.full((_N_FLOATS, n), np.nan) if filled else np.empty((_N_FLOATS, n))
        ints, floats = iter(np.zeros((len(INT_COLUMNS), n), dtype=np.int64)), iter(table)
        columns: dict[str, Any] = {name: next(ints if name in INT_COLUMNS else floats) for name in COLUMNS}
        return cls(**columns)

    def take(self, index: slice | NDArray[np.bool_] | Ints) -> Epochs:
        """The rows that ``index`` picks."""
        return Epochs(**{name: getattr(self, name)[index] for name in COLUMNS})

    def copy(self) -> Epochs:
        """The same rows in arrays of their own."""
        return Epochs(**{name: getattr(self, name).copy() for name in COLUMNS})

    @classmethod
    def concat(cls, parts: Sequence[Epochs]) -> Epochs:
        """All rows of ``parts`` in order."""
        if len(parts) == 1:
            return parts[0]
        if not parts:
            return cls.blank(0)
        return cls(**{name: np.concatenate([getattr(p, name) for p in parts]) for name in COLUMNS})


COLUMNS: tuple[str, ...] = tuple(f.name for f in fields(Epochs))
INT_COLUMNS = frozenset({"pos", "end", "kinds", "kinds_early", "segment", "tod_ms", "time_ns"})
FLOAT_COLUMNS = frozenset(COLUMNS) - INT_COLUMNS
_N_FLOATS = len(COLUMNS) - len(INT_COLUMNS)
KINDS = ("GGA", "GNS", "RMC", "GST", "GBS", "HDT", "THS", "GSA", "GSV", "VTG", "ZDA")
KIND_BIT = {kind: 1 << i for i, kind in enumerate(KINDS)}
