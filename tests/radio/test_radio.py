"""The radio commands: what fits, what is too much, and clear words for figures that cannot be."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from tests.command_line import run

from hubtack.radio.load import load, remedies
from hubtack.radio.path import Link, diffraction_db, mast_needed_m, work_out

ROOT = Path(__file__).parents[2]
PATH = ["radio", "path", "--distance-m", "2000", "--base-height-m", "5", "--rover-height-m", "3"]
FULL = {"GPS": (10, 2), "GLONASS": (7, 2), "Galileo": (8, 2), "BeiDou": (10, 2)}


def test_the_path_document_has_the_contracts_keys(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, *PATH, "--frequency-mhz", "450", "--power-w", "2", "--sensitivity-dbm", "-110", "--json")
    document = json.loads(out)
    assert code == 0
    assert set(document) >= {
        "free_space_db", "plane_earth_db", "breakpoint_m", "horizon_m", "fresnel1_m", "clearance_m", "diffraction_db",
        "path_loss_db", "received_dbm", "margin_db", "availability", "findings",
    }  # fmt: skip
    assert 0.99 < document["availability"] <= 1.0


def test_without_power_there_is_no_margin(capsys: pytest.CaptureFixture[str]) -> None:
    document = json.loads(run(capsys, *PATH, "--frequency-mhz", "915", "--json")[1])
    assert document["received_dbm"] is None
    assert document["margin_db"] is None


@pytest.mark.parametrize(("args", "word"), [
    (["--frequency-mhz", "450000000"], "Hz"), (["--frequency-mhz", "-450"], "more than 0"), (["--frequency-mhz", "5800"], "1000"),
    (["--frequency-mhz", "450", "--obstacle", "2500,8"], "between"), (["--frequency-mhz", "450", "--power-w", "-1"], "watts"),
    (["--frequency-mhz", "450", "--sensitivity-dbm", "110"], "negative"),
    (["--frequency-mhz", "450", "--obstacle", "8"], "DISTANCE_M,HEIGHT_M"),
])  # fmt: skip
def test_figures_that_cannot_be_get_a_clear_sentence(
    capsys: pytest.CaptureFixture[str], args: list[str], word: str
) -> None:
    code, _, err = run(capsys, *PATH, *args)
    assert code == 2
    assert word in err
    assert len(err.strip().splitlines()) == 1


@pytest.mark.parametrize("name", ["distance-m", "base-height-m", "rover-height-m"])
def test_zero_and_negative_lengths_are_refused(capsys: pytest.CaptureFixture[str], name: str) -> None:
    for value in ("0", "-3"):
        code, _, err = run(capsys, *PATH, "--frequency-mhz", "450", f"--{name}", value)
        assert code == 2
        assert name in err


def test_a_second_bank_costs_more_and_a_low_one_nothing() -> None:
    one = diffraction_db(450, 3000, 5, 3, [(1000, 12)])
    assert diffraction_db(450, 3000, 5, 3, [(1000, 12), (2000, 11)]) > one
    assert diffraction_db(450, 3000, 5, 3, [(1000, 12), (2000, -40)]) == one
    assert diffraction_db(450, 3000, 30, 30, [(1000, -10)]) == 0.0


def test_a_higher_mast_mends_a_blocked_path() -> None:
    link = Link(450, 2000, 5, 3, ((400.0, 8.0),), 1.0, 2.0, 2.0, 2.0, -105.0)
    height = mast_needed_m(link, 20.0)
    assert height is not None
    better = Link(450, 2000, height, 3, ((400.0, 8.0),), 1.0, 2.0, 2.0, 2.0, -105.0)
    assert work_out(better).path_loss_db < work_out(link).path_loss_db
    assert work_out(better).clearance_m >= 0.6 * work_out(better).fresnel1_m


def test_a_profile_is_read_and_a_bad_one_named_by_its_line(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    good, bad = tmp_path / "good.csv", tmp_path / "bad.csv"
    good.write_text("distance_m,height_m\n0,100\n900,108\n2000,100\n")
    bad.write_text("0,100\n900;108\n")
    with_profile = json.loads(run(capsys, *PATH, "--frequency-mhz", "450", "--profile", str(good), "--json")[1])
    with_obstacle = json.loads(run(capsys, *PATH, "--frequency-mhz", "450", "--obstacle", "900,8", "--json")[1])
    assert with_profile["diffraction_db"] == with_obstacle["diffraction_db"] > 6
    code, _, err = run(capsys, *PATH, "--frequency-mhz", "450", "--profile", str(bad))
    assert code == 3
    assert "line 2" in err


def test_msm7_of_four_systems_does_not_fit_9600_and_msm4_does(capsys: pytest.CaptureFixture[str]) -> None:
    args = [
        "radio",
        "load",
        "--systems",
        "GPS=10x2,GLONASS=7x2,Galileo=8x2,BeiDou=10x2",
        "--rate-bps",
        "9600",
        "--json",
    ]
    code, out, _ = run(capsys, *args, "--msm", "7")
    document = json.loads(out)
    assert (code, document["bytes_per_epoch"], document["fits"]) == (1, 977, False)
    assert "MSM4" in document["remedies"][0]
    code, out, _ = run(capsys, *args, "--msm", "4")
    assert (code, json.loads(out)["fits"]) == (0, True)


def test_one_repeater_sends_everything_twice() -> None:
    assert load(619, 1.0, 9600, repeats=2).airtime_s == pytest.approx(2 * load(619, 1.0, 9600).airtime_s)
    assert not load(619, 1.0, 9600, repeats=2).fits


def test_a_slow_cable_is_found_and_named() -> None:
    # 977 bytes need 1.02 s at 9600 bit/s, 8N1 (ten bits a byte).
    result = load(977, 1.0, 38_400, serial_bps=9600.0)
    assert result.serial_s == pytest.approx(1.0177, abs=1e-3)
    assert not result.fits
    assert any("receiver and radio" in r for r in remedies(result, FULL, 7, 1.0, 38_400, serial_bps=9600.0))


def test_a_recorded_stream_is_measured_byte_for_byte(capsys: pytest.CaptureFixture[str]) -> None:
    file = ROOT / "sample_logs/good_day/corrections.rtcm3"
    document = json.loads(run(capsys, "radio", "load", "--stream", str(file), "--rate-bps", "19200", "--json")[1])
    link = json.loads(run(capsys, "link", str(file), "--json")[1])
    assert document["bytes_per_epoch"] * link["epochs"] == pytest.approx(link["bytes"], abs=1)


def test_the_check_list_begins_with_the_receive_lamp(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "radio", "checklist")
    assert code == 0
    assert "receive lamp" in out.splitlines()[0]
    assert "licence" in out
    assert "power lines" in out
