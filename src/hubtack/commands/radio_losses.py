"""``radio losses``: logs in, losses by place and time out, with the likelier cure."""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Callable, Iterator

from hubtack.commands.radio_path import with_sensitivity
from hubtack.diagnosis.loss_places import loss_places
from hubtack.documents.radio import losses_body
from hubtack.errors import SourceError, UsageError
from hubtack.json_out import document, to_json
from hubtack.knowledge.radio import MUCH_LOST_SHARE
from hubtack.logs.discover import SessionFiles, discover, site_of
from hubtack.radio.checks import link_of
from hubtack.radio.cure import likelier_cure, range_bands
from hubtack.radio.losses import SessionLosses, pooled, session_losses
from hubtack.radio.path import Link
from hubtack.safe import safe_text
from hubtack.site import load_site
from hubtack.views.paragraphs import text_columns
from hubtack.views.radio_map import losses_text, plan

EXIT_FINE, EXIT_NO, EXIT_SOURCE = 0, 1, 3
# The figures without which the model can expect nothing.
_MODEL = ("frequency_mhz", "base_height_m", "rover_height_m", "power_w", "sensitivity_dbm")


def losses(args: argparse.Namespace) -> int:
    """``radio losses``."""
    link = _model(args)
    sessions, failed = _sessions(args)
    if not sessions:
        return EXIT_SOURCE
    record = pooled(sessions)
    if not record.sessions:
        names = ", ".join(safe_text(s.name) for s in sessions)
        raise SourceError(
            f"{names}: no correction epochs and no age of corrections in it; expected a rover log with its correction "
            "stream, or a rover log with GGA"
        )
    found = loss_places(record.slots)
    frames = sum(s.frames + s.bad_crc for s in record.sessions)
    damaged = sum(s.bad_crc for s in record.sessions) / frames if frames else 0.0
    cure = likelier_cure(found, record.slots, link, damaged)
    bands = range_bands(record.slots, link)
    body = losses_body(record, found, bands, cure)
    doc = document("radio_losses", body)
    if args.plot is not None:
        from hubtack.views.radio_plot import plot_losses

        plot_losses(args.plot, record.slots, found, bands)
    if args.json:
        print(to_json(doc))
    else:
        width = text_columns()
        slots = record.slots
        for line in losses_text(doc, plan(slots.range_m, slots.bearing_deg, slots.lost, width=width - 4), width):
            print(line)
    for name, reason in record.left_out:
        print(f"hubtack radio: {safe_text(name)}: {reason}", file=sys.stderr)
    if failed:
        return EXIT_SOURCE
    return EXIT_NO if found.places or found.stretch or found.lost >= MUCH_LOST_SHARE * found.slots else EXIT_FINE


def _model(args: argparse.Namespace) -> Link | None:
    """The radio's figures where they were given: all that the model needs, or none."""
    missing = [name for name in _MODEL if getattr(args, name) is None]
    if args.rate_bps is not None and "sensitivity_dbm" in missing:
        missing.remove("sensitivity_dbm")
    if not any(getattr(args, name) is not None for name in _MODEL):
        return None
    if missing:
        options = ", ".join(f"--{name.replace('_', '-')}" for name in missing)
        raise UsageError(f"to compare with the path model, {options} must be given too (or none of them)")
    asked = argparse.Namespace(**{**vars(args), "distance_m": 1000.0, "obstacle": [], "profile": None})
    return with_sensitivity(link_of(asked), args)


def _sessions(args: argparse.Namespace) -> tuple[list[SessionLosses], bool]:
    site = load_site(args.site) if args.site is not None else None
    found = discover(args.paths)
    done: list[SessionLosses] = []
    failed = False
    # A correction log of its own says nothing of places.
    wanted = [files for files in found.sessions if files.rover is not None or len(found.sessions) == 1]
    with _progress(wanted) as on_bytes:
        for files in wanted:
            try:
                own = site if site is not None else site_of(files)
                done.append(session_losses(files, own, on_bytes))
            except SourceError as err:
                failed = True
                _say(files, str(err))
    for skipped in found.skipped:
        print(f"hubtack radio: {safe_text(f'{skipped.path}: {skipped.reason}', 400)}", file=sys.stderr)
    if not done and not failed:
        print(f"hubtack radio: no logs in {', '.join(safe_text(str(p)) for p in args.paths)}", file=sys.stderr)
    return done, failed


@contextlib.contextmanager
def _progress(wanted: list[SessionFiles]) -> Iterator[Callable[[int], None]]:
    """How far the reading has come, on standard error where that is a terminal."""
    if not sys.stderr.isatty():
        yield lambda n: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("reading"),
        BarColumn(bar_width=30),
        DownloadColumn(),
        TextColumn("left"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        total = sum(path.stat().st_size for files in wanted for path in files.paths)
        task = bar.add_task("reading", total=total or None)
        yield lambda n: bar.update(task, advance=n)


def _say(files: SessionFiles, text: str) -> None:
    print(f"hubtack radio: {safe_text(f'{files.name}: {text}', 400)}", file=sys.stderr)
