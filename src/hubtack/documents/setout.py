"""``hubtack setout``'s answers as JSON (the contract's five figures, and what was asked beside them) and as text."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from hubtack.control import setout as so
from hubtack.documents.json_out import document
from hubtack.knowledge.pipe_slopes import SOURCE, PipeSlope
from hubtack.units import LengthUnit, small_text


@dataclass(frozen=True, slots=True)
class Answers:
    """Everything that was asked and worked out. ``design_grade`` is m per m, without a sign."""

    result: so.SetOut
    separation_m: float
    length_m: float
    sigma_m: float
    sigma_height_m: float
    tolerance_95_m: float | None = None
    line: so.Line | None = None
    offset: so.Offset | None = None
    design_distance_m: float | None = None
    design_grade: float | None = None
    least: PipeSlope | None = None

    def within_tolerance(self) -> bool | None:
        """Whether plan and height at the far end are both within the tolerance; None where none was given."""
        if self.tolerance_95_m is None:
            return None
        return max(self.result.far_end_error_95_m, self.result.far_end_height_95_m) <= self.tolerance_95_m

    def distance(self) -> tuple[float, float, bool] | None:
        """Measured less design distance, its limit, and whether it fits."""
        if self.line is None or self.design_distance_m is None:
            return None
        return so.distance_fits(self.line.distance_m, self.design_distance_m, self.sigma_m)

    def grade_fits(self) -> bool | None:
        """Whether the measured grade agrees with the design's within its uncertainty at 95 %."""
        if self.line is None or self.design_grade is None:
            return None
        return abs(abs(self.line.grade) - self.design_grade) <= self.line.grade_95

    def slope(self) -> so.SlopeAnswer | None:
        """Whether the fall is shown: of the measured line, else of the design's grade over the separation."""
        if self.line is not None and (self.design_grade is not None or self.least is not None):
            fall, error = abs(self.line.grade), self.line.grade_95
        elif self.design_grade is not None:
            fall, error = self.design_grade, self.result.grade_error_95
        else:
            return None
        return so.slope_answer(fall, error, self.least.slope_m_per_m if self.least else None)

    def says_no(self) -> bool:
        """True where something was asked about and does not hold."""
        distance = self.distance()
        return (
            self.within_tolerance() is False
            or (distance is not None and not distance[2])
            or self.grade_fits() is False
            or self.slope() not in (None, so.FALL_SHOWN)
        )


SLOPE_TEXTS = {
    so.FALL_SHOWN: "the fall is shown",
    so.ADVERSE_POSSIBLE: "an adverse grade cannot be ruled out",
    so.BELOW_MINIMUM_POSSIBLE: "it falls, and the least slope is not shown",
    so.FALL_TOO_FLAT: "it is flatter than the least slope",
}


def setout_document(answers: Answers) -> dict[str, Any]:
    """The document of kind ``setout``."""
    r, line, offset, distance = answers.result, answers.line, answers.offset, answers.distance()
    return document(
        "setout",
        {
            "bearing_sigma_deg": r.bearing_sigma_deg,
            "far_end_error_95_m": r.far_end_error_95_m,
            "far_end_height_95_m": r.far_end_height_95_m,
            "grade_error_95": r.grade_error_95,
            "separation_needed_m": r.separation_needed_m,
            "separation_m": answers.separation_m,
            "length_m": answers.length_m,
            "sigma_m": answers.sigma_m,
            "sigma_height_m": answers.sigma_height_m,
            "tolerance_95_m": answers.tolerance_95_m,
            "within_tolerance": answers.within_tolerance(),
            "line": None if line is None else {
                "distance_m": line.distance_m, "distance_95_m": line.distance_95_m,
                "bearing_deg": line.bearing_deg, "bearing_95_deg": line.bearing_95_deg,
                "rise_m": line.rise_m, "rise_95_m": line.rise_95_m,
                "grade_m_per_m": line.grade, "grade_95_m_per_m": line.grade_95,
                "grade_percent": line.grade * 100, "grade_95_percent": line.grade_95 * 100,
                "grade_deg": line.grade_deg, "grade_95_deg": line.grade_95_deg,
                "ratio_1_in": line.ratio_range()[0], "ratio_1_in_steepest": line.ratio_range()[1],
                "ratio_1_in_flattest": line.ratio_range()[2],
            },
            "offset": None if offset is None else {
                "station_m": offset.station_m, "right_m": offset.offset_m, "right_95_m": offset.offset_95_m,
                "above_m": offset.above_m, "above_95_m": offset.above_95_m,
            },
            "design_distance": None if distance is None else {
                "design_m": answers.design_distance_m, "difference_m": distance[0], "limit_95_m": distance[1],
                "fits": distance[2],
            },
            "slope": None if answers.slope() is None else {
                "answer": answers.slope(), "text": SLOPE_TEXTS[answers.slope() or so.FALL_SHOWN],
                "design_m_per_m": answers.design_grade, "agrees": answers.grade_fits(),
                "least_m_per_m": answers.least.slope_m_per_m if answers.least else None,
                "run_to_show_fall_m": _run_m(answers),
            },
        },
    )  # fmt: skip


