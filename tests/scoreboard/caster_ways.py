"""What a caster, or the way to it, does to a client: each way with its draws, and the findings that name it.

Forms of answers: RTCM 10410.1 (NTRIP 1.0 and 2.0, from memory), RFC 9110 and 9112 (HTTP), RFC 7616 (Digest), and those of
docs/casters.md. Which way has which code stands there too. Reason texts differ from caster to caster: drawn here.
"""

from __future__ import annotations

import hashlib
import re
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from tests.scoreboard.caster import Line

USER, PASSWORD, MOUNT = "digger7", "pl4nted-secret", "ALDERMERE1"
Rng = np.random.Generator
# Yields seconds to wait, or bytes to send; returning closes the connection.
Script = Iterator["float | bytes"]


@dataclass(slots=True)
class Way:
    """One way to behave. ``serve`` is asked at each connection; ``right`` are the findings that name what was done."""

    right: frozenset[str]
    serve: Callable[[Line], Script]
    about: str = ""
    starved: tuple[float, float] | None = None  # when a rover that hangs on this caster gets nothing [s]
    user: str = USER
    gives_position: bool = True
    has_rover: bool | None = None  # None: by chance
    tls: str = ""  # key of a certificate, "plain" where the port speaks no TLS; "" without TLS
    plain_client: bool = False  # the client does not ask for TLS although the port speaks it
    network: list[tuple[float, float, str]] = field(default_factory=list)  # from, to [s], what the network does then


# Answers -------------------------------------------------------------------------------------------------------------


def table(rng: Rng, *, mount: str | None = MOUNT, nmea: int | str = 0, old: bool | None = None) -> bytes:
    """A source table, in the form of 1.0 or of 2.0."""
    rows = [
        f"STR;{name};{name};RTCM 3.2;1005(10),1077(1),1087(1);2;GPS+GLO;;NZL;-45.0;170.0;{nmea};0;;none;B;N;2400;"
        for name in ([mount] if mount else []) + ["WETHERBY9", "LOWFEN2"][: int(rng.integers(0, 3))]
    ]
    rows.insert(0, "CAS;caster.example;2101;Example;;0;NZL;-45;170;0.0.0.0;0;")
    body = "\r\n".join([*rows, "ENDSOURCETABLE", ""]).encode()
    if bool(rng.random() < 0.5) if old is None else old:
        head = (
            f"SOURCETABLE 200 OK\r\nServer: example\r\nContent-Type: text/plain\r\nContent-Length: {len(body)}\r\n\r\n"
        )
    else:
        head = f"HTTP/1.1 200 OK\r\nNtrip-Version: Ntrip/2.0\r\nContent-Type: gnss/sourcetable\r\nContent-Length: {len(body)}\r\n\r\n"
    return head.encode() + body


def refusal(rng: Rng, status: int, words: list[str], *headers: str, body: bool | None = None) -> bytes:
    """A refusal with one of the reason texts, with or without a page behind it."""
    version = rng.choice(["HTTP/1.1", "HTTP/1.0"])
    lines = [f"{version} {status} {rng.choice(words)}", *headers]
    page = b""
    if rng.random() < 0.4 if body is None else body:
        page = f"<html><body>{status}</body></html>".encode()
        lines += ["Content-Type: text/html", f"Content-Length: {len(page)}"]
    if rng.random() < 0.5:
        lines.insert(1, "Ntrip-Version: Ntrip/2.0")
    return ("\r\n".join(lines) + "\r\n\r\n").encode() + page


