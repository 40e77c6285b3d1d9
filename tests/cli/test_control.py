"""``hubtack control`` as a surveyor meets it: answers, exit codes, the record, one clear sentence for each mix-up."""

from __future__ import annotations

import json
import re
import socket
from pathlib import Path

import numpy as np
import pytest
from pyproj import Transformer
from tests import command_line
from tests.control.standing import CRS, H_M, LAT_DEG, LON_DEG, START_MS, grid, site, stand
from tests.link_stream import arp_1005, frame
from tests.loopback import open_line
from tests.rover_text import SEPARATION_M

from hubtack.control import latest_check
from hubtack.units import FOOT_M

ROOT = Path(__file__).parents[2]
E, N = grid()


def run(capsys: pytest.CaptureFixture[str], *args: object) -> tuple[int, str, str]:
    return command_line.run(capsys, "control", *args)


def answer(capsys: pytest.CaptureFixture[str], *args: object) -> tuple[int, dict, str]:
    code, out, err = run(capsys, *args, "--json")
    return code, json.loads(out), err


def occupied_live(tmp_path: Path, capsys: pytest.CaptureFixture[str], seconds: int) -> tuple[int, dict, str]:
    """The answer of a check on a source that stays open, of which so much has come."""
    path = site(tmp_path)
    with open_line(stand(seconds)) as url:
        return answer(capsys, "--rover", url, "--point", "CP3", "--site", path)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "rover.nmea"
    path.write_bytes(stand())
    return path


def test_a_machine_that_agrees_passes_and_the_live_commands_can_read_it(tmp_path, log, capsys):
    site(tmp_path)
    code, doc, _ = answer(capsys, log, "--point", "cp3")
    assert (code, doc["passed"], doc["what"], doc["point"], doc["used"]) == (0, True, "antenna", "CP3", 120)
    assert doc["residual_m"]["horizontal"] < 0.005
    # pyproj outside the package: the mean in the grid is the mark to a few millimetres.
    assert (doc["mean"]["easting_m"], doc["mean"]["northing_m"]) == pytest.approx((E, N), abs=0.005)
    check = latest_check(tmp_path, machine="Digger 7")
    assert check is not None
    assert (check.passed, check.utc, check.up_m) == (True, "2026-03-04T07:01:59Z", doc["residual_m"]["up"])


@pytest.mark.parametrize(
    ("bias", "code", "passed", "why"),
    [
        ((0.0, 0.0, 0.060), 1, False, "height"),
        ((0.05, -0.05, 0.0), 1, False, "plan"),
        ((0.0, 0.0, 0.043), 1, None, "noise"),  # seen as 33 mm: this seed's mean is 10 mm low
        ((0.006, 0.0, -0.010), 0, True, None),
    ],
)
def test_a_bias_fails_passes_or_cannot_be_told_by_its_size(tmp_path, log, capsys, bias, code, passed, why):
    site(tmp_path, bias_m=bias)
    got, doc, _ = answer(capsys, log, "--point", "CP3")
    assert (got, doc["passed"]) == (code, passed)
    if why:
        assert why in doc["why"]
    assert ("control_failed" in [f["code"] for f in doc["findings"]]) is (passed is False)
    residual = [doc["residual_m"][axis] for axis in ("east", "north", "up")]
    assert residual == pytest.approx(bias, abs=0.012)


def test_an_antenna_on_a_pole_is_taken_down_to_the_mark_and_forgetting_it_is_named(tmp_path, log, capsys):
    site(tmp_path, bias_m=(0.0, 0.0, 2.000))
    code, doc, _ = answer(capsys, log, "--point", "CP3", "--antenna-height-m", "2.000")
    assert (code, doc["passed"], doc["antenna_height_m"]) == (0, True, 2.0)
    site(tmp_path, bias_m=(0.0, 0.0, -2.000))  # taken off twice: by the receiver, and here
    code, doc, _ = answer(capsys, log, "--point", "CP3", "--antenna-height-m", "2.000", "--no-record")
    assert code == 1


