"""Episodes of the correction link. Each family is one ordered table of questions; the first that fits wins.

Bytes: is this a stream of corrections at all? Loss: what is missing, and in what pattern? Base: whose is it, and where?
Content: could a rover fix on it?
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from hubtack.diagnosis.episode import Episode, Severity
from hubtack.diagnosis.loss import LossPattern, loss_pattern
from hubtack.diagnosis.rover_view import RoverView
from hubtack.engine.link import COMPUTED, LinkEngine, LinkSetup, distance_m
from hubtack.engine.link_tally import LinkTally, StationTally
from hubtack.framing.sniff import WORDS, looks_random, sniff
from hubtack.geo import ecef_offset_to_enu, ecef_to_geodetic
from hubtack.knowledge.messages import GLONASS, SYSTEMS, system_of
from hubtack.knowledge.signals import band_of

_S = 1_000_000_000
_FIX_RUNS = ("fix:float", "fix:autonomous", "age:old")
_FIX_TAIL_NS = 60 * _S
_NULL_ANTENNAS = ("", "ADVNULLANTENNA", "NULLANTENNA", "UNKNOWN", "NONE")
_OBSTRUCTED_SATELLITES = 8  # of all systems together, median: common practice, no source
_OBSTRUCTED_CN0_DBHZ = 36.0  # median over all signals of a base under open sky lies at 42 to 47: common practice
_WRONG_MIN_BYTES = 100
_GARBAGE_KINDS = ("serial", "file", "stdin", "mixed")


@dataclass(frozen=True, slots=True)
class LinkView:
    """The link as the families see it at ``now_ns``; ``start_ns`` is when listening began, on the session's axis.

    ``source_codes`` are what the source itself said: (code, start, end, figures).
    """

    engine: LinkEngine
    rover: RoverView
    start_ns: int
    now_ns: int
    expects: bool = True
    source_codes: tuple[tuple[str, int, int | None, Mapping[str, Any]], ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict)

    @property
    def tally(self) -> LinkTally:
        """Sums of the stream."""
        return self.engine.tally

    @property
    def setup(self) -> LinkSetup:
        """What was known beforehand."""
        return self.engine.setup

    @property
    def listened_s(self) -> float:
        """How long the stream has been listened to. [s]"""
        return max((self.now_ns - self.start_ns) / _S, self.tally.duration_s())


def link_episodes(view: LinkView) -> list[Episode]:
    """All episodes of the link as seen at the view's moment."""
    stream = _bytes_family(view)
    if any(e.code in ("no_bytes", "wrong_protocol", "serial_garbage") for e in stream):
        return stream
    return [*stream, *_loss_family(view), *_base_family(view), *_content_family(view)]


def _all_time(
    view: LinkView, code: str, severity: Severity | None = None, subject: str = "", **figures: Any
) -> Episode:
    """An episode from the start of listening that still goes on."""
    hold_ns = 0
    return Episode(code, view.start_ns, None, subject, hold_ns, severity, figures)


# Bytes -------------------------------------------------------------------------------------------------------------


def _bytes_family(view: LinkView) -> list[Episode]:
    tally = view.tally
    found = [Episode(code, start, end, evidence=dict(figures)) for code, start, end, figures in view.source_codes]
    if not view.expects:
        return found
    if tally.bytes == 0:
        if not found and view.listened_s >= view.setup.limit("no_bytes_s"):
            found.append(_all_time(view, "no_bytes", "stop", bytes=0))
        return found
    if tally.frames == 0:
        found.extend(_not_rtcm(view))
        return found
    seen = tally.frames + tally.bad_crc
    share = tally.bad_crc / seen
    if seen >= view.setup.limit("corrupt_frames_min") and share > view.setup.limit("corrupt_warn_share"):
        severity: Severity = "stop" if share > view.setup.limit("corrupt_stop_share") else "warn"
        hold_ns = view.rover.hold_ns(_FIX_RUNS, view.start_ns, view.now_ns, 0)
        if hold_ns:
            severity = "stop"
        times = tally.bad_crc_ns or [view.start_ns]
        found.append(
            Episode(
                "corrupt_frames",
                times[0],
                None if view.now_ns - times[-1] < 10 * _S else times[-1],
                hold_ns=hold_ns,
                severity=severity,
                evidence={
                    "bad_crc": tally.bad_crc,
                    "seen": seen,
                    "share_percent": round(100 * share, 1),
                    "first_offsets": tally.failures[:10],
                },
            )
        )
    return found