@dataclass(slots=True)
class Manner:
    """How a caster that gives data does so: version, greeting, coding, and which login it wants first."""

    old: bool
    greeting: bytes
    coding: str  # plain | chunked | gzip
    login: str  # none | basic | digest
    algorithm: str
    refuses_2: bool

    @classmethod
    def draw(cls, rng: Rng) -> Manner:
        """By chance."""
        old = bool(rng.random() < 0.4)
        coding = "plain" if old else str(rng.choice(["plain", "chunked", "chunked", "gzip"]))
        if old:
            greeting = [
                b"ICY 200 OK\r\n\r\n", b"ICY 200 OK\r\n", b"ICY 200 OK\n\n", b"ICY 200 OK\r\nServer: example 1.2\r\n\r\n"
            ][int(rng.integers(0, 4))]  # fmt: skip
        else:
            lines = [
                "HTTP/1.1 200 OK",
                "Ntrip-Version: Ntrip/2.0",
                "Content-Type: gnss/data",
                "Cache-Control: no-store",
            ]
            lines += {"chunked": ["Transfer-Encoding: chunked"], "gzip": ["Content-Encoding: gzip"]}.get(coding, [])
            if rng.random() < 0.3:
                lines.remove("Ntrip-Version: Ntrip/2.0")
            greeting = ("\r\n".join(lines) + "\r\n\r\n").encode()
        login = str(rng.choice(["none", "basic", "digest"])) if not old else str(rng.choice(["none", "basic"]))
        return cls(
            old, greeting, coding, login, str(rng.choice(["MD5", "SHA-256"])), old and bool(rng.random() < 0.5)
        )  # fmt: skip

    def entry(self, line: Line) -> bytes | None:
        """What the caster says before it lets this request in; None where it does let it in."""
        if self.refuses_2 and b"HTTP/1.1" in line.request.split(b"\r\n")[0]:
            return [b"", b"HTTP/1.0 400 Bad Request\r\n\r\n", b"HTTP/1.1 501 Not Implemented\r\n\r\n"][line.seed % 3]
        if self.login == "digest" and not digest_is_right(line.request):
            ask = f'Digest realm="caster", nonce="n{line.number}", qop="auth", algorithm={self.algorithm}'
            return f"HTTP/1.1 401 Unauthorized\r\nWWW-Authenticate: {ask}\r\n\r\n".encode()
        return None

    def wrap(self, line: Line, data: bytes) -> bytes:
        """The next bytes of the stream as this caster codes them."""
        if self.coding == "gzip":
            if line.packer is None:
                line.packer = zlib.compressobj(6, zlib.DEFLATED, 31)
            return line.packer.compress(data) + line.packer.flush(zlib.Z_SYNC_FLUSH)
        if self.coding != "chunked":
            return data
        out = b""
        while data:
            n = int(line.rng.integers(1, len(data) + 1))
            size = f"{n:x}" if line.seed % 2 else f"{n:X}"
            out += f"{size}{';x=1' if line.seed % 5 == 0 else ''}\r\n".encode() + data[:n] + b"\r\n"
            data = data[n:]
        return out


def digest_is_right(request: bytes) -> bool:
    """Whether a request answers a Digest challenge with the login (RFC 7616, 3.4)."""
    found = re.search(rb"Authorization: Digest (.*)", request)
    if not found:
        return False
    fields = {k: v.strip('"') for k, v in re.findall(r'(\w+)=("[^"]*"|[^,\s]+)', found[1].decode())}
    name = {"MD5": "md5", "SHA-256": "sha256"}[fields.get("algorithm", "MD5")]

    def hashed(text: str) -> str:
        return hashlib.new(name, text.encode(), usedforsecurity=False).hexdigest()

    a1, a2 = hashed(f"{USER}:{fields['realm']}:{PASSWORD}"), hashed(f"GET:{fields['uri']}")
    return fields["response"] == hashed(f"{a1}:{fields['nonce']}:{fields['nc']}:{fields['cnonce']}:auth:{a2}")


