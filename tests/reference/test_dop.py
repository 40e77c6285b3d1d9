"""DOP against worked cases. Source and status stand beside each."""

import numpy as np
import pytest

from hubtack.geo import ecef_offset_to_enu, ecef_to_geodetic
from hubtack.geo.dop import dop

D = np.radians


@pytest.mark.parametrize(
    ("name", "az_deg", "el_deg", "expected"),
    [
        # Parkinson and Spilker (1996), Langley (1999): textbook case, from memory, exact values.
        ("zenith and horizon", [0, 0, 120, 240], [90, 0, 0, 0],
         (3**0.5, (8 / 3) ** 0.5, 2 / 3**0.5, 2 / 3**0.5, 1 / 3**0.5)),
        # Regular tetrahedron, the least GDOP of four satellites; from memory, exact values.
        ("tetrahedron", [0, 90, 330, 210], [90] + 3 * [-np.degrees(np.arcsin(1 / 3))],
         (2.5**0.5, 1.5, 1.5**0.5, 0.75**0.5, 0.5)),
    ],
)
def test_textbook_geometries_give_their_exact_dop(name, az_deg, el_deg, expected):
    got = dop(D(az_deg), D(el_deg))
    assert [float(v[0]) for v in got[:5]] == pytest.approx(list(expected), rel=1e-12), name


@pytest.mark.parametrize(
    ("el_deg", "expected"),
    [
        # Derived independently with plain matrix algebra (no published print): zenith and three, 120 degrees apart.
        (5, (1.831058, 1.715702, 1.159111, 1.264948, 0.63964)),
        (10, (1.964605, 1.824107, 1.172514, 1.397347, 0.729591)),
        (15, (2.141237, 1.963715, 1.195434, 1.55792, 0.85365)),
        (20, (2.372727, 2.142359, 1.228807, 1.754918, 1.019867)),
        (30, (3.073181, 2.666667, 1.333333, 2.309401, 1.527525)),
    ],
)
def test_zenith_and_three_at_an_elevation(el_deg, expected):
    got = dop(D([0, 0, 120, 240]), D([90, el_deg, el_deg, el_deg]))
    assert [float(v[0]) for v in got[:5]] == pytest.approx(list(expected), abs=2e-6)


def test_near_coplanar_exercise_of_the_university_of_copenhagen():
    # Geodesy course, exercise 10.2: receiver, satellites and three computed ranges are printed; DOP is derived.
    receiver = np.array([3496719.0, 743242.0, 5264456.0])
    satellites = np.array([
        [19882818.3, -4007732.6, 17137390.1],
        [-8318660.0, -15394931.9, 20196264.6],
        [9358156.0, -18567258.8, 16719423.9],
        [14687857.1, 7259303.2, 20670310.0],
    ])
    ranges = np.linalg.norm(satellites - receiver, axis=1)
    assert ranges[:3] == pytest.approx([20785633.8, 24960023.0, 23204917.0], abs=0.1)  # as printed
    lat, lon, _ = ecef_to_geodetic(receiver[None])
    enu = ecef_offset_to_enu(satellites - receiver, np.repeat(lat, 4), np.repeat(lon, 4))
    got = dop(np.arctan2(enu[:, 0], enu[:, 1]), np.arcsin(enu[:, 2] / ranges))
    assert [float(v[0]) for v in got[:5]] == pytest.approx(
        [56.514052, 46.298945, 26.407389, 38.029491, 32.407495], rel=1e-5)


@pytest.mark.parametrize(
    ("azel", "expected"),
    [
        # Views of the nominal 24 slots (SPS Performance Standard 2001, Table 3-1) at its epoch; mask 10 deg; derived.
        ([(3.249, 77.451), (28.739, 41.047), (157.604, 36.043), (197.884, 28.648), (320.332, 29.373),
          (307.89, 67.824), (105.418, 11.821)], (2.407918, 2.099529, 1.141993, 1.761782, 1.179001)),
        ([(179.069, 44.773), (119.05, 63.914), (262.929, 52.851), (202.779, 43.429), (302.164, 29.126),
          (59.175, 48.161), (66.725, 14.274)], (2.886062, 2.493122, 1.186098, 2.192904, 1.453857)),
        ([(249.215, 18.522), (303.376, 47.895), (83.412, 48.021), (98.82, 13.553), (12.003, 77.175),
          (177.251, 26.533)], (2.796903, 2.46179, 1.42101, 2.010259, 1.3275)),
    ],
)
def test_views_of_the_nominal_constellation(azel, expected):
    az, el = np.array(azel).T
    got = dop(D(az), D(el))
    assert [float(v[0]) for v in got[:5]] == pytest.approx(list(expected), abs=2e-4)  # angles printed to 0.001 degree


def test_a_second_clock_costs_one_satellite_and_equals_the_plain_least_squares():
    # Against scipy-free plain algebra: H with two clock columns, inverted as one matrix.
    rng = np.random.default_rng(5)
    az, el = rng.uniform(0, 2 * np.pi, 9), rng.uniform(0.2, 1.5, 9)
    system = np.array([1, 1, 1, 1, 1, 3, 3, 3, 3])
    h = np.column_stack((-np.cos(el) * np.sin(az), -np.cos(el) * np.cos(az), -np.sin(el), system == 1, system == 3))
    q = np.linalg.inv(h.T @ h)
    got = dop(az, el, system=system)
    assert got.pdop[0] == pytest.approx(np.sqrt(np.trace(q[:3, :3])))
    assert got.gdop[0] == pytest.approx(np.sqrt(np.trace(q)))
    assert got.pdop[0] > dop(az, el).pdop[0]
