"""Finding the speed of a serial port by the frames that come."""

import json
import random

from tests.command_line import run

from hubtack.cli.main import main
from hubtack.readers.speed import detect, score

FRAME = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")  # 1005 example of RTCM 10403.3, section 4
# The classic GGA example of NMEA 0183 texts (from memory; its checksum 47 also passes in pynmeagps)
LINE = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"


def noise(n, seed=1):
    return random.Random(seed).randbytes(n)


def test_good_frames_are_counted_with_their_bytes():
    found = score(FRAME * 3 + LINE * 2)
    assert (found.frames, found.sentences, found.share) == (3, 2, 1.0)


def test_neither_noise_nor_silence_has_a_good_byte():
    assert (score(noise(2000)).total_bytes, score(noise(2000)).share) == (2000, 0.0)
    assert score(b"").share == 0.0


def test_a_sentence_with_a_wrong_checksum_is_no_good_sentence():
    assert score(LINE.replace(b"*47", b"*48")).sentences == 0


def test_the_speed_with_good_frames_is_found_and_the_search_ends_there():
    tried = []

    def listen(baud):
        tried.append(baud)
        return FRAME * 30 if baud == 9600 else noise(900, baud)

    best, scores = detect(listen)
    assert best == 9600
    assert tried[-1] == 9600
    assert all(scores[baud].good_bytes == 0 for baud in tried[:-1])


def test_an_open_radio_channel_is_found_by_its_bursts_and_silence_gives_nothing():
    best, _ = detect(lambda baud: noise(3000, baud) + (FRAME * 4 if baud == 38400 else b""))
    assert best == 38400
    assert detect(lambda baud: b"")[0] is None


def test_the_command_finds_ports_or_says_that_there_is_none(monkeypatch, capsys):
    class Port:
        device, description, vid, pid, serial_number = "/dev/ttyUSB0", "USB\x1b[2J serial", 0x0403, 0x6001, None

    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [Port()])
    assert main(["ports"]) == 0
    out = capsys.readouterr().out
    assert "/dev/ttyUSB0" in out
    assert "0403:6001" in out
    assert "\x1b" not in out
    code, out, _ = run(capsys, "ports", "--json")
    assert code == 0
    assert json.loads(out)["ports"][0]["usb_id"] == "0403:6001"
    monkeypatch.setattr("serial.tools.list_ports.comports", list)
    assert main(["ports"]) == 1
