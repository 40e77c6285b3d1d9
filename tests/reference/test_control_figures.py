"""Published and computed values outside the package: accuracy standard, frames, site transformation, F distribution."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import Transformer
from scipy import optimize, stats
from scipy.integrate import trapezoid

from hubtack.control.accuracy import accuracy_report, horizontal_95_m
from hubtack.control.datum_candidates import _step, frame_candidates
from hubtack.control.datum_fit import CHI2_99
from hubtack.control.quantiles import f_tail
from hubtack.control.site_fit import FitPoint, fit_site
from hubtack.geo.crs import convergence_and_scale, find_crs
from hubtack.geo.local_grid import plane_xy_m, to_local
from hubtack.units import FOOT_M, US_SURVEY_FOOT_M


def nssda_table() -> np.ndarray:
    """FGDC-STD-007.3-1998, worked example of a 1:24,000 quadrangle, state plane feet: map less check, east and north.

    Coordinates recalled, not read; their squares sum to the 3706, 5397 and 9103 recalled of the printed table.
    """
    import json
    from pathlib import Path

    rows = json.loads((Path(__file__).parent / "nssda_example.json").read_text())
    return np.array([[r[0] - r[1], r[2] - r[3]] for r in rows], dtype=np.float64)


def test_the_worked_example_of_the_nssda_comes_out():
    d = nssda_table()
    report = accuracy_report(np.column_stack((d, np.full(len(d), np.nan))))
    assert report.points == 20
    assert [float((d[:, i] ** 2).sum()) for i in (0, 1)] == [3706.0, 5397.0]
    assert report.rmse_east_m == pytest.approx(13.61, abs=0.005)
    assert report.rmse_north_m == pytest.approx(16.43, abs=0.005)
    assert report.rmse_radial_m == pytest.approx(21.3, abs=0.05)
    # The document gives 1.7308 x RMSE_r = 36.9 ft; its own form for unequal axes gives 36.8, which is used here.
    assert 1.7308 * report.rmse_radial_m == pytest.approx(36.9, abs=0.05)
    assert report.horizontal_95_m == pytest.approx(2.4477 * 0.5 * (13.6125 + 16.4271), abs=0.001)
    assert not [n for n in report.notes if "NSSDA asks for 20" in n]


def test_the_factors_are_those_of_the_normal_distribution():
    # scipy: chi with 2 degrees of freedom, and the normal distribution.
    assert horizontal_95_m(1.0, 1.0)[0] == pytest.approx(stats.chi.ppf(0.95, 2), abs=2e-4)
    assert horizontal_95_m(1.0, 0.0)[0] == pytest.approx(stats.norm.ppf(0.975), abs=2e-4)
    # Below an axis ratio of 0.6 the exact circle, held against the integral that scipy solves.
    ratio = 0.4
    angle = np.linspace(0, np.pi / 2, 2001)

    def outside(r: float) -> float:
        scale = np.cos(angle) ** 2 + (np.sin(angle) / ratio) ** 2
        return float(trapezoid(np.exp(-(r**2) * scale / 2) / scale, angle) / ratio * 2 / np.pi - 0.05)

    assert horizontal_95_m(1.0, ratio)[0] == pytest.approx(optimize.brentq(outside, 1, 3), abs=1e-3)


def test_the_99_percent_points_are_those_of_chi_square():
    for dof, value in CHI2_99.items():
        assert value == pytest.approx(stats.chi2.ppf(0.99, dof), abs=1e-5)


@pytest.mark.parametrize(
    ("f", "a", "b"), [(0.5, 2, 4), (4.0, 2, 10), (30.0, 1, 3), (1.0, 5, 2), (900.0, 1, 1), (3.0, 2, 200)]
)
def test_the_tail_of_the_f_distribution_is_scipy_s(f, a, b):
    assert f_tail(f, a, b) == pytest.approx(stats.f.sf(f, a, b), rel=1e-9)


def test_alice_springs_steps_from_gda94_to_gda2020_as_its_manual_prints():
    # ICSM GDA2020 Technical Manual v1.0, worked example; EPSG:8048.
    moved = _step(4938, 7842, np.array([-4052051.7643, 4212836.2017, -2545106.0245]), 2020.0)
    assert moved is not None
    assert moved == pytest.approx([-4052052.7379, 4212835.9897, -2545104.5898], abs=0.0002)
    # The same manual, ITRF2014 at epoch 2018.0 to GDA2020 (EPSG:8049).
    moved = _step(7789, 7842, np.array([-4052052.6588, 4212835.9938, -2545104.6946]), 2018.0)
    assert moved is not None
    assert moved == pytest.approx([-4052052.7373, 4212835.9835, -2545104.5867], abs=0.0002)


def test_itrf2014_and_nad83_2011_differ_as_epsg_8970_says():
    # EPSG:8970 (coordinate frame, epoch 2010.0) applied by hand with numpy, at 40 N 83 W, 250 m, epoch 2020.0.
    xyz = np.array([596294.4020, -4856428.1832, 4078146.2690])
    years = 10.0
    t = np.array([1.0053, -1.90921, -0.54157]) + years * np.array([0.79, -0.60, -1.44]) * 1e-3
    mas = np.array([26.78138, -0.42027, 10.93206]) + years * np.array([0.06667, -0.75744, -0.05133])
    r = np.radians(mas * 1e-3 / 3600)
    scale = (0.36891 - years * 0.07201) * 1e-9
    turn = np.array([[0, r[2], -r[1]], [-r[2], 0, r[0]], [r[1], -r[0], 0]])
    by_hand = xyz + t + turn @ xyz + scale * xyz
    moved = _step(7789, 6317, xyz, 2020.0)
    assert moved is not None
    assert moved == pytest.approx(by_hand, abs=0.0005)
    names = {c.name: c for c in frame_candidates(40.0, -83.0, 250.0, 2020.0).tried}
    step = names["base in NAD83(2011), mark in ITRF2014"]
    assert step.enu_m == pytest.approx((0.748, -0.916, 1.194), abs=0.002)


def test_generic_wgs84_gives_no_step_in_proj_and_is_therefore_never_asked():
    # pyproj: WGS 84 to NAD83(2011) and to ETRS89 is exactly nothing, which would hide metres.
    for code in ("EPSG:6318", "EPSG:4258"):
        lon, lat = Transformer.from_crs("EPSG:4326", code, always_xy=True).transform(
            -83.0 if code[-1] == "8" else 5.0, 40.0
        )
        assert abs(lat - 40.0) < 1e-9
        assert lon == pytest.approx(round(lon), abs=1e-9)


def test_the_two_feet_differ_by_two_parts_in_a_million():
    # Federal Register vol. 85 no. 193 (5 Oct 2020): 1200/3937 m; NIST: 0.3048 m exactly.
    assert pytest.approx(2.000004e-6, rel=1e-6) == US_SURVEY_FOOT_M / FOOT_M - 1


def test_convergence_and_scale_at_flinders_peak_are_the_manual_s():
    # ICSM GDA Technical Manual, MGA zone 55: convergence -1 deg 35' 03.65" (its sign is opposite), scale 1.00023056.
    lat, lon = -(37 + 57 / 60 + 3.72030 / 3600), 144 + 25 / 60 + 29.52440 / 3600
    convergence, scale = convergence_and_scale(find_crs("EPSG:28355"), lat, lon)
    assert convergence == pytest.approx(1 + 35 / 60 + 3.65 / 3600, abs=1e-5)
    assert scale == pytest.approx(1.00023056, abs=1e-8)


def test_the_site_transformation_is_the_least_squares_similarity():
    # scipy: the same four parameters by a general solver, and the plane by numpy's own least squares.
    rng = np.random.default_rng(11)
    lat = -45.03 + rng.uniform(-0.005, 0.005, 8)
    lon = 170.01 + rng.uniform(-0.005, 0.005, 8)
    h = rng.uniform(5, 25, 8)
    x, y = plane_xy_m(float(lat.mean()), float(lon.mean()), lat, lon)
    a, b = 1.00003 * np.cos(0.3), 1.00003 * np.sin(0.3)
    east = 5000 + a * x - b * y + rng.normal(0, 0.006, 8)
    north = 8000 + b * x + a * y + rng.normal(0, 0.006, 8)
    height = h - 3.0 + 1e-5 * east + rng.normal(0, 0.008, 8)
    fit = fit_site([FitPoint(f"M{i}", *v) for i, v in enumerate(zip(east, north, height, lat, lon, h, strict=True))])

    def left(p: np.ndarray) -> np.ndarray:
        return np.concatenate((p[2] + p[0] * x - p[1] * y - east, p[3] + p[1] * x + p[0] * y - north))

    best = optimize.least_squares(left, [1.0, 0.0, 5000.0, 8000.0], xtol=1e-15, ftol=1e-15, gtol=1e-15).x
    residual = left(best)
    assert [p.east_m for p in fit.points] == pytest.approx(residual[:8].tolist(), abs=2e-6)
    assert [p.north_m for p in fit.points] == pytest.approx(residual[8:].tolist(), abs=2e-6)
    assert fit.grid.scale == pytest.approx(float(np.hypot(best[0], best[1])), abs=1e-9)
    assert fit.grid.rotation_deg == pytest.approx(float(np.degrees(np.arctan2(best[1], best[0]))), abs=1e-6)
    design = np.column_stack((np.ones(8), east, north))
    plane = np.linalg.lstsq(design, height - h, rcond=None)[0]
    assert [p.up_m for p in fit.points] == pytest.approx((h + design @ plane - height).tolist(), abs=1e-5)
    grid = to_local(fit.grid, lat, lon, h)
    assert grid[0] - east == pytest.approx(residual[:8], abs=2e-6)