def test_a_geoid_height_is_compared_by_the_site_s_separation_and_never_without_one(tmp_path, log, capsys):
    args = (log, "--at", f"{E:.4f},{N:.4f},{H_M - 8.42:.4f}", "--height-datum", "geoid")
    site(tmp_path, extra="geoid = { separation_m = 8.42 }")
    code, doc, _ = answer(capsys, *args)
    assert (code, doc["passed"]) == (0, True)
    assert doc["mean"]["height_in_grid_m"] == pytest.approx(H_M - 8.42, abs=0.02)
    site(tmp_path)
    code, doc, _ = answer(capsys, *args)
    assert (code, doc["passed"], doc["residual_m"]["up"]) == (1, None, None)
    assert any("no site.geoid" in note for note in doc["notes"])


def test_an_ellipsoidal_height_on_the_sheet_of_geoid_heights_is_named(tmp_path, log, capsys):
    site(tmp_path, bias_m=(0.0, 0.0, SEPARATION_M), extra="geoid = { separation_m = 4.20 }")
    code, doc, _ = answer(capsys, log, "--point", "CP3")
    assert (code, doc["passed"]) == (1, False)
    assert doc["datum_fit"] is not None
    assert "geoid" in doc["datum_fit"]["name"]
    assert doc["datum_fit"]["left_m"] < 0.05
    assert {"control_failed", "datum_shift"} <= {f["code"] for f in doc["findings"]}


def test_a_geoid_grid_serves_as_a_separation(tmp_path, log, capsys):
    # A GTX grid written by hand (its layout: four doubles, two integers, big-endian rows from the south), 6.25 m all over.
    head = np.array([-46.0, 169.0, 1.0, 1.0], dtype=">f8").tobytes() + np.array([3, 3], dtype=">i4").tobytes()
    (tmp_path / "flat geoid.gtx").write_bytes(head + np.full(9, 6.25, dtype=">f4").tobytes())
    site(tmp_path, extra='geoid = { model = "flat geoid.gtx" }')
    code, doc, _ = answer(capsys, log, "--at", f"{E:.4f},{N:.4f},{H_M - 6.25:.4f}", "--height-datum", "geoid")
    assert (code, doc["mark"]["geoid_m"]) == (0, 6.25)
    site(tmp_path, extra='geoid = { model = "absent.gtx" }')
    code, _, err = run(capsys, log, "--at", f"{E:.4f},{N:.4f},3", "--height-datum", "geoid")
    assert code == 2
    assert "absent.gtx" in err


MIXUPS = [
    ((N, E, H_M), CRS, "easting and northing look swapped"),
    ((E / FOOT_M, N / FOOT_M, H_M), CRS, "look like feet"),
    ((E, N, H_M), "EPSG:32760", "UTM zone 59S"),
    ((E, N - 10_000_000, H_M), CRS, "southern hemisphere"),
    ((-LAT_DEG, LON_DEG, H_M), "EPSG:4326", "latitude has the wrong sign"),
    ((LAT_DEG, -LON_DEG, H_M), "EPSG:4326", "longitude has the wrong sign"),
    ((E + 5000, N, H_M), CRS, "5,000 m"),
]


@pytest.mark.parametrize(("at", "crs", "says"), MIXUPS)
def test_a_mix_up_of_coordinates_is_named_and_not_recorded(tmp_path, log, capsys, at, crs, says):
    code, doc, _ = answer(
        capsys, log, "--at", ",".join(f"{v:.9f}" for v in at), "--crs", crs, "--record", tmp_path / "c"
    )
    assert (code, doc["passed"]) == (1, False)
    assert says in doc["mistake"]
    assert not (tmp_path / "c.jsonl").exists()


def test_latitude_and_longitude_the_wrong_way_round_are_refused(log, capsys):
    code, _, err = run(capsys, log, "--at", f"{LON_DEG},{LAT_DEG},{H_M}", "--crs", "EPSG:4326")
    assert code == 2
    assert "swapped" in err


def test_coordinates_in_feet_are_taken_with_their_unit(log, capsys):
    at = f"{E / FOOT_M:.4f}ft,{N / FOOT_M:.4f}ft,{H_M / FOOT_M:.4f}ft"
    assert answer(capsys, log, "--at", at, "--crs", CRS)[1]["passed"] is True
    code, out, _ = run(capsys, log, "--at", at, "--crs", CRS, "--units", "ft")
    assert code == 0
    assert re.search(r"residual .* ft", out)


