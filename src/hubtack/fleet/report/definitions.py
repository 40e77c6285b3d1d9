"""Every figure of the report with its definition: the page prints them, and ``docs/report.md`` repeats them word by word."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Definition:
    """One figure: its key in the page, its name there, what it is."""

    key: str
    name: str
    text: str


DEFINITIONS: tuple[Definition, ...] = (
    Definition(
        "verdict",
        "GRADE, ROUGH, HOLD",
        "What the positioning was good for. GRADE: cut to grade within the stated tolerance. ROUGH: dig, keeping a "
        "clearance. HOLD: do not rely on the position. Absent, stale or contradictory data is HOLD.",
    ),
    Definition(
        "session",
        "session",
        "The logs of one machine without a gap of more than the set length (30 minutes unless chosen otherwise).",
    ),
    Definition(
        "recorded", "recorded", "Time from the first rover epoch of a session to its last, summed over sessions."
    ),
    Definition(
        "no_data",
        "no data",
        "Silence within a session that lasts beyond the limit for a silent rover. It counts as HOLD. It is not the same as "
        "no log: between sessions nothing was recorded, so nothing is known and nothing is counted.",
    ),
    Definition(
        "share",
        "share of GRADE, ROUGH, HOLD",
        "Time in the verdict over recorded time. Shares of several sessions are sums over sums, not means of shares.",
    ),
    Definition(
        "fixed",
        "RTK fixed",
        "Time with a fixed carrier-phase solution (GGA quality 4) over the time that epochs speak for. An epoch speaks for "
        "the time to the next one, at most three median intervals.",
    ),
    Definition(
        "working",
        "working time",
        "Time in which the machine had moved or slewed within the last 5 minutes and was slower than 15 km/h. Parked "
        "and transported time is no working time.",
    ),
    Definition("lost", "lost working time", "Working time in HOLD. Its share is taken of working time."),
    Definition(
        "cause",
        "cause",
        "Each second of lost working time is charged to one finding: the first-ranked root finding in force in that minute, "
        "else the one that ended last within the two minutes before (a receiver needs time to fix anew). Notes "
        "are never charged. Where no finding was in force the time is unexplained. In a session without a date, findings "
        "are charged in order of rank with the HOLD time each of them owns.",
    ),
    Definition(
        "fix_loss",
        "loss of the fix",
        "The solution left RTK fixed for another type, or the rover fell silent beyond the limit. Its place is the last "
        "fixed position.",
    ),
    Definition(
        "age",
        "correction age",
        "Age of the corrections that the rover's solution used, as the rover states it, or worked out from the correction "
        "stream where it states none. Strips show the median of each minute and its largest value.",
    ),
    Definition(
        "baseline",
        "baseline",
        "Distance from the base's reference point to the rover's antenna; median of each minute.",
    ),
    Definition(
        "vertical_95",
        "vertical error at the edge, 95 %",
        "Budget of the height error at the cutting edge that is not exceeded in 95 of 100 cases: position, "
        "correction age, heading, tilt, linkage and tooth wear, control. It does not see bucket, teeth, sensors or design.",
    ),
    Definition(
        "workable",
        "workable for each class of job",
        "Share of recorded time in which the position would have served the class: sound, fixed and fresh, and the error "
        "at the edge within the tolerance of the class, vertical and horizontal, whatever class was set. The vertical "
        "tolerance stands beside its name. Sessions are weighted by their recorded time.",
    ),
    Definition(
        "common",
        "common cause",
        "Losses of the fix and findings on corrections or fix that start within 10 s of one on another machine. All or "
        "most machines on record at once point to base, channel or network; one alone to that machine or its place. Chance "
        "alone also makes such pairs: the number to expect is given beside the number seen.",
    ),
    Definition(
        "place",
        "place",
        "Metres east and north of the site's origin, on a plane that touches the ellipsoid there. The origin is the first "
        "base heard, or the middle of the machines where no base position is known. Places are squares of 25 m.",
    ),
    Definition(
        "base_step",
        "base moved by",
        "Change of the broadcast base coordinates against the earliest ones of that base in this report: east, "
        "north and up at the base. Two sets that agree to 1 mm are one. Over 20 mm is marked.",
    ),
    Definition(
        "as_shown",
        "as shown",
        "Time in each verdict as the screen in the cab showed it then, from its verdict log. Recomputed: the same logs "
        "judged again by this software with the limits named under provenance.",
    ),
    Definition(
        "cost",
        "cost",
        "Lost working time times the machine's cost per hour in its site file. Machines without one are left out and said so.",
    ),
    Definition(
        "period",
        "period before",
        "The sessions given as the earlier period. Only rates are compared, since no two periods are of one length. A row "
        "with less than an hour of work in either period is marked as too little to compare.",
    ),
)
BY_KEY = {row.key: row for row in DEFINITIONS}
