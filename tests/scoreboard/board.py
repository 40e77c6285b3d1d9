"""The scoreboard: simulated sessions through the real audit, and what it says first against what was done to them.

Nothing in here knows how a finding is made. A case is drawn from one number: which fault, on which kind of day, at what
rate, for how long, in which form of log. Only causes that mattered (``truth.json``) are scored; what did not matter
must not be called a stop.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import secrets
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from hubtack.cli.main import main
from hubtack.simulate.faults import CLEAN, FAULTS
from hubtack.simulate.session import simulate, write_folder

# Kinds of ordinary day that a fault may happen on: the others take the very thing away that the fault would act on.
DAYS = ("untidy", "untidy", "untidy", "tidy", "repeater", "two_system", "open_squelch", "blank_age")
NOT_ON = {  # no site has these two together, or the one hides the other
    "missing_system": {"two_system"}, "no_glonass_bias": {"two_system"}, "few_satellites": {"two_system"},
    "no_bytes": {"open_squelch", "repeater"}, "wrong_protocol": {"open_squelch"}, "serial_garbage": {"open_squelch"},
}  # fmt: skip
SEPARATE_ONLY = {"no_bytes", "wrong_protocol", "serial_garbage", "heading_separation", "overnight_shift"}

# What a kind of day rightly brings up by itself: it may stand before a cause of no more weight.
DAY_SAYS = {"blank_age": "rover_fields", "two_system": "missing_system"}


@dataclass(frozen=True, slots=True)
class Case:
    """One session to be made: enough to make it again."""

    faults: tuple[str, ...]
    day: str
    seed: int
    seconds: int
    rate_hz: float
    mixed: bool

    @property
    def name(self) -> str:
        """A folder name, and what to hand to ``hubtack simulate``."""
        form = "mixed" if self.mixed else "logs"
        return f"{'+'.join(self.faults) or 'clean'}.{self.day}.{self.seed}.{self.seconds}.{self.rate_hz:g}.{form}"

    @property
    def command(self) -> str:
        """The command that makes the session."""
        fault = f"--fault {','.join(self.faults)} " if self.faults else ""
        return (
            f"hubtack simulate {fault}--clean {self.day} --seed {self.seed} --minutes {self.seconds / 60:g} "
            f"--rate {self.rate_hz:g}{' --mixed' if self.mixed else ''} --out FOLDER"
        )


@dataclass(slots=True)
class Outcome:
    """What was done and what was said."""

    case: Case
    truth: list[dict[str, Any]]
    findings: list[dict[str, Any]]
    seconds: float

    @property
    def first(self) -> str:
        """Code of the first finding, but for the one that the kind of day brings up where it is no stop."""
        own = DAY_SAYS.get(self.case.day)
        codes = [str(f["code"]) for f in self.findings if f["severity"] == "stop" or f["code"] != own]
        if not codes and own in self.mattered:
            codes = [str(f["code"]) for f in self.findings]
        return codes[0] if codes else "nothing"

    @property
    def mattered(self) -> list[str]:
        """Codes of the causes that mattered."""
        return [str(t["code"]) for t in self.truth if t["mattered"]]

    @property
    def right(self) -> bool:
        """Whether the first finding is (one of) the cause(s)."""
        return any(self.first in _right_codes(cause) for cause in self.truth if cause["mattered"])


def _right_codes(cause: dict[str, Any]) -> set[str]:
    """The cause's own code, and a deeper one where the log holds the proof of it."""
    code = str(cause["code"])
    if code == "overnight_shift":  # the base began the new day on other coordinates, or its antenna elsewhere
        return {code, "base_moved" if cause["how"] == "typed" else "base_disturbed"}
    if code == "two_bases" and cause["mode"] == "instead":  # another base in the place of the site's own
        return {code, "wrong_base"}
    return {code}


