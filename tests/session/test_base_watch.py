"""The base's own observations in a session: what they find, what they hold, and what they leave alone.

Sessions come from the simulator, which writes bytes from causes and shares nothing with ``orbits`` but geometry.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hubtack.diagnosis.episode import Finding
from hubtack.knowledge.reasons import BIT
from hubtack.logs import drive
from hubtack.logs.discover import discover
from hubtack.orbits.api import BaseWatcher
from hubtack.orbits.static import StaticPosition
from hubtack.session.base_watch import observing_decoder
from hubtack.session.session import Session
from hubtack.simulate.session import simulate, write_folder
from hubtack.site import load_site


def _written(folder: Path, codes: list[str], seed: int, seconds: int, clean: str = "untidy") -> Path:
    write_folder(simulate(codes, clean, seed, seconds, 1.0), folder, mixed=False, command="", description="")
    return folder


@pytest.fixture(scope="module")
def knocked(tmp_path_factory: Any) -> Path:
    """Seed 10: 0.46 m at 150 s, to the north-west and down."""
    return _written(tmp_path_factory.mktemp("made") / "knocked", ["base_disturbed"], 10, 300)


@pytest.fixture(scope="module")
def misplaced(tmp_path_factory: Any) -> Path:
    """Seed 2: the typed position is 28.7 m off."""
    return _written(tmp_path_factory.mktemp("made") / "misplaced", ["base_misplaced"], 2, 240)


def _run(folder: Path, *, with_base: bool = True) -> tuple[Session, list[Finding], np.ndarray]:
    files = discover([folder]).sessions[0]
    assert files.site is not None
    site = load_site(files.site)
    if not with_base:
        site = dataclasses.replace(site, site=dataclasses.replace(site.site, base=None))
    session = drive.session_for(files, site)
    rows: list[Any] = []
    drive.run_files(session, files, rows.append)
    bits = np.concatenate([r.judged.bits for r in rows if len(r.epochs)])
    return session, session.findings(), bits


def test_a_knocked_base_is_the_first_finding_and_what_the_rover_shows_of_it_is_folded(knocked: Path) -> None:
    session, findings, _ = _run(knocked)
    assert findings[0].code == "base_disturbed"
    evidence = findings[0].evidence
    assert evidence["moved_m"] == pytest.approx(0.4597, abs=0.03)  # of the truth
    assert evidence["direction"] == "north-west" and evidence["satellites"] >= 12
    first_ns = session.first_ns()
    assert first_ns is not None and findings[0].start_ns is not None
    assert 139.0 <= (findings[0].start_ns - first_ns) / 1e9 <= 151.0
    assert "suspect_fix" not in [f.code for f in findings]


def test_a_knocked_base_is_held_from_the_moment_it_was_told(knocked: Path) -> None:
    session, _, bits = _run(knocked)
    held = np.flatnonzero(bits & BIT["latched_base_disturbed"])
    assert 155 <= held[0] <= 175  # told one look later: 10 to 20 s after the knock
    assert held[-1] == len(bits) - 1 and len(held) == held[-1] - held[0] + 1
    session.confirm(2**61)
    assert not session.link.join(np.array([2**62])).latches[0]


def test_any_cut_of_the_logs_tells_the_same_moves_and_holds_the_same_rows(
    knocked: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole, found, bits = _run(knocked)
    monkeypatch.setattr(drive, "BLOCK", dict.fromkeys(drive.BLOCK, 4099))
    cut, found_cut, bits_cut = _run(knocked)
    assert np.array_equal(bits, bits_cut)
    assert [m.start_ns for m in cut.base.moves] == [m.start_ns for m in whole.base.moves]
    assert cut.base.moves[0].offset_enu_m == pytest.approx(whole.base.moves[0].offset_enu_m, abs=1e-4)
    assert cut.base.seen().figures == whole.base.seen().figures
    assert [f.code for f in found] == [f.code for f in found_cut]


@pytest.mark.parametrize("size", [700, 4_321, 60_000])
def test_any_cut_of_the_corrections_gives_the_same_figures_to_the_bit(knocked: Path, size: int) -> None:
    data = (knocked / "corrections.rtcm3").read_bytes()
    assert _watched([data[at : at + size] for at in range(0, len(data), size)]) == _watched([data])


def _watched(pieces: list[bytes]) -> list[Any]:
    """All that the watch knows after a stream: position, moves, spread of the phases, the sky."""
    watcher, decoder = BaseWatcher(phase_every_s=10.0), observing_decoder()
    for piece in pieces:
        watcher.feed(decoder.feed(piece))
    watcher.close()
    measured = watcher.measured()
    assert isinstance(measured, StaticPosition) and watcher.disturbances
    return [
        measured.pos_ecef_m.tobytes(), measured.covariance_enu_m2.tobytes(), measured.scale, measured.excluded,
        [(m.t_gpst_s, m.offset_enu_m.tobytes(), m.sigma_enu_m.tobytes(), m.confirmed_pos) for m in watcher.disturbances],
        watcher.disturbance_limit(), watcher.claimed_at, watcher.revision, watcher.t_gpst_s,
        watcher.sky_tally.report(), sorted(watcher.cn0_dbhz.items()),
    ]  # fmt: skip


def test_a_misplaced_base_is_told_by_its_own_pseudoranges_where_the_site_names_no_base(misplaced: Path) -> None:
    _, findings, _ = _run(misplaced, with_base=False)
    assert findings[0].code == "base_misplaced" and findings[0].severity == "stop"
    evidence = findings[0].evidence
    assert evidence["off_m"] == pytest.approx(28.6771, abs=3.0)  # of the truth
    assert evidence["basis"] == "its own pseudoranges" and evidence["where"] == "to the south-east"
    assert evidence["limit_plan_m"] < 10.0 and evidence["checks"]
    assert "by its own pseudoranges" in findings[0].summary


def test_a_misplaced_base_is_held_until_somebody_confirms_it(misplaced: Path) -> None:
    session, _, bits = _run(misplaced, with_base=False)
    held = np.flatnonzero(bits & BIT["latched_base_misplaced"])
    assert 20 <= held[0] <= 120  # three epochs with ephemerides, which take their time to come
    assert held[-1] == len(bits) - 1 and len(held) == held[-1] - held[0] + 1
    session.confirm(2**61)
    assert not session.link.join(np.array([2**62])).latches[0]


def test_a_position_that_the_site_file_names_as_well_is_a_warning(misplaced: Path, tmp_path: Path) -> None:
    # A base started on its own position, and a site that works with it: wrong by metres, and known to the site.
    first, _, _ = _run(misplaced, with_base=False)
    assert first.link.arp_ecef_m is not None
    files = discover([misplaced]).sessions[0]
    session = drive.session_for(files, load_site(files.site))  # type: ignore[arg-type]
    session.link.setup = dataclasses.replace(session.link.setup, base_ecef_m=first.link.arp_ecef_m)
    drive.run_files(session, files)
    found = {f.code: f for f in session.findings()}
    assert found["base_misplaced"].severity == "warn" and found["base_misplaced"].evidence["site_agrees"]
    assert not session.link.join(np.array([2**61])).latches[0]


def test_the_site_file_has_the_better_figure_and_the_pseudoranges_stand_beside_it(misplaced: Path) -> None:
    session, findings, _ = _run(misplaced)
    assert [f.code for f in findings].count("base_misplaced") == 1
    evidence = findings[0].evidence
    assert evidence["off_m"] == pytest.approx(28.6771, abs=1e-3)
    assert evidence["basis"] == "the site file"
    assert evidence["pseudoranges"]["offset_plan_m"] == session.base.seen().figures["offset_plan_m"]


def test_ephemerides_give_the_date_where_nothing_else_does(misplaced: Path) -> None:
    from hubtack.decode.decoder import Decoder
    from hubtack.logs.discover import SessionFiles
    from hubtack.site import default_site

    data = (misplaced / "corrections.rtcm3").read_bytes()
    dated = drive.session_for(SessionFiles("x", None, (misplaced / "corrections.rtcm3",)), default_site())
    drive.run_files(dated, SessionFiles("x", None, (misplaced / "corrections.rtcm3",)))
    assert dated.axis.time_basis == "1013"  # the better source
    undated = drive.session_for(SessionFiles("x", None, (misplaced / "corrections.rtcm3",)), default_site())
    decoder = Decoder()
    frames = decoder.feed(data).frames
    kept = [data[a:b] for a, b, n in zip(frames.pos, frames.end, frames["type"], strict=True) if n != 1013]
    from hubtack.readers.chunk import Chunk

    undated.feed(Chunk("corrections", b"".join(kept)))
    undated.close()
    assert undated.axis.time_basis == "ephemeris"
    assert undated.axis.utc_iso(undated.last_ns())[:16] == dated.axis.utc_iso(dated.last_ns())[:16]  # type: ignore[index]


@pytest.mark.parametrize("clean", ["repeater", "reseated", "two_system", "open_squelch"])
def test_ordinary_days_give_no_finding_about_the_base_s_place(tmp_path: Path, clean: str) -> None:
    session, findings, bits = _run(_written(tmp_path / clean, [], 77, 240, clean), with_base=False)
    assert session.base.seen().misplaced is False
    assert not {f.code for f in findings} & {"base_misplaced", "base_disturbed"}
    assert not (bits & (BIT["latched_base_disturbed"] | BIT["latched_base_misplaced"])).any()
