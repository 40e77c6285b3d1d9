"""Runs a command on a pseudo-terminal as its user would have it (Unix)."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import signal
import struct
import sys
import termios
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

ENV = {"TERM": "xterm-256color"}


def in_terminal(
    argv: Sequence[str],
    columns: int = 100,
    rows: int = 40,
    env: Mapping[str, str] | None = None,
    *,
    cwd: Path | None = None,
    resize: Sequence[tuple[float, int, int]] = (),
    hang_up_after_s: float | None = None,
    limit_s: float = 120.0,
) -> tuple[int, bytes]:
    """Exit status (negative: by that signal) and output of ``hubtack`` with ``argv`` on a terminal of that size.

    ``resize`` has (seconds from the first output, columns, rows) in order; with ``hang_up_after_s`` the terminal is closed
    so long after the first output, or after three seconds without any. Raises ``AssertionError`` if the command has not
    ended ``limit_s`` after its start, or 15 s after a hang-up, and ends it.
    """
    ready, go = os.pipe()
    pid, master = pty.fork()
    if pid == 0:
        os.close(go)
        os.read(ready, 1)  # until the size is set
        whole = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES", "NO_COLOR")} | ENV | dict(env or {})
        if cwd is not None:
            os.chdir(cwd)
        heed_signals()
        os.execve(sys.executable, [sys.executable, "-m", "hubtack", *argv], whole)
    os.close(ready)
    set_size(master, columns, rows)
    os.write(go, b"x")
    os.close(go)
    data, left, first_s = bytearray(), list(resize), None
    until_s = time.monotonic() + limit_s
    silent_until_s = time.monotonic() + 3.0
    while time.monotonic() < until_s:
        if select.select([master], [], [], 0.05)[0]:
            try:
                part = os.read(master, 65536)
            except OSError:  # Linux: the other side has gone
                break
            if not part:
                break
            data += part
            first_s = first_s or time.monotonic()
        since_s = time.monotonic() - (first_s or silent_until_s)
        while left and since_s >= left[0][0]:
            set_size(master, *left.pop(0)[1:])
        if hang_up_after_s is not None and since_s >= hang_up_after_s:
            until_s = time.monotonic() + 15.0
            break
    os.close(master)
    return _ended(pid, max(until_s, time.monotonic() + 1.0)), bytes(data)


def heed_signals() -> None:
    """In a child: as a terminal's own program. Whoever runs the tests in the background may have these ignored."""
    for number in (signal.SIGHUP, signal.SIGINT):
        signal.signal(number, signal.SIG_DFL)


def set_size(terminal: int, columns: int, rows: int) -> None:
    """Resize a terminal; what runs on it gets SIGWINCH."""
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))


def _ended(pid: int, until_s: float) -> int:
    while time.monotonic() < until_s:
        done, status = os.waitpid(pid, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.02)
    os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    raise AssertionError("it did not end")