def setout_text(answers: Answers, unit: LengthUnit) -> str:
    """The same for a person, in the chosen unit."""
    r = answers.result
    rows: list[tuple[str, str]] = []
    line, offset, distance = answers.line, answers.offset, answers.distance()
    if line is not None:
        steep, flat = line.ratio_range()[1:]
        rows += [
            ("distance", f"{unit.text(line.distance_m)} ± {small_text(line.distance_95_m, unit)}"),
            ("bearing", f"{line.bearing_deg:.4f}° ± {line.bearing_95_deg:.4f}°"),
            ("rise", f"{small_text(line.rise_m, unit, signed=True)} ± {small_text(line.rise_95_m, unit)}"),
            ("grade", f"{line.grade:+.2%} ± {line.grade_95:.2%}, {line.grade_deg:+.2f}° ± {line.grade_95_deg:.2f}°, "
                      f"{_ratio(line.ratio_range()[0])} ({_ratio(steep)} to {_ratio(flat)})"),
        ]  # fmt: skip
    if distance is not None:
        word = "fits the design" if distance[2] else "does NOT fit the design: wrong point, or a touch was off"
        rows.append(("against design", f"{small_text(distance[0], unit, signed=True)}, two touches explain "
                     f"{small_text(distance[1], unit)}: {word}"))  # fmt: skip
    if answers.grade_fits() is not None and answers.design_grade is not None:
        word = "agrees with" if answers.grade_fits() else "does NOT agree with"
        rows.append(("design grade", f"{answers.design_grade:.2%}: the measured one {word} it"))
    if offset is not None:
        side = "right" if offset.offset_m >= 0 else "left"
        rows.append(("third point", f"{unit.text(offset.station_m)} along, {unit.text(abs(offset.offset_m))} {side} "
                     f"± {small_text(offset.offset_95_m, unit)}, {small_text(offset.above_m, unit, signed=True)} above "
                     f"± {small_text(offset.above_95_m, unit)}"))  # fmt: skip
    rows += [
        ("touched", f"two points {unit.text(answers.separation_m)} apart, 1 sigma {small_text(answers.sigma_m, unit)} "
                    f"in plan and {small_text(answers.sigma_height_m, unit)} in height, each"),
        ("bearing sigma", f"{r.bearing_sigma_deg:.3f}°"),
        (f"far end at {unit.text(answers.length_m)}", f"off by {small_text(r.far_end_error_95_m, unit)} across and "
         f"{small_text(r.far_end_height_95_m, unit)} in height at 95 %"),
        ("grade", f"known to {r.grade_error_95:.2%} at 95 %"),
    ]  # fmt: skip
    if answers.tolerance_95_m is not None:
        held = "within" if answers.within_tolerance() else "NOT within"
        needed = (
            f"touch points {unit.text(r.separation_needed_m)} apart or more" if math.isfinite(r.separation_needed_m)
            else "two touches of this kind cannot reach it at any distance"
        )  # fmt: skip
        rows.append(("tolerance", f"{small_text(answers.tolerance_95_m, unit)}: {held}; {needed}"))
    slope = answers.slope()
    if slope is not None:
        least = f", least slope {answers.least.slope_m_per_m:.3%}" if answers.least else ""
        rows.append(("fall", f"{SLOPE_TEXTS[slope]} at 95 %{least}; a run of {unit.text(_run_m(answers))} would show "
                     "it to be falling at all"))  # fmt: skip
    width = max(len(name) for name, _ in rows)
    lines = [f"{name:<{width}}  {text}" for name, text in rows]
    lines.append("")
    lines.append("What both points share (base height, datum, tilt of the frame) is not in these figures. Check the "
                 "fall with a level or a laser before pipe is laid.")  # fmt: skip
    if answers.least:
        lines.append(f"Least slope: {SOURCE}.")
    return "\n".join(lines)


def _run_m(answers: Answers) -> float:
    slope = answers.design_grade
    if slope is None and answers.least is not None:
        slope = answers.least.slope_m_per_m
    return so.run_for_slope_m(slope or 0.0, answers.sigma_height_m)


def _ratio(n: float) -> str:
    return f"1:{n:.1f}" if math.isfinite(n) else "level"
