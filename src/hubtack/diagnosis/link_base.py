"""Base identity: whose observations are these, and is that base where it should be?

A base that a network computes moves and changes its ID when it is seated anew; it is exempt, and a note says so.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise

import numpy as np

from hubtack.diagnosis.base_families import SITE_BASIS
from hubtack.diagnosis.episode import Episode, Severity
from hubtack.diagnosis.link_view import S_NS, LinkView
from hubtack.engine.link import COMPUTED, distance_m, horizontal_m
from hubtack.engine.link_tally import StationTally
from hubtack.geo import ecef_offset_to_enu, ecef_to_geodetic, geodetic_to_ecef
from hubtack.geo.compass import compass_word_towards

_SWAP_OVERLAP_NS = 2 * S_NS
_CLOSED_NS = 30 * S_NS
_SAME_PLACE_M = 0.01
_TWIN_SHARE = 0.2  # of the epochs: fewer messages said twice than this are a hiccup
_CREEP_STEPS = 5  # more changes than this are a base that averages, or one that moves
_CREEP_WARN_M = 0.10


def base_family(view: LinkView) -> list[Episode]:
    """Episodes of whose base it is and where it stands."""
    found: list[Episode] = []
    two = _two_bases(view)
    if two is not None:
        found.append(two)
    for station in view.tally.stations.values():
        found.extend(_one_base(view, station, alone=two is None))
    found.extend(_reseated(view))
    found.extend(_no_position(view))
    found.extend(_rover_station(view))
    found.extend(_far_base(view))
    return found


def _latched_ns(view: LinkView, start_ns: int) -> int:
    return max(0, view.now_ns - start_ns) if view.rover.has_rover else 0


# Two bases -------------------------------------------------------------------------------------------------------


def _two_bases(view: LinkView) -> Episode | None:
    """Interleaved or swapped IDs, one ID with ARPs that go to and fro, or two sets of observations an epoch."""
    if view.engine.base_kind == COMPUTED:
        return None
    stations = [s for s in view.tally.stations.values() if s.observations >= 2 or s.arp_count >= 2]
    if len(stations) > 1:
        return _two_names(view, stations)
    for station in stations:
        if _to_and_fro(station):
            start = station.arps[1][0]
            apart_m = distance_m(station.arps[0][1:], station.arps[1][1:])
            return Episode(
                "two_bases",
                start,
                None,
                hold_ns=_latched_ns(view, start),
                severity="stop",
                evidence={"ids": [station.id], "mode": "one ID, two positions", "apart_m": apart_m},
            )
    content = view.tally.content
    if content.twin_ns is not None and content.twins >= max(5, _TWIN_SHARE * view.tally.epochs):
        start, last = content.twin_ns
        end = None if view.now_ns - last < _CLOSED_NS else last
        return Episode(
            "two_bases",
            start,
            end,
            hold_ns=_latched_ns(view, start),
            severity="stop",
            evidence={
                "ids": [s.id for s in stations],
                "mode": "one ID, two sets of observations an epoch",
                "twins": content.twins,
                "apart_m": None,
            },
        )
    return None


def _two_names(view: LinkView, stations: list[StationTally]) -> Episode:
    first, *others = sorted(stations, key=lambda s: s.first_ns)
    start = min(s.first_ns for s in others)
    last = max(s.last_ns for s in others)
    mode = "interleaved" if first.last_ns > start + _SWAP_OVERLAP_NS else "swapped"
    end = None if mode == "swapped" or view.now_ns - last < _CLOSED_NS else last
    known = [s.arp_ecef_m for s in stations if s.arp_ecef_m is not None]
    return Episode(
        "two_bases", start, end, hold_ns=_latched_ns(view, start), severity="stop",
        evidence={"ids": sorted(s.id for s in stations), "mode": mode,
                  "frames": {str(s.id): s.frames for s in stations},
                  "changes": view.tally.n_id_changes - 1,
                  "apart_m": distance_m(known[0], known[1]) if len(known) > 1 else None},
    )  # fmt: skip


def _to_and_fro(station: StationTally) -> bool:
    """Whether the ARP came back to where it had been: two bases under one ID, not one that was moved."""
    places = [a[1:] for a in station.arps]
    return any(
        distance_m(places[i], places[j]) < _SAME_PLACE_M and distance_m(places[i], places[i + 1]) > 0.05
        for i in range(len(places))
        for j in range(i + 2, len(places))
    )


# One base --------------------------------------------------------------------------------------------------------


def _one_base(view: LinkView, station: StationTally, *, alone: bool) -> list[Episode]:
    setup = view.setup
    if station.computed or not (station.observations or station.arp_count):
        return []
    named = setup.base_station_id
    arp, site = station.arp_ecef_m, setup.base_ecef_m
    off_m = distance_m(arp, site) if arp is not None and site is not None else None
    if site is not None and not alone and station.arps:
        off_m = min(distance_m(a[1:], site) for a in station.arps)  # of two bases under one ID one may be the site's
    first_ns = station.arp_times_ns[0] if station.arp_times_ns else station.first_ns
    if off_m is not None and off_m > setup.limit("wrong_base_m"):
        why = f"station {station.id} is {_length(off_m)} from where the site's base should be"
        return [
            Episode(
                "wrong_base",
                first_ns,
                None,
                str(station.id),
                _latched_ns(view, first_ns),
                "stop",
                {"why": why, "off_m": off_m, "id": station.id, "expected_id": named},
            )
        ]
    found = []
    if alone and named is not None and station.id != named:
        found.append(
            Episode(
                "wrong_base",
                station.first_ns,
                None,
                str(station.id),
                _latched_ns(view, station.first_ns),
                "stop",
                {
                    "why": f"station ID {station.id}, expected {named}",
                    "id": station.id,
                    "expected_id": named,
                    "off_m": off_m,
                },
            )
        )
    misplaced = off_m is not None and off_m > setup.base_tolerance_m
    if misplaced and arp is not None and off_m is not None and site is not None and len(station.arps) == 1:
        found.append(_misplaced(view, station, first_ns, off_m, site, arp))
    if view.engine.set_again is not None and view.engine.set_again[1] == station.id and alone:
        at_ns, _, moved_m = view.engine.set_again
        found.append(
            Episode(
                "base_moved",
                at_ns,
                None if view.engine.latches else at_ns,
                str(station.id),
                _latched_ns(view, at_ns) if view.engine.latches else 0,
                "stop" if view.engine.latches else "warn",
                {
                    "moved_m": moved_m,
                    "id": station.id,
                    "limit_m": view.limit("base_moved_m"),
                    "how": "since the site's machines last heard it: it was set up again",
                },
            )
        )
    if alone and len(station.arps) > 1 and not _to_and_fro(station):
        agrees = off_m is not None and off_m <= setup.base_tolerance_m
        found.extend(_moved(view, station, agrees=agrees))
        if agrees and site is not None:
            found.extend(_was_misplaced(view, station, site))
    return found


def _was_misplaced(view: LinkView, station: StationTally, site: tuple[float, float, float]) -> Iterable[Episode]:
    """Where the base stood wrong until somebody set it right: what was dug meanwhile was dug by it."""
    off_m = [distance_m(a[1:], site) for a in station.arps]
    wrong = [i for i, m in enumerate(off_m) if m > view.setup.base_tolerance_m]
    if not wrong or wrong[-1] + 1 >= len(off_m):
        return
    start_ns, end_ns = station.arps[wrong[0]][0], station.arps[wrong[-1] + 1][0]
    worst = max(wrong, key=lambda i: off_m[i])
    was = _misplaced(view, station, start_ns, off_m[worst], site, station.arps[worst][1:])
    hold_ns = end_ns - start_ns if view.rover.has_rover else 0
    yield replace(was, end_ns=end_ns, hold_ns=hold_ns, stands_alone=True)


def _length(metres: float) -> str:
    return f"{metres / 1000:.1f} km" if metres >= 10_000 else f"{metres:.0f} m"


def _misplaced(
    view: LinkView,
    station: StationTally,
    first_ns: int,
    off_m: float,
    site: tuple[float, float, float],
    place: tuple[float, float, float],
) -> Episode:
    lat, lon, _ = ecef_to_geodetic(np.array([site]))
    enu = ecef_offset_to_enu(np.array([place]) - np.array([site]), lat, lon)[0]
    east, north, up = (float(v) for v in enu)
    direction = (
        ("up" if up > 0 else "down") if float(np.hypot(east, north)) < abs(up) else compass_word_towards(east, north)
    )
    hold_ns = _latched_ns(view, first_ns)
    return Episode(
        "base_misplaced",
        first_ns,
        None,
        str(station.id),
        hold_ns,
        "stop",
        {
            "off_m": off_m,
            "direction": direction,
            "where": {"up": "too high", "down": "too low"}.get(direction, f"to the {direction}"),
            "east_m": east,
            "north_m": north,
            "up_m": up,
            "tolerance_m": view.setup.base_tolerance_m,
            "basis": SITE_BASIS,
            "likely": "",
            "id": station.id,
        },
    )


def _moved(view: LinkView, station: StationTally, *, agrees: bool) -> Iterable[Episode]:
    """One change that stays is a move; many small ones are a base averaging; one each time is a moving base."""
    places = station.arps
    steps = [distance_m(a[1:], b[1:]) for a, b in pairwise(places)]
    limit_m = view.limit("base_moved_m")
    large = [i for i, step_m in enumerate(steps) if step_m > limit_m]
    all_m = distance_m(places[0][1:], places[-1][1:])
    subject = str(station.id)
    if len(large) > _CREEP_STEPS and len(large) >= 0.5 * max(1, station.arp_count - 1):
        start = places[1][0]
        yield Episode(
            "base_moved",
            start,
            None,
            subject,
            _latched_ns(view, start),
            "stop",
            {
                "moved_m": all_m,
                "id": station.id,
                "changes": len(steps),
                "how": "and changes with every message: a moving base, whose stream serves heading, not position",
            },
        )
    elif large:
        at = large[-1] + 1
        start = places[at][0]
        severity: Severity = "note" if agrees else "stop"
        yield Episode(
            "base_moved",
            start,
            None,
            subject,
            0 if agrees else _latched_ns(view, start),
            severity,
            {
                "moved_m": distance_m(places[at - 1][1:], places[at][1:]),
                "id": station.id,
                "limit_m": limit_m,
                "changes": len(large),
                "how": "and is now that of the site's base" if agrees else "and stayed",
            },
        )
    elif all_m > limit_m or len(steps) > _CREEP_STEPS:
        warn = all_m > _CREEP_WARN_M
        yield Episode(
            "base_moved",
            places[1][0],
            None,
            subject,
            0,
            "warn" if warn else "note",
            {
                "moved_m": all_m,
                "id": station.id,
                "changes": len(steps),
                "how": "bit by bit: the base still averages its own position",
            },
        )


def _reseated(view: LinkView) -> Iterable[Episode]:
    """A network's computed base that moved or changed its ID: a note, since it is made to do so."""
    if view.engine.base_kind != COMPUTED:
        return
    computed = [s for s in view.tally.stations.values() if s.computed]
    changes = [(a[0], distance_m(a[1:], b[1:])) for s in computed for b, a in pairwise(s.arps)]
    ordered = sorted((s.first_ns, s.arp_ecef_m) for s in computed if s.arp_ecef_m is not None)
    changes += [(b[0], distance_m(a[1], b[1])) for a, b in pairwise(ordered)]
    if changes:
        start, moved_m = min(changes)
        yield Episode(
            "base_moved",
            start,
            None,
            "computed",
            0,
            "note",
            {
                "moved_m": moved_m,
                "changes": len(changes),
                "ids": sorted(s.id for s in computed),
                "how": "which is normal: a network computes it and seats it anew",
            },
        )


