"""Recordings by a computer whose clock is off, and by one whose clock is right while the base's is not: who is told?

``computer_clock`` has to be said from one second on (judgement of the trade: GNSS time is right, a computer's clock need
not be), with the figure, and never of a computer whose clock is right. Between 0.4 s and 1.7 s nothing is asked: what
arrives is later than its content by the latency of the link, which the recording cannot tell from a slow clock.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
from tests.scoreboard.confusion import Row
from tests.scoreboard.control import ControlCase, asked

from hubtack.simulate import session as simulated
from hubtack.simulate.files import write_folder
from hubtack.simulate.world import World

# What is done to the clocks: by how much this computer's is off [s, from, to], and the base's.
CLOCKS: Mapping[str, tuple[float, float, bool]] = {
    "off": (1.7, 4000.0, False),
    "nearly_right": (0.02, 0.4, False),
    "base_clock": (0.02, 0.4, True),
}
_ROVER_ALONE_S = 61.0  # one witness: a rover that is a minute late all day long is not to be had
_FIGURE_S = 1.0  # the figure may be wrong by the latency and the age of an epoch


def run_clock_case(case: ControlCase, folder: Path) -> Row:
    """A recording with the arrival times of such a computer, audited."""
    rng = np.random.Generator(np.random.PCG64([case.seed, zlib.crc32(case.way.encode())]))
    low, high, base_too = CLOCKS[case.way]
    off_s = float(np.exp(rng.uniform(np.log(low), np.log(high)))) * float(rng.choice([-1.0, 1.0]))
    if case.way == "off" and rng.random() < 0.35:  # set to another time zone, another day, or never set at all
        off_s = float(
            rng.choice([3600.0, 5400.0, 36_000.0, 43_200.0, 86_400.0, 3 * 86_400.0, 400 * 86_400.0])
        ) * np.sign(off_s)
    base_s = float(rng.choice([-1.0, 1.0]) * np.exp(rng.uniform(np.log(2.0), np.log(60.0)))) if base_too else 0.0

    def set_clocks(world: World, _: np.random.Generator) -> None:
        world.computer_clock_off_s, world.base.clock_off_s = off_s, base_s

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(simulated, "FAULTS", {"clocks": set_clocks})
        seconds = int(rng.integers(150, 400))
        result = simulated.simulate(["clocks"], "untidy", case.seed, seconds, 1.0, anywhere=True)
    write_folder(result, folder, mixed=False, arrivals=True, command="", description="")
    by_rover_alone = case.seed % 4 == 0 and not base_too
    if by_rover_alone:
        _leave_corrections_out(folder)
    args = ["audit", str(folder), "--json", "--jobs", "1"]
    _, out, _ = asked(args)
    found = {f["code"]: f for s in json.loads(out)["sessions"] for f in s["findings"]}
    told = found.get("computer_clock")
    said = "computer_clock" if told is not None else next(iter(found), "nothing")
    must = case.way == "off" and not (by_rover_alone and abs(off_s) < _ROVER_ALONE_S)
    right = (told is not None) is must
    if told is not None and case.way == "off":
        figure_s = float(told["evidence"]["offset_s"])
        right = abs(abs(figure_s) - abs(off_s)) < _FIGURE_S
        said = said if right else f"computer_clock of {figure_s:.1f} s"
    alone = "the rover alone, " if by_rover_alone else ""
    again = f"{case.way}:{case.seed} ({alone}computer {off_s:+.2f} s, base {base_s:+.1f} s; {', '.join(found)})"
    return Row(f"computer_clock: {case.way}", said, right, again)


def _leave_corrections_out(folder: Path) -> None:
    """The same recording without the correction stream (docs/capture.md)."""
    about = json.loads((folder / "capture.json").read_text())
    del about["sources"]["corrections"]
    (folder / "capture.json").write_text(json.dumps(about))
    rows = (folder / "index-0001.csv").read_text().splitlines(keepends=True)
    (folder / "index-0001.csv").write_text("".join(row for row in rows if ",corrections," not in row))
    (folder / "corrections-0001.log").unlink()
