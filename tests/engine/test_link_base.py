"""Whose base it is, and where: each rule that latches the verdict, at its limit and one step beside it.

Limits: common practice, no source. Positions are in the 0.1 mm of 1005 (RTCM 10403.3, DF025).
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from tests.link_session import read, session_of
from tests.link_stream import ARP_M, Base, arp_1005, frame, moved, pack, physical_1032, sent, stream

from hubtack.engine.link import (
    COMPUTED,
    LATCH_FLAGS,
    PHYSICAL,
    UNKNOWN,
    LinkEngine,
    LinkSetup,
    distance_m,
    horizontal_m,
)
from hubtack.geo import geodetic_to_ecef
from hubtack.readers.chunk import Chunk
from hubtack.session.session import Session

START_S = 3 * 86_400 + 36_000.0
EVER = np.array([1 << 60])


def at(east_m: float = 0.0, *, axis: int = 1) -> tuple[float, float, float]:
    """The place of the base, moved along one axis."""
    xyz = list(ARP_M)
    xyz[axis] += east_m
    return xyz[0], xyz[1], xyz[2]


def after(*frames: bytes, setup: LinkSetup | None = None, session: Session | None = None) -> Session:
    """A session after one epoch of observations and these frames, each fed by itself."""
    if session is None:
        session = session_of(setup)
        epoch = [f for _, f in sent(Base(arp_every_s=None, bias_every_s=None, descriptor_every_s=None), 1, START_S)]
        session.feed(Chunk("corrections", b"".join(epoch)))
    for f in frames:
        session.feed(Chunk("corrections", f))
    return session


def latched(session: Session) -> set[str]:
    """Codes in force at the end; the join and the state must agree."""
    flags = int(session.link.join(EVER).latches[0])
    codes = {code for code, flag in LATCH_FLAGS.items() if flags & flag}
    assert {code for code, flag in LATCH_FLAGS.items() if session.link.latches & flag} <= codes
    return codes


def site(east_m: float = 0.0, **kwargs: Any) -> LinkSetup:
    """A site whose base is so far from the one that is heard."""
    return LinkSetup(base_ecef_m=at(east_m), **kwargs)


def test_a_base_where_the_site_has_it_latches_nothing() -> None:
    session = after(arp_1005(412, at()), setup=site(base_station_id=412))
    assert latched(session) == set() and session.link.base_kind == PHYSICAL
    columns = session.link.join(EVER)
    assert columns.arp_ecef_m[0] == pytest.approx(at()) and columns.station_id[0] == 412
    assert columns.base_kind[0] == PHYSICAL and columns.latch_flags is LATCH_FLAGS
    nothing = session_of().link.join(EVER)
    assert np.isnan(nothing.arp_ecef_m).all() and np.isnan(nothing.station_id[0])
    assert nothing.base_kind[0] == UNKNOWN and nothing.latches[0] == 0 and nothing.latches.dtype == np.int64


@pytest.mark.parametrize(
    ("off_m", "code"),
    [
        (0.0499, None),
        (0.0501, "base_misplaced"),
        (-0.0501, "base_misplaced"),
        (99.99, "base_misplaced"),
        (100.01, "wrong_base"),
    ],
)
@pytest.mark.parametrize("axis", [0, 1, 2])
def test_a_base_off_the_site_file_is_misplaced_or_another_one(off_m: float, code: str | None, axis: int) -> None:
    session = after(arp_1005(412, at(off_m, axis=axis)), setup=site())
    assert latched(session) == ({code} if code else set())


def test_the_tolerance_and_the_limits_are_the_site_files() -> None:
    near = arp_1005(412, at(0.5))
    assert latched(after(near, setup=site(base_tolerance_m=0.6))) == set()
    assert latched(after(near, setup=site(limits={"wrong_base_m": 0.4}))) == {"wrong_base"}
    assert latched(after(near)) == set()  # a site without a base has nothing to compare with


def test_another_station_than_the_sites_is_the_wrong_base_until_it_agrees() -> None:
    assert latched(after(setup=LinkSetup(base_station_id=413))) == {"wrong_base"}
    assert latched(after(setup=LinkSetup(base_station_id=412))) == set()
    # The right place takes it back only under the right name.
    assert latched(after(arp_1005(412, at()), setup=site(base_station_id=413))) == {"wrong_base"}
    assert latched(after(arp_1005(412, at(0.3)), arp_1005(412, at()), setup=site(base_station_id=412))) == set()
    assert latched(after(arp_1005(412, at(0.3)), arp_1005(412, at()), setup=site())) == set()


def test_two_stations_on_the_channel_are_two_bases() -> None:
    session = after(arp_1005(412, at()), arp_1005(77, at(3.0)))
    assert latched(session) == {"two_bases"} and session.link.station_id == 412
    # The same name again is the base that was there first.
    assert latched(after(arp_1005(412, at()), arp_1005(412, at()))) == set()


def test_a_second_name_for_the_place_of_the_site_does_not_clear_two_bases() -> None:
    frames = [f for i in range(40) for f in (arp_1005(412, at()), arp_1005(77, at(0.01)))]
    assert "two_bases" in latched(after(*frames, setup=site()))


@pytest.mark.parametrize(("off_m", "is_moved"), [(0.0499, False), (0.0501, True)])
def test_a_broadcast_position_that_changes_is_a_moved_base(off_m: float, is_moved: bool) -> None:
    assert latched(after(arp_1005(412, at()), arp_1005(412, at(off_m)))) == ({"base_moved"} if is_moved else set())
    session = after(arp_1005(412, at()), arp_1005(412, at(off_m)), arp_1005(412, at(off_m)))
    assert ("base_moved" in latched(session)) is is_moved  # it stays latched though it moves no more


def test_a_base_that_moves_to_where_the_site_has_it_is_put_right() -> None:
    assert latched(after(arp_1005(412, at(2.0)), arp_1005(412, at()), setup=site())) == set()


def test_each_station_is_compared_with_itself() -> None:
    session = after(arp_1005(412, at()), arp_1005(77, at(50.0)), arp_1005(412, at()), arp_1005(77, at(50.0)))
    assert latched(session) == {"two_bases"}


def test_a_network_s_base_moves_and_changes_its_name_as_it_likes() -> None:
    session = after(
        arp_1005(412, at(), computed=True), arp_1005(412, at(900.0), computed=True),
        arp_1005(77, at(5.0), computed=True), setup=site(base_station_id=412),
    )  # fmt: skip
    assert latched(session) == set() and session.link.base_kind == COMPUTED
    # What was said of it before it was known to be computed is taken back.
    late = after(arp_1005(412, at(0.5)), arp_1005(412, at(0.5), computed=True), setup=site())
    assert latched(late) == set()


def test_1032_names_a_computed_base() -> None:
    session = after(physical_1032(412, 7, at(3000.0)), arp_1005(412, at(700.0)), setup=site())
    assert session.link.saw_1032 and session.link.base_kind == COMPUTED and latched(session) == set()


def test_a_base_beside_the_position_that_was_sent_is_computed() -> None:
    xyz = geodetic_to_ecef(np.array([-45.0]), np.array([170.0]), np.array([80.0]))[0]
    place = (float(xyz[0]), float(xyz[1]), float(xyz[2]))
    metre_deg = 1.0 / 111_132.0  # of latitude at 45 degrees, WGS 84, to a part in a thousand
    for off_m, kind in ((495.0, COMPUTED), (505.0, PHYSICAL)):
        setup = LinkSetup(near_deg=(-45.0 + off_m * metre_deg, 170.0))
        assert after(arp_1005(412, place), setup=setup).link.base_kind == kind
    # The height is not sent along and does not count.
    xyz = geodetic_to_ecef(np.array([-45.0]), np.array([170.0]), np.array([2000.0]))[0]
    high = (float(xyz[0]), float(xyz[1]), float(xyz[2]))
    assert after(arp_1005(412, high), setup=LinkSetup(near_deg=(-45.0, 170.0))).link.base_kind == COMPUTED


def test_a_base_beside_the_rover_is_computed_on_a_network_source_alone() -> None:
    for kind, off_m, expected in (("ntrip", 499.0, COMPUTED), ("ntrip", 501.0, PHYSICAL), ("serial", 1.0, PHYSICAL)):
        session = after(setup=LinkSetup(source_kind=kind))
        session.link.rover_ecef_m = at(off_m)
        assert after(arp_1005(412, at()), session=session).link.base_kind == expected
    assert after(arp_1005(412, at()), setup=LinkSetup(source_kind="ntrip")).link.base_kind == PHYSICAL


def test_a_person_s_word_clears_all_and_holds_for_that_place() -> None:
    session = after(arp_1005(412, at(0.5)), setup=site(base_station_id=413))
    assert latched(session) == {"wrong_base", "base_misplaced"}
    session.link.clear_latches(1 << 50)
    assert session.link.confirmed_arp_ecef_m == pytest.approx(at(0.5))
    for east_m, again in ((0.5, False), (0.5499, False), (0.5501, True)):
        link = after(arp_1005(412, at(0.5)), setup=site()).link
        link.clear_latches(1 << 50)
        assert link.latches == 0
        assert link._confirmed(at(east_m)) is not again


def test_after_a_person_s_word_the_other_station_is_the_base() -> None:
    session = after(arp_1005(412, at()), arp_1005(77, at(3.0)))
    session.link.clear_latches(session.link.tally.bytes)
    assert session.link.station_id == 77
    assert latched(after(arp_1005(77, at(3.0)), session=session)) == set()
    assert latched(after(arp_1005(412, at()), session=session)) == {"two_bases"}


def test_an_accepted_base_is_neither_wrong_nor_misplaced_nor_set_again() -> None:
    session = session_of(site(base_station_id=413))
    session.link.accepted = True
    session.link.known_arp_ecef_m = at(9.0)
    session = after(*[f for _, f in sent(Base(), 1, START_S)], arp_1005(412, at(500.0)), session=session)
    assert "wrong_base" not in latched(session) and session.link.set_again is None
    assert latched(after(arp_1005(412, at(500.2)), session=session)) == {"base_moved"}  # that is new


@pytest.mark.parametrize(("off_m", "is_moved"), [(0.0499, False), (0.0501, True)])
def test_a_base_set_up_again_since_the_last_session_is_a_moved_base(off_m: float, is_moved: bool) -> None:
    session = after()
    session.link.known_arp_ecef_m = at(off_m)
    after(arp_1005(412, at()), session=session)
    assert latched(session) == ({"base_moved"} if is_moved else set())
    if is_moved:
        assert session.link.set_again is not None
        time_ns, station, by_m = session.link.set_again
        assert (station, by_m) == (412, pytest.approx(0.0501, abs=1e-5)) and time_ns == session.link.time.last_ns
    # Only the first position of a session is compared, and none that agrees with the site file.
    fine = after(setup=site())
    fine.link.known_arp_ecef_m = at(3.0)
    assert latched(after(arp_1005(412, at()), session=fine)) == set() and fine.link.set_again is None


def observed(code: str, **kwargs: Any) -> set[str]:
    """What stands after the base's observations said ``code``."""
    accepted = kwargs.pop("accepted", False)
    session = after(arp_1005(412, at(), computed=kwargs.pop("computed", False)), setup=kwargs.pop("setup", None))
    session.link.accepted = accepted
    session.link.note_base(code, session.link.tally.bytes)
    return latched(session)


