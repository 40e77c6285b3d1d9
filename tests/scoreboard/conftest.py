"""Random numbers drawn anew for each test, from a seed that is printed."""

from __future__ import annotations

import numpy as np
import pytest
from tests.scoreboard.board import run_seed


@pytest.fixture
def rng(capsys: pytest.CaptureFixture[str]) -> np.random.Generator:
    seed = run_seed()
    with capsys.disabled():
        print(f" HUBTACK_SEED={seed}", end="")
    return np.random.Generator(np.random.PCG64(seed))
