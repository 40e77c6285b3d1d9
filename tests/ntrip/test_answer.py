"""Every form of answer in three ways: whole, byte by byte, and with trailing bytes."""

import contextlib
import gzip
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hubtack.ntrip.answer import AnswerHead, BadAnswer, BodyDecoder

# The 1005 example of RTCM 10403.3, section 4
FRAME = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")
HTTP = b"HTTP/1.1 200 OK\r\nNtrip-Version: Ntrip/2.0\r\nContent-Type: gnss/data\r\n\r\n"


def whole(data):
    return [data]


def single(data):
    return [data[i : i + 1] for i in range(len(data))]


def read(pieces):
    """Head and body of an answer, as a client would take them."""
    head, body, decoder = AnswerHead(), b"", None
    status = None
    for piece in pieces:
        if decoder is None:
            found = head.feed(piece)
            if found is None:
                continue
            status, piece = found
            decoder = BodyDecoder(
                announced="chunked" in status.get("transfer-encoding").lower(), drop_blank=status.word == "ICY"
            )
        body += decoder.feed(piece)
    if decoder is not None:
        body += decoder.feed(b"", end=True)
    return status, body, decoder


@pytest.mark.parametrize("cut", [whole, single])
@pytest.mark.parametrize("tail", [b"", FRAME[:7]])
@pytest.mark.parametrize(
    ("raw", "word", "status"),
    [
        (b"ICY 200 OK\r\n" + FRAME, "ICY", 200),
        (b"ICY 200 OK\r\n\r\n" + FRAME, "ICY", 200),
        (b"ICY 200 OK\n" + FRAME, "ICY", 200),
        (b"ICY 200 OK\n\n" + FRAME, "ICY", 200),
        (b"ICY 200 OK\r\nServer: caster/1.0\r\nDate: today\r\n\r\n" + FRAME, "ICY", 200),
        (HTTP + FRAME, "HTTP/1.1", 200),
        (HTTP.replace(b"\r\n", b"\n") + FRAME, "HTTP/1.1", 200),
        (b"HTTP/1.0 200 OK\r\nContent-Type: gnss/data\r\n\r\n" + FRAME, "HTTP/1.0", 200),
        (b"\r\nHTTP/1.1 200\r\n\r\n" + FRAME, "HTTP/1.1", 200),
        (FRAME + FRAME, "", 200),
        (b"$GPGGA,", "", 200),
    ],
)
def test_each_form_of_a_good_answer_gives_the_stream(cut, tail, raw, word, status):
    head, body, _ = read(cut(raw + tail))
    assert (head.word, head.status) == (word, status)
    assert body == raw[raw.find(b"\xd3") if b"\xd3" in raw else 0 :] + tail


CHUNKED = HTTP.replace(b"\r\n\r\n", b"\r\nTransfer-Encoding: chunked\r\n\r\n")
COPIES = FRAME * 4


def chunk(data, size, extension=b"", end=b"\r\n", upper=False):
    out = b""
    for i in range(0, len(data), size):
        part = data[i : i + size]
        length = b"%X" % len(part) if upper else b"%x" % len(part)
        out += length + extension + end + part + end
    return out


@pytest.mark.parametrize("cut", [whole, single])
@pytest.mark.parametrize(
    "raw",
    [
        CHUNKED + chunk(COPIES, 25),
        CHUNKED + chunk(COPIES, 7, upper=True),
        CHUNKED + chunk(COPIES, 100, b";name=value"),
        CHUNKED + chunk(COPIES, 31, end=b"\n"),
        CHUNKED + chunk(COPIES, 31) + b"0\r\n\r\n",
        CHUNKED + COPIES,  # says chunked, sends plain
        HTTP + chunk(COPIES, 25),  # says nothing, sends chunked
        HTTP + COPIES,
    ],
)
def test_chunked_coding_is_taken_off_whether_or_not_the_header_tells_the_truth(cut, raw):
    _, body, decoder = read(cut(raw))
    assert body == COPIES
    assert not decoder.broken


@pytest.mark.parametrize("cut", [whole, single])
def test_a_broken_chunk_line_ends_the_body_and_loses_no_byte(cut):
    _, body, decoder = read(cut(CHUNKED + chunk(FRAME, 25) + b"not hex\r\n" + FRAME))
    assert decoder.broken
    assert body == FRAME + b"not hex\r\n" + FRAME if cut is whole else body.startswith(FRAME)