def test_what_the_base_s_observations_show_is_latched_whatever_the_stream_says() -> None:
    assert observed("base_disturbed") == {"base_disturbed"} and observed("base_misplaced") == {"base_misplaced"}
    assert observed("base_disturbed", computed=True) == set()
    # A position that the site file names as well is the site's own affair; a knock is not.
    assert observed("base_misplaced", setup=site(0.0499)) == set()
    assert observed("base_misplaced", accepted=True) == set()
    assert observed("base_disturbed", setup=site()) == {"base_disturbed"} == observed("base_disturbed", accepted=True)
    session = after(arp_1005(412, at()), setup=site())
    session.link.note_base("base_disturbed", 0)
    assert session.link.latches == 0  # not what the stream said ...
    assert latched(after(arp_1005(412, at()), session=session)) == {"base_disturbed"}  # ... so it does not take it back
    LinkEngine(LinkSetup(), session.axis).note_base("base_disturbed", 0)  # nothing heard: nothing to latch


def test_an_observed_move_is_latched_from_the_frame_that_showed_it() -> None:
    session = session_of()
    frames = [f for _, f in sent(Base(), 3, START_S)]
    data = b"".join(frames)
    session.feed(Chunk("corrections", data))
    second = len(frames[0]) + len(frames[1])  # the first byte behind the second frame
    session.link.note_base("base_disturbed", second - 1)
    flags = session.link.join(np.arange(len(data), dtype=np.int64)).latches
    first = int(np.flatnonzero(flags)[0])
    ends = np.cumsum([len(f) for f in frames])
    assert first in (ends[1] - 1, ends[1]) and (flags[first:] == LATCH_FLAGS["base_disturbed"]).all()


