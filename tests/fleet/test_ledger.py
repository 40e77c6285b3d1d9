"""The ledger: Parquet that anyone can read, whole at any moment, each session once."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from tests.logs.test_split import dated

from hubtack.audit.one import run_task
from hubtack.errors import SourceError, UsageError
from hubtack.fleet import ledger as module
from hubtack.fleet.account import SessionAccount
from hubtack.fleet.ledger import Ledger
from hubtack.fleet.plan import Place, Settings, plan_place
from hubtack.fleet.query import run_query
from hubtack.fleet.tables import COLUMNS, TABLES
from hubtack.logs.discover import SkippedFile

SAMPLES = Path(__file__).parents[2] / "sample_logs"
NOW = dt.datetime(2026, 11, 20, 8, 0, tzinfo=dt.UTC)


@pytest.fixture(scope="module")
def accounts() -> list[SessionAccount]:
    out = []
    for name in ("link_stalled", "two_bases"):
        folder = SAMPLES / name
        for task in plan_place(Place(folder, folder, True), Settings()).tasks:
            out.extend(run_task(task).accounts)
    return out


def clock() -> Callable[[], dt.datetime]:
    tick = itertools.count()
    return lambda: NOW + dt.timedelta(seconds=next(tick))


@pytest.fixture(params=["local", "file", "memory"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """A plain folder, and two stores by URL: fsspec's local and in-memory file systems."""
    name = request.node.name.replace("[", "-").replace("]", "")
    return {"local": str(tmp_path / "ledger"), "file": f"file://{tmp_path}/ledger", "memory": f"memory://{name}"}[
        request.param
    ]


def filled(url: str, accounts: list[SessionAccount]) -> Ledger:
    ledger = Ledger.open(url, now=clock())
    for account in accounts:
        ledger.add(account)
    ledger.close()
    return ledger


def test_an_account_comes_back_as_it_went_in(url: str, accounts: list[SessionAccount]) -> None:
    filled(url, accounts)
    back = {a.key: a for a in Ledger.open(url, writing=False).accounts()}
    assert back == {a.key: a for a in accounts}


def test_a_session_added_again_takes_the_place_of_the_old_one(url: str, accounts: list[SessionAccount]) -> None:
    filled(url, accounts)
    filled(url, accounts)
    for table in ("sessions", "findings", "minutes", "losses", "bases", "files"):
        _, ((doubled,),) = run_query(url, f"SELECT count(*) - count(DISTINCT (key, {_second(table)})) FROM {table}")
        assert doubled == 0, table
    assert len(list(Ledger.open(url, writing=False).accounts())) == 2


def _second(table: str) -> str:
    return {
        "sessions": "1",
        "findings": "rank",
        "minutes": "minute_ns",
        "losses": "start_ns",
        "bases": "id",
        "files": "path",
    }[table]


def test_every_column_is_in_the_files_with_its_type(tmp_path: Path, accounts: list[SessionAccount]) -> None:
    filled(str(tmp_path / "ledger"), accounts)
    kinds = {"text": "string", "real": "double", "int": "int64", "bool": "bool", "time": "timestamp[ms, tz=UTC]"}
    for table in TABLES:
        (path,) = (tmp_path / "ledger").glob(f"{table}-*.parquet")
        assert {f.name: str(f.type) for f in pq.read_schema(path)} == {n: kinds[k] for n, k in COLUMNS[table].items()}


def test_duckdb_reads_the_files_as_they_stand(tmp_path: Path, accounts: list[SessionAccount]) -> None:
    duckdb = pytest.importorskip("duckdb")
    filled(str(tmp_path / "ledger"), accounts)
    rows = duckdb.sql(
        f"SELECT s.name, sum(m.grade_s) FROM '{tmp_path}/ledger/sessions*.parquet' s "
        f"JOIN '{tmp_path}/ledger/minutes*.parquet' m USING (key) GROUP BY 1 ORDER BY 1"
    ).fetchall()
    expected = {a.document["name"]: a.document["verdict_seconds"]["grade"] for a in accounts}
    assert dict(rows) == pytest.approx(expected)


