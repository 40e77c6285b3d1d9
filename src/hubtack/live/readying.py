"""``ready``: waits until the verdict has held, and leaves the check before work as a list and as a record."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict
from typing import Any

from hubtack.documents.checklist import MARKS, UNSEEN, checklist
from hubtack.documents.finding import finding_document
from hubtack.documents.watch import watch_document
from hubtack.engine.judge import GRADE, ROUGH
from hubtack.live.keeping import keeper_for
from hubtack.live.opening import open_sources
from hubtack.live.run import LiveRun
from hubtack.live.shown import Shown
from hubtack.live.unread import told_as_document, verdict_of_nothing
from hubtack.live.watching import EXIT_GRADE, EXIT_NO, EXIT_SOURCE, summary
from hubtack.readers.hub import Hub
from hubtack.safe import safe_text
from hubtack.session.snapshot import Snapshot
from hubtack.views.paragraphs import paragraph, text_columns


def ready(args: argparse.Namespace) -> int:
    """Run ``hubtack ready``; returns the exit code.

    ``--accept rough`` passes at ROUGH only where the equipment can do no better (``best_possible``), or at GRADE.
    """
    with told_as_document(args, lambda _: _unread(args)):
        opened = open_sources(args)
        hub = Hub(opened.readers)
        hub.check()
    for warning in opened.warnings:
        print(f"hubtack ready: {safe_text(warning, 400)}", file=sys.stderr)
    session = opened.session
    keeper = keeper_for(args, opened)
    shown = Shown(session, 1_000_000_000 if opened.is_live or args.speed > 0 else 30_000_000_000)
    passed = False

    def accepts(snap: Snapshot) -> bool:
        if snap.standing.verdict == GRADE:
            return True
        return args.accept == "rough" and snap.standing.verdict == ROUGH and snap.best_possible == "ROUGH"

    def held_s() -> float:
        """How long an accepted verdict has held, by the rows' own time."""
        track = session.rover.track
        return (track.time_ns - track.verdict_since_ns) / 1e9 if track.n_rows else 0.0

    def look(elapsed_ns: int, partial: bool) -> bool:
        nonlocal passed
        snap = shown.current(elapsed_ns, partial)
        keeper.look(snap)
        passed = accepts(snap) and held_s() >= args.hold
        return not passed

    with hub:
        run = LiveRun(
            session,
            hub,
            lambda rows: None,
            look,
            draw_s=0.0 if not opened.is_live else 0.25,
            for_s=args.for_s if opened.is_live or args.speed else None,
            time_scale=1.0 if opened.is_live else args.speed,
        )
        run.loop()
        elapsed_ns = run.elapsed_ns(run.mono()) if opened.is_live else 0
    if not passed:
        if not opened.is_live:
            session.close()
        snap = shown.current(elapsed_ns, True)
        passed = accepts(snap) and held_s() >= args.hold
    snap = shown.current(elapsed_ns, True)
    keeper.look(snap)
    held = held_s() if accepts(snap) else 0.0
    points = checklist(snap, opened.site.unit, held_s=held, hold_s=args.hold, accepted=accepts(snap))
    if keeper.log is not None:
        keeper.log.note("check before work", utc=snap.utc, ready=passed, checklist=[asdict(p) for p in points])
    keeper.end()
    if args.json:
        document = watch_document(snap, lambda f: finding_document(f, session.axis), kind="ready")
        document |= {"ready": passed, "checklist": [asdict(p) for p in points]}
        print(json.dumps(document, allow_nan=False))
    else:
        for point in points:
            print("\n".join(paragraph(point.text, text_columns(), f"[{MARKS[point.passed]}] {point.item:<21}")))
        print("\n".join(paragraph(UNSEEN, text_columns())))
        print(("ready: " if passed else "not ready: ") + summary(snap, opened))
    for complaint in keeper.complaints:
        print(f"hubtack ready: {safe_text(complaint, 400)}", file=sys.stderr)
    if passed:
        return EXIT_GRADE
    troubles = run.troubles()
    for message in troubles:
        print(f"hubtack ready: {safe_text(message, 400)}", file=sys.stderr)
    return EXIT_SOURCE if troubles else EXIT_NO


def _unread(args: argparse.Namespace) -> dict[str, Any]:
    return verdict_of_nothing(args, "ready") | {"ready": False, "checklist": []}
