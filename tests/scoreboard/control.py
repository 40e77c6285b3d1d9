"""Checks on a control mark, simulated with a known truth, through ``hubtack control`` and ``hubtack audit``.

A machine stands still for a while on a mark that lies anywhere on the globe. What is done to it is what happens on sites:
nothing, a base whose coordinates are off, another mark's name, an antenna height left out or taken off twice, coordinates
in another frame or another foot, a height of the other kind, a check that is too old or was made from another base. Marks
are computed by pyproj from the true place, frames by EPSG codes of pyproj's own: nothing of ``hubtack.control`` is used.
"""

from __future__ import annotations

import contextlib
import dataclasses
import datetime as dt
import io
import json
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pyproj import Transformer
from tests.scoreboard.confusion import Row

from hubtack.cli.main import main
from hubtack.simulate import session as simulated
from hubtack.simulate.files import Simulated, write_folder
from hubtack.simulate.variety import Variety, draw_variety
from hubtack.simulate.world import Place, World

Rng = np.random.Generator
# Where two frames that surveyors mix up lie apart by more than noise: south, north, west, east [deg], names and EPSG codes
# of the geocentric systems, as pyproj has them; it computes the steps too. That they are of this size: GDA94 to GDA2020
# 1.8 m (ICSM, GDA2020 technical manual), NAD83(2011) to ITRF2014 1 to 1.7 m (NGS), ETRF2000 to ITRF2014 0.6 to 1 m
# (EUREF), all from memory.
REGIONS: tuple[tuple[tuple[float, float, float, float], tuple[tuple[str, int], tuple[str, int]]], ...] = (
    ((-37.0, -16.0, 116.0, 152.0), (("GDA94", 4938), ("GDA2020", 7842))),
    ((32.0, 47.0, -120.0, -78.0), (("NAD83(2011)", 6317), ("ITRF2014", 7789))),
    ((44.0, 60.0, -4.0, 24.0), (("ETRF2000", 7930), ("ITRF2014", 7789))),
)
MARK_SIGMA_M = 0.010


@dataclass(slots=True)
class Visit:
    """What was drawn: the world's changes, the marks of the site file, the arguments, and what names the truth."""

    right: frozenset[str]
    world: Callable[[World], None] = lambda world: None
    place: Place | None = None
    point: str = "CP3"
    moved_mark_m: tuple[float, float, float] = (0.0, 0.0, 0.0)  # of CP3 as written, from where it is
    scaled: float = 1.0  # of CP3's coordinates as written
    other_m: tuple[float, float, float] = (60.0, -35.0, 0.4)  # CP4 from CP3
    height_datum: str = "ellipsoid"
    says_geoid: bool = False
    pole_m: float = 0.0  # true height of the antenna above the mark
    given_pole_m: float | None = None  # what is typed for it
    corrections: bool = True
    names: tuple[str, ...] = ()  # words that the explanation must hold
    about: str = ""


@dataclass(frozen=True, slots=True)
class ControlCase:
    """One check: enough to have it again."""

    way: str
    seed: int


def draw_control_case(rng: Rng, way: str) -> ControlCase:
    """A check to which this was done."""
    return ControlCase(way, int(rng.integers(0, 2**31)))


def _direction(rng: Rng) -> np.ndarray[Any, Any]:
    v = rng.standard_normal(3)
    return np.asarray(v / np.linalg.norm(v))


