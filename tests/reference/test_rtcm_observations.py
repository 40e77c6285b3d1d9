"""Observation messages, value by value against pyrtcm (a reference decoder) and against the fields it was made of."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from pyrtcm import RTCMReader
from tests.reference.rtcm_frames import RECORDED, Msm, frame, packed, random_msm, recorded_frames

from hubtack.decode.decoder import Decoder
from hubtack.decode.tables import Decoded
from hubtack.knowledge.messages import MSM_BASE, is_known, message_name, msm_level, system_of
from hubtack.knowledge.signals import SIGNALS, rinex_code

C_M_MS = 299_792.458  # RTCM 10403.3: c in metres a millisecond
MARKERS = {"DF400": -(2.0**-10), "DF405": -(2.0**-10), "DF401": -(2.0**-8), "DF406": -(2.0**-8)}  # no value [ms]
STREAMS = (
    "station_all_messages.rtcm3", "station_short_msm7.rtcm3", "mixed_nmea_rtcm.bin", "rtcm_network_msm4_02.rtcm3",
    "rtcm_base_msm4_split_epoch_01.rtcm3",
)  # fmt: skip


def decode(data: bytes) -> Decoded:
    return Decoder(observables=True).feed(data)


def same(ours: float, theirs: float | None, tolerance: float = 0.0) -> bool:
    return math.isnan(ours) if theirs is None else abs(ours - theirs) <= tolerance


def check_values(decoded: Decoded, msm: Msm) -> None:
    """Table rows against the raw values that went into the frame; scales and markers as RTCM 10403.3 has them."""
    rows = decoded.satellites
    assert len(rows) == len(msm.cells)
    for i, (satellite, signal) in enumerate(msm.cells):
        raw = {name: msm.raw[name][i] for name in msm.raw if name not in ("DF397", "DF398", "DF399", "ExtSatInfo")}
        k = msm.satellites.index(satellite)
        assert (rows["satellite"][i], rows["signal"][i]) == (satellite, signal)
        rough = None
        if "DF397" in msm.raw and msm.raw["DF397"][k] != 255:
            rough = msm.raw["DF397"][k] + msm.raw["DF398"][k] * 2.0**-10
        for names, column, has, bits in (
            (("DF400", "DF405"), "pseudorange_m", "has_code", (15, 20)),
            (("DF401", "DF406"), "phase_range_m", "has_phase", (22, 24)),
        ):
            name = next((n for n in names if n in raw), None)
            valid = name is not None and raw[name] != -(1 << bits[names.index(name)] - 1)
            assert rows[has][i] == valid
            scale = {"DF400": 2.0**-24, "DF405": 2.0**-29, "DF401": 2.0**-29, "DF406": 2.0**-31}.get(name or "", 0.0)
            want = (rough + raw[name] * scale) * C_M_MS if valid and rough is not None and name else None
            assert same(rows[column][i], want, 1e-7), column
        cn0 = raw.get("DF403", raw.get("DF408", 0) / 16)
        assert same(rows["cn0_dbhz"][i], cn0 or None)
        assert same(rows["half_cycle"][i], raw.get("DF420"))
        if "DF402" in raw:
            assert rows["lock_ms"][i] == (2 ** (raw["DF402"] + 4) if raw["DF402"] else 0)


@pytest.mark.parametrize("base", sorted(MSM_BASE))
@pytest.mark.parametrize("level", range(1, 8))
def test_every_msm_gives_back_what_it_was_made_of(base: int, level: int) -> None:
    rng = random.Random(base + level)
    for _ in range(4):
        msm = random_msm(rng, base, level)
        decoded = decode(msm.data)
        frames = decoded.frames
        assert (frames["type"][0], frames["station_id"][0]) == (msm.number, msm.station)
        assert (frames["n_satellites"][0], frames["n_signals"][0]) == (len(msm.satellites), len(msm.signals))
        assert frames["n_cells"][0] == len(msm.cells)
        assert (frames["epoch_ms"][0], frames["length"][0]) == (msm.epoch, len(msm.data))
        check_values(decoded, msm)


@pytest.mark.parametrize("base", sorted(MSM_BASE))
@pytest.mark.parametrize("level", [1, 3, 4, 5, 6, 7])  # pyrtcm 1.2.1 raises on every MSM2
def test_every_msm_decodes_as_pyrtcm_does(base: int, level: int) -> None:
    rng = random.Random(100 + base + level)
    for _ in range(3):
        compare_with_pyrtcm(random_msm(rng, base, level, SIGNALS[MSM_BASE[base]]).data)


def compare_with_pyrtcm(data: bytes) -> None:
    reference = RTCMReader.parse(data)
    decoded = decode(data)
    frames, rows = decoded.frames, decoded.satellites
    assert frames["type"][0] == int(reference.DF002)  # pyrtcm has text for a maker's own
    level = msm_level(int(reference.DF002))
    if level is None:
        return
    assert (frames["station_id"][0], frames["more"][0], frames["iods"][0]) == (
        reference.DF003, reference.DF393, reference.DF409,
    )  # fmt: skip
    assert (frames["n_satellites"][0], frames["n_signals"][0]) == (reference.NSat, reference.NSig)
    assert frames["n_cells"][0] == reference.NCell == len(rows)
    system = system_of(reference.DF002)
    assert system is not None
    n_pairs = reference.NSat * reference.NSig
    pairs = [k for k in range(n_pairs) if reference.DF396 >> (n_pairs - 1 - k) & 1]
    for i in range(reference.NCell):
        get = {name: getattr(reference, f"{name}_{i + 1:02d}", None) for name in (
            "CELLPRN", "CELLSIG", "DF400", "DF401", "DF402", "DF403", "DF405", "DF406", "DF407", "DF408", "DF420",
        )}  # fmt: skip
        shown = {"SBAS": 119, "QZSS": 192}.get(message_name(reference.DF002).split()[0], 0)
        if str(get["CELLPRN"]).isdigit():  # pyrtcm has a word for numbers that no satellite has
            assert int(rows["satellite"][i]) + shown == int(get["CELLPRN"])
        if get["CELLSIG"] != "/":
            assert rinex_code(system, int(rows["signal"][i])) == get["CELLSIG"]
        assert same(rows["half_cycle"][i], get["DF420"])
        cn0 = get["DF408"] if get["DF408"] is not None else get["DF403"]
        assert same(rows["cn0_dbhz"][i], cn0 or None)
        rough = rough_ms(reference, pairs[i] // reference.NSig)
        for column, coarse, fine in (("pseudorange_m", "DF400", "DF405"), ("phase_range_m", "DF401", "DF406")):
            value = get[fine] if get[fine] is not None else get[coarse]
            marker = MARKERS[fine if get[fine] is not None else coarse]
            want = None if value is None or value == marker or rough is None else (rough + value) * C_M_MS
            assert same(rows[column][i], want, 1e-6), (column, i)


def rough_ms(reference: object, k: int) -> float | None:
    """Rough range of the k-th satellite; None where the message has no whole milliseconds or no value."""
    whole = getattr(reference, f"DF397_{k + 1:02d}", None)
    return None if whole is None or whole == 255 else whole + getattr(reference, f"DF398_{k + 1:02d}")


@pytest.mark.parametrize("name", STREAMS)
def test_recorded_streams_decode_as_pyrtcm_does(name: str) -> None:
    frames = list(recorded_frames(name))
    if not frames:
        pytest.skip(f"no recorded stream {name} under {RECORDED.name}")
    for data in frames[:150]:
        compare_with_pyrtcm(data)


def test_a_block_of_frames_equals_its_frames_one_by_one() -> None:
    rng = random.Random(7)
    made = [random_msm(rng, rng.choice(sorted(MSM_BASE)), rng.randrange(1, 8)).data for _ in range(150)]
    made += [legacy(rng, kind).data for kind in (1001, 1002, 1003, 1004, 1009, 1010, 1011, 1012) for _ in range(5)]
    rng.shuffle(made)
    block, decoder = decode(b"".join(made)), Decoder(observables=True)
    single = Decoded.joined([decoder.feed(data) for data in made])
    for a, b in ((block.frames, single.frames), (block.satellites, single.satellites)):
        np.testing.assert_array_equal(a.pos, b.pos)
        np.testing.assert_array_equal(a.values, b.values)


# Bits a satellite of the legacy messages (RTCM 10403.1, tables 3.1 and 3.2, as pyrtcm's tables reproduce them).
GPS_FIELDS = {
    1001: (6, 1, 24, 20, 7), 1002: (6, 1, 24, 20, 7, 8, 8), 1003: (6, 1, 24, 20, 7, 2, 14, 20, 7),
    1004: (6, 1, 24, 20, 7, 8, 8, 2, 14, 20, 7, 8),
}  # fmt: skip
GLONASS_FIELDS = {
    1009: (6, 1, 5, 25, 20, 7), 1010: (6, 1, 5, 25, 20, 7, 7, 8), 1011: (6, 1, 5, 25, 20, 7, 2, 14, 20, 7),
    1012: (6, 1, 5, 25, 20, 7, 7, 8, 2, 14, 20, 7, 8),
}  # fmt: skip


def legacy(rng: random.Random, kind: int) -> Msm:
    """A legacy observation message of random content."""
    glonass = kind >= 1009
    widths = (GLONASS_FIELDS if glonass else GPS_FIELDS)[kind]
    n = rng.randrange(0, 13)
    sats = sorted(rng.sample(range(1, 25 if glonass else 33), n))
    head = [(kind, 12), (rng.randrange(4096), 12), (rng.randrange(86_400_000), 27 if glonass else 30)]
    head += [(0, 1), (n, 5), (0, 1), (0, 3)]
    body = [(s, w) if j == 0 else (rng.getrandbits(w), w) for s in sats for j, w in enumerate(widths)]
    return Msm(kind, 0, 0, 0, sats, [], [], {}, frame(packed(head + body)))


@pytest.mark.parametrize("kind", [*GPS_FIELDS, *GLONASS_FIELDS])
def test_legacy_observations_decode_as_pyrtcm_does(kind: int) -> None:
    rng = random.Random(kind)
    glonass = kind >= 1009
    # pyrtcm's names: satellite, range, phase, C/N0, ambiguity; then of the second band difference, phase, C/N0.
    names = (
        ("DF038", "DF041", "DF042", "DF045", "DF044", "DF047", "DF048", "DF050")
        if glonass
        else ("DF009", "DF011", "DF012", "DF015", "DF014", "DF017", "DF018", "DF020")
    )
    unit_m = C_M_MS * (2 if glonass else 1)
    for _ in range(20):
        data = legacy(rng, kind).data
        reference, decoded = RTCMReader.parse(data), decode(data)
        rows = decoded.satellites
        first = rows.take(rows["signal"] <= 3)
        n = reference.DF035 if glonass else reference.DF006
        assert decoded.frames["n_satellites"][0] == n == len(first)
        for i in range(n):
            satellite, base, phase, cn0, ambiguity, difference, phase2, cn02 = (
                getattr(reference, f"{name}_{i + 1:02d}", None) for name in names
            )
            assert first["satellite"][i] == satellite
            assert same(first["cn0_dbhz"][i], cn0 or None)
            range_m = None if ambiguity is None else base + ambiguity * unit_m
            assert same(first["pseudorange_m"][i], range_m, 1e-6)
            if range_m is not None and first["has_phase"][i]:
                assert same(first["phase_range_m"][i], range_m + phase, 1e-6)
            second = rows.take((rows["satellite"] == satellite) & (rows["signal"] > 3))
            if phase2 is not None and len(second):
                assert same(second["cn0_dbhz"][0], cn02 or None)
                if range_m is not None and second["has_phase"][0]:
                    assert same(second["phase_range_m"][0], range_m + phase2, 1e-6)
                if range_m is not None and second["has_code"][0] and not math.isnan(second["pseudorange_m"][0]):
                    assert same(second["pseudorange_m"][0], range_m + difference, 1e-6)


def test_numbers_are_named() -> None:
    assert [system_of(n) is not None for n in (1001, 1005, 1074, 1230)] == [True, False, True, False]
    assert all(is_known(n) for n in (1005, 1077, 1230, 4072))
    assert not is_known(17)