def streaming(
    line: Line,
    manner: Manner,
    *,
    for_s: float = 1e9,
    most_bytes: float = 1e9,
    share: float = 1.0,
    wrong_chunk: bool = False,
) -> Script:
    """Let in and stream what the base sends, for so long or for so many bytes; ``share`` of its rate at the most."""
    if line.wants_table:
        yield table(line.rng)
        return
    denied = manner.entry(line)
    if denied is not None:
        yield denied
        return
    yield manner.greeting
    until_s, sent, free_at = line.now_s() + for_s, 0, line.now_s()
    for t_s, data in line.stream():
        free_at = max(free_at, t_s) + (len(data) / (share * line.rate_bps / 8) if share < 1.0 else 0.0)
        if free_at > until_s:
            break
        yield free_at - line.now_s()
        coded = manner.wrap(line, data)
        if sent + len(data) > most_bytes:
            yield coded[: max(1, int(len(coded) / 2))]
            return
        sent += len(data)
        yield coded
    if wrong_chunk:
        yield b"zz-not-a-size\r\nGARBAGE"
    yield max(0.0, until_s - line.now_s())


def always(answer: bytes, entry: Manner | None = None) -> Callable[[Line], Script]:
    """The same answer to whoever asks."""

    def serve(line: Line) -> Script:
        denied = entry.entry(line) if entry is not None else None
        yield answer if denied is None else denied

    return serve


# Ways ----------------------------------------------------------------------------------------------------------------


def works(rng: Rng) -> Way:
    """Nothing is wrong."""
    manner = Manner.draw(rng)
    return Way(frozenset(), lambda line: streaming(line, manner), f"{manner.coding}, {manner.login}")


def wrong_login(rng: Rng) -> Way:
    """A login that is not known."""
    words = ["Unauthorized", "Authorization Required", "Access denied", "Login failed", ""]
    kind = str(rng.choice(["basic", "bare", "digest", "error", "scheme", "none_given", "forbidden"]))
    user, answer = USER, b""
    if kind == "basic":
        answer = refusal(rng, 401, words, 'WWW-Authenticate: Basic realm="/ALDERMERE1"')
    elif kind == "bare":
        answer = refusal(rng, 401, words)
    elif kind == "digest":
        answer = refusal(rng, 401, words, 'WWW-Authenticate: Digest realm="c", nonce="abc", qop="auth", algorithm=MD5')
    elif kind == "error":
        said = ["Bad Password", "Bad Username or Password", "Unauthorized"]
        answer = f"ERROR - {rng.choice(said)}\r\n".encode()
    elif kind == "scheme":
        answer = refusal(rng, 401, words, f"WWW-Authenticate: {rng.choice(['Bearer', 'Negotiate', 'NTLM'])}")
    elif kind == "forbidden":
        answer = refusal(rng, 403, ["Forbidden", "Account expired", "Not allowed", "IP address blocked"])
    else:
        user, answer = "", refusal(rng, 401, words, 'WWW-Authenticate: Basic realm="/"')
    return Way(frozenset({"caster_auth"}), always(answer), kind, (0.0, 1e9), user=user)


def lost_login(rng: Rng) -> Way:
    """A login that worked for a while: the account has run out, or somebody else has it now."""
    manner, at_s = Manner.draw(rng), float(rng.uniform(20, 50))
    answer = refusal(rng, 401, ["Unauthorized", "Subscription ended"], 'WWW-Authenticate: Basic realm="/"')

    def serve(line: Line) -> Script:
        if line.now_s() < at_s or line.wants_table:
            return streaming(line, manner, for_s=at_s - line.now_s())
        return always(answer)(line)

    return Way(frozenset({"caster_auth"}), serve, f"at {at_s:.0f} s", (at_s, 1e9))


