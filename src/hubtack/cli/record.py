"""``hubtack record``: keeps what the sources send, byte for byte, with arrival times beside it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from hubtack.cli import options
from hubtack.errors import UsageError

if TYPE_CHECKING:
    from hubtack.capture.forward import Forwarder
    from hubtack.capture.writer import CaptureWriter
    from hubtack.readers.chunk import Event
    from hubtack.readers.hub import Hub
    from hubtack.readers.urls import SourceSpec
    from hubtack.site import Site

EXAMPLE = """
hubtack record --rover serial:///dev/ttyUSB0?baud=115200 --corrections ntrip://user@caster.example:2101/MOUNT
hubtack record ntrip://user@caster.example:2101/MOUNT --near -45.03,170.01 --for 3600 --out base_check
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    options.add_sources(parser)
    parser.add_argument("--out", type=Path, metavar="FOLDER", help="where to; default: capture-DATE-TIME here")
    options.add_site(parser)
    options.add_for(parser)
    options.add_near(parser)
    parser.add_argument(
        "--split-mb", type=options.seconds, default=1000.0, metavar="MB", help="new files at this size (default 1000)"
    )
    parser.add_argument("--no-daily", action="store_true", help="do not begin new files at midnight UTC")
    parser.add_argument(
        "--forward", metavar="URL", help="hand the corrections on, unchanged, to serial:///dev/... or tcp://host:port"
    )
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Exit 0 where every source gave bytes, 3 where one was refused or silent, or the disk became full."""
    import contextlib
    import signal
    import threading

    from hubtack.capture.forward import Forwarder
    from hubtack.capture.writer import CaptureWriter
    from hubtack.ntrip.gga import GgaFinder
    from hubtack.readers.hub import Hub
    from hubtack.readers.opening import open_reader
    from hubtack.site import default_site, load_site, secretless_text

    site = load_site(args.site) if args.site is not None else default_site()
    specs = _specs(args, site)
    for warning in dict.fromkeys(w for spec in specs.values() for w in spec.warnings):
        _say(warning)
    finder = GgaFinder()
    readers = [
        open_reader(spec, role, near=args.near, position=lambda: finder.place, site=site)
        for role, spec in specs.items()
    ]
    stop = threading.Event()
    with contextlib.ExitStack() as stack:
        for number in (signal.SIGTERM, getattr(signal, "SIGHUP", signal.SIGTERM)):
            stack.callback(signal.signal, number, signal.signal(number, lambda *_: stop.set()))
        hub = Hub(readers)
        hub.check()
        forwarder = None
        if args.forward is not None:
            if "corrections" not in specs:
                raise UsageError("--forward hands on the corrections: name them with --corrections URL")
            forwarder = stack.enter_context(Forwarder(args.forward))
            if forwarder.caution:
                _say(forwarder.caution)
        folder = args.out if args.out is not None else _default_folder()
        writer = stack.enter_context(
            CaptureWriter(
                folder,
                {role: spec.label for role, spec in specs.items()},
                site_text=secretless_text(args.site) if args.site is not None else None,
                split_bytes=max(1, int(args.split_mb * 1e6)),
                split_daily=not args.no_daily,
            )
        )
        _say(f"recording to {folder}; Ctrl-C ends it")
        stack.enter_context(hub)
        return _loop(hub, writer, forwarder, finder.feed, stop, args)


def _specs(args: argparse.Namespace, site: Site) -> dict[str, SourceSpec]:
    from hubtack.readers.urls import parse_source

    named: dict[str, str | None] = {
        "rover": args.rover,
        "second_antenna": args.second_antenna,
        "corrections": args.corrections,
    }
    if args.source is not None:
        role = "corrections" if args.source.startswith("ntrip") else "rover"
        if named[role] is not None:
            raise UsageError(f"{role} is named twice: as SOURCE and by its option")
        named[role] = args.source
    if not any(named.values()):
        named = {
            "rover": site.rover.source,
            "second_antenna": site.second_antenna.source,
            "corrections": site.corrections.source,
        }
    specs = {role: parse_source(url) for role, url in named.items() if url}
    if not specs:
        raise UsageError("nothing to record: give --rover URL, --corrections URL or --site FILE")
    for spec in specs.values():
        if spec.kind == "file":
            raise UsageError(f"{spec.label}: is a file already; record takes live sources")
    return specs


def _default_folder() -> Path:
    import datetime

    stem = f"capture-{datetime.datetime.now(datetime.UTC):%Y%m%d-%H%M%S}"
    names = [stem, *(f"{stem}-{n}" for n in range(2, 100))]
    return next(Path(name) for name in names if not Path(name).exists())


def _loop(
    hub: Hub,
    writer: CaptureWriter,
    forwarder: Forwarder | None,
    look: Callable[[bytes], None],
    stop: _Flag,
    args: argparse.Namespace,
) -> int:
    import time

    from hubtack.capture.writer import DiskFull
    from hubtack.json_out import document, to_json
    from hubtack.readers.chunk import Chunk, SourceState

    began_s = time.monotonic()
    until = None if args.for_s is None else began_s + args.for_s
    line = _StatusLine(writer, forwarder)
    refused: dict[str, str] = {}
    full: DiskFull | None = None
    try:
        while not stop.is_set() and not hub.done and (until is None or time.monotonic() < until):
            wait_s = 0.2 if until is None else min(0.2, max(0.0, until - time.monotonic()))
            for event in hub.events(wait_s):
                if isinstance(event, Chunk):
                    if forwarder is not None and event.source == "corrections":
                        forwarder.send(event.data)
                    if event.source == "rover":
                        look(event.data)
                elif event.state is SourceState.REFUSED:
                    refused[event.source] = event.message
                writer.write(event)
                line.note(event)
            writer.sync_if_due()
            line.show()
    except KeyboardInterrupt:
        pass
    except DiskFull as err:
        full = err
    line.end()
    writer.close()
    for role, size in writer.bytes_by_source.items():
        _say(f"{role}: {size} bytes")
    silent = [role for role, size in writer.bytes_by_source.items() if not size and role not in refused]
    for role in silent:
        _say(f"{role}: nothing came from this source")
    if args.json:
        print(
            to_json(
                document(
                    "record",
                    {
                        "folder": str(writer.folder),
                        "duration_s": time.monotonic() - began_s,
                        "parts": writer.part,
                        "sources": [
                            {
                                "name": reader.name,
                                "label": reader.label,
                                "bytes": writer.bytes_by_source[reader.name],
                                "refused": refused.get(reader.name),
                            }
                            for reader in hub.readers
                        ],
                        "forwarded": None
                        if forwarder is None
                        else {
                            "to": forwarder.label,
                            "bytes": forwarder.sent,
                            "dropped_bytes": forwarder.dropped,
                        },
                        "disk_full": full is not None,
                    },
                )
            )
        )
    if full is not None:
        raise full
    return 3 if refused or silent else 0


if TYPE_CHECKING:
    import threading

    _Flag = threading.Event


class _StatusLine:
    """One line that is rewritten on a terminal; elsewhere only changes of a source's state are printed."""

    def __init__(self, writer: CaptureWriter, forwarder: Forwarder | None) -> None:
        self._writer = writer
        self._forwarder = forwarder
        self._tty = sys.stderr.isatty()
        self._shown_s = 0.0
        self._width = 0

    def note(self, event: Event) -> None:
        from hubtack.readers.chunk import Chunk

        if not isinstance(event, Chunk):
            self._clear()
            _say(f"{event.source}: {event.message}")

    def show(self) -> None:
        import shutil
        import time

        if not self._tty or time.monotonic() - self._shown_s < 0.5:
            return
        self._shown_s = time.monotonic()
        sizes = "  ".join(f"{role} {size / 1000:.1f} kB" for role, size in self._writer.bytes_by_source.items())
        free_gb = shutil.disk_usage(self._writer.folder).free / 1e9
        text = f"{sizes}  part {self._writer.part}  disk {free_gb:.1f} GB free"
        if self._forwarder is not None:
            text += f"  {self._forwarder.status}"
        text = text[: max(20, shutil.get_terminal_size().columns - 1)]
        print("\r" + text.ljust(self._width), end="", file=sys.stderr, flush=True)
        self._width = len(text)

    def _clear(self) -> None:
        if self._width:
            print("\r" + " " * self._width + "\r", end="", file=sys.stderr)
            self._width = 0

    def end(self) -> None:
        self._clear()


def _say(text: str) -> None:
    from hubtack.safe import safe_text

    print(f"hubtack record: {safe_text(text, 1000)}", file=sys.stderr)
