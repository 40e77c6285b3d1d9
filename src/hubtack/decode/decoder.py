"""The one door of decoding: bytes of one source in, tables out, for any cut of the bytes the same."""

from __future__ import annotations

import datetime as dt
import re

import numpy as np

from hubtack.decode.columns import MIN_BYTES, decode_lines
from hubtack.decode.nmea import parse_sentence, sentence_row
from hubtack.decode.rtcm import Frame, decode_frames
from hubtack.decode.tables import Counts, Decoded, Rows, Span
from hubtack.framing.splitter import Kind, Piece, Splitter
from hubtack.knowledge.leap_seconds import CURRENT_LEAP_S
from hubtack.knowledge.messages import is_known

_STAMP_TAIL = 40  # a logger's stamp is looked for in this many bytes before a sentence
_ISO_STAMP = re.compile(rb"(\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:\.\d{1,9})?)(Z|[+-]\d\d:?\d\d)?[ ,;\t]+\Z")
_EPOCH_STAMP = re.compile(rb"(\d{9,10}\.\d{1,9}|\d{9,10})[ ,;\t]+\Z")
_LINE_ENDS = b"\r\n"
MOST_FAILURES = 1000


class Decoder:
    """Decodes one source. ``observables`` adds ranges to the satellite rows; payloads of ``keep_payloads`` are kept."""

    def __init__(self, *, observables: bool = False, keep_payloads: frozenset[int] | set[int] = frozenset()) -> None:
        self._splitter = Splitter()
        self._observables = observables
        self._keep = frozenset(keep_payloads)
        self._seen_types: set[int] = set()
        self._tail = b""  # the last other bytes of the running line, where a stamp may stand
        self._tail_end = 0
        self.leap_s = CURRENT_LEAP_S

    @property
    def pending(self) -> int:
        """Bytes held back until a sentence or a frame is whole."""
        return self._splitter.pending

    def feed(self, data: bytes) -> Decoded:
        """Tables of the records that ``data`` completes."""
        if len(data) >= MIN_BYTES and b"\xd3" not in data:
            decoded = self._feed_lines(data)
        else:
            decoded = self._decode(self._splitter.feed(data))
        decoded.counts.bytes = len(data)
        return decoded

    def _feed_lines(self, data: bytes) -> Decoded:
        """A block of lines without any RTCM preamble: by columns, with the odd lines in their place by the scalar way.

        The line that is being received when the block begins, and the one it ends with, are the splitter's.
        """
        head = data.find(b"\n") + 1 if self._splitter.pending or self._tail else 0
        tail = data.rfind(b"\n") + 1
        if tail - head < MIN_BYTES // 2 or (self._splitter.pending and not head):
            return self._decode(self._splitter.feed(data))
        parts = [self._decode(self._splitter.feed(data[:head]))]
        if self._splitter.pending:  # a false preamble from before is still waiting for its bytes
            return _joined([*parts, self._decode(self._splitter.feed(data[head:]))])
        base = self._splitter.position
        block = decode_lines(data[head:tail], base)
        lines = Decoded(sentences=block.sentences)
        lines.counts.by_formatter = block.by_formatter
        lines.counts.sentences = sum(block.by_formatter.values())
        parts.append(lines)
        for a, b in block.odd:
            self._splitter.move_to(base + a)
            parts.append(self._decode(self._splitter.feed(data[head + a : head + b])))
            parts.append(self._decode(self._splitter.flush()))
        self._splitter.move_to(base + tail - head)
        self._tail = b""
        parts.append(self._decode(self._splitter.feed(data[tail:])))
        return _joined(parts)

    def flush(self) -> Decoded:
        """Tables of what is held back, at the end of input or when a quiet link has let a deadline pass."""
        return self._decode(self._splitter.flush())

    def _decode(self, pieces: list[Piece]) -> Decoded:
        decoded = Decoded()
        counts = decoded.counts
        records: dict[str, list[tuple[int, int, list[float]]]] = {}
        frames: list[Frame] = []
        for piece in pieces:
            if piece.kind is Kind.SENTENCE:
                self._sentence(piece, counts, records)
            elif piece.kind is Kind.FRAME:
                frames.append((piece.pos, piece.data))
                counts.frames += 1
                if len(piece.data) > 8:
                    self._seen_types.add(piece.data[3] << 4 | piece.data[4] >> 4)
            elif piece.kind is Kind.BAD_CRC:
                self._bad_crc(piece, decoded)
            else:
                self._other(piece, decoded)
        decoded.sentences = {formatter: Rows.of(formatter, rows) for formatter, rows in records.items()}
        decode_frames(frames, decoded, leap_s=self.leap_s, observables=self._observables, keep_payloads=self._keep)
        return decoded

    def _sentence(self, piece: Piece, counts: Counts, records: dict[str, list[tuple[int, int, list[float]]]]) -> None:
        sentence = parse_sentence(piece.data)
        stamp_utc_s, stamp_bytes = self._stamp(piece.pos)
        counts.other_bytes -= stamp_bytes
        if sentence.checksum is False:
            counts.bad_checksums += 1
            _note(counts, piece.pos, "bad checksum")
            return
        if not sentence.formatter.isalnum():
            counts.other_bytes += len(piece.data)  # a dollar sign in text or binary is no sentence
            return
        if sentence.checksum is None:
            counts.no_checksum += 1
        counts.sentences += 1
        counts.by_formatter[sentence.formatter] = counts.by_formatter.get(sentence.formatter, 0) + 1
        row = sentence_row(sentence, stamp_utc_s)
        if row is not None:
            records.setdefault(sentence.formatter, []).append((piece.pos, piece.end, row))

    def _stamp(self, pos: int) -> tuple[float, int]:
        """UTC seconds of a logger's stamp that ends right before ``pos``, and its length; NaN and 0 without one."""
        tail, self._tail = self._tail, b""
        if not tail or self._tail_end != pos:
            return float("nan"), 0
        match = _ISO_STAMP.search(tail)
        if match is not None:
            zone = match[2] or b"Z"
            text = match[1].decode().replace(" ", "T")
            try:
                whole, _, part = text.partition(".")
                when = dt.datetime.fromisoformat(whole + (zone.decode().replace("Z", "+00:00")))
            except ValueError:
                return float("nan"), 0
            seconds = when.timestamp() + (int(part) / 10 ** len(part) if part else 0.0)
            return seconds, len(match[0])
        match = _EPOCH_STAMP.search(tail)
        if match is not None:
            return float(match[1]), len(match[0])
        return float("nan"), 0

    def _other(self, piece: Piece, decoded: Decoded) -> None:
        data = piece.data
        kept = self._tail + data if self._tail_end == piece.pos else data
        line = max(kept.rfind(b"\n"), kept.rfind(b"\r"))
        self._tail, self._tail_end = kept[line + 1 :][-_STAMP_TAIL:], piece.end
        n = len(data) - data.count(b"\r") - data.count(b"\n")  # line ends belong to the sentences
        decoded.counts.other_bytes += n
        if n:
            decoded.spans.append(Span(piece.pos, piece.end, "other"))

    def _bad_crc(self, piece: Piece, decoded: Decoded) -> None:
        """A failed CRC is a damaged frame only where its type is known or has been seen; else it is noise."""
        self._tail = b""
        if is_known(piece.type) or piece.type in self._seen_types:
            decoded.counts.bad_crc += 1
            _note(decoded.counts, piece.pos, "bad CRC")
            decoded.spans.append(Span(piece.pos, piece.pos + piece.length, "bad_crc"))
        else:
            decoded.counts.other_bytes += 1


def _joined(parts: list[Decoded]) -> Decoded:
    """Decoded stretches of one block as one, each kind in the order of its bytes."""
    whole = Decoded()
    by_kind: dict[str, list[Rows]] = {}
    for part in parts:
        for kind, rows in part.sentences.items():
            by_kind.setdefault(kind, []).append(rows)
        whole.counts.add(part.counts)
        whole.spans.extend(part.spans)
    for kind, tables in by_kind.items():
        rows = Rows.concat(tables)
        whole.sentences[kind] = rows.take(np.argsort(rows.pos, kind="stable")) if len(tables) > 1 else rows
    whole.spans.sort(key=lambda span: span.pos)
    return whole


def _note(counts: Counts, offset: int, what: str) -> None:
    if len(counts.failures) < MOST_FAILURES:
        counts.failures.append((offset, what))
