"""Datum messages of the stream, held against pyrtcm field by field."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from pyproj import Transformer
from pyrtcm import RTCM_DATA_FIELDS, RTCM_PAYLOADS_GET, RTCMReader
from tests.link_stream import frame, pack
from tests.rover_text import good_rows

from hubtack.control.stream_crs import KeepingDecoder, messages_of, parse_datum_message, stream_candidates, words
from hubtack.knowledge.datum_messages import DATUM_MESSAGES

TEXTS = {"source": "ITRF2020", "target": "SITE1994", "name": "ITRF2020"}


def payload(number: int, values: dict[str, int]) -> bytes:
    """A payload with raw field values; texts from ``TEXTS``."""
    fields = [(number, 12)]
    for f in DATUM_MESSAGES[number]:
        if f.kind == "s":
            text = TEXTS[f.name].encode()
            fields += [(len(text), f.width), *((byte, 8) for byte in text)]
        else:
            fields.append((values.get(f.name, 0), f.width))
    tail = {1023: 16 * 27 + 26, 1024: 16 * 27 + 26, 1302: 3}.get(number, 0)
    return pack(*fields, *([(0, tail)] if tail else []))


def drawn(number: int, seed: int) -> dict[str, int]:
    rng = random.Random(seed)
    span = {f.name: (0, 2**f.width - 1) if f.kind == "u" else (-(2 ** (f.width - 1)) + 1, 2 ** (f.width - 1) - 1)
            for f in DATUM_MESSAGES[number] if f.kind != "s"}  # fmt: skip
    return {name: rng.randint(*limits) for name, limits in span.items()}


@pytest.mark.parametrize("number", [1021, 1022, 1023, 1024, 1025, 1026, 1027, 1300, 1301])
def test_every_field_is_what_pyrtcm_reads(number):
    values = drawn(number, number)
    message = parse_datum_message(payload(number, values))
    assert message is not None
    theirs = RTCMReader.parse(frame(payload(number, values)))
    order = [k for k, v in RTCM_PAYLOADS_GET[str(number)].items() if not isinstance(v, tuple) and k != "DF002"]
    order = [k for k in order if k not in ("DF143", "DF145", "DF562", "DF565")]  # lengths of texts
    ours = [f for f in DATUM_MESSAGES[number] if f.kind != "s"]
    for field, key in zip(ours, order, strict=False):
        assert RTCM_DATA_FIELDS[key][1] == field.width, (number, field.name, key)
        value = getattr(theirs, key)
        if isinstance(value, bytes | str):
            continue
        assert float(message.fields[field.name]) == pytest.approx(float(value), rel=1e-9, abs=1e-9), field.name
    for f in DATUM_MESSAGES[number]:
        if f.kind == "s":
            assert message.fields[f.name] == TEXTS[f.name]
    assert str(number) in words(message)


def test_the_name_of_a_crs_is_read_of_1302():
    message = parse_datum_message(payload(1302, {"plate_fixed": 1, "plate": 7}))
    assert message is not None
    assert message.fields == {"name": "ITRF2020", "plate_fixed": 1, "plate": 7}


def test_cut_or_foreign_payloads_are_no_message_and_raise_nothing():
    whole = payload(1021, drawn(1021, 3))
    for n in range(len(whole)):
        assert parse_datum_message(whole[:n]) is None
    assert parse_datum_message(pack((1005, 12), (0, 140))) is None
    rng = random.Random(5)
    for _ in range(300):
        data = rng.randbytes(rng.randint(0, 90))
        parse_datum_message(pack((rng.choice(sorted(DATUM_MESSAGES)), 12)) + data)


def test_a_control_character_in_a_name_reaches_no_terminal():
    message = parse_datum_message(pack((1300, 12), (2, 5), (0x1B, 8), (0x5B, 8), (0, 16)))
    assert message is not None
    assert "\x1b" not in words(message)


def test_the_decoder_keeps_the_newest_of_each_kind_among_other_bytes_however_cut():
    first, second = payload(1021, {"dx_m": 100}), payload(1021, {"dx_m": 200})
    data = good_rows(0, 40) + frame(first) + good_rows(40_000, 40) + frame(second) + frame(payload(1300, {}))
    for size in (1, 97, len(data)):
        kept: dict[int, bytes] = {}
        decoder = KeepingDecoder(kept)
        for at in range(0, len(data), size):
            decoder.feed(data[at : at + size])
        decoder.flush()
        assert {m.number: m.fields.get("dx_m") for m in messages_of(kept)} == {1021: 0.2, 1300: None}


def test_a_transformation_of_the_stream_is_the_step_that_proj_computes_with_the_same_numbers():
    # pyproj's own helmert step (position vector and coordinate frame) with the figures of the message.
    raw = {
        "dx_m": 612,
        "dy_m": -480,
        "dz_m": 233,
        "rx_arcsec": 400,
        "ry_arcsec": -300,
        "rz_arcsec": 200,
        "scale_ppm": 150,
    }
    message = parse_datum_message(payload(1021, raw))
    assert message is not None
    lat, lon, h = -45.0, 170.0, 20.0
    to_xyz = Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)
    xyz = np.array(to_xyz.transform(lon, lat, h))
    tried = stream_candidates([message], lat, lon, h, 2026.0).tried
    assert len(tried) == 4  # two conventions, two ways round
    sizes = set()
    for convention in ("position_vector", "coordinate_frame"):
        helmert = Transformer.from_pipeline(
            f"+proj=helmert +x=0.612 +y=-0.480 +z=0.233 +rx=0.008 +ry=-0.006 +rz=0.004 +s=0.003 +convention={convention}"
        )
        sizes.add(round(math.dist(helmert.transform(*xyz), xyz), 4))
    assert {round(float(np.linalg.norm(c.enu_m)), 4) for c in tried} == sizes
    pairs = {tuple(np.round(c.enu_m, 6)) for c in tried}
    assert {tuple(-np.array(p)) for p in pairs} == pairs


def test_a_moving_transformation_needs_a_date_and_an_old_datum_is_not_tried():
    moving = parse_datum_message(payload(1301, {"dx_m": 100, "reference_mjd": 55197, "dx_m_per_year": 500}))
    old = parse_datum_message(payload(1021, {"dx_m": 446_448}))
    assert moving is not None and old is not None
    assert stream_candidates([moving], -45.0, 170.0, 20.0, None).tried == []
    early, late = (stream_candidates([moving], -45.0, 170.0, 20.0, y).tried[0].enu_m for y in (2010.0, 2026.0))
    # 500 x 0.02 mm a year over 16 years: 0.16 m on top of the 0.1 m.
    assert np.linalg.norm(late) == pytest.approx(0.26, abs=0.001)
    assert np.linalg.norm(early) == pytest.approx(0.10, abs=0.001)
    away = stream_candidates([old], -45.0, 170.0, 20.0, 2026.0)
    assert away.tried == []
    assert "100 m" in away.not_tried[0]
