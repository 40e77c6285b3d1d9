"""Casters on loopback that behave in every way drawn, and what ``hubtack link`` and ``watch`` say of them first."""

from __future__ import annotations

import contextlib
import datetime as dt
import errno
import io
import json
import os
import socket
import ssl
import subprocess
import threading
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.scoreboard.caster_ways import MOUNT, PASSWORD, WAYS, Script, Way
from tests.scoreboard.confusion import Row
from tests.scoreboard.made_time import MadeTime, passing

from hubtack.cli.main import main
from hubtack.errors import SourceError
from hubtack.simulate import session as simulated
from hubtack.simulate.files import Simulated, site_text
from hubtack.simulate.world import World


@dataclass(slots=True)
class Line:
    """One connection as the caster's script sees it."""

    caster: LoopbackCaster
    sock: socket.socket
    request: bytes
    number: int
    rng: np.random.Generator
    packer: Any = None
    heard: bytes = b""

    @property
    def seed(self) -> int:
        return self.caster.seed

    @property
    def rate_bps(self) -> float:
        return self.caster.rate_bps

    @property
    def wants_table(self) -> bool:
        return self.request.startswith(b"GET / ")

    def now_s(self) -> float:
        return self.caster.clock.now_s()

    def stream(self) -> Iterator[tuple[float, bytes]]:
        """What the base sends from now on."""
        now_s = self.now_s()
        return ((t_s, data) for t_s, data in self.caster.stream if t_s >= now_s)

    def position_came(self) -> bool:
        """Whether the client has told where it is, in the request or since."""
        self.sock.setblocking(False)
        with contextlib.suppress(BlockingIOError, ssl.SSLWantReadError, OSError):
            self.heard += self.sock.recv(4096)
        return b"GGA," in self.request or b"GGA," in self.heard


