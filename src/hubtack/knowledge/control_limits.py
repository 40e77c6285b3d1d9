"""What a check on a known mark is judged by: limits, and how an occupation is taken. Each row with its source."""

from __future__ import annotations

from collections.abc import Mapping

from hubtack.knowledge.limits import Limit

_PRACTICE = "common practice, no source"

CONTROL_LIMITS: tuple[Limit, ...] = (
    Limit("horizontal_m", 0.030, "m", "residual in plan of an antenna or a pole on the mark",
          "survey trade 0.02 to 0.07 ft, guided machines 20 to 30 mm: " + _PRACTICE),
    Limit("vertical_m", 0.030, "m", "residual in height, earthwork classes", "30 mm for rough work: " + _PRACTICE),
    Limit("vertical_fine_m", 0.020, "m", "residual in height, fine classes", "15 to 20 mm for fine work: " + _PRACTICE),
    Limit("outlier_sigmas", 4.0, "robust sigmas", "an epoch farther than this from the median in any axis is left out",
          "1 in 16,000 normal epochs an axis (textbook); the rule itself is ours"),
    Limit("outlier_floor_m", 0.003, "m", "a robust sigma is not taken below this: quiet receivers repeat millimetres", _PRACTICE),
    Limit("outlier_share_warn", 0.10, "", "more outliers than this are reported", _PRACTICE),
    Limit("least_epochs", 10.0, "epochs", "fewer fixed epochs are no occupation",
          "10 to 180 epochs for a check: " + _PRACTICE),
    Limit("standing_radius_m", 0.15, "m", "fixed epochs that stay within this belong to one occupation", _PRACTICE),
    Limit("standing_gap_s", 60.0, "s", "a longer pause begins another occupation", _PRACTICE),
    Limit("correlation_time_s", 900.0, "s", "correlation time of multipath and atmosphere",
          "20 to 45 minutes to decorrelate (Odolinski, Swedish User Guidelines for Network RTK): e^-3 at 45 minutes"),
    Limit("again_after_s", 1200.0, "s", "sooner, a second occupation sees the same satellites", "same guidelines, 20 minutes"),
    Limit("live_least_s", 60.0, "s", "a live occupation takes at least this",
          "1 to 2 minutes remove most extreme outliers (Janssen, Haasdyk, McElroy 2012, seen second-hand)"),
    Limit("live_most_s", 300.0, "s", "a live occupation ends after this by itself", _PRACTICE),
    Limit("stable_m", 0.005, "m", "a live occupation ends when 1 sigma of its mean is below this (twice it in height)", _PRACTICE),
    Limit("listen_s", 900.0, "s", "a live check that has not come to an end by then will not", _PRACTICE),
    Limit("give_up_s", 20.0, "s", "a source that fails for so long before any position ends the check", _PRACTICE),
    Limit("no_fix_s", 10.0, "s", "so long without a fixed epoch, a live occupation waits for a fix", _PRACTICE),
    Limit("repeat_within_m", 0.5, "m", "another stretch this near to the first is the same mark, occupied again", _PRACTICE),
    Limit("repeat_after_s", 300.0, "s", "a pause shorter than this is no second occupation", _PRACTICE),
    Limit("fixed_share_warn", 0.9, "", "a smaller share of fixed epochs on the mark is reported", _PRACTICE),
    Limit("still_m", 0.001, "m", "scatter below this is rounding, and tells nothing of a creep", _PRACTICE),
    Limit("least_independent", 3.0, "epochs", "fewer independent epochs: the position crept all along", _PRACTICE),
    Limit("mistake_m", 20.0, "m", "a residual beyond this is a mix-up, not a datum", _PRACTICE),
    Limit("mix_up_near_m", 100.0, "m", "a mix-up is named where it puts the mark this near to the rover",
          "what is left is datum, foot definition and antenna height: " + _PRACTICE),
    Limit("height_mistake_m", 1.0, "m", "a height beyond this is held against the usual mix-ups of heights", _PRACTICE),
    Limit("datum_accuracy_m", 0.010, "m", "a step to the mark's datum known less well than this judges no plan", _PRACTICE),
    Limit("base_moved_m", 0.05, "m", "a base whose broadcast position is farther off has moved (default of site.base.tolerance_m)", _PRACTICE),
    Limit("base_same_m", 0.002, "m", "what a base repeats within this is the same set-up", "1005 carries 0.1 mm: " + _PRACTICE),
    Limit("base_elsewhere_m", 100.0, "m", "farther than this it is another base or site", _PRACTICE),
    Limit("best_apart_h", 4.0, "h", "two visits are best this far apart", "Penn State GEOG 862; NGS guidelines RT1, RT2"),
    Limit("drift_least_days", 1.0, "days", "within a day it is the satellites that come and go, not the mark", _PRACTICE),
    Limit("mark_sigma_m", 0.010, "m", "1 sigma of a mark per axis where nobody says (default of site.control.sigma_m)", _PRACTICE),
    Limit("fit_floor_plan_m", 0.005, "m", "what measured and known marks differ by in plan with none of them wrong, 1 sigma per axis", _PRACTICE),
    Limit("fit_floor_height_m", 0.008, "m", "the same in height", _PRACTICE),
    Limit("fit_investigate_m", 0.030, "m", "a residual of a site transformation to look into", _PRACTICE),
    Limit("fit_scale_ppm", 50.0, "ppm", "a fitted scale farther than this from that of the ground is said", _PRACTICE),
    Limit("fit_tilt_mm_per_km", 20.0, "mm/km", "slopes of a geoid up to this are normal", _PRACTICE),
)  # fmt: skip

CONTROL_BY_KEY: Mapping[str, float] = {row.key: row.value for row in CONTROL_LIMITS}

FINE_CLASSES = frozenset({"bulk_subgrade", "pipe_grade", "finish_grade"})
"""Job classes whose check in height takes the finer limit."""