def _not_rtcm(view: LinkView) -> Iterable[Episode]:
    """Bytes, and not one good frame among them."""
    tally = view.tally
    if tally.bytes < _WRONG_MIN_BYTES and view.listened_s < view.setup.limit("no_bytes_s"):
        return
    looks = sniff(tally.sample, frames=tally.frames, sentences=tally.sentences)
    rover_well = view.rover.is_well(view.setup.limit("healthy_fixed_share"), view.setup.limit("correction_age_warn_s"))
    if looks == "unknown" and rover_well:
        yield _all_time(
            view,
            "wrong_protocol",
            "note",
            bytes=tally.bytes,
            looks_like="a format that is not decoded; judged by arrival only, since the rover is fixed and fresh",
        )
        return
    garbage = (
        looks == "unknown" and view.setup.source_kind in _GARBAGE_KINDS and looks_random(tally.byte_counts.tolist())
    )
    if garbage and _wrong_speed(tally):
        yield _all_time(
            view, "serial_garbage", "stop", bytes=tally.bytes, frames=tally.frames, zero_and_ff_share=_edge_share(tally)
        )
        return
    yield _all_time(
        view, "wrong_protocol", "stop", bytes=tally.bytes, looks_like=WORDS[looks or "unknown"], format=looks
    )


def _edge_share(tally: LinkTally) -> float:
    counts = tally.byte_counts
    total = int(counts.sum())
    edges = sum(int(counts[b]) for b in (0x00, 0x80, 0xC0, 0xE0, 0xF0, 0xF8, 0xFC, 0xFE, 0xFF))
    return edges / total if total else 0.0


def _wrong_speed(tally: LinkTally) -> bool:
    """A line read at the wrong speed sees long runs of equal bits: bytes such as 0x00, 0xF8 and 0xFF abound."""
    return _edge_share(tally) > 9 / 256 * 3


# Loss and timing ---------------------------------------------------------------------------------------------------


def _loss_family(view: LinkView) -> list[Episode]:
    tally = view.tally
    found = _stalls(view)
    interval_s = tally.interval_s()
    if np.isnan(interval_s) or interval_s <= 0:
        return found
    late = _late(view, interval_s)
    if late is not None:
        found.append(late)
    stalled_ms = view.setup.limit("link_stalled_s") * 1000
    pattern = loss_pattern(tally.ledger.steps(), interval_s * 1000, max(stalled_ms, 3 * interval_s * 1000))
    found.extend(_pattern_episodes(view, pattern, interval_s))
    return found


def _stalls(view: LinkView) -> list[Episode]:
    tally = view.tally
    interval_s = tally.interval_s()
    limit_s = view.setup.limit("link_stalled_s")
    if not np.isnan(interval_s):
        limit_s = max(limit_s, 3 * interval_s)
    stalls: list[tuple[int, int | None]] = [
        (start, end) for start, end, _ in tally.gaps() if (end - start) / _S > limit_s
    ]
    if tally.ledger.last_ns is not None and (view.now_ns - tally.ledger.last_ns) / _S > limit_s:
        stalls.append((tally.ledger.last_ns, None))
    found = []
    for start, end in stalls:
        reached = view.now_ns if end is None else end
        hold_ns = view.rover.hold_ns(_FIX_RUNS, start, reached, _FIX_TAIL_NS)
        long = (reached - start) / _S >= view.setup.limit("correction_age_hold_s")
        severity: Severity | None = "stop" if hold_ns or long else None
        found.append(
            Episode("link_stalled", start, end, hold_ns=hold_ns, severity=severity, evidence={"limit_s": limit_s})
        )
    return found


