"""A TCP source on this computer that sends what it is given and keeps the line open until the test is done with it."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def open_line(data: bytes) -> Iterator[str]:
    """``tcp://`` address of a server for one caller; the line stays open to the end, so that a command must end by itself."""
    done = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            caller, _ = server.accept()
            with caller:
                caller.sendall(data)
                done.wait(10)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        try:
            yield f"tcp://127.0.0.1:{server.getsockname()[1]}"
        finally:
            done.set()
            thread.join(5)
