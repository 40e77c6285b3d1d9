"""A long run by hand: ``python -m tests.fuzz.run all --inputs 10000000 --totals fuzz.json``, or ``... framing --seconds 60``.

Inputs are good ones with changes; where atheris is installed and ``--coverage`` is given, those that reach new code are kept
and changed further. A run goes in rounds; after each the totals are written, so that it may be ended and begun again.
What breaks is written to a file and belongs, made small, into ``FINDS`` of test_fuzz.py.
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import gc
import json
import os
import random
import re
import subprocess
import sys
import time
from pathlib import Path

from tests.fuzz.mutate import mutated

SLOW_S = 2.0  # no input of this size may take longer, of this process' own time
ROUND = 400_000  # inputs of a process; then a new one, so that what a round leaks is seen and gone
LARGEST = 1_000  # [byte] for the guided runs, which would grow their inputs without end


def resident_mb() -> float:
    """Memory that this process holds now, without what waits to be collected and freed."""
    gc.collect()
    with contextlib.suppress(OSError, AttributeError):  # glibc only
        ctypes.CDLL("libc.so.6").malloc_trim(0)
    with open("/proc/self/statm", encoding="ascii") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def plain(name: str, seconds: float, inputs: int = sys.maxsize) -> dict[str, float]:
    """Mutated good inputs for so long or so many; what it took."""
    from tests.fuzz.seeds import SEEDS
    from tests.fuzz.targets import TARGETS
    from tests.scoreboard.board import run_seed

    seed = run_seed()  # drawn anew in each process, unless HUBTACK_SEED says which
    rng = random.Random(seed)
    until, n, slowest_s, began_mb = time.monotonic() + seconds, 0, 0.0, 0.0
    while time.monotonic() < until and n < inputs:
        data = mutated(rng.choice(SEEDS[name]), rng)
        began_s = time.process_time()
        try:
            TARGETS[name](data)
        except BaseException:
            Path(f"find-{name}.bin").write_bytes(data)
            print(f"{name}: input {n} of HUBTACK_SEED={seed} breaks it: find-{name}.bin", file=sys.stderr)
            raise
        slowest_s = max(slowest_s, time.process_time() - began_s)
        if slowest_s > SLOW_S:
            Path(f"slow-{name}.bin").write_bytes(data)
            raise TimeoutError(f"{name}: {len(data)} bytes took over {SLOW_S} s: slow-{name}.bin")
        n += 1
        if n == 2_000:
            began_mb = resident_mb()  # caches are full by now
    return {"inputs": n, "slowest_s": slowest_s, "growth_mb": resident_mb() - began_mb if began_mb else 0.0}


def by_coverage(name: str, runs: int, corpus: Path) -> None:
    """Inputs that reach new code, by atheris; ends the process."""
    import atheris
    from tests.fuzz.targets import TARGETS

    with atheris.instrument_imports(include=["hubtack"]):  # and no more: all of numpy would take minutes
        TARGETS[name](b"$GNGGA,100000.00,")  # imports what this target needs
    from tests.fuzz.seeds import SEEDS

    corpus.mkdir(parents=True, exist_ok=True)
    for i, data in enumerate(SEEDS[name]):
        TARGETS[name](data)
        (corpus / f"seed-{i}").write_bytes(data)

    def changed(data: bytes, most: int, seed: int) -> bytes:
        """A half by the changes of mutate.py, which know what a field is; a half by the library's own."""
        rng = random.Random(seed)
        return mutated(data, rng)[:most] if rng.randrange(2) else bytes(atheris.Mutate(data, most))

    argv = [
        sys.argv[0],
        f"-runs={runs}",
        "-timeout=20",
        "-rss_limit_mb=1500",
        f"-max_len={LARGEST}",
        "-print_final_stats=1",
    ]
    atheris.Setup([*argv, str(corpus)], TARGETS[name], custom_mutator=changed)
    atheris.Fuzz()


