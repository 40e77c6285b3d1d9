"""One connection to a caster, from the request to its end. Sans-I/O: bytes and the time go in, steps come out.

      request sent                head complete                 ENDSOURCETABLE, close or limit
    HEAD ---------> HEAD --+--> STREAM --> DONE           TABLE ------------------------------> DONE
                           +--> TABLE (asked for, or in place of an unknown mount point)
                           +--> DONE (401, 404, a web page, ...)

Time is ``now_ns`` of any monotonic clock. Limits (common practice, no source): 15 s for an answer, 5 s of silence
before a position is sent unasked, 10 s between positions, 30 s without a first byte, 45 s without a further one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from hubtack.ntrip.answer import AnswerHead, BadAnswer, BodyDecoder, Head, is_packed, looks_like_page, what_came
from hubtack.ntrip.gga import gga_line
from hubtack.ntrip.login import Challenge, basic, digest, parse_challenges, usable_digest
from hubtack.ntrip.request import build_request, target
from hubtack.ntrip.sourcetable import SourceTable, parse_table
from hubtack.secret import Secret

ANSWER_S = 15.0
ASK_TABLE_S = 5.0
POSITION_AFTER_S = 5.0
POSITION_EVERY_S = 10.0
NO_POSITION_S = 15.0
FIRST_DATA_S = 30.0
SILENT_S = 45.0
TABLE_S = 30.0
WHOLE_TABLE_S = 120.0
MAX_TABLE = 16 << 20
SNIFF = 16
SendPosition = Literal["auto", "always", "never"]
Place = tuple[float, float, float]  # latitude, longitude [deg], height [m]


@dataclass(frozen=True, slots=True)
class Opened:
    """The caster has accepted; ``version`` is the one it answered in (0: data without any answer)."""

    version: int


@dataclass(frozen=True, slots=True)
class Data:
    """Bytes of the stream, all codings removed."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Send:
    """Bytes that the shell must write to the caster."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Table:
    """The source table came."""

    table: SourceTable


@dataclass(frozen=True, slots=True)
class WantTable:
    """The stream is silent; whether the mount point needs a position stands in the table: the shell may fetch it."""


@dataclass(frozen=True, slots=True)
class Failed:
    """The connection is over. ``cause`` is a key of ``causes.CAUSES``, ``detail`` what was seen."""

    cause: str
    detail: str = ""
    retry_after_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Again:
    """Connect again at once, in version ``version`` and with the answer to ``challenge``."""

    version: int
    challenge: Challenge | None = None


Step = Opened | Data | Send | Table | WantTable | Failed | Again


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked of the caster; ``mount`` "" is the source table."""

    host: str
    port: int
    mount: str = ""
    user: str = ""
    password: Secret | None = None
    send_position: SendPosition = "auto"
    tls: bool = False