def test_a_log_without_a_fix_cannot_tell_and_says_what_it_was(tmp_path, capsys):
    site(tmp_path)
    (tmp_path / "rover.nmea").write_bytes(stand(quality=5))
    code, doc, err = answer(capsys, tmp_path / "rover.nmea", "--point", "CP3")
    assert (code, doc["passed"], doc["used"], doc["epochs"]) == (1, None, 0, 120)
    assert "RTK float" in doc["why"]
    assert "not recorded" in err
    assert not (tmp_path / "control.jsonl").exists()


def test_a_frozen_position_agrees_with_everything_and_passes_nothing(tmp_path, capsys):
    site(tmp_path)
    (tmp_path / "rover.nmea").write_bytes(stand(decimals_of_noise=False))
    code, doc, _ = answer(capsys, tmp_path / "rover.nmea", "--point", "CP3")
    assert (code, doc["passed"]) == (1, None)
    assert any("last digit" in note for note in doc["notes"])


def test_a_machine_that_drives_about_has_not_occupied_anything(tmp_path, capsys):
    site(tmp_path)
    parts = [stand(3, start_ms=START_MS + 3000 * i, place=(LAT_DEG + i * 1e-5, LON_DEG, H_M)) for i in range(40)]
    (tmp_path / "rover.nmea").write_bytes(b"".join(parts))
    code, doc, _ = answer(capsys, tmp_path / "rover.nmea", "--point", "CP3")
    assert (code, doc["passed"]) == (1, None)
    assert "never stood" in doc["why"]


def test_the_second_occupation_in_a_log_is_compared_with_the_first(tmp_path, capsys):
    site(tmp_path)
    away = stand(60, start_ms=START_MS + 200_000, place=(LAT_DEG + 0.001, LON_DEG, H_M))
    (tmp_path / "rover.nmea").write_bytes(stand(120) + away + stand(90, start_ms=START_MS + 1_800_000, seed=3))
    _, doc, _ = answer(capsys, tmp_path / "rover.nmea", "--point", "CP3")
    assert doc["used"] == 120
    assert [(a["used"], a["independent"], a["differs"]) for a in doc["again"]] == [(90, True, False)]


def test_a_window_of_time_and_a_set_length_pick_the_occupation(tmp_path, capsys):
    site(tmp_path)
    (tmp_path / "rover.nmea").write_bytes(stand(120) + stand(90, start_ms=START_MS + 1_800_000, seed=3))
    _, doc, _ = answer(capsys, tmp_path / "rover.nmea", "--point", "CP3", "--from", "07:20", "--for", "30")
    assert (doc["start_utc"], doc["used"]) == ("2026-03-04T07:30:00Z", 31)


def test_a_log_without_a_date_takes_the_one_that_is_given(tmp_path, capsys):
    site(tmp_path)
    (tmp_path / "rover.nmea").write_bytes(stand(day=None))
    assert answer(capsys, tmp_path / "rover.nmea", "--point", "CP3", "--no-record")[1]["utc"] is None
    _, doc, _ = answer(capsys, tmp_path / "rover.nmea", "--point", "CP3", "--date", "2026-03-05", "--no-record")
    assert doc["utc"] == "2026-03-05T07:01:59Z"


def test_what_the_screen_shows_checks_the_whole_chain(tmp_path, log, capsys):
    site(tmp_path)
    right = (log, "--point", "CP3", "--shown", f"{E + 0.010:.3f},{N:.3f},{H_M + 0.015:.3f}")
    code, doc, _ = answer(capsys, *right)
    assert (code, doc["what"], doc["passed"]) == (0, "shown_edge", True)
    assert [doc["residual_m"][a] for a in ("east", "north", "up")] == pytest.approx([0.010, 0.0, 0.015], abs=0.001)
    worn = answer(capsys, log, "--point", "CP3", "--shown", f"{E:.3f},{N:.3f},{H_M + 0.090:.3f}")
    assert (worn[0], worn[1]["passed"]) == (1, False)
    other_foot = answer(
        capsys, log, "--point", "CP3", "--shown", f"{E / FOOT_M:.3f},{N / FOOT_M:.3f},{H_M / FOOT_M:.3f}"
    )
    assert "look like metres" in other_foot[1]["mistake"] or "feet" in other_foot[1]["mistake"]


