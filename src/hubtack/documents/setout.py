"""``hubtack setout``'s answers as JSON: the contract's five figures, and what was asked beside them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from hubtack.control import setout as so
from hubtack.json_out import document
from hubtack.knowledge.pipe_slopes import PipeSlope


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
                "run_to_show_fall_m": run_to_show_fall_m(answers),
            },
        },
    )  # fmt: skip


def run_to_show_fall_m(answers: Answers) -> float:
    """Length of line at which the least or designed fall would show at all. [m]"""
    slope = answers.design_grade
    if slope is None and answers.least is not None:
        slope = answers.least.slope_m_per_m
    return so.run_for_slope_m(slope or 0.0, answers.sigma_height_m)
