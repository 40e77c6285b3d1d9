"""The one door of decoding: bytes of one source in, tables out, for any cut of the bytes the same."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hubtack.decode.columns import MIN_BYTES, decode_lines
from hubtack.decode.layouts import LayoutBook
from hubtack.decode.nmea import parse_sentence, sentence_row
from hubtack.decode.rtcm import decode_frames
from hubtack.decode.stamps import LONGEST as LONGEST_STAMP
from hubtack.decode.stamps import stamp_utc_s
from hubtack.decode.tables import MOST_FAILURES, Counts, Decoded, Rows, Span, unpack_text
from hubtack.decode.tidy import MARGIN
from hubtack.framing.scan import Scan, scan_frames
from hubtack.framing.splitter import Kind, Piece, Splitter, split_text
from hubtack.knowledge.leap_seconds import CURRENT_LEAP_S
from hubtack.knowledge.messages import is_known

_Records = dict[str, list[tuple[int, int, list[float]]]]


class Decoder:
    """Decodes one source. ``observables`` adds ranges to the satellite rows; with ``on_request`` they can be had for
    chosen frames (``Decoded.cells_of``); payloads of ``keep_payloads`` are kept.

    Small input goes through the splitter and the scalar reader; of a block the frames are found first, then its lines
    by columns, and what is odd between them goes through the scalar reader in its place. The tables are the same.
    """

    def __init__(
        self,
        *,
        observables: bool = False,
        on_request: bool = False,
        keep_payloads: frozenset[int] | set[int] = frozenset(),
    ) -> None:
        self._splitter = Splitter()
        self._observables = observables
        self._on_request = on_request
        self._keep = frozenset(keep_payloads)
        # Where a message number was first seen in a good frame, and an address with a good checksum. By place and not
        # by order of work, since a block's odd lines are read after its tidy ones.
        self._first_type: dict[int, int] = {}
        self._first_checked: dict[str, int] = {}
        self._known: dict[str, list[float]] = {}  # packed talkers in the tables so far, by formatter
        self._book = LayoutBook()
        self._tail = b""  # the last other bytes of the running line, where a stamp may stand
        self._tail_end = 0
        self.leap_s = CURRENT_LEAP_S

    @property
    def pending(self) -> int:
        """Bytes held back until a sentence or a frame is whole."""
        return self._splitter.pending

    def feed(self, data: bytes) -> Decoded:
        """Tables of the records that ``data`` completes."""
        if len(data) < MIN_BYTES:
            decoded = self._decode(self._splitter.feed(data))
        else:
            apart = Decoded()
            if self._tail_end != self._splitter.position:
                self._settle(apart, 0)  # frames have come since: no stamp of the block's first sentence
            # What may be a stamp in front of the block's first sentence belongs to the block too.
            parts = (self._tail, self._splitter.hand_over(), data)
            base = self._splitter.position - len(self._tail)
            self._tail = b""
            block = b"".join((*parts, bytes(MARGIN)))  # copied once, with room behind for the reader of whole words
            decoded = Decoded.joined([apart, self._block(block, len(block) - MARGIN, base)])
        decoded.counts.bytes = len(data)
        return decoded

    def release(self) -> Decoded:
        """Tables of what a false preamble holds back, for a link that has been quiet past a deadline.

        A frame or a line that has half come is kept and can still be completed (see ``Splitter.release``).
        """
        return self._decode(self._splitter.release())

    def flush(self) -> Decoded:
        """Tables of what is held back, at the end of input."""
        decoded = self._decode(self._splitter.flush())
        self._settle(decoded, 0)
        return decoded

    def _block(self, data: bytes, size: int, base: int) -> Decoded:
        scan = scan_frames(data, size)
        last_frame = scan.start[-1] + scan.length[-1] if scan.start else 0
        tail = max(last_frame, data.rfind(b"\n", 0, scan.limit) + 1)  # the line or frame that the block does not end
        start, length = np.array(scan.start, dtype=np.int64), np.array(scan.length, dtype=np.int64)
        out = Decoded()
        out.counts.frames = len(start)
        decode_frames(
            data, start, length, start + base, out,
            leap_s=self.leap_s, observables=self._observables, on_request=self._on_request, keep_payloads=self._keep,
        )  # fmt: skip
        self._note_types(out.frames)
        parts = [out]
        text_bytes = tail - int(length.sum())
        if text_bytes >= MIN_BYTES // 2:
            lines = decode_lines(data, base, scan.start, scan.length, self._book, tail)
            out.sentences, out.counts.by_formatter = lines.sentences, lines.by_formatter
            out.counts.sentences = sum(lines.by_formatter.values())
            self._note_addresses(lines.sentences)
            odd = lines.odd
        else:
            odd = _between(start, length, tail) if text_bytes else []
        if odd:
            parts.append(self._decode(_pieces(data, base, odd, scan)))
        self._splitter.move_to(base + tail)
        parts.append(self._decode(self._splitter.feed(data[tail:size])))
        return Decoded.joined(parts)

    def _note_types(self, frames: Rows) -> None:
        types, first = np.unique(frames["type"], return_index=True)
        for number, i in zip(types.tolist(), first.tolist(), strict=True):
            self._first_type.setdefault(int(number), int(frames.pos[i]))

    def _note_addresses(self, sentences: dict[str, Rows]) -> None:
        for formatter, rows in sentences.items():
            talker = rows["talker"]
            for packed in self._talkers(formatter, talker, rows.pos):
                address = unpack_text(packed) + formatter
                at = int(rows.pos[np.argmax(talker == packed)])
                self._first_checked[address] = min(at, self._first_checked.get(address, at))

    def _talkers(self, formatter: str, talker: NDArray[np.float64], pos: NDArray[np.int64]) -> list[float]:
        """Talkers of a table that have not been heard with this formatter before its first row."""
        known = self._known.setdefault(formatter, [])
        new = np.ones(len(talker), dtype=bool)
        for packed in known:
            if self._first_checked[unpack_text(packed) + formatter] <= int(pos[0]):
                new &= talker != packed
        fresh: list[float] = np.unique(talker[new]).tolist()
        known.extend(packed for packed in fresh if packed not in known)
        return fresh

    def _decode(self, pieces: list[Piece]) -> Decoded:
        decoded = Decoded()
        counts = decoded.counts
        records: _Records = {}
        frames: list[Piece] = []
        for piece in pieces:
            if self._tail and (piece.pos != self._tail_end or piece.kind > Kind.SENTENCE):
                self._settle(decoded, 0)
            if piece.kind is Kind.SENTENCE:
                self._sentence(piece, decoded, records)
            elif piece.kind is Kind.FRAME:
                frames.append(piece)
                counts.frames += 1
                if len(piece.data) > 8:
                    self._first_type.setdefault(piece.data[3] << 4 | piece.data[4] >> 4, piece.pos)
            elif piece.kind is Kind.BAD_CRC:
                self._bad_crc(piece, decoded)
            else:
                self._other(piece, decoded)
        decoded.sentences = {formatter: Rows.of(formatter, rows) for formatter, rows in records.items()}
        if frames:
            length = np.array([len(f.data) for f in frames], dtype=np.int64)
            decode_frames(
                b"".join(f.data for f in frames), np.cumsum(length) - length, length,
                np.array([f.pos for f in frames], dtype=np.int64), decoded,
                leap_s=self.leap_s, observables=self._observables, on_request=self._on_request, keep_payloads=self._keep,
            )  # fmt: skip
        return decoded

    def _sentence(self, piece: Piece, decoded: Decoded, records: _Records) -> None:
        counts = decoded.counts
        sentence = parse_sentence(piece.data)
        stamp_s, stamp_bytes = stamp_utc_s(self._tail) if self._tail else (float("nan"), 0)
        self._settle(decoded, stamp_bytes)
        if sentence.checksum is False:
            counts.bad_checksums += 1
            _note(counts, piece.pos, "bad checksum")
            return
        if not sentence.formatter.isalnum():
            _note_other(decoded, piece.pos, piece.data)  # a dollar sign in text or binary is no sentence
            return
        row = sentence_row(sentence, stamp_s)
        first = self._first_checked.get(sentence.address, piece.pos)
        if sentence.checksum is None and row is not None and first < piece.pos:
            # This sender gives this sentence a checksum; without one it has been cut, and so may its numbers be.
            counts.bad_checksums += 1
            _note(counts, piece.pos, "checksum missing")
            return
        if sentence.checksum is None:
            counts.no_checksum += 1
        elif row is not None:
            self._first_checked[sentence.address] = min(piece.pos, first)
        counts.sentences += 1
        counts.by_formatter[sentence.formatter] = counts.by_formatter.get(sentence.formatter, 0) + 1
        if row is not None:
            records.setdefault(sentence.formatter, []).append((piece.pos, piece.end, row))

    def _other(self, piece: Piece, decoded: Decoded) -> None:
        """Count other bytes, except the end of the running line: it may be a stamp, which the next piece will tell."""
        kept = self._tail + piece.data
        line = max(kept.rfind(b"\n"), kept.rfind(b"\r"))
        keep = max(line + 1, len(kept) - LONGEST_STAMP)
        _note_other(decoded, piece.end - len(kept), kept[:keep])
        self._tail, self._tail_end = kept[keep:], piece.end

    def _settle(self, decoded: Decoded, stamp_bytes: int) -> None:
        """What has waited for a sentence to follow is other bytes, but for the stamp at its end."""
        tail, self._tail = self._tail, b""
        _note_other(decoded, self._tail_end - len(tail), tail[: len(tail) - stamp_bytes])

    def _bad_crc(self, piece: Piece, decoded: Decoded) -> None:
        """A failed CRC is a damaged frame only where its type is known or has been seen; else it is noise."""
        if is_known(piece.type) or self._first_type.get(piece.type, piece.pos) < piece.pos:
            decoded.counts.bad_crc += 1
            _note(decoded.counts, piece.pos, "bad CRC")
            decoded.spans.append(Span(piece.pos, piece.pos + piece.length, "bad_crc"))
        else:
            _note_other(decoded, piece.pos, piece.data)


def _between(start: NDArray[np.int64], length: NDArray[np.int64], tail: int) -> list[tuple[int, int]]:
    """Stretches up to ``tail`` that are not frames."""
    begin = np.concatenate(([0], start + length))
    end = np.concatenate((start, [tail]))
    keep = end > begin
    return list(zip(begin[keep].tolist(), end[keep].tolist(), strict=True))


def _pieces(data: bytes, base: int, stretches: list[tuple[int, int]], scan: Scan) -> list[Piece]:
    """Stretches without frames as the splitter would have cut them; failed frames have been found by the scan."""
    pieces: list[Piece] = []
    bad = iter(scan.bad)
    claim = next(bad, None)
    for begin, end in stretches:
        while claim is not None and claim[0] < end:
            at, number, length = claim
            pieces.extend(split_text(data[begin:at], base + begin))
            pieces.append(Piece(Kind.BAD_CRC, base + at, data[at : at + 1], number, length))
            begin = at + 1
            claim = next(bad, None)
        pieces.extend(split_text(data[begin:end], base + begin))
    return pieces


def _note_other(decoded: Decoded, pos: int, data: bytes) -> None:
    """Count bytes that are neither sentence nor frame; line ends belong to the sentences."""
    n = len(data) - data.count(b"\r") - data.count(b"\n")
    if n:
        decoded.counts.other_bytes += n
        skip = len(data) - len(data.lstrip(b"\r\n"))
        decoded.spans.append(Span(pos + skip, pos + len(data.rstrip(b"\r\n")), "other"))


def _note(counts: Counts, offset: int, what: str) -> None:
    if len(counts.failures) < MOST_FAILURES:
        counts.failures.append((offset, what))