def test_what_the_screen_shows_without_a_fix_proves_nothing_and_without_a_log_the_machine_s_figures_serve(
    tmp_path, capsys
):
    path = site(tmp_path)
    shown = ("--point", "CP3", "--shown", f"{E:.3f},{N:.3f},{H_M:.3f}")
    (tmp_path / "rover.nmea").write_bytes(stand(quality=5))
    code, doc, _ = answer(capsys, tmp_path / "rover.nmea", *shown)
    assert (code, doc["passed"]) == (1, None)
    code, doc, _ = answer(capsys, *shown, "--site", path, "--no-record")
    assert (code, doc["passed"], doc["epochs"]) == (0, True, 0)
    assert doc["sigma_m"]["up"] > 0.015


def test_the_record_grows_into_a_history_with_its_drift(tmp_path, capsys):
    site(tmp_path)
    for day in range(5):
        (tmp_path / "rover.nmea").write_bytes(stand(day=f"0{day + 4}0326", seed=day, bias_m=(0.0, 0.0, 0.004 * day)))
        _, doc, _ = answer(capsys, tmp_path / "rover.nmea", "--point", "CP3")
    assert doc["history"]["visits"] == 5
    assert doc["history"]["last"]["utc"].startswith("2026-03-07")
    assert doc["history"]["drift"]["mm_per_day"]["up"] == pytest.approx(4.0, abs=4.0)
    _, history, _ = answer(capsys, "--history", tmp_path)
    assert [len(m["visits"]) for m in history["marks"]] == [5]
    code, out, _ = run(capsys, "--history", tmp_path / "control.jsonl", "--point", "CP3")
    assert code == 0
    assert out.count("PASS") == 5
    rows = (tmp_path / "control.csv").read_text().splitlines()
    assert len(rows) == 6


def test_a_record_that_cannot_be_written_does_not_cost_the_answer(tmp_path, log, capsys):
    path = site(tmp_path)
    code, doc, err = answer(capsys, log, "--point", "CP3", "--site", path, "--record", tmp_path / "no/such/folder")
    assert doc["passed"] is True
    assert code == 3
    assert "not recorded" in err


