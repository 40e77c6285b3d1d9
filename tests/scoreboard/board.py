"""The scoreboard: simulated sessions through the real audit, and what it says first against what was done to them.

Nothing in here knows how a finding is made. A case is drawn from one number: which fault, on which kind of day, at what
rate, for how long, in which form of log, anywhere on the globe, on any date, with any equipment (simulate.variety). Only
causes that mattered (``truth.json``) are scored.

What counts as right: the first finding of the session is the cause. Of two causes that both mattered it is either of
them; that both stand among the findings or their consequences is told beside it, and saves no session whose first
finding is neither.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import secrets
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from tests.scoreboard.confusion import Row, confusion_table

from hubtack.cli.main import main
from hubtack.simulate.faults import CLEAN, FAULTS
from hubtack.simulate.session import simulate, write_folder
from hubtack.simulate.truth import RULES
from hubtack.simulate.world import MACHINE_NAME, SITE_NAME

# Kinds of ordinary day that a fault may happen on: the others take the very thing away that the fault would act on.
DAYS = ("untidy", "untidy", "untidy", "tidy", "repeater", "two_system", "open_squelch", "blank_age")
NOT_ON = {  # no site has these two together, or the one hides the other
    "missing_system": {"two_system"}, "no_glonass_bias": {"two_system"}, "few_satellites": {"two_system"},
    "no_bytes": {"open_squelch", "repeater"}, "wrong_protocol": {"open_squelch"}, "serial_garbage": {"open_squelch"},
}  # fmt: skip
SEPARATE_ONLY = {"no_bytes", "wrong_protocol", "serial_garbage", "heading_separation", "overnight_shift"}
LOGS_ONLY = {"overnight_shift"}  # a recording is of one day
NOT_MIXED_DAYS = {"two_streams"}
FORMS = ("logs", "mixed", "capture")

_MASKED = ("few_satellites", "poor_geometry")

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
    form: str  # of FORMS

    @property
    def name(self) -> str:
        """A folder name, and what to hand to ``hubtack simulate``."""
        faults = "+".join(self.faults) or "clean"
        return f"{faults}.{self.day}.{self.seed}.{self.seconds}.{self.rate_hz:g}.{self.form}"

    @property
    def command(self) -> str:
        """The command that makes the session."""
        fault = f"--fault {','.join(self.faults)} " if self.faults else ""
        form = {"logs": "", "mixed": " --mixed", "capture": " --arrivals"}[self.form]
        return (
            f"hubtack simulate --anywhere {fault}--clean {self.day} --seed {self.seed} "
            f"--minutes {self.seconds / 60:g} --rate {self.rate_hz:g}{form} --out FOLDER"
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

    @property
    def all_named(self) -> bool:
        """Whether each cause that mattered stands somewhere: as a finding, or as a consequence of one."""
        said = {str(f["code"]) for f in self.findings}
        said |= {str(c["code"]) for f in self.findings for c in f.get("evidence", {}).get("consequences", ())}
        return all(said & _right_codes(cause) for cause in self.truth if cause["mattered"])


def _right_codes(cause: dict[str, Any]) -> set[str]:
    """The cause's own code, and a deeper one where the log holds the proof of it."""
    code = str(cause["code"])
    if code == "overnight_shift":  # the base began the new day on other coordinates, or its antenna elsewhere
        return {code, *(("base_moved", "base_misplaced") if cause["how"] == "typed" else ("base_disturbed",))}
    if code in _MASKED and "pdop_median" in cause:  # a mask too high takes satellites and geometry at once
        return {code, *(other for other in _MASKED if RULES[other](cause, cause))}
    if code == "few_common_satellites" and cause.get("common_median") == 0:  # a base that hears none observes nothing
        return {code, "no_phase"}
    if code == "no_glonass_bias":  # the same switch takes the base's descriptors away
        return {code, "antenna_unknown"}
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
        scored = self.scored()
        lines: list[str] = []
        pairs = [o for o in scored if len(o.mattered) > 1]
        if pairs:
            lines.append(
                f"two causes that both mattered: {sum(o.right for o in pairs)} of {len(pairs)} begin with one of them, "
                f"{sum(o.all_named for o in pairs)} name both"
            )
        lines += self._shares()
        hours, stops = self.clean_hours(), self.false_stops()
        if hours:
            rate = 100 * len(stops) / hours
            lines.append(f"clean: {hours:.1f} h, {len(stops)} findings at stop level ({rate:.2f} per 100 h)")
        lines += [f"  stop on a clean day: {code}: {o.case.command}" for o, code in stops]
        return confusion_table([Row("+".join(o.case.faults), o.first, o.right, o.case.command) for o in scored], lines)

    def _shares(self) -> list[str]:
        """Share right by what else was drawn: where it is low, something is not told apart."""
        lines = []
        for name, of in (
            ("form", lambda o: o.case.form), ("day", lambda o: o.case.day), ("rate", lambda o: f"{o.case.rate_hz:g} Hz"),
        ):  # fmt: skip
            groups: dict[str, list[Outcome]] = defaultdict(list)
            for outcome in self.scored():
                groups[of(outcome)].append(outcome)
            said = (f"{key} {sum(o.right for o in group)}/{len(group)}" for key, group in sorted(groups.items()))
            lines.append(f"by {name}: {', '.join(said)}")
        return lines


