"""What a check on a known mark says beside its figures: notes, reasons without an answer, what to do. By key.

In braces is what the check puts in; ``n`` and ``of`` are epochs. The rules that choose a sentence are in ``control``,
their limits in ``knowledge.control_limits``. Advice is common practice, no source, where no other source is named there.
"""

from __future__ import annotations

from collections.abc import Mapping

CONTROL_NOTES: Mapping[str, str] = {
    "off_grid": "the mark's coordinates are outside the area of its coordinate system",
    "outliers": "{n} of {of} fixed epochs are outliers: multipath, or the pole moved",
    "seldom_fixed": "only {n} of {of} epochs on the mark were RTK fixed",
    "short": "{duration_s:.0f} s on the mark: one to three minutes are better",
    "crept": "the position crept all along: the scatter says little about the mean",
    "no_baseline": "the distance to the base is not known (no 1005/1006 seen, no site.base): what the distance adds is "
    "missing in the uncertainty",
    "no_height": "no ellipsoidal height: the receiver gives no geoid separation in GGA, so the height cannot be compared",
    "frozen": "the position is the same to the last digit in every epoch: frozen, or written too coarsely; switch on "
    "high-precision output, and restart the receiver if it stays so",
    "old_datum": "{crs} is on an old datum, {step_m:.0f} m from the rover's; PROJ's step between them has {good} without "
    "the national grid files: the plan cannot be judged to centimetres",
    "no_geoid": "{mark}'s height is above the geoid and the site file has no site.geoid: the height is not compared",
}
"""Notes beside an answer."""

NO_ANSWER: Mapping[str, str] = {
    "no_rows": "no rover epochs here: is it a rover log, and does it cover the time asked for?",
    "no_fix": '{n} RTK fixed epochs of {of} ({least} are needed); the receiver says mostly "{word}": wait for a fix, and '
    "look at the corrections with hubtack link",
    "never_stood": "the antenna never stood: no {least} fixed epochs in a row within {radius_m:g} m; hold the pole or the "
    "bucket still on the mark",
}
"""Why there is no answer at all."""

NO_PASS: Mapping[str, str] = {
    "noise": "larger than noise explains and not beyond the limit: occupy again after 20 to 45 minutes",
    "no height to compare": "the height cannot be compared",
    "no position": "no position to compare",
    "frozen": "the position does not move at all, which no receiver's does",
    "": "the step to the mark's datum is not known well enough",
}
"""Why a check that did not fail did not pass, by ``Judgement.why``."""

FAR: Mapping[str, str] = {
    "off_grid": "the rover is outside the area of the mark's coordinate system: another zone or another system?",
    "rover": "the rover stands {distance_m:,.0f} m from {mark}: another mark, another zone or coordinate system, or other "
    "units",
    "shown": "the screen shows a place {distance_m:,.0f} m from {mark}: another mark, another grid, or other units",
}
"""A mark that is farther off than any datum, where no mix-up could be named."""

ENDED: Mapping[str, str] = {
    "longest": "the longest time of an occupation was over",
    "stable": "the mean was stable",
    "by_hand": "it was ended by hand",
    "time_given": "the time given was over",
    "log": "the log ended",
}
"""Why an occupation came to its end."""

BASE_BETWEEN_DAYS: Mapping[str, str] = {
    "same": "the same",
    "close": "within the tolerance, and not the same: was it set up again?",
    "moved": "moved: designs placed before are off by the same; check on control before digging to grade",
    "elsewhere": "another place: another base, or another site",
}
"""One day's base against another's or the site file's."""

TWO_VISITS: Mapping[str, str] = {
    "too_soon": "the same satellites stood over both: occupy again after 20 to 45 minutes",
    "sooner_than_best": "independent; 4 hours apart is best",
    "independent": "independent",
}
"""How much a second visit to a mark can say."""