def _log(rng: Rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


# What may be done ----------------------------------------------------------------------------------------------------


def good(rng: Rng) -> Visit:
    """Nothing is wrong; the mark's own coordinates are off by what they are known to."""
    return Visit(frozenset({"passed"}), moved_mark_m=tuple(float(v) for v in rng.normal(0, 0.5 * MARK_SIGMA_M, 3)),
                 pole_m=float(rng.choice([0.0, 1.8, 2.0])), corrections=bool(rng.random() < 0.7))  # fmt: skip


def base_off(rng: Rng) -> Visit:
    """The base's coordinates are off: typed wrong, or a base that was started on its own position."""
    off = _log(rng, 0.08, 8.0) * _direction(rng)

    def set_up(world: World) -> None:
        world.base.typed_offset_m = off

    return Visit(frozenset({"control_failed", "base_misplaced"}), set_up, corrections=bool(rng.random() < 0.6),
                 about=f"{np.linalg.norm(off):.2f} m")  # fmt: skip


def wrong_mark(rng: Rng) -> Visit:
    """The machine stands on CP3, and the name that is typed is CP4."""
    away, turn = _log(rng, 0.3, 400.0), float(rng.uniform(0, 2 * np.pi))
    other = (away * np.sin(turn), away * np.cos(turn), float(rng.normal(0, 0.3)))
    return Visit(frozenset({"control_failed"}), point="CP4", other_m=other, names=("CP3",), about=f"{away:.1f} m away")


def pole_left_out(rng: Rng) -> Visit:
    """The antenna stands on a pole whose height nobody typed."""
    return Visit(frozenset({"control_failed"}), pole_m=float(rng.choice([1.5, 1.8, 2.0, 2.134])), given_pole_m=0.0)


def pole_misread(rng: Rng) -> Visit:
    """The pole's height was misread: a section more or less, a decimetre, or feet (common practice, no source)."""
    true = float(rng.choice([1.5, 1.8, 2.0, 2.2]))
    return Visit(
        frozenset({"control_failed"}), pole_m=true, given_pole_m=true + float(rng.choice([-0.2, -0.1, 0.1, 0.2, 0.5]))
    )


def pole_twice(rng: Rng) -> Visit:
    """The receiver takes the pole off already, and it is taken off once more."""
    return Visit(frozenset({"datum_shift"}), pole_m=0.0, given_pole_m=float(rng.choice([1.5, 1.8, 2.0])),
                 names=("taken off twice",))  # fmt: skip


def other_frame(rng: Rng) -> Visit:
    """The base's coordinates are in one frame and the mark's in another."""
    (south, north, west, east), frames = REGIONS[int(rng.integers(len(REGIONS)))]
    lat, lon = float(rng.uniform(south, north)), float(rng.uniform(west, east))
    place = Place(
        round(lat, 4), round(lon, 4), round(float(rng.uniform(0, 300)), 1), round(float(rng.uniform(-30, 40)), 1)
    )
    (base_name, base_code), (mark_name, mark_code) = frames if rng.random() < 0.5 else frames[::-1]

    def set_up(world: World) -> None:
        day = dt.date(world.start.year, 1, 1)
        epoch = world.start.year + (world.start.date() - day).days / 365.25
        step = Transformer.from_crs(mark_code, base_code, always_xy=True).transform
        there = np.array(step(*world.base.position_m, epoch)[:3])
        # The mark's frame is that of the site's grid: a base in another frame is off by the step to it.
        world.base.typed_offset_m = there - world.base.position_m

    return Visit(frozenset({"datum_shift"}), set_up, place, corrections=bool(rng.random() < 0.5),
                 names=(base_name, mark_name), about=f"base in {base_name}, mark in {mark_name}")  # fmt: skip


def other_foot(rng: Rng) -> Visit:
    """US survey feet taken for international feet, or the reverse, over coordinates of thousands of kilometres."""
    # NIST Handbook 44, appendix B: the two differ by 2 parts in a million exactly (0.3048 and 1200/3937 m).
    ratio = (1200 / 3937) / 0.3048
    return Visit(frozenset({"datum_shift"}), scaled=float(rng.choice([ratio, 1 / ratio])), names=("feet",))


def other_height(rng: Rng) -> Visit:
    """A height above the geoid taken for one above the ellipsoid, or the reverse."""
    return Visit(
        frozenset({"datum_shift"}), says_geoid=bool(rng.random() < 0.5), height_datum="other", names=("geoid",)
    )


WAYS: Mapping[str, Callable[[Rng], Visit]] = {
    f.__name__: f
    for f in (
        good,
        base_off,
        wrong_mark,
        pole_left_out,
        pole_misread,
        pole_twice,
        other_frame,
        other_foot,
        other_height,
    )
}


# One visit -----------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Made:
    """A session that stands on a mark."""

    result: Simulated
    mark: tuple[float, float, float]  # easting, northing, ellipsoidal height of CP3's true place


def standing(seed: int, seconds: int, rng: Rng, visit: Visit, later: dt.timedelta = dt.timedelta(0)) -> Made:
    """The machine idle, its antenna ``pole_m`` above CP3; ``later`` moves the day."""

    def stand(world: World, _: Rng) -> None:
        world.machine.spells = [(0.0, "idle")]
        visit.world(world)

    def where(own: Rng) -> Variety:
        drawn = draw_variety(own)
        start = drawn.start + later
        return Variety(drawn.place if visit.place is None else visit.place, start.replace(second=0, microsecond=0))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(simulated, "FAULTS", {"stand": stand})
        patch.setattr(simulated, "draw_variety", where)
        result = simulated.simulate(["stand"], "tidy", seed, seconds, 1.0, anywhere=True)
    world = result.world
    turn, r = np.radians(world.machine.heading_deg), world.machine.swing_radius_m
    enu = world.machine.offset_enu_m + np.array([-r * np.cos(turn), r * np.sin(turn), 0.0])  # left of the swing axis
    x, y, z = world.place.point_m(*(float(v) for v in enu))
    lon, lat, h = Transformer.from_crs(4978, 4979, always_xy=True).transform(x, y, z)
    east, north = Transformer.from_crs(4326, world.place.crs, always_xy=True).transform(lon, lat)
    return Made(result, (float(east), float(north), float(h) - visit.pole_m))


def write_site(folder: Path, made: Made, visit: Visit, machine: str) -> Path:
    """The session's folder with its marks; gives the site file."""
    world = made.result.world
    write_folder(made.result, folder, mixed=False, command="", description="")
    if not visit.corrections:
        (folder / "corrections.rtcm3").unlink()
    e, n, h = made.mark
    de, dn, du = visit.moved_mark_m
    n_geoid = world.place.geoid_separation_m
    datum = visit.height_datum
    height = h + du
    if datum == "other":  # written as the other kind than it is said to be
        height, datum = (h, "geoid") if visit.says_geoid else (h - n_geoid, "ellipsoid")
    rows = [("CP3", (e + de) * visit.scaled, (n + dn) * visit.scaled, height)]
    rows.append(("CP4", *(float(v) for v in np.array([e, n, h]) + visit.other_m)))
    path = folder / "site.toml"
    text = path.read_text().replace('name = "Digger 7"', f'name = "{machine}"')
    text += f"geoid = {{ separation_m = {n_geoid:.3f} }}\n"
    for name, easting, northing, height_m in rows:
        kind = datum if name == "CP3" else "ellipsoid"
        text += (
            f'\n[[site.control]]\nname = "{name}"\neasting_m = {easting:.4f}\nnorthing_m = {northing:.4f}\n'
            f'height_m = {height_m:.4f}\nsigma_m = {MARK_SIGMA_M}\nheight_datum = "{kind}"\n'
        )
    path.write_text(text)
    return path


@dataclass(slots=True)
class ControlOutcome:
    """What was done and what was said."""

    case: ControlCase
    visit: Visit
    command: str
    code: int
    document: dict[str, Any]
    err: str = ""
    bad: list[str] = field(default_factory=list)


def run_control_case(case: ControlCase, folder: Path) -> ControlOutcome:
    """Stand on the mark, write the logs and the site file, and ask ``hubtack control``."""
    rng = np.random.Generator(np.random.PCG64([case.seed, zlib.crc32(case.way.encode())]))
    visit = WAYS[case.way](rng)
    made = standing(case.seed, int(rng.integers(90, 500)), rng, visit)
    site = write_site(folder, made, visit, "Digger 7")
    source = folder if visit.corrections else folder / "rover.nmea"
    args = ["control", str(source), "--point", visit.point, "--site", str(site), "--no-record", "--json"]
    pole_m = visit.pole_m if visit.given_pole_m is None else visit.given_pole_m
    if pole_m:
        args += ["--antenna-height-m", f"{pole_m:.3f}"]
    code, out, err = asked(args)
    return ControlOutcome(case, visit, "hubtack " + " ".join(args), code, json.loads(out), err)


def asked(args: list[str]) -> tuple[int, str, str]:
    """Exit code and output of a command in this process."""
    shown, said = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(shown), contextlib.redirect_stderr(said):
        code = main(args)
    return code, shown.getvalue(), said.getvalue()


def control_row(outcome: ControlOutcome) -> Row:
    """The outcome as a row of the table."""
    document, visit = outcome.document, outcome.visit
    codes = [str(f["code"]) for f in document["findings"] if f["severity"] != "note"]
    said = codes[0] if codes else {True: "passed", False: "failed", None: "cannot tell"}[document["passed"]]
    # A short or far occupation may say that it cannot tell: that claims nothing, and is no fault where nothing was done.
    right = said in visit.right or (said == "cannot tell" and "passed" in visit.right)
    if right and visit.names:
        words = json.dumps([document.get("datum_fit"), document.get("mistake"), document["findings"]])
        missing = [name for name in visit.names if name not in words]
        right, said = not missing, said if not missing else f"{said} without {missing[0]}"
    residual = {k: v for k, v in document["residual_m"].items() if k != "horizontal"}
    shown = ", ".join("?" if v is None else f"{v:+.3f}" for v in residual.values())
    fit = document.get("datum_fit")
    named = f"; {fit['name']}" if fit else ""
    again = f"{outcome.case.way}:{outcome.case.seed} ({visit.about}; residual {shown} m{named}) {outcome.command}"
    return Row(outcome.case.way, said, right, again)


# Does a check still count? ---------------------------------------------------------------------------------------------

CHANGES = ("recent", "old", "new_id", "base_moved", "failed", "none")


def run_check_case(case: ControlCase, folder: Path) -> Row:
    """A check in the morning, work later on the same site, and ``hubtack audit`` of that work: does the check count?"""
    rng = np.random.Generator(np.random.PCG64([case.seed, zlib.crc32(case.way.encode())]))
    visit = dataclasses.replace(good(rng), pole_m=0.0, moved_mark_m=(0.0, 0.0, 0.0), corrections=True)
    hours = float(rng.uniform(12.3, 40.0)) if case.way == "old" else float(rng.uniform(0.4, 11.5))
    morning = standing(case.seed, 240, rng, visit)
    site = write_site(folder / "morning", morning, visit, "Digger 7")
    if case.way == "failed":
        e, n, h = morning.mark
        wrong = dataclasses.replace(visit, moved_mark_m=(0.3, 0.0, 0.2))
        site = write_site(folder / "morning", Made(morning.result, (e, n, h)), wrong, "Digger 7")
    record = folder / "control.jsonl"
    out = "{}"
    if case.way != "none":
        ask = [
            "control",
            str(folder / "morning"),
            "--point",
            "CP3",
            "--site",
            str(site),
            "--json",
            "--record",
            str(record),
        ]
        _, out, _ = asked(ask)
    passed = json.loads(out).get("passed")

    def changed(world: World) -> None:
        if case.way == "new_id":
            world.base.station = world.site_station = world.base.station % 4000 + 1
        if case.way == "base_moved":  # set up anew over another mark, whose coordinates are right
            moved = world.place.point_m(12.0, -7.0, 3.0)
            world.base.position_m = moved

    later = standing(case.seed, 240, rng, dataclasses.replace(visit, world=changed), dt.timedelta(hours=hours))
    write_site(folder / "later", later, visit, "Digger 7")
    if record.exists():
        for path in (record, record.with_suffix(".csv")):
            if path.exists():
                (folder / "later" / path.name).write_bytes(path.read_bytes())
    args = ["audit", str(folder / "later"), "--site", str(folder / "later" / "site.toml"), "--json", "--jobs", "1"]
    _, out, _ = asked(args)
    sessions = json.loads(out)["sessions"]
    told = any(f["code"] == "not_checked" for s in sessions for f in s["findings"])
    # Where the morning's check could not tell, nothing was checked, whatever came later.
    counts = case.way == "recent" and passed is True
    said = "not_checked" if told else "checked"
    again = f"{case.way}:{case.seed} (morning {passed}, {hours:.1f} h later) hubtack {' '.join(args)}"
    return Row(f"not_checked: {case.way}", said, told != counts, again)
