"""The simulator writes causes: its bytes are what the standards say, its ranges fit its sky, its seeds repeat."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pynmeagps
import pytest
from pyrtcm import RTCMReader

from hubtack.decode.decoder import Decoder
from hubtack.simulate import encode
from hubtack.simulate.base_stream import gps_time, views
from hubtack.simulate.faults import CLEAN, FAULTS
from hubtack.simulate.session import Simulated, simulate, write_folder
from hubtack.simulate.sky import GPS, SHELLS, dop, positions_ecef_m
from hubtack.site import load_site

SECONDS = 120


@pytest.fixture(scope="module")
def clean() -> Simulated:
    return simulate([], "tidy", 5, SECONDS, 1.0)


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others(clean: Simulated) -> None:
    again, other = simulate([], "tidy", 5, SECONDS, 1.0), simulate([], "tidy", 6, SECONDS, 1.0)
    assert clean.rover == again.rover
    assert [h.data for h in clean.heard] == [h.data for h in again.heard]
    assert clean.rover != other.rover


def test_every_frame_is_read_by_pyrtcm_and_every_sentence_by_pynmeagps(clean: Simulated) -> None:
    kinds = set()
    for heard in clean.heard[:200]:
        kinds.add(RTCMReader.parse(heard.data).identity)
    assert {"1005", "1006", "1033", "1230", "1013", "1019"} <= kinds
    for _, data in clean.rover[:20]:
        for line in data.splitlines(keepends=True):
            assert pynmeagps.NMEAReader.parse(line) is not None


@pytest.mark.parametrize("level", [4, 7])
@pytest.mark.parametrize("system", [1, 2, 3, 4])
def test_observations_come_back_as_they_were_put_in(level: int, system: int) -> None:
    observed = [
        encode.Observed(n, (2.1e7 + n * 1e4, 2.1e7 + n * 1e4 + 4.2), (2.1e7 + n * 1e4 - 7.1, 2.1e7 + n * 1e4 + 9.3), 70_000, (45.0, 41.0))
        for n in (1, 8, 23)
    ]  # fmt: skip
    data = encode.msm(level, system, 412, 123_000, observed, more=True)
    cells = Decoder(observables=True).feed(data).satellites
    assert list(cells["satellite"]) == [1, 1, 8, 8, 23, 23]
    step_m = 0.02 if level == 4 else 0.001
    for i, o in enumerate(observed):
        assert cells["pseudorange_m"][2 * i : 2 * i + 2] == pytest.approx(o.code_m, abs=step_m)
        assert cells["phase_range_m"][2 * i : 2 * i + 2] == pytest.approx(o.phase_m, abs=0.001)
    # 70 s of lock: at least 65.536 s by DF402 and 65.536 s + by DF407 (RTCM 10403.3, lock time tables).
    assert (cells["lock_ms"] >= 65_536).all() and (cells["lock_ms"] <= 70_000).all()


def test_ranges_fit_the_sky_they_were_made_from(clean: Simulated) -> None:
    """Differences between satellites, which the receiver's clock leaves alone, agree to the noise and small delays."""
    world = clean.world
    seen = views(world, world.base.position_m)[GPS]
    frames = [h.frame for h in clean.heard if h.frame is not None and h.frame.system == GPS and h.frame.epoch_s == 60.0]
    cells = Decoder(observables=True).feed(frames[0].data).satellites
    first = cells.take(cells["signal"] == 2)
    index = first["satellite"].astype(int) - 1
    difference = first["pseudorange_m"] - seen.range_m[60, index]
    # Satellite clocks are drawn with 20 microseconds (6 km), troposphere up to 24 m: nothing else may be in there.
    assert np.abs(difference).max() < 5 * 2e-5 * 3e8 + 30


