"""What was done against what was said first, as a table: for boards whose sessions are not those of the simulator alone."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Row:
    """One session: what was done, what was said first, whether that is it, and how to have it again."""

    cause: str
    said: str
    right: bool
    again: str


def confusion_table(rows: Sequence[Row], more: Sequence[str] = ()) -> str:
    """A row for each cause, what was said first where it is another, ``more`` lines, and every wrong session."""
    groups: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        groups[row.cause].append(row)
    lines = [f"{'cause':<32} {'scored':>6} {'right':>6}  first finding where it is another"]
    for cause in sorted(groups, key=lambda c: (sum(r.right for r in groups[c]) / len(groups[c]), c)):
        group = groups[cause]
        wrong = Counter(r.said for r in group if not r.right)
        said = ", ".join(f"{name} {n}" for name, n in wrong.most_common())
        lines.append(f"{cause:<32} {len(group):>6} {sum(r.right for r in group):>6}  {said}")
    right = sum(r.right for r in rows)
    lines.append(f"right first: {right} of {len(rows)} ({100 * right / max(1, len(rows)):.1f} %)")
    lines += more
    lines += [f"  {r.cause} -> {r.said}: {r.again}" for r in rows if not r.right]
    return "\n".join(lines)
