"""The NTRIP source: sockets and TLS around the protocol of ``hubtack.ntrip``."""

from __future__ import annotations

import base64
import dataclasses
import secrets
import socket
import ssl
import threading
import urllib.parse
from collections.abc import Callable

from hubtack.errors import SourceError
from hubtack.ntrip.causes import CAUSES
from hubtack.ntrip.exchange import Again, Data, Exchange, Failed, Opened, Send, SendPosition, Table, Wanted, WantTable
from hubtack.ntrip.policy import Memory
from hubtack.ntrip.sourcetable import SourceTable
from hubtack.readers.base import POLL_S, READ_SIZE, Emit
from hubtack.readers.chunk import Chunk, Notice, SourceState
from hubtack.readers.clock import Clock, RealClock
from hubtack.readers.network import CONNECT_TIMEOUT_S, connect_tcp
from hubtack.readers.proxy import connect_through, proxy_for
from hubtack.readers.retry import Backoff
from hubtack.readers.urls import SourceSpec
from hubtack.secret import MASK, Secret

Place = Callable[[], "tuple[float, float, float] | None"]
TLS_GREETING_S = 5.0
_MAY_BE_TLS = ("closed_unanswered", "not_a_caster")  # what a port that speaks TLS makes of a plain request
MAX_AGAIN = 4  # version, then Digest, then a fresh nonce: more than that is a loop


def connect(spec: SourceSpec) -> socket.socket:
    """A socket to the caster: through a proxy where one is set, with TLS where the URL asks for it.

    Raises
    ------
    SourceError
        With code ``caster_unreachable`` or ``caster_tls``.
    """
    sock = _dial(spec)
    if not spec.tls:
        return sock
    sock.settimeout(CONNECT_TIMEOUT_S)
    try:
        wrapped = ssl.create_default_context().wrap_socket(sock, server_hostname=spec.host)
    except ssl.SSLCertVerificationError as err:
        sock.close()
        cause = CAUSES["tls_verify"]
        why = _why_untrusted(err, spec.host)
        raise SourceError(
            f"{spec.label}: {cause.summary}: {why}; {cause.next_steps[0]}", code=cause.code, retry=False
        ) from err
    except (ssl.SSLError, OSError) as err:
        sock.close()
        cause = CAUSES["tls_handshake"]
        why = getattr(err, "reason", None) or err.strerror or str(err) or "no answer"
        raise SourceError(f"{spec.label}: {cause.summary} ({why}); {cause.next_steps[0]}", code=cause.code) from err
    wrapped.settimeout(POLL_S)
    return wrapped


def _dial(spec: SourceSpec) -> socket.socket:
    """A plain socket to the caster's port, through a proxy where one is set."""
    proxy = proxy_for(spec.host, tls=spec.tls)
    if proxy is not None:
        return connect_through(proxy, spec.host, spec.port)
    return connect_tcp(spec.host, spec.port, "caster_unreachable")


def speaks_tls(spec: SourceSpec) -> bool:
    """Whether the port answers a TLS greeting. Nothing of ours goes there, no login and no request: no trust is needed."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    try:
        with _dial(spec) as sock:
            sock.settimeout(TLS_GREETING_S)
            context.wrap_socket(sock, server_hostname=spec.host).close()
    except (OSError, SourceError):  # SSLError is an OSError
        return False
    return True


def _why_untrusted(err: ssl.SSLCertVerificationError, host: str) -> str:
    """X509_V_ERR numbers of OpenSSL (x509_vfy.h) in the user's words."""
    if err.verify_code == 10:
        return "it has expired (or this computer's date is wrong)"
    if err.verify_code == 9:
        return "it is not valid yet (is this computer's date right?)"
    if err.verify_code in (62, 64):
        return f"it is not made out to {host}"
    if err.verify_code in (18, 19):
        return "it is self-signed"
    if err.verify_code in (2, 20, 21):
        return "its issuer is not known to this computer"
    return str(err.verify_message or "it failed the check")


