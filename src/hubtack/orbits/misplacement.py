"""Whether the broadcast position of a base agrees with the one from its own pseudoranges, and by how much not.

Plan and height are tested apart, each at one in 100 000 and never below a floor: a broadcast position may be given
in a national datum that lies up to 2 m from that of the satellites, which is no mistake. What the test would miss is
stated as the detection limit: the offset found in four cases of five.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hubtack.geo import ecef_offset_to_enu, ecef_to_geodetic
from hubtack.geo.compass import compass_word
from hubtack.knowledge.messages import SYSTEMS
from hubtack.orbits.mistakes import Candidate, likeliest_mistakes
from hubtack.orbits.static import StaticPosition

Floats = NDArray[np.float64]

# Chance of a false claim 1e-5, and of finding an offset at the limit 80 %. scipy reproduces all four (tests).
PLAN_CRITICAL, UP_CRITICAL = 23.026, 4.417  # chi squared of 2 degrees of freedom; normal, two-sided
PLAN_LIMIT_SIGMAS, UP_LIMIT_SIGMAS = 5.543, 5.259
# National datums against ITRF: NAD 83 about 1.5 m, GDA94 about 1.9 m, ETRS89 about 0.9 m (public geodetic agencies,
# from memory); the floor leaves room for them. Half again in height, where the troposphere is least well known.
PLAN_FLOOR_M, UP_FLOOR_M = 3.0, 4.5


@dataclass(frozen=True)
class BasePositionResult:
    """Broadcast against measured position of a base.

    ``offset_enu_m`` is broadcast less measured: how far the broadcast position lies from where the base really is.
    ``misplaced`` is the claim; ``plan_limit_m`` and ``up_limit_m`` are the smallest offsets that can be claimed.
    """

    broadcast_ecef_m: Floats
    measured: StaticPosition
    offset_enu_m: Floats
    sigma_enu_m: Floats
    plan_m: float
    bearing_deg: float
    misplaced_plan: bool
    misplaced_up: bool
    plan_limit_m: float
    up_limit_m: float
    computed_base: bool
    mistakes: tuple[Candidate, ...]

    @property
    def misplaced(self) -> bool:
        """Whether the broadcast position is claimed to be wrong."""
        return self.misplaced_plan or self.misplaced_up

    def summary(self) -> str:
        """One or two plain sentences: the claim or its absence, the figures, the limit."""
        east, north, up = (float(v) for v in self.sigma_enu_m)
        basis = (
            f"{self.measured.epochs} epochs over {self.measured.span_s:.0f} s, "
            + " + ".join(SYSTEMS.get(s, str(s)) for s in self.measured.systems)
            + (", two frequencies" if self.measured.two_frequency else ", ionosphere partly by model")
        )
        sigma = f"1 sigma {np.hypot(east, north):.1f} m plan, {up:.1f} m up; {basis}"
        if not self.misplaced:
            return (
                f"The broadcast base position agrees with the base's own pseudoranges ({self.plan_m:.1f} m plan, "
                f"{self.offset_enu_m[2]:+.1f} m up; {sigma}). Errors below {self.plan_limit_m:.0f} m plan and "
                f"{self.up_limit_m:.0f} m up would not be seen."
            ) + (
                " A network computed these observations for that very position: its survey is not checked by this."
                if self.computed_base
                else ""
            )
        parts = []
        if self.misplaced_plan:
            parts.append(f"{_length(self.plan_m)} {compass_word(self.bearing_deg)} of")
        if self.misplaced_up:
            side = "above" if self.offset_enu_m[2] > 0 else "below"
            parts.append(f"{_length(abs(float(self.offset_enu_m[2])))} {side}")
        likely = f" Likeliest cause: {self.mistakes[0].text}." if self.mistakes else ""
        return f"The broadcast base position lies {' and '.join(parts)} where the base really is ({sigma}).{likely}"

    def next_steps(self) -> list[str]:
        """What to check, first thing first; empty where nothing is claimed."""
        if not self.misplaced:
            return []
        steps = [candidate.check[0].upper() + candidate.check[1:] + "." for candidate in self.mistakes[:3]]
        return [*steps, "Stop grade work on this base until its position is confirmed on a second known mark."]

    def evidence(self) -> dict[str, object]:
        """Figures for a finding: plain numbers and text, units in the keys."""
        return {
            "offset_east_m": round(float(self.offset_enu_m[0]), 2),
            "offset_north_m": round(float(self.offset_enu_m[1]), 2),
            "offset_up_m": round(float(self.offset_enu_m[2]), 2),
            "offset_plan_m": round(self.plan_m, 2),
            "bearing_deg": round(self.bearing_deg, 1),
            "sigma_east_m": round(float(self.sigma_enu_m[0]), 2),
            "sigma_north_m": round(float(self.sigma_enu_m[1]), 2),
            "sigma_up_m": round(float(self.sigma_enu_m[2]), 2),
            "limit_plan_m": round(self.plan_limit_m, 1),
            "limit_up_m": round(self.up_limit_m, 1),
            "epochs": self.measured.epochs,
            "span_s": round(self.measured.span_s, 1),
            "satellites": self.measured.satellites,
            "systems": [SYSTEMS.get(s, str(s)) for s in self.measured.systems],
            "two_frequency": self.measured.two_frequency,
            "computed_base": self.computed_base,
            "mistakes": [candidate.text for candidate in self.mistakes[:5]],
        }


def is_misplaced(broadcast_ecef_m: Floats, measured: StaticPosition) -> bool:
    """The test of ``compare`` alone, without a search for the mistake."""
    lat, lon, _ = ecef_to_geodetic(measured.pos_ecef_m[None])
    offset = ecef_offset_to_enu((broadcast_ecef_m - measured.pos_ecef_m)[None], lat, lon)[0]
    return any(_tests(offset, measured.covariance_enu_m2))


def _tests(offset: Floats, covariance: Floats) -> tuple[bool, bool]:
    """Whether plan (chi squared of 2 degrees of freedom) and height (sigmas) differ."""
    plan_score = float(offset[:2] @ np.linalg.solve(covariance[:2, :2], offset[:2]))
    up_score = float(abs(offset[2]) / np.sqrt(covariance[2, 2]))
    plan = plan_score > PLAN_CRITICAL and float(np.hypot(offset[0], offset[1])) > PLAN_FLOOR_M
    return plan, up_score > UP_CRITICAL and abs(float(offset[2])) > UP_FLOOR_M


def compare(
    broadcast_ecef_m: Floats,
    measured: StaticPosition,
    *,
    computed_base: bool = False,
    geoid_separation_m: float | None = None,
    marks_ecef_m: Mapping[str, Floats] | None = None,
) -> BasePositionResult:
    """Test the broadcast position of a base against the measured one, and name the mistake that fits.

    Parameters
    ----------
    broadcast_ecef_m : (3,) float
        ARP of 1005 or 1006. [m]
    measured : StaticPosition
    computed_base : bool
        A network made the observations for that very position: agreement then says nothing of the network's survey.
    geoid_separation_m : float, optional
        Geoid above ellipsoid at the site.
    marks_ecef_m : mapping, optional
        Known marks by name, (3,) each. [m]
    """
    lat, lon, _ = ecef_to_geodetic(measured.pos_ecef_m[None])
    offset = ecef_offset_to_enu((broadcast_ecef_m - measured.pos_ecef_m)[None], lat, lon)[0]
    covariance = measured.covariance_enu_m2
    plan_m = float(np.hypot(offset[0], offset[1]))
    sigma_plan = float(np.sqrt(np.linalg.eigvalsh(covariance[:2, :2])[-1]))
    sigma_up = float(np.sqrt(covariance[2, 2]))
    misplaced_plan, misplaced_up = _tests(offset, covariance)
    candidates: list[Candidate] = []
    if misplaced_plan or misplaced_up:
        candidates = likeliest_mistakes(
            broadcast_ecef_m, measured.pos_ecef_m, covariance,
            geoid_separation_m=geoid_separation_m, marks_ecef_m=marks_ecef_m,
        )  # fmt: skip
    return BasePositionResult(
        broadcast_ecef_m=broadcast_ecef_m,
        measured=measured,
        offset_enu_m=offset,
        sigma_enu_m=measured.sigma_enu_m,
        plan_m=plan_m,
        bearing_deg=float(np.degrees(np.arctan2(offset[0], offset[1])) % 360.0),
        misplaced_plan=misplaced_plan,
        misplaced_up=misplaced_up,
        plan_limit_m=max(PLAN_FLOOR_M, PLAN_LIMIT_SIGMAS * sigma_plan),
        up_limit_m=max(UP_FLOOR_M, UP_LIMIT_SIGMAS * sigma_up),
        computed_base=computed_base,
        mistakes=tuple(candidates),
    )


def _length(length_m: float) -> str:
    """Metres to a decimal below 100 m, whole metres, then kilometres."""
    if length_m < 100.0:
        return f"{length_m:.1f} m"
    return f"{length_m:.0f} m" if length_m < 10_000.0 else f"{length_m / 1000.0:.0f} km"
