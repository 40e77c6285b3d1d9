"""The radio documents follow the schema, whatever is given and whatever is left out."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest
from tests.command_line import run
from tests.radio.lossy_site import PATH, drive, write_session

ROOT = Path(__file__).parents[2]
GOOD_DAY = str(ROOT / "sample_logs/good_day/corrections.rtcm3")


@pytest.mark.parametrize(("args", "kind"), [
    (PATH, "radio_path"),
    ([*PATH, "--obstacle", "900,8", "--power-w", "2", "--rate-bps", "9600", "--repeater-height-m", "4"], "radio_path"),
    (["radio", "load", "--systems", "GPS=10x2", "--rate-bps", "9600"], "radio_load"),
    (["radio", "load", "--stream", GOOD_DAY, "--rate-bps", "4800", "--serial-bps", "9600"], "radio_load"),
    (["radio", "checklist"], "radio_checklist"),
    (["radio", "checklist", "--stream", GOOD_DAY], "radio_checklist"),
    (["radio", "losses", str(ROOT / "sample_logs/link_stalled")], "radio_losses"),
    (["radio", "losses", GOOD_DAY], "radio_losses"),
])  # fmt: skip
def test_a_radio_document_follows_the_schema(capsys: pytest.CaptureFixture[str], args: list[str], kind: str) -> None:
    _, out, _ = run(capsys, *args, "--json")
    assert json.loads(out)["kind"] == kind


def test_the_document_of_losses_with_a_place_follows_the_schema(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    east, north = drive(3600, 5)
    rng = random.Random(3)
    folder = write_session(
        tmp_path / "day", east, north,
        lambda i: rng.random() < (0.3 if east[i] ** 2 + north[i] ** 2 > 700**2 else 0.005) or 100 < i < 160,
    )  # fmt: skip
    document = json.loads(run(capsys, "radio", "losses", folder, "--json")[1])
    assert document["places"]
