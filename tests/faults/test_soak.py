"""An hour through the live commands, with faults (``python -m tests.faults.soak`` does a day)."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest


@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
def test_an_hour_of_faults_leaves_memory_threads_and_files_as_they_were(tmp_path: Path) -> None:
    from tests.faults.soak import soak

    from hubtack.cli.main import main

    day = tmp_path / "day"
    assert main(["simulate", "--minutes", "60", "--fault", "burst_loss,link_stalled", "--out", str(day)]) == 0
    found = soak(day, tmp_path, speed=60.0, limit_s=120.0, seed=1)
    print(found)
    assert found["troubles"] == []
