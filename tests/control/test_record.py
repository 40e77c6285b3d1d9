"""The control record, and what the live commands take from it."""

from __future__ import annotations

import csv
import datetime as dt
import json
import os
import sys

import pytest

from hubtack.control import all_checks, latest_check
from hubtack.control import record as rec
from hubtack.errors import SourceError, UsageError

ARP = (-4447000.0, 770000.0, -4491000.0)


def entry(utc: str | None = "2026-03-02T07:12:00Z", **changes: object) -> dict[str, object]:
    return {
        "utc": utc, "point": "CP3", "what": "antenna", "result": "pass", "east_m": 0.004, "north_m": -0.002,
        "up_m": 0.008, "sigma_east_m": 0.004, "sigma_north_m": 0.004, "sigma_up_m": 0.008, "machine": "Digger 7",
        "base_id": 590, "arp_x_m": ARP[0], "arp_y_m": ARP[1], "arp_z_m": ARP[2], **changes,
    }  # fmt: skip


def at(hour: float) -> dt.datetime:
    return dt.datetime(2026, 3, 2, tzinfo=dt.UTC) + dt.timedelta(hours=hour)


def test_what_was_written_is_read_back_and_the_table_holds_the_same(tmp_path):
    json_path, csv_path = rec.append_record(tmp_path / "control.jsonl", entry(source="=1+1"))
    rec.append_record(tmp_path / "control.csv", entry("2026-03-03T07:12:00Z", up_m=float("nan")))
    entries, bad = rec.read_record(tmp_path)
    assert ([e["utc"] for e in entries], bad) == (["2026-03-02T07:12:00Z", "2026-03-03T07:12:00Z"], 0)
    with csv_path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["north_m"] for row in rows] == ["-0.002", "-0.002"]
    assert [row["up_m"] for row in rows] == ["0.008", ""]
    assert rows[0]["source"] == "'=1+1"  # OWASP, CSV injection: a cell must not begin with =
    assert json.loads(json_path.read_text().splitlines()[1])["up_m"] is None


@pytest.mark.skipif(sys.platform == "win32", reason="rights are another matter there")
def test_the_record_is_private(tmp_path):
    for path in rec.append_record(tmp_path / "control.jsonl", entry()):
        assert path.stat().st_mode & 0o077 == 0


def test_a_line_cut_by_a_power_loss_is_passed_over_and_does_not_swallow_the_next(tmp_path):
    json_path, _ = rec.append_record(tmp_path / "control.jsonl", entry())
    with json_path.open("a") as file:
        file.write('{"utc": "2026-03-02T09:')
    rec.append_record(json_path, entry("2026-03-02T10:00:00Z"))
    entries, bad = rec.read_record(json_path)
    assert ([e["utc"][11:13] for e in entries], bad) == (["07", "10"], 1)


def test_a_full_disk_leaves_no_half_line_and_says_so(tmp_path, monkeypatch):
    json_path, _ = rec.append_record(tmp_path / "control.jsonl", entry())
    before = json_path.read_bytes()
    written = []

    def write(handle: int, data: bytes) -> int:
        if written:
            raise OSError(28, "No space left on device")
        written.append(1)
        return real(handle, data[:10])

    real = os.write
    monkeypatch.setattr(os, "write", write)
    with pytest.raises(SourceError, match="not recorded"):
        rec.append_record(json_path, entry("2026-03-02T10:00:00Z"))
    assert json_path.read_bytes() == before


def test_the_same_log_checked_twice_is_one_check(tmp_path):
    for up in (0.008, 0.009):
        rec.append_record(tmp_path / "control.jsonl", entry(up_m=up))
    assert [e["up_m"] for e in rec.read_record(tmp_path)[0]] == [0.009]


def test_a_file_that_is_no_record_gets_a_sentence(tmp_path):
    (tmp_path / "control.jsonl").write_text("name,easting\nCP3,1\n")
    with pytest.raises(UsageError, match="JSON object a line"):
        rec.read_record(tmp_path)
    with pytest.raises(UsageError, match="no control record"):
        rec.read_record(tmp_path / "other.jsonl")


def test_the_newest_check_that_passed_or_failed_decides(tmp_path):
    path = tmp_path / "control.jsonl"
    assert latest_check(path) is None
    rec.append_record(path, entry())
    rec.append_record(path, entry("2026-03-02T08:00:00Z", result="cannot tell"))
    first = latest_check(tmp_path)
    assert first is not None
    assert (first.utc, first.up_m, first.base_id, first.arp_ecef_m, first.passed) == (
        "2026-03-02T07:12:00Z", 0.008, 590, ARP, True,
    )  # fmt: skip
    rec.append_record(path, entry("2026-03-02T09:00:00Z", result="fail"))
    newest = latest_check(tmp_path)
    assert newest is not None
    assert not newest.passed
    before = latest_check(tmp_path, at=at(8.5))
    assert before is not None
    assert before.passed


def test_a_check_of_another_machine_or_without_a_date_is_none(tmp_path):
    path = tmp_path / "control.jsonl"
    rec.append_record(path, entry(machine="Digger 8"))
    rec.append_record(path, entry(None))
    assert latest_check(path, machine="Digger 7") is None
    assert latest_check(path, machine="digger 8 ") is not None
    assert len(all_checks(path)) == 1


@pytest.mark.parametrize(
    ("hour", "now", "counts"),
    [
        (7.2, {}, True),
        (19.1, {}, True),
        (19.3, {}, False),  # 12 h after 07:12
        (6.0, {}, False),  # before it was made
        (8.0, {"base_id": 590, "arp_ecef_m": ARP}, True),
        (8.0, {"base_id": 591}, False),
        (8.0, {"arp_ecef_m": (ARP[0] + 0.10, ARP[1], ARP[2])}, False),
        (8.0, {"arp_ecef_m": (ARP[0] + 0.01, ARP[1], ARP[2])}, True),
        (8.0, {"base_id": 590, "base_computed": True}, False),  # from the site's own base to a network
    ],
)
def test_a_check_counts_for_twelve_hours_on_the_same_base(tmp_path, hour, now, counts):
    rec.append_record(tmp_path / "control.jsonl", entry())
    check = latest_check(tmp_path)
    assert check is not None
    assert check.counts_at(at(hour), valid_h=12.0, **now) is counts


def test_a_base_that_a_network_computes_may_change_its_place_and_id(tmp_path):
    rec.append_record(tmp_path / "control.jsonl", entry(base_computed=True))
    check = latest_check(tmp_path)
    assert check is not None
    assert check.counts_at(at(8), valid_h=12.0, base_id=12, arp_ecef_m=(1.0, 2.0, 3.0), base_computed=True)


def test_a_check_that_knows_no_base_counts_only_while_none_is_heard(tmp_path):
    unknown = {"base_id": None, "arp_x_m": None, "arp_y_m": None, "arp_z_m": None}
    rec.append_record(tmp_path / "control.jsonl", entry(**unknown))
    check = latest_check(tmp_path)
    assert check is not None
    assert check.counts_at(at(8), valid_h=12.0)
    assert not check.counts_at(at(8), valid_h=12.0, base_id=590)


def test_a_failed_check_never_counts(tmp_path):
    rec.append_record(tmp_path / "control.jsonl", entry(result="fail"))
    check = latest_check(tmp_path)
    assert check is not None
    assert not check.counts_at(at(8), valid_h=12.0)