class NtripReader:
    """A mount point of a caster, connected again for as long as that makes sense."""

    def __init__(
        self,
        spec: SourceSpec,
        name: str,
        *,
        clock: Clock | None = None,
        near: tuple[float, float] | None = None,
        position: Place | None = None,
        password: Secret | None = None,
        send_position: str = "auto",
        backoff: Backoff | None = None,
    ) -> None:
        self.name = name
        self.label = spec.label
        self._spec = spec
        self._clock: Clock = clock or RealClock()
        self._near = near
        self._position = position
        mode: SendPosition = "always" if send_position == "always" else "never" if send_position == "never" else "auto"
        self._wanted = Wanted(spec.host, spec.port, spec.mount, spec.user, password or spec.password, mode, spec.tls)
        self._memory = Memory(spec.label, spec.mount)
        self._backoff = backoff or Backoff()
        self._greeted = False

    def check(self) -> None:
        """A caster is checked by connecting, which the thread does."""

    def _place(self) -> tuple[float, float, float] | None:
        place = self._position() if self._position is not None else None
        if place is None and self._near is not None:
            place = (*self._near, 0.0)
        return place

    def _notice(self, state: SourceState, message: str, code: str | None = None) -> Notice:
        return Notice(self.name, state, message, code, self._clock.utc_ns(), self._clock.mono_ns())

    def run(self, emit: Emit, stop: threading.Event) -> None:
        """Stream until ``stop`` is set or the caster refuses for good."""
        while not stop.is_set():
            streamed_s: float | None = None
            try:
                failed, streamed_s = self._connection(emit, stop)
                failed = failed and _unsaid(failed, self._wanted)
            except SourceError as err:
                if err.code == "caster_tls" and err.retry is False:
                    emit(self._notice(SourceState.REFUSED, str(err), err.code))
                    return
                refused = isinstance(err.__cause__, ConnectionRefusedError)
                key = "tls_handshake" if err.code == "caster_tls" else "refused" if refused else "unreachable"
                verdict = self._memory.judge(Failed(key, str(err)), None)
                said = str(err) if verdict.cause.key == key else verdict.message
            else:
                if failed is None or stop.is_set():
                    return
                if failed.cause == "mount_unknown" and self._memory.table is None:
                    self._memory.table = self._fetch_table(stop)
                if failed.cause in _MAY_BE_TLS and not self._memory.worked and not self._greeted:
                    self._greeted = True  # once: a caster that hangs up may count the connections
                    failed = _or_tls(failed, self._spec)
                verdict = self._memory.judge(failed, streamed_s)
                said = verdict.message
            if not verdict.retry:
                emit(self._notice(SourceState.REFUSED, said, verdict.cause.code))
                return
            self._backoff.worked(streamed_s or 0.0)
            self._backoff.at_least(verdict.pause_s)
            pause_s = max(self._backoff.next_s(), verdict.pause_s)
            emit(self._notice(SourceState.FAILED, f"{said}; next try in {pause_s:.0f} s", verdict.cause.code))
            self._clock.wait(stop, pause_s)

    def _connection(self, emit: Emit, stop: threading.Event) -> tuple[Failed | None, float | None]:
        """One stream, with the tries that belong to it; gives its end and for how long data came. [s]"""
        memory = self._memory
        for _ in range(MAX_AGAIN):
            exchange = Exchange(
                self._wanted,
                version=memory.version,
                challenge=memory.challenge,
                cnonce=secrets.token_hex(8),
                needs_position=memory.needs_position,
            )
            end: Failed | Again | None = None
            with connect(self._spec) as sock:
                try:
                    end = self._talk(sock, exchange, emit, stop)
                except OSError as err:
                    end = Failed("dropped" if exchange.data_bytes else "closed_unanswered", err.strerror or str(err))
            if isinstance(end, Again):
                memory.version, memory.challenge = end.version, end.challenge
                continue
            streamed_s = (self._clock.mono_ns() - exchange.first_data_ns) * 1e-9 if exchange.data_bytes else None
            return end, streamed_s
        return Failed("login_wrong", "the caster asks for the login again and again"), None

    def _talk(
        self, sock: socket.socket, exchange: Exchange, emit: Emit, stop: threading.Event
    ) -> Failed | Again | None:
        clock, memory = self._clock, self._memory
        sock.sendall(exchange.start(clock.mono_ns(), clock.utc_ns(), self._place()))
        while not stop.is_set():
            try:
                data = sock.recv(READ_SIZE)
                steps = exchange.receive(data, clock.mono_ns()) if data else exchange.eof(clock.mono_ns())
            except (TimeoutError, ssl.SSLWantReadError):
                steps = []
            steps += exchange.tick(clock.mono_ns(), clock.utc_ns(), self._place())
            for step in steps:
                if isinstance(step, Data):
                    memory.streamed()
                    emit(Chunk(self.name, step.data, clock.utc_ns(), clock.mono_ns()))
                elif isinstance(step, Opened):
                    form = {0: "no answer line", 1: "NTRIP 1.0", 2: "NTRIP 2.0"}[step.version]
                    emit(self._notice(SourceState.OPENED, f"{self.label} is open ({form})"))
                elif isinstance(step, Send):
                    sock.sendall(step.data)
                elif isinstance(step, Table):
                    memory.table = step.table
                elif isinstance(step, WantTable):
                    memory.table = memory.table or self._fetch_table(stop)
                    exchange.needs_position = memory.needs_position
                else:
                    return step
        return None

    def _fetch_table(self, stop: threading.Event) -> SourceTable | None:
        try:
            return fetch_table(self._spec, self._wanted.password, self._clock, stop)
        except SourceError:
            return None  # the stream's own failure is told; the table would only have helped to explain it