_STATS = {"number_of_executed_units": "inputs", "slowest_unit_time_sec": "slowest_s", "peak_rss_mb": "peak_mb"}


def one_round(name: str, inputs: int, corpus: Path | None) -> dict[str, float]:
    """A round in a process of its own; what it did. Raises ``RuntimeError`` with the end of what it said where it broke."""
    how = ["--coverage", "--corpus", str(corpus)] if corpus else []
    done = subprocess.run(
        [sys.executable, "-m", "tests.fuzz.run", name, "--inputs", str(inputs), "--child", *how],
        capture_output=True, text=True, errors="replace", check=False,
    )  # fmt: skip
    if done.returncode:
        raise RuntimeError(f"{name}: {done.stderr[-4000:]}")
    if corpus is None:
        return dict(json.loads(done.stdout.splitlines()[-1]))
    found = re.findall(r"stat::(\w+):\s+(\d+)", done.stderr)
    edges = re.findall(r"cov: (\d+)", done.stderr)
    return {_STATS[k]: float(v) for k, v in found if k in _STATS} | {"edges": float(edges[-1]) if edges else 0.0}


def run_all(names: list[str], inputs: int, totals_path: Path | None, corpus: Path | None) -> None:
    """Rounds of each target in turn until all have had their share of ``inputs``; one that breaks is told and left out."""
    from tests.fuzz.seeds import SHARE

    totals: dict[str, dict[str, float]] = {}
    if totals_path is not None and totals_path.exists():
        totals = json.loads(totals_path.read_text(encoding="utf-8"))
    whole = sum(SHARE[name] for name in names)
    left, broken = True, set[str]()
    while left:
        left = False
        for name in names:
            target = totals.setdefault(name, {"inputs": 0})
            wanted = round(inputs * SHARE[name] / whole) - int(target["inputs"])
            if wanted <= 0 or name in broken:
                continue
            left = True
            part = max(1_000, min(ROUND, round(ROUND * SHARE[name] / max(SHARE.values()))))
            try:
                did = one_round(name, min(wanted, part), corpus / name if corpus else None)
            except RuntimeError as err:
                print(f"FOUND {err}\n{name} is left out from here on", flush=True)
                broken.add(name)
                continue
            for key, value in did.items():
                target[key] = target["inputs"] + value if key == "inputs" else max(target.get(key, 0.0), value)
            print(f"{name}: {target}", flush=True)
            if totals_path is not None:
                totals_path.write_text(json.dumps(totals, indent=1), encoding="utf-8")
    print(
        f"all: {sum(int(t['inputs']) for t in totals.values()):,} inputs; broken: {', '.join(sorted(broken)) or 'none'}"
    )


def main() -> None:
    """One target, or all of them."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("target", help="a function of tests/fuzz/targets.py, or all")
    parser.add_argument("--seconds", type=float, help="so long for each target, in this process")
    parser.add_argument("--inputs", type=int, help="so many together, in rounds")
    parser.add_argument("--totals", type=Path, metavar="FILE", help="keep the totals here, and go on from them")
    parser.add_argument("--coverage", action="store_true", help="guided by coverage (pip install atheris)")
    parser.add_argument("--corpus", type=Path, default=Path("fuzz-corpus"), help="inputs that reached new code")
    parser.add_argument("--child", action="store_true", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.child and args.coverage:
        by_coverage(args.target, args.inputs, args.corpus)
    if args.child:
        print(json.dumps(plain(args.target, 1e9, args.inputs)))
        return
    from tests.fuzz.seeds import SHARE

    names = list(SHARE) if args.target == "all" else [args.target]
    if args.inputs is not None:
        run_all(names, args.inputs, args.totals, args.corpus if args.coverage else None)
        return
    for name in names:
        print(f"{name}: {plain(name, args.seconds or 60.0)}", flush=True)


if __name__ == "__main__":
    main()