def test_a_reader_never_sees_half_a_file(
    tmp_path: Path, accounts: list[SessionAccount], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each file has its name only when all of it is written: looked at in the moment before each rename."""
    folder, seen = tmp_path / "ledger", []
    replace = module.os.replace

    def look(part: str, name: str) -> None:
        assert part.endswith(".part") and not Path(name).exists()
        pq.read_table(part)
        seen.append(sorted(p.name.partition("-")[0] for p in folder.glob("*.parquet")))
        replace(part, name)

    monkeypatch.setattr(module.os, "replace", look)
    filled(str(folder), accounts)
    assert len(seen) == len(TABLES)
    # The sessions come last: who sees a session sees its minutes.
    assert all("sessions" not in names for names in seen) and len(seen[-1]) == len(TABLES) - 1


def test_what_an_interrupted_run_left_is_cleared_away(
    tmp_path: Path, accounts: list[SessionAccount], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "ledger"
    filled(str(folder), accounts[:1])
    write = Ledger._write

    def power_cut(self: Ledger, table: str, *rest: Any) -> None:
        if table == "sessions":
            raise OSError("power cut")
        write(self, table, *rest)

    monkeypatch.setattr(Ledger, "_write", power_cut)
    with pytest.raises(SourceError, match="power cut"):
        filled(str(folder), accounts[1:])
    monkeypatch.undo()
    (folder / "minutes-x.parquet.part").write_bytes(b"half")
    assert run_query(str(folder), "SELECT count(DISTINCT key) FROM minutes")[1] == [[1]]  # it never counted
    again = Ledger.open(str(folder))
    assert len(again.known) == 1
    assert len(list(folder.glob("minutes*"))) == 1
    again.close()


def test_rows_that_were_doubled_by_an_interruption_are_made_single(
    tmp_path: Path, accounts: list[SessionAccount], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "ledger"
    filled(str(folder), accounts)

    def power_cut(self: Ledger, batch: str) -> None:
        raise OSError("power cut")

    monkeypatch.setattr(Ledger, "_replace", power_cut)
    with pytest.raises(SourceError):
        filled(str(folder), accounts)
    monkeypatch.undo()
    Ledger.open(str(folder)).close()
    assert run_query(str(folder), "SELECT count(*), count(DISTINCT key) FROM sessions")[1] == [[2, 2]]


def test_a_place_is_remembered_with_its_skipped_files(url: str, accounts: list[SessionAccount]) -> None:
    ledger = Ledger.open(url, now=clock())
    ledger.add(accounts[0])
    skipped = [SkippedFile(Path("a/b.log"), 0, "the file is empty")]
    ledger.add_place("abc", "a", [accounts[0].key], skipped, ["a/rover.nmea"])
    ledger.close()
    again = Ledger.open(url, writing=False)
    assert again.place("abc") == ((accounts[0].key,), tuple(skipped))
    assert again.place("abd") is None


def test_two_audits_cannot_write_at_once(tmp_path: Path) -> None:
    first = Ledger.open(str(tmp_path / "ledger"))
    with pytest.raises(UsageError, match="another audit"):
        Ledger.open(str(tmp_path / "ledger"))
    first.close()
    Ledger.open(str(tmp_path / "ledger")).close()


def test_a_ledger_of_a_newer_kind_is_left_alone(
    tmp_path: Path, accounts: list[SessionAccount], monkeypatch: pytest.MonkeyPatch
) -> None:
    from hubtack.fleet import tables

    monkeypatch.setattr(tables, "LEDGER_SCHEMA", "hubtack-ledger/2")
    filled(str(tmp_path / "ledger"), accounts[:1])
    with pytest.raises(SourceError, match="newer Hubtack"):
        Ledger.open(str(tmp_path / "ledger"))


def test_a_missing_ledger_or_library_is_said_in_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(SourceError, match="no such ledger"):
        run_query(str(tmp_path / "none"), "SELECT 1")
    with pytest.raises(SourceError):
        Ledger.open("nonsense://x")
    monkeypatch.setitem(__import__("sys").modules, "fsspec", None)
    with pytest.raises(UsageError, match=r"hubtack\[fleet\]"):
        Ledger.open(str(tmp_path / "ledger"))


def test_a_duckdb_that_lacks_a_library_for_times_is_said_in_a_sentence(
    tmp_path: Path, accounts: list[SessionAccount], monkeypatch: pytest.MonkeyPatch
) -> None:
    duckdb = pytest.importorskip("duckdb")

    class Old:
        def execute(self, sql: str) -> Old:
            if sql.startswith("SELECT"):
                raise ModuleNotFoundError("No module named 'pytz'", name="pytz")
            return self

        def register(self, name: str, table: object) -> None: ...

        def close(self) -> None: ...

    url = str(tmp_path / "ledger")
    filled(url, accounts)
    monkeypatch.setattr(duckdb, "connect", lambda where: Old())
    with pytest.raises(UsageError, match="wants pytz"):
        run_query(url, "SELECT start_utc FROM sessions")


def test_a_query_reaches_nothing_but_the_ledger(tmp_path: Path, accounts: list[SessionAccount]) -> None:
    pytest.importorskip("duckdb")
    url = str(tmp_path / "ledger")
    filled(url, accounts)
    (tmp_path / "secret.csv").write_text("a\n1\n")
    for sql in (
        f"SELECT * FROM '{tmp_path}/secret.csv'",
        f"COPY sessions TO '{tmp_path}/out.csv'",
        "SET enable_external_access = true",
        "SELEC 1",
    ):
        with pytest.raises(UsageError, match="--query"):
            run_query(url, sql)
    assert not (tmp_path / "out.csv").exists()


def test_a_log_that_has_grown_leaves_no_old_rows(tmp_path: Path) -> None:
    folder, url = tmp_path / "logs", str(tmp_path / "ledger")
    folder.mkdir()
    for seconds in (60, 120):
        (folder / "rover.nmea").write_bytes(dated(36_000_000, seconds))
        plan = plan_place(Place(folder, folder, True), Settings())
        ledger = Ledger.open(url)
        for task in plan.tasks:
            for account in run_task(task).accounts:
                ledger.add(account)
        ledger.add_place(
            "s", str(folder), [t.key for t in plan.tasks], [], [f.path for t in plan.tasks for f in t.facts]
        )
        ledger.close()
    assert run_query(url, "SELECT duration_s FROM sessions")[1] == [[120.0]]