@given(st.binary(max_size=300), st.lists(st.integers(1, 40), min_size=1, max_size=20))
def test_encode_then_decode_is_the_identity(data, sizes):
    coded, at, i = b"", 0, 0
    while at < len(data):
        part = data[at : at + sizes[i % len(sizes)]]
        coded += b"%x\r\n" % len(part) + part + b"\r\n"
        at, i = at + len(part), i + 1
    for pieces in ([coded], single(coded)):
        decoder = BodyDecoder(announced=True)
        assert b"".join(decoder.feed(p) for p in pieces) == data


@given(st.lists(st.binary(max_size=60), max_size=20))
def test_arbitrary_bytes_raise_nothing_but_a_bad_answer(pieces):
    with contextlib.suppress(BadAnswer):
        read(pieces)


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"<!DOCTYPE html><html><head>", "web page"),
        (b"\x15\x03\x01\x00\x02\x02\x28", "TLS"),
        (b"SSH-2.0-x\r\n", "SSH"),
        (b"220 mail ready\r\n", "begins with"),
        (b"HTTP/1.1 200 OK\r\n" + b"X-A: b\r\n" * 200, "header lines"),
        (b"HTTP/1.1 200 OK\r\nX: " + b"y" * 20_000, "longer than"),
    ],
)
def test_what_is_no_caster_is_named(raw, says):
    with pytest.raises(BadAnswer, match=says):
        AnswerHead().feed(raw)


def test_the_example_chunks_of_rfc_9112_come_out():
    # RFC 9112, 7.1, forms: hexadecimal size, extension, last chunk 0
    decoder = BodyDecoder(announced=True)
    coded = b'4\r\nWiki\r\n6;x="y"\r\npedia \r\nE\r\nin \r\n\r\nchunks.\r\n0\r\n\r\n'
    assert decoder.feed(coded) == b"Wikipedia in \r\n\r\nchunks."
    assert decoder.ended


@pytest.mark.parametrize("head", [b"ICY 200 OK\r\n\r\n", b"HTTP/1.1 200 OK\r\nNtrip-Version: Ntrip/2.0\r\n\r\n"])
def test_a_stream_that_starts_with_a_burst_is_no_long_header(head):
    burst = bytes(range(1, 256)) * 200
    found = AnswerHead().feed(head + burst)
    assert found is not None
    assert (found[0].status, found[1].lstrip(b"\r\n")) == (200, burst)


@pytest.mark.parametrize("cut", [1, 2, 3, 7, 1000])
@pytest.mark.parametrize("chunked", [False, True])
def test_a_stream_that_somebody_on_the_way_has_compressed_is_read(cut: int, chunked: bool) -> None:
    # RFC 9110, 12.5.3: a client that sends no Accept-Encoding has no preference. The coder is Python's zlib (RFC 1952).
    coder = zlib.compressobj(6, zlib.DEFLATED, 31)
    frames = [bytes([0xD3, 0, i]) + bytes(range(40)) for i in range(9)]
    parts = [coder.compress(f) + coder.flush(zlib.Z_SYNC_FLUSH) for f in frames]
    body = b"".join(f"{len(p):x}\r\n".encode() + p + b"\r\n" if chunked else p for p in parts)
    decoder = BodyDecoder(announced=chunked, packed=True)
    assert b"".join(decoder.feed(body[i : i + cut]) for i in range(0, len(body), cut)) == b"".join(frames)
    assert not decoder.broken


def test_a_stream_that_is_not_compressed_in_spite_of_its_header_is_left_as_it_is() -> None:
    decoder = BodyDecoder(announced=False, packed=True)
    assert decoder.feed(b"\xd3\x00\x13") + decoder.feed(b"\x3e\xd7") == b"\xd3\x00\x13\x3e\xd7"


def test_a_compressed_stream_that_breaks_or_grows_beyond_measure_ends_as_broken() -> None:
    whole = gzip.compress(bytes(1 << 25))
    grown, torn = BodyDecoder(announced=False, packed=True), BodyDecoder(announced=False, packed=True)
    assert grown.feed(whole) == b""
    assert grown.broken and grown.ended
    torn.feed(gzip.compress(b"\xd3\x00\x13" * 500)[:30] + b"no more of it" * 9)
    assert torn.broken


def test_two_compressed_members_are_one_stream() -> None:
    decoder = BodyDecoder(announced=False, packed=True)
    assert decoder.feed(gzip.compress(b"\xd3one") + gzip.compress(b"\xd3two")) == b"\xd3one\xd3two"