# Position heard, and by whom -------------------------------------------------------------------------------------


def _no_position(view: LinkView) -> list[Episode]:
    tally = view.tally
    if not tally.systems:
        return []
    times = [s for s in tally.stations.values() if s.arp_count]
    listen_s = view.limit("base_position_listen_s")
    if not times:
        if tally.duration_s() < listen_s:
            return []
        hold_ns = view.rover.hold_ns(("fix:autonomous", "fix:float"), view.start_ns, view.now_ns, 0)
        return [view.all_time("no_base_position", "stop", hold_ns=hold_ns, when=f"in {tally.duration_s():.0f} s")]
    intervals = [m.interval.quantile(0.5) for k, m in tally.messages.items() if k in (1005, 1006) and m.interval.total]
    usual_s = min(intervals) if intervals else 0.0
    if usual_s > view.limit("base_position_interval_s"):
        when = f"more often than every {usual_s:.0f} s"
        return [view.all_time("no_base_position", "warn", when=when, interval_s=usual_s)]
    last_ns = max(s.arp_times_ns[1] for s in times if s.arp_times_ns)
    silent_s = ((tally.ledger.last_ns or last_ns) - last_ns) / S_NS
    if silent_s > max(view.limit("base_position_interval_s"), listen_s, 3 * usual_s) and tally.epochs >= 10:
        return [
            Episode(
                "no_base_position",
                last_ns,
                None,
                severity="warn",
                evidence={"when": f"for the last {silent_s:.0f} s", "interval_s": usual_s or None},
            )
        ]
    return []


