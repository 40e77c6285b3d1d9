"""Conversations with a caster, from bytes and a hand-moved clock; every cause of a failure is met once."""

import pytest

from hubtack.ntrip.causes import CAUSES
from hubtack.ntrip.exchange import Again, Data, Exchange, Failed, Opened, Send, Table, Wanted, WantTable
from hubtack.ntrip.policy import Memory
from hubtack.ntrip.sourcetable import parse_table
from hubtack.secret import Secret

FRAME = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")  # 1005 example of RTCM 10403.3, section 4
PLACE = (-45.03, 170.01, 12.0)
TABLE = (
    b"STR;ALDERMERE1;;RTCM 3.2;1005(10),1077(1);2;GPS;;NZL;-45;170;0;0;;none;B;N;0;\r\n"
    b"STR;NETWORK;;RTCM 3.2;1005(10),1077(1);2;GPS;;NZL;-45;170;1;1;;none;B;N;0;\r\nENDSOURCETABLE\r\n"
)
WANTED = Wanted("caster.example", 2101, "ALDERMERE1", "user", Secret("pl4nted"))
S = 1_000_000_000


def begun(wanted=WANTED, place=None, **more):
    exchange = Exchange(wanted, **more)
    return exchange, exchange.start(0, 0, place)


def answer(raw, wanted=WANTED, cut=False, close=False):
    exchange, _ = begun(wanted)
    pieces = [raw[i : i + 1] for i in range(len(raw))] if cut else [raw]
    steps = [step for piece in pieces for step in exchange.receive(piece, S)]
    if close:
        steps += exchange.eof(S)
    return steps


def test_a_version_2_request_has_what_the_standard_asks_for():
    _, request = begun()
    head, _, rest = request.partition(b"\r\n\r\n")
    lines = head.decode().split("\r\n")
    assert rest == b""
    assert lines[0] == "GET /ALDERMERE1 HTTP/1.1"
    assert "Host: caster.example:2101" in lines
    assert "Ntrip-Version: Ntrip/2.0" in lines
    assert any(line.startswith("User-Agent: NTRIP ") for line in lines)
    assert any(line.startswith("Authorization: Basic ") for line in lines)
    assert "Connection: close" in lines


def test_a_version_1_request_has_no_host_and_no_version():
    _, request = begun(version=1)
    assert request.startswith(b"GET /ALDERMERE1 HTTP/1.0\r\nUser-Agent: NTRIP ")
    assert b"Host" not in request
    assert b"Ntrip-Version" not in request


def test_odd_mount_points_are_percent_coded_and_a_second_slash_is_kept():
    for mount, coded in (("A B", b"/A%20B"), ("/M", b"//M"), ("M\u00fc", b"/M%C3%BC")):
        _, request = begun(Wanted("caster.example", 2101, mount))
        assert request.startswith(b"GET " + coded + b" HTTP/1.1\r\n")


def test_no_login_is_sent_where_there_is_none():
    _, request = begun(Wanted("caster.example", 2101, "M"))
    assert b"Authorization" not in request


@pytest.mark.parametrize("cut", [False, True])
@pytest.mark.parametrize(
    ("raw", "version"),
    [
        (b"ICY 200 OK\r\n\r\n" + FRAME, 1),
        (b"HTTP/1.1 200 OK\r\nNtrip-Version: Ntrip/2.0\r\nContent-Type: gnss/data\r\n\r\n" + FRAME, 2),
        (FRAME, 0),
    ],
)
def test_the_stream_comes_through_whatever_the_form(cut, raw, version):
    steps = answer(raw, cut=cut)
    assert steps[0] == Opened(version)
    assert b"".join(s.data for s in steps if isinstance(s, Data)) == FRAME