def nobody_there(rng: Rng) -> Way:
    """Nothing answers, or not a caster."""
    kind = str(rng.choice(["refused", "timeout", "name", "route", "mute", "page", "redirect", "other"]))
    serve, network = always(b""), [(0.0, 1e9, kind)] if kind in ("refused", "timeout", "name", "route") else []
    if kind == "mute":

        def mute(line: Line) -> Script:
            yield 1e6

        serve = mute
    elif kind == "page":
        page = b"<!DOCTYPE html>\n<html><head><title>Welcome</title></head><body>Accept our terms</body></html>"
        head = rng.choice(["HTTP/1.1 200 OK\r\nContent-Type: text/html; charset=utf-8\r\n\r\n", "HTTP/1.0 200 OK\r\n\r\n",
                           "HTTP/1.1 511 Network Authentication Required\r\nContent-Type: text/html\r\n\r\n", ""])  # fmt: skip
        serve = always(str(head).encode() + page)
    elif kind == "redirect":
        to = rng.choice(["http://login.example/", "/portal", "https://caster.example:443/X"])
        status = int(rng.choice([301, 302, 303, 307, 308]))
        serve = always(refusal(rng, status, ["Found", "Moved"], f"Location: {to}"))
    elif kind == "other":
        said = [
            b"SSH-2.0-Server_9\r\n",
            b"220 mail.example ESMTP ready\r\n",
            b"220 FTP server\r\n",
            b"\xff\xfb\x01\xff\xfb\x03login: ",
        ]
        serve = always(said[int(rng.integers(0, len(said)))] + b" " * 24)
    return Way(frozenset({"caster_unreachable"}), serve, kind, (0.0, 1e9), network=network)


def network_lost(rng: Rng) -> Way:
    """It worked, and then this computer's own network is gone: out of the mobile network's reach."""
    manner, at_s = Manner.draw(rng), float(rng.uniform(20, 50))
    kind = str(rng.choice(["name", "route", "timeout"]))

    def serve(line: Line) -> Script:
        return streaming(line, manner, for_s=at_s - line.now_s())

    return Way(
        frozenset({"caster_unreachable"}), serve, f"{kind} from {at_s:.0f} s", (at_s, 1e9), network=[(at_s, 1e9, kind)]
    )


def wrong_mount(rng: Rng) -> Way:
    """No such mount point, or one without a base behind it."""
    kind = str(rng.choice(["404", "410", "table", "case", "silent", "silent_404", "under_stream", "error"]))
    listed = {"case": MOUNT.lower(), "silent": MOUNT, "silent_404": MOUNT}.get(kind)
    whole = table(rng, mount=listed)
    words = ["Not Found", "Mount point not found", "No such mountpoint", "Mount Point Taken or Invalid"]
    answer = whole
    if kind in ("404", "410", "silent_404"):
        answer = refusal(rng, 410 if kind == "410" else 404, words)
    elif kind == "under_stream":
        answer = b"ICY 200 OK\r\n\r\n" + whole.partition(b"\r\n\r\n")[2]
    elif kind == "error":
        answer = b"ERROR - Mount Point Not Found\r\n" if rng.random() < 0.5 else b"ERROR - Invalid Mountpoint\r\n"

    def serve(line: Line) -> Script:
        yield whole if line.wants_table else answer

    return Way(frozenset({"caster_mount"}), serve, kind, (0.0, 1e9))


def wants_position(rng: Rng, told: bool = False) -> Way:
    """A network mount point that waits for a position, which nobody gives."""
    manner = Manner.draw(rng)
    manner.coding = "plain"
    nmea = ["1", "1", "", "0"][int(rng.integers(0, 3 if told else 4))]
    closes_s = float(rng.choice([1e6, 8.0, 12.0, 30.0]))

    def serve(line: Line) -> Script:
        if line.wants_table:
            yield table(line.rng, nmea=nmea)
            return
        denied = manner.entry(line)
        if denied is not None:
            yield denied
            return
        yield manner.greeting
        since_s = line.now_s()
        while line.now_s() - since_s < closes_s:
            if line.position_came():
                for t_s, data in line.stream():
                    yield t_s - line.now_s()
                    yield data
                yield 1e6
            yield 0.5

    # Where the table says that it wants none, a caster that waits for one cannot be told from a base that is off.
    right = {"caster_needs_position"} if nmea != "0" else {"caster_needs_position", "no_bytes"}
    about = f"nmea={nmea or 'empty'}, closes after {closes_s:g} s"
    return Way(frozenset(right), serve, about, (0.0, 1e9), gives_position=False, has_rover=False)


