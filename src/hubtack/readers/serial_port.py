"""Serial ports: opened without keying a radio, kept through unplugging, explained when they cannot be had.

DTR and RTS stay low unless the URL says otherwise: on older radios they key the transmitter. The operating system
itself may raise them for an instant while it opens the device; where that matters, take the wire off the plug.
Nothing is ever written to the port here.
"""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from hubtack.errors import SourceError
from hubtack.readers.base import POLL_S, READ_SIZE, RetryingReader
from hubtack.readers.clock import Clock
from hubtack.readers.retry import DEVICE_PAUSES_S, Backoff
from hubtack.readers.urls import SourceSpec

if TYPE_CHECKING:
    import serial

_PARITY = {"none": "N", "even": "E", "odd": "O"}


def open_port(spec: SourceSpec, baud: int | None = None, write_timeout_s: float | None = None) -> serial.Serial:
    """The open port of ``spec``; raises ``SourceError`` with the remedy."""
    import serial

    params = spec.params
    try:
        port = serial.serial_for_url(
            spec.path, do_not_open=True, baudrate=baud or spec.baud, timeout=POLL_S, write_timeout=write_timeout_s,
            parity=_PARITY[params.get("parity", "none")], bytesize=int(params.get("bits", "8")),
            stopbits=int(params.get("stop", "1")),
        )
        port.dtr = params.get("dtr") == "on"
        port.rts = params.get("rts") == "on"
        if os.name == "posix" and type(port) is serial.Serial:
            port.exclusive = True
        port.open()
    except (serial.SerialException, OSError, ValueError) as err:
        raise SourceError(f"{spec.label}: {_why(err, spec.path)}") from err
    return port


def _why(err: Exception, path: str) -> str:
    """What keeps the port from opening, and the remedy."""
    number = getattr(err, "errno", None)
    text = str(err)
    if number in (errno.EACCES, errno.EPERM) or "PermissionError" in text or "Access is denied" in text:
        if os.name == "nt":
            return "another program has the port open; close it there"
        return (
            f"no permission to open {path}; add yourself to the group that owns it (`ls -l {path}` shows it, often "
            "dialout or uucp): sudo usermod -a -G dialout $USER, then log out and in"
        )
    if number == errno.EBUSY or "exclusively lock" in text or "Resource temporarily unavailable" in text:
        return f"{path} is in use by another program; close it there (`fuser {path}` names it)"
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV) or "FileNotFoundError" in text:
        return f"there is no port {path}; is it plugged in? `hubtack ports` lists those of this computer"
    if number in (errno.ENOTTY, errno.EINVAL) or "Could not configure port" in text:
        return f"{path} is not a serial port, or does not know these settings"
    if isinstance(err, ValueError):
        return f"setting refused: {text}"
    return text.removeprefix(f"[Errno {number}] ")


Adapter = tuple[int, int, str]  # USB vendor, product, serial number


def _adapter_at(path: str) -> Adapter | None:
    """The USB adapter behind a port; None where it has no serial number to know it again by."""
    from serial.tools import list_ports

    for port in list_ports.comports():
        if port.device == path and port.vid is not None and port.pid is not None and port.serial_number:
            return port.vid, port.pid, port.serial_number
    return None


def _path_of(adapter: Adapter) -> str | None:
    """Where that adapter is now; None where it is not there, or two of them are."""
    from serial.tools import list_ports

    paths = [p.device for p in list_ports.comports() if (p.vid, p.pid, p.serial_number) == adapter]
    return paths[0] if len(paths) == 1 else None


class SerialReader(RetryingReader):
    """A serial port that may be unplugged and plugged in again."""

    def __init__(self, spec: SourceSpec, name: str, clock: Clock | None = None, backoff: Backoff | None = None) -> None:
        super().__init__(name, spec.label, backoff or Backoff(DEVICE_PAUSES_S), clock)
        self._spec = spec
        self._port: serial.Serial | None = None
        self._adapter: Adapter | None = None

    def check(self) -> None:
        """Open the port already, so that one that is missing or in use is told before anything starts."""
        if self._port is None:
            self._port = self._open()

    def _open(self) -> serial.Serial:
        """The port by its name or, where an adapter came back under another name, by its serial number."""
        try:
            port = open_port(self._spec)
        except SourceError:
            path = _path_of(self._adapter) if self._adapter is not None else None
            if path is None or path == self._spec.path:
                raise
            port = open_port(replace(self._spec, path=path))
        self._adapter = self._adapter or _adapter_at(self._spec.path)
        return port

    def _session(self, opened: Callable[[], None], stop: threading.Event) -> Iterator[bytes]:
        import serial

        port, self._port = self._port or self._open(), None
        try:
            opened()
            while True:
                try:
                    # One byte, or all that is there: neither a wait for a full buffer nor a call a byte.
                    yield port.read(min(max(1, port.in_waiting), READ_SIZE))
                except (serial.SerialException, OSError) as err:
                    raise SourceError(f"{self.label}: the port is gone (unplugged or powered off)") from err
                except TypeError as err:  # pyserial, when its file descriptor vanishes between two calls
                    raise SourceError(f"{self.label}: the port is gone (unplugged or powered off)") from err
        finally:
            port.close()
