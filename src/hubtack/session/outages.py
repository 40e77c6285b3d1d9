"""When a source was away, and why, as its reader said it: kept after it has come back. Bounded memory.

An outage lasts from the moment the source failed until its next byte: a connection that is open again and silent has
not come back. Its place on the session's axis is that of the newest datum before it, and how long it lasted is told by
the clock that never steps; both are the same however the bytes were cut.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from hubtack.readers.chunk import Notice, SourceState

MOST_KEPT = 200


@dataclass(slots=True)
class Outage:
    """One reason of one outage. ``after_ns``: newest datum on the axis before the outage, None before the first.

    ``from_ns`` and ``to_ns`` count from the outage's beginning; ``to_ns`` None: it lasts.
    """

    code: str
    why: str
    after_ns: int | None
    from_ns: int
    to_ns: int | None = None
    whole_ns: int | None = None  # of the whole outage, once it is over
    tries: int = 1


@dataclass(slots=True)
class Outages:
    """All outages of one source."""

    kept: list[Outage] = field(default_factory=list)
    _began_mono_ns: int = 0

    @property
    def lasts(self) -> bool:
        """Whether the source is away now."""
        return bool(self.kept) and self.kept[-1].to_ns is None

    def note(self, notice: Notice, reached_ns: int | None) -> None:
        """What the reader said; ``reached_ns`` is the source's newest datum on the axis."""
        if notice.code is None or notice.state not in (SourceState.FAILED, SourceState.REFUSED):
            return
        mono_ns = notice.t_mono_ns or 0
        if not self.lasts:
            self._began_mono_ns = mono_ns
            self._keep(Outage(notice.code, notice.message, reached_ns, 0))
            return
        last = self.kept[-1]
        if last.code == notice.code:
            last.tries += 1
            last.why = notice.message
            return
        last.to_ns = max(last.from_ns, mono_ns - self._began_mono_ns)
        self._keep(Outage(notice.code, notice.message, last.after_ns, last.to_ns))

    def bytes_came(self, mono_ns: int | None) -> None:
        """The source is back."""
        last = self.kept[-1]
        last.to_ns = max(last.from_ns, (mono_ns or 0) - self._began_mono_ns)
        for outage in reversed(self.kept):
            outage.whole_ns = last.to_ns
            if outage.from_ns == 0:
                break

    def _keep(self, outage: Outage) -> None:
        self.kept.append(outage)
        if len(self.kept) > MOST_KEPT:
            self._join_two()

    def _join_two(self) -> None:
        """The two oldest of one code become one, from the beginning of the first to the end of the second."""
        seen: dict[str, Outage] = {}
        for outage in self.kept[:-1]:
            first = seen.get(outage.code)
            if first is None or first.after_ns is None or outage.after_ns is None or outage.to_ns is None:
                seen[outage.code] = outage
                continue
            first.to_ns = max(0, outage.after_ns - first.after_ns) + outage.to_ns
            first.whole_ns, first.why, first.tries = first.to_ns, outage.why, first.tries + outage.tries
            self.kept.remove(outage)
            return

    def spans(self, first_ns: int | None, start_ns: int) -> Iterator[tuple[Outage, int, int | None]]:
        """Each outage with its beginning and end on the axis, the end None while it lasts.

        ``first_ns`` is the source's first datum, at which an outage before it ended; ``start_ns`` when listening began.
        """
        for outage in self.kept:
            if outage.after_ns is not None:
                zero_ns = outage.after_ns
            elif outage.whole_ns is not None and first_ns is not None:
                zero_ns = first_ns - outage.whole_ns
            else:
                zero_ns = start_ns
            yield outage, zero_ns + outage.from_ns, None if outage.to_ns is None else zero_ns + outage.to_ns
