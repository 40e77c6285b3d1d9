"""Reads a site file: bytes to a checked ``Site``, or one ``UsageError`` that lists what is wrong and where.

Coordinate systems are not looked up here (PROJ takes a tenth of a second to start); control does that when it needs
one. No network and no device is touched.
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from pathlib import Path
from typing import Any

from hubtack.errors import UsageError
from hubtack.safe import safe_text
from hubtack.site.check import Checker
from hubtack.site.locate import key_lines
from hubtack.site.model import (
    BaseMark,
    ControlMark,
    Corrections,
    GridOrigin,
    HeightPlane,
    Job,
    LocalGrid,
    Machine,
    Receiver,
    Site,
    SiteFrame,
    Stream,
)
from hubtack.site.secrets import drop_mask, has_password, mask_toml

MAX_BYTES = 1_000_000
MAX_PROBLEMS = 10
_STREAMS = ("rover", "second_antenna", "corrections")


def load_site(path: Path) -> Site:
    """The site that the file at ``path`` describes; keys that it leaves out have their defaults.

    Parameters
    ----------
    path : Path
        A TOML file in UTF-8. Paths inside it are relative to its folder.

    Raises
    ------
    UsageError
        If it cannot be read, is not TOML, or has a key or value that is not accepted. The message has one line for
        each of the first ten, with the line in the file where that can be told; no secret is in it.
    """
    path = Path(path)
    data, text = _read(path)
    parsed = _parse(path, text)
    checker = Checker(key_lines(text))
    found = checker.table("", parsed)
    _check_beyond_the_table(checker, found)
    if checker.problems:
        raise UsageError(_report(path, checker.problems))
    return _build(path, found, hashlib.sha256(data).hexdigest())


def secretless_text(path: Path) -> str:
    """Text of the site file with the password of every ``user:password@`` masked; it still loads as a site file."""
    return mask_toml(_read(Path(path))[1])


def _read(path: Path) -> tuple[bytes, str]:
    name = safe_text(str(path))
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except IsADirectoryError:
        inside = " (there is a site.toml in it)" if (path / "site.toml").is_file() else ""
        raise UsageError(f"site file {name} is a folder{inside}; name the file itself") from None
    except FileNotFoundError:
        raise UsageError(f"site file {name} does not exist; check --site") from None
    except (OSError, ValueError) as err:  # ValueError: a NUL in the name
        reason = getattr(err, "strerror", None) or str(err)
        raise UsageError(f"site file {name} cannot be read: {reason}") from err
    if len(data) > MAX_BYTES:
        raise UsageError(f"site file {name} is over {MAX_BYTES // 1_000_000} MB: a site file is a short TOML text")
    try:
        return data, data.decode("utf-8-sig")  # some editors put a byte order mark in front
    except UnicodeDecodeError as err:
        raise UsageError(
            f"site file {name} is not text in UTF-8 (byte {err.start}); save it as UTF-8. "
            "A log is given as the source, without --site"
        ) from None


def _parse(path: Path, text: str) -> dict[str, Any]:
    name = safe_text(str(path))
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as err:
        # "... (at line 3, column 9)" or "(at end of document)": the place goes first, as in every other message
        match = re.search(r"(?s)^(.*) \(at (.*)\)$", str(err))
        what, where = (match[1], match[2]) if match else (str(err), "some line")
        raise UsageError(
            f"site file {name}, {where}: not valid TOML: {safe_text(what, 120)}. Texts stand in double quotes, "
            "decimals have a point, each key has one = and its own line"
        ) from None
    except (RecursionError, ValueError):
        raise UsageError(f"site file {name} is not usable TOML: nested too deep, or a number too long") from None


def _check_beyond_the_table(checker: Checker, found: dict[str, Any]) -> None:
    """What takes more than one key or a look elsewhere: time zone, one kind of geoid, names of marks."""
    zone = found.get("time_zone", "UTC")
    complaint = _zone_complaint(zone)
    if complaint:
        checker.problem(("time_zone",), f'time_zone is the text "{safe_text(zone, 60)}"; {complaint}')
    frame = found.get("site", {})
    if len(frame.get("geoid", {})) == 2:
        checker.problem(("site", "geoid"), "site.geoid has separation_m and model; give one of them")
    seen: dict[str, int] = {}
    for i, mark in enumerate(frame.get("control", [])):
        name = mark.get("name", "").strip().casefold()
        if name and name in seen:
            checker.problem(
                ("site", "control", i, "name"),
                f'site.control {i + 1} has the name "{safe_text(mark["name"], 60)}", and so has site.control '
                f"{seen[name] + 1}; each mark needs its own",
            )
        seen.setdefault(name, i)


def _zone_complaint(zone: str) -> str:
    if zone == "UTC":
        return ""
    import difflib
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

    try:
        ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        known = available_timezones()
        if not known:
            return 'this computer has no time zone database: install the Python package tzdata, or use "UTC"'
        near = difflib.get_close_matches(zone, sorted(known), 1)
        hint = f"; did you mean {near[0]}?" if near else ""
        return f'accepted: "UTC" or a zone of the IANA time zone database, written Area/City{hint}'
    return ""


def _report(path: Path, problems: list[tuple[int | None, str]]) -> str:
    name = safe_text(str(path))
    ordered = sorted(problems, key=lambda item: item[0] or 0)  # stable; what has no line comes first
    texts = [f"line {line}: {sentence}" if line else sentence for line, sentence in ordered]
    if len(texts) == 1:
        return f"site file {name}, {texts[0]}"
    more = [f"and {len(texts) - MAX_PROBLEMS} more"] if len(texts) > MAX_PROBLEMS else []
    return "\n".join([f"site file {name} has {len(texts)} problems:", *texts[:MAX_PROBLEMS], *more])


def _build(path: Path, found: dict[str, Any], sha256: str) -> Site:
    warnings: list[str] = []
    corrections = dict(found.get("corrections", {}))
    streams = {table: _source(path, table, found.get(table, {}), warnings) for table in _STREAMS}
    corrections["source"] = streams["corrections"]
    job = dict(found.get("job", {}))
    if "class" in job:
        job["class_"] = job.pop("class")
    machine = dict(found.get("machine", {}))
    for axis, value in machine.pop("antenna", {}).items():
        machine[f"antenna_{axis}"] = value
    return Site(
        units=found.get("units", "m"),
        time_zone=found.get("time_zone", "UTC"),
        machine=Machine(**machine),
        job=Job(**job),
        receiver=Receiver(**found.get("receiver", {})),
        limits=found.get("limits", {}),
        rover=Stream(streams["rover"]),
        second_antenna=Stream(streams["second_antenna"]),
        corrections=Corrections(**corrections),
        site=_frame(path, found.get("site", {}), warnings),
        path=path,
        sha256=sha256,
        warnings=tuple(f"site file {safe_text(str(path))}: {warning}" for warning in warnings),
    )


def _frame(path: Path, found: dict[str, Any], warnings: list[str]) -> SiteFrame:
    geoid = found.get("geoid", {})
    model = geoid.get("model")
    if model is not None and (path.parent / model).is_file():
        model = str(path.parent / model)
    base = BaseMark(**found["base"]) if "base" in found else None
    local = None
    if "local" in found:
        given = dict(found["local"])
        given["origin"] = GridOrigin(**given["origin"])
        given["height_plane"] = HeightPlane(**given.get("height_plane", {}))
        local = LocalGrid(**given)
    control = tuple(ControlMark(**mark) for mark in found.get("control", []))
    if base and base.point == "arp" and base.antenna_height_m:
        warnings.append('site.base.antenna_height_m is not used: with point = "arp" the height is the antenna\'s')
    if local and "crs" in found:
        warnings.append("site.local is used, and site.crs is not")
    if not geoid and any(mark.height_datum == "geoid" for mark in control):
        warnings.append("control marks have heights above the geoid and there is no site.geoid: no height is compared")
    return SiteFrame(
        name=found.get("name"),
        crs=found.get("crs"),
        geoid_separation_m=geoid.get("separation_m"),
        geoid_model=model,
        base=base,
        local=local,
        control=control,
    )


def _source(path: Path, table: str, found: dict[str, Any], warnings: list[str]) -> str | None:
    """The source of one table, a path in it made relative to the file's folder."""
    if "source" not in found:
        return None
    source = drop_mask(str(found["source"]))
    if has_password(source):
        warnings.append(
            f"{table}.source holds a password; take it out, and put it into the environment variable that "
            "corrections.password_env names"
        )
    if source == "-" or "://" in source:
        return source
    return str(path.parent / source.removeprefix("file:"))
