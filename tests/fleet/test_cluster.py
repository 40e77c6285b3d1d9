"""A real cluster on this computer: a scheduler and two worker processes, one of which is killed in the middle."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from tests.logs.test_split import dated

from hubtack.audit.gather import gather
from hubtack.cli.main import main
from hubtack.errors import SourceError
from hubtack.fleet.cluster import clustered, connect
from hubtack.fleet.plan import Place, Settings
from hubtack.fleet.pool import Broken

distributed = pytest.importorskip("distributed")


def slow_name(n: int) -> tuple[int, int]:
    time.sleep(0.2)
    return n, os.getpid()


def fails(n: int) -> int:
    if n == 2:
        raise ValueError("two")
    return n


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    ) as local:
        yield local


@pytest.mark.slow
def test_every_item_comes_back_once_though_a_worker_is_killed(cluster: Any) -> None:
    client = connect(cluster.scheduler_address)
    pids = list(client.run(os.getpid).values())
    results = []
    for done in clustered(slow_name, range(24), client):
        results.append(done)
        if len(results) == 5:
            os.kill(pids[0], signal.SIGKILL)
    client.close()
    assert sorted(d.item for d in results) == list(range(24))
    assert all(not isinstance(d.result, Broken) and d.result[0] == d.item for d in results)


@pytest.mark.slow
def test_an_error_in_one_item_is_its_own_row(cluster: Any) -> None:
    client = connect(cluster.scheduler_address)
    results = {d.item: d.result for d in clustered(fails, range(5), client)}
    client.close()
    assert isinstance(results.pop(2), Broken) and results == {n: n for n in (0, 1, 3, 4)}


@pytest.mark.slow
def test_an_audit_on_a_cluster_loses_and_doubles_no_session_when_a_worker_dies(
    cluster: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for n in range(10):
        folder = tmp_path / "logs" / f"digger-{n}"
        folder.mkdir(parents=True)
        (folder / "rover.nmea").write_bytes(dated(36_000_000 + n * 1000, 1500 + n))
    places = [Place(p, tmp_path / "logs", True) for p in sorted((tmp_path / "logs").iterdir())]
    here = gather(places, Settings(), jobs=1)
    expected = [a.document for a in here.accounts]

    with distributed.Client(cluster.scheduler_address, set_as_default=False) as client:
        pids = list(client.run(os.getpid).values())
    killed = []

    class KillInTheMiddle:
        def __getattr__(self, name: str) -> Any:
            return lambda *args: None

        def advance(self, n_bytes: int) -> None:
            killed.append(n_bytes)
            if len(killed) == 13:  # three sessions after the ten places
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pids[0], signal.SIGKILL)

    there = gather(
        places, Settings(), cluster=cluster.scheduler_address, ledger_url=str(tmp_path / "ledger"),
        progress=KillInTheMiddle(),  # type: ignore[arg-type]
    )  # fmt: skip
    assert [_without_paths(a.document) for a in there.accounts] == [_without_paths(d) for d in expected]
    assert not there.skipped
    from hubtack.fleet.query import run_query

    assert run_query(str(tmp_path / "ledger"), "SELECT count(*), count(DISTINCT key) FROM sessions")[1] == [[10, 10]]


def _without_paths(document: dict[str, Any]) -> str:
    return json.dumps({k: v for k, v in document.items() if k != "files"}, sort_keys=True)


def test_no_cluster_at_an_address_is_said_in_a_sentence(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from hubtack.fleet import cluster as module

    monkeypatch.setattr(module, "_CONNECT_S", 0.5)
    with pytest.raises(SourceError, match="no cluster at"):
        connect("tcp://127.0.0.1:9")
    (tmp_path / "rover.nmea").write_bytes(dated(36_000_000, 10))
    assert main(["audit", str(tmp_path), "--cluster", "tcp://127.0.0.1:9"]) == 3
    assert "no cluster at" in capsys.readouterr().err
