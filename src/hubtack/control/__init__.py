"""Agreement with the ground: control marks, datum, site transformation, set-out."""

from hubtack.control.latest import LatestCheck, all_checks, latest_check

__all__ = ["LatestCheck", "all_checks", "latest_check"]
