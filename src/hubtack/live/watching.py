"""``watch``: the session's state on a terminal, as one screen, or as JSON lines."""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
from collections.abc import Callable, Iterator

from hubtack.engine.judge import GRADE, Standing
from hubtack.engine.rover import JudgedRows
from hubtack.live.keeping import Keeper, keeper_for
from hubtack.live.lines import Lines
from hubtack.live.opening import Opened, open_sources
from hubtack.live.run import LiveRun
from hubtack.live.shown import FINDINGS_EVERY_NS, Shown
from hubtack.live.sky_strip import SkyStrip
from hubtack.live.unread import told_as_document, verdict_of_nothing
from hubtack.readers.hub import Hub
from hubtack.safe import safe_text
from hubtack.session.snapshot import Snapshot
from hubtack.session.snapshots import of_row, row_standings

EXIT_GRADE, EXIT_NO, EXIT_SOURCE = 0, 1, 3
ONCE_WAIT_S = 10.0


def watch(args: argparse.Namespace) -> int:
    """Run ``hubtack watch``; returns the exit code."""
    if args.once:
        args.speed = 0.0
    with told_as_document(args, lambda _: verdict_of_nothing(args, "watch")):
        opened = open_sources(args)
        hub = Hub(opened.readers)
        hub.check()
    for warning in opened.warnings:
        print(f"hubtack watch: {safe_text(warning, 400)}", file=sys.stderr)
    keeper = keeper_for(args, opened)
    try:
        with forwarding(args.forward, "watch") as args.forward_send, hub:
            if args.once:
                return _once(args, opened, hub, keeper)
            if args.json:
                return _lines(args, opened, hub, keeper)
            return _screen(args, opened, hub, keeper)
    finally:
        keeper.end()
        for complaint in keeper.complaints:
            print(f"hubtack watch: {safe_text(complaint, 400)}", file=sys.stderr)


@contextlib.contextmanager
def forwarding(url: str | None, command: str) -> Iterator[Callable[[bytes], None] | None]:
    """Where the correction stream is passed on to, if anywhere; what became of it is said at the end."""
    if url is None:
        yield None
        return
    from hubtack.capture.forward import Forwarder

    with Forwarder(url) as forwarder:
        if forwarder.caution:
            print(f"hubtack {command}: {safe_text(forwarder.caution, 400)}", file=sys.stderr)
        yield forwarder.send
        print(f"hubtack {command}: forwarded: {safe_text(forwarder.status, 400)}", file=sys.stderr)


def _finish(run: LiveRun, opened: Opened, last: Standing) -> int:
    troubles = run.troubles()
    for message in troubles:
        print(f"hubtack watch: {safe_text(message, 400)}", file=sys.stderr)
    if troubles:
        return EXIT_SOURCE
    return EXIT_GRADE if last.verdict == GRADE else EXIT_NO


def _run(
    args: argparse.Namespace,
    opened: Opened,
    hub: Hub,
    on_rows: Callable[[JudgedRows], None],
    on_look: Callable[[int, bool], bool],
    for_s: float | None,
) -> LiveRun:
    scale = 1.0 if opened.is_live else args.speed
    return LiveRun(opened.session, hub, on_rows, on_look, for_s=for_s, time_scale=scale, forward=args.forward_send)


def _once(args: argparse.Namespace, opened: Opened, hub: Hub, keeper: Keeper) -> int:
    """One frame: of the end of a log, or of a live source once it has something to show."""
    shown = Shown(opened.session, sky=SkyStrip())

    def look(elapsed_ns: int, partial: bool) -> bool:
        if not opened.is_live:
            return True
        return opened.session.rover.tally.epochs == 0

    run = _run(
        args,
        opened,
        hub,
        lambda rows: None,
        look,
        args.for_s if args.for_s is not None else (ONCE_WAIT_S if opened.is_live else None),
    )
    run.loop()
    if not opened.is_live:
        opened.session.close()
    snap = shown.current(run.elapsed_ns(run.mono()) if opened.is_live else 0, True)
    keeper.look(snap)
    if args.json:
        print(json.dumps(shown.document(snap), allow_nan=False))
    else:
        _print_frame(args, opened, snap)
    return _finish(run, opened, snap.standing)


def _print_frame(args: argparse.Namespace, opened: Opened, snap: Snapshot) -> None:
    import shutil

    from rich.console import Console

    from hubtack.views.dashboard import Dashboard

    width, height = shutil.get_terminal_size((80, 24))
    console = Console(width=width, height=height, highlight=False)
    height -= 1 if console.is_terminal else 0  # the prompt that follows needs a line of its own
    console.print(Dashboard(snap, opened.site.unit, opened.title, block=_blocks(args), height=height))
    print()


def _blocks(args: argparse.Namespace) -> bool:
    """Whether the terminal can show block characters."""
    encoding = (getattr(sys.stdout, "encoding", None) or "ascii").lower().replace("-", "")
    return not args.ascii and encoding.startswith("utf")