class Exchange:
    """The protocol of one connection; after ``Failed`` or ``Again`` it is over (``done``)."""

    def __init__(
        self,
        wanted: Wanted,
        *,
        version: int = 2,
        challenge: Challenge | None = None,
        cnonce: str = "",
        needs_position: bool | None = None,
    ) -> None:
        self._wanted = wanted
        self._version = version
        self._challenge = challenge
        self._cnonce = cnonce
        self.needs_position = needs_position  # None: the table has not been seen
        self._head = AnswerHead()
        self._state = "head"
        self._body = BodyDecoder(announced=False)
        self._table = bytearray()
        self._sniff: bytearray | None = bytearray()  # the first bytes, until they tell what the body is
        self._start_ns = self._opened_ns = self._last_ns = 0
        self._sent_ns: int | None = None
        self._asked_table = False
        self.data_bytes = 0
        self.first_data_ns = 0

    @property
    def done(self) -> bool:
        """Nothing more will come of this connection."""
        return self._state == "done"

    # In ------------------------------------------------------------------------------------------------------------

    def start(self, now_ns: int, utc_ns: int, place: Place | None) -> bytes:
        """The request."""
        self._start_ns = self._last_ns = now_ns
        wanted = self._wanted
        authorization = None
        if self._challenge is not None and wanted.password is not None:
            uri = target(wanted.mount)
            authorization = digest(self._challenge, wanted.user, wanted.password, "GET", uri, self._cnonce)
        elif wanted.user and wanted.password is not None:
            authorization = basic(wanted.user, wanted.password)
        gga = None
        if self._version == 2 and wanted.mount and place is not None and self._wants_position_now():
            gga = gga_line(*place, utc_ns)
            self._sent_ns = now_ns
        return build_request(
            wanted.mount,
            version=self._version,
            host=wanted.host,
            port=wanted.port,
            authorization=authorization,
            gga=gga,
        )

    def receive(self, data: bytes, now_ns: int) -> list[Step]:
        """Take bytes from the caster."""
        if self.done or not data:
            return []
        self._last_ns = now_ns
        if self._state != "head":
            return self._take_body(data, now_ns)
        try:
            found = self._head.feed(data)
        except BadAnswer as err:
            return self._bad_answer(str(err))
        return [] if found is None else self._take_head(*found, now_ns)

    def eof(self, now_ns: int) -> list[Step]:
        """The caster closed the connection."""
        if self.done:
            return []
        if self._state == "table":
            return self._end_table()
        if self._state == "stream":
            rest = self._body.feed(b"", end=True)
            steps: list[Step] = self._stream_bytes(rest, now_ns, ending=True) if rest or self._sniff else []
            if self.done:
                return steps
            if not self.data_bytes:
                closed = f"closed after {(now_ns - self._opened_ns) * 1e-9:.0f} s without a byte"
                if self._sent_ns is None and self.needs_position is not False:
                    return [*steps, self._fail("needs_position", closed)]
                return [*steps, self._fail("no_data", f"{closed}; {self._why_no_position()}")]
            return [*steps, self._fail("dropped", "closed by the caster")]
        if self._head.waiting:
            return self._bad_answer(what_came(self._head.waiting))
        if self._version == 2:
            return self._over([Again(1)])  # some 1.0 casters hang up on a request they do not know
        return [self._fail("closed_unanswered")]

    def tick(self, now_ns: int, utc_ns: int, place: Place | None) -> list[Step]:
        """Time passes; to be called several times a second."""
        quiet_s = (now_ns - self._last_ns) * 1e-9
        if self.done:
            return []
        if self._state == "head":
            return self._tick_head(now_ns, quiet_s)
        if self._state == "table":
            too_long = (now_ns - self._start_ns) * 1e-9 > WHOLE_TABLE_S
            return self._end_table() if quiet_s > TABLE_S or too_long else []
        steps = self._send_position(now_ns, utc_ns, place)
        if self.data_bytes:
            return (
                [*steps, self._fail("dropped_silent", f"no byte for {quiet_s:.0f} s")] if quiet_s > SILENT_S else steps
            )
        waited_s = (now_ns - self._opened_ns) * 1e-9
        if waited_s > ASK_TABLE_S and self.needs_position is None and not self._asked_table:
            self._asked_table = True
            steps.append(WantTable())
        if self._sent_ns is None and waited_s > NO_POSITION_S and self.needs_position is not False:
            steps.append(
                self._fail("needs_position", f"open for {waited_s:.0f} s without a byte, and no position was sent")
            )
        elif waited_s > FIRST_DATA_S:
            steps.append(self._fail("no_data", f"open for {waited_s:.0f} s without a byte; {self._why_no_position()}"))
        return steps

    def _why_no_position(self) -> str:
        return "a position was sent" if self._sent_ns is not None else "the table says that it needs no position"

    # Head ----------------------------------------------------------------------------------------------------------

    def _tick_head(self, now_ns: int, quiet_s: float) -> list[Step]:
        waiting = self._head.waiting
        if waiting.upper().startswith(b"ICY 200") and quiet_s > 1.0:
            # A greeting that looks like the beginning of a header line and never ends: data, then.
            return self._open(1, waiting.partition(b"\n")[2], now_ns, icy=True)
        if (now_ns - self._start_ns) * 1e-9 > ANSWER_S:
            detail = f"only {waiting[:40]!r} came" if waiting else f"no byte within {ANSWER_S:.0f} s"
            return [self._fail("no_answer", detail)]
        return []

    def _bad_answer(self, what: str) -> list[Step]:
        cause = "web_page" if "web page" in what else "tls_wanted" if "speaks TLS" in what else "not_a_caster"
        return [self._fail(cause, what)]

    def _take_head(self, head: Head, rest: bytes, now_ns: int) -> list[Step]:
        kind = head.get("content-type").lower()
        if head.word == "ERROR":
            wrong = "password" in head.reason.lower() or "auth" in head.reason.lower()
            return [self._fail(self._login_cause() if wrong else "mount_unknown", head.reason)]
        if head.word == "SOURCETABLE" and head.status == 200:
            return self._open_table(head, rest, now_ns)
        if head.status == 200:
            if "sourcetable" in kind:
                return self._open_table(head, rest, now_ns)
            if "html" in kind:
                return [self._fail("web_page", f"content type {kind}")]
            if not self._wanted.mount and head.word.startswith("HTTP"):
                return self._open_table(head, rest, now_ns)
            version = 0 if not head.word else 1 if head.word == "ICY" or not head.get("ntrip-version") else 2
            chunked = "chunked" in head.get("transfer-encoding").lower()
            return self._open(version, rest, now_ns, chunked=chunked, icy=head.word == "ICY", packed=is_packed(head))
        return self._refusal(head)

    def _refusal(self, head: Head) -> list[Step]:
        status, detail = head.status, f"{head.status} {head.reason}".strip()
        if status == 401:
            return self._unauthorized(head, detail)
        if status == 403:
            return [self._fail("login_forbidden", detail)]
        if status in (404, 410):
            return [self._fail("mount_unknown", detail)]
        if status in (400, 405, 426, 501, 505) and self._version == 2:
            return self._over([Again(1)])
        if status == 409:
            return [self._fail("conflict", detail)]
        if status in (429, 503):
            after = head.get("retry-after")
            wait_s = min(float(after), 3600.0) if after.isascii() and after.isdigit() else 0.0
            return [self._fail("too_many" if status == 429 else "busy", detail, wait_s)]
        if 300 <= status < 400:
            return [self._fail("redirect", f"{detail}, to {head.get('location') or 'nowhere'}")]
        if status == 407 or status == 511:
            return [self._fail("proxy" if status == 407 else "web_page", detail)]
        return [self._fail("server_fault" if status >= 500 else "not_a_caster", detail)]

    def _unauthorized(self, head: Head, detail: str) -> list[Step]:
        challenges = parse_challenges(head.headers.get("www-authenticate", []))
        offered = usable_digest(challenges)
        stale = (
            self._challenge is not None and offered is not None and offered.params.get("stale", "").lower() == "true"
        )
        if offered is not None and self._wanted.password is not None and (self._challenge is None or stale):
            return self._over([Again(self._version, offered)])
        schemes = {challenge.scheme for challenge in challenges}
        if schemes and not schemes & {"basic", "digest"}:
            return [self._fail("login_scheme", f"{detail}; it offers {', '.join(sorted(schemes))}")]
        return [self._fail(self._login_cause(), detail)]

    def _login_cause(self) -> str:
        if not self._wanted.user:
            return "login_missing"
        return "login_wrong" if self._wanted.password is not None else "password_missing"

    # Body ----------------------------------------------------------------------------------------------------------

    def _open(
        self, version: int, rest: bytes, now_ns: int, *, chunked: bool = False, icy: bool = False, packed: bool = False
    ) -> list[Step]:
        self._state = "stream"
        self._opened_ns = self._last_ns = now_ns
        if version < 2:
            self._sent_ns = None  # a 1.0 caster does not read the position in the request: send it as a line
        self._body = BodyDecoder(announced=chunked, drop_blank=icy, packed=packed)
        return [Opened(version), *(self._take_body(rest, now_ns) if rest else [])]

    def _open_table(self, head: Head, rest: bytes, now_ns: int) -> list[Step]:
        self._state = "table"
        chunked = "chunked" in head.get("transfer-encoding").lower()
        self._body = BodyDecoder(announced=chunked, packed=is_packed(head))
        return self._take_body(rest, now_ns) if rest else []

    def _take_body(self, data: bytes, now_ns: int) -> list[Step]:
        decoded = self._body.feed(data)
        if self._state == "table":
            self._table += decoded
            if (
                self._body.ended
                or b"ENDSOURCETABLE" in self._table[-(len(decoded) + 14) :]
                or len(self._table) > MAX_TABLE
            ):
                return self._end_table()
            return []
        steps = self._stream_bytes(decoded, now_ns) if decoded else []
        if self._body.ended and not self.done:
            cause = "bad_coding" if self._body.broken else "dropped"
            steps.append(self._fail(cause, "" if self._body.broken else "the caster ended the stream"))
        return steps

    def _stream_bytes(self, data: bytes, now_ns: int, *, ending: bool = False) -> list[Step]:
        if self._sniff is not None:
            self._sniff += data
            data = bytes(self._sniff)
            if data[:1] in (b"<", b"S", b"C", b"N") and len(data) < SNIFF and not ending:
                return []
            self._sniff = None
            if looks_like_page(data):
                return [self._fail("web_page", "a page came behind the header of a stream")]
            if data[:4] in (b"STR;", b"CAS;", b"NET;") or data.startswith(b"SOURCETABLE"):
                self._state = "table"
                self._table += data
                return self._end_table() if b"ENDSOURCETABLE" in data else []
        if not self.data_bytes:
            self.first_data_ns = now_ns
        self.data_bytes += len(data)
        return [Data(data)]

    def _end_table(self) -> list[Step]:
        raw = bytes(self._table)
        if looks_like_page(raw):
            return [self._fail("web_page", "a page came in place of the source table")]
        table = parse_table(raw)
        steps: list[Step] = [Table(table)]
        mount = self._wanted.mount
        if not mount:
            return self._over(steps) if raw.strip() else [self._fail("not_a_caster", "an empty source table came")]
        if table.find(mount) is not None:
            return [*steps, self._fail("mount_silent", f"{mount} is in the table")]
        return [*steps, self._fail("mount_unknown", near_text(mount, table))]

    # Position ------------------------------------------------------------------------------------------------------

    def _wants_position_now(self) -> bool:
        mode = self._wanted.send_position
        return mode == "always" or (mode == "auto" and self.needs_position is True)

    def _send_position(self, now_ns: int, utc_ns: int, place: Place | None) -> list[Step]:
        if place is None or self._wanted.send_position == "never":
            return []
        if self._sent_ns is not None:
            due = (now_ns - self._sent_ns) * 1e-9 >= POSITION_EVERY_S
        else:
            silent = not self.data_bytes and (now_ns - self._opened_ns) * 1e-9 >= POSITION_AFTER_S
            due = self._wants_position_now() or (silent and self.needs_position is not False)
        if not due:
            return []
        self._sent_ns = now_ns
        return [Send(gga_line(*place, utc_ns))]

    # Out -----------------------------------------------------------------------------------------------------------

    def _fail(self, cause: str, detail: str = "", retry_after_s: float = 0.0) -> Failed:
        self._state = "done"
        return Failed(cause, detail, retry_after_s)

    def _over(self, steps: list[Step]) -> list[Step]:
        self._state = "done"
        return steps


def near_text(mount: str, table: SourceTable) -> str:
    """What the table offers in place of a mount point that it does not have."""
    near = table.near_names(mount)
    if not table.mounts:
        return f"{mount} is not in the table, which is empty"
    if near and near[0].casefold() == mount.casefold():
        return f"{mount} is not in the table; {near[0]} is: case counts"
    if near:
        return f"{mount} is not in the table; closest: {', '.join(near)}"
    return f"{mount} is not in the table of {len(table.mounts)} mount points"
