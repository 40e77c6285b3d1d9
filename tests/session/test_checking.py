"""A control check over a session: it counts from its moment on, confirms what was latched, and ends with its base."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from hubtack.control.latest import LatestCheck
from hubtack.engine.from_site import setup_of
from hubtack.engine.judge import GRADE, HOLD
from hubtack.engine.link import LinkSetup
from hubtack.engine.setup import Setup
from hubtack.knowledge.reasons import BIT
from hubtack.readers.chunk import Chunk
from hubtack.session.checking import Checking
from hubtack.session.session import Session, join_rows
from hubtack.simulate.session import Simulated, simulate
from hubtack.site import default_site

NAN = float("nan")


def check(
    utc: str, *, passed: bool = True, base_id: int | None = None, arp: tuple[float, float, float] | None = None
) -> LatestCheck:
    return LatestCheck(utc, 0.008, base_id, arp, passed, "CP3", None)


def check_on(session: Session, utc: str, *, passed: bool = True) -> LatestCheck:
    """A check made on the base that a session worked with at its end."""
    return check(utc, passed=passed, base_id=session.base_id(), arp=session.link.arp_ecef_m)


def mixed(got: Simulated) -> list[tuple[str, bytes]]:
    events = [(t, "rover", data) for t, data in got.rover] + [(h.t_s, "corrections", h.data) for h in got.heard]
    return [(role, data) for _, role, data in sorted(events, key=lambda e: e[0])]


def run(
    got: Simulated, checks: list[LatestCheck], setup: Setup | None = None, join: int = 36, link: LinkSetup | None = None
) -> tuple[Session, np.ndarray, np.ndarray]:
    session = Session(setup or setup_of(default_site(), has_corrections=True), link or LinkSetup())
    session.expect("rover")
    session.expect("corrections")
    session.checking.know(checks)
    parts = []
    events = mixed(got)
    for i in range(0, len(events), join):
        for role in ("corrections", "rover"):
            data = b"".join(d for r, d in events[i : i + join] if r == role)
            if data:
                parts.append(session.feed(Chunk(role, data)))
    parts.append(session.close())
    rows = join_rows([p for p in parts if len(p.epochs)])
    return session, rows.judged.verdict, rows.judged.bits


@pytest.fixture(scope="module")
def moved() -> Simulated:
    for seed in range(3, 30):
        got = simulate(["base_moved"], "tidy", seed, 420, 1.0)
        cause = got.world.truth[0]
        if cause["mattered"] and cause["start_s"] < 260:
            return got
    raise AssertionError("no seed moves the base early enough")


def utc_of(got: Simulated, second: float) -> str:
    return (got.world.start + dt.timedelta(seconds=second)).replace(tzinfo=None).isoformat() + "Z"


def test_a_passed_check_confirms_what_was_latched(moved: Simulated) -> None:
    session, verdict, bits = run(moved, [])
    assert bits[-1] & BIT["latched_base_moved"]
    assert verdict[-1] == HOLD
    session, verdict, bits = run(moved, [check_on(session, utc_of(moved, 330))])
    assert not bits[-1] & BIT["latched_base_moved"]
    assert verdict[-1] == GRADE
    assert session.checked is not None
    after = np.flatnonzero((bits[1:] & BIT["latched_base_moved"]) < (bits[:-1] & BIT["latched_base_moved"]))
    assert len(after) == 1
    # Settling after a cleared latch: 30 s, judgement of the trade.
    assert (verdict[after[0] + 1 : after[0] + 30] == HOLD).all()


def test_a_check_on_another_base_confirms_nothing(moved: Simulated) -> None:
    _, verdict, bits = run(moved, [check(utc_of(moved, 330), arp=(1.0, 2.0, 3.0))])
    assert bits[-1] & BIT["latched_base_moved"]
    assert verdict[-1] == HOLD


def test_a_failed_check_confirms_nothing(moved: Simulated) -> None:
    session, _, _ = run(moved, [])
    _, _, bits = run(moved, [check_on(session, utc_of(moved, 330), passed=False)])
    assert bits[-1] & BIT["latched_base_moved"]


def test_a_required_check_caps_at_rough_until_it_is_made() -> None:
    got = simulate([], "tidy", 5, 200, 1.0)
    setup = Setup(require_check=True, has_corrections=True)
    session, _, _ = run(got, [], setup)
    _, _, bits = run(got, [check_on(session, utc_of(got, 120))], setup)
    missing = (bits & BIT["not_checked"]) != 0
    assert missing[60:110].all()
    assert not missing[125:].any()


def test_the_rule_ends_with_its_age_and_its_base() -> None:
    checking = Checking(12.0, (check("2026-03-02T07:00:00Z", base_id=412),))
    day = 20_514 * 86_400
    assert dt.datetime(2026, 3, 2, tzinfo=dt.UTC).timestamp() == day
    utc_ns = (np.array([6.9, 7.1, 18.9, 19.1]) * 3600e9).astype(np.int64) + day * 10**9
    nowhere, own, other = np.full((4, 3), NAN), np.full(4, 412.0), np.full(4, 413.0)
    physical = np.zeros(4, dtype=bool)
    assert checking.at_rows(utc_ns, own, nowhere, physical).tolist() == [False, True, True, False]
    assert not checking.at_rows(utc_ns, other, nowhere, physical).any()
    assert checking.at_rows(utc_ns, np.full(4, NAN), nowhere, physical).tolist() == [False, True, True, False]


def test_a_base_off_the_site_file_is_hold_until_a_check_confirms_it() -> None:
    """A base typed in wrong by half a metre is no GRADE, and a check that passes on it counts for good."""
    got = simulate([], "tidy", 5, 200, 1.0)
    setup = Setup(has_corrections=True)
    session, _, _ = run(got, [], setup)
    assert session.link.arp_ecef_m is not None
    x, y, z = session.link.arp_ecef_m
    off = LinkSetup(base_ecef_m=(x + 0.5, y, z))
    _, verdict, bits = run(got, [], setup, link=off)
    assert bits[-1] & BIT["latched_base_misplaced"]
    assert verdict[-1] == HOLD
    _, verdict, bits = run(got, [check_on(session, utc_of(got, 120))], setup, link=off)
    assert not (bits[125:] & BIT["latched_base_misplaced"]).any()
    assert verdict[-1] == GRADE
