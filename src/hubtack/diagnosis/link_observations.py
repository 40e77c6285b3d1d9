"""Stream content: could a rover fix on what is in it, and does it hold what this rover needs?"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from hubtack.diagnosis.episode import SEVERITY_ORDER, Episode, Severity
from hubtack.diagnosis.link_base import names_another_base
from hubtack.diagnosis.link_view import LinkView
from hubtack.engine.link import COMPUTED
from hubtack.engine.link_content import SKY_BIN_NS, common_satellites
from hubtack.engine.link_tally import StationTally
from hubtack.knowledge.messages import BEIDOU, GALILEO, GLONASS, GPS, SYSTEMS, is_state_space

_NULL_ANTENNAS = ("", "ADVNULLANTENNA", "NULLANTENNA", "UNKNOWN", "NONE")
_MAIN_SYSTEMS = frozenset({GPS, GLONASS, GALILEO, BEIDOU})
_NO_OBSERVATIONS_S = 30.0
_AGAIN = 5  # times, of one message
# Fewer than these, in the middle of a session, and something stands around the base: what a mask of 15 degrees leaves
# at middle latitudes on a bad hour. Common practice, no source.
_LEAST_SATELLITES = {GPS: 5, GLONASS: 3, GALILEO: 4, BEIDOU: 3}
_LEAST_CN0_DBHZ = 38.0  # median over all signals; a base under open sky has 42 to 47. Common practice, no source.
_LEAST_EPOCHS = 30
_LESS_THAN_ROVER = 0.6
# A base whose lowest satellite stands higher than this has a mask or a wall all around. Under an open side of a hundred
# degrees some satellite of two constellations is below it nearly always. Common practice, no source.
_OPEN_DEG = 30.0
_COMMON_RUN = 2  # half minutes in a row


def content_family(view: LinkView) -> list[Episode]:
    """Episodes of what is in the stream and what is not."""
    tally = view.tally
    if not tally.systems:
        return _no_observations(view)
    if tally.epochs < 2:
        return []
    found: list[Episode] = []
    if not any(t.phases for t in tally.systems.values()):
        hold_ns = view.rover.hold_ns(("fix:autonomous", "fix:float"), view.start_ns, view.now_ns, 0)
        found.append(
            view.all_time(
                "no_phase",
                "stop",
                hold_ns=hold_ns,
                messages=sorted(kind for kinds in tally.content.levels.values() for kind in kinds),
                what="code observations only",
            )
        )
    if tally.duration_s() >= view.limit("descriptor_listen_s"):
        found.extend(_descriptors(view))
    few = list(_few_common(view))
    if view.setup.heard_at != "elsewhere" and names_another_base(view):  # then it is nothing to this rover
        few = [replace(e, severity="note", hold_ns=0, explains=False) for e in few]
    found.extend(few)
    # Few in common although the rover sees enough of what is streamed, or the base far fewer of it than the rover: it
    # is the base's sky, and no other code's.
    by_base = any(
        e.evidence["rover_has"] >= view.limit("healthy_common")
        or e.evidence["base_satellites"] < _LESS_THAN_ROVER * e.evidence["rover_has"]
        for e in few
    )
    if not by_base:
        found.extend(_missing_system(view, blamed=not any(e.code == "no_glonass_bias" for e in found)))
    if few and view.base.lowest_deg < _OPEN_DEG:
        # Few, and down to low ones: a side is open, so that something stands on the other. That is the cause.
        worst = min((e.severity or "warn" for e in few), key=lambda s: SEVERITY_ORDER[s])
        found.extend(_obstructed(view, by_number=True, severity=worst))
    else:
        found.extend(_obstructed(view, by_number=not few))
    return found


def _no_observations(view: LinkView) -> list[Episode]:
    """Good frames and not one observation among them."""
    messages = view.tally.messages
    # A log without a timed message and without arrivals does not say how long it is; what comes again and again does.
    repeated = not view.setup.has_arrival and max((m.count for m in messages.values()), default=0) >= _AGAIN
    if not messages or (view.listened_s < _NO_OBSERVATIONS_S and not repeated):
        return []
    state_space = any(is_state_space(kind) for kind in messages)
    what = "state-space corrections, for another kind of positioning" if state_space else "no observations at all"
    hold_ns = view.rover.hold_ns(("fix:autonomous", "fix:float"), view.start_ns, view.now_ns, 0)
    return [view.all_time("no_phase", "stop", hold_ns=hold_ns, messages=sorted(messages), what=what)]


def _descriptors(view: LinkView) -> Iterable[Episode]:
    tally = view.tally
    has_bias = 1230 in tally.messages or any(s.receiver for s in tally.stations.values())
    if GLONASS in tally.systems and not has_bias:
        yield view.all_time("no_glonass_bias", view.potential())
    for station in tally.stations.values():
        if station.observations and not station.computed and not _named(station):
            yield view.all_time("antenna_unknown", "note", str(station.id), antenna=station.antenna, id=station.id)


def _named(station: StationTally) -> bool:
    words = (station.antenna or "").split()
    return bool(words) and words[0].upper() not in _NULL_ANTENNAS


def _missing_system(view: LinkView, *, blamed: bool) -> Iterable[Episode]:
    """Systems the rover uses and the stream lacks; ``blamed`` False where something else explains a fix that fails."""
    missing = view.rover.systems & _MAIN_SYSTEMS - set(view.tally.systems)
    if not missing or not view.rover.has_rover:
        return
    # Satellites enough without them: a rover that does not fix has another reason.
    blamed = blamed and not view.enough_in_common
    hold_ns = view.rover.hold_ns(("fix:float",), view.start_ns, view.now_ns, 0) if blamed and not view.well else 0
    episode = view.all_time(
        "missing_system",
        view.potential() if blamed else "note",
        hold_ns=hold_ns,
        systems=sorted(SYSTEMS[s] for s in missing),
        streamed=sorted(SYSTEMS[s] for s in view.tally.systems),
    )
    yield replace(episode, explains=blamed)


def _few_common(view: LinkView) -> Iterable[Episode]:
    """Stretches in which base and rover see too few satellites in common."""
    warn, stop = view.limit("common_warn"), view.limit("common_stop")
    base, rover = view.tally.content.sky, view.rover.heard
    # The first and the last half minute are parts.
    common = common_satellites(rover, base)[1:-1]
    # Where the rover hears next to nothing, in a shed or under a bridge, it is its own sky and no matter of the stream.
    enough = view.limit("healthy_common")
    common = [(at, n) for at, n in common if _count(rover.bins[at // SKY_BIN_NS]) >= enough]
    run: list[tuple[int, int]] = []
    for at, n in [*common, (0, 1 << 30)]:
        if n < warn and (not run or at - run[-1][0] <= 2 * SKY_BIN_NS):
            run.append((at, n))
            continue
        if len(run) >= _COMMON_RUN:
            start, last = run[0][0], run[-1][0] + SKY_BIN_NS
            least_at, least = min(run, key=lambda item: item[1])
            end = None if view.now_ns - last < 2 * SKY_BIN_NS else last
            index = least_at // SKY_BIN_NS
            hold_ns = view.lost_fix_ns(start, last)
            severity: Severity = "stop" if least < stop and (hold_ns or not view.well) else "warn"
            yield Episode(
                "few_common_satellites", start, end, hold_ns=hold_ns, severity=severity,
                evidence={"common": least, "base_satellites": _count(base.bins[index]),
                          "rover_satellites": _count(rover.bins[index]), "limit": int(warn),
                          # Of the systems that are streamed: what could be common if the base saw all of it.
                          "rover_has": _count({s: m for s, m in rover.bins[index].items() if s in view.tally.systems})},
            )  # fmt: skip
        run = [(at, n)] if n < warn else []


def _count(found: dict[int, int]) -> int:
    return sum(mask.bit_count() for mask in found.values())


def _obstructed(view: LinkView, *, by_number: bool, severity: Severity = "warn") -> Iterable[Episode]:
    """Few satellites or weak signals at the base, by themselves or beside those of the rover."""
    tally = view.tally
    if tally.epochs < _LEAST_EPOCHS or view.engine.base_kind == COMPUTED:
        return
    seen = {s: tally.satellites_of(s) for s in tally.systems if s in _MAIN_SYSTEMS}
    seen = {s: n for s, n in seen.items() if not np.isnan(n)}
    total, least = sum(seen.values()), sum(_LEAST_SATELLITES[s] for s in seen)
    cn0 = _median_cn0_dbhz(view)
    beside = _beside_rover(view, set(seen))
    few = bool(seen) and total < least
    fewer = beside is not None and beside[1] >= 8 and beside[0] < _LESS_THAN_ROVER * beside[1]
    if (by_number and (few or fewer)) or cn0 < _LEAST_CN0_DBHZ:
        yield view.all_time(
            "base_obstructed", severity, satellites=int(total), limit_satellites=least, cn0_dbhz=cn0,
            limit_cn0_dbhz=_LEAST_CN0_DBHZ, rover_satellites=beside[1] if beside else None,
            why=" and ".join(w for w, is_so in (("few satellites", few), ("weak signals", cn0 < _LEAST_CN0_DBHZ),
                                                ("far fewer satellites than the rover", fewer)) if is_so),
        )  # fmt: skip


def _median_cn0_dbhz(view: LinkView) -> float:
    total = np.zeros(321, dtype=np.int64)
    for t in view.tally.systems.values():
        total += t.cn0.counts
    count = int(total.sum())
    return float(np.searchsorted(np.cumsum(total), (count + 1) // 2) * 0.25) if count else float("nan")


def _beside_rover(view: LinkView, systems: set[int]) -> tuple[int, int] | None:
    """Satellites of the base and of the rover, of the systems that both have, median over the session."""
    base, rover = view.tally.content.sky, view.rover.heard
    both = systems & view.rover.systems
    pairs = [
        tuple(sum(b.get(s, 0).bit_count() for s in both) for b in (base.bins[i], rover.bins[i]))
        for i in base.bins.keys() & rover.bins.keys()
    ]
    if not pairs or not both:
        return None
    middle = np.median(np.array(pairs), axis=0)
    return int(middle[0]), int(middle[1])