def _or_tls(failed: Failed, spec: SourceSpec) -> Failed:
    """``failed``, or that a plain request came to a port that speaks TLS: many close it without a word."""
    if spec.tls or failed.cause not in _MAY_BE_TLS or not speaks_tls(spec):
        return failed
    return Failed("tls_wanted", "it answers a TLS greeting, and no plain request")


def _unsaid(failed: Failed, wanted: Wanted) -> Failed:
    """``failed`` without the login, which a caster may send back in its refusal: that text goes to screens and logs."""
    if not wanted.password:
        return failed
    password = wanted.password.reveal()
    login = f"{wanted.user}:{password}".encode()
    said = failed.detail
    for form in (base64.b64encode(login).decode(), urllib.parse.quote(password, safe=""), password):
        said = said.replace(form, MASK)
    return dataclasses.replace(failed, detail=said)


def fetch_table(
    spec: SourceSpec, password: Secret | None = None, clock: Clock | None = None, stop: threading.Event | None = None
) -> SourceTable:
    """The caster's source table; the login is sent only where the caster asks for one.

    Raises
    ------
    SourceError
        With the caster's finding code.
    """
    clock, stop = clock or RealClock(), stop or threading.Event()
    version, challenge, with_login = 2, None, False
    for _ in range(MAX_AGAIN + 1):
        wanted = Wanted(
            spec.host,
            spec.port,
            "",
            spec.user if with_login else "",
            password if with_login else None,
            "never",
            spec.tls,
        )
        exchange = Exchange(wanted, version=version, challenge=challenge, cnonce=secrets.token_hex(8))
        failed: Failed | None = None
        again = False
        with connect(spec) as sock:
            try:
                sock.sendall(exchange.start(clock.mono_ns(), clock.utc_ns(), None))
                while not exchange.done and not stop.is_set():
                    try:
                        data = sock.recv(READ_SIZE)
                        steps = exchange.receive(data, clock.mono_ns()) if data else exchange.eof(clock.mono_ns())
                    except (TimeoutError, ssl.SSLWantReadError):
                        steps = []
                    steps += exchange.tick(clock.mono_ns(), clock.utc_ns(), None)
                    for step in steps:
                        if isinstance(step, Table):
                            return step.table
                        if isinstance(step, Opened):
                            failed = Failed("not_a_caster", "a stream came where the source table was asked for")
                        elif isinstance(step, Again):
                            version, challenge, again = step.version, step.challenge, True
                        elif isinstance(step, Failed):
                            failed = step
                    if failed is not None:
                        break
            except OSError as err:
                failed = Failed("closed_unanswered", err.strerror or str(err))
        if again:
            continue
        if (
            failed is not None
            and failed.cause == "login_missing"
            and spec.user
            and password is not None
            and not with_login
        ):
            with_login = True
            continue
        failed = _unsaid(_or_tls(failed or Failed("no_answer"), spec), wanted)
        verdict = Memory(spec.label, "").judge(failed, None)
        raise SourceError(verdict.message, code=verdict.cause.code, retry=verdict.retry)
    raise SourceError(f"{spec.label}: the caster asks for the login again and again", code="caster_auth", retry=False)
