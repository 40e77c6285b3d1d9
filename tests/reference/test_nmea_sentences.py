"""NMEA sentences of any content, value by value against pynmeagps (a reference decoder), by both of our readers."""

from __future__ import annotations

import math
import random
from collections.abc import Mapping

import numpy as np
import pynmeagps
import pytest
from tests.reference.rtcm_frames import RECORDED
from tests.rover_text import sentence

from hubtack.decode.columns import MIN_BYTES
from hubtack.decode.decoder import Decoder
from hubtack.decode.tables import Decoded, unpack_text
from hubtack.units import KNOT_M_S

# Our column and pynmeagps' attribute. It rounds angles to ten decimals and hands out '' for no value.
_SATS = {f"sat_{i}": f"svid_{i:02d}" for i in range(1, 13)}
_VIEWS = {
    name: f"{theirs}_{i:02d}"
    for i in range(1, 5)
    for name, theirs in (
        (f"sat_{i}", "svid"), (f"elevation_{i}_deg", "elv"), (f"azimuth_{i}_deg", "az"), (f"cn0_{i}_dbhz", "cno"),
    )
}  # fmt: skip
_PLACE = {"latitude_deg": "lat", "longitude_deg": "lon"}
SAME_AS: Mapping[str, Mapping[str, str]] = {
    "GGA": {**_PLACE, "quality": "quality", "satellites": "numSV", "hdop": "HDOP", "h_geoid_m": "alt",
            "geoid_separation_m": "sep", "age_s": "diffAge"},
    "GNS": {**_PLACE, "mode": "posMode", "satellites": "numSV", "hdop": "HDOP", "h_geoid_m": "alt",
            "geoid_separation_m": "sep", "age_s": "diffAge"},
    "GST": {"rms_m": "rangeRms", "sigma_major_m": "stdMajor", "sigma_minor_m": "stdMinor", "orientation_deg": "orient",
            "sigma_north_m": "stdLat", "sigma_east_m": "stdLong", "sigma_up_m": "stdAlt"},
    "GSA": {"selection": "opMode", "fix": "navMode", **_SATS, "pdop": "PDOP", "hdop": "HDOP", "vdop": "VDOP"},
    "GSV": {"n_sentences": "numMsg", "index": "msgNum", "in_view": "numSV", **_VIEWS},
    "RMC": {"status": "status", **_PLACE, "speed_m_s": "spd", "course_deg": "cog"},
    "VTG": {"course_deg": "cogt", "speed_m_s": "sogn"},
    "ZDA": {"day": "day", "month": "month", "year": "year"},
    "HDT": {"heading_deg": "headingT"},
    "THS": {"heading_deg": "headt", "mode": "mi"},
    "GBS": {"err_lat_m": "errLat", "err_lon_m": "errLon", "err_h_m": "errAlt"},
}  # fmt: skip
RECORDINGS = ("nmea_rtk_float_static_01.nmea", "nmea_vessel_heading_dgnss_01.log", "rover_sentence_zoo.nmea")


def decode(data: bytes, step: int) -> Decoded:
    decoder = Decoder()
    return Decoded.joined([*(decoder.feed(data[i : i + step]) for i in range(0, len(data), step)), decoder.flush()])


def check(data: bytes, decoded: Decoded) -> int:
    """Compare every sentence that pynmeagps can read; the number of values compared."""
    compared = 0
    for formatter, rows in decoded.sentences.items():
        for i in range(len(rows)):
            text = data[rows.pos[i] : rows.end[i]]
            try:
                reference = pynmeagps.NMEAReader.parse(text + b"\r\n")
            except pynmeagps.NMEAParseError:
                continue  # letters where it wants a number (its trap, not ours)
            if reference is None:
                continue
            for column, attribute in SAME_AS[formatter].items():
                theirs, ours = getattr(reference, attribute, ""), float(rows[column][i])
                compared += 1
                if theirs in ("", None):
                    assert math.isnan(ours), (text, column)
                elif isinstance(theirs, str) and column in ("mode", "status", "selection"):
                    assert unpack_text(ours) == theirs, (text, column)
                elif column == "speed_m_s":
                    assert ours == float(theirs) * KNOT_M_S, (text, column)
                else:
                    tolerance = 6e-11 if column in _PLACE else 0.0
                    assert abs(ours - float(theirs)) <= tolerance, (text, column)
    return compared


def _number(rng: random.Random, whole: int, places: int, *, signed: bool = False) -> str:
    if rng.random() < 0.15:
        return ""
    text = f"{rng.randrange(10**whole)}" if rng.random() < 0.5 else f"{rng.randrange(10**whole):0{whole}d}"
    n = rng.randrange(0, places + 1)
    return ("-" if signed and rng.random() < 0.5 else "") + text + (f".{rng.randrange(10**n):0{n}d}" if n else "")


