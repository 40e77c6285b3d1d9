"""RINEX navigation files through georinex."""

import numpy as np
import pytest
from tests.orbits.orbit_helpers import LEAP_S, T0_S, encode, glonass_values, kepler_values

from hubtack.errors import LogFormatError
from hubtack.orbits.ephemeris import parse_ephemeris
from hubtack.orbits.navfile import read_rinex_nav
from hubtack.orbits.satellites import satellite_states

pytest.importorskip("georinex")


def _head() -> str:
    return (f"{'     3.04           N: GNSS NAV DATA    M: MIXED':<60}RINEX VERSION / TYPE\n"
            f"{'TEST                TEST                20240313 162000 UTC':<60}PGM / RUN BY / DATE\n"
            f"{'':<60}END OF HEADER\n")  # fmt: skip


def _num(v: float) -> str:
    return f"{v:19.12E}"


def _kepler_record(letter: str, e, when: str, extra: list[float]) -> str:
    lines = [f"{letter}{e.satellite:02d} {when}" + _num(e.af0_s) + _num(e.af1) + _num(e.af2)]
    toe = e.toe_s - (14.0 if letter == "C" else 0.0)
    rows = [
        e.issue,
        e.crs_m,
        e.delta_n_rad_s,
        e.m0_rad,
        e.cuc_rad,
        e.e,
        e.cus_rad,
        e.sqrt_a,
        toe,
        e.cic_rad,
        e.omega0_rad,
        e.cis_rad,
        e.i0_rad,
        e.crc_m,
        e.omega_rad,
        e.omega_dot_rad_s,
        e.idot_rad_s,
        *extra,
    ]
    for i in range(0, len(rows), 4):
        lines.append("    " + "".join(_num(float(v)) for v in rows[i : i + 4]))
    return "\n".join(lines) + "\n"


def test_a_mixed_file_gives_the_satellites_that_the_messages_gave(tmp_path):
    rng = np.random.default_rng(3)
    gps, galileo, beidou = (parse_ephemeris(encode(m, kepler_values(m, 12, rng))) for m in (1019, 1046, 1042))
    glonass = parse_ephemeris(encode(1020, glonass_values(4, rng)))
    # T0 is Wednesday 16:20:00 GPS time; BeiDou's own time tag is 14 s earlier (16 s of its toe step here).
    text = _head()
    text += _kepler_record("G", gps, "2024 03 13 16 20 00", [0, 2305, 0, 2, 0, gps.tgd_s, 17, 0, 4])
    text += _kepler_record(
        "E", galileo, "2024 03 13 16 20 00", [517, 2305, 0, 3, 0, galileo.bgd_e5a_s, galileo.bgd_e5b_s, 0]
    )
    b_toc = beidou.toc_s - 14.0 - T0_S
    text += _kepler_record(
        "C", beidou, f"2024 03 13 16 19 {60 + b_toc:02.0f}", [0, 949, 0, 2, 0, beidou.tgd_s, beidou.tgd2_s, 0, 0]
    )
    s = glonass.state_m
    hh, rest = divmod(glonass.tb_utc_s, 3600)
    lines = [f"R04 2024 03 13 {hh:02.0f} {rest / 60:02.0f} 00" + _num(glonass.af0_s) + _num(glonass.af1) + _num(0)]
    for i, extra in zip(range(3), (0, glonass.channel, 0), strict=True):
        lines.append("    " + "".join(_num(v / 1e3) for v in s[i::3]) + _num(extra))
    path = tmp_path / "made.rnx"
    path.write_text(text + "\n".join(lines) + "\n")

    found = {(e.system, e.satellite): e for e in read_rinex_nav(path)}
    assert set(found) == {(1, 12), (3, 12), (4, 12), (2, 4)}
    for e in (gps, galileo, beidou, glonass):
        other = found[e.system, e.satellite]
        assert other.healthy
        t = np.array([T0_S + 600.0])
        a, b = satellite_states([e], t, LEAP_S), satellite_states([other], t, LEAP_S)
        assert np.linalg.norm(a.pos_ecef_m - b.pos_ecef_m) < 0.01, e.system
        assert abs(a.clock_s - b.clock_s)[0] < 1e-12
    assert found[1, 12].tgd_s == pytest.approx(gps.tgd_s)
    assert found[3, 12].bgd_e5b_s == pytest.approx(galileo.bgd_e5b_s)
    assert found[2, 4].channel == glonass.channel


@pytest.mark.parametrize("content", ["", "nothing of the kind\n", _head()])
def test_a_file_that_is_no_navigation_file_is_named(tmp_path, content):
    path = tmp_path / "wrong.rnx"
    path.write_text(content)
    with pytest.raises(LogFormatError, match=r"wrong\.rnx"):
        read_rinex_nav(path)
