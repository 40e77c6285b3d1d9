"""Run the scoreboard by hand: ``python -m tests.scoreboard.run --seeds 10 [--codes two_bases,no_rover] [--pairs 50]``."""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np
from tests.scoreboard.board import CLEAN, FAULTS, draw_case, long_day, run_cases, run_seed


def run(argv: list[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=10, help="sessions for each fault, and for each kind of clean day")
    parser.add_argument("--codes", default="", help="only these faults, by commas; clean for the clean days")
    parser.add_argument("--clean-minutes", type=int, default=0, help="length of the clean days, instead of 5 to 12")
    parser.add_argument("--pairs", type=int, default=0, help="sessions with two faults at once")
    parser.add_argument("--at-once", type=int, default=20, help="sessions in one audit; a line is printed after each")
    parser.add_argument(
        "--others", type=int, default=0, help="instead: so many sessions for each code of casters, marks, clocks"
    )
    args = parser.parse_args(argv)
    seed = run_seed()
    rng = np.random.Generator(np.random.PCG64(seed))
    chosen = [c for c in args.codes.split(",") if c] or [*FAULTS, "clean"]
    cases = [draw_case(rng, [code]) for code in chosen if code in FAULTS for _ in range(args.seeds)]
    if "clean" in chosen:
        drawn = [draw_case(rng, [], day) for _ in range(args.seeds) for day in CLEAN]
        cases += [long_day(case, args.clean_minutes) for case in drawn] if args.clean_minutes else drawn
    names = sorted(FAULTS)
    cases += [draw_case(rng, [str(c) for c in rng.choice(names, 2, replace=False)]) for _ in range(args.pairs)]
    print(f"HUBTACK_SEED={seed}", flush=True)
    if args.others:
        _run_others(rng, args.others)
        return
    with tempfile.TemporaryDirectory() as folder:
        board = run_cases(cases, Path(folder), at_once=args.at_once, told=lambda words: print(words, flush=True))
    print(board.table())


def _run_others(rng: np.random.Generator, n: int) -> None:
    from tests.scoreboard.confusion import Row, confusion_table
    from tests.scoreboard.others import run_others

    def told(row: Row) -> None:
        if not row.right:
            print(f"    {row.cause} -> {row.said}: {row.again}", flush=True)

    with tempfile.TemporaryDirectory() as folder:
        print(confusion_table(run_others(rng, n, Path(folder), told)))


if __name__ == "__main__":
    run()