def _late(view: LinkView, interval_s: float) -> Episode | None:
    """Complete and late: by arrival where there is one, else by the age the rover gives to corrections."""
    tally, rover = view.tally, view.rover
    limit_s = view.setup.limit("late_corrections_s")
    median_s = float("nan")
    if tally.latency.total >= 10 and not _clock_off(view):
        median_s = tally.latency.quantile(0.5)
    elif rover.has_rover and not np.isnan(rover.age_median_s) and not view.setup.has_arrival:
        # Age runs from the latency up to one interval more; without losses that is all there is to it.
        median_s = rover.age_median_s - interval_s / 2
    if not median_s > limit_s or tally.epochs < 10:
        return None
    share_lost = sum(lost for _, _, lost in tally.gaps()) / max(1, tally.epochs)
    if share_lost > 0.2:
        return None
    hold_ns = rover.hold_ns(("age:old",), view.start_ns, view.now_ns, 0)
    return Episode(
        "late_corrections",
        tally.ledger.first_ns or view.start_ns,
        None,
        hold_ns=hold_ns,
        severity="stop" if hold_ns else "warn",
        evidence={
            "median_s": median_s,
            "limit_s": limit_s,
            "basis": "arrival" if tally.latency.total else "rover's age",
        },
    )


def _clock_off(view: LinkView) -> bool:
    """Whether arrival and content cannot be on the same clock: latency is then only relative."""
    least = view.tally.least_lag_ns
    return least is not None and abs(least) > 60 * _S


def _pattern_episodes(view: LinkView, pattern: LossPattern, interval_s: float) -> list[Episode]:
    if pattern.kind == "none" or pattern.lost < 0.01 * pattern.slots:
        return []
    tally = view.tally
    start = tally.ledger.first_ns if tally.ledger.first_ns is not None else view.start_ns
    well = view.rover.is_well(view.setup.limit("healthy_fixed_share"), view.setup.limit("correction_age_warn_s"))
    share = pattern.lost / pattern.slots
    severity: Severity = "note" if well or (not view.rover.has_rover and share < 0.1) else "warn"
    figures: dict[str, Any] = {
        "lost": pattern.lost,
        "slots": pattern.slots,
        "share_percent": round(100 * share, 1),
        "bursts": pattern.bursts,
        "test": pattern.test,
        "pattern": pattern.kind,
    }
    code = "burst_loss"
    if pattern.kind == "periodic":
        code = "periodic_loss"
        figures["period_s"] = pattern.period_slots * interval_s
    hold_ns = view.rover.hold_ns(_FIX_RUNS, view.start_ns, view.now_ns, 0)
    return [
        Episode(
            code, start, None, hold_ns=hold_ns, severity="stop" if hold_ns and not well else severity, evidence=figures
        )
    ]


# Base identity -----------------------------------------------------------------------------------------------------


def _base_family(view: LinkView) -> list[Episode]:
    found: list[Episode] = []
    two = _two_bases(view)
    if two is not None:
        found.append(two)
    for station in view.tally.stations.values():
        found.extend(_one_base(view, station, alone=two is None))
    found.extend(_no_position(view))
    found.extend(_rover_station(view))
    return found


