"""What one session adds up to, as it travels: from a worker to the client, into the ledger, into the report.

Plain values only (dictionaries, lists, numbers, text), so that an account can be pickled, kept as JSON and made from
rows of a ledger again. Its size is bounded by the session's length in minutes; no epoch is in it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

# Columns of ``SessionAccount.minutes``, one entry a minute of machine time that holds at least one epoch.
MINUTE_COLUMNS: tuple[str, ...] = (
    "minute_ns",
    "minute_utc",
    "covered_s",
    "no_data_s",
    "grade_s",
    "rough_s",
    "hold_s",
    "none_s",
    "autonomous_s",
    "differential_s",
    "rtk_float_s",
    "rtk_fixed_s",
    "other_s",
    "epochs",
    "age_median_s",
    "age_max_s",
    "baseline_median_m",
    "vertical_95_median_m",
    "horizontal_95_median_m",
    "latitude_deg",
    "longitude_deg",
    "height_m",
    "satellites_median",
    "working_s",
    "lost_working_s",
)


@dataclass(frozen=True, slots=True)
class SessionAccount:
    """One session of one machine, added up.

    Attributes
    ----------
    key : str
        Stable over reruns: a hash over the content hashes of the session's files and its start.
    document : dict
        The session as the JSON contract's ``audit`` document has it, findings and link included.
    minutes : dict of str to list
        Columns named in ``MINUTE_COLUMNS``, all of one length, in the order of time. ``minute_ns`` is UTC
        nanoseconds since 1970, or nanoseconds on the session's axis where no date is known; ``minute_utc`` is its ISO
        text or None. ``covered_s`` is time that epochs speak for, ``no_data_s`` silence past the limit (which is
        HOLD); the two sum to the verdict seconds. Unknown is None.
    losses : list of dict
        One for each loss of the fixed solution: ``start_utc``, ``end_utc`` (None: not regained), ``start_ns``,
        ``latitude_deg``, ``longitude_deg`` (last fixed place), ``from_fix``, ``to_fix`` (``no_data`` for silence),
        ``working`` (bool), ``cause`` (finding code or None).
    bases : list of dict
        Reference stations heard: ``id``, ``latitude_deg``, ``longitude_deg``, ``height_m``, ``arp_ecef_m``,
        ``first_utc``, ``last_utc``.
    provenance : dict
        ``software``, ``site_file``, ``site_sha256``, ``limits`` (all in force, by key), ``files`` (``path``, ``bytes``,
        ``sha256``), ``not_covered`` (sentences), ``as_shown`` (None, or ``grade_s``, ``rough_s``, ``hold_s`` ...).
    """

    key: str
    document: dict[str, Any]
    minutes: dict[str, list[Any]] = field(default_factory=lambda: {name: [] for name in MINUTE_COLUMNS})
    losses: list[dict[str, Any]] = field(default_factory=list)
    bases: list[dict[str, Any]] = field(default_factory=list)
    provenance: dict[str, Any] = field(default_factory=dict)