def gets_position(rng: Rng) -> Way:
    """The same mount point, and the position is given: nothing is wrong."""
    way = wants_position(rng, told=True)
    way.right, way.gives_position, way.starved, way.has_rover = frozenset(), True, None, None
    return way


def base_off(rng: Rng) -> Way:
    """Let in, and nothing comes although the position is known: the base behind the mount point is off."""
    manner = Manner.draw(rng)

    def serve(line: Line) -> Script:
        if line.wants_table:
            yield table(line.rng, nmea=0)
            return
        denied = manner.entry(line)
        yield manner.greeting if denied is None else denied
        if denied is None:
            yield 1e6

    return Way(frozenset({"no_bytes"}), serve, "", (0.0, 1e9))


def throttled(rng: Rng) -> Way:
    """Full, out of service, or asked too often: from the start, or after it had worked."""
    status = int(rng.choice([429, 503]))
    after = [[], ["Retry-After: 5"], ["Retry-After: 120"], ["Retry-After: Thu, 26 Nov 2026 07:00:00 GMT"]][
        int(rng.integers(0, 4))
    ]
    answer = refusal(
        rng, status, ["Too Many Requests", "Service Unavailable", "Server full", "Maximum clients reached"], *after
    )
    manner, at_s = Manner.draw(rng), float(rng.choice([0.0, rng.uniform(20, 50)]))

    def serve(line: Line) -> Script:
        if line.now_s() < at_s:
            return streaming(line, manner, for_s=at_s - line.now_s())
        return always(answer)(line)

    return Way(frozenset({"caster_throttled"}), serve, f"{status} from {at_s:.0f} s", (at_s, 1e9))


def banned(rng: Rng) -> Way:
    """It worked, and then every try is refused or closed: a ban of this address."""
    manner, at_s = Manner.draw(rng), float(rng.uniform(20, 50))
    kind = str(rng.choice(["refused", "closed", "403"]))

    def serve(line: Line) -> Script:
        if line.now_s() < at_s:
            return streaming(line, manner, for_s=at_s - line.now_s())
        return always(refusal(rng, 403, ["Forbidden", "Banned"]) if kind == "403" else b"")(line)

    # What is said of the first minutes is as true: forbidden, or refused by a computer that answers.
    right = {"caster_throttled"} | {"403": {"caster_auth"}, "refused": {"caster_unreachable"}}.get(kind, set())
    network = [(at_s, 1e9, "refused")] if kind == "refused" else []
    return Way(frozenset(right), serve, f"{kind} from {at_s:.0f} s", (at_s, 1e9), network=network)


def slow(rng: Rng) -> Way:
    """The caster, or a data plan on the way, lets through a part of the rate: a queue that grows."""
    manner, share = Manner.draw(rng), float(rng.uniform(0.3, 0.85))
    return Way(
        frozenset({"link_saturated"}), lambda line: streaming(line, manner, share=share), f"{100 * share:.0f} %", None,
        has_rover=False,
    )  # fmt: skip


def tls(rng: Rng) -> Way:
    """A certificate that cannot be trusted, or TLS asked of a port that does not speak it, or the reverse."""
    kind = str(rng.choice(["expired", "early", "name", "self", "unknown", "plain", "wanted"]))
    manner = Manner.draw(rng)
    way = Way(frozenset({"caster_tls"}), lambda line: streaming(line, manner), kind, (0.0, 1e9), tls=kind)
    if kind == "wanted":
        way.tls, way.plain_client = "good", True
    return way


def tls_works(rng: Rng) -> Way:
    """TLS with a certificate that is in order: nothing is wrong."""
    way = works(rng)
    way.tls = "good"
    return way