def names_another_base(view: LinkView) -> bool:
    """Whether the rover listens to another base than the stream's, or to another radio than the one that is read."""
    return view.setup.heard_at == "elsewhere" or bool(_rover_station(view))


def _rover_station(view: LinkView) -> list[Episode]:
    """The base the rover names is not the one on the stream. 0, 0000 and names say nothing."""
    named = {int(t): n for t, n in view.rover.station_ids.items() if t.isdigit() and int(t) > 0}
    streamed = {s.id for s in view.tally.stations.values() if s.observations}
    named_often = {i for i, n in named.items() if n >= 0.1 * sum(named.values())}
    if not named_often or not streamed or streamed == {0} or named_often & streamed:
        return []
    if view.setup.heard_at == "elsewhere":
        return []
    # GGA has four digits and 0 to 1023 in older receivers: an ID cut to ten bits is the same base.
    if {i % 1024 for i in streamed} & named_often:
        return []
    return [
        view.all_time(
            "station_mismatch",
            "note" if view.well else "warn",
            rover_id=sorted(named_often),
            stream_id=sorted(streamed),
        )
    ]


def _far_base(view: LinkView) -> list[Episode]:
    """Without a rover, the position given on the command line tells how far the base is."""
    near, arp = view.setup.near_deg, view.engine.arp_ecef_m
    if view.rover.has_rover or near is None or arp is None or view.engine.base_kind == COMPUTED:
        return []
    there = geodetic_to_ecef(np.array([near[0]]), np.array([near[1]]), np.array([0.0]))[0]
    far_m = horizontal_m(arp, (float(there[0]), float(there[1]), float(there[2])))
    if far_m <= view.limit("baseline_warn_m"):
        return []
    return [
        view.all_time(
            "long_baseline",
            "warn",
            baseline_max_m=far_m,
            limit_m=view.limit("baseline_warn_m"),
            basis="the position given with --near",
        )
    ]
