"""Run the scoreboard by hand: ``python -m tests.scoreboard.run --seeds 10 [--codes two_bases,no_rover] [--pairs 50]``."""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np
from tests.scoreboard.board import CLEAN, FAULTS, draw_case, run_cases, run_seed


def run(argv: list[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=10, help="sessions for each fault, and for each kind of clean day")
    parser.add_argument("--codes", default="", help="only these faults, by commas; clean for the clean days")
    parser.add_argument("--pairs", type=int, default=0, help="sessions with two faults at once")
    args = parser.parse_args(argv)
    seed = run_seed()
    rng = np.random.Generator(np.random.PCG64(seed))
    chosen = [c for c in args.codes.split(",") if c] or [*FAULTS, "clean"]
    cases = [draw_case(rng, [code]) for code in chosen if code in FAULTS for _ in range(args.seeds)]
    if "clean" in chosen:
        cases += [draw_case(rng, [], day) for day in CLEAN for _ in range(args.seeds)]
    names = sorted(FAULTS)
    cases += [draw_case(rng, [str(c) for c in rng.choice(names, 2, replace=False)]) for _ in range(args.pairs)]
    with tempfile.TemporaryDirectory() as folder:
        board = run_cases(cases, Path(folder))
    print(f"HUBTACK_SEED={seed}")
    print(board.table())


if __name__ == "__main__":
    run()