def dropped(rng: Rng) -> Way:
    """The stream is cut: once, now and then, in the middle of a frame or of a chunk; it can be had again."""
    manner = Manner.draw(rng)
    kind = str(rng.choice(["once", "often", "bytes", "coding", "away"]))
    times = {"once": 1, "often": int(rng.integers(2, 5)), "bytes": 2, "coding": 1, "away": 1}[kind]
    lasts_s, most = float(rng.uniform(31, 55)), float(rng.integers(5_000, 40_000)) if kind == "bytes" else 1e9
    away_s = float(rng.uniform(5, 60)) if kind == "away" else 0.0
    if kind == "coding":
        manner = Manner.draw(rng)
        manner.old, manner.coding, manner.refuses_2 = False, "chunked", False
        manner.greeting = b"HTTP/1.1 200 OK\r\nContent-Type: gnss/data\r\nTransfer-Encoding: chunked\r\n\r\n"
    count = [0]

    def serve(line: Line) -> Script:
        if line.wants_table or manner.entry(line) is not None:
            return streaming(line, manner)
        count[0] += 1
        if count[0] > times:
            return streaming(line, manner)
        return streaming(line, manner, for_s=lasts_s, most_bytes=most, wrong_chunk=kind == "coding")

    about = f"{kind}, {times} times after {lasts_s:.0f} s"
    network = [(lasts_s, lasts_s + away_s, "refused")] if away_s else []
    starved = (lasts_s, lasts_s + away_s) if away_s else None
    # A caster that is started anew closes, and is not to be reached for a while.
    right = {"caster_dropped", "caster_unreachable"} if away_s else {"caster_dropped"}
    return Way(frozenset(right), serve, about, starved, network=network)


def pushed_off(rng: Rng) -> Way:
    """One connection for each login, and a second machine on the same one: they drop each other in turn."""
    manner = Manner.draw(rng)
    kind = str(rng.choice(["drop", "drop", "409"]))

    def serve(line: Line) -> Script:
        if kind == "409" and line.now_s() > 30:
            return always(refusal(rng, 409, ["Conflict", "Login in use", "Already connected"]))(line)
        return streaming(line, manner, for_s=float(line.rng.uniform(3, 25)))

    return Way(frozenset({"caster_dropped"}), serve, kind, (15.0, 1e9))


def faulty(rng: Rng) -> Way:
    """The caster reports a fault of its own, or hangs up without a word."""
    status = int(rng.choice([0, 500, 502, 504]))
    answer = refusal(rng, status, ["Internal Server Error", "Bad Gateway", "Gateway Timeout"]) if status else b""
    return Way(frozenset({"caster_dropped"}), always(answer), str(status or "hangs up"), (0.0, 1e9))


def goes_silent(rng: Rng) -> Way:
    """It streams, and then nothing comes while the connection stays open."""
    manner, at_s = Manner.draw(rng), float(rng.uniform(20, 50))

    def serve(line: Line) -> Script:
        if line.now_s() >= at_s:
            denied = manner.entry(line)
            yield table(line.rng) if line.wants_table else manner.greeting if denied is None else denied
            if denied is None and not line.wants_table:
                yield 1e6
            return
        yield from streaming(line, manner, for_s=at_s - line.now_s())
        yield 1e6

    # The base has stopped, which the caster does not say: that it stalled, that the silent connection is given up and that
    # the new one brings nothing are all true.
    return Way(frozenset({"caster_dropped", "link_stalled", "no_bytes"}), serve, f"at {at_s:.0f} s", (at_s, 1e9))


WAYS: Mapping[str, Callable[[Rng], Way]] = {
    f.__name__: f
    for f in (
        works, gets_position, tls_works, wrong_login, lost_login, nobody_there, network_lost, wrong_mount, wants_position,
        base_off, throttled, banned, slow, tls, dropped, pushed_off, faulty, goes_silent,
    )
}  # fmt: skip