def test_the_base_of_another_day_is_noticed(tmp_path, capsys):
    site(tmp_path)
    arp = Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True).transform(170.01, -45.04, 15.7)
    for day, moved in (("04", 0.0), ("05", 0.10)):
        rows = stand(day=f"{day}0326")
        stream = b"".join(arp_1005(412, (arp[0] + moved, *arp[1:])) for _ in range(3))
        (tmp_path / "rover.nmea").write_bytes(rows[: len(rows) // 2] + stream + rows[len(rows) // 2 :])
        _, doc, _ = answer(capsys, tmp_path / "rover.nmea", "--point", "CP3")
    against = [s for s in doc["base"] if s["against"].startswith("2026-03-04")]
    assert [(s["moved"], s["distance_m"]) for s in against] == [(True, 0.1)]
    code, base, _ = answer(capsys, "--base-days", tmp_path / "control.jsonl", tmp_path / "rover.nmea")
    assert (code, base["moved"]) == (1, True)


def test_what_the_stream_says_of_its_datum_is_shown(tmp_path, log, capsys):
    from tests.control.test_stream_crs import payload

    site(tmp_path)
    log.write_bytes(log.read_bytes() + frame(payload(1300, {})))
    _, doc, _ = answer(capsys, log, "--point", "CP3")
    assert [(m["message"], m["fields"]["name"]) for m in doc["stream_crs"]] == [(1300, "ITRF2020")]
    assert "ITRF2020" in run(capsys, log, "--point", "CP3")[1]


def test_a_live_source_is_occupied_until_the_mean_is_stable(tmp_path, capsys, monkeypatch):
    from hubtack.commands import control_rows as drive

    monkeypatch.setattr(drive, "LOOK_S", 0.05)
    code, doc, _ = occupied_live(tmp_path, capsys, 200)
    assert (code, doc["passed"]) == (0, True)
    assert doc["ended"] == "the mean was stable"
    assert doc["duration_s"] >= 60


def test_a_live_source_that_refuses_ends_with_its_own_exit_code(tmp_path, capsys, monkeypatch):
    from hubtack.commands import control_rows as drive

    monkeypatch.setattr(drive, "GIVE_UP_S", 0.2)
    monkeypatch.setattr(drive, "LOOK_S", 0.05)
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    code, _, err = run(capsys, "--rover", f"tcp://127.0.0.1:{port}", "--point", "CP3", "--site", site(tmp_path))
    assert code == 3
    assert str(port) in err


@pytest.mark.parametrize(
    ("args", "code", "says"),
    [
        ((), 2, "which mark"),
        (("--point", "CP4"), 2, "did you mean CP3"),
        (("--at", "1,2", "--crs", CRS), 2, "EAST,NORTH,HEIGHT"),
        (("--at", "1,2,3", "--crs", "EPSG:1"), 2, "EPSG:1"),
        (("--measure", "M1", "--point", "CP3"), 2, "not known"),
        (("--point", "CP3", "--crs", CRS), 2, "belongs to --at"),
        (("--point", "CP3", "--write", "x"), 2, "belong to --fit"),
        (("--point", "CP3", "--from", "25:00"), 2, "time of day"),
        (("--fit", "absent.csv"), 3, "absent.csv"),
        (("--history", "absent.jsonl"), 2, "no control record"),
    ],
)
def test_bad_input_gets_one_clear_line(tmp_path, log, capsys, args, code, says):
    site(tmp_path)
    got, out, err = run(capsys, log, *args)
    assert (got, out) == (code, "")
    assert says in err
    assert "Traceback" not in err
    assert len(err.splitlines()) == 1


def test_a_log_of_corrections_or_of_nothing_known_is_told_apart(tmp_path, capsys):
    site(tmp_path)
    (tmp_path / "a.rtcm3").write_bytes(arp_1005(1, (1.0, 2.0, 3.0)) * 5)
    (tmp_path / "b.txt").write_bytes(b"hello\n" * 50)
    code, _, err = run(capsys, tmp_path / "a.rtcm3", "--point", "CP3")
    assert (code, "corrections only" in err) == (2, True)
    code, _, err = run(capsys, tmp_path / "b.txt", "--point", "CP3")
    assert (code, "neither NMEA" in err) == (3, True)


def test_marks_are_measured_fitted_written_and_then_checked_in_the_site_s_own_grid(tmp_path, capsys):
    from tests.control.test_site_fit import GRID

    from hubtack.geo.local_grid import to_local

    rows = ["name,easting_m,northing_m,height_m,latitude_deg,longitude_deg,h_ellipsoid_m"]
    places = [(LAT_DEG + a, LON_DEG + b, H_M + c) for a, b, c in
              ((0, 0, 0), (0.003, 0, 1), (0, 0.004, 2), (-0.003, 0.001, 0), (0.001, -0.004, 1))]  # fmt: skip
    for i, place in enumerate(places):
        log = tmp_path / f"m{i}.nmea"
        log.write_bytes(stand(60, place=place, seed=i))
        code, doc, _ = answer(capsys, log, "--measure", f"M{i}")
        assert (code, doc["result"], doc["passed"]) == (0, "measured", None)
        e, n, z = (float(v) for v in to_local(GRID, *place))
        mean = doc["mean"]
        rows.append(f"M{i},{e:.4f},{n:.4f},{z:.4f},{mean['latitude_deg']},{mean['longitude_deg']},{mean['height_m']}")
    (tmp_path / "marks.csv").write_text("\n".join(rows))
    fitted = ("--fit", tmp_path / "marks.csv", "--write", tmp_path / "own.toml", "--residuals", tmp_path / "r.csv")
    code, doc, _ = answer(capsys, *fitted)
    assert (code, doc["does_not_fit"]) == (0, {"plan": None, "height": None})
    assert len((tmp_path / "r.csv").read_text().splitlines()) == 6
    e, n, z = (float(v) for v in to_local(GRID, LAT_DEG + 0.001, LON_DEG + 0.001, H_M))
    (tmp_path / "c.nmea").write_bytes(stand(60, place=(LAT_DEG + 0.001, LON_DEG + 0.001, H_M), seed=20))
    code, doc, _ = answer(
        capsys, tmp_path / "c.nmea", "--at", f"{e:.3f},{n:.3f},{z:.3f}", "--site", tmp_path / "own.toml"
    )
    assert (code, doc["passed"], doc["mark"]["crs"]) == (0, True, "the site's own grid")


def test_the_accuracy_report_takes_a_record_or_a_table(tmp_path, capsys):
    rng = np.random.default_rng(8)
    rows = ["name,easting_m,northing_m,height_m,measured_easting_m,measured_northing_m,measured_height_m"]
    known = rng.uniform(0, 1000, (25, 3))
    measured = known + rng.normal(0, 0.01, (25, 3))
    for i, (k, m) in enumerate(zip(known, measured, strict=True)):
        rows.append(f"A{i}," + ",".join(f"{v:.5f}" for v in (*k, *m)))
    (tmp_path / "checks.csv").write_text("\n".join(rows))
    code, doc, _ = answer(capsys, "--accuracy", tmp_path / "checks.csv")
    d = measured - known
    assert (code, doc["points"]) == (0, 25)
    assert doc["rmse_m"]["up"] == pytest.approx(float(np.sqrt((d[:, 2] ** 2).mean())), abs=2e-4)
    site(tmp_path)
    (tmp_path / "rover.nmea").write_bytes(stand())
    run(capsys, tmp_path / "rover.nmea", "--point", "CP3")
    code, doc, _ = answer(capsys, "--accuracy", tmp_path / "control.jsonl")
    assert (code, doc["points"]) == (0, 1)
    assert any("NSSDA asks for 20" in note for note in doc["notes"])


def test_pictures_are_the_same_for_the_same_data_and_hold_no_formula(tmp_path, log, capsys):
    matplotlib = pytest.importorskip("matplotlib")
    assert matplotlib
    site(tmp_path)
    for name in ("a.svg", "b.svg"):
        code, _, err = run(capsys, log, "--point", "CP3", "--plot", tmp_path / name)
        assert (code, err) == (0, "")
    svg = (tmp_path / "a.svg").read_text()
    assert svg == (tmp_path / "b.svg").read_text()
    assert "CP3: measured less known" in svg
    code, _, err = run(capsys, log, "--point", "CP3", "--plot", tmp_path / "a.bmp")
    assert (code, ".svg" in err) == (2, True)


def test_without_matplotlib_the_extra_is_named(tmp_path, log, capsys, monkeypatch):
    import sys

    for name in [m for m in sys.modules if m.startswith("matplotlib")]:
        monkeypatch.setitem(sys.modules, name, None)
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    site(tmp_path)
    code, _, err = run(capsys, log, "--point", "CP3", "--plot", tmp_path / "a.svg")
    assert (code, "hubtack[plot]" in err) == (2, True)


def test_the_base_that_counts_is_the_one_in_use_while_the_mark_was_occupied(tmp_path, capsys):
    site(tmp_path)
    to_xyz = Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)
    first, second = to_xyz.transform(170.01, -45.04, 15.7), to_xyz.transform(170.02, -45.05, 20.0)
    rows = stand(60)
    later = stand(30, start_ms=START_MS + 90_000, place=(LAT_DEG + 0.001, LON_DEG, H_M))
    (tmp_path / "rover.nmea").write_bytes(arp_1005(412, first) * 3 + rows + arp_1005(77, second) * 3 + later)
    answer(capsys, tmp_path / "rover.nmea", "--point", "CP3")
    check = latest_check(tmp_path)
    assert check is not None
    assert (check.base_id, check.arp_ecef_m) == (412, pytest.approx(first, abs=1e-3))


def test_a_measurement_without_a_fix_is_none(tmp_path, capsys):
    (tmp_path / "rover.nmea").write_bytes(stand(quality=5))
    code, doc, _ = answer(capsys, tmp_path / "rover.nmea", "--measure", "M1")
    assert (code, doc["result"]) == (1, "cannot tell")


@pytest.mark.parametrize("base_frame", ["NAD83(2011)", "ITRF2014"])
def test_a_base_in_one_frame_and_a_mark_in_another_is_named_with_its_direction(tmp_path, capsys, base_frame):
    # The mark by pyproj alone: EPSG 7789 (ITRF2014) and 6317 (NAD83(2011)), geocentric, at the day of the log.
    codes = (7789, 6317) if base_frame == "ITRF2014" else (6317, 7789)
    lat, lon, h = 40.0, -83.0, 250.0
    xyz = Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True).transform(lon, lat, h)
    moved = Transformer.from_crs(codes[0], codes[1], always_xy=True).transform(*xyz, 2026.17)[:3]
    mark_lon, mark_lat, mark_h = Transformer.from_crs("EPSG:4978", "EPSG:4979", always_xy=True).transform(*moved)
    east, north = Transformer.from_crs("EPSG:4326", "EPSG:32617", always_xy=True).transform(mark_lon, mark_lat)
    (tmp_path / "rover.nmea").write_bytes(stand(place=(lat, lon, h), seed=4))
    at = f"{east:.4f},{north:.4f},{mark_h:.4f}"
    code, doc, _ = answer(capsys, tmp_path / "rover.nmea", "--at", at, "--crs", "EPSG:32617")
    assert (code, doc["passed"]) == (1, False)
    fit = doc["datum_fit"]
    assert fit is not None
    assert fit["name"].startswith(f"base in {base_frame}")
    assert fit["explains_m"] == pytest.approx(
        1.69, abs=0.05
    )  # 1.680 m at 2020.0: docs of EPSG:8970, see tests/reference
    assert fit["left_m"] < 0.03
    shift = next(f for f in doc["findings"] if f["code"] == "datum_shift")
    assert shift["severity"] == "warn"
    assert doc["findings"][0]["code"] == "datum_shift"  # the cause before what it makes fail
    assert shift["evidence"]["chance"] < 0.01


