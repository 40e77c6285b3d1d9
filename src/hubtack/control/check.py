"""One control check from rows to answer: the occupation, its mean, the residual, the judgement, and what explains it.

Pure: rows, frame and mark in, a plain value out. What the check cannot tell is None or NaN with a sentence beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from hubtack.control.datum_candidates import (
    Candidate,
    Candidates,
    foot_candidates,
    frame_candidates,
    height_candidates,
)
from hubtack.control.datum_fit import FitAnswer, fit_datum
from hubtack.control.frame import Frame, Mark
from hubtack.control.judge import Judgement, Limits, judge
from hubtack.control.mean import Mean, inliers, occupation_mean
from hubtack.control.mistakes import height_mistake, likely_mistake, other_mark
from hubtack.control.occupation import OccupationRows, Stretch, choose_stretch, standing_stretches
from hubtack.control.stream_crs import DatumMessage, stream_candidates
from hubtack.decode.tables import unpack_text
from hubtack.engine.setup import Setup
from hubtack.geo.crs import convergence_and_scale
from hubtack.geo.local_grid import plane_lat_lon_deg
from hubtack.knowledge.control_limits import CONTROL_BY_KEY
from hubtack.knowledge.control_words import CONTROL_NOTES, FAR, NO_ANSWER
from hubtack.knowledge.fix_types import FIX_TYPES, OTHER, QUALITY_TO_FIX

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What is known beside the rows: limits, receiver, antenna heights [m], geoid height [m] and decimal year or None."""

    limits: Limits
    setup: Setup = field(default_factory=Setup)
    base_computed: bool = False
    antenna_height_m: float = 0.0
    base_antenna_height_m: float = 0.0
    site_geoid_m: float | None = None
    epoch: float | None = None
    most_s: float | None = None  # only so much of the occupation
    stream: tuple[DatumMessage, ...] = ()  # what the stream says of its coordinate system
    others: tuple[Mark, ...] = ()  # the site's marks, in the frame of the one that is judged

    def stated_sigma_m(self, baseline_m: float) -> Floats:
        """1 sigma (3,) of one fixed position as the receiver's maker states it: a constant and ppm of the baseline."""
        km = 0.0 if np.isnan(baseline_m) else baseline_m * 1e-6
        s = self.setup
        ppm = (s.computed_ppm, s.computed_ppm) if self.base_computed else (s.horizontal_ppm, s.vertical_ppm)
        plan = s.horizontal_m + ppm[0] * km
        return np.array([plan, plan, s.vertical_m + ppm[1] * km])


@dataclass(frozen=True, slots=True)
class Occupied:
    """One stretch on the mark: its rows, mean position and mean heights of the mark (antenna height taken off). [m, deg]"""

    start_ns: int
    end_ns: int
    mean: Mean
    latitude_deg: float
    longitude_deg: float
    h_ellipsoid_m: float
    pdop: float
    satellites: float
    sigma_m: Floats  # (3,) 1 sigma of the mean
    separation_m: float
    baseline_m: float
    edge_95_m: tuple[float, float]  # error at the cutting edge, vertical and horizontal
    station_id: int | None = None  # the base, as the rover names it


@dataclass(slots=True)
class Check:
    """The answer to one control check."""

    epochs: int = 0
    occupied: Occupied | None = None
    residual_m: Floats = field(default_factory=lambda: np.full(3, np.nan))
    sigma_m: Floats = field(default_factory=lambda: np.full(3, np.nan))  # 1 sigma of what the residual is of
    judgement: Judgement | None = None
    mistake: str | None = None
    datum: FitAnswer | None = None
    repeats: list[tuple[Occupied, Floats]] = field(default_factory=list)
    stretches: int = 0
    notes: list[str] = field(default_factory=list)
    why_not: str | None = None  # why there is no answer at all

    @property
    def passed(self) -> bool | None:
        """True, False, or None for "cannot tell"."""
        return self.judgement.passed if self.judgement is not None else None