def run_seed() -> int:
    """The number everything is drawn from: fresh at each run, or HUBTACK_SEED to have a run again."""
    given = os.environ.get("HUBTACK_SEED")
    return int(given) if given else secrets.randbelow(2**31)


def draw_case(rng: np.random.Generator, faults: Sequence[str], day: str | None = None) -> Case:
    """A session with these faults, everything else by chance."""
    days = [d for d in DAYS if all(d not in NOT_ON.get(f, ()) for f in faults)]
    drawn_day, form = str(rng.choice(days)), str(rng.choice(FORMS, p=[0.55, 0.37, 0.08]))
    day = day or drawn_day
    if (form == "mixed" and (SEPARATE_ONLY & set(faults) or day in NOT_MIXED_DAYS)) or LOGS_ONLY & set(faults):
        form = "logs"
    if day == "wrong_computer_clock":
        form = "capture"  # elsewhere nothing of it is to be seen
    rate_hz = float(rng.choice([1.0, 2.0, 5.0, 10.0, 20.0], p=[0.55, 0.15, 0.15, 0.1, 0.05]))
    if form == "capture":
        rate_hz = min(rate_hz, 2.0)  # read chunk by chunk, as they came: slow
    minutes = int(rng.integers(5, 13)) if rate_hz <= 5 and form != "capture" else 5
    return Case(
        faults=tuple(faults),
        day=day,
        seed=int(rng.integers(0, 2**31)),
        seconds=minutes * 60,
        rate_hz=rate_hz,
        form=form,
    )


def long_day(case: Case, minutes: int) -> Case:
    """An ordinary day of that many minutes, once a second; what is seen in recordings only stays as short as it was."""
    if case.day == "wrong_computer_clock":
        return case
    form = "logs" if case.form == "capture" else case.form
    return replace(case, seconds=60 * minutes, rate_hz=1.0, form=form)


def run_cases(
    cases: Iterable[Case], folder: Path, at_once: int = 40, told: Callable[[str], None] = lambda words: None
) -> Board:
    """Simulate and audit every case, by way of the command as its user has it; ``told`` hears how it goes on."""
    board = Board()
    batch: list[Case] = []
    for case in cases:
        batch.append(case)
        if len(batch) == at_once:
            done = _run_batch(batch, folder / str(len(board.outcomes)))
            board.outcomes += done
            batch = []
            told(
                f"... {len(board.outcomes)} sessions, {sum(o.right for o in board.scored())} of {len(board.scored())} "
                f"right, {board.clean_hours():.1f} h clean with {len(board.false_stops())} stops"
            )
            for outcome in Board(done).scored():
                if not outcome.right:
                    told(f"    {'+'.join(outcome.mattered)} -> {outcome.first}: {outcome.case.command}")
    if batch:
        board.outcomes += _run_batch(batch, folder / str(len(board.outcomes)))
    return board


def _run_batch(cases: Sequence[Case], folder: Path) -> list[Outcome]:
    for i, case in enumerate(cases):
        result = simulate(case.faults, case.day, case.seed, case.seconds, case.rate_hz, anywhere=True)
        here = folder / f"{i:03d}.{case.name}"
        write_folder(
            result, here, mixed=case.form == "mixed", arrivals=case.form == "capture", command="", description=""
        )
        # Each case is a machine and a site of its own: an audit compares the days of one machine.
        site = here / "site.toml"
        site.write_text(site.read_text().replace(MACHINE_NAME, f"Digger {i}").replace(SITE_NAME, f"Site {i}"))
    shown, said = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(shown), contextlib.redirect_stderr(said):
        code = main(["audit", str(folder), "--json", "--jobs", "1"])
    if code not in (0, 1):
        raise RuntimeError(f"audit ended with {code}: {said.getvalue()}")
    by_folder: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for session in json.loads(shown.getvalue())["sessions"]:
        by_folder[int(Path(session["files"][0]).relative_to(folder).parts[0][:3])].append(session)
    for i in range(len(cases)):
        for made in (folder / f"{i:03d}.{cases[i].name}").iterdir():
            if made.name != "truth.json":
                made.unlink()  # a hundred hours of logs do not fit on every disk
    outcomes = []
    for i, case in enumerate(cases):
        truth = json.loads((folder / f"{i:03d}.{case.name}" / "truth.json").read_text())["faults"]
        sessions = by_folder[i]
        findings = [f for s in sessions for f in s["findings"]]
        outcomes.append(Outcome(case, truth, findings, sum(s["duration_s"] for s in sessions)))
    return outcomes


__all__ = ["CLEAN", "FAULTS", "Board", "Case", "Outcome", "draw_case", "long_day", "run_cases", "run_seed"]
