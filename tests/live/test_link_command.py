"""``hubtack link`` as its users run it: logs, captures, live sources, comparisons, bad input; exit codes and documents."""

from __future__ import annotations

import gzip
import json
import os
import socket
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from tests import command_line
from tests.link_stream import ARP_M, Base, by_epoch, damaged, moved, sent, stream, without_epochs

from hubtack.cli.main import main

GOOD = stream(sent(Base(), 90))


def run(capsys: pytest.CaptureFixture[str], *args: str) -> tuple[int, dict[str, Any], str]:
    code, out, err = command_line.run(capsys, "link", *args, "--json")
    return code, json.loads(out) if out else {}, err


def saved(path: Path, data: bytes) -> str:
    path.write_bytes(data)
    return str(path)


def test_a_good_log_is_ready_with_its_true_position(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, document, err = run(capsys, saved(tmp_path / "base.rtcm3", GOOD))
    assert code == 0 and not err and document["rtk_ready"] is True and document["findings"] == []
    assert document["stations"][0]["arp_ecef_m"] == pytest.approx(ARP_M, abs=1e-4)
    assert {m["type"]: m["count"] for m in document["messages"]}[1074] == 90
    assert sum(m["bytes"] for m in document["messages"]) == document["bytes"] == len(GOOD)
    assert sum(document["strip"]["frames"]) == document["frames"]


def test_a_packed_log_reads_the_same(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plain = run(capsys, saved(tmp_path / "a.rtcm3", GOOD))[1]
    packed = run(capsys, saved(tmp_path / "a.rtcm3.gz", gzip.compress(GOOD)))[1]
    assert {k: v for k, v in plain.items() if k != "source"} == {k: v for k, v in packed.items() if k != "source"}


@pytest.mark.parametrize(
    ("name", "data", "code", "words"),
    [
        ("empty.rtcm3", b"", 3, "empty"),
        ("page.html", b"<html><body>sign in</body></html>" * 9, 1, ""),
        ("words.txt", b"not a log at all\n" * 30, 1, ""),
        ("noise.bin", bytes(os.urandom(3000)), 1, ""),
    ],
)
def test_bad_input_gets_one_line_or_a_document(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, data: bytes, code: int, words: str
) -> None:
    got, document, err = run(capsys, saved(tmp_path / name, data))
    assert got == code and words in err and "Traceback" not in err
    assert len(err.splitlines()) <= 1
    if code == 1:
        assert document["rtk_ready"] is False
        assert document["findings"][0]["code"] in ("wrong_protocol", "serial_garbage")


def test_a_missing_file_and_a_folder_without_corrections(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, str(tmp_path / "gone.rtcm3"))[0] == 3
    code, _, err = run(capsys, str(tmp_path))
    assert code == 2 and "correction log" in err


def test_a_site_file_tells_that_the_base_is_misplaced(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from hubtack.geo import ecef_to_geodetic

    lat, lon, h = (float(v[0]) for v in ecef_to_geodetic([ARP_M]))
    site = tmp_path / "site.toml"
    site.write_text(
        f'[site]\ncrs = "EPSG:32759"\n'
        f"base = {{ latitude_deg = {lat:.10f}, longitude_deg = {lon:.10f}, height_m = {h + 2:.4f}, station_id = 412 }}\n"
    )
    code, document, _ = run(capsys, saved(tmp_path / "base.rtcm3", GOOD))
    assert code == 1
    finding = document["findings"][0]
    assert finding["code"] == "base_misplaced" and finding["evidence"]["up_m"] == pytest.approx(-2.0, abs=1e-3)
    assert document["stations"][0]["easting_m"] is not None


def test_a_saved_run_is_what_to_expect(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good = saved(tmp_path / "good.rtcm3", GOOD)
    main(["link", good, "--json"])
    before = saved(tmp_path / "worked.json", capsys.readouterr().out.encode())
    code, document, _ = run(capsys, good, "--expect", before)
    assert code == 0 and document["changes"] == []
    now = saved(tmp_path / "now.rtcm3", stream(sent(moved(Base(), 0.5), 90)))
    code, document, _ = run(capsys, now, "--expect", before)
    assert code == 1 and document["findings"][0]["code"] == "base_misplaced"
    assert any("moved" in change["what"] for change in document["changes"])
    code, _, err = run(capsys, good, "--expect", good)
    assert code != 0 and "JSON" in err


def test_two_recordings_end_the_argument(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    frames = sent(Base(), 120)
    at_base = saved(tmp_path / "base.rtcm3", stream(frames))
    at_rover = saved(tmp_path / "rover.rtcm3", stream(damaged(frames, 0.1, 5)))
    code, document, _ = run(capsys, at_rover, "--against", at_base)
    assert code == 1 and document["against"]["fault"] == "air"
    assert document["against"]["lost"] == document["against"]["damaged"] == document["bad_crc"]
    code, document, _ = run(capsys, at_base, "--against", at_base)
    assert code == 0 and document["against"]["fault"] == "none"
    other = saved(tmp_path / "other.rtcm3", stream(sent(moved(Base(station=9), 50.0), 20, 5 * 86_400.0)))
    code, _, err = run(capsys, at_rover, "--against", other)
    assert code != 0 and "in common" in err
    assert main(["link", at_rover, "--against", at_base]) == 1
    assert "AIR" in capsys.readouterr().out


def test_the_report_for_people_says_the_answer_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    cut = without_epochs(sent(Base(), 400), lambda i, t: i % 10 == 4)
    assert main(["link", saved(tmp_path / "a.rtcm3", stream(cut))]) == 0
    out = capsys.readouterr().out
    assert out.startswith("can a rover fix on this? yes") and "periodic_loss" in out and "1074" in out
    assert "\x1b" not in out


class Server:
    """A loopback server that sends chunks with pauses, then stays silent or hangs up."""

    def __init__(self, chunks: list[bytes], pause_s: float, hang_up: bool) -> None:
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = self._socket.getsockname()[1]
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, args=(chunks, pause_s, hang_up), daemon=True)
        self._thread.start()

    def _serve(self, chunks: list[bytes], pause_s: float, hang_up: bool) -> None:
        client, _ = self._socket.accept()
        with client:
            for chunk in chunks:
                client.sendall(chunk)
                if self._stop.wait(pause_s):
                    return
            if not hang_up:
                self._stop.wait(20)

    def close(self) -> None:
        self._stop.set()
        self._thread.join(5)
        self._socket.close()


def test_a_live_stream_is_judged_and_dated_by_arrival(capsys: pytest.CaptureFixture[str]) -> None:
    now = time.time()
    week_s = (now - 3 * 86_400) % (7 * 86_400)  # 1970-01-01 was a Thursday: the UTC week begins on Sunday
    fast = Base(interval_s=0.1, arp_every_s=1.0)
    chunks = [b"".join(group) for _, group in by_epoch(sent(fast, 3.0, round(week_s - 2.0, 1)))]
    server = Server([b"".join(chunks[:20]), *chunks[20:]], 0.1, hang_up=False)
    try:
        code, document, _ = run(capsys, f"tcp://127.0.0.1:{server.port}", "--for", "1.2")
    finally:
        server.close()
    assert code == 0 and document["rtk_ready"] is True
    assert document["latency_s"]["median"] is not None
    assert document["messages"][0]["last_age_s"] is not None


def test_a_silent_live_source_is_not_ready_and_says_how_long(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    site = tmp_path / "site.toml"
    site.write_text("[limits]\nno_bytes_s = 1.0\nlink_stalled_s = 1.0\ncorrection_age_hold_s = 1.5\n")
    server = Server([], 0.0, hang_up=False)
    try:
        code, document, _ = run(capsys, f"tcp://127.0.0.1:{server.port}", "--for", "1.5", "--site", str(site))
    finally:
        server.close()
    assert code == 1 and document["findings"][0]["code"] == "no_bytes"
    server = Server([stream(sent(Base(interval_s=0.1), 8))], 0.0, hang_up=False)
    try:
        code, document, _ = run(capsys, f"tcp://127.0.0.1:{server.port}", "--for", "2.5", "--site", str(site))
    finally:
        server.close()
    assert code == 1
    stalled = next(f for f in document["findings"] if f["code"] == "link_stalled")
    assert stalled["open_at_end"] and stalled["evidence"]["longest_s"] > 1.5


def test_a_source_that_refuses_prints_its_document_all_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    code, document, _ = run(capsys, f"tcp://127.0.0.1:{port}", "--for", "1.0")
    assert code == 3 and document["kind"] == "link" and document["frames"] == 0