def check_mark(rows: OccupationRows, frame: Frame | None, mark: Mark | None, about: Circumstances) -> Check:
    """Compare an occupation with a known mark; without mark or frame it is measured only.

    Parameters
    ----------
    rows : OccupationRows
        All epochs of the stretch asked for, fixed or not.
    """
    check = Check(epochs=len(rows))
    place = frame.place(mark) if frame is not None and mark is not None else None
    if mark is not None and place is not None and np.isnan(place[0]):
        place = None
        check.notes.append(CONTROL_NOTES["off_grid"])
    fixed = rows.fixed()
    least = int(CONTROL_BY_KEY["least_epochs"])
    if len(fixed) < least:
        check.why_not = _no_fix(rows, len(fixed), least)
        return check
    stretches = standing_stretches(fixed, place, least=least)
    check.stretches = len(stretches)
    chosen = choose_stretch(stretches)
    if chosen is None:
        check.why_not = NO_ANSWER["never_stood"].format(least=least, radius_m=CONTROL_BY_KEY["standing_radius_m"])
        return check
    check.occupied = occupied = _occupied(fixed, chosen, about)
    in_stretch = (rows.time_ns >= occupied.start_ns) & (rows.time_ns <= occupied.end_ns)
    check.epochs = int(in_stretch.sum())
    _note_occupation(check, rows.take(in_stretch), len(fixed.take(slice(chosen.start, chosen.end))))
    if frame is None or mark is None:
        return check
    check.residual_m, check.sigma_m = _residual(frame, mark, occupied), occupied.sigma_m
    horizontal = float(np.hypot(check.residual_m[0], check.residual_m[1]))
    if not horizontal < CONTROL_BY_KEY["mistake_m"]:
        check.mistake = likely_mistake(frame, mark, occupied.latitude_deg, occupied.longitude_deg)
        if check.mistake is None:
            check.mistake = _far(horizontal, mark)
    check.judgement = judge(check.residual_m, occupied.sigma_m, mark.sigma_m, about.limits)
    if not check.passed:
        on = other_mark(frame, mark, about.others, occupied.latitude_deg, occupied.longitude_deg, about.limits)
        check.mistake = on or check.mistake
    _doubt_frozen(check, occupied)
    _note_datum_step(check, frame, occupied)
    _note_height(check, frame, mark, occupied)
    within_m = CONTROL_BY_KEY["repeat_within_m"]
    for stretch in stretches:
        again = _occupied(fixed, stretch, about)
        apart_ns = max(again.start_ns - occupied.end_ns, occupied.start_ns - again.end_ns)
        if stretch is chosen or apart_ns < CONTROL_BY_KEY["repeat_after_s"] * 1e9:
            continue
        if abs(stretch.distance_m - chosen.distance_m) < within_m and horizontal < CONTROL_BY_KEY["mistake_m"]:
            other = _residual(frame, mark, again)
            if float(np.hypot(*(other - check.residual_m)[:2])) < within_m:
                check.repeats.append((again, other))
    if check.mistake is None and not check.passed:  # what passes is explained by noise
        check.datum = explain(check.residual_m, occupied, frame, mark, about)
    return check


def explain(residual_m: Floats, occupied: Occupied, frame: Frame, mark: Mark, about: Circumstances) -> FitAnswer:
    """Try the residual of an occupation against all that PROJ can compute here (see ``datum_fit``)."""
    return explain_at(
        residual_m,
        np.hypot(occupied.sigma_m, mark.sigma_m),
        frame,
        mark,
        about,
        place=(occupied.latitude_deg, occupied.longitude_deg, occupied.h_ellipsoid_m),
        separation_m=occupied.separation_m,
    )