def test_an_old_national_datum_cannot_be_judged_in_plan_and_says_so(tmp_path, capsys):
    place = (52.6, 1.3, 60.0)
    east, north = Transformer.from_crs("EPSG:4326", "EPSG:27700", always_xy=True).transform(place[1], place[0])
    (tmp_path / "rover.nmea").write_bytes(stand(place=place))
    at = f"{east:.3f},{north:.3f},60.0"
    code, doc, _ = answer(capsys, tmp_path / "rover.nmea", "--at", at, "--crs", "EPSG:27700")
    assert (code, doc["passed"]) == (1, None)
    assert any("old datum" in note for note in doc["notes"])


def test_a_state_plane_in_survey_feet_takes_its_coordinates_in_survey_feet(tmp_path, capsys):
    place = (40.75, -73.98, 12.0)
    to_feet = Transformer.from_crs("EPSG:4326", "EPSG:2263", always_xy=True)  # its unit is the US survey foot
    east, north = to_feet.transform(place[1], place[0])
    (tmp_path / "rover.nmea").write_bytes(stand(place=place))
    right = (tmp_path / "rover.nmea", "--at", f"{east:.3f}ftUS,{north:.3f}ftUS,12.0", "--crs", "EPSG:2263")
    assert answer(capsys, *right)[:2][0] == 0
    plain = answer(capsys, tmp_path / "rover.nmea", "--at", f"{east:.3f},{north:.3f},12.0", "--crs", "EPSG:2263")[1]
    assert "ftUS" in plain["mistake"]
    other = answer(capsys, tmp_path / "rover.nmea", "--at", f"{east:.3f}ft,{north:.3f}ft,12.0", "--crs", "EPSG:2263")[1]
    assert other["passed"] is False
    assert other["residual_m"]["horizontal"] == pytest.approx(0.61, abs=0.05)  # 2 ppm of 300 km and 65 km
    names = [other["datum_fit"]["name"] if other["datum_fit"] else "", *other["datum"]["possible"]]
    assert any("feet taken as" in name for name in names)


def test_a_log_gives_the_same_answer_through_either_driver(tmp_path, log, capsys):
    path = site(tmp_path)
    one = answer(capsys, log, "--point", "CP3", "--no-record")[1]
    other = answer(capsys, "--rover", log, "--point", "CP3", "--site", path, "--no-record")[1]
    for key in ("mean", "scatter_m", "residual_m", "limit_m", "sigma_m", "used", "duration_s", "passed", "start_utc"):
        assert one[key] == other[key]


def test_an_occupation_that_is_ended_by_hand_gives_its_answer(tmp_path, capsys, monkeypatch):
    from hubtack.commands import control_rows as drive

    def interrupted(self: object, elapsed_ns: int, partial: bool) -> bool:
        if len(self.gathered.rows()) >= 30:  # type: ignore[attr-defined]
            raise KeyboardInterrupt
        return True

    monkeypatch.setattr(drive._Occupying, "look", interrupted)
    code, doc, _ = occupied_live(tmp_path, capsys, 60)
    assert (code, doc["passed"], doc["ended"]) == (0, True, "it was ended by hand")
