"""What the stream itself says of its coordinate system: messages 1021 to 1027 and 1300 to 1302, read and put in words.

Most streams carry none of them. A transformation that is complete gives a step like those PROJ computes, which the
datum fit tries; its rotations are tried with either sign, since which of the two conventions a caster follows is seen
to differ. No I/O.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hubtack.control.datum_candidates import Candidate, Candidates
from hubtack.decode.decoder import Decoder
from hubtack.decode.tables import Decoded
from hubtack.geo import ecef_offset_to_enu, geodetic_to_ecef
from hubtack.knowledge.datum_messages import DATUM_MESSAGES
from hubtack.knowledge.datums import PLATE_SIGMA_M
from hubtack.safe import safe_text

Floats = NDArray[np.float64]
_ARCSEC_RAD = np.pi / 180.0 / 3600.0
_MJD_2000 = 51544.5  # 2000-01-01 12:00
_FARTHEST_M = 100.0  # a step that a control mark could still be meant in


@dataclass(frozen=True, slots=True)
class DatumMessage:
    """One message: its number and its fields by name (see ``knowledge.datum_messages``)."""

    number: int
    fields: Mapping[str, str | int | float]


class KeepingDecoder(Decoder):
    """A decoder that also keeps the newest payload of each datum message in ``kept``, by message number."""

    def __init__(self, kept: dict[int, bytes]) -> None:
        super().__init__(keep_payloads=frozenset(DATUM_MESSAGES))
        self._kept = kept

    def feed(self, data: bytes) -> Decoded:
        """As ``Decoder.feed``."""
        return self._note(super().feed(data))

    def release(self) -> Decoded:
        """As ``Decoder.release``."""
        return self._note(super().release())

    def flush(self) -> Decoded:
        """As ``Decoder.flush``."""
        return self._note(super().flush())

    def _note(self, decoded: Decoded) -> Decoded:
        for _, _, number, payload in decoded.payloads:
            self._kept[number] = payload
        return decoded


def parse_datum_message(payload: bytes) -> DatumMessage | None:
    """Fields of one payload; None where it is no datum message, or shorter than what it announces."""
    bits, left = int.from_bytes(payload, "big"), len(payload) * 8
    if left < 12:
        return None
    number = bits >> (left - 12)
    left -= 12
    if number not in DATUM_MESSAGES:
        return None

    def take(width: int) -> int | None:
        nonlocal left
        if left < width:
            return None
        left -= width
        return bits >> left & (1 << width) - 1

    fields: dict[str, str | int | float] = {}
    for field in DATUM_MESSAGES[number]:
        value = take(field.width)
        if value is None:
            return None
        if field.kind == "s":
            text = take(8 * value)
            if text is None:
                return None
            fields[field.name] = safe_text(text.to_bytes(value, "big").decode("latin-1").strip(" \0"), 40)
            continue
        if field.kind == "i" and value >> (field.width - 1):
            value -= 1 << field.width
        fields[field.name] = value if field.step == 1.0 else value * field.step
    return DatumMessage(number, fields)


def messages_of(kept: Mapping[int, bytes]) -> list[DatumMessage]:
    """The kept payloads that could be read, by number."""
    found = (parse_datum_message(kept[number]) for number in sorted(kept))
    return [message for message in found if message is not None]


def words(message: DatumMessage) -> str:
    """One line on a message, for a person."""
    f = message.fields
    if message.number in (1021, 1022, 1301):
        turn = max(abs(float(f[k])) for k in ("rx_arcsec", "ry_arcsec", "rz_arcsec"))
        return (
            f"{message.number}: from {f['source'] or 'unnamed'} to {f['target'] or 'unnamed'}: shift "
            f"{f['dx_m']:.3f}, {f['dy_m']:.3f}, {f['dz_m']:.3f} m, rotations up to {turn:.5f} arc seconds, scale "
            f"{f['scale_ppm']:.5f} ppm"
        )
    if message.number in (1023, 1024):
        what = [word for word, key in (("plan", "shifts_plan"), ("height", "shifts_height")) if f[key]]
        return f"{message.number}: a grid of residuals in {' and '.join(what) or 'nothing'} is sent; shown, not used"
    if message.number == 1300:
        return f"1300: the service is in {f['name'] or 'an unnamed system'} (coordinate epoch field {f['epoch_years']:.2f})"
    if message.number == 1302:
        fixed = "fixed to a plate" if f["plate_fixed"] else "global"
        return f"1302: the stream is in {f['name'] or 'an unnamed system'}, {fixed}"
    return f"{message.number}: projection type {f['projection']} of system {f['system_id']}; shown, not used"


def stream_candidates(
    messages: list[DatumMessage],
    lat_deg: float,
    lon_deg: float,
    h_ellipsoid_m: float,
    epoch: float | None,
    *,
    convergence_deg: float = 0.0,
) -> Candidates:
    """The steps of the stream's own transformations at a place, either way round."""
    out = Candidates()
    here = geodetic_to_ecef(np.array([lat_deg]), np.array([lon_deg]), np.array([h_ellipsoid_m]))[0]
    turn = np.radians(convergence_deg)
    for message in messages:
        if message.number not in (1021, 1022, 1301):
            continue
        if message.number == 1301 and epoch is None:
            out.not_tried.append("the stream's transformation 1301: the log has no date (give --date YYYY-MM-DD)")
            continue
        source, target = message.fields["source"] or "its source", message.fields["target"] or "its target"
        seen: list[Floats] = []
        for sign in (1.0, -1.0):
            step = _step_m(message, here, sign, epoch)
            if any((np.abs(step - other) < 0.001).all() for other in seen):
                continue
            seen.append(step)
            if np.abs(step).max() > _FARTHEST_M:
                out.not_tried.append(
                    f"the stream's transformation {message.number}: a step of over 100 m, to an old datum"
                )
                continue
            for way, base, mark in ((-1.0, source, target), (1.0, target, source)):
                e, n, u = ecef_offset_to_enu((way * step)[None, :], np.array([lat_deg]), np.array([lon_deg]))[0]
                grid = (
                    float(e * np.cos(turn) - n * np.sin(turn)),
                    float(e * np.sin(turn) + n * np.cos(turn)),
                    float(u),
                )
                out.tried.append(
                    Candidate(
                        f"base in {base}, mark in {mark}, by the stream's own message {message.number}",
                        "frame",
                        grid,
                        (PLATE_SIGMA_M,) * 3,
                        f"the stream sends a step from {source} to {target}: does the receiver apply it, and is the "
                        "mark's sheet in the same system?",
                    )
                )
    return out


def _step_m(message: DatumMessage, xyz_m: Floats, sign: float, epoch: float | None) -> Floats:
    """Target less source, Earth-centred (3,), by the linear seven-parameter formula. [m]

    ``sign`` +1: position vector rotation (EPSG method 1033); -1: coordinate frame rotation (EPSG method 1032).
    """
    f: Mapping[str, Any] = message.fields
    years = 0.0
    if message.number == 1301 and epoch is not None:
        years = epoch - (2000.0 + (float(f["reference_mjd"]) - _MJD_2000) / 365.25)

    def at(name: str) -> float:
        return float(f[name]) + years * float(f.get(f"{name}_per_year", 0.0))

    shift = np.array([at("dx_m"), at("dy_m"), at("dz_m")])
    turn = sign * _ARCSEC_RAD * np.array([at("rx_arcsec"), at("ry_arcsec"), at("rz_arcsec")])
    pivot = np.array([float(f.get(f"pivot_{axis}_m", 0.0)) for axis in "xyz"])
    about = xyz_m - pivot
    scale = at("scale_ppm") * 1e-6
    return np.asarray(shift + np.cross(turn, about) + scale * about, dtype=np.float64)