def explain_at(
    residual_m: Floats,
    sigma_m: Floats,
    frame: Frame,
    mark: Mark,
    about: Circumstances,
    *,
    place: tuple[float, float, float],
    separation_m: float,
) -> FitAnswer:
    """The same at a place: latitude, longitude [deg], ellipsoidal height [m], and the receiver's geoid separation. [m]"""
    lat_deg, lon_deg, h_m = place
    candidates: list[Candidate] = []
    not_tried: list[str] = []

    def take(some: Candidates) -> None:
        candidates.extend(some.tried)
        not_tried.extend(some.not_tried)

    convergence = 0.0
    if frame.local is not None:
        convergence = frame.local.rotation_deg
    elif frame.crs is not None:
        convergence = convergence_and_scale(frame.crs, lat_deg, lon_deg)[0]
    if frame.local is not None and bool(np.any(residual_m)):
        not_tried.append("frames: a site's own grid takes any step between frames up when it is fitted")
    elif about.epoch is None:
        not_tried.append("frames: the log has no date (give --date YYYY-MM-DD)")
    else:
        h = 0.0 if np.isnan(h_m) else h_m
        take(frame_candidates(lat_deg, lon_deg, h, about.epoch, convergence_deg=convergence))
    if frame.local is None:
        h = 0.0 if np.isnan(h_m) else h_m
        take(stream_candidates(list(about.stream), lat_deg, lon_deg, h, about.epoch, convergence_deg=convergence))
    take(
        height_candidates(
            lat_deg,
            lon_deg,
            receiver_separation_m=separation_m,
            site_separation_m=about.site_geoid_m,
            antenna_height_m=about.antenna_height_m,
            base_antenna_height_m=about.base_antenna_height_m,
        )
    )
    if not frame.is_geographic:
        take(foot_candidates(mark.easting, mark.northing, mark.height_m))
    return fit_datum(residual_m, sigma_m, candidates, not_tried)


def _occupied(fixed: OccupationRows, stretch: Stretch, about: Circumstances) -> Occupied:
    rows = fixed.take(slice(stretch.start, stretch.end))
    if about.most_s is not None:
        rows = rows.take(rows.time_ns <= rows.time_ns[0] + int(about.most_s * 1e9))
    enu = rows.enu_m(stretch.latitude_deg, stretch.longitude_deg)
    baseline_m = _median(rows.baseline_used_m)
    stated = about.stated_sigma_m(baseline_m)
    said = np.array([_median(c) for c in (rows.sigma_east_m, rows.sigma_north_m, rows.sigma_up_m)])
    stated = np.fmax(stated, said)
    # What the receiver rounds away stays, however long the occupation (JCGM 100:2008, 4.3.7).
    steps = np.array([_step_m(rows.minute_decimals, 1852.0)] * 2 + [_step_m(rows.height_decimals, 1.0)])
    mean = occupation_mean(enu, rows.time_ns, stated)
    used = rows.take(inliers(enu))
    lat, lon = plane_lat_lon_deg(stretch.latitude_deg, stretch.longitude_deg, mean.enu_m[0], mean.enu_m[1])
    return Occupied(
        start_ns=int(rows.time_ns[0]),
        end_ns=int(rows.time_ns[-1]),
        mean=mean,
        latitude_deg=float(lat),
        longitude_deg=float(lon),
        h_ellipsoid_m=float(mean.enu_m[2]) - about.antenna_height_m,
        pdop=_median(used.pdop),
        satellites=_median(used.satellites),
        sigma_m=np.hypot(mean.sigma_m, steps),
        separation_m=_median(used.geoid_separation_m),
        baseline_m=baseline_m,
        edge_95_m=(_median(used.edge_vertical_95_m), _median(used.edge_horizontal_95_m)),
        station_id=_station(used.station_id),
    )


def _residual(frame: Frame, mark: Mark, occupied: Occupied) -> Floats:
    return frame.residual_m(mark, occupied.latitude_deg, occupied.longitude_deg, occupied.h_ellipsoid_m)