def _two_bases(view: LinkView) -> Episode | None:
    """Interleaved or swapped IDs, or one ID with ARPs that go to and fro. A network's computed base is exempt."""
    if view.engine.base_kind == COMPUTED:
        return None
    stations = [s for s in view.tally.stations.values() if s.frames >= 2]
    if len(stations) > 1:
        others = sorted(stations, key=lambda s: s.first_ns)[1:]
        start = min(s.first_ns for s in others)
        last = max(s.last_ns for s in others)
        first = min(stations, key=lambda s: s.first_ns)
        mode = "interleaved" if first.last_ns > start + 2 * _S else "swapped"
        end = None if mode == "swapped" or view.now_ns - last < 30 * _S else last
        ids = sorted(s.id for s in stations)
        return Episode(
            "two_bases",
            start,
            end,
            hold_ns=_latched_ns(view, start),
            severity="stop",
            evidence={
                "ids": ids,
                "mode": mode,
                "frames": {str(s.id): s.frames for s in stations},
                "apart_m": _apart_m(stations),
            },
        )
    for station in stations:
        if _to_and_fro(station):
            start = station.arps[1][0]
            return Episode(
                "two_bases",
                start,
                None,
                hold_ns=_latched_ns(view, start),
                severity="stop",
                evidence={
                    "ids": [station.id],
                    "mode": "one ID, two positions",
                    "apart_m": distance_m(station.arps[0][1:], station.arps[1][1:]),
                },
            )
    return None


def _latched_ns(view: LinkView, start_ns: int) -> int:
    return max(0, view.now_ns - start_ns) if view.rover.has_rover else 0


def _apart_m(stations: list[StationTally]) -> float | None:
    known = [s.arp_ecef_m for s in stations if s.arp_ecef_m is not None]
    return distance_m(known[0], known[1]) if len(known) > 1 else None


def _to_and_fro(station: StationTally) -> bool:
    """Whether the ARP came back to where it had been: two bases under one ID, not one that was moved."""
    places = [a[1:] for a in station.arps]
    return any(
        distance_m(places[i], places[j]) < 0.01 and distance_m(places[i], places[i + 1]) > 0.05
        for i in range(len(places))
        for j in range(i + 2, len(places))
    )


def _one_base(view: LinkView, station: StationTally, *, alone: bool) -> list[Episode]:
    setup = view.setup
    found: list[Episode] = []
    if station.arp_ecef_m is None or station.computed:
        return found
    first_ns = station.arp_times_ns[0] if station.arp_times_ns else view.start_ns
    expected_id = setup.base_station_id
    off_m = distance_m(station.arp_ecef_m, setup.base_ecef_m) if setup.base_ecef_m is not None else None
    if off_m is not None and off_m > setup.limit("wrong_base_m"):
        found.append(
            Episode(
                "wrong_base",
                first_ns,
                None,
                str(station.id),
                _latched_ns(view, first_ns),
                "stop",
                {
                    "why": f"station {station.id} is {off_m:.0f} m from the site's base",
                    "off_m": off_m,
                    "id": station.id,
                },
            )
        )
    elif alone and expected_id is not None and station.id != expected_id and station.frames:
        found.append(
            Episode(
                "wrong_base",
                first_ns,
                None,
                str(station.id),
                _latched_ns(view, first_ns),
                "stop",
                {"why": f"station ID {station.id}, expected {expected_id}", "id": station.id},
            )
        )
    elif (
        off_m is not None
        and setup.base_ecef_m is not None
        and off_m > setup.base_tolerance_m
        and len(station.arps) == 1
    ):
        found.append(_misplaced(view, station, first_ns, off_m, setup.base_ecef_m))
    if alone and len(station.arps) > 1 and not _to_and_fro(station):
        found.extend(_moved(view, station))
    return found


def _misplaced(
    view: LinkView, station: StationTally, first_ns: int, off_m: float, site: tuple[float, float, float]
) -> Episode:
    assert station.arp_ecef_m is not None
    lat, lon, _ = ecef_to_geodetic(np.array([site]))
    enu = ecef_offset_to_enu(np.array([station.arp_ecef_m]) - np.array([site]), lat, lon)[0]
    east, north, up = (float(v) for v in enu)
    plan_m = float(np.hypot(east, north))
    direction = ("up" if up > 0 else "down") if plan_m < abs(up) else _compass(east, north)
    return Episode(
        "base_misplaced",
        first_ns,
        None,
        str(station.id),
        0,
        "stop",
        {
            "off_m": off_m,
            "direction": direction,
            "east_m": east,
            "north_m": north,
            "up_m": up,
            "tolerance_m": view.setup.base_tolerance_m,
            "id": station.id,
        },
    )


