"""Do the tests bite? ``python -m tests.mutation.run [MODULE ...]`` changes the code and sees whether a test notices.

The changes are those of mutmut (``pip install mutmut``), one at a time; the tests are those that ``modules.py`` names.
What survives is a hole in the tests, or is judged in ``judged.toml``: what the change was, and why no test need notice.
A survivor that is not judged is printed, and the run ends with 1.

Each mutant lives in a child of this process, which has imported everything and collected the tests. The tests that
noticed most so far in the same function go first, so that most mutants cost one short test.
"""

from __future__ import annotations

import argparse
import gc
import os
import random
import resource
import signal
import sys
import time
import tomllib
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import pytest
from _pytest.runner import runtestprotocol
from hypothesis import Phase, settings
from tests.mutation.modules import MODULES
from tests.mutation.mutants import Mutant, mutants_of

ROOT = Path(__file__).resolve().parents[2]
JUDGED = Path(__file__).with_name("judged.toml")
SEED = 1  # of the lot
MOST_CPU_S = 15  # a mutant that runs on for ever is noticed by that

# The same examples each time, kept nowhere and not made small: it is enough that one fails.
settings.register_profile(
    "mutation", derandomize=True, database=None, deadline=None, phases=(Phase.explicit, Phase.generate)
)


class Trial:
    """A plugin that runs the collected tests against each mutant instead of once."""

    def __init__(self, mutants: Sequence[Mutant]) -> None:
        self.mutants = mutants
        self.survivors: list[Mutant] = []
        self.noticed: Counter[str] = Counter()
        self.noticed_in: dict[str, Counter[str]] = {}  # the same by the function that was changed
        self.clean = False
        self.tried = 0
        self.cost_s: dict[str, float] = {}

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """First without any mutant: all must pass. Then one child for each mutant."""
        items = list(session.items)
        # In this very process: what is imported or built at first use is there for every child.
        self.clean = bool(items) and self._first_that_fails(items) is None
        if not self.clean:
            return True
        gc.freeze()  # no child touches, and so copies, what is here already
        try:
            for mutant in self.mutants:
                here = self.noticed_in.setdefault(mutant.function, Counter())
                items.sort(key=lambda item: (-here[item.nodeid], -self.noticed[item.nodeid], self.cost_s[item.nodeid]))
                noticed_by = self.first_that_fails(items, mutant)
                self.tried += 1
                if noticed_by is None:
                    self.survivors.append(mutant)
                    was, now = mutant.lines()
                    print(f"  {mutant.function}\n    - {was}\n    + {now}", file=sys.stderr, flush=True)
                else:
                    self.noticed[noticed_by] += 1
                    here[noticed_by] += 1
                if self.tried % 25 == 0:
                    print(f"{self.tried} of {len(self.mutants)}", file=sys.stderr, flush=True)
        except KeyboardInterrupt:  # told to stop: what has been tried so far is told
            print(f"stopped after {self.tried}", file=sys.stderr, flush=True)
        return True

    def first_that_fails(self, items: list[pytest.Item], mutant: Mutant) -> str | None:
        """The test that notices the mutant, "" where the child dies of it; None where none does."""
        reader, writer = os.pipe()
        child = os.fork()
        if not child:
            os.close(reader)
            quiet = os.open(os.devnull, os.O_WRONLY)
            os.dup2(quiet, 1)
            os.dup2(quiet, 2)
            signal.signal(signal.SIGXCPU, signal.SIG_DFL)
            resource.setrlimit(resource.RLIMIT_CPU, (MOST_CPU_S, MOST_CPU_S + 60))
            try:
                mutant.put_in()
                failed = self._first_that_fails(items)
            except BaseException:  # of whatever kind: the tests cannot go on with it
                failed = ""
            os.write(writer, ("survived" if failed is None else "noticed " + failed).encode())
            os._exit(0)
        os.close(writer)
        with os.fdopen(reader) as said:
            words = said.read()
        os.waitpid(child, 0)
        return None if words == "survived" else words.removeprefix("noticed ")

    def _first_that_fails(self, items: list[pytest.Item]) -> str | None:
        for item, following in zip(items, [*items[1:], None], strict=True):
            began_s = time.process_time()
            if any(report.failed for report in runtestprotocol(item, log=False, nextitem=following)):
                return item.nodeid
            self.cost_s[item.nodeid] = time.process_time() - began_s
        return None


def judged() -> set[tuple[str, str, str, str]]:
    """The survivors that somebody has looked at."""
    entries = tomllib.loads(JUDGED.read_text())["survivor"] if JUDGED.exists() else []
    return {(e["module"], e["function"], e["was"], e["now"]) for e in entries}


def trial(module: str, sample: int | None) -> Trial:
    """Try the mutants of one module, all or as many drawn by lot."""
    mutants = mutants_of(module)
    # In any order: what has been tried when somebody stops it is a fair sample.
    mutants = random.Random(SEED).sample(mutants, min(sample or len(mutants), len(mutants)))
    tried = Trial(mutants)
    arguments = ["-q", "--no-header", "-p", "no:cacheprovider", "-p", "no:xdist", "--hypothesis-profile=mutation"]
    pytest.main([*arguments, *MODULES[module]], plugins=[tried])
    if not tried.clean:
        raise SystemExit(f"{module}: its tests fail without any mutant: {' '.join(MODULES[module])}")
    return tried


def main() -> int:
    """Mutate the modules that are named, or all of them, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("modules", nargs="*", metavar="MODULE", help="such as engine/judge.py; all where none is named")
    parser.add_argument("--sample", type=int, metavar="N", help="so many mutants of each module, drawn by lot")
    args = parser.parse_args()
    os.chdir(ROOT)
    known, new = judged(), 0
    for module in args.modules or MODULES:
        tried = trial(module, args.sample)
        n, noticed = tried.tried, tried.tried - len(tried.survivors)
        survivors = [(m.module, m.function, *m.lines()) for m in tried.survivors]
        left = [one for one in survivors if one not in known]
        new += len(left)
        print(
            f"{module:<28} {n:>5} mutants, {noticed:>5} noticed = {100 * noticed / max(n, 1):.1f} %,"
            f" {len(survivors) - len(left)} judged, {len(left)} not",
            flush=True,
        )
        for _, function, was, now in left:
            print(f"  {function}\n    - {was}\n    + {now}", flush=True)
    return 1 if new else 0


if __name__ == "__main__":
    sys.exit(main())