@dataclass(slots=True)
class Board:
    """Counts over many outcomes."""

    outcomes: list[Outcome] = field(default_factory=list)

    def scored(self) -> list[Outcome]:
        """Sessions in which something mattered."""
        return [o for o in self.outcomes if o.mattered]

    def clean_hours(self) -> float:
        """Hours of sessions in which nothing was done at all."""
        return sum(o.seconds for o in self.outcomes if not o.case.faults) / 3600

    def false_stops(self) -> list[tuple[Outcome, str]]:
        """Stop-level findings on clean days."""
        return [
            (o, f["code"]) for o in self.outcomes if not o.case.faults for f in o.findings if f["severity"] == "stop"
        ]

    def share_right(self) -> float:
        """Share of scored sessions whose first finding is the cause."""
        scored = self.scored()
        return sum(o.right for o in scored) / len(scored) if scored else float("nan")

    def table(self) -> str:
        """Confusion table as text: a row for each cause, what was said first, and every wrong session with its command."""
        rows: dict[str, list[Outcome]] = defaultdict(list)
        for outcome in self.scored():
            rows["+".join(outcome.case.faults)].append(outcome)
        lines = [f"{'cause':<32} {'scored':>6} {'right':>6}  first finding where it is another"]
        for code in sorted(rows, key=lambda c: (sum(o.right for o in rows[c]) / len(rows[c]), c)):
            group = rows[code]
            wrong = Counter(o.first for o in group if not o.right)
            said = ", ".join(f"{name} {n}" for name, n in wrong.most_common())
            lines.append(f"{code:<32} {len(group):>6} {sum(o.right for o in group):>6}  {said}")
        scored = self.scored()
        lines.append(f"right first: {sum(o.right for o in scored)} of {len(scored)} ({100 * self.share_right():.1f} %)")
        hours, stops = self.clean_hours(), self.false_stops()
        if hours:
            rate = 100 * len(stops) / hours
            lines.append(f"clean: {hours:.1f} h, {len(stops)} findings at stop level ({rate:.2f} per 100 h)")
        lines += [f"  stop on a clean day: {code}: {o.case.command}" for o, code in stops]
        lines += [f"  {'+'.join(o.mattered)} -> {o.first}: {o.case.command}" for o in scored if not o.right]
        return "\n".join(lines)


def run_seed() -> int:
    """The number everything is drawn from: fresh at each run, or HUBTACK_SEED to have a run again."""
    given = os.environ.get("HUBTACK_SEED")
    return int(given) if given else secrets.randbelow(2**31)


def draw_case(rng: np.random.Generator, faults: Sequence[str], day: str | None = None) -> Case:
    """A session with these faults, everything else by chance."""
    days = [d for d in DAYS if all(d not in NOT_ON.get(f, ()) for f in faults)]
    drawn_day, form = str(rng.choice(days)), float(rng.random())
    return Case(
        faults=tuple(faults),
        day=day or drawn_day,
        seed=int(rng.integers(0, 2**31)),
        seconds=int(rng.integers(5, 13)) * 60,
        rate_hz=float(rng.choice([1.0, 1.0, 2.0, 5.0, 10.0], p=[0.4, 0.2, 0.2, 0.15, 0.05])),
        mixed=form < 0.25 and not SEPARATE_ONLY & set(faults) and day is None,
    )


def run_cases(cases: Iterable[Case], folder: Path, at_once: int = 40) -> Board:
    """Simulate and audit every case, by way of the command as its user has it."""
    board = Board()
    batch: list[Case] = []
    for case in cases:
        batch.append(case)
        if len(batch) == at_once:
            board.outcomes += _run_batch(batch, folder / str(len(board.outcomes)))
            batch = []
    if batch:
        board.outcomes += _run_batch(batch, folder / str(len(board.outcomes)))
    return board


def _run_batch(cases: Sequence[Case], folder: Path) -> list[Outcome]:
    for i, case in enumerate(cases):
        result = simulate(case.faults, case.day, case.seed, case.seconds, case.rate_hz)
        write_folder(result, folder / f"{i:03d}.{case.name}", mixed=case.mixed, command="", description="")
    shown, said = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(shown), contextlib.redirect_stderr(said):
        code = main(["audit", str(folder), "--json"])
    if code not in (0, 1):
        raise RuntimeError(f"audit ended with {code}: {said.getvalue()}")
    by_folder: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for session in json.loads(shown.getvalue())["sessions"]:
        by_folder[int(Path(session["files"][0]).parent.name[:3])].append(session)
    outcomes = []
    for i, case in enumerate(cases):
        truth = json.loads((folder / f"{i:03d}.{case.name}" / "truth.json").read_text())["faults"]
        sessions = by_folder[i]
        findings = [f for s in sessions for f in s["findings"]]
        outcomes.append(Outcome(case, truth, findings, sum(s["duration_s"] for s in sessions)))
    return outcomes


__all__ = ["CLEAN", "FAULTS", "Board", "Case", "Outcome", "draw_case", "run_cases", "run_seed"]
