"""The site transformation: the mark that does not fit, what is refused, and the site file it is written into."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from hubtack.control.site_fit import FitPoint, fit_site, local_toml
from hubtack.control.tables import fit_csv, read_check_points, read_fit_points
from hubtack.errors import LogFormatError, UsageError
from hubtack.geo.local_grid import to_local
from hubtack.site import GridOrigin, HeightPlane, LocalGrid, load_site
from hubtack.site.local_writer import write_local_grid
from hubtack.units import FOOT_M

GRID = LocalGrid(GridOrigin(5000.0, 8000.0, -45.03, 170.01), 12.5, 1.00002, HeightPlane(-3.2, 2e-5, -1e-5))
PLACES = ((0, 0), (0.004, 0.001), (0.001, 0.006), (-0.003, 0.004), (-0.004, -0.003), (0.002, -0.005), (0.0005, 0.003))


def marks(seed: int = 1, plan_m: float = 0.005, height_m: float = 0.008) -> list[FitPoint]:
    rng = np.random.default_rng(seed)
    out = []
    for i, (d_lat, d_lon) in enumerate(PLACES):
        lat, lon, h = -45.03 + d_lat, 170.01 + d_lon, 15.0 + 3.0 * float(rng.standard_normal())
        e, n, z = (float(v) for v in to_local(GRID, lat, lon, h))
        d = rng.standard_normal(3) * (plan_m, plan_m, height_m)
        out.append(FitPoint(f"M{i + 1}", e + d[0], n + d[1], z + d[2], lat, lon, h))
    return out


def moved(points: list[FitPoint], i: int, **changes: float) -> list[FitPoint]:
    new = {k: getattr(points[i], k) + v for k, v in changes.items()}
    return [dataclasses.replace(p, **new) if j == i else p for j, p in enumerate(points)]


def test_without_noise_the_grid_itself_comes_back():
    fit = fit_site(marks(plan_m=0.0, height_m=0.0))
    at = (-45.031, 170.0117, 12.0)
    assert [float(v) for v in to_local(fit.grid, *at)] == pytest.approx(
        [float(v) for v in to_local(GRID, *at)], abs=1e-4
    )
    assert fit.misfit_plan is None and fit.misfit_height is None
    assert (fit.checks_plan, fit.checks_height) == (10, 4)


@pytest.mark.parametrize("seed", range(5))
def test_the_mark_that_does_not_fit_is_named_and_no_other(seed):
    assert fit_site(moved(marks(seed), 3, northing_m=0.12)).misfit_plan == "M4"
    assert fit_site(moved(marks(seed), 5, height_m=0.15)).misfit_height == "M6"


def test_marks_that_agree_are_hardly_ever_called_wrong():
    # 1 in 100 sets is the promise; 100 sets in plan and height.
    wrong = [fit_site(marks(100 + s)) for s in range(100)]
    assert sum(f.misfit_plan is not None for f in wrong) <= 4
    assert sum(f.misfit_height is not None for f in wrong) <= 4


def test_what_is_left_at_a_mark_without_it_is_what_the_other_marks_say():
    points = moved(marks(), 3, northing_m=0.12)
    without = fit_site([*points[:3], *points[4:]])
    p = points[3]
    e, n, _ = to_local(without.grid, p.latitude_deg, p.longitude_deg, p.h_ellipsoid_m)
    left = fit_site(points).points[3]
    # The plane through another centre differs by the sphericity over a kilometre: far below a tenth of a millimetre.
    assert (left.without_east_m, left.without_north_m) == pytest.approx(
        (float(e) - p.easting_m, float(n) - p.northing_m), abs=1e-4
    )


def test_a_mark_left_out_gets_a_residual_and_does_not_pull():
    points = moved(marks(), 3, northing_m=0.12)
    points[3] = dataclasses.replace(points[3], use_plan=False)
    fit = fit_site(points)
    assert fit.misfit_plan is None
    assert fit.points[3].north_m == pytest.approx(-0.12, abs=0.03)


def test_two_marks_fit_and_check_nothing_and_one_is_refused():
    fit = fit_site(marks()[:2])
    assert fit.checks_plan == 0
    assert any("nothing checks" in note for note in fit.notes)
    with pytest.raises(UsageError, match="two marks"):
        fit_site(marks()[:1])
    with pytest.raises(UsageError, match="within a metre"):
        fit_site([marks()[0], marks()[0]])


def test_feet_swapped_axes_and_mixed_names_get_their_sentence():
    feet = [dataclasses.replace(p, easting_m=p.easting_m / FOOT_M, northing_m=p.northing_m / FOOT_M) for p in marks()]
    with pytest.raises(UsageError, match="feet"):
        fit_site(feet)
    swapped = [dataclasses.replace(p, easting_m=p.northing_m, northing_m=p.easting_m) for p in marks()]
    with pytest.raises(UsageError, match="swapped"):
        fit_site(swapped)


def test_marks_in_a_line_give_no_plane():
    line = [
        dataclasses.replace(p, longitude_deg=170.01, latitude_deg=-45.03 + 0.001 * i) for i, p in enumerate(marks())
    ]
    line = [
        dataclasses.replace(p, easting_m=float(e), northing_m=float(n))
        for p in line
        for e, n, _ in [to_local(GRID, p.latitude_deg, p.longitude_deg, p.h_ellipsoid_m)]
    ]
    fit = fit_site(line)
    assert (fit.grid.height_plane.north_m_per_m, fit.grid.height_plane.east_m_per_m) == (0.0, 0.0)
    assert any("line" in note for note in fit.notes)


def csv_of(points: list[FitPoint]) -> str:
    rows = ["name,easting_m,northing_m,height_m,latitude_deg,longitude_deg,h_ellipsoid_m,use"]
    for p in points:
        rows.append(f"{p.name},{p.easting_m:.4f},{p.northing_m:.4f},{p.height_m:.4f},{p.latitude_deg:.10f},"
                    f"{p.longitude_deg:.10f},{p.h_ellipsoid_m:.4f},")  # fmt: skip
    return "\n".join(rows) + "\n"


def test_marks_are_read_from_csv_also_with_semicolons_and_a_byte_order_mark(tmp_path):
    path = tmp_path / "marks.csv"
    path.write_text(csv_of(marks()))
    first = read_fit_points(path)
    path.write_bytes(b"\xef\xbb\xbf" + csv_of(marks()).replace(",", ";").encode())
    assert read_fit_points(path) == first
    assert [p.name for p in first] == [f"M{i}" for i in range(1, 8)]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("easting_m", "easting"), "no column easting_m"),
        ((",-45.0300000000,170.0100000000,", ",170.0100000000,-45.0300000000,"), "look swapped"),
        (("M2,", "M2,x"), "line 3"),
        (("M2,", "M2,1,"), "cells under"),
    ],
)
def test_a_bad_table_is_told_by_line_and_column(tmp_path, change, says):
    path = tmp_path / "marks.csv"
    path.write_text(csv_of(marks()).replace(*change))
    with pytest.raises(LogFormatError, match=says):
        read_fit_points(path)


def test_residuals_go_out_as_csv_without_a_formula_in_a_name():
    points = marks()
    points[0] = dataclasses.replace(points[0], name="=HYPERLINK(1)")
    text = fit_csv(fit_site(points))
    assert text.splitlines()[1].startswith("'=HYPERLINK")
    assert len(text.splitlines()) == 8


def test_check_points_are_measured_less_known(tmp_path):
    path = tmp_path / "checks.csv"
    path.write_text(
        "name,easting_m,northing_m,height_m,measured_easting_m,measured_northing_m,measured_height_m\n"
        "A,100,200,10,100.02,199.99,\nB,150,250,11,150.00,250.01,11.03\n"
    )
    names, plan, residual = read_check_points(path)
    assert names == ["A", "B"]
    assert plan.tolist() == [[100.0, 200.0], [150.0, 250.0]]
    assert residual[0, :2] == pytest.approx([0.02, -0.01])
    assert np.isnan(residual[0, 2])


SITE = """# the flood bank
units = "ft"
[site]
name = "Reach 3" # kept
notes_here = 1
"""


def written(tmp_path: Path, before: str) -> tuple[Path, bool]:
    path = tmp_path / "site.toml"
    path.write_text(before)
    fit = fit_site(marks())
    return path, write_local_grid(path, local_toml(fit.grid), fit.grid)


def test_the_block_is_added_and_every_other_line_stays(tmp_path):
    before = SITE.replace("notes_here = 1\n", "")
    path, had = written(tmp_path, before)
    assert not had
    assert path.read_text().startswith(before)
    found = load_site(path).site.local
    assert found is not None
    assert found.scale == pytest.approx(fit_site(marks()).grid.scale, abs=1e-9)


def test_an_old_block_is_replaced_in_any_of_its_forms_and_comments_of_others_stay(tmp_path):
    old = (
        '[site]\nname = "Reach 3"\n\n[site.local] # of last year\nrotation_deg = 1.0\nscale = 1.0\n'
        "[site.local.origin]\neasting_m = 1.0\nnorthing_m = 2.0\nlatitude_deg = -45.0\nlongitude_deg = 170.0\n"
        '\n# marks of the control sheet\n[[site.control]]\nname = "CP3"\neasting_m = 1.0\nnorthing_m = 2.0\nheight_m = 3.0\n'
    )
    path, had = written(tmp_path, old)
    text = path.read_text()
    assert had
    assert text.count("[site.local]") == 1
    assert "last year" not in text
    assert "# marks of the control sheet\n[[site.control]]" in text
    again, had = written(tmp_path, text)
    assert had
    assert again.read_text() == text


def test_a_file_with_mistakes_or_an_inline_grid_is_left_as_it_was(tmp_path):
    inline = "[site]\nlocal = { origin = { easting_m = 1.0, northing_m = 2.0, latitude_deg = -45.0, longitude_deg = 170.0 } }\n"
    for before in (SITE, inline):
        path = tmp_path / "site.toml"
        path.write_text(before)
        fit = fit_site(marks())
        with pytest.raises(UsageError):
            write_local_grid(path, local_toml(fit.grid), fit.grid)
        assert path.read_text() == before
        assert [p.name for p in tmp_path.iterdir()] == ["site.toml"]


def test_a_site_file_that_is_not_there_is_made(tmp_path):
    fit = fit_site(marks())
    assert write_local_grid(tmp_path / "new.toml", local_toml(fit.grid), fit.grid) is False
    assert load_site(tmp_path / "new.toml").site.local is not None
