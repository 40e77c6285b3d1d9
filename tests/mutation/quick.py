"""A plugin for the runs over mutants: the tests that noticed most so far go first, and no time is lost on examples.

Examples of properties are the same each time, kept nowhere and not made small: it is enough that one fails.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from hypothesis import Phase, settings

settings.register_profile(
    "mutation", derandomize=True, database=None, deadline=None, phases=(Phase.explicit, Phase.generate)
)
_NOTICED = Path.cwd() / "noticed.txt"  # a line for each mutant: the test that noticed it


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The tests that have noticed most come first."""
    if _NOTICED.exists():
        times = Counter(_NOTICED.read_text().splitlines())
        items.sort(key=lambda item: -times[item.name])


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Note which test it was."""
    if report.failed:
        with _NOTICED.open("a") as noticed:
            noticed.write(report.nodeid.rsplit("::", 1)[-1] + "\n")