def _compass(east: float, north: float) -> str:
    names = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
    return names[round(float(np.degrees(np.arctan2(east, north))) % 360 / 45) % 8]


def _moved(view: LinkView, station: StationTally) -> list[Episode]:
    """One change that stays is a move; many small ones are a base averaging its position, a note at most."""
    steps = [distance_m(a[1:], b[1:]) for a, b in zip(station.arps[:-1], station.arps[1:], strict=True)]
    limit_m = view.setup.limit("base_moved_m")
    large = [i for i, step_m in enumerate(steps) if step_m > limit_m]
    if not large or len(large) > 5:
        return []
    at = large[-1] + 1
    start = station.arps[at][0]
    return [
        Episode(
            "base_moved",
            start,
            None,
            str(station.id),
            _latched_ns(view, start),
            "stop",
            {
                "moved_m": distance_m(station.arps[at - 1][1:], station.arps[at][1:]),
                "id": station.id,
                "limit_m": limit_m,
            },
        )
    ]


def _no_position(view: LinkView) -> list[Episode]:
    tally, setup = view.tally, view.setup
    if not tally.systems:
        return []
    times = [s for s in tally.stations.values() if s.arp_count]
    listen_s = setup.limit("base_position_listen_s")
    if not times:
        if tally.duration_s() < listen_s:
            return []
        hold_ns = view.rover.hold_ns(("fix:autonomous", "fix:float"), view.start_ns, view.now_ns, 0)
        return [_with_hold(_all_time(view, "no_base_position", "stop", when=f"in {tally.duration_s():.0f} s"), hold_ns)]
    intervals = [m.interval.quantile(0.5) for k, m in tally.messages.items() if k in (1005, 1006) and m.interval.total]
    if intervals and min(intervals) > setup.limit("base_position_interval_s"):
        return [
            _all_time(
                view,
                "no_base_position",
                "warn",
                when=f"more often than every {min(intervals):.0f} s",
                interval_s=min(intervals),
            )
        ]
    last_ns = max(s.arp_times_ns[1] for s in times if s.arp_times_ns)
    if tally.last_ns is not None and (tally.last_ns - last_ns) / _S > max(
        listen_s, 3 * (min(intervals) if intervals else 0)
    ):
        return [
            Episode(
                "no_base_position",
                last_ns,
                None,
                severity="warn",
                evidence={"when": f"for the last {(tally.last_ns - last_ns) / _S:.0f} s"},
            )
        ]
    return []


def _with_hold(episode: Episode, hold_ns: int) -> Episode:
    return Episode(
        episode.code, episode.start_ns, episode.end_ns, episode.subject, hold_ns, episode.severity, episode.evidence
    )


def _rover_station(view: LinkView) -> list[Episode]:
    """The base the rover names is not the one on the stream. 0, 0000 and names say nothing."""
    named = {int(t) for t in view.rover.station_ids if t.isdigit() and int(t) > 0}
    streamed = {s.id for s in view.tally.stations.values() if s.frames}
    if not named or not streamed or streamed == {0} or named & streamed or view.setup.heard_at == "elsewhere":
        return []
    well = view.rover.is_well(view.setup.limit("healthy_fixed_share"), view.setup.limit("correction_age_warn_s"))
    return [
        _all_time(
            view, "station_mismatch", "note" if well else "warn", rover_id=sorted(named), stream_id=sorted(streamed)
        )
    ]


# Stream content ----------------------------------------------------------------------------------------------------


