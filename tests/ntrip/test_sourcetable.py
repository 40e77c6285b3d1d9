"""Source tables as they are in the wild. All names are made up."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hubtack.ntrip.sourcetable import parse_answer, parse_messages, parse_systems, parse_table, split_fields

GOOD = (
    "STR;ALDERMERE1;Aldermere bank;RTCM 3.2;1005(10),1077(1),1087(1),1230(10);2;GPS+GLO;BANKNET;NZL;-45.03;170.01;0;0;"
    "Maker 1;none;B;N;5600;none"
)


def one(line, encoding="utf-8"):
    table = parse_table(line.encode(encoding) + b"\r\nENDSOURCETABLE\r\n")
    (mount,) = table.mounts
    return mount


def test_a_record_in_order_is_read_field_by_field():
    mount = one(GOOD)
    assert mount.mount == "ALDERMERE1"
    assert mount.identifier == "Aldermere bank"
    assert mount.messages == (("1005", 10.0), ("1077", 1.0), ("1087", 1.0), ("1230", 10.0))
    assert mount.systems == ("GPS", "GLONASS")
    assert (mount.lat_deg, mount.lon_deg) == (-45.03, 170.01)
    assert (mount.needs_position, mount.network_solution, mount.fee) == (False, False, False)
    assert (mount.authentication, mount.bits_per_s, mount.country) == ("B", 5600.0, "NZL")
    assert mount.oddities == ()


@pytest.mark.parametrize(
    ("lat", "lon", "expected"),
    [
        ("51", "-115", (51, -115)),
        ("-45.03", "190.5", (-45.03, -169.5)),
        ("-45,03", "170,01", (-45.03, 170.01)),
        ("", "", (None, None)),
        ("0.00", "0.00", (None, None)),
        ("170.01", "-45.03", (-45.03, 170.01)),
        ("95", "95", (None, None)),
        ("nan", "1", (None, None)),
        (" -45.03 ", "\t170.01", (-45.03, 170.01)),
        ("north", "170", (None, None)),
    ],
)
def test_positions_of_every_spelling(lat, lon, expected):
    mount = one(GOOD.replace("-45.03;170.01", f"{lat};{lon}"))
    assert (mount.lat_deg, mount.lon_deg) == expected


def test_missing_fields_are_unknown_and_extra_ones_join_the_last():
    short = one("STR;ALDERMERE1;Aldermere bank;RTCM 3")
    assert short.needs_position is None
    assert short.fee is None
    assert short.lat_deg is None
    assert one(GOOD + ";more;text").misc == "more; text"
    assert one("STR;ONLY").mount == "ONLY"


@pytest.mark.parametrize("encoding", ["utf-8", "latin-1"])
def test_letters_beyond_ascii_survive_in_either_encoding(encoding):
    assert one(GOOD.replace("Aldermere bank", "Ufer Süd"), encoding).identifier == "Ufer Süd"


def test_semicolons_in_quotes_and_forgotten_quotes():
    assert split_fields('STR;M;"a;b";c') == ["STR", "M", "a;b", "c"]
    assert split_fields('STR;M;a";"b;c') == ["STR", "M", "a;b", "c"]
    assert split_fields('STR;M;12" mast;c') == ["STR", "M", '12" mast', "c"]
    mount = one(GOOD.replace("Aldermere bank", "Aldermere; the bank"))
    assert mount.identifier == "Aldermere; the bank"
    assert (mount.lat_deg, mount.format) == (-45.03, "RTCM 3.2")
    assert mount.oddities


def test_records_that_cannot_be_used_are_counted_and_the_rest_is_read():
    raw = b"\xef\xbb\xbf" + (
        "STR;;no name\r\n\r\n# a comment\nXYZ;unknown\nSTR\nCAS;caster.example;80,2101;X;Y;0;NZL;-45;170;http://x.example/\n"
        "NET;BANKNET;Op;B;Y;http://a.example;http://b.example;mail@x.example;none\n" + GOOD + "\n" + GOOD
    ).encode()
    table = parse_table(raw)
    assert table.skipped == 3
    assert not table.complete
    assert len(table.mounts) == 2
    assert table.mounts[1].oddities == ("listed more than once",)
    assert (table.casters[0].port, table.casters[0].fallback) == ("80,2101", None)
    assert table.networks[0].fee is True


def test_a_caster_record_with_a_fallback_is_told_by_its_eleventh_field():
    (with_fallback,) = parse_table(b"CAS;c.example;2101;X;Y;1;NZL;-45;170;d.example;2102;hello").casters
    assert with_fallback.fallback == ("d.example", 2102)
    assert with_fallback.misc == "hello"
    (none,) = parse_table(b"CAS;c.example;2101;X;Y;1;NZL;-45;170;0.0.0.0;0;hello").casters
    assert none.fallback is None


@pytest.mark.parametrize(
    "head",
    [
        b"",
        b"SOURCETABLE 200 OK\r\nServer: x\r\nContent-Type: text/plain\r\nContent-Length: 1\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nContent-Type: gnss/sourcetable\r\n\r\n",
        b"SOURCETABLE 200 OK\r\n",
    ],
)
@pytest.mark.parametrize("end", [b"\r\n", b"\n", b"\r"])
def test_a_saved_answer_is_read_with_and_without_its_header(head, end):
    table = parse_answer(head + GOOD.encode() + end + b"ENDSOURCETABLE" + end)
    assert [m.mount for m in table.mounts] == ["ALDERMERE1"]
    assert table.skipped == 0


def test_a_saved_chunked_answer_is_read():
    body = GOOD.encode() + b"\r\nENDSOURCETABLE\r\n"
    coded = b"".join(b"%x\r\n" % len(body[i : i + 50]) + body[i : i + 50] + b"\r\n" for i in range(0, len(body), 50))
    head = b"HTTP/1.1 200 OK\r\nContent-Type: gnss/sourcetable\r\nTransfer-Encoding: chunked\r\n\r\n"
    assert parse_answer(head + coded + b"0\r\n\r\n").mounts == parse_table(body).mounts


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1004(1),1005(10)", (("1004", 1.0), ("1005", 10.0))),
        ("1(1),3(60),16", (("1", 1.0), ("3", 60.0), ("16", None))),
        ("1004,1005", (("1004", None), ("1005", None))),
        ("1077 (1s), 1006(10)", (("1077", 1.0), ("1006", 10.0))),
        ("4076.021(60)", (("4076", 60.0),)),
        ("observations and all", ()),
        ("", ()),
    ],
)
def test_message_lists_of_every_spelling(text, expected):
    assert parse_messages(text) == expected


def test_constellations_of_every_spelling():
    assert parse_systems("GPS+GLO+GAL+BDS+QZS+SBAS") == ("GPS", "GLONASS", "Galileo", "BeiDou", "QZSS", "SBAS")
    assert parse_systems("GPS+GLONASS") == ("GPS", "GLONASS")
    assert parse_systems("GNSS") == ()


def test_closest_names_put_another_case_first():
    names = ("ALDERMERE2", "Aldermere1", "OTHER")
    table = parse_table("\n".join(GOOD.replace("ALDERMERE1", name) for name in names).encode())
    assert table.near_names("ALDERMERE1")[0] == "Aldermere1"
    assert table.near_names("zzzz") == []


def test_twenty_thousand_records_are_read():
    table = parse_table("\r\n".join(GOOD.replace("ALDERMERE1", f"M{i}") for i in range(20_000)).encode())
    assert len(table.mounts) == 20_000


@given(st.binary(max_size=2000))
def test_arbitrary_bytes_raise_nothing(raw):
    parse_answer(raw)
    parse_answer(b"STR;A;" + raw.replace(b"\n", b";"))