def _place(rng: random.Random) -> str:
    if rng.random() < 0.1:
        return ",,,"
    n = rng.randrange(1, 9)  # without a point pynmeagps reads no angle
    parts = []
    for width, most, letters in ((2, 89, "NS"), (3, 179, "EW")):
        point = f".{rng.randrange(10**n):0{n}d}" if n else ""
        parts.append(f"{rng.randrange(most + 1):0{width}d}{rng.randrange(60):02d}{point},{rng.choice(letters)}")
    return ",".join(parts)


def _clock(rng: random.Random) -> str:
    return f"{rng.randrange(24):02d}{rng.randrange(60):02d}{rng.randrange(60):02d}.{rng.randrange(1000):03d}"


def random_sentence(rng: random.Random) -> bytes:
    """One of the table's sentences, of any content that fits its fields."""
    num, t, at = lambda w, p, **k: _number(rng, w, p, **k), _clock(rng), _place(rng)
    talker = rng.choice(("GP", "GN", "GL", "GA", "GB", "HE"))
    heights = f"{num(3, 4, signed=True)},M,{num(2, 3, signed=True)},M"
    tail = f"{num(2, 1)},{rng.randrange(4096):04d}"
    letter = rng.choice("ARFN")
    match rng.choice(sorted(SAME_AS)):
        case "GGA":
            body = f"GGA,{t},{at},{rng.randrange(9)},{num(2, 0)},{num(2, 2)},{heights},{tail}"
        case "GNS":
            mode = rng.choice(("A", "AN", "RRNN", "FFFFF", "RRRRNN"))
            body = f"GNS,{t},{at},{mode},{num(2, 0)},{num(2, 2)},{num(3, 3, signed=True)},{num(2, 3)},{tail},V"
        case "GST":
            body = f"GST,{t},{','.join(num(2, 4) for _ in range(7))}"
        case "GSA":
            used, dops = (",".join(num(2, places) for _ in range(n)) for n, places in ((12, 0), (3, 2)))
            body = f"GSA,{rng.choice('AM')},{rng.randrange(1, 4)},{used},{dops},{rng.randrange(1, 7)}"
        case "GSV":
            views = (f"{num(2, 0)},{num(2, 0)},{num(3, 0)},{num(2, 0)}" for _ in range(rng.randrange(1, 5)))
            body = f"GSV,3,{rng.randrange(1, 4)},11,{','.join(views)}" + rng.choice(("", ",1", ",B"))
        case "RMC":
            date = f"{rng.randrange(1, 29):02d}0426"
            body = f"RMC,{t},{rng.choice('AV')},{at},{num(2, 3)},{num(3, 2)},{date},,,{letter},V"
        case "VTG":
            body = f"VTG,{num(3, 2)},T,,M,{num(2, 3)},N,{num(2, 3)},K,{letter}"
        case "ZDA":
            body = f"ZDA,{t},{rng.randrange(1, 29):02d},04,2026,00,00"
        case "HDT":
            body = f"HDT,{num(3, 4)},T"
        case "THS":
            body = f"THS,{num(3, 4)},{rng.choice('AEMSV')}"
        case _:
            body = f"GBS,{t},{num(2, 2)},{num(2, 2)},{num(2, 2)},,,,"
    return sentence(talker + body)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("step", [1_000, 1 << 20], ids=["sentence by sentence", "by columns"])
def test_sentences_decode_as_pynmeagps_does(seed: int, step: int) -> None:
    rng = random.Random(seed)
    data = b"".join(random_sentence(rng) for _ in range(400))
    assert len(data) > MIN_BYTES
    decoded = decode(data, step)
    assert set(decoded.sentences) == set(SAME_AS)
    assert decoded.counts.sentences == 400
    assert check(data, decoded) > 2_000


@pytest.mark.parametrize("name", RECORDINGS)
def test_recorded_logs_decode_as_pynmeagps_does(name: str) -> None:
    path = RECORDED / name
    if not path.exists():
        pytest.skip(f"no recorded log {name} under {RECORDED.name}")
    data = path.read_bytes()
    scalar, columns = decode(data, 4_000), decode(data, 1 << 20)
    assert scalar.counts == columns.counts
    for kind, rows in scalar.sentences.items():
        np.testing.assert_array_equal(rows.values, columns.sentences[kind].values, err_msg=kind)
    check(data[:60_000], decode(data[:60_000], 1 << 20))


def test_times_of_all_recorded_forms_are_those_of_the_clock() -> None:
    rng = random.Random(1)
    for _ in range(200):
        text = _clock(rng)
        rows = decode(sentence(f"GPZDA,{text},01,04,2026,00,00"), 1000).sentences["ZDA"]
        ms = (int(text[:2]) * 3600 + int(text[2:4]) * 60 + int(text[4:6])) * 1000 + int(text[7:])
        assert rows["time_ms"][0] == ms