def _lines(args: argparse.Namespace, opened: Opened, hub: Hub, keeper: Keeper) -> int:
    # A log that is poured through is looked at every ten seconds of its time; a live source every second.
    shown = Shown(opened.session, FINDINGS_EVERY_NS if opened.is_live or args.speed > 0 else 10 * FINDINGS_EVERY_NS)
    lines = Lines(shown, lambda text: print(text, flush=True), keeper)

    def look(elapsed_ns: int, partial: bool) -> bool:
        if not opened.is_live:
            return True  # of a log every row has its line already
        lines.look(elapsed_ns, partial, run.mono())
        return True

    run = _run(args, opened, hub, lines.rows, look, args.for_s)
    run.draw_s, run.look_on_row = 0.1, opened.is_live
    run.loop()
    if opened.is_live:
        # The last word is how it stands now, not how it stood when the newest row came.
        snap = shown.current(run.elapsed_ns(run.mono()), True)
        lines.emit(snap.time_ns, snap, None)
        return _finish(run, opened, snap.standing)
    lines.rows(opened.session.close())
    snap = shown.current(0, True)
    if opened.session.rover.tally.epochs == 0:
        lines.emit(snap.time_ns, snap, None)
    return _finish(run, opened, snap.standing)


def _screen(args: argparse.Namespace, opened: Opened, hub: Hub, keeper: Keeper) -> int:
    """The live screen. Where output is no terminal, a line of text at each change of the verdict."""
    from rich.console import Console

    console = Console(highlight=False)
    shown = Shown(opened.session, sky=SkyStrip())
    if not console.is_terminal or console.is_dumb_terminal:
        return _plain(args, opened, hub, shown, keeper)
    from hubtack.live.screen import Screen, show
    from hubtack.views.dashboard import Dashboard

    blank = Dashboard(shown.current(0, False), opened.site.unit, opened.title, block=_blocks(args))
    screen = Screen(console, blank, keeper, bell=args.bell)
    runs: list[LiveRun] = []

    def run_with(draw: Callable[[Snapshot], bool]) -> None:
        def look(elapsed_ns: int, partial: bool) -> bool:
            snap = shown.current(elapsed_ns, partial)
            keeper.look(snap)
            runs[0].draw_s = 0.25 if console.width <= 100 else 0.5
            return draw(snap)

        runs.append(_run(args, opened, hub, lambda rows: None, look, args.for_s))
        runs[0].loop()

    show(screen, run_with)
    if not runs:
        return EXIT_NO  # interrupted before the first picture
    run = runs[0]
    return _last_word(run, opened, shown)


def _last_word(run: LiveRun, opened: Opened, shown: Shown) -> int:
    """The summary left behind: of a log its end, of a live source how it stands now."""
    elapsed_ns = run.elapsed_ns(run.mono()) if opened.is_live else 0
    if not opened.is_live:
        opened.session.close()
    snap = shown.current(elapsed_ns, True)
    print(summary(snap, opened))
    return _finish(run, opened, snap.standing)


def _plain(args: argparse.Namespace, opened: Opened, hub: Hub, shown: Shown, keeper: Keeper) -> int:
    """A line at each change of the verdict: of every judged row, and of silence between rows."""
    last: list[int] = []
    looked_at_ns: list[int] = []  # time of the newest row that was looked at: what closes before it is old news

    def say(snap: Snapshot) -> None:
        if last != [snap.standing.verdict]:
            last[:] = [snap.standing.verdict]
            print(summary(snap, opened), flush=True)
        keeper.look(snap)

    def rows(block: JudgedRows) -> None:
        if not len(block.epochs):
            return
        since_ns = int(block.epochs.time_ns[0])
        for i, standing in enumerate(row_standings(since_ns, last[0] if last else -1, block)):
            told = bool(looked_at_ns) and int(block.epochs.time_ns[i]) < looked_at_ns[0]
            if not told and last != [standing.verdict]:
                say(of_row(opened.session, block, i, standing, 0, (), None))

    def look(elapsed_ns: int, partial: bool) -> bool:
        if opened.is_live or args.speed > 0:
            snap = shown.current(elapsed_ns, partial)
            if opened.is_live:
                looked_at_ns[:] = [snap.time_ns - elapsed_ns]
            say(snap)
        return True

    run = _run(args, opened, hub, rows, look, args.for_s)
    with contextlib.suppress(KeyboardInterrupt):
        run.loop()
    if not opened.is_live:
        rows(opened.session.close())
    return _last_word(run, opened, shown)


def summary(snap: Snapshot, opened: Opened) -> str:
    """One line: when, the verdict with its tolerance, the reason, the next step."""
    from hubtack.knowledge.fix_types import FIX_TYPES
    from hubtack.knowledge.reasons import BY_CODE, codes
    from hubtack.units import small_text

    reasons = codes(snap.standing.bits)
    why = f": {BY_CODE[reasons[0]].text}; next: {snap.next_step}" if reasons else ""
    when = snap.utc or f"{snap.clock} UTC"
    tolerance = small_text(snap.tolerance_vertical_95_m, opened.site.unit)
    return f"{when} {snap.standing.word} ±{tolerance} ({FIX_TYPES[snap.fix].words}){why}"
