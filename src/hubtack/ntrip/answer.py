"""What a caster answers: the head of an answer, and the body's coding.

Sans-I/O, and lenient where casters are known to need it.


bytes -> AnswerHead.feed -> Head (status, headers) + what follows -> BodyDecoder.feed -> the stream as the base sent it
"""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass, field

MAX_HEAD = 16_384
MAX_LINES = 100
ENOUGH_TO_TELL = 24  # bytes by which a page, a greeting or another protocol is known
_TLS = (b"\x15\x03", b"\x16\x03")  # alert and handshake records, RFC 8446, 5.1
# ``ICY 200 OK`` may be followed at once by data; only lines with these names are taken for headers behind it.
_ICY_HEADERS = re.compile(
    rb"(?:server|date|content-type|content-length|connection|cache-control|pragma|expires|transfer-encoding|"
    rb"(?:ntrip|icy|x)-[a-z0-9-]+)[ \t]*:",
    re.IGNORECASE,
)
_ICY_PREFIX = re.compile(rb"[A-Za-z][A-Za-z0-9-]{0,40}\Z")
_STATUS = re.compile(rb"(HTTP/\d(?:\.\d)?|ICY|SOURCETABLE)[ \t]+(\d{3})(?:[ \t]+(.*))?\Z", re.IGNORECASE | re.DOTALL)
_KNOWN = (b"HTTP/", b"ICY ", b"SOURCETABLE ", b"ERROR")


class BadAnswer(ValueError):
    """The answer is not one of a caster; the text says what came instead."""


@dataclass(frozen=True, slots=True)
class Head:
    """Protocol word (``HTTP/1.1``, ``ICY``, ``SOURCETABLE``, ``ERROR``; "" where data came at once) and the rest."""

    word: str
    status: int
    reason: str = ""
    headers: dict[str, list[str]] = field(default_factory=dict)

    def get(self, name: str) -> str:
        """First value of a header, lower-case name; "" where absent."""
        return self.headers.get(name, [""])[0]


class AnswerHead:
    """Collects the head of an answer from bytes cut anywhere."""

    def __init__(self) -> None:
        self._buffer = bytearray()

    @property
    def waiting(self) -> bytes:
        """Bytes that came so far."""
        return bytes(self._buffer)

    def feed(self, data: bytes) -> tuple[Head, bytes] | None:
        """The head and the first bytes of the body, once it is complete; None while more is needed.

        Raises
        ------
        BadAnswer
            No caster's answer, or one that goes beyond the limits.
        """
        self._buffer += data
        found = self._look()
        # Only now: a caster may send a short head and many bytes of the stream at once.
        if found is None and len(self._buffer) > MAX_HEAD:
            raise BadAnswer(f"the answer's header is longer than {MAX_HEAD} bytes")
        return found

    def _look(self) -> tuple[Head, bytes] | None:
        # Blank lines in front of a status line are to be forgiven (RFC 9112, 2.2).
        start = len(self._buffer) - len(self._buffer.lstrip(b"\r\n"))
        buffer = bytes(self._buffer[start:])
        if not buffer:
            return None
        if buffer[0] in (0xD3, 0x24):  # a frame or a sentence
            return Head("", 200), buffer
        known = any(buffer[: len(word)].upper() == word[: len(buffer)] for word in _KNOWN)
        if not known:
            if len(buffer) < ENOUGH_TO_TELL and b"\n" not in buffer and buffer[:2] not in _TLS:
                return None
            raise BadAnswer(what_came(buffer))
        first, newline, rest = buffer.partition(b"\n")
        if not newline:
            return None
        first = first.rstrip(b"\r")
        if first.upper().startswith(b"ERROR"):
            return Head("ERROR", 0, _text(first)), rest
        match = _STATUS.match(first)
        if match is None:
            raise BadAnswer(what_came(first))
        word = match[1].decode("ascii").upper()
        head = Head(word, int(match[2]), _text(match[3] or b""))
        if word == "ICY":
            return self._icy(head, rest)
        return self._headers(head, rest)

    def _icy(self, head: Head, rest: bytes) -> tuple[Head, bytes] | None:
        if not rest or rest == b"\r":
            return None  # the client opens on silence: data, headers or a blank line may follow
        if rest[:1] in (b"\r", b"\n") or not (_ICY_HEADERS.match(rest) or _ICY_PREFIX.match(rest)):
            return head, rest
        if _ICY_HEADERS.match(rest):
            return self._headers(head, rest)
        return None  # the start of a word: a header or text, the next bytes tell

    def _headers(self, head: Head, rest: bytes) -> tuple[Head, bytes] | None:
        lines = 0
        name = ""
        while True:
            line, newline, after = rest.partition(b"\n")
            if not newline:
                return None
            line = line.rstrip(b"\r")
            rest = after
            if not line:
                return head, rest
            lines += 1
            if lines > MAX_LINES:
                raise BadAnswer(f"the answer has more than {MAX_LINES} header lines")
            if line[:1] in b" \t" and name:
                head.headers[name][-1] += " " + _text(line.strip())
                continue
            key, colon, value = line.partition(b":")
            if not colon:
                # SOURCETABLE heads without the blank line: the first record ends the head.
                if head.word == "SOURCETABLE" and line[:4] in (b"STR;", b"CAS;", b"NET;"):
                    return head, line + b"\r\n" + rest
                continue
            name = _text(key.strip()).lower()
            head.headers.setdefault(name, []).append(_text(value.strip()))


