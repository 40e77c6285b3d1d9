"""From the logs of a folder to sessions: pairing by time, gaps, names, keys."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from tests.link_stream import Base, sent, stream
from tests.logs.test_split import dated
from tests.rover_text import good_rows

from hubtack.fleet.plan import Place, Plan, Settings, folder_machine, machine_by_pattern, plan_place

DAY_S = 86_400.0


def plan(folder: Path, **settings: object) -> Plan:
    return plan_place(Place(folder, folder, True), Settings(**settings))  # type: ignore[arg-type]


def corrections(start_of_day_s: float, seconds: float) -> bytes:
    return stream(sent(Base(), seconds, start_s=3 * DAY_S + start_of_day_s))


def test_rover_and_correction_logs_of_one_folder_are_paired_by_the_time_inside(tmp_path: Path) -> None:
    (tmp_path / "a_rover.nmea").write_bytes(dated(36_000_000, 60))
    (tmp_path / "b_rover.nmea").write_bytes(dated(50_000_000, 60))
    (tmp_path / "x.rtcm").write_bytes(corrections(50_000.0, 60.0))
    (tmp_path / "y.rtcm").write_bytes(corrections(36_010.0, 60.0))
    (tmp_path / "z.rtcm").write_bytes(corrections(80_000.0, 60.0))
    found = {t.files.name: [p.name for p in t.files.corrections] for t in plan(tmp_path).tasks}
    assert found == {"a_rover.nmea": ["y.rtcm"], "b_rover.nmea": ["x.rtcm"], "z.rtcm": ["z.rtcm"]}


def test_one_correction_log_serves_every_rover_that_it_overlaps(tmp_path: Path) -> None:
    for i in range(3):
        (tmp_path / f"rover{i}.nmea").write_bytes(good_rows(36_000_000, 40 + i))
    (tmp_path / "base.rtcm").write_bytes(corrections(36_000.0, 60.0))
    tasks = plan(tmp_path).tasks
    assert [len(t.files.corrections) for t in tasks] == [1, 1, 1]


def test_one_rover_with_its_corrections_is_one_session_whatever_the_times(tmp_path: Path) -> None:
    (tmp_path / "rover.nmea").write_bytes(good_rows(36_000_000, 40))
    (tmp_path / "corrections.rtcm").write_bytes(corrections(80_000.0, 60.0))
    (task,) = plan(tmp_path).tasks
    assert task.files.rover is not None and len(task.files.corrections) == 1 and not task.files.spans


def test_a_gap_makes_two_sessions_and_each_has_the_corrections_of_its_own_time(tmp_path: Path) -> None:
    first, second = dated(36_000_000, 100), dated(36_400_000, 100)
    (tmp_path / "rover.nmea").write_bytes(first + second)
    # The base ran on from before the first to after the second.
    whole = corrections(35_990.0, 520.0)
    (tmp_path / "corrections.rtcm").write_bytes(whole)
    one, two = plan(tmp_path, gap_s=120.0).tasks
    assert (one.files.name, two.files.name) == (tmp_path.name, f"{tmp_path.name} 2")
    rover, heard = one.files.rover, one.files.corrections[0]
    assert rover is not None
    assert one.files.spans[rover] == (0, len(first)) and two.files.spans[rover] == (len(first), len(first + second))
    (start1, end1), (start2, end2) = one.files.spans[heard], two.files.spans[heard]
    assert start1 == 0 and end1 is not None and end1 < start2 and end2 is None
    # A minute after the first (at 170 s of 520 s), and from a minute before the second (at 350 s), to some seconds.
    assert end1 / len(whole) == pytest.approx(170 / 520, abs=0.02)
    assert start2 / len(whole) == pytest.approx(350 / 520, abs=0.02)
    assert one.key != two.key


def test_another_gap_asks_for_another_cut(tmp_path: Path) -> None:
    (tmp_path / "rover.nmea").write_bytes(good_rows(36_000_000, 60) + good_rows(36_700_000, 60))
    assert len(plan(tmp_path).tasks) == 1
    assert len(plan(tmp_path, gap_s=600.0).tasks) == 2


def test_a_session_is_known_by_its_content_and_not_by_its_place(tmp_path: Path) -> None:
    data = good_rows(36_000_000, 60)
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        (tmp_path / name / f"{name}.log").write_bytes(data)
    (a,), (b,) = plan(tmp_path / "one").tasks, plan(tmp_path / "two").tasks
    assert a.key == b.key
    (tmp_path / "two" / "two.log").write_bytes(data + good_rows(36_060_000, 1))
    assert plan(tmp_path / "two").tasks[0].key != a.key


def test_a_site_file_or_a_verdict_log_that_changes_asks_for_another_reading(tmp_path: Path) -> None:
    (tmp_path / "rover.nmea").write_bytes(good_rows(36_000_000, 30))
    seen = {plan(tmp_path).tasks[0].settings_sha256}
    (tmp_path / "site.toml").write_text('units = "m"\n')
    seen.add(plan(tmp_path).tasks[0].settings_sha256)
    (tmp_path / "verdicts.jsonl").write_text("{}\n")
    (task,) = plan(tmp_path).tasks
    seen.update((task.settings_sha256, plan(tmp_path, gap_s=60.0).tasks[0].settings_sha256))
    assert len(seen) == 4


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read_costs_its_own_row(tmp_path: Path) -> None:
    (tmp_path / "a.nmea").write_bytes(good_rows(36_000_000, 30))
    (tmp_path / "b.nmea").write_bytes(good_rows(50_000_000, 30))
    (tmp_path / "a.nmea").chmod(0)
    found = plan(tmp_path)
    assert len(found.tasks) == 1 and "permission" in found.skipped[0].reason


def test_a_file_that_vanishes_after_it_was_listed_is_a_row(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from hubtack.fleet import plan as module

    (tmp_path / "rover.nmea").write_bytes(good_rows(36_000_000, 30))
    look = module.look_through

    def gone(path: Path, gap_s: float) -> object:
        path.unlink()
        return look(path, gap_s)

    monkeypatch.setattr(module, "look_through", gone)
    found = plan(tmp_path)
    assert not found.tasks and "cannot be read" in found.skipped[0].reason


@pytest.mark.parametrize(
    ("pattern", "name"),
    [
        (r"/(?P<machine>digger-\d+)/", "digger-7"),
        (r"/(digger-\d+)/", "digger-7"),
        (r"digger-\d+", "digger-7"),
        (r"dozer", None),
        (None, None),
    ],
)
def test_a_pattern_finds_the_machine_in_the_path(pattern: str | None, name: str | None) -> None:
    assert machine_by_pattern(pattern, Path("logs/digger-7/2026-11-04/rover.nmea")) == name


def test_the_folder_names_the_machine_unless_it_is_only_a_date() -> None:
    top = Path("logs")
    assert folder_machine(Place(top / "digger-7" / "2026-11-04", top, True)) == "digger-7"
    assert folder_machine(Place(top / "2026-11-04" / "digger-7", top, True)) == "digger-7"
    assert folder_machine(Place(Path("2026-11-04"), Path("2026-11-04"), True)) is None
    assert folder_machine(Place(Path("logs/rover.nmea"), Path("logs/rover.nmea"), False)) is None
