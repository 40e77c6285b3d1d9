"""``hubtack setout``'s answers for a person."""

from __future__ import annotations

import math

from hubtack.documents.setout import SLOPE_TEXTS, Answers, run_to_show_fall_m
from hubtack.knowledge.pipe_slopes import SOURCE
from hubtack.units import LengthUnit, small_text
from hubtack.views.paragraphs import paragraph

CAUTION = (
    "What both points share (base height, datum, tilt of the frame) is not in these figures. Check the fall with a level "
    "or a laser before pipe is laid."
)


def setout_text(answers: Answers, unit: LengthUnit, width: int) -> str:
    """The answers in lines of at most ``width`` characters, in the chosen unit."""
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
        rows.append(("fall", f"{SLOPE_TEXTS[slope]} at 95 %{least}; a run of {unit.text(run_to_show_fall_m(answers))} would show "
                     "it to be falling at all"))  # fmt: skip
    label = max(len(name) for name, _ in rows) + 2
    lines = [line for name, said in rows for line in paragraph(said, width, f"{name:<{label}}")]
    lines += ["", *paragraph(CAUTION, width)]
    if answers.least:
        lines += paragraph(f"Least slope: {SOURCE}.", width)
    return "\n".join(lines)


def _ratio(n: float) -> str:
    return f"1:{n:.1f}" if math.isfinite(n) else "level"
