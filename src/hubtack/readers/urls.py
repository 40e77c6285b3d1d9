"""Source URLs: what the user writes, taken apart and checked. No I/O and no look at the disk."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal
from urllib.parse import parse_qsl, unquote

from hubtack.errors import UsageError
from hubtack.secret import Secret
from hubtack.site.secrets import mask_password

Kind = Literal["serial", "tcp", "udp", "file", "stdin", "ntrip"]

DEFAULT_BAUD = 115200  # common practice on a machine's data port; radios are often at 38400 or 57600
NTRIP_PORT = 2101  # IANA service name "rtcm-sc104"
NTRIP_TLS_PORT = 443  # common practice
MOUNT_MAX = 100

_SCHEMES = ("serial", "tcp", "udp", "file", "ntrip", "ntrip+tls")
# pyserial's own URL handlers, handed on as they are.
_PYSERIAL_SCHEMES = ("loop", "socket", "rfc2217", "spy", "alt", "hwgrep", "cp2110")
_SERIAL_PARAMS: Mapping[str, str] = MappingProxyType(
    {
        "baud": "a number from 50 to 4000000",
        "dtr": "on or off",
        "rts": "on or off",
        "parity": "none, even or odd",
        "bits": "7 or 8",
        "stop": "1 or 2",
    }
)
_FORMS = (
    "serial:///dev/ttyUSB0?baud=115200, tcp://host:port, udp://host:port, ntrip://user@host:2101/MOUNT, "
    "ntrip+tls://..., a file, or - for standard input"
)
_SCHEME = re.compile(r"([A-Za-z][A-Za-z0-9+.-]+):(.*)", re.DOTALL)
PASSWORD_IN_URL = (
    "the password in the URL can be read by others in the shell's history and the list of processes; "
    "leave it out and put it in HUBTACK_PASSWORD, or wait for the prompt"
)


@dataclass(frozen=True, slots=True)
class SourceSpec:
    """One source, taken apart. ``label`` is how it may be shown and recorded: it never holds the password."""

    kind: Kind
    label: str
    host: str = ""
    port: int = 0
    path: str = ""
    mount: str = ""
    user: str = ""
    password: Secret | None = None
    tls: bool = False
    params: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    warnings: tuple[str, ...] = ()

    @property
    def is_live(self) -> bool:
        """False for a file, which has no arrival times."""
        return self.kind != "file"

    @property
    def baud(self) -> int:
        """Speed of a serial port. [bit/s on the wire, start and stop bits included]"""
        return int(self.params.get("baud", DEFAULT_BAUD))


def parse_source(text: str) -> SourceSpec:
    """The source that ``text`` names.

    Raises
    ------
    UsageError
        One line that says what is wrong with it and what would be right; never with the password in it.
    """
    if not text.strip():
        raise UsageError(f"the source is empty; give {_FORMS}")
    if text == "-":
        return SourceSpec("stdin", "standard input")
    match = _SCHEME.fullmatch(text)
    scheme = match[1].lower() if match else ""
    if match is None or not (match[2].startswith("//") or scheme in _SCHEMES):
        return SourceSpec("file", text, path=text)
    rest = match[2].removeprefix("//")
    if scheme == "file":
        path = unquote(rest.removeprefix("localhost") if rest.startswith("localhost/") else rest)
        if not path:
            raise UsageError("file: names no file; write file:///folder/log.nmea or just the path")
        return SourceSpec("file", path, path=path)
    if scheme == "serial":
        return _serial(text, rest)
    if scheme in _PYSERIAL_SCHEMES:
        return _pyserial(text, scheme, rest)
    if scheme in ("tcp", "udp"):
        return _socket("tcp" if scheme == "tcp" else "udp", text, rest)
    if scheme in ("ntrip", "ntrip+tls"):
        return _ntrip(text, rest, tls=scheme == "ntrip+tls")
    near = difflib.get_close_matches(scheme, (*_SCHEMES, *_PYSERIAL_SCHEMES), 1)
    hint = f"; did you mean {near[0]}://?" if near else ""
    if scheme in ("http", "https"):
        hint = "; a caster is written ntrip://user@host:2101/MOUNT, or ntrip+tls:// with TLS"
    raise UsageError(f"{_shown(text)}: no source of the kind {scheme}://{hint} (known: {_FORMS})")


def _shown(text: str) -> str:
    return mask_password(text)


def _params(text: str, query: str, known: Mapping[str, str]) -> Mapping[str, str]:
    params: dict[str, str] = {}
    for key, value in parse_qsl(query, keep_blank_values=True):
        key = key.lower()
        if key not in known:
            near = difflib.get_close_matches(key, known, 1)
            hint = f"did you mean {near[0]}?" if near else f"known: {', '.join(known)}"
            raise UsageError(f"{_shown(text)}: no option {key!r} for this source; {hint}")
        params[key] = value.lower()
    return MappingProxyType(params)


def _serial_values(text: str, params: Mapping[str, str]) -> None:
    accepted: dict[str, tuple[str, ...]] = {
        "dtr": ("on", "off"),
        "rts": ("on", "off"),
        "parity": ("none", "even", "odd"),
        "bits": ("7", "8"),
        "stop": ("1", "2"),
    }
    for key, value in params.items():
        if key == "baud":
            good = value.isascii() and value.isdigit() and 50 <= int(value) <= 4_000_000
        else:
            good = value in accepted[key]
        if not good:
            raise UsageError(f"{_shown(text)}: {key}={value} is not {_SERIAL_PARAMS[key]}")


def _serial(text: str, rest: str) -> SourceSpec:
    path, _, query = rest.partition("?")
    path = unquote(path)
    if not path or path == "/":
        raise UsageError(f"{_shown(text)}: names no port; `hubtack ports` lists those of this computer")
    params = _params(text, query, _SERIAL_PARAMS)
    _serial_values(text, params)
    # serial://dev/ttyUSB0, with one slash forgotten, can only mean one thing.
    if path.startswith("dev/"):
        path = "/" + path
    return SourceSpec("serial", text, path=path, params=params)


def _pyserial(text: str, scheme: str, rest: str) -> SourceSpec:
    path, _, query = rest.partition("?")
    pairs = parse_qsl(query, keep_blank_values=True)
    ours = {k.lower(): v.lower() for k, v in pairs if k.lower() in _SERIAL_PARAMS}
    _serial_values(text, ours)
    others = "&".join(f"{k}={v}" for k, v in pairs if k.lower() not in _SERIAL_PARAMS)
    url = f"{scheme}://{path}" + (f"?{others}" if others else "")
    return SourceSpec("serial", _shown(text), path=url, params=MappingProxyType(ours))


def _host_port(text: str, place: str, default: int | None) -> tuple[str, int]:
    """Host and port; an IPv6 address stands in brackets (RFC 3986, 3.2.2)."""
    if place.startswith("["):
        host, closed, tail = place[1:].partition("]")
        if not closed or (tail and not tail.startswith(":")):
            raise UsageError(f"{_shown(text)}: an IPv6 address is written in brackets: [2001:db8::1]:2101")
        port_text = tail[1:]
    else:
        host, _, port_text = place.partition(":")
        if ":" in port_text:
            raise UsageError(f"{_shown(text)}: an IPv6 address is written in brackets: [2001:db8::1]:2101")
    if re.search(r"[\s\x00-\x1f\x7f/\\?#@]", host):
        raise UsageError(f"{_shown(text)}: {host!r} is not a host name")
    if not port_text:
        if default is None:
            raise UsageError(f"{_shown(text)}: the port is missing; write host:port")
        return host, default
    if not (port_text.isascii() and port_text.isdigit() and 1 <= int(port_text) <= 65535):
        raise UsageError(f"{_shown(text)}: {port_text!r} is not a port from 1 to 65535")
    return host, int(port_text)


def _socket(kind: Literal["tcp", "udp"], text: str, rest: str) -> SourceSpec:
    place, _, query = rest.partition("?")
    place = place.rstrip("/")
    if "@" in place:
        raise UsageError(f"{_shown(text)}: a {kind} source takes no login")
    _params(text, query, {})
    host, port = _host_port(text, place, None)
    if not host and kind == "tcp":
        raise UsageError(f"{_shown(text)}: the host is missing; write tcp://host:port")
    return SourceSpec(kind, text, host=host, port=port)


def _ntrip(text: str, rest: str, *, tls: bool) -> SourceSpec:
    # The password may hold / and @ unescaped: the login ends at the last @.
    login, at, after = rest.rpartition("@")
    user, colon, password = login.partition(":")
    place, _, mount = after.partition("/")
    # A blank must be written %20; nothing may ever break a line of the request.
    broken = re.search(r"\s", mount) or re.search(r"[\x00-\x1f\x7f]", unquote(mount))
    mount = unquote(mount).removesuffix("/")
    host, port = _host_port(text, place, NTRIP_TLS_PORT if tls else NTRIP_PORT)
    if not host:
        raise UsageError(f"{_shown(text)}: the host is missing; write ntrip://user@host:2101/MOUNT")
    if at and not user:
        raise UsageError(f"{_shown(text)}: the user is missing before @")
    if re.search(r"[\x00-\x1f\x7f]", unquote(login)):
        raise UsageError(f"{_shown(text)}: the login holds a control character")
    if len(mount) > MOUNT_MAX or broken:
        raise UsageError(
            f"{_shown(text)}: {mount[:40]!r} is not a mount point: one word of up to {MOUNT_MAX} characters"
        )
    secret = Secret(unquote(password)) if colon else None
    scheme = "ntrip+tls" if tls else "ntrip"
    shown_host = f"[{host}]" if ":" in host else host
    label = f"{scheme}://{user + '@' if user else ''}{shown_host}:{port}/{mount}"
    return SourceSpec(
        "ntrip",
        label,
        host=host,
        port=port,
        mount=mount,
        user=unquote(user),
        password=secret,
        tls=tls,
        warnings=(PASSWORD_IN_URL,) if secret else (),
    )
