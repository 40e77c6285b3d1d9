"""Sessions for what a site file says: the link's setup, and a session for a recording."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

from hubtack.engine.from_site import base_ecef_m, setup_of
from hubtack.engine.link import LinkSetup
from hubtack.session.session import Session
from hubtack.session.site_marks import marks_ecef_m
from hubtack.site import Site


def link_setup_of(site: Site, kind: str, *, has_arrival: bool, near: tuple[float, float] | None = None) -> LinkSetup:
    """What the link's engine must know of a site."""
    base = site.site.base
    return LinkSetup(
        base_ecef_m=base_ecef_m(site),
        base_station_id=base.station_id if base else None,
        base_tolerance_m=base.tolerance_m if base else 0.05,
        limits=dict(site.limits),
        source_kind=kind,
        has_arrival=has_arrival,
        heard_at=site.corrections.heard_at,
        near_deg=near,
        geoid_separation_m=site.site.geoid_separation_m,
        marks_ecef_m=partial(marks_ecef_m, site),
    )


def session_of_capture(site: Site, labels: Mapping[str, str]) -> Session:
    """A session for a capture's sources, by role as they were called; it judges as the live run did that was recorded."""
    kind = "mixed"
    if "corrections" in labels:
        # What is known of a caster is known of its recording: a base beside the rover is a network's.
        kind = "ntrip" if labels["corrections"].startswith(("ntrip://", "ntrip+tls://")) else "capture"
    session = Session(
        setup_of(site, has_arrival=True, has_corrections="corrections" in labels),
        link_setup_of(site, kind, has_arrival=True),
    )
    session.link_role = "corrections" if "corrections" in labels else "rover"
    session.rover.compare_ages = True
    for role in labels:
        session.expect(role)
    return session


def convergence_of(site: Site) -> float:
    """Grid north east of true north at the site's base or its grid's origin; NaN where the site has no grid. [deg]"""
    frame = site.site
    if frame.local is not None:
        return frame.local.rotation_deg
    if frame.crs is None or frame.base is None:
        return float("nan")
    from hubtack.geo.crs import convergence_and_scale, find_crs

    return convergence_and_scale(find_crs(frame.crs), frame.base.latitude_deg, frame.base.longitude_deg)[0]
