"""Terrain, masts and repeaters; the sketch and the picture; the check list filled from a stream."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from tests.command_line import run
from tests.loopback import open_line
from tests.radio.lossy_site import PATH

from hubtack.radio.heights import best_repeater, swept
from hubtack.radio.path import Link, ground_m, heights_over_plain_m, hill_tops, noise_floor_dbm, work_out
from hubtack.radio.profile import profile
from hubtack.views.radio_profile import sketch

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_logs"
BANK = ((0.0, 0.0), (700.0, 0.0), (850.0, 5.0), (900.0, 8.5), (960.0, 7.0), (1100.0, -1.0), (2000.0, -4.0))


def link(**changes: object) -> Link:
    figures: dict[str, object] = {
        "frequency_mhz": 450.0, "distance_m": 2000.0, "base_height_m": 5.0, "rover_height_m": 3.0, "power_w": 2.0,
        "sensitivity_dbm": -110.0,
    }  # fmt: skip
    return Link(**{**figures, **changes})  # type: ignore[arg-type]


# Terrain -----------------------------------------------------------------------------------------------------------


def test_a_wide_bank_counts_as_one_edge_and_a_second_bank_as_another() -> None:
    assert hill_tops(link(ground=BANK)) == [(900.0, 8.5)]
    two = (*BANK[:-1], (1500.0, 9.0), (2000.0, -4.0))
    assert [d for d, _ in hill_tops(link(ground=two))] == [900.0, 1500.0]


def test_flat_ground_and_small_rises_are_left_to_plane_earth() -> None:
    flat = link(ground=((0.0, 0.0), (500.0, 0.2), (1000.0, 0.0), (2000.0, 0.0)))
    assert hill_tops(flat) == []
    assert work_out(flat).path_loss_db == pytest.approx(work_out(link()).path_loss_db, abs=0.2)


def test_a_machine_in_a_cut_stands_on_its_own_ground() -> None:
    cut = link(ground=((0.0, 0.0), (1800.0, 0.0), (1850.0, -6.0), (2000.0, -6.0)))
    assert cut.rover_top_m == -3.0
    assert work_out(cut).diffraction_db > 0
    assert work_out(cut).path_loss_db > work_out(link()).path_loss_db


def test_a_base_on_a_hill_counts_from_the_mean_of_the_terrain() -> None:
    hill = link(ground=((0.0, 0.0), (100.0, -20.0), (2000.0, -20.0)))
    base_m, rover_m = heights_over_plain_m(hill)
    assert 20.0 < base_m < 25.0
    assert rover_m == 3.0
    assert heights_over_plain_m(link()) == (5.0, 3.0)


def test_terrain_between_points_is_a_straight_line_and_level_beyond() -> None:
    ground = ((100.0, 2.0), (200.0, 4.0))
    assert [ground_m(ground, d) for d in (0.0, 150.0, 200.0, 900.0)] == [2.0, 3.0, 4.0, 4.0]


@pytest.mark.parametrize(("text", "word"), [
    ("0,100\n900,108\n1200,100\n", "expected from the base"), ("0,100\n900,108\n800,100\n2000,100\n", "sort by distance"),
    ("0,100\n900,nan\n2000,100\n", "line 2"), ("0,100\n900,9000\n2000,100\n", "metres"), ("", "no points"),
])  # fmt: skip
def test_a_profile_that_cannot_be_is_named(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, text: str, word: str
) -> None:
    file = tmp_path / "profile.csv"
    file.write_text(text)
    code, _, err = run(capsys, *PATH, "--profile", file)
    assert code == 3
    assert word in err
    assert len(err.strip().splitlines()) == 1


@pytest.mark.parametrize(("args", "word"), [
    (["--frequency-mhz", "0.45"], "GHz"), (["--frequency-mhz", "450000"], "kHz"), (["--cable-loss-db", "-3"], "without a sign"),
    (["--base-gain-dbi", "nan"], "dBi"), (["--distance-m", "5"], "nearer than"), (["--base-height-m", "5000"], "metres above"),
    (["--obstacle", "900,nan"], "above the base's ground"), (["--rate-bps", "0"], "over the air"), (["--site-noise-db", "-1"], "noise"),
    (["--repeater-height-m", "-2"], "mast"), (["--plot", "x.jpg"], ".png or .svg"),
])  # fmt: skip
def test_more_figures_that_cannot_be(capsys: pytest.CaptureFixture[str], args: list[str], word: str) -> None:
    code, _, err = run(capsys, *PATH, *args)
    assert code == 2
    assert word in err


# Masts and repeaters -----------------------------------------------------------------------------------------------


def test_twice_the_mast_gives_six_decibels_over_open_ground() -> None:
    # 40 log d - 20 log(h1 h2): 20 log10 2 = 6.02 dB.
    assert work_out(link(base_height_m=10.0)).margin_db - work_out(link()).margin_db == pytest.approx(6.02, abs=0.01)


def test_the_sweep_never_gets_worse_upwards() -> None:
    rows = swept(link(obstacles=((900.0, 8.0),)))
    for rover in {r.rover_height_m for r in rows}:
        margins = [r.margin_db for r in sorted(rows, key=lambda r: r.base_height_m) if r.rover_height_m == rover]
        assert margins == sorted(margins)


def test_a_repeater_goes_to_the_bank_that_is_in_the_way() -> None:
    blocked = link(obstacles=((900.0, 15.0),))
    found = best_repeater(blocked, 4.0)
    assert found is not None
    assert found.distance_m == 900.0
    assert found.on_obstacle
    assert found.gain_db > 15
    assert found.to_base.diffraction_db == found.to_rover.diffraction_db == 0.0


def test_over_open_ground_a_repeater_of_the_same_mast_stands_between() -> None:
    found = best_repeater(link(distance_m=8000.0), 5.0)
    assert found is not None
    assert 2500 < found.distance_m < 5500
    assert best_repeater(link(base_height_m=20.0), 0.3) is None


def test_the_advice_says_by_how_much_the_mast_goes_up(capsys: pytest.CaptureFixture[str]) -> None:
    args = [*PATH, "--obstacle", "400,8", "--power-w", "0.1", "--sensitivity-dbm", "-100"]
    document = json.loads(run(capsys, *args, "--json")[1])
    assert document["raise_mast_by_m"] == document["mast_needed_m"] - 5 > 0
    assert f"by {document['raise_mast_by_m']:g} m" in run(capsys, *args)[1]


def test_a_usual_sensitivity_serves_where_none_is_stated_and_noise_takes_from_the_margin(
    capsys: pytest.CaptureFixture[str],
) -> None:
    args = [*PATH, "--power-w", "2", "--rate-bps", "9600"]
    quiet = json.loads(run(capsys, *args, "--json")[1])
    noisy = json.loads(run(capsys, *args, "--site-noise-db", "15", "--json")[1])
    assert quiet["sensitivity_dbm"] == -105.0  # the poorer receiver on the narrower channel
    assert quiet["margin_db"] - noisy["margin_db"] == pytest.approx(15)
    assert noisy["noise_floor_dbm"]["12_5_khz"] == pytest.approx(noise_floor_dbm(12_500, 7.0) + 15, abs=1e-3)


# Drawn -------------------------------------------------------------------------------------------------------------


def test_the_sketch_shows_the_bank_over_the_line_of_sight() -> None:
    one = link(ground=BANK)
    lines = sketch(one, profile(one))
    column = 7 + round(900 / 2000 * 71)
    assert lines[0][column] == "#"
    assert any("*" in line for line in lines)
    assert all(len(line) <= 80 for line in lines)


@pytest.mark.parametrize("suffix", ["png", "svg"])
def test_the_profile_is_drawn_whole(capsys: pytest.CaptureFixture[str], tmp_path: Path, suffix: str) -> None:
    pytest.importorskip("matplotlib")
    file = tmp_path / f"path.{suffix}"
    assert run(capsys, *PATH, "--obstacle", "900,8", "--repeater-height-m", "4", "--plot", file)[0] == 0
    head = file.read_bytes()[:200]
    assert head.startswith(b"\x89PNG") if suffix == "png" else b"<?xml" in head
    assert [p.name for p in tmp_path.iterdir()] == [file.name]


def test_a_picture_that_cannot_be_written_leaves_nothing(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    code, _, err = run(capsys, *PATH, "--plot", tmp_path / "no" / "path.png")
    assert code == 3
    assert "cannot be written" in err


# Check list --------------------------------------------------------------------------------------------------------


def sheet(capsys: pytest.CaptureFixture[str], *args: str | Path) -> tuple[int, dict[str, dict[str, object]]]:
    code, out, _ = run(capsys, "radio", "checklist", *args, "--json")
    return code, {item["item"]: item for item in json.loads(out)["items"]}


def test_a_good_stream_answers_what_it_can_and_leaves_the_rest_to_a_person(capsys: pytest.CaptureFixture[str]) -> None:
    code, items = sheet(capsys, "--stream", SAMPLES / "good_day/corrections.rtcm3", "--rate-bps", "9600")
    assert code == 0
    assert items["receive lamp"]["well"] is True
    assert items["over-the-air rate"]["well"] is True
    assert items["message set"]["well"] is True
    assert items["station ID"]["shows"] == "590"
    for by_hand in ("station ID", "channel and frequency", "channel spacing", "antennas", "protocol"):
        assert items[by_hand]["well"] is None


def test_two_bases_and_a_load_too_large_are_marked(capsys: pytest.CaptureFixture[str]) -> None:
    code, items = sheet(capsys, "--stream", SAMPLES / "two_bases", "--rate-bps", "4800")
    assert code == 1
    assert items["channel and frequency"]["well"] is False
    assert items["over-the-air rate"]["well"] is False
    assert "does NOT fit" in str(items["over-the-air rate"]["shows"])


def test_damaged_frames_speak_against_the_channel(capsys: pytest.CaptureFixture[str]) -> None:
    _, items = sheet(capsys, "--stream", SAMPLES / "corrupt_frames/corrections.rtcm3")
    assert items["channel and frequency"]["well"] is False


def test_a_file_without_corrections_is_one_clear_line(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("nothing of the kind\n" * 50)
    code, _, err = run(capsys, "radio", "checklist", "--stream", tmp_path / "notes.txt")
    assert code == 3
    assert "no observation epochs" in err
    assert len(err.strip().splitlines()) == 1


def test_the_sheet_fits_a_page_of_eighty_columns(capsys: pytest.CaptureFixture[str]) -> None:
    out = run(capsys, "radio", "checklist", "--stream", SAMPLES / "good_day")[1]
    assert all(len(line) <= 80 for line in out.splitlines())
    assert out.startswith("[x] receive lamp")


def test_a_live_source_is_listened_to_for_a_while_and_a_dead_one_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    data = (SAMPLES / "good_day/corrections.rtcm3").read_bytes()
    with open_line(data) as url:
        code, items = sheet(capsys, "--stream", url, "--for", "0.5", "--rate-bps", "9600")
    assert code == 0
    assert items["receive lamp"]["well"] is True
    code, _, err = run(capsys, "radio", "checklist", "--stream", url, "--for", "5")  # gone by now
    assert code == 3
    assert "refused" in err
    assert "next try" not in err


def test_the_account_of_a_path_fits_eighty_columns(capsys: pytest.CaptureFixture[str]) -> None:
    args = ["--obstacle", "900,8", "--power-w", "2", "--rate-bps", "9600", "--sweep", "--repeater-height-m", "4"]
    out = run(capsys, *PATH, *args)[1]
    assert all(len(line) <= 80 for line in out.splitlines())
    assert "repeater at 900 m" in out
    assert "power lines" in out