@pytest.mark.parametrize("cut", [False, True])
@pytest.mark.parametrize(
    ("raw", "cause", "says"),
    [
        (b'HTTP/1.1 401 Unauthorized\r\nWWW-Authenticate: Basic realm="/M"\r\n\r\n', "login_wrong", "401"),
        (b"HTTP/1.0 401 Unauthorized\r\n\r\n", "login_wrong", "401"),
        (b"ERROR - Bad Password\r\n", "login_wrong", "Bad Password"),
        (b"HTTP/1.1 401 No\r\nWWW-Authenticate: Negotiate\r\n\r\n", "login_scheme", "negotiate"),
        (b"HTTP/1.1 403 Forbidden\r\n\r\n", "login_forbidden", "403"),
        (b"HTTP/1.1 404 Not Found\r\n\r\n", "mount_unknown", "404"),
        (b"ERROR - Mount Point Taken or Invalid\r\n", "mount_unknown", "Invalid"),
        (b"HTTP/1.1 409 Conflict\r\n\r\n", "conflict", "409"),
        (b"HTTP/1.1 429 Too Many\r\nRetry-After: 90\r\n\r\n", "too_many", "429"),
        (b"HTTP/1.1 503 Service Unavailable\r\n\r\n", "busy", "503"),
        (b"HTTP/1.1 500 Oops\r\n\r\n", "server_fault", "500"),
        (b"HTTP/1.1 302 Found\r\nLocation: http://portal.example/\r\n\r\n", "redirect", "portal.example"),
        (b"HTTP/1.1 200 OK\r\nContent-Type: text/html\r\n\r\n<html>", "web_page", "html"),
        (b"HTTP/1.1 200 OK\r\nContent-Type: gnss/data\r\n\r\n<!doctype html><html><head>", "web_page", "page"),
        (b"<html><body>Welcome to the hotel", "web_page", "web page"),
        (b"\x15\x03\x01\x00\x02\x02\x28", "tls_wanted", "TLS"),
        (b"220 mail.example ready\r\n", "not_a_caster", "220"),
    ],
)
def test_each_refusal_has_its_own_cause(cut, raw, cause, says):
    (failed,) = [s for s in answer(raw, cut=cut, close=True) if isinstance(s, Failed)]
    assert failed.cause == cause
    assert says in failed.detail
    assert cause in CAUSES


def test_a_401_without_a_login_asks_for_one():
    (failed,) = answer(b"HTTP/1.1 401 Unauthorized\r\n\r\n", Wanted("caster.example", 2101, "M"))
    assert failed.cause == "login_missing"
    assert not CAUSES["login_missing"].retry
    (failed,) = answer(b"HTTP/1.1 401 Unauthorized\r\n\r\n", Wanted("caster.example", 2101, "M", "user"))
    assert failed.cause == "password_missing"


def test_digest_is_answered_once_and_not_again():
    raw = b'HTTP/1.1 401 No\r\nWWW-Authenticate: Digest realm="r", nonce="n", qop="auth"\r\n\r\n'
    (again,) = answer(raw)
    assert isinstance(again, Again)
    exchange, request = begun(challenge=again.challenge, cnonce="c")
    assert b'Authorization: Digest username="user"' in request
    assert b"pl4nted" not in request
    assert [s.cause for s in exchange.receive(raw, S)] == ["login_wrong"]


@pytest.mark.parametrize("raw", [b"HTTP/1.1 400 Bad Request\r\n\r\n", b"HTTP/1.0 505 Version\r\n\r\n", b""])
def test_a_caster_that_cannot_do_version_2_is_asked_in_version_1(raw):
    assert answer(raw, close=True) == [Again(1)]


def test_a_version_1_caster_that_closes_without_a_word_is_told():
    exchange, _ = begun(version=1)
    assert [s.cause for s in exchange.eof(S)] == ["closed_unanswered"]


@pytest.mark.parametrize(
    "head",
    [
        b"SOURCETABLE 200 OK\r\nContent-Type: text/plain\r\nContent-Length: 12\r\n\r\n",
        b"SOURCETABLE 200 OK\r\n",
        b"HTTP/1.1 200 OK\r\nContent-Type: gnss/sourcetable\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nContent-Type: gnss/data\r\n\r\n",
    ],
)
@pytest.mark.parametrize("mount", ["ALDERMERE1", "Aldermere1", "ALDERMERE", "ZZZ"])
def test_a_table_in_place_of_data_is_an_unknown_or_silent_mount_point(head, mount):
    steps = answer(head + TABLE, Wanted("caster.example", 2101, mount))
    failed = steps[-1]
    assert any(isinstance(s, Table) for s in steps)
    expected = {
        "ALDERMERE1": ("mount_silent", "in the table"),
        "Aldermere1": ("mount_unknown", "ALDERMERE1 is: case counts"),
        "ALDERMERE": ("mount_unknown", "closest: ALDERMERE1"),
        "ZZZ": ("mount_unknown", "not in the table of 2"),
    }[mount]
    assert failed.cause == expected[0]
    assert expected[1] in failed.detail


def test_a_table_without_its_last_line_ends_with_the_connection_or_with_silence():
    raw = b"SOURCETABLE 200 OK\r\n\r\n" + TABLE.partition(b"END")[0]
    (table,) = answer(raw, Wanted("caster.example", 2101), close=True)
    assert len(table.table.mounts) == 2
    exchange, _ = begun(Wanted("caster.example", 2101))
    exchange.receive(raw, 0)
    assert exchange.tick(29 * S, 0, None) == []
    assert isinstance(exchange.tick(31 * S, 0, None)[0], Table)


