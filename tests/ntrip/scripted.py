"""A caster that answers each connection by the next line of a script; for the shell's tests only."""

from __future__ import annotations

import contextlib
import socket
import ssl
import threading


class ScriptedCaster:
    """``script`` has one entry for each connection: bytes to send, or a callable that gets the socket and the request.

    The last entry serves all further connections. ``requests`` keeps what came.
    """

    def __init__(self, *script, context: ssl.SSLContext | None = None):
        self.script = list(script)
        self.context = context
        self.requests: list[bytes] = []
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self._stop = threading.Event()
        self._threads = [threading.Thread(target=self._accept, daemon=True)]

    def __enter__(self):
        self._threads[0].start()
        return self

    def __exit__(self, *_):
        self._stop.set()
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()

    def _accept(self):
        n = 0
        while not self._stop.is_set():
            try:
                sock, _ = self._server.accept()
            except OSError:
                return
            entry = self.script[min(n, len(self.script) - 1)]
            n += 1
            thread = threading.Thread(target=self._serve, args=(sock, entry), daemon=True)
            thread.start()

    def _serve(self, sock, entry):
        with contextlib.suppress(OSError), sock:
            if self.context is not None:
                sock = self.context.wrap_socket(sock, server_side=True)
            sock.settimeout(1)
            request = b""
            while not request.endswith(b"\r\n\r\n"):
                data = sock.recv(4096)
                if not data:
                    break
                request += data
            self.requests.append(request)
            if callable(entry):
                entry(sock, request)
            else:
                sock.sendall(entry)
