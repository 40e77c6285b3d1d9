"""The door to PROJ, and the site's own grid."""

from __future__ import annotations

import numpy as np
import pytest

from hubtack.errors import UsageError
from hubtack.geo import crs as door
from hubtack.geo.local_grid import from_local, to_local
from hubtack.site import GridOrigin, HeightPlane, LocalGrid


def test_grid_coordinates_are_metres_whatever_the_unit_of_the_system():
    feet = door.find_crs("EPSG:2263")  # a state plane zone in US survey feet
    east, north = door.to_grid(feet, 40.75, -73.98)
    assert (feet.unit_m, feet.is_geographic) == (pytest.approx(1200 / 3937, rel=1e-12), False)  # the US survey foot
    assert 290_000 < float(east) < 310_000
    lat, lon = door.from_grid(feet, east, north)
    assert [float(lat), float(lon)] == pytest.approx([40.75, -73.98], abs=1e-9)


def test_a_geographic_system_gives_longitude_before_latitude():
    x, y = door.to_grid(door.find_crs("EPSG:4326"), [-45.0], [170.0])
    assert (float(x[0]), float(y[0])) == (170.0, -45.0)


@pytest.mark.parametrize("text", ["EPSG:99999", "nonsense", "EPSG:4978", "EPSG:5703", ""])
def test_an_unknown_or_unfit_system_gets_a_sentence(text):
    with pytest.raises(UsageError, match="EPSG:32760"):
        door.find_crs(text)


def test_modern_frames_have_no_step_and_an_old_datum_has_a_rough_one():
    assert door.datum_step(door.find_crs("EPSG:25831"), 52.0, 5.0) == (0.0, 0.0)
    assert door.datum_step(door.find_crs("EPSG:32760"), -45.0, 170.0) == (0.0, 0.0)
    step_m, accuracy_m = door.datum_step(door.find_crs("EPSG:27700"), 52.6, 1.3)
    assert 50 < step_m < 200
    assert accuracy_m >= 1.0


def test_nan_and_empty_arrays_pass_through():
    grid = door.find_crs("EPSG:32760")
    east, _ = door.to_grid(grid, np.array([np.nan, -45.0]), np.array([170.0, 170.0]))
    assert not np.isfinite(east[0])
    assert np.isfinite(east[1])
    assert door.to_grid(grid, np.zeros(0), np.zeros(0))[0].shape == (0,)


GRID = LocalGrid(GridOrigin(5000.0, 8000.0, -45.03, 170.01), 12.5, 1.00002, HeightPlane(-3.2, 2e-5, -1e-5))


def test_the_site_s_own_grid_goes_there_and_back():
    lat, lon = np.array([-45.03, -45.04]), np.array([170.01, 170.03])
    grid = to_local(GRID, lat, lon, np.array([12.0, 14.0]))
    back = from_local(GRID, *grid)
    assert np.abs(back[0] - lat).max() < 1e-11
    assert np.abs(back[2] - [12.0, 14.0]).max() < 1e-9
    assert [float(v[0]) for v in grid] == pytest.approx([5000.0, 8000.0, 8.8])


def test_the_grid_s_north_axis_points_where_its_rotation_says():
    lat, lon, _ = from_local(GRID, 5000.0, 9000.0, 0.0)
    from pyproj import Geod

    azimuth, _, distance = Geod(ellps="WGS84").inv(170.01, -45.03, float(lon), float(lat))
    assert azimuth == pytest.approx(12.5, abs=1e-3)
    assert distance == pytest.approx(1000.0 / 1.00002, abs=0.001)
