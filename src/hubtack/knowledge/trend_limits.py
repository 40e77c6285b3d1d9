"""From when on a base's signals have sunk over days. All rows: common practice, no source.

Between days of one base the median signal strength of a session differs by a decibel or so, since other satellites stand
over it; 4 dB are more than twice the power, and a receiver's fix begins to suffer at about 6.
"""

from __future__ import annotations

from collections.abc import Mapping

from hubtack.knowledge.limits import Limit

_PRACTICE = "common practice, no source"

TREND_LIMITS: tuple[Limit, ...] = (
    Limit("least_days", 6.0, "days", "fewer days with this base say nothing of a trend", "the rank test at 1 % needs six"),
    Limit("least_epochs", 300.0, "epochs", "a shorter session does not speak for its day", _PRACTICE),
    Limit("fell_db", 4.0, "dB", "what the mean of all systems has fallen by, first day to last", _PRACTICE),
    Limit("z", 2.33, "", "the fall is steadier than chance would have it in 1 of 100", "normal distribution, one-sided"),
)
TREND: Mapping[str, float] = {row.key: row.value for row in TREND_LIMITS}
