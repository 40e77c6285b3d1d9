"""Course made good against heading, for machines that go where they point."""

from __future__ import annotations

import numpy as np
import pytest

from hubtack.diagnosis.heading_family import course_episodes
from hubtack.engine.course import Course
from hubtack.engine.quantities import Quantities, quantities
from hubtack.engine.setup import Setup
from hubtack.epochs.columns import Epochs


def drive(
    offset_deg: float, *, seconds: int = 600, reversing: float = 0.3, slip_deg: float = 2.0, speed_m_s: float = 1.2
) -> tuple[Epochs, Quantities]:
    """A dozer to and fro on a bank, its heading off by ``offset_deg``."""
    rng = np.random.default_rng(4)
    true = (np.cumsum(rng.normal(size=seconds)) + 70.0) % 360.0
    back = np.arange(seconds) % 100 < 100 * reversing
    e = Epochs.blank(seconds)
    e.time_ns[:] = np.arange(seconds) * 10**9
    e.latitude_deg[:], e.longitude_deg[:], e.h_geoid_m[:], e.quality[:] = -45.0, 170.0, 8.0, 4.0
    e.speed_m_s[:] = speed_m_s
    e.course_deg[:] = (true + 180.0 * back + rng.normal(size=seconds) * slip_deg) % 360.0
    e.heading_deg[:] = (true + offset_deg) % 360.0
    q = quantities(e, Setup(), arp_ecef_m=np.full((seconds, 3), np.nan), base_computed=np.zeros(seconds, dtype=bool),
                   obs_utc_ms=np.full(seconds, np.nan), heading_deg=e.heading_deg)  # fmt: skip
    return e, q


def course_of(*args: float, **kwargs: float) -> Course:
    course = Course()
    course.add(*drive(*args, **kwargs))
    return course


@pytest.mark.parametrize("offset_deg", [-40.0, -6.0, 6.0, 89.0])
def test_a_fixed_offset_is_told(offset_deg: float) -> None:
    episodes = course_episodes(course_of(offset_deg), Setup())
    assert [e.code for e in episodes] == ["heading_flipped"]
    assert episodes[0].evidence["offset_deg"] == pytest.approx(offset_deg, abs=1.0)


@pytest.mark.parametrize("reversing", [0.0, 0.3, 0.7])
def test_a_good_heading_is_silent_forwards_and_backwards(reversing: float) -> None:
    assert course_episodes(course_of(0.0, reversing=reversing), Setup()) == []


def test_a_pair_the_wrong_way_round_shows_in_a_machine_that_seems_to_reverse_all_day() -> None:
    episodes = course_episodes(course_of(180.0, reversing=0.05), Setup())
    assert abs(episodes[0].evidence["offset_deg"]) == pytest.approx(180.0, abs=1.0)


def test_a_course_that_wanders_says_nothing() -> None:
    assert course_of(30.0, slip_deg=50.0).offset_deg() is None


def test_a_minute_is_too_short_and_standing_is_no_course() -> None:
    assert course_of(30.0, seconds=50).offset_deg() is None
    assert course_of(30.0, speed_m_s=0.2).offset_deg() is None


def test_the_cut_changes_nothing() -> None:
    e, q = drive(12.0)
    whole, pieces = Course(), Course()
    whole.add(e, q)
    for i in range(0, len(e), 17):
        part = slice(i, i + 17)
        pieces.add(e.take(part), type(q)(**{n: getattr(q, n)[part] for n in type(q).__dataclass_fields__}))
    assert np.array_equal(whole.counts, pieces.counts)