class LoopbackCaster:
    """A caster of one way, in made time."""

    def __init__(self, way: Way, clock: MadeTime, stream: list[tuple[float, bytes]], rate_bps: float, seed: int,
                 context: ssl.SSLContext | None) -> None:  # fmt: skip
        self.way, self.clock, self.stream, self.rate_bps, self.seed = way, clock, stream, rate_bps, seed
        self._context = context
        self._rng = np.random.Generator(np.random.PCG64(seed))
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        self.requests: list[bytes] = []

    def __enter__(self) -> LoopbackCaster:
        threading.Thread(target=self._accept, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()

    def _accept(self) -> None:
        while True:
            try:
                sock, _ = self._server.accept()
            except OSError:
                return
            threading.Thread(target=self._serve, args=(sock,), daemon=True).start()

    def _serve(self, sock: socket.socket) -> None:
        try:
            with contextlib.suppress(OSError), sock:
                self._talk(sock)
        finally:
            self.clock.tell("bytes")
            self.clock.leave()

    def _talk(self, plain: socket.socket) -> None:
        plain.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # what is sent is there: no real time is to pass
        plain.settimeout(5)
        sock = plain if self._context is None else self._context.wrap_socket(plain, server_side=True)
        request = b""
        while not request.endswith(b"\r\n\r\n"):
            data = sock.recv(4096)
            request += data
            if not data or not b"GET ".startswith(request[:4]):
                sock.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n" if self.seed % 2 else b"")
                return
        self.requests.append(request)
        line = Line(self, sock, request, len(self.requests), self._rng)
        self._play(sock, self.way.serve(line))
        with contextlib.suppress(OSError):
            sock.shutdown(socket.SHUT_RDWR)

    def _play(self, sock: socket.socket, script: Script) -> None:
        for step in script:
            if isinstance(step, bytes):
                sock.setblocking(True)
                sock.settimeout(5)
                sock.sendall(step)
                self.clock.tell("bytes")
            else:
                self.clock.sleep(min(step, 1e6))


@contextlib.contextmanager
def spoken(clock: MadeTime, said: list[tuple[float, bytes]]) -> Iterator[int]:
    """A rover's sentences on a port of this computer, at their times; gives the port."""
    server = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        with contextlib.suppress(OSError):
            while True:
                sock, _ = server.accept()
                try:
                    with contextlib.suppress(OSError), sock:
                        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                        for t_s, data in said:
                            if t_s >= clock.now_s():
                                clock.sleep(t_s - clock.now_s())
                                sock.sendall(data)
                                clock.tell("bytes")
                        clock.sleep(1e6)
                finally:
                    clock.leave()

    threading.Thread(target=serve, daemon=True).start()
    try:
        yield int(server.getsockname()[1])
    finally:
        with contextlib.suppress(OSError):
            server.shutdown(socket.SHUT_RDWR)
        server.close()


# One case ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CasterCase:
    """One session with a caster: enough to have it again."""

    way: str
    seed: int


def draw_caster_case(rng: np.random.Generator, way: str) -> CasterCase:
    """A session with a caster that behaves in this way."""
    return CasterCase(way, int(rng.integers(0, 2**31)))


@dataclass(slots=True)
class CasterOutcome:
    """What was done and what was said."""

    case: CasterCase
    way: Way
    command: str
    code: int
    findings: list[dict[str, Any]]
    out: str
    err: str
    bad: list[str] = field(default_factory=list)


def run_caster_case(case: CasterCase, folder: Path, most_s: int = 220) -> CasterOutcome:
    """Simulate a base and a rover, put the base behind a caster of this way, and ask the command."""
    rng = np.random.Generator(np.random.PCG64([case.seed, zlib.crc32(case.way.encode())]))
    way = WAYS[case.way](rng)
    has_rover = bool(rng.random() < 0.3) if way.has_rover is None else way.has_rover
    seconds = min(most_s, int(rng.integers(90, 120 if has_rover else 220)))
    hangs_on_it = bool(rng.random() < 0.6)  # the rover has its corrections from this caster, or by another way
    made = simulated.simulate([], "tidy", case.seed, seconds, 1.0, anywhere=True)
    stream = [(float(h.t_s), h.data) for h in made.heard]
    rate_bps = 8 * sum(len(data) for _, data in stream) / seconds
    utc_ns = int((made.world.start - dt.datetime(1970, 1, 1)) / dt.timedelta(microseconds=1)) * 1000
    clock = MadeTime(utc_ns)
    rover = made.rover
    if has_rover and hangs_on_it and way.starved is not None:
        rover = _starved(case.seed, seconds, way.starved).rover
    context, trust = _tls_of(way)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "site.toml").write_text(site_text(made.world))
    host = "localhost" if way.tls not in ("", "name") else "127.0.0.1"
    scheme = "ntrip+tls" if way.tls and not way.plain_client else "ntrip"
    who = f"{way.user}@" if way.user else ""
    with contextlib.ExitStack() as stack:
        caster = stack.enter_context(LoopbackCaster(way, clock, stream, rate_bps, case.seed, context))
        url = f"{scheme}://{who}{host}:{caster.port}/{MOUNT}"
        args = ["link", url] if not has_rover else ["watch", "--corrections", url]
        if has_rover:
            port = stack.enter_context(spoken(clock, [(float(t), data) for t, data in rover]))
            args += ["--rover", f"tcp://127.0.0.1:{port}"]
        elif way.gives_position:
            args += ["--near", f"{made.world.place.lat_deg:.3f},{made.world.place.lon_deg:.3f}"]
        args += ["--site", str(folder / "site.toml"), "--for", str(seconds), "--json"]
        code, out, err = _asked(args, clock, way, trust, caster.port)
    documents = [json.loads(text) for text in out.splitlines()] if has_rover else [json.loads(out)]
    outcome = CasterOutcome(case, way, "hubtack " + " ".join(args), code, documents[-1]["findings"], out, err)
    if PASSWORD in out or PASSWORD in err:
        outcome.bad.append("the password was printed")
    return outcome


def _asked(
    args: list[str], clock: MadeTime, way: Way, trust: dict[str, str], port: int
) -> tuple[int, str, str]:  # fmt: skip
    shown, said = io.StringIO(), io.StringIO()

    def network() -> None:
        for from_s, to_s, kind in way.network:
            if from_s <= clock.now_s() < to_s:
                _fail(kind, clock)

    with pytest.MonkeyPatch.context() as patch, passing(clock, network), contextlib.ExitStack() as stack:
        patch.setenv("HUBTACK_PASSWORD", PASSWORD)
        for name in ("http_proxy", "https_proxy", "all_proxy", "HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY"):
            patch.delenv(name, raising=False)
        for name, value in trust.items():
            patch.setenv(name, value)
        stack.enter_context(contextlib.redirect_stdout(shown))
        stack.enter_context(contextlib.redirect_stderr(said))
        code = main(args)
    return code, shown.getvalue(), said.getvalue()


def _fail(kind: str, clock: MadeTime) -> None:
    """What a network does, as the reader's own words for it (readers.network.connect_tcp), from the real errors."""
    errors: dict[str, OSError] = {
        "refused": ConnectionRefusedError(errno.ECONNREFUSED, os.strerror(errno.ECONNREFUSED)),
        "timeout": TimeoutError("timed out"),
        "name": socket.gaierror(socket.EAI_AGAIN, "Temporary failure in name resolution"),
        "route": OSError(errno.ENETUNREACH, os.strerror(errno.ENETUNREACH)),
    }
    from hubtack.readers import network

    def fails(*_: object, **__: object) -> socket.socket:
        raise errors[kind]

    if kind == "timeout":
        clock.sleep(10.0)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(network.socket, "create_connection", fails)
        _DIAL("caster.example", 2101, "caster_unreachable")
    raise SourceError("unreachable")


