"""Lines that fit a layout are read as the sentence reader reads them; what does not fit is left to it."""

from __future__ import annotations

import random

import numpy as np
import pytest
from tests.decode.test_columns import assert_equal, decode
from tests.rover_text import sentence

from hubtack.decode.layouts import LayoutBook, layout_of
from hubtack.decode.nmea import parse_sentence, sentence_row
from hubtack.decode.tidy import Tidy, read_layouts


def number(rng: random.Random) -> str:
    """A number in one of the ways receivers write them, now and then in one that they should not."""
    whole = rng.choice(("", "0", "7", "12", "012", "1234", "12345678", "123456789"))
    part = rng.choice(("", "", ".", ".5", ".25", ".125", ".12345678", ".123456789"))
    odd = rng.choice(("", "", "", "", "", "", "+", " "))
    text = odd + rng.choice(("", "-")) + whole + part
    return rng.choice(("", text, text, text, "1e5", "nan", "--1", "M"))


def any_line(rng: random.Random) -> bytes:
    """A sentence of the table with fields of every kind and width."""
    time = rng.choice(("235959", "123519.5", "000000.00", "123519.123456", "235960.99", "246060", "", "12351"))
    lat = rng.choice(("4807.038", "0000.00000001", "9000.0", "8960.1", "", "480.5", "4807", "48070.03812345678"))
    lon = rng.choice(("01131.000", "18000.0", "18000.1", "00000.12345678", "", "1131.5"))
    ns, ew = rng.choice("NSNSNSX"), rng.choice("EWEWEW ")
    numbers = [number(rng) for _ in range(18)]
    mode = rng.choice(("A", "R", "RRN", "R4", "", "a b"))
    station = rng.choice(("0001", "4095", "7", "", "A12", "1234567"))
    talker = rng.choice(("GP", "GN", "GL", "PX", "HE", "G1", "ab"))
    match rng.randrange(9):
        case 0:
            body = f"GGA,{time},{lat},{ns},{lon},{ew},4,12,{','.join(numbers[:2])},M,{numbers[2]},M,1.0,{station}"
        case 1:
            body = f"RMC,{time},A,{lat},{ns},{lon},{ew},{numbers[0]},{numbers[1]},{number(rng)},,,{mode}"
        case 2:
            body = f"GST,{time},{','.join(numbers[:7])}"
        case 3:
            body = f"GSA,A,3,{','.join(numbers[:12])},1.5,0.9,1.2,{rng.choice('14AF')}"
        case 4:
            n = rng.randrange(17)
            body = f"GSV,2,1,08{',' if n else ''}{','.join(numbers[:n])}{rng.choice(('', ',1', ',B', ',12'))}"
        case 5:
            body = f"HDT,{numbers[0]},T"
        case 6:
            body = f"GNS,{time},{lat},{ns},{lon},{ew},{mode},{','.join(numbers[:5])},{station},V"
        case 7:
            body = f"VTG,{numbers[0]},T,,M,{numbers[1]},N,,K,{mode}"
        case _:
            body = rng.choice(("TXT,01,01,02,hello there", "XYZ,1", "ZDA,201530.00,04,07,2002,00,00", "DTM,W84"))
    return sentence(talker + body)


@pytest.mark.parametrize("seed", range(12))
def test_lines_of_every_width_are_read_as_one_at_a_time(seed: int) -> None:
    rng = random.Random(seed)
    kinds = [any_line(rng) for _ in range(150)]
    digits = b"0123456789"
    lines = []
    for _ in range(2_500):
        body = bytearray(rng.choice(kinds)[1:-5])
        for i, c in enumerate(body):
            if c in digits and i > 5 and rng.random() < 0.6:
                body[i] = rng.choice(digits)
        lines.append(sentence(body.decode()))
        if rng.random() < 0.02:
            spoilt = bytearray(lines[-1])
            spoilt[rng.randrange(len(spoilt))] = rng.choice(b"$*,.-0A\x80")
            lines.append(bytes(spoilt))
    data = b"".join(lines)
    assert_equal(decode([data]), decode([data[i : i + 4000] for i in range(0, len(data), 4000)]), data)


def read(lines: list[bytes]) -> Tidy:
    return read_layouts(b"".join(lines), LayoutBook())


def test_all_lines_of_a_layout_are_taken_whatever_their_digits_and_talker() -> None:
    lines = [sentence(f"{('GP', 'GN', 'GL')[i % 3]}HDT,{i:03d}.{i % 10},T") for i in range(300)]
    tidy = read(lines)
    assert tidy.taken.all()
    rows = tidy.tables(0)["HDT"]
    expected = [sentence_row(parse_sentence(line.rstrip()), float("nan")) for line in lines]
    np.testing.assert_array_equal(rows.values, np.array(expected))


@pytest.mark.parametrize(
    "line",
    [
        b"$GPHDT, 74.2,T*14\r\n", b"$GPHDT,+74.2,T*1F\r\n", b"$GPHDT,7.4.2,T*1F\r\n", b"$GPHDT,74.20,T\r\n", b"\r\n",
        b"$gpHDT,74.20,T*34\r\n", b"$GPHDT,1234567890123456.5,T*00\r\n", b"$GPGGA,12x519,,,,,0,,,,,,,,*00\r\n",
        b"x$GPHDT,74.20,T*34\r\n", b"$GPHDT,74.20,T*34\r\r\n",
    ],
)  # fmt: skip
def test_a_line_that_is_hard_to_read_has_no_layout(line: bytes) -> None:
    assert layout_of(line) is None


def test_a_checksum_that_does_not_agree_and_a_time_out_of_range_are_left() -> None:
    good = [sentence(f"GPGST,{i % 24:02d}5959.00,0.30,0.36,0.26,283.74,0.26,0.36,0.68") for i in range(50)]
    late = sentence("GPGST,245959.00,0.30,0.36,0.26,283.74,0.26,0.36,0.68")
    spoilt = good[3].replace(b"0.30", b"0.31")
    tidy = read([*good, late, spoilt])
    assert tidy.taken[:50].all()
    assert not tidy.taken[50:].any()


def test_a_makers_own_sentence_is_counted_and_is_no_table() -> None:
    tidy = read([sentence(f"PXGGA,{i:06d}") for i in range(20)])
    assert tidy.by_formatter == {"PXGGA": 20}
    assert not tidy.tables(0)


def test_a_book_of_layouts_stays_small() -> None:
    book = LayoutBook()
    rng = random.Random(1)
    for _ in range(40):
        lines = [sentence(f"GPXXX,{''.join(rng.choice('ABC1') for _ in range(12))}") for _ in range(40)]
        read_layouts(b"".join(lines), book)
    assert all(len(layouts) <= 16 for layouts in book.by_group.values())
