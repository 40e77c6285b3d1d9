"""What a base's own observations say of where it is: joined with what its identity and the site file say.

``session.base_watch`` measures; this only decides. A network's computed base is exempt from moves, since its
observations jump when it is seated anew, and two bases under one ID are not one that moved.
"""

from __future__ import annotations

from dataclasses import replace

from hubtack.diagnosis.base_seen import BaseMove, BaseSeen
from hubtack.diagnosis.episode import Episode
from hubtack.diagnosis.link_view import LinkView
from hubtack.engine.link import COMPUTED, distance_m
from hubtack.geo.compass import compass_word_towards
from hubtack.knowledge.leap_seconds import BEIDOU_BEHIND_GPS_S, CURRENT_LEAP_S, GLONASS_AHEAD_OF_UTC_S

SITE_BASIS = "the site file"
OWN_BASIS = "its own pseudoranges"


def with_own_evidence(view: LinkView, found: list[Episode]) -> list[Episode]:
    """The episodes of base identity ``found``, with what the base's own observations add to them."""
    seen = view.base
    out = [_with_figures(e, seen) if e.code == "base_misplaced" else e for e in found]
    named = any(e.code in ("base_misplaced", "wrong_base") for e in found)
    if seen.misplaced and not named:
        out.append(_misplaced(view, seen))
    if view.engine.base_kind != COMPUTED:
        out.extend(_disturbed(view, move) for move in seen.moves)
    return out


def leap_episode(view: LinkView) -> list[Episode]:
    """``base_clock`` where the base's own epochs show that it does not know the leap seconds."""
    if view.glonass_off_s is None:
        return []
    off_s = view.glonass_off_s
    likely = {
        CURRENT_LEAP_S: "the leap seconds are left out or counted twice",
        BEIDOU_BEHIND_GPS_S: "BeiDou's offset is taken for the leap seconds",
        GLONASS_AHEAD_OF_UTC_S: "Moscow's three hours are left out or counted twice",
    }.get(abs(off_s), "its leap seconds are out of date")
    basis = "GLONASS epochs beside those of GPS"
    return [view.all_time("base_clock", "warn", offset_s=float(off_s), basis=basis, likely=likely)]


def _held_ns(view: LinkView, start_ns: int) -> int:
    return max(0, view.now_ns - start_ns) if view.rover.has_rover else 0


def _with_figures(episode: Episode, seen: BaseSeen) -> Episode:
    """The site file has the better figures; the pseudoranges say which mistake it was, and of whom."""
    if seen.misplaced is None:
        return episode
    own = {"says": seen.says, "checks": list(seen.checks), **seen.figures}
    likely = f"; likeliest: {seen.likely}" if seen.misplaced and seen.likely else ""
    return replace(episode, evidence={**episode.evidence, "likely": likely, "pseudoranges": own})


def _site_agrees(view: LinkView) -> bool:
    """Whether the site file names the very position that is broadcast: then the site works with it, right or wrong."""
    arp, site = view.engine.arp_ecef_m, view.setup.base_ecef_m
    return arp is not None and site is not None and distance_m(arp, site) <= view.setup.base_tolerance_m


def _misplaced(view: LinkView, seen: BaseSeen) -> Episode:
    east, north, up = seen.offset_enu_m
    plan_m = (east * east + north * north) ** 0.5
    direction = ("up" if up > 0 else "down") if plan_m < abs(up) else compass_word_towards(east, north)
    arps = [a for s in view.tally.stations.values() for a in s.arps]
    start_ns = max((a[0] for a in arps), default=view.start_ns)  # the position that is broadcast now
    known = _site_agrees(view)
    return Episode(
        "base_misplaced",
        start_ns,
        None,
        "" if view.tally.last_id is None else str(view.tally.last_id),
        0 if known else _held_ns(view, start_ns),
        "warn" if known else "stop",
        {
            "site_agrees": known,
            "off_m": (plan_m * plan_m + up * up) ** 0.5,
            "direction": direction,
            "where": {"up": "too high", "down": "too low"}.get(direction, f"to the {direction}"),
            "east_m": east,
            "north_m": north,
            "up_m": up,
            "basis": OWN_BASIS,
            "likely": f"; likeliest: {seen.likely}" if seen.likely else "",
            "id": view.tally.last_id,
            "says": seen.says,
            "checks": list(seen.checks),
            **seen.figures,
        },
    )


def _disturbed(view: LinkView, move: BaseMove) -> Episode:
    east, north, up = move.offset_enu_m
    plan_m = (east * east + north * north) ** 0.5
    return Episode(
        "base_disturbed",
        move.start_ns,
        None,
        "" if view.tally.last_id is None else str(view.tally.last_id),
        _held_ns(view, move.start_ns),
        "stop",
        {
            "moved_m": (plan_m * plan_m + up * up) ** 0.5,
            "plan_m": plan_m,
            "east_m": east,
            "north_m": north,
            "up_m": up,
            "direction": ("up" if up > 0 else "down") if plan_m < abs(up) else compass_word_towards(east, north),
            "sigma_plan_m": (move.sigma_enu_m[0] ** 2 + move.sigma_enu_m[1] ** 2) ** 0.5,
            "sigma_up_m": move.sigma_enu_m[2],
            "satellites": move.satellites,
            "within_s": (move.end_ns - move.start_ns) / 1e9,
            "id": view.tally.last_id,
            "limits": view.base.moves_says,
        },
    )