from hubtack.readers.network import connect_tcp as _DIAL  # noqa: E402  the real one, whatever stands in its place


def _starved(seed: int, seconds: int, span: tuple[float, float]) -> Simulated:
    """The same session, in which the rover hears nothing for a while."""

    def cut(world: World, rng: np.random.Generator) -> None:
        world.channel.silent.append(span)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(simulated, "FAULTS", {"cut": cut})
        return simulated.simulate(["cut"], "tidy", seed, seconds, 1.0, anywhere=True)


# Certificates --------------------------------------------------------------------------------------------------------


class Certificates:
    """An authority of our own, certificates of it, and some that are wrong; made when first asked for."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._made: set[str] = set()

    def _openssl(self, *args: str) -> None:
        subprocess.run(["openssl", *args], cwd=self.folder, check=True, capture_output=True)

    def of(self, name: str) -> tuple[Path, Path]:
        """Certificate and key: good, expired, early, name, self, unknown."""
        if name not in self._made:
            self._make(name)
            self._made.add(name)
        return self.folder / f"{name}.pem", self.folder / f"{name}.key"

    def _make(self, name: str) -> None:
        key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-keyout", f"{name}.key"]
        host = "other.example" if name == "name" else "localhost"
        names = ["-subj", f"/CN={host}", "-addext", f"subjectAltName=DNS:{host}"]
        if name in ("ca", "other-ca", "self"):
            whose = names if name == "self" else ["-subj", f"/CN={name}"]
            self._openssl("req", "-x509", *key, "-out", f"{name}.pem", "-days", "2", *whose)
            return
        authority = "other-ca" if name == "unknown" else "ca"
        self.of(authority)
        self._openssl("req", *key, "-out", f"{name}.csr", "-subj", f"/CN={host}")
        (self.folder / f"{name}.ext").write_text(f"subjectAltName=DNS:{host}\n")
        dates = {"expired": ("20200101000000Z", "20200102000000Z"), "early": ("20990101000000Z", "20990102000000Z")}
        start, end = dates.get(name, ("20200101000000Z", "20990102000000Z"))
        (self.folder / f"{authority}.db").touch()
        (self.folder / "ca.conf").write_text(
            f"[ca]\ndefault_ca=d\n[d]\ndir=.\nnew_certs_dir=.\ndatabase={authority}.db\nrand_serial=yes\n"
            "default_md=sha256\npolicy=p\nunique_subject=no\n[p]\ncommonName=supplied\n"
        )
        signed = ["-cert", f"{authority}.pem", "-keyfile", f"{authority}.key", "-startdate", start, "-enddate", end]
        files = ["-in", f"{name}.csr", "-out", f"{name}.pem", "-extfile", f"{name}.ext"]
        self._openssl("ca", "-batch", "-notext", "-config", "ca.conf", *signed, *files)


_CERTIFICATES: list[Certificates] = []


def _tls_of(way: Way) -> tuple[ssl.SSLContext | None, dict[str, str]]:
    """The caster's side of TLS, and what the client is to trust."""
    if not way.tls:
        return None, {}
    if not _CERTIFICATES:
        import tempfile

        _CERTIFICATES.append(Certificates(Path(tempfile.mkdtemp(prefix="hubtack-board-"))))
    made = _CERTIFICATES[0]
    trust = {"SSL_CERT_FILE": str(made.of("ca")[0]), "SSL_CERT_DIR": str(made.folder / "none")}
    if way.tls == "plain":
        return None, trust
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*made.of(way.tls))
    return context, trust


# The board -----------------------------------------------------------------------------------------------------------


def caster_row(outcome: CasterOutcome) -> Row:
    """The outcome as a row of the table."""
    codes = [str(f["code"]) for f in outcome.findings if f["severity"] != "note" or f["code"].startswith("caster_")]
    if not outcome.way.right:  # nothing was done: anything at stop level is wrong, and any word on the caster
        codes = [c for c in codes if c.startswith("caster_") or c in _stops(outcome)]
    said = codes[0] if codes else "nothing"
    if outcome.bad:
        said = outcome.bad[0]
    right = said in outcome.way.right if outcome.way.right else said == "nothing"
    again = f"{outcome.case.way}:{outcome.case.seed} ({outcome.way.about}; exit {outcome.code}) {outcome.command}"
    return Row(outcome.case.way, said, right, again)


def _stops(outcome: CasterOutcome) -> set[str]:
    return {str(f["code"]) for f in outcome.findings if f["severity"] == "stop"}
