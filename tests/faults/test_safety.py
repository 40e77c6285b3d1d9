"""The property everything else serves: bad, old or absent is HOLD, at once, and stays so until it has settled."""

from __future__ import annotations

import itertools
import json
import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.faults.oracle import AGE_HOLD_S, SILENT_S, Said, epochs_of, worst_allowed
from tests.rover_text import LAT_DEG, gga, gst, hdt, wobble
from tests.scoreboard.board import CLEAN, FAULTS, draw_case, run_seed

from hubtack.engine.from_site import setup_of
from hubtack.engine.judge import HOLD, VERDICTS, standing
from hubtack.engine.link import LinkSetup
from hubtack.engine.rover import JudgedRows
from hubtack.engine.setup import Setup
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session, join_rows
from hubtack.simulate.session import simulate, write_folder
from hubtack.site import load_site

ORDER = ("GRADE", "ROUGH", "HOLD")
SETUP = Setup(assumed_baseline_m=1000.0)


def judged(log: bytes, setup: Setup = SETUP, cuts: int = 0, seed: int = 0) -> tuple[JudgedRows, Session]:
    """Rows of a log, cut at random, with looks in between; every look must obey the rule of silence, too."""
    rng = random.Random(seed)
    session = Session(setup, LinkSetup(), link_role="rover")
    bounds = sorted({0, len(log), *(rng.randrange(len(log) + 1) for _ in range(cuts))})
    parts = []
    for a, b in itertools.pairwise(bounds):
        parts.append(session.feed(Chunk("rover", log[a:b])))
        for elapsed_s in (0.0, SILENT_S + 0.1, AGE_HOLD_S + 1.0):
            track = session.rover.track
            now = standing(track, int(elapsed_s * 1e9), setup)
            silent_s = max(SILENT_S, 3e-3 * float(np.median(track.intervals_ms)) if track.intervals_ms else SILENT_S)
            assert elapsed_s <= silent_s or now.verdict == HOLD
            assert now.verdict >= track.verdict, "time without data has made a verdict better"
    parts.append(session.close())
    return join_rows([p for p in parts if len(p.epochs)] or parts[-1:]), session


def assert_obeys(rows: JudgedRows, said: list[Said], interval_s: float) -> set[str]:
    """No row is better than the oracle allows; returns the verdicts that were seen."""
    assert len(said) == len(rows.epochs)
    for i, verdict in enumerate(rows.judged.verdict):
        allowed, why = worst_allowed(said, i, interval_s)
        word = VERDICTS[verdict]
        assert ORDER.index(word) >= ORDER.index(allowed), (i, said[i], word, allowed, why)
    return {VERDICTS[v] for v in rows.judged.verdict}


SPELL = st.tuples(
    st.sampled_from(["4", "4", "4", "4", "5", "1", "0", "2"]),  # quality
    st.sampled_from([1.0, 1.0, 2.0, 8.0, 12.0, 29.0, 31.0, 90.0]),  # age
    st.integers(1, 25),  # epochs
    st.sampled_from([0, 0, 0, 1, 2, 3, 4, 20, 200]),  # silence behind it, in epochs
)


@settings(max_examples=40, deadline=None)
@given(st.lists(SPELL, min_size=1, max_size=12), st.sampled_from([100, 200, 1000, 2000]), st.integers(0, 2**30))
def test_nothing_bad_is_ever_better_than_hold_and_all_of_it_settles(
    spells: list[tuple[str, float, int, int]], step_ms: int, seed: int
) -> None:
    parts, tod, i = [], 86_390_000, 0  # over midnight
    for quality, age_s, n, silence in spells:
        for _ in range(n):
            parts.append(
                gga(tod % 86_400_000, quality=int(quality), age_s=age_s, lat_deg=LAT_DEG + wobble(i)) + hdt(10.0)
                + gst(tod % 86_400_000)
            )  # fmt: skip
            tod += step_ms
            i += 1
        tod += silence * step_ms
    log = b"".join(parts)
    rows, _ = judged(log, cuts=10, seed=seed)
    assert_obeys(rows, epochs_of(log), step_ms / 1000)


def test_a_good_log_is_graded_so_that_the_property_can_fail() -> None:
    log = b"".join(
        gga(36_000_000 + i * 1000, lat_deg=LAT_DEG + wobble(i)) + gst(36_000_000 + i * 1000) for i in range(30)
    )
    rows, _ = judged(log)
    assert assert_obeys(rows, epochs_of(log), 1.0) == {"HOLD", "GRADE"}


def from_the_simulator(rng: np.random.Generator, folder: Path) -> set[str]:
    """A session with up to three faults, judged out of one mixed stream as the machine would hear it."""
    codes = [str(c) for c in rng.choice(sorted(FAULTS), int(rng.integers(0, 4)), replace=False)]
    case = draw_case(rng, codes, None if codes else str(rng.choice(sorted(CLEAN))))
    result = simulate(case.faults, case.day, case.seed, min(case.seconds, 360), case.rate_hz)
    write_folder(result, folder, mixed=True, command="", description="")
    site = load_site(folder / "site.toml")
    log = (folder / "session.log").read_bytes()
    rover = b"".join(data for _, data in result.rover)
    rows, _ = judged(log, setup_of(site), cuts=30, seed=case.seed)
    said = epochs_of(rover)
    steps = np.diff([s.t_s for s in said[:16]])
    # A receiver's clock that steps back has no running time that the oracle knows.
    if len(steps) and all(b.t_s > a.t_s for a, b in itertools.pairwise(said)):
        try:
            return assert_obeys(rows, said, float(np.median(steps)))
        except AssertionError as err:
            raise AssertionError(f"{case.command}\n{json.dumps(result.world.truth, default=str)}\n{err}") from err
    return set()


def test_no_fault_of_the_simulator_gets_past_the_rule(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    seed = run_seed()
    with capsys.disabled():
        print(f" HUBTACK_SEED={seed}", end="")
    rng = np.random.Generator(np.random.PCG64(seed))
    for i in range(3):
        from_the_simulator(rng, tmp_path / str(i))


@pytest.mark.slow
def test_no_fault_of_the_simulator_gets_past_the_rule_in_two_hundred_sessions(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    seed = run_seed()
    with capsys.disabled():
        print(f" HUBTACK_SEED={seed}", end="")
    rng = np.random.Generator(np.random.PCG64(seed))
    seen = set().union(*(from_the_simulator(rng, tmp_path / str(i)) for i in range(200)))
    assert seen == {"GRADE", "ROUGH", "HOLD"}
