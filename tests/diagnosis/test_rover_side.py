"""The rover's side told from its own sentences: which code a stretch is called by, its figures and its weight.

Limits: common practice, no source, unless their row in knowledge/limits.py names one.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from tests.link_session import read
from tests.link_stream import Base, sent, stream
from tests.rover_text import H_GEOID_M, LAT_DEG, LON_DEG, SEPARATION_M, clock, gga, gst, hdt, sentence, vtg, wobble

from hubtack.diagnosis.episode import Finding
from hubtack.diagnosis.link_loss import old_share, stalls
from hubtack.diagnosis.link_observations import _few_common
from hubtack.diagnosis.link_view import LinkView
from hubtack.diagnosis.rover_view import RoverView
from hubtack.engine.link import LinkSetup
from hubtack.engine.link_content import SKY_BIN_NS, SkySets
from hubtack.engine.setup import Setup
from hubtack.geo import geodetic_to_ecef
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session

START = 36_000_000
S = 1_000_000_000
LIMIT_STALL_S = 10.0


def base_at(north_m: float) -> tuple[float, float, float]:
    """A base so far to the north; 111.1 km a degree of latitude at 45 degrees (WGS 84), to a part in a thousand."""
    lat = np.array([LAT_DEG + north_m / 111_132.0])
    x, y, z = geodetic_to_ecef(lat, np.array([LON_DEG]), np.array([H_GEOID_M + SEPARATION_M]))[0]
    return float(x), float(y), float(z)


def session_of(data: bytes, setup: Setup | None = None) -> Session:
    session = Session(setup or Setup(base_ecef_m=base_at(500.0)), LinkSetup(), link_role="rover")
    session.expect("rover")
    session.feed(Chunk("rover", data))
    session.close()
    return session


def found(data: bytes, setup: Setup | None = None) -> dict[str, Finding]:
    """The findings by code, those of ``rover_fields`` by code and subject."""
    return {f"{f.code}:{f.subject}" if f.subject else f.code: f for f in session_of(data, setup).findings()}


def row(i: int, *, more: bytes = b"", **kwargs: Any) -> bytes:
    """One good second: position, accuracy, and what is added."""
    tod = START + i * 1000
    return gga(tod, lat_deg=LAT_DEG + wobble(i), **kwargs) + gst(tod) + more


def gsa(pdop: float) -> bytes:
    return sentence(f"GNGSA,A,3,02,05,07,09,13,15,21,27,30,,,,{pdop:.1f},0.9,1.1,1")


def test_a_good_rover_has_nothing_to_be_told() -> None:
    assert set(found(b"".join(row(i) for i in range(60)))) <= {"not_checked"}


def test_fields_that_are_missing_are_asked_for_one_by_one() -> None:
    bare = b"".join(
        sentence(
            f"GNGGA,{clock(START + i * 1000)},4501.86{i % 90 + 10},S,17000.7200,E,4,14,0.7,8.{i % 10},M,,M,,"
        )
        for i in range(60)
    )  # fmt: skip
    codes = found(bare)
    assert codes["rover_fields:correction age in GGA"].severity == "warn"
    coarse = codes["rover_fields:high-precision output"].evidence
    assert (coarse["height_decimals"], coarse["minute_decimals"]) == (1, 4)
    assert codes["rover_fields:GST"].severity == "note" and "rover_fields:geoid separation" in codes
    assert codes["rover_fields:geoid separation"].evidence["present_share"] == 0.0
    # Nine rows are too few to say what a receiver never sends.
    assert not any(code.startswith("rover_fields") for code in found(bare[: bare.find(b"100009.000")]))


def test_satellites_geometry_and_baseline_have_their_figures() -> None:
    few = found(b"".join(row(i, satellites=6 if i >= 30 else 14) for i in range(90)))["few_satellites"]
    assert few.evidence["satellites_min"] == 6 and few.evidence["satellites_limit"] == 7 and few.severity == "warn"
    bad = found(b"".join(row(i, more=gsa(7.0 if i >= 30 else 2.0)) for i in range(90)))["poor_geometry"]
    assert (bad.evidence["pdop_max"], bad.evidence["pdop_limit"], bad.severity) == (7.0, 4.0, "stop")
    far = found(b"".join(row(i) for i in range(60)), Setup(base_ecef_m=base_at(16_000.0)))["long_baseline"]
    assert far.evidence["baseline_max_m"] == pytest.approx(16_000.0, rel=2e-3) and far.evidence["limit_m"] == 15_000.0
    assert far.severity == "warn"


def test_a_pair_that_loses_its_heading_is_told_with_the_pair_that_is_configured() -> None:
    setup = Setup(base_ecef_m=base_at(500.0), pair_separation_m=1.8)
    lost = found(b"".join(row(i, more=hdt(80.0) if i < 40 else b"") for i in range(90)), setup)["heading_lost"]
    assert lost.evidence["separation_m"] == 1.8 and lost.severity == "stop"


def test_a_fixed_position_that_contradicts_itself_says_how() -> None:
    jumped = found(
        b"".join(row(i, more=vtg(0.01), lon_deg=LON_DEG + (0.001 if i >= 40 else 0.0)) for i in range(120))
    )["suspect_fix"]  # fmt: skip
    assert jumped.severity == "stop" and isinstance(jumped.evidence["why"], str)


@pytest.mark.parametrize(("step_s", "severity"), [(-7000, "note"), (7000, "stop")])
def test_a_clock_that_steps_is_a_clock_mismatch(step_s: int, severity: str) -> None:
    # Back it takes no time of its own; ahead what it steps over is time without a position.
    codes = found(b"".join(row(i) for i in range(60)) + b"".join(row(i + 60 + step_s) for i in range(60)))
    assert codes["clock_mismatch"].severity == severity and codes["clock_mismatch"].evidence["why"]


def test_no_row_at_all_where_a_rover_is_expected_is_no_rover() -> None:
    nothing = found(b"")["no_rover"]
    assert nothing.severity == "stop" and nothing.evidence["epochs"] == 0 and nothing.open_at_end
    silent = found(b"".join(row(i) for i in range(30)) + b"".join(row(i + 50) for i in range(30)))["no_rover"]
    assert silent.evidence["longest_s"] == pytest.approx(21.0) and silent.evidence["limit_s"] == 3.0


def test_a_stream_that_is_dated_ahead_does_not_make_the_rover_silent_by_that() -> None:
    ahead = Base(clock_s=18.0)
    mixed = b"".join(row(i) + b"".join(ahead.epoch(3 * 86_400 + 36_000.0 + i)) for i in range(60))
    codes = found(mixed)
    assert "no_rover" not in codes and codes["clock_mismatch"].evidence["step_s"] == pytest.approx(-18.0, abs=1.0)
    # A rover that does fall silent beside it is told of: its log stops, and the stream goes on.
    stopped = mixed + b"".join(f for _, f in sent(ahead, 30, 3 * 86_400 + 36_060.0))
    silent = found(stopped)["no_rover"]
    assert silent.open_at_end and silent.evidence["longest_s"] == pytest.approx(30.0, abs=1.5)


def test_more_silences_than_are_kept_are_joined_at_the_end() -> None:
    # 210 pauses of 5 s: the newest two become one again and again, and no time is lost.
    data = b"".join(row(6 * i) + row(6 * i + 1) for i in range(211))
    session = session_of(data)
    silences = session.rover.evidence.silent.done
    assert len(silences) == 200
    assert sum(run.hold_ns for run in silences) == 210 * 5 * S
    assert silences[-1].end_ns is not None and silences[-1].end_ns - silences[-1].start_ns > 11 * 5 * S


# Beside the stream ----------------------------------------------------------------------------------------------------


def view_of(session: Session, rover: RoverView, **changes: Any) -> LinkView:
    ledger = session.link.tally.ledger
    assert ledger.first_ns is not None and ledger.last_ns is not None
    return replace(LinkView(session.link, rover, ledger.first_ns, ledger.last_ns), **changes)


def sky(per_bin: list[dict[int, int]], first: int) -> SkySets:
    return SkySets({first + i: dict(found) for i, found in enumerate(per_bin)})


@pytest.mark.parametrize(
    ("common", "severity"), [(6, None), (5, "warn"), (4, "stop")]
)  # fmt: skip
def test_few_satellites_in_common_are_told_where_the_rover_has_enough(common: int, severity: str | None) -> None:
    session = read(stream(sent(Base(), 400)))
    base = session.link.tally.content.sky
    first = min(base.bins)
    shared = (1 << common) - 1
    n = len(base.bins)
    base.bins = {first + i: {1: shared} for i in range(n)}
    rover = RoverView(has_rover=True, tracked=sky([{1: shared | 0xFF << 20}] * n, first))
    episodes = list(_few_common(view_of(session, rover)))
    assert [e.severity for e in episodes] == ([severity] if severity else [])
    if severity:
        (episode,) = episodes
        assert episode.evidence["common"] == common and episode.evidence["limit"] == 6
        assert episode.evidence["rover_satellites"] == common + 8 and episode.evidence["base_satellites"] == common
        assert episode.start_ns == (first + 1) * SKY_BIN_NS and episode.end_ns is None
    # In a shed it is the rover's own sky.
    shed = RoverView(has_rover=True, tracked=sky([{1: 0b111}] * n, first))
    assert list(_few_common(view_of(session, shed))) == []


def test_a_stretch_of_few_ends_when_there_are_enough_again() -> None:
    session = read(stream(sent(Base(), 400)))
    base = session.link.tally.content.sky
    first, n = min(base.bins), len(base.bins)
    few = range(2, n - 5)
    base.bins = {first + i: {1: 0b1111 if i in few else 0xFFF} for i in range(n)}
    rover = RoverView(has_rover=True, tracked=sky([{1: 0xFFFF}] * n, first))
    (episode,) = _few_common(view_of(session, rover, now_ns=(first + n) * SKY_BIN_NS))
    assert episode.start_ns == (first + 2) * SKY_BIN_NS and episode.end_ns == (first + n - 5) * SKY_BIN_NS


def test_a_stream_that_starts_long_after_the_rover_had_stalled_before() -> None:
    session = read(stream(sent(Base(), 60)))
    first_ns = session.link.tally.ledger.first_ns
    assert first_ns is not None
    late = RoverView(has_rover=True, first_ns=first_ns - round((LIMIT_STALL_S + 0.1) * S))
    (before,) = stalls(view_of(session, late))
    assert (before.start_ns, before.end_ns) == (late.first_ns, first_ns)
    assert stalls(view_of(session, replace(late, first_ns=first_ns - round(LIMIT_STALL_S * S)))) == []
    # By a clock that is eight seconds behind that of the base it started two seconds later, and not ten.
    assert stalls(view_of(session, replace(late, stream_ahead_s=8.0))) == []
    (apart,) = stalls(view_of(session, replace(late, stream_ahead_s=8.0, merged_by_content=True)))
    assert apart == before


def test_the_share_of_old_corrections_counts_the_silence_at_the_end() -> None:
    session = read(stream(sent(Base(), 61)))
    last_ns = session.link.tally.ledger.last_ns
    assert last_ns is not None and old_share(view_of(session, RoverView())) == 0.0
    # 60 s of stream and 40 s of silence, of which ten are not yet old: 30 of 100.
    assert old_share(view_of(session, RoverView(), now_ns=last_ns + 40 * S)) == pytest.approx(0.3)
    empty = LinkView(read(b"").link, RoverView(), 0, 0)
    assert old_share(empty) == 0.0


@pytest.mark.parametrize(
    ("satellites", "pdop", "first"), [(6, 9.0, "poor_geometry"), (6, 4.5, "few_satellites"), (4, 9.0, "few_satellites")]
)
def test_the_sky_is_called_by_what_is_hold_of_it(satellites: int, pdop: float, first: str) -> None:
    """Six satellites are enough (limit satellites_hold) and fewer than wished for; a PDOP above 6 is HOLD."""
    data = b"".join(row(i, satellites=satellites, more=gsa(pdop)) for i in range(40))
    findings = session_of(data).findings()
    assert findings[0].code == first
    other = ({"few_satellites", "poor_geometry"} - {first}).pop()
    assert other in {f.code for f in findings[1:]} | {c["code"] for c in findings[0].evidence["consequences"]}


def test_a_receiver_that_never_finds_its_satellites_lacks_them_and_not_its_heading() -> None:
    def empty(i: int) -> bytes:
        return sentence(f"GNGGA,{clock(START + i * 1000)},,,,,0,03,99.99,,,,,,") + gsa(99.9)

    setup = Setup(base_ecef_m=base_at(500.0), pair_separation_m=1.8)
    waking = session_of(b"".join(empty(i) for i in range(55)), setup).findings()
    assert not {"few_satellites", "heading_lost"} & {f.code for f in waking}
    codes = {f.code: f for f in session_of(b"".join(empty(i) for i in range(90)), setup).findings()}
    assert "heading_lost" not in codes and codes["few_satellites"].evidence["satellites_min"] == 3
    assert {c["code"] for c in codes["few_satellites"].evidence["consequences"]} >= {"heading_lost"}
