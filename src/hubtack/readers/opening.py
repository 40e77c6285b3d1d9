"""From a source as the user wrote it to the reader that reads it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from hubtack.errors import UsageError
from hubtack.readers.chunk import Reader
from hubtack.readers.clock import Clock, ScaledClock
from hubtack.readers.files import FileReader, StdinReader
from hubtack.readers.network import TcpReader, UdpReader
from hubtack.readers.pacing import Pace
from hubtack.readers.passwords import DEFAULT_ENV, find_password
from hubtack.readers.serial_port import SerialReader
from hubtack.readers.urls import SourceSpec, parse_source

Position = Callable[[], "tuple[float, float, float] | None"]


def open_reader(
    spec: SourceSpec | str,
    name: str,
    *,
    speed: float | None = None,
    pace: Pace | None = None,
    clock: Clock | None = None,
    near: tuple[float, float] | None = None,
    position: Position | None = None,
    site: Any = None,
) -> Reader:
    """The reader of one source; nothing is opened yet (``Hub.start`` calls ``check``, then starts it).

    Parameters
    ----------
    spec : SourceSpec or str
        The source.
    name : str
        Its role in the session: ``rover``, ``corrections``, ``second_antenna``.
    speed : float or None
        For a file: 1 its own pace, 0 or None as fast as it goes. Live sources have their own.
    pace : Pace or None
        Shared by all files that are played together; wins over ``speed``.
    clock : Clock or None
        The clocks for arrival times of live sources.
    near : (float, float) or None
        Latitude and longitude to give a caster that asks for a position. [deg]
    position : callable or None
        Gives the rover's latitude, longitude [deg] and height [m] now, or None; wins over ``near`` where it knows.
    site : object or None
        The site file, of which ``corrections.password_env`` and ``corrections.send_position`` are read.

    Raises
    ------
    UsageError
        A wrong URL, or one without a mount point.
    """
    if isinstance(spec, str):
        spec = parse_source(spec)
    if spec.kind == "file":
        if pace is None and speed:
            pace = Pace(ScaledClock(speed))
        return FileReader(spec.path, name, pace)
    if spec.kind == "stdin":
        return StdinReader(name, clock)
    if spec.kind == "serial":
        return SerialReader(spec, name, clock)
    if spec.kind == "tcp":
        return TcpReader(spec, name, clock)
    if spec.kind == "udp":
        return UdpReader(spec, name, clock)
    if not spec.mount:
        raise UsageError(f"{spec.label} names no mount point; `hubtack mounts {spec.label}` lists them")
    from hubtack.readers.ntrip_source import NtripReader

    corrections = getattr(site, "corrections", None)
    password_env = getattr(corrections, "password_env", None) or DEFAULT_ENV
    return NtripReader(
        spec, name, clock=clock, near=near, position=position,
        password=find_password(spec, password_env),
        send_position=getattr(corrections, "send_position", None) or "auto",
    )