def _median(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


def _station(packed: Floats) -> int | None:
    """The station ID that most rows name; None where none does, or by another sign than a number above 0."""
    known = packed[np.isfinite(packed)]
    if not len(known):
        return None
    values, counts = np.unique(known, return_counts=True)
    text = unpack_text(float(values[counts.argmax()])).strip()
    return int(text) if text.isdigit() and int(text) > 0 else None


def _step_m(decimals: Floats, unit_m: float) -> float:
    digits = _median(decimals)
    return 0.0 if np.isnan(digits) else float(unit_m * 10.0**-digits / np.sqrt(12.0))


def _no_fix(rows: OccupationRows, fixed: int, least: int) -> str:
    if not len(rows):
        return NO_ANSWER["no_rows"]
    values, counts = np.unique(rows.quality[np.isfinite(rows.quality)], return_counts=True)
    most = int(values[counts.argmax()]) if len(values) else 0
    fix = QUALITY_TO_FIX[most] if 0 <= most < len(QUALITY_TO_FIX) else OTHER
    word = f"quality {most}" if fix == OTHER else FIX_TYPES[fix].words
    return NO_ANSWER["no_fix"].format(n=fixed or "no", of=len(rows), least=least, word=word)


def _far(horizontal_m: float, mark: Mark) -> str:
    if not np.isfinite(horizontal_m):
        return FAR["off_grid"]
    return FAR["rover"].format(distance_m=horizontal_m, mark=mark.name)


def _note_occupation(check: Check, rows: OccupationRows, fixed: int) -> None:
    assert check.occupied is not None
    mean = check.occupied.mean
    if mean.outliers > CONTROL_BY_KEY["outlier_share_warn"] * mean.epochs:
        check.notes.append(CONTROL_NOTES["outliers"].format(n=mean.outliers, of=mean.epochs))
    if fixed < CONTROL_BY_KEY["fixed_share_warn"] * len(rows):
        check.notes.append(CONTROL_NOTES["seldom_fixed"].format(n=fixed, of=len(rows)))
    if mean.duration_s < CONTROL_BY_KEY["live_least_s"]:
        check.notes.append(CONTROL_NOTES["short"].format(duration_s=mean.duration_s))
    n_eff = mean.n_effective[np.isfinite(mean.n_effective)]
    moves = float(np.nanmax(mean.scatter_m, initial=0.0)) > CONTROL_BY_KEY["still_m"]
    if moves and len(n_eff) and float(n_eff.min()) < CONTROL_BY_KEY["least_independent"]:
        check.notes.append(CONTROL_NOTES["crept"])
    if np.isnan(check.occupied.baseline_m):
        check.notes.append(CONTROL_NOTES["no_baseline"])
    if np.isnan(check.occupied.h_ellipsoid_m):
        check.notes.append(CONTROL_NOTES["no_height"])


def _doubt_frozen(check: Check, occupied: Occupied) -> None:
    """A receiver that repeats one position to the last digit agrees with a mark it once stood on, for ever."""
    scatter = occupied.mean.scatter_m
    if check.judgement is None or not (scatter[:2] == 0.0).all():
        return
    check.notes.append(CONTROL_NOTES["frozen"])
    if check.judgement.passed:
        check.judgement = replace(check.judgement, passed=None, why="frozen")


def _note_datum_step(check: Check, frame: Frame, occupied: Occupied) -> None:
    step, accuracy = frame.step(occupied.latitude_deg, occupied.longitude_deg)
    if step == 0.0 or check.judgement is None or frame.crs is None:
        return
    good = "an unstated accuracy" if np.isnan(accuracy) else f"an accuracy of {accuracy:g} m"
    check.notes.append(CONTROL_NOTES["old_datum"].format(crs=frame.crs.name, step_m=step, good=good))
    if not accuracy <= CONTROL_BY_KEY["datum_accuracy_m"]:
        # A residual of such a step says nothing for or against the machine.
        failed_height = "height" in check.judgement.why
        check.judgement = replace(
            check.judgement, passed=False if failed_height and check.judgement.passed is False else None
        )


def _note_height(check: Check, frame: Frame, mark: Mark, occupied: Occupied) -> None:
    up = float(check.residual_m[2])
    if np.isnan(up) and np.isfinite(occupied.h_ellipsoid_m):
        check.notes.append(CONTROL_NOTES["no_geoid"].format(mark=mark.name))
    elif abs(up) > CONTROL_BY_KEY["height_mistake_m"] and check.mistake is None:
        measured = mark.height_m + up
        mistake = height_mistake(mark.height_m, measured)
        if mistake is not None:
            check.notes.append(mistake)