def test_a_stream_without_times_is_taken_at_its_end() -> None:
    session = session_of(site())
    session.feed(Chunk("corrections", arp_1005(412, at(0.5))))
    assert session.link.arp_ecef_m is None and session.link.reached_ns() is None
    session.close()
    assert latched(session) == {"base_misplaced"}


def test_ids_on_text_and_descriptors_are_nobody_s() -> None:
    text = frame(pack((1029, 12), (77, 12), (60_000, 16), (36_000, 17), (0, 7), (0, 8)))
    assert latched(after(arp_1005(412, at()), text)) == set()


def test_distances() -> None:
    assert distance_m((1.0, 2.0, 3.0), (3.0, 5.0, 9.0)) == 7.0
    up = (6_378_137.0, 0.0, 0.0)
    assert horizontal_m((6_378_237.0, 3.0, 4.0), up) == pytest.approx(5.0)


def test_any_cut_latches_at_the_same_places() -> None:
    data = stream([*sent(Base(), 6), *sent(moved(Base(station=77), 3.0), 6, START_S + 6)])
    keys = np.arange(0, len(data) + 1, 7, dtype=np.int64)

    def flags(cuts: list[int]) -> list[int]:
        return read(data, dataclasses.replace(site(0.3), base_station_id=9), cuts).link.join(keys).latches.tolist()

    whole = flags([])
    assert len(set(whole)) >= 3
    for cuts in ([100], list(range(0, len(data), 31))):
        assert flags(cuts) == whole
