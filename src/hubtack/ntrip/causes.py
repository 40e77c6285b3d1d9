"""What a caster, or the way to it, did: one row for each cause, with its finding code and the next steps.

Sources: docs/casters.md; the causes behind a symptom are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Cause:
    """``retry`` False: the same request cannot succeed. ``pause_s``: the shortest pause before the next try."""

    key: str
    code: str
    summary: str
    next_steps: tuple[str, ...]
    retry: bool = True
    pause_s: float = 0.0


_ROWS = (
    Cause(
        "login_missing",
        "caster_auth",
        "the caster wants a login and none was given",
        (
            "write ntrip://USER@host:port/MOUNT and put the password in HUBTACK_PASSWORD",
            "`hubtack mounts` needs no login: if it works, the way to the caster is good",
        ),
        retry=False,
    ),
    Cause(
        "password_missing",
        "caster_auth",
        "the caster wants a password and none was found",
        ("put it in HUBTACK_PASSWORD (or the variable that the site file names), or run in a terminal to be asked",),
        retry=False,
    ),
    Cause(
        "login_wrong",
        "caster_auth",
        "the caster refuses this login",
        (
            "check user and password, letter by letter; case counts",
            "ask the operator whether the account has run out, and whether it may use this mount point",
            "no new try is made with the same login: casters ban an address that keeps trying",
        ),
        retry=False,
    ),
    Cause(
        "login_scheme",
        "caster_auth",
        "the caster wants a kind of login that is neither Basic nor Digest",
        ("ask the operator for a Basic or Digest login",),
        retry=False,
    ),
    Cause(
        "login_forbidden",
        "caster_auth",
        "the caster knows the login and forbids the access",
        (
            "the account may be locked or expired, this address banned, or the mount point not in the subscription"
            ": ask the operator",
            "do not keep trying: bans last for hours or days",
        ),
        retry=False,
    ),
    Cause(
        "login_lost",
        "caster_auth",
        "a login that worked is refused now",
        (
            "look for a second machine on the same login: many casters allow one connection for each",
            "ask the operator whether the account has run out today",
        ),
        pause_s=60,
    ),
    Cause(
        "mount_unknown",
        "caster_mount",
        "the caster has no such mount point",
        (
            "compare the name with `hubtack mounts`, letter by letter; case counts",
            "the base may be off the air: some casters take a silent mount point off the table",
        ),
        retry=False,
    ),
    Cause(
        "mount_silent",
        "caster_mount",
        "the mount point is in the source table, but the caster sends the table instead of data",
        (
            "the base has stopped sending to the caster: ask its operator, or look at the base's modem and power",
            "take another mount point meanwhile (`hubtack mounts --near LAT,LON`)",
        ),
        pause_s=30,
    ),
    Cause(
        "needs_position",
        "caster_needs_position",
        "the caster waits for a position before it sends anything",
        (
            "give --near LAT,LON (degrees), or connect a rover whose position can be sent",
            'where send_position is "never" in the site file, set it to "auto"',
        ),
        pause_s=10,
    ),
    Cause(
        "no_data",
        "no_bytes",
        "the caster has accepted and sends nothing",
        (
            "the base behind the mount point may be off: ask the operator, or try another mount point",
            "on a network mount point, check that the position sent lies inside the network",
        ),
        pause_s=10,
    ),
    Cause(
        "unreachable",
        "caster_unreachable",
        "the caster cannot be reached",
        ("check the name, the port and this computer's network",),
    ),
    Cause(
        "refused",
        "caster_unreachable",
        "the caster's computer refuses the connection",
        (
            "check host and port; where it has worked, the caster may be starting anew: wait a minute or two",
            "ask the operator whether the caster runs, and whether this address is banned",
        ),
    ),
    Cause(
        "no_answer",
        "caster_unreachable",
        "connected, and no answer to the request",
        (
            "is it a caster that listens there? Check host and port",
            "a firewall may let the connection pass and hold back the data: try another network",
        ),
        pause_s=5,
    ),
    Cause(
        "web_page",
        "caster_unreachable",
        "a web page came instead of corrections",
        (
            "a login page of a hotel, a mobile network or a proxy stands in between: open a browser and accept it",
            "or the host is a web server: check host and port",
        ),
        pause_s=10,
    ),
    Cause(
        "redirect",
        "caster_unreachable",
        "the caster sends us to another address",
        ("use the address that it names, if you know it as your operator's; the login is not sent there by itself",),
        retry=False,
    ),
    Cause(
        "not_a_caster",
        "caster_unreachable",
        "what answers is not a caster",
        ("check host and port; a plain TCP source is written tcp://host:port",),
        pause_s=10,
    ),
    Cause(
        "proxy",
        "caster_unreachable",
        "the proxy does not let the connection through",
        ("check http_proxy, https_proxy and no_proxy; ask its administrator to allow CONNECT to the caster's port",),
        pause_s=30,
    ),
    Cause(
        "dropped",
        "caster_dropped",
        "the caster closed the connection",
        (
            "a single drop is common on mobile networks; where it comes at the same time of day, ask for the session"
            " limit",
        ),
    ),
    Cause(
        "dropped_silent",
        "caster_dropped",
        "the connection is open and the data stopped",
        (
            "the base or its modem may be off: ask the operator",
            "on a mobile network, check the signal where the machine works",
        ),
    ),
    Cause(
        "closed_unanswered",
        "caster_dropped",
        "the caster closes without an answer",
        ("the caster may be full, may ban this address or may want another version: wait, then ask the operator",),
        pause_s=10,
    ),
    Cause(
        "second_machine",
        "caster_dropped",
        "the stream is dropped again and again, seconds after it starts",
        (
            "look for a second machine (or a phone, or the office) on the same login: two clients drop each other in "
            "turn; "
            "give each its own login",
            "if there is none: the caster's session limit, or the mobile network",
        ),
        pause_s=10,
    ),
    Cause(
        "conflict",
        "caster_dropped",
        "the caster says that this login or mount point is in use (409)",
        (
            "look for a second machine on the same login, and give each its own",
            "a connection that was cut may live on at the caster for a minute: wait",
        ),
        pause_s=30,
    ),
    Cause(
        "server_fault",
        "caster_dropped",
        "the caster reports a fault of its own",
        ("nothing is wrong at this end: wait, or ask the operator",),
        pause_s=10,
    ),
    Cause(
        "bad_coding",
        "caster_dropped",
        "the stream's chunked coding broke",
        ("a proxy on the way may alter the stream: try TLS (ntrip+tls://) or another network",),
    ),
    Cause(
        "busy",
        "caster_throttled",
        "the caster is full, or the mount point is out of service (503)",
        ("wait; if it stays, ask the operator for the number of connections in the contract",),
        pause_s=30,
    ),
    Cause(
        "too_many",
        "caster_throttled",
        "the caster says: too many requests (429)",
        ("wait some minutes; look for other programs that use the same login or address",),
        pause_s=60,
    ),
    Cause(
        "banned",
        "caster_throttled",
        "it worked, and now every try is refused: this address or account may be banned",
        (
            "stop all programs that use this login for an hour, then try once",
            "ask the operator; another network address shows whether the address or the account is meant",
        ),
        pause_s=60,
    ),
    Cause(
        "tls_verify",
        "caster_tls",
        "the caster's certificate cannot be trusted",
        (
            "do not switch the check off: the login would go to whoever answers",
            "check the host name; check this computer's date; ask the operator for a certificate in order",
            "for an operator's own authority, point SSL_CERT_FILE at its certificate",
        ),
        retry=False,
    ),
    Cause(
        "tls_handshake",
        "caster_tls",
        "no TLS connection could be made",
        ("the port may not speak TLS: try ntrip:// and port 2101, or ask for the TLS port (often 443 or 2102)",),
        pause_s=30,
    ),
    Cause("tls_wanted", "caster_tls", "this port speaks TLS", ("write ntrip+tls:// instead of ntrip://",), retry=False),
)

CAUSES: Mapping[str, Cause] = MappingProxyType({row.key: row for row in _ROWS})
