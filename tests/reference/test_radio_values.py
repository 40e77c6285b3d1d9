"""Radio figures against ITU-R formulas worked elsewhere and published examples."""

from __future__ import annotations

import pytest

from hubtack.radio.load import epoch_bytes, load
from hubtack.radio.path import (
    Link,
    breakpoint_m,
    bulge_m,
    free_space_db,
    fresnel1_m,
    horizon_m,
    knife_edge_db,
    plane_earth_db,
    work_out,
)


@pytest.mark.parametrize(("mhz", "km", "loss"), [
    (450, 0.1, 65.512), (450, 1, 85.512), (450, 10, 105.512), (915, 1, 91.676), (915, 5, 105.656), (915, 20, 117.697),
])  # fmt: skip
def test_free_space(mhz: float, km: float, loss: float) -> None:
    # ITU-R P.525 with the exact constant 32.4478; equals the reference library pycraf to 0.001 dB.
    assert free_space_db(mhz, km * 1000) == pytest.approx(loss, abs=1e-3)


@pytest.mark.parametrize(("h1", "h2", "km"), [(2, 2, 11.658), (5, 3, 16.356), (10, 3, 20.174), (30, 3, 29.715)])
def test_radio_horizon(h1: float, h2: float, km: float) -> None:
    # 4.1218 km per root of a metre at k = 4/3 (derived; printed as 4.12 in handbooks).
    assert horizon_m(h1, h2) == pytest.approx(km * 1000, abs=1.0)


@pytest.mark.parametrize(
    ("mhz", "km", "radius"), [(450, 0.5, 9.126), (450, 2, 18.251), (450, 10, 40.811), (915, 5, 20.237)]
)
def test_first_fresnel_zone_mid_way(mhz: float, km: float, radius: float) -> None:
    # Exact; ITU-R P.526 eq. 3 (550 form) and P.530 (17.3 form) lie within 0.5 %.
    assert fresnel1_m(mhz, km * 500, km * 500) == pytest.approx(radius, abs=1e-3)
    assert 550 * (km / 2 * km / 2 / (km * mhz)) ** 0.5 == pytest.approx(radius, rel=0.006)


@pytest.mark.parametrize(("v", "loss"), [
    (-1, 0.0), (-0.8, 0.0), (-0.7, 0.536), (-0.5, 1.959), (0, 6.033), (0.5, 10.288), (1, 13.926), (2.4, 20.539), (10, 32.855),
])  # fmt: skip
def test_knife_edge(v: float, loss: float) -> None:
    # ITU-R P.526, 4.1, as in the source of pycraf 2.1.0.
    assert knife_edge_db(v) == pytest.approx(loss, abs=1e-3)


@pytest.mark.parametrize(("mhz", "d1", "d2", "above", "loss"), [
    (450, 1000, 1000, 5, 9.363), (450, 1000, 1000, 10, 12.389), (450, 500, 1500, 3, 8.356), (915, 1000, 1000, -5, 1.573),
])  # fmt: skip
def test_one_obstacle_on_a_path(mhz: float, d1: float, d2: float, above: float, loss: float) -> None:
    # The obstacle's height is given over the base's ground; the earth's bulge comes on top of it.
    height = 20.0 + above - bulge_m(d1, d2)
    assert work_out(Link(mhz, d1 + d2, 20.0, 20.0, ((d1, height),))).diffraction_db == pytest.approx(loss, abs=1e-2)


@pytest.mark.parametrize(("d", "loss"), [(200, 68.52), (500, 84.44), (1000, 96.48), (2000, 108.52), (5000, 124.44)])
def test_plane_earth_from_five_to_three_metres(d: float, loss: float) -> None:
    assert plane_earth_db(d, 5, 3) == pytest.approx(loss, abs=0.01)


def test_breakpoint_and_the_published_crossover() -> None:
    # 450 MHz, 5 and 3 m: 90 m. Published example: 800 MHz, 30 and 1.5 m cross over at 1.5 km (4 pi h1 h2 / wavelength).
    assert breakpoint_m(450, 5, 3) == pytest.approx(90, abs=0.1)
    assert breakpoint_m(800, 30, 1.5) * 3.14159265 == pytest.approx(1509, abs=1)


@pytest.mark.parametrize(("watts", "gains", "cable", "mhz", "km", "received"), [
    (35, (5, 2), 3, 450, 5, -75.00),  # plane earth, 5 and 3 m
])  # fmt: skip
def test_link_budget(
    watts: float, gains: tuple[float, float], cable: float, mhz: float, km: float, received: float
) -> None:
    link = Link(mhz, km * 1000, 5, 3, (), watts, *gains, cable, -110.0)
    assert work_out(link).received_dbm == pytest.approx(received, abs=0.02)


@pytest.mark.parametrize(("level", "systems", "size"), [
    (3, {"GPS": (10, 2), "GLONASS": (7, 2)}, 260), (4, {"GPS": (10, 2), "GLONASS": (7, 2)}, 302),
    (7, {"GPS": (10, 2), "GLONASS": (7, 2)}, 476),
    (4, {"GPS": (10, 2), "GLONASS": (7, 2), "Galileo": (8, 2), "BeiDou": (10, 2)}, 619),
    (7, {"GPS": (10, 2), "GLONASS": (7, 2), "Galileo": (8, 2), "BeiDou": (10, 2)}, 977),
    (5, {"GPS": (12, 2), "GLONASS": (9, 2), "Galileo": (10, 2), "BeiDou": (14, 2)}, 1034),
])  # fmt: skip
def test_bytes_of_an_epoch(level: int, systems: dict[str, tuple[int, int]], size: int) -> None:
    # RTCM 10403.3 MSM tables: 169 + sats x signals + bits a satellite + bits a cell; frames of 6 bytes.
    assert epoch_bytes(systems, level) == size


@pytest.mark.parametrize(("size", "rate", "overhead", "airtime"), [
    (302, 4800, 0.0, 0.5033), (302, 9600, 0.2, 0.302), (619, 9600, 0.0, 0.5158), (977, 9600, 0.0, 0.8142),
])  # fmt: skip
def test_airtime(size: float, rate: float, overhead: float, airtime: float) -> None:
    assert load(size, 1.0, rate, overhead=overhead).airtime_s == pytest.approx(airtime, abs=1e-4)