def _text(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def what_came(buffer: bytes) -> str:
    """What an answer that is no caster's seems to be."""
    if looks_like_page(buffer):
        return "a web page came"
    if buffer[:2] in _TLS:
        return "this port speaks TLS"
    if buffer[:4] == b"SSH-":
        return "this is an SSH port"
    return f"the answer begins with {buffer[:40]!r}"


def looks_like_page(data: bytes) -> bool:
    """True for the start of an HTML or XML page."""
    head = data.lstrip(b"\xef\xbb\xbf \t\r\n")[:64].lower()
    return head.startswith((b"<!doc", b"<html", b"<?xml", b"<head", b"<body", b"<!--", b"<script", b"<meta"))


_SIZE = re.compile(rb"[ \t]*([0-9A-Fa-f]{1,8})[ \t]*(?:;[^\r\n]*)?\r?\n")
_SIZE_SO_FAR = re.compile(rb"[ \t]*[0-9A-Fa-f]{0,8}[ \t]*(?:;[^\r\n]*)?\r?\Z")
_BLANK = re.compile(rb"[\r\n]*")
MAX_SIZE_LINE = 256
MAX_CHUNK = 1 << 24


class BodyDecoder:
    """Takes the transfer coding off a body, whether it was announced, forgotten or only claimed.

    The first bytes decide: ``D3 00..03`` or ``$`` is data whatever the header says, and a size line in front of either
    is chunked coding whatever the header lacks. A size line that makes no sense later ends the body as ``broken``.
    ``packed``: the head says that the body is compressed (see ``is_packed``); it is believed where the bytes agree.
    """

    def __init__(self, *, announced: bool, drop_blank: bool = False, packed: bool = False) -> None:
        self._announced = announced
        self._unpacker = Unpacker() if packed else None
        self._drop_blank = drop_blank
        self._buffer = bytearray()
        self._mode = "undecided"
        self._left = 0
        self.ended = False
        self.broken = False

    def feed(self, data: bytes, *, end: bool = False) -> bytes:
        """The decoded bytes; with ``end`` nothing is held back."""
        self._buffer += data
        if self._drop_blank and self._buffer:
            # After ``ICY 200 OK`` one CR LF more may come, even in a packet of its own.
            if self._buffer[:1] == b"\r" and len(self._buffer) == 1 and not end:
                return b""
            if self._buffer[:2] == b"\r\n":
                del self._buffer[:2]
            elif self._buffer[:1] == b"\n":
                del self._buffer[:1]
            self._drop_blank = False
        if self._mode == "undecided":
            self._decide(end)
        if self._mode == "plain":
            out = bytes(self._buffer)
            self._buffer.clear()
            return self._unpack(out)
        if self._mode == "chunked":
            return self._unpack(self._unchunk())
        return b""

    def _unpack(self, data: bytes) -> bytes:
        if self._unpacker is None or not data:
            return data
        out = self._unpacker.feed(data)
        if self._unpacker.broken:
            self.ended = self.broken = True
        return out

    def _decide(self, end: bool) -> None:
        buffer = bytes(self._buffer)
        if not buffer:
            return
        size = _SIZE.match(buffer)
        if size is not None:
            first = buffer[size.end() : size.end() + 1]
            if self._announced:
                self._mode = "chunked"
            elif not first and not end:
                return
            else:
                known = (b"\xd3", b"$", _GZIP[:1]) if self._unpacker is not None else (b"\xd3", b"$")
                self._mode = "chunked" if first in known and int(size[1], 16) > 0 else "plain"
        elif end or len(buffer) > MAX_SIZE_LINE or not _SIZE_SO_FAR.match(buffer):
            self._mode = "plain"

    def _unchunk(self) -> bytes:
        out = bytearray()
        buffer = self._buffer
        while buffer and not self.ended:
            if self._left:
                part = buffer[: self._left]
                out += part
                self._left -= len(part)
                del buffer[: len(part)]
                continue
            blank = _BLANK.match(buffer)
            if blank is not None and blank.end():
                del buffer[: blank.end()]
                continue
            size = _SIZE.match(buffer)
            if size is None:
                if len(buffer) <= MAX_SIZE_LINE and _SIZE_SO_FAR.match(buffer):
                    break
                self._break(out)
            else:
                self._left = int(size[1], 16)
                del buffer[: size.end()]
                if self._left == 0:
                    self.ended = True
                elif self._left > MAX_CHUNK:
                    self._left = 0
                    self._break(out)
        return bytes(out)

    def _break(self, out: bytearray) -> None:
        """No byte is lost: what cannot be understood is handed on, and framing counts it as other bytes."""
        self.ended = self.broken = True
        out += self._buffer
        self._buffer.clear()


_GZIP = b"\x1f\x8b\x08"  # RFC 1952, 2.3.1: identification and the one method there is
_MOST_UNPACKED = 1 << 24  # from one read: corrections do not shrink much, what grows a thousandfold is none


def is_packed(head: Head) -> bool:
    """Whether the head says gzip, as the content's coding or the transfer's.

    A client that sends no Accept-Encoding has no preference (RFC 9110, 12.5.3): a proxy on the way may compress.
    """
    return "gzip" in f"{head.get('content-encoding')},{head.get('transfer-encoding')}".lower()


class Unpacker:
    """Takes gzip off a stream, as far as it has come; what is not gzip in spite of the header is left as it is.

    ``broken``: the compressed stream makes no sense from here on, or is far too large.
    """

    def __init__(self) -> None:
        self._start = b""
        self._inflate: zlib._Decompress | None = None
        self._plain = False
        self.broken = False

    def feed(self, data: bytes) -> bytes:
        """The bytes that can be told by now."""
        if self._plain:
            return data
        if self._inflate is None:
            self._start += data
            if self._start[: len(_GZIP)] != _GZIP[: len(self._start)]:
                self._plain = True
                return self._start
            if len(self._start) < len(_GZIP):
                return b""
            data, self._start = self._start, b""
            self._inflate = zlib.decompressobj(16 + zlib.MAX_WBITS)
        out = bytearray()
        try:
            while data:
                out += self._inflate.decompress(data, _MOST_UNPACKED + 1 - len(out))
                if len(out) > _MOST_UNPACKED:
                    self.broken = True
                    return b""
                data = self._inflate.unconsumed_tail
                if self._inflate.eof:  # one member has ended, and another may follow at once (RFC 1952, 2.2)
                    data = self._inflate.unused_data
                    self._inflate = zlib.decompressobj(16 + zlib.MAX_WBITS)
        except zlib.error:
            self.broken = True
        return bytes(out)
