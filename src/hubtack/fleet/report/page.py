"""Accounts in, one HTML file out. Everything from outside is escaped by the template and cleaned by ``safe_text``.

The page carries a policy that forbids scripts and any network access, so that a name that slipped through could still do
nothing. It is made of what the accounts say and nothing else: the clock's time is an argument.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from hubtack.errors import UsageError
from hubtack.fleet.account import SessionAccount
from hubtack.fleet.causes import rank_causes
from hubtack.fleet.common_cause import common_cause
from hubtack.fleet.compare import compare
from hubtack.fleet.totals import column, cost_per_h, machine_of, number, overlapping, span_ns, totals
from hubtack.logs.discover import SkippedFile
from hubtack.safe import safe_text

if TYPE_CHECKING:
    from jinja2 import Template

# The columns of minutes that the page uses; the rest is dropped at once, so that a large fleet fits in memory.
_KEPT = (
    "minute_ns", "no_data_s", "grade_s", "rough_s", "hold_s", "none_s", "autonomous_s", "differential_s", "rtk_float_s",
    "rtk_fixed_s", "other_s", "age_median_s", "age_max_s", "baseline_median_m", "vertical_95_median_m", "latitude_deg",
    "longitude_deg", "working_s", "lost_working_s",
)  # fmt: skip


def report_html(
    accounts: Iterable[SessionAccount],
    skipped: Sequence[SkippedFile] = (),
    *,
    zone: str = "UTC",
    title: str = "Positioning of the fleet",
    made_utc: str | None = None,
    before: Iterable[SessionAccount] | None = None,
    notices: Sequence[str] = (),
) -> str:
    """The fleet report as the text of an HTML file.

    Parameters
    ----------
    accounts : iterable of SessionAccount
        The sessions of the period; gone through once.
    skipped : sequence of SkippedFile
        Files that are in no session, with the reason.
    zone : str
        IANA time zone of days and times; UTC stands beside it.
    title : str
        Heading of the page.
    made_utc : str, optional
        When the page was made, ISO 8601; left out of the page where it is None.
    before : iterable of SessionAccount, optional
        The period to compare with.
    notices : sequence of str
        Sentences about the whole audit, shown with the cautions.

    Raises
    ------
    UsageError
        If the zone is unknown, or Jinja2 is not installed.
    """
    template = _template()  # first: without it nothing below is worth the time
    return template.render(
        _clean(_context([_slim(a) for a in accounts], skipped, zone, title, made_utc, before, notices))
    )


@cache
def _template() -> Template:
    try:
        from jinja2 import Environment, PackageLoader, StrictUndefined
    except ImportError as err:
        raise UsageError("a report needs Jinja2: install the extra with pip install 'hubtack[fleet]'") from err
    env = Environment(
        loader=PackageLoader("hubtack.fleet", "report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return env.get_template("report.html.j2")


def _clean(value: Any) -> Any:
    """The context with all text in it free of control and direction characters; our own markup and numbers as they are.

    Done before the template sees it: a filter such as ``join`` makes markup of what it escapes, which nothing cleans later.
    """
    if type(value) is str:
        return safe_text(value, 1000)
    if isinstance(value, dict):
        return {key: _clean(item) for key, item in value.items()}
    return type(value)(_clean(item) for item in value) if type(value) in (list, tuple, set) else value


def _slim(account: SessionAccount) -> SessionAccount:
    n = len(account.minutes.get("minute_ns", ()))
    minutes: dict[str, Any] = {}
    for name in _KEPT:
        values = column(account, name)
        if name == "minute_ns":
            minutes[name] = np.array([int(v) for v in values], dtype=np.int64)
        else:
            minutes[name] = np.array([v if isinstance(v, int | float) else np.nan for v in values], dtype=np.float64)
        if len(minutes[name]) != n:
            raise ValueError(f"account {account.key}: column {name} has {len(minutes[name])} of {n} minutes")
    document = {k: v for k, v in account.document.items() if k not in ("link", "sentences")}
    return replace(account, document=document, minutes=minutes)


def _context(
    given: list[SessionAccount],
    skipped: Sequence[SkippedFile],
    zone: str,
    title: str,
    made_utc: str | None,
    before: Iterable[SessionAccount] | None,
    notices: Sequence[str],
) -> dict[str, Any]:
    from hubtack.fleet.report import provenance, sections, words
    from hubtack.fleet.report.bases import base_rows
    from hubtack.fleet.report.definitions import BY_KEY, DEFINITIONS

    clock = words.clock(zone)
    accounts = common_cause(given)
    total = totals(accounts)
    causes = rank_causes(accounts)
    machines = sections.machine_rows(accounts)
    spans = [span for a in accounts if (span := span_ns(a))]
    earlier = None if before is None else [_slim(a) for a in before]
    workable = sections.workable_section(accounts)
    return {
        "title": title,
        "zone": clock.name,
        "made": made_utc,
        "from": clock.both(min(s for s, _ in spans)) if spans else None,
        "to": clock.both(max(e for _, e in spans)) if spans else None,
        "total": sections.figures(total),
        "t": total,
        "lost_words": words.long_span(total.lost_s),
        "working_words": words.long_span(total.working_s),
        "recorded_words": words.long_span(total.recorded_s),
        "unpriced_words": words.long_span(total.unpriced_lost_s) if total.unpriced_lost_s > 0 else None,
        "has_cost": total.cost is not None,
        "machines": machines,
        "causes": sections.cause_rows(causes),
        "unpriced_machines": sorted(
            {machine_of(a) for a in accounts if cost_per_h(a) is None and number(a.document.get("epochs"))}
        ),
        "common": sections.common_section(accounts, clock),
        "sites": sections.site_sections(accounts),
        "comparison": sections.compare_section(None if earlier is None else compare(accounts, earlier)),
        "bases": [
            {
                "id": row.id,
                "when": row.when(clock),
                "latitude": words.fixed(row.place[0], 8),
                "longitude": words.fixed(row.place[1], 8),
                "height": words.fixed(row.place[2], 3),
                "first": row.is_first,
                "east": words.mm(row.east_m, signed=True),
                "north": words.mm(row.north_m, signed=True),
                "up": words.mm(row.up_m, signed=True),
                "moved": words.metres(row.moved_m),
                "has_moved": row.has_moved,
                "machines": sorted(row.machines),
            }
            for row in base_rows(accounts)
        ],
        "base_findings": sections.base_findings(accounts, clock),
        "shown": provenance.shown_rows(accounts),
        "workable": workable,
        "days": sections.day_sections(accounts, [m["name"] for m in machines], clock),
        "rulesets": provenance.rulesets(accounts),
        "not_covered": provenance.not_covered(accounts),
        "files": provenance.files(accounts),
        "skipped": [{"path": str(s.path), "offset": s.offset, "reason": s.reason} for s in skipped],
        "notices": list(notices) or [_overlap_words(*pair) for pair in overlapping(accounts)],
        "definitions": DEFINITIONS,
        "names": {key: row.name for key, row in BY_KEY.items()},
    }


def _overlap_words(machine: str, one: SessionAccount, other: SessionAccount) -> str:
    return (
        f"{machine}: the sessions {one.document.get('name')} and {other.document.get('name')} overlap in time: two machines "
        "of one name, or one logged twice. Their hours are counted twice until that is cleared up."
    )
