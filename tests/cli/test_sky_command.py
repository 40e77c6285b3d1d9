"""``hubtack sky`` as its user meets it: a session, a log without ephemerides, a navigation file, a picture."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from tests.command_line import run
from tests.orbits.orbit_helpers import encode, kepler_values
from tests.orbits.test_navfile import _head, _kepler_record

from hubtack.orbits.ephemeris import parse_ephemeris

ROOT = Path(__file__).parents[2]
GOOD = ROOT / "sample_logs/good_day"


def test_a_session_shows_what_base_and_rover_share_and_the_hours_ahead(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "sky", GOOD, "--json")
    assert code == 0
    document = json.loads(out)
    assert document["base"] and document["rover"]
    tracked = {s["name"] for s in document["satellites"] if s["base_tracks"] and s["rover_tracks"]}
    assert set(document["common"]) >= tracked and len(tracked) >= 20
    up = [s for s in document["satellites"] if s["elevation_deg"] > 15]
    assert all(s["base_tracks"] for s in up)  # the simulated base stands in the open
    assert all(30 <= s["cn0_dbhz"] <= 55 for s in up)
    forecast = document["forecast"]
    assert len(forecast["pdop"]) == len(forecast["common"]) == 145
    # At the start the forecast is what is tracked now, give or take a satellite at the mask.
    assert abs(forecast["common"][0] - len(tracked)) <= 2
    assert forecast["known"][0] and not forecast["known"][-1]  # a base does not tell of what will rise
    assert {w["kind"] for w in document["windows"]} <= {"good", "fair", "unknown"}
    assert document["windows"][0]["start_utc"] == document["utc"]


def test_the_strip_says_until_when_the_sky_is_good(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "sky", GOOD)
    assert code == 0
    first = out.splitlines()[0]
    assert first.startswith("sky 12 h #") and "good until" in first and "not known from" in first
    assert "Check on a control mark" in out.replace("\n", " ")


def test_a_higher_mask_leaves_fewer_satellites(capsys: pytest.CaptureFixture[str]) -> None:
    low, high = (
        json.loads(run(capsys, "sky", GOOD, "--json", "--mask-deg", mask)[1])["forecast"]["common"][0]
        for mask in (5, 35)
    )
    assert high < low


def test_the_picture_is_drawn(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code, _, err = run(capsys, "sky", GOOD, "--plot", tmp_path / "sky.png")
    assert code == 0 and "wrote" in err
    assert (tmp_path / "sky.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    code, _, err = run(capsys, "sky", GOOD, "--plot", tmp_path / "sky.doc")
    assert code == 2 and ".svg" in err


def test_a_stream_without_ephemerides_says_what_would_help(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    from hubtack.decode.decoder import Decoder
    from hubtack.orbits.layouts import EPHEMERIS_MESSAGES

    data = (GOOD / "corrections.rtcm3").read_bytes()
    frames = Decoder().feed(data).frames
    bare = b"".join(
        data[a:b] for a, b, n in zip(frames.pos, frames.end, frames["type"], strict=True) if n not in EPHEMERIS_MESSAGES
    )
    (tmp_path / "bare.rtcm3").write_bytes(bare)
    code, out, err = run(capsys, "sky", tmp_path / "bare.rtcm3")
    assert code == 1 and not out
    assert "1019" in err and "--navigation" in err


def _navigation_file(path: Path, n: int = 30) -> Path:
    """GPS satellites all over the sky, of Wednesday 13 March 2024, 16:20 GPS time."""
    pytest.importorskip("georinex")
    rng = np.random.default_rng(5)
    text = _head()
    for i in range(n):
        e = parse_ephemeris(encode(1019, kepler_values(1019, i + 1, rng, toe_s=318_000.0, toc_s=318_000.0)))
        assert e is not None
        text += _kepler_record("G", e, "2024 03 13 16 20 00", [0, 2305, 0, 2, 0, e.tgd_s, 17, 0, 4])
    path.write_text(text)
    return path


def test_a_navigation_file_of_a_whole_constellation_knows_all_the_hours(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = _navigation_file(tmp_path / "made.rnx")
    where = ("--near", "-44.87,169.12", "--from", "2024-03-13T16:20", "--hours", "6", "--json")
    code, out, _ = run(capsys, "sky", "--navigation", path, *where)
    assert code == 0
    document = json.loads(out)
    assert all(document["forecast"]["known"]) and document["base"] is None
    assert document["windows"][-1]["end_utc"] == "2024-03-13T22:20:00Z"
    assert sum(w["to_s"] - w["from_s"] for w in document["windows"]) == 6 * 3600


def test_a_navigation_file_of_another_week_is_refused(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = _navigation_file(tmp_path / "made.rnx", 6)
    # A week later every time of the week is the same, and every satellite half an hour ahead.
    code, _, err = run(capsys, "sky", "--navigation", path, "--near", "-44.87,169.12", "--from", "2024-03-20T16:20")
    assert code not in (0, 1) and "of that day" in err


@pytest.mark.parametrize(
    ("args", "says"),
    [
        ((), "--navigation"),
        (("--navigation", "x.rnx"), "--near"),
        ((str(GOOD), "--from", "yesterday"), "2026-11-26T07:00"),
        ((str(GOOD), "--mask-deg", "95"), "60"),
        ((str(GOOD), "--hours", "100"), "24"),
        (("no/such.rtcm3",), "no such file"),
    ],
)
def test_each_kind_of_bad_input_gets_one_clear_line(
    capsys: pytest.CaptureFixture[str], args: tuple[str, ...], says: str
) -> None:
    code, out, err = run(capsys, "sky", *args)
    assert code in (2, 3) and not out
    assert says in err and len(err.strip().splitlines()) == 1
