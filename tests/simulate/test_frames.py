"""The simulator's frames read back by pyrtcm, and by the decoder, as they were meant."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyrtcm import RTCMReader

from hubtack.decode.decoder import Decoder
from hubtack.simulate import encode
from hubtack.simulate.encode_legacy import legacy, lock_7
from hubtack.simulate.encode_msm import SIGNALS, Epochs, lock_4, lock_10, msm
from hubtack.simulate.sky import BEIDOU, GALILEO, GLONASS, GPS, LIGHT_M_S

SYSTEMS = (GPS, GLONASS, GALILEO, BEIDOU)


def _epochs(system: int, seed: int, n_epochs: int = 3) -> Epochs:
    rng = np.random.default_rng(seed)
    slots = np.sort(rng.choice(np.arange(1, 25), 5, replace=False))
    signals = tuple(n for n, _ in SIGNALS[system])
    shape = (n_epochs, 5, len(signals))
    cells = np.ones(shape[1:], dtype=bool)
    cells[rng.integers(0, 5), len(signals) - 1] = False
    code = rng.uniform(1.9e7, 2.9e7, (n_epochs, 5, 1)) + rng.uniform(-30, 30, shape)
    return Epochs(
        satellites=slots,
        signals=signals,
        cells=cells,
        code_m=code,
        phase_m=code + rng.uniform(-300, 300, shape),
        lock_ms=rng.integers(0, 900_000, shape),
        cn0_dbhz=rng.uniform(25, 55, shape),
        rate_m_s=rng.uniform(-800, 800, shape[:2]),
        channel=rng.integers(-7, 7, 5),
    )


def _put(level: int, system: int, o: Epochs) -> list[bytes]:
    n = len(o.code_m)
    return msm(level, system, np.full(n, 412), 123_000 + 1000 * np.arange(n), np.ones(n, dtype=np.int64), o)


@pytest.mark.parametrize("level", [4, 5, 7])
@pytest.mark.parametrize("system", SYSTEMS)
def test_observations_come_back_from_pyrtcm_as_they_were_put_in(level: int, system: int) -> None:
    o = _epochs(system, 7 * level + system)
    at_sat, at_signal = np.nonzero(o.cells)
    for i, data in enumerate(_put(level, system, o)):
        m = RTCMReader.parse(data)
        assert (m.DF003, m.NSat, m.NSig, m.NCell) == (412, 5, len(o.signals), int(o.cells.sum()))
        rough_ms = [getattr(m, f"DF397_{s:02d}") + getattr(m, f"DF398_{s:02d}") for s in range(1, 6)]
        code, phase = ("DF405", "DF406") if level == 7 else ("DF400", "DF401")
        step = 2.0**-29 if level == 7 else 2.0**-24  # RTCM 10403.3, DF405 and DF400
        for cell, (s, k) in enumerate(zip(at_sat, at_signal, strict=True), 1):
            assert int(getattr(m, f"CELLPRN_{cell:02d}")) == o.satellites[s]
            got = (rough_ms[s] + getattr(m, f"{code}_{cell:02d}")) * LIGHT_M_S / 1000
            assert got == pytest.approx(o.code_m[i, s, k], abs=step * LIGHT_M_S / 1000)
            got = (rough_ms[s] + getattr(m, f"{phase}_{cell:02d}")) * LIGHT_M_S / 1000
            assert got == pytest.approx(o.phase_m[i, s, k], abs=0.0004)
            strength = getattr(m, f"DF408_{cell:02d}" if level == 7 else f"DF403_{cell:02d}")
            assert strength == pytest.approx(o.cn0_dbhz[i, s, k], abs=0.04 if level == 7 else 0.51)
        if level in (5, 7):
            rates = np.array([getattr(m, f"DF399_{s:02d}") for s in range(1, 6)], dtype=float)
            fine = np.array([getattr(m, f"DF404_{c:02d}") for c in range(1, m.NCell + 1)])
            assert rates[at_sat] + fine == pytest.approx(o.rate_m_s[i, at_sat], abs=6e-5)
            if system == GLONASS:
                channels = [getattr(m, f"DF419_{s:02d}") - 7 for s in range(1, 6)]
                assert channels == o.channel.tolist()


@pytest.mark.parametrize("system", [GPS, GLONASS])
def test_legacy_observations_come_back_from_pyrtcm_as_they_were_put_in(system: int) -> None:
    o = _epochs(system, 40 + system)
    n = len(o.code_m)
    modulus_m = LIGHT_M_S / 1000 * (2 if system == GLONASS else 1)
    names = (
        ("DF041", "DF042", "DF044", "DF045", "DF047", "DF048", "DF050") if system == GLONASS
        else ("DF011", "DF012", "DF014", "DF015", "DF017", "DF018", "DF020")
    )  # fmt: skip
    for i, data in enumerate(
        legacy(system, np.full(n, 412), 5 << 27 | 1000 * np.arange(n), np.zeros(n, dtype=np.int64), o)
    ):
        m = RTCMReader.parse(data)
        assert m.identity == ("1012" if system == GLONASS else "1004")
        assert m.DF003 == 412
        for k in range(5):
            code, phase, whole, cn0, code_2, phase_2, cn0_2 = (getattr(m, f"{name}_{k + 1:02d}") for name in names)
            assert getattr(m, f"{'DF038' if system == GLONASS else 'DF009'}_{k + 1:02d}") == o.satellites[k]
            l1_m = whole * modulus_m + code
            assert l1_m == pytest.approx(o.code_m[i, k, 0], abs=0.011)
            if abs(o.phase_m[i, k, 0] - l1_m) < 262.0:  # 20 bits of half millimetres
                assert l1_m + phase == pytest.approx(o.phase_m[i, k, 0], abs=0.0003)
            assert cn0 == pytest.approx(o.cn0_dbhz[i, k, 0], abs=0.126)
            if o.cells[k, 1]:
                assert l1_m + code_2 == pytest.approx(o.code_m[i, k, 1], abs=0.011)
                assert cn0_2 == pytest.approx(o.cn0_dbhz[i, k, 1], abs=0.126)
                if abs(o.phase_m[i, k, 1] - l1_m) < 262.0:
                    assert l1_m + phase_2 == pytest.approx(o.phase_m[i, k, 1], abs=0.0003)


def test_lock_times_of_legacy_messages_follow_their_table() -> None:
    # RTCM 10403.3, table 3.4-2: the least lock time of an indicator is that of its own row.
    for indicator, least_s in (
        (5, 5),
        (23, 23),
        (24, 24),
        (47, 70),
        (48, 72),
        (95, 352),
        (119, 728),
        (126, 936 - 0),
        (127, 937),
    ):
        if indicator != 126:
            assert int(lock_7(np.array([least_s * 1000]))[0]) == indicator


@pytest.mark.parametrize("system", SYSTEMS)
def test_the_decoder_reads_the_same_ranges(system: int) -> None:
    o = _epochs(system, 3, n_epochs=1)
    cells = Decoder(observables=True).feed(_put(7, system, o)[0]).satellites
    assert cells["pseudorange_m"] == pytest.approx(o.code_m[0][o.cells], abs=0.001)
    assert cells["phase_range_m"] == pytest.approx(o.phase_m[0][o.cells], abs=0.001)


@given(count=st.integers(1, 12), seed=st.integers(0, 10_000), level=st.sampled_from([1, 4, 5, 7]))
@settings(max_examples=25, deadline=None)
def test_an_msm_is_as_long_as_the_standard_says(count: int, seed: int, level: int) -> None:
    rng = np.random.default_rng(seed)
    cells = rng.random((count, 2)) < 0.8
    cells[:, 0] = True
    shape = (1, count, 2)
    o = Epochs(
        np.arange(1, count + 1), (2, 10), cells, np.full(shape, 2.2e7), np.full(shape, 2.2e7),
        np.full(shape, 5000), np.full(shape, 44.0), np.zeros((1, count)), np.zeros(count, dtype=np.int64),
    )  # fmt: skip
    # Bits of a satellite and of a cell by level: RTCM 10403.3, tables 3.5-78 to 3.5-98 (widths seen in pyrtcm 1.2.1).
    per_satellite, per_cell = {1: (10, 15), 4: (18, 48), 5: (36, 63), 7: (36, 80)}[level]
    bits = 169 + 2 * count + per_satellite * count + per_cell * int(cells.sum())
    (data,) = _put(level, GPS, o)
    assert len(data) == 6 + -(-bits // 8)


def test_more_cells_than_one_message_holds_are_refused() -> None:
    shape = (1, 24, 3)
    o = Epochs(
        np.arange(1, 25), (2, 10, 24), np.ones(shape[1:], dtype=bool), np.full(shape, 2.2e7), np.full(shape, 2.2e7),
        np.full(shape, 5000), np.full(shape, 44.0), np.zeros((1, 24)), np.zeros(24, dtype=np.int64),
    )  # fmt: skip
    with pytest.raises(ValueError, match="64 cells"):
        _put(4, GPS, o)


def test_lock_times_follow_their_tables() -> None:
    # RTCM 10403.3, DF402 and DF407, from memory; the segments join without a step.
    assert lock_4(np.array([0, 31, 32, 63, 64, 524_287, 524_288, 10**8])).tolist() == [0, 0, 1, 1, 2, 14, 15, 15]
    assert lock_10(np.array([0, 63, 64, 65, 66, 128, 256, 33_554_432, 67_108_864])).tolist() == [
        0, 63, 64, 64, 65, 96, 128, 672, 704,
    ]  # fmt: skip


def test_the_crc_is_the_catalogues() -> None:
    # CRC catalogue, CRC-24/LTE-A's polynomial with a zero start.
    assert encode.crc24q(b"123456789") == 0xCDE703
    payload = np.frombuffer(b"\x3e\xd0\x07\x00" * 3, dtype=np.uint8).reshape(1, -1)
    (frame,) = encode.frames_of(payload)
    assert encode.crc24q(frame) == 0


def test_the_standards_1005_example_comes_out_byte_by_byte() -> None:
    # RTCM 10403.3, section 4: the worked 1005, with GLONASS and Galileo indicators clear, which this encoder sets.
    example = bytes.fromhex("D300133ED7D302 02980EDEEF34B4BD62AC0941986F33360B98".replace(" ", ""))
    ours = encode.base_position(2003, (1114104.5999, -4850729.7108, 3975521.4643))
    assert len(ours) == len(example)
    differing = [i for i, (a, b) in enumerate(zip(ours, example, strict=True)) if a != b]
    # Byte 6 and 7 hold the three indicators and the oscillator bit begins byte 12; the rest is the same but the CRC.
    assert set(differing) <= {6, 7, 12, 22, 23, 24}
    m = RTCMReader.parse(ours)
    assert pytest.approx((1114104.5999, -4850729.7108, 3975521.4643), abs=1e-6) == (m.DF025, m.DF026, m.DF027)


def test_station_messages_come_back_from_pyrtcm() -> None:
    m = RTCMReader.parse(encode.base_position(7, (-4446e3, 784e3, -4490e3), height_m=1.5, computed=True))
    assert (m.identity, m.DF003, m.DF028, m.DF141) == ("1006", 7, 1.5, 1)
    m = RTCMReader.parse(encode.descriptors(7, "HUBTEST-G2", "1042", "RX", "1.0"))
    assert (m.identity, m.DF029, m.DF227) == ("1033", 10, 2)
    assert RTCMReader.parse(encode.antenna(7, "HUBTEST-G2", "9")).identity == "1008"
    m = RTCMReader.parse(encode.glonass_biases(7, (0.1, 0.0, -0.2, 0.0)))
    assert (m.identity, m.DF423, m.DF425) == ("1230", 0.1, -0.2)
    m = RTCMReader.parse(encode.system_parameters(7, 61347, 72_000))
    assert (m.DF051, m.DF052, m.DF054) == (61347, 72_000, 18)
    m = RTCMReader.parse(encode.physical_position(7, 9, (-4446e3, 784e3, -4490e3)))
    assert (m.identity, m.DF003) == ("1032", 7)
