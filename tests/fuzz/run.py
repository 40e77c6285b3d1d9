"""A long run by hand: ``python -m tests.fuzz.run TARGET --seconds 60`` (or ``--coverage`` with atheris installed).

What breaks is written to a file and belongs, made small, into ``FINDS`` of test_fuzz.py.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from pathlib import Path

from tests.fuzz.mutate import mutated

SLOW_S = 2.0  # no input of this size may take longer


def plain(name: str, seconds: float) -> int:
    """Mutated good inputs for so long; returns how many there were."""
    from tests.fuzz.targets import SEEDS, TARGETS
    from tests.scoreboard.board import run_seed

    seed = run_seed()
    rng = random.Random(seed)
    until, n = time.monotonic() + seconds, 0
    while time.monotonic() < until:
        data = mutated(SEEDS[name], rng)
        began_s = time.monotonic()
        try:
            TARGETS[name](data)
        except BaseException:
            Path(f"find-{name}.bin").write_bytes(data)
            print(f"{name}: input {n} of HUBTACK_SEED={seed} breaks it: find-{name}.bin", file=sys.stderr)
            raise
        if time.monotonic() - began_s > SLOW_S:
            Path(f"slow-{name}.bin").write_bytes(data)
            raise TimeoutError(f"{name}: {len(data)} bytes took over {SLOW_S} s: slow-{name}.bin")
        n += 1
    return n


def by_coverage(name: str, runs: int) -> None:
    """Inputs that reach new code, by atheris; ends the process."""
    import atheris

    with atheris.instrument_imports(include=["hubtack"]):  # and no more: all of numpy would take minutes
        from tests.fuzz.targets import TARGETS
    atheris.Setup([sys.argv[0], f"-runs={runs}", "-timeout=5", "-rss_limit_mb=1500"], TARGETS[name])
    atheris.Fuzz()


def main() -> None:
    """One target, or all of them for so long each."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", help="a function of tests/fuzz/targets.py, or all")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--coverage", type=int, default=0, metavar="RUNS")
    args = parser.parse_args()
    if args.coverage:
        by_coverage(args.target, args.coverage)
    from tests.fuzz.targets import TARGETS

    for name in TARGETS if args.target == "all" else [args.target]:
        print(f"{name}: {plain(name, args.seconds)} inputs", flush=True)


if __name__ == "__main__":
    main()