def test_ephemerides_describe_the_orbits_the_ranges_come_from(clean: Simulated) -> None:
    """1019 as pyrtcm reads it, through the user algorithm of IS-GPS-200, gives the satellite's place to a metre."""
    frame = next(h.data for h in clean.heard if h.data[3] << 4 | h.data[4] >> 4 == 1019)
    m = RTCMReader.parse(frame)
    _, sow = gps_time(clean.world)
    shell = SHELLS[GPS]
    t = np.array([sow + 30.0])
    truth = positions_ecef_m(shell, t, float(int(sow) // 7200 * 7200))[0, m.DF009 - 1]
    a_m, toe = m.DF092**2, m.DF093
    pi = 3.1415926535898
    since = float(t[0]) - toe
    latitude = m.DF088 * pi + np.sqrt(3.986005e14 / a_m**3) * since
    node = m.DF095 * pi + (m.DF100 * pi - 7.2921151467e-5) * since - 7.2921151467e-5 * toe
    inclination = m.DF097 * pi
    x, y = a_m * np.cos(latitude), a_m * np.sin(latitude)
    place = np.array([
        x * np.cos(node) - y * np.cos(inclination) * np.sin(node), x * np.sin(node) + y * np.cos(inclination) * np.cos(node),
        y * np.sin(inclination),
    ])  # fmt: skip
    assert np.linalg.norm(place - truth) < 1.0


def test_dop_of_a_worked_case() -> None:
    # One satellite at the zenith, three on the horizon 120 degrees apart: PDOP sqrt(8/3), HDOP and VDOP 2/sqrt(3)
    # (Parkinson and Spilker 1996; Langley 1999, from memory).
    pdop, hdop, vdop = dop(np.array([90.0, 0.0, 0.0, 0.0]), np.array([0.0, 0.0, 120.0, 240.0]))
    assert (pdop, hdop, vdop) == pytest.approx((np.sqrt(8 / 3), 2 / np.sqrt(3), 2 / np.sqrt(3)))


def test_the_receiver_reacts_to_a_stall_by_itself() -> None:
    result = simulate(["link_stalled"], "tidy", 8, 360, 1.0)
    cause = result.world.truth[0]
    inside = [h for h in result.heard if cause["start_s"] + 2 < h.t_s < cause["end_s"]]
    assert not inside
    rows = Decoder().feed(b"".join(d for _, d in result.rover)).sentences["GGA"]
    stalled = rows.take(slice(int(cause["start_s"]) + 5, int(cause["end_s"]) - 1))
    age = stalled["age_s"]
    assert np.nanmax(age) > result.world.receiver.keeps_fix_s - 2
    assert (np.diff(age[~np.isnan(age)]) > 0).all()


def test_the_positions_scatter_as_gst_says(clean: Simulated) -> None:
    long = simulate([], "tidy", 9, 1800, 1.0)
    decoded = Decoder().feed(b"".join(d for _, d in long.rover))
    fixed = decoded.sentences["GGA"]["quality"] == 4
    height = decoded.sentences["GGA"]["h_geoid_m"][fixed]
    sigma = np.nanmedian(decoded.sentences["GST"]["sigma_up_m"])
    # Half an hour holds about twenty independent draws of the slow part: within a factor of two.
    assert 0.5 < np.std(height) / sigma < 2.0


@pytest.mark.parametrize("code", sorted(FAULTS))
def test_every_fault_makes_a_session_with_its_truth(tmp_path: Path, code: str) -> None:
    result = simulate([code], "tidy", 3, 90, 1.0)
    write_folder(result, tmp_path / code, mixed=False, command="x", description="")
    truth = json.loads((tmp_path / code / "truth.json").read_text())
    assert truth["faults"][0]["code"] == code
    assert (tmp_path / code / "rover.nmea").stat().st_size > 1000
    site = load_site(tmp_path / code / "site.toml")
    assert site.site.base is not None
    assert site.machine.antenna_separation_m == 1.8


@pytest.mark.parametrize("kind", sorted(CLEAN))
def test_every_ordinary_day_can_be_made(kind: str) -> None:
    assert simulate([], kind, 3, 60, 2.0).rover