def test_icy_that_is_followed_by_nothing_is_open_after_a_second():
    exchange, _ = begun()
    assert exchange.receive(b"ICY 200 OK\r\n", 0) == []
    assert exchange.tick(S // 2, 0, None) == []
    assert exchange.tick(2 * S, 0, None) == [Opened(1)]
    assert exchange.receive(b"\r\n" + FRAME, 3 * S) == [Data(FRAME)]


def test_no_answer_at_all_has_a_limit():
    exchange, _ = begun()
    assert exchange.tick(14 * S, 0, None) == []
    (failed,) = exchange.tick(16 * S, 0, None)
    assert failed.cause == "no_answer"


# Position ----------------------------------------------------------------------------------------------------------


def opened(needs=None, mode="auto", place=PLACE, version=1):
    wanted = Wanted("caster.example", 2101, "NETWORK", "user", Secret("x"), mode)
    exchange = Exchange(wanted, version=version, needs_position=needs)
    request = exchange.start(0, 0, place)
    head = b"ICY 200 OK" if version == 1 else b"HTTP/1.1 200 OK\r\nNtrip-Version: Ntrip/2.0\r\nContent-Type: gnss/data"
    exchange.receive(head + b"\r\n\r\n", 0)
    return exchange, request


def run(exchange, until_s, place=PLACE, feed=False):
    log = []
    for tenth in range(0, until_s * 10):
        if feed and tenth % 10 == 0:
            exchange.receive(FRAME, tenth * S // 10)
        for step in exchange.tick(tenth * S // 10, 1_700_000_000 * S, place):
            log.append((tenth / 10, step))
        if exchange.done:
            break
    return log


def test_a_network_mount_point_gets_its_position_in_the_request_and_every_ten_seconds():
    exchange, request = opened(needs=True, version=2)
    assert b"Ntrip-GGA: $GPGGA,000000.00,4501.800,S,17000.600,E,1," in request
    sent = [t for t, s in run(exchange, 35, feed=True) if isinstance(s, Send)]
    assert sent == [10.0, 20.0, 30.0]


def test_a_position_in_a_version_2_request_is_sent_again_to_a_caster_that_answers_in_version_1():
    exchange = Exchange(WANTED, needs_position=True)
    assert b"Ntrip-GGA" in exchange.start(0, 0, PLACE)
    exchange.receive(b"ICY 200 OK\r\n\r\n", 0)
    assert [type(s) for s in exchange.tick(0, 0, PLACE)] == [Send]


def test_a_version_1_network_mount_point_gets_its_position_at_once():
    exchange, _ = opened(needs=True)
    sent = [(t, s) for t, s in run(exchange, 25, feed=True) if isinstance(s, Send)]
    assert [t for t, _ in sent] == [0.0, 10.0, 20.0]
    line = sent[0][1].data
    checksum = 0
    for byte in line[1 : line.index(b"*")]:
        checksum ^= byte
    assert line.endswith(b"*%02X\r\n" % checksum)


def test_a_single_base_that_streams_is_never_told_where_the_machine_is():
    exchange, request = opened(needs=False, version=2)
    assert b"GGA" not in request
    assert run(exchange, 60, feed=True) == []


def test_silence_brings_the_position_even_where_the_table_is_unknown():
    exchange, _ = opened()
    steps = run(exchange, 8)
    assert [type(s) for _, s in steps] == [Send, WantTable]
    assert steps[0][0] == 5.0


def test_silence_without_a_position_says_what_is_missing():
    exchange, _ = opened(place=None)
    t, failed = run(exchange, 60, place=None)[-1]
    assert (failed.cause, round(t)) == ("needs_position", 15)


def test_a_caster_that_hangs_up_on_a_silent_client_wanted_its_position():
    exchange, _ = opened(place=None)
    (failed,) = exchange.eof(9 * S)
    assert failed.cause == "needs_position"
    told, _ = opened(needs=True)
    told.tick(0, 0, PLACE)
    assert [s.cause for s in told.eof(9 * S)] == ["no_data"]


def test_a_table_that_drips_for_ever_has_a_limit():
    exchange, _ = begun(Wanted("caster.example", 2101))
    exchange.receive(b"SOURCETABLE 200 OK\r\n\r\n", 0)
    for second in range(1, 120):
        exchange.receive(b"x", second * S)
        assert exchange.tick(second * S, 0, None) == []
    exchange.receive(b"x", 121 * S)
    assert exchange.tick(121 * S, 0, None) != []
    assert exchange.done


def test_never_means_never():
    exchange, request = opened(needs=True, mode="never", version=2)
    assert b"GGA" not in request
    log = run(exchange, 60)
    assert not any(isinstance(s, Send) for _, s in log)
    assert log[-1][1].cause == "needs_position"


@pytest.mark.parametrize(("needs", "says"), [(True, "a position was sent"), (False, "needs no position")])
def test_silence_in_spite_of_a_position_is_the_base(needs, says):
    exchange, _ = opened(needs=needs)
    t, failed = run(exchange, 60)[-1]
    assert failed.cause == "no_data"
    assert says in failed.detail
    assert 30 <= t < 31


def test_a_stream_that_stops_is_given_up_after_45_s():
    exchange, _ = opened(needs=False)
    exchange.receive(FRAME, 0)
    t, failed = run(exchange, 60)[-1]
    assert (failed.cause, round(t)) == ("dropped_silent", 45)


# From one connection to the next -------------------------------------------------------------------------------------


def memory():
    return Memory("ntrip://user@caster.example:2101/ALDERMERE1", "ALDERMERE1")


def test_three_short_streams_in_a_row_name_the_second_machine_first():
    history = memory()
    codes = [history.judge(Failed("dropped"), streamed_s) for streamed_s in (6.0, 4.0, 7.0)]
    assert [v.cause.key for v in codes] == ["dropped", "dropped", "second_machine"]
    assert {v.cause.code for v in codes} == {"caster_dropped"}
    assert "second machine" in codes[-1].cause.next_steps[0]
    assert codes[-1].retry
    assert codes[-1].pause_s >= 10


def test_long_streams_that_end_are_no_second_machine():
    history = memory()
    assert {history.judge(Failed("dropped"), 3600.0).cause.key for _ in range(5)} == {"dropped"}


def test_a_wrong_login_is_never_tried_again_but_one_that_worked_is_tried_slowly():
    history = memory()
    assert not history.judge(Failed("login_wrong"), None).retry
    history.streamed()
    verdict = history.judge(Failed("login_wrong"), None)
    assert verdict.retry
    assert verdict.pause_s >= 60
    assert verdict.cause.key == "login_lost"


def test_refusals_after_success_are_taken_for_a_ban():
    history = memory()
    keys = [history.judge(Failed("closed_unanswered"), None).cause.key for _ in range(4)]
    assert keys == ["closed_unanswered"] * 4
    history.streamed()
    keys = [history.judge(Failed("closed_unanswered"), None).cause.code for _ in range(3)]
    assert keys == ["caster_dropped", "caster_dropped", "caster_throttled"]


def test_a_network_that_is_gone_after_success_is_no_ban_but_a_refusal_may_be_one():
    # No name, no route, no answer: nobody is there to ban us. Out of the mobile network's reach is far more common.
    history = memory()
    history.streamed()
    gone = [history.judge(Failed(key), None).cause.code for key in ("unreachable", "no_answer", "unreachable") * 2]
    assert set(gone) == {"caster_unreachable"}
    refused = [history.judge(Failed("refused"), None).cause.code for _ in range(6)]
    assert refused == ["caster_unreachable"] * 5 + ["caster_throttled"]  # a caster that starts anew is back by then


def test_a_404_is_explained_by_the_table():
    history = memory()
    history.table = parse_table(TABLE.replace(b"ALDERMERE1", b"ALDERMERE2"))
    assert "closest: ALDERMERE2" in history.judge(Failed("mount_unknown", "404"), None).message
    history.table = parse_table(TABLE)
    assert history.judge(Failed("mount_unknown", "404"), None).cause.key == "mount_silent"


def test_the_table_tells_whether_a_position_is_needed():
    history = memory()
    assert history.needs_position is None
    history.table = parse_table(TABLE)
    assert history.needs_position is False
    network = Memory("x", "NETWORK")
    network.table = history.table
    assert network.needs_position is True


def test_the_pause_that_the_caster_asks_for_is_kept():
    assert memory().judge(Failed("too_many", "429", 300.0), None).pause_s == 300.0


def test_every_cause_has_a_code_of_the_contract_and_a_next_step():
    codes = {
        "caster_auth",
        "caster_mount",
        "caster_needs_position",
        "caster_unreachable",
        "caster_dropped",
        "caster_tls",
        "caster_throttled",
        "no_bytes",
    }
    assert {cause.code for cause in CAUSES.values()} == codes
    assert all(cause.next_steps and cause.summary for cause in CAUSES.values())


def test_a_table_that_says_nothing_of_a_position_does_not_say_no():
    history = memory()
    history.table = parse_table(TABLE.replace(b"170;0;0", b"170;;0"))
    assert history.needs_position is None
