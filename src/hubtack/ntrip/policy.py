"""What is remembered from one connection to the next, and what the next one is to be. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace

from hubtack.ntrip.causes import CAUSES, Cause
from hubtack.ntrip.exchange import Failed, near_text
from hubtack.ntrip.login import Challenge
from hubtack.ntrip.sourcetable import SourceTable

SHORT_S = 30.0  # a stream that lives no longer than this was pushed off, or pushes another off
SHORT_IN_A_ROW = 3
REFUSED_IN_A_ROW = 3
LOST_PAUSE_S = 60.0
# Somebody must be there to turn us away: no name, no route and no answer are a lost network far more often.
# A refused connection is a caster that is started anew far more often than a ban: by the sixth, two minutes have gone.
_MAY_BE_A_BAN = {"closed_unanswered": REFUSED_IN_A_ROW, "login_forbidden": REFUSED_IN_A_ROW, "refused": 6}


@dataclass(frozen=True, slots=True)
class Verdict:
    """What has become of a connection, in one sentence for the user, and what to do next."""

    cause: Cause
    message: str
    retry: bool
    pause_s: float  # at least this long before the next try


class Memory:
    """One mount point's history in this run."""

    def __init__(self, label: str, mount: str) -> None:
        self.label = label
        self.mount = mount
        self.version = 2
        self.challenge: Challenge | None = None
        self.table: SourceTable | None = None
        self.worked = False
        self._short = 0
        self._refused = 0

    @property
    def needs_position(self) -> bool | None:
        """Whether the mount point needs the client's position; None where the table is unknown or silent on it."""
        record = self.table.find(self.mount) if self.table is not None else None
        if record is None:
            return None
        if record.needs_position is None:
            return True if record.network_solution else None
        return record.needs_position or bool(record.network_solution)

    def streamed(self) -> None:
        """Data came."""
        self.worked = True
        self._refused = 0

    def judge(self, failed: Failed, streamed_s: float | None) -> Verdict:
        """Judge the end of a connection that carried data for ``streamed_s`` (None: none at all)."""
        key, detail = failed.cause, failed.detail
        if streamed_s is not None and key in ("dropped", "bad_coding"):
            self._short = self._short + 1 if streamed_s < SHORT_S else 0
            if self._short >= SHORT_IN_A_ROW:
                key, detail = "second_machine", f"{self._short} times in a row, last after {streamed_s:.0f} s"
        if key == "mount_unknown" and self.table is not None and self.table.mounts:
            if self.table.find(self.mount) is not None:
                key, detail = "mount_silent", f"{self.mount} is in the table"
            else:
                detail = near_text(self.mount, self.table)
        cause = CAUSES[key]
        if self.worked and key in _MAY_BE_A_BAN:
            self._refused += 1
            if self._refused >= _MAY_BE_A_BAN[key]:
                cause = CAUSES["banned"]
        if self.worked and not cause.retry:
            # It worked in this very run, so the settings are right: try again, but slowly.
            cause = CAUSES["login_lost"] if key == "login_wrong" else replace(cause, retry=True, pause_s=LOST_PAUSE_S)
        return Verdict(cause, self._message(cause, detail), cause.retry, max(cause.pause_s, failed.retry_after_s))

    def _message(self, cause: Cause, detail: str) -> str:
        seen = f" ({detail})" if detail else ""
        return f"{self.label}: {cause.summary}{seen}; {cause.next_steps[0]}"