def _content_family(view: LinkView) -> list[Episode]:
    tally, setup = view.tally, view.setup
    found: list[Episode] = []
    if not tally.systems or tally.epochs < 2:
        return found
    well = view.rover.is_well(setup.limit("healthy_fixed_share"), setup.limit("correction_age_warn_s"))
    listened_s = tally.duration_s()
    phased = {system for system, t in tally.systems.items() if t.phases}
    if not phased:
        hold_ns = view.rover.hold_ns(("fix:autonomous", "fix:float"), view.start_ns, view.now_ns, 0)
        found.append(_with_hold(_all_time(view, "no_phase", "stop", messages=sorted(tally.messages)), hold_ns))
    if listened_s >= setup.limit("descriptor_listen_s"):
        has_bias = 1230 in tally.messages or any(s.receiver for s in tally.stations.values())
        if GLONASS in tally.systems and not has_bias:
            found.append(_all_time(view, "no_glonass_bias", "note" if well or not view.rover.has_rover else "warn"))
        for station in tally.stations.values():
            name = (station.antenna or "").split()[0] if (station.antenna or "").split() else ""
            if station.frames and not station.computed and name.upper() in _NULL_ANTENNAS:
                found.append(
                    _all_time(view, "antenna_unknown", "note", str(station.id), antenna=station.antenna, id=station.id)
                )
    missing = view.rover.systems - set(tally.systems)
    if missing and view.rover.has_rover:
        found.append(
            _all_time(view, "missing_system", "note" if well else "warn", systems=sorted(SYSTEMS[s] for s in missing))
        )
    found.extend(_obstructed(view))
    found.extend(_clocks(view))
    return found


def _obstructed(view: LinkView) -> list[Episode]:
    tally = view.tally
    if tally.epochs < 30 or view.engine.base_kind == COMPUTED:
        return []
    satellites = sum(v for s in tally.systems if not np.isnan(v := tally.satellites_of(s)))
    total = np.zeros(321, dtype=np.int64)
    for t in tally.systems.values():
        total += t.cn0.counts
    count = int(total.sum())
    cn0 = float(np.searchsorted(np.cumsum(total), (count + 1) // 2) * 0.25) if count else float("nan")
    if satellites < _OBSTRUCTED_SATELLITES or cn0 < _OBSTRUCTED_CN0_DBHZ:
        return [
            _all_time(
                view,
                "base_obstructed",
                "warn",
                satellites=int(satellites),
                cn0_dbhz=cn0,
                limit_satellites=_OBSTRUCTED_SATELLITES,
                limit_cn0_dbhz=_OBSTRUCTED_CN0_DBHZ,
            )
        ]
    return []


def _clocks(view: LinkView) -> list[Episode]:
    """The stream's clock against the rover's, and this computer's against both, which outvote it."""
    rover, tally = view.rover, view.tally
    found: list[Episode] = []
    ahead_s = rover.stream_ahead_s
    if rover.has_rover and ahead_s > 1.5:
        found.append(_all_time(view, "base_clock", "warn", offset_s=ahead_s))
    if tally.least_lag_ns is not None and tally.latency.total >= 10:
        least_s = tally.least_lag_ns / _S
        # Corrections cannot come before their time: this clock, or the base's, is behind.
        if (least_s < -view.setup.limit("clock_off_s") and not found) or least_s > 60:
            found.append(_all_time(view, "computer_clock", "note", offset_s=least_s))
    return found


# Could a rover fix on it? ------------------------------------------------------------------------------------------


def rtk_ready(view: LinkView, stop_codes: Iterable[str]) -> bool | None:
    """Whether a rover can fix on this stream; None where it is too early to tell (docs/rtk-ready.md)."""
    tally = view.tally
    if tally.frames == 0:
        if tally.bytes and sniff(tally.sample) == "unknown" and view.rover.fixed_share > 0.98:
            return None
        return False if tally.bytes or view.listened_s >= view.setup.limit("no_bytes_s") else None
    if set(stop_codes):
        return False
    has_arp = any(s.arp_count for s in tally.stations.values())
    bands = {system: {band_of(system, signal) for signal in t.phases} - {""} for system, t in tally.systems.items()}
    two_bands = any(len(b) >= 2 for b in bands.values())
    if has_arp and two_bands:
        return True
    return False if tally.duration_s() >= view.setup.limit("base_position_listen_s") else None


def observation_systems(tally: LinkTally) -> set[int]:
    """Systems whose observations the stream carries."""
    return {s for k in tally.messages if (s := system_of(k)) is not None}
