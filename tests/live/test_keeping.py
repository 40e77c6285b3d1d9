"""What a live run keeps and is reminded of: memory, checks made meanwhile, the base confirmed by hand."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest
from tests.link_session import read, session_of
from tests.link_stream import ARP_M, Base, sent

from hubtack.control.record import append_record
from hubtack.engine.link import LinkSetup
from hubtack.live.keeping import Keeper
from hubtack.live.memory import FILE_NAME, LastBase, LastStand, Remembered, recall, remember, state_folder
from hubtack.live.verdict_log import VerdictLog
from hubtack.site import default_site, load_site

BASE = LastBase(412, (1.0, 2.0, 3.0), "ANT NONE", "2026-03-01T16:00:00Z")
STAND = LastStand((4.0, 5.0, 6.0), 31.5, 120, "2026-03-01T17:00:00Z")


def test_what_is_remembered_is_recalled(tmp_path: Path) -> None:
    assert remember(tmp_path, "Digger 7", Remembered(BASE, STAND)) is None
    assert recall(tmp_path, "Digger 7") == Remembered(BASE, STAND)


def test_each_machine_has_its_own_place_and_the_base_is_the_sites(tmp_path: Path) -> None:
    remember(tmp_path, "Digger 7", Remembered(BASE, STAND))
    remember(tmp_path, "Dozer 2", Remembered(None, None))
    assert recall(tmp_path, "Dozer 2") == Remembered(BASE, None)


@pytest.mark.parametrize("text", ["", "{", "[]", '{"version": 99}', '{"version": 1, "base": {"arp_ecef_m": [1, 2, 1e999]}}',
                                  '{"version": 1, "machines": 7}', "\x00\xff"])  # fmt: skip
def test_a_damaged_memory_is_as_good_as_none(tmp_path: Path, text: str) -> None:
    (tmp_path / FILE_NAME).write_text(text, encoding="latin-1")
    assert recall(tmp_path, "Digger 7") == Remembered()
    assert remember(tmp_path, "Digger 7", Remembered(BASE, STAND)) is None
    assert recall(tmp_path, "Digger 7") == Remembered(BASE, STAND)


def test_the_file_is_whole_private_and_alone(tmp_path: Path) -> None:
    remember(tmp_path, "Digger 7", Remembered(BASE, STAND))
    assert [p.name for p in tmp_path.iterdir()] == [FILE_NAME]
    assert (tmp_path / FILE_NAME).stat().st_mode & 0o777 == 0o600


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    assert "cannot be kept" in (remember(tmp_path / "file" / "below", "", Remembered(BASE)) or "")


def test_the_state_folder_is_beside_the_site_file_else_the_users(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert state_folder(default_site()) == tmp_path / "hubtack"


def test_a_confirmation_clears_the_latch_and_is_logged(tmp_path: Path) -> None:
    session = session_of(LinkSetup(base_station_id=412))
    session.link._set_latch("wrong_base", -1)
    log = VerdictLog(tmp_path / "verdicts.jsonl", now=lambda: dt.datetime(2026, 3, 2, tzinfo=dt.UTC))
    keeper = Keeper(session, default_site(), tmp_path, log, remembers=False)
    keeper.confirm("key")
    assert session.link.latches == 0
    record = json.loads(log.path.read_text())
    assert (record["event"], record["how"]) == ("base confirmed", "key")


def test_a_latch_set_after_the_moment_of_a_check_stays() -> None:
    """The stream is read ahead of the rover's rows: what comes after the check is not confirmed by it."""
    session = session_of()
    session.link._set_latch("base_moved", 10)
    session.link._set_latch("two_bases", 30)
    session.link.clear_latches(20)
    assert session.link.latches == 2
    import numpy as np

    assert session.link.join(np.array([5, 15, 25, 35])).latches.tolist() == [0, 1, 0, 2]


ENTRY = {
    "point": "CP3", "what": "antenna", "result": "pass", "east_m": 0.004, "north_m": -0.002, "up_m": 0.008,
    "sigma_east_m": 0.004, "sigma_north_m": 0.004, "sigma_up_m": 0.008, "machine": None, "base_id": 412,
    "arp_x_m": ARP_M[0], "arp_y_m": ARP_M[1], "arp_z_m": ARP_M[2],
}  # fmt: skip


def heard(folder: Path, antenna: str, station: int = 412, at: str = "2026-03-02T07:00:00+00:00") -> Keeper:
    """A live run of a site with a site file that has heard one base, and has looked."""
    base = Base(station=station, antenna=antenna, arp_every_s=1.0, descriptor_every_s=1.0 if antenna else None)
    session = read(b"".join(data for _, data in sent(base, 5)))
    site_file = folder / "site.toml"
    site_file.write_text("")
    keeper = Keeper(
        session, load_site(site_file), folder, None, remembers=True, utc=lambda: dt.datetime.fromisoformat(at)
    )
    keeper.start()
    keeper.end()
    return keeper


def test_another_antenna_than_yesterday_is_said_once_and_checks_on_the_old_one_do_not_count(tmp_path: Path) -> None:
    for utc in ("2026-03-02T06:00:00Z", "2026-03-02T09:00:00Z"):
        append_record(tmp_path / "control.jsonl", {**ENTRY, "utc": utc})
    first = heard(tmp_path, "RIDGEWAY-A1 NONE")
    assert first.complaints == []
    assert [check.utc for check in first.session.checking.checks] == ["2026-03-02T06:00:00Z", "2026-03-02T09:00:00Z"]
    changed = heard(tmp_path, "RIDGEWAY-B2 NONE", at="2026-03-02T08:00:00+00:00")
    assert len(changed.complaints) == 1
    assert "antenna was RIDGEWAY-A1 NONE, now RIDGEWAY-B2 NONE" in changed.complaints[0]
    later = heard(tmp_path, "RIDGEWAY-B2 NONE", at="2026-03-02T10:00:00+00:00")
    assert later.complaints == []
    # The check at 06:00 was made on the old antenna: it counts neither now nor after another start.
    assert [check.utc for check in later.session.checking.checks] == ["2026-03-02T09:00:00Z"]


def test_another_station_id_than_yesterday_is_said_and_a_stream_without_descriptors_changes_nothing(
    tmp_path: Path,
) -> None:
    heard(tmp_path, "RIDGEWAY-A1 NONE")
    other = heard(tmp_path, "", station=77)
    assert other.complaints == ["the base's station ID was 412, now 77: another base; check on a control mark"]
    known = recall(tmp_path, None).base
    assert known is not None
    assert (known.station_id, known.antenna, known.antenna_since_utc) == (77, "RIDGEWAY-A1 NONE", "")


def test_a_hostile_antenna_name_is_made_harmless(tmp_path: Path) -> None:
    heard(tmp_path, "RIDGEWAY-A1 NONE")
    (sentence,) = heard(tmp_path, "\x1b[2J\x07evil").complaints
    assert "\x1b" not in sentence
    assert "\x07" not in sentence


def test_a_log_that_is_played_again_is_not_compared_with_memory(tmp_path: Path) -> None:
    heard(tmp_path, "RIDGEWAY-A1 NONE")
    keeper = heard(tmp_path, "RIDGEWAY-B2 NONE")
    keeper.remembers, keeper.complaints = False, []
    keeper.end()
    assert keeper.complaints == []
