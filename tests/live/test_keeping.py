"""What a live run keeps and is reminded of: memory, checks made meanwhile, the base confirmed by hand."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest
from tests.link_session import session_of

from hubtack.engine.link import LinkSetup
from hubtack.live.keeping import Keeper
from hubtack.live.memory import FILE_NAME, LastBase, LastStand, Remembered, recall, remember, state_folder
from hubtack.live.verdict_log import VerdictLog
from hubtack.site import default_site

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
