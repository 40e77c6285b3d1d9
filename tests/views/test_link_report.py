"""The technician's view at several widths: whole lines, no colour needed, nothing foreign reaches the terminal."""

from __future__ import annotations

import io
from typing import Any

import pytest
from rich.console import Console, RenderableType
from tests.link_session import found, read, ready
from tests.link_stream import Base, damaged, descriptor_1033, frame, sent, stream, without_epochs

from hubtack.documents.finding import finding_document
from hubtack.documents.link import link_body
from hubtack.json_out import plain
from hubtack.views.link_report import link_report, link_screen


def body_of(data: bytes) -> dict[str, Any]:
    session = read(data)
    documents = [finding_document(f, session.axis) for f in found(session).values()]
    return dict(plain(link_body(session.link, session.axis, source="x", ready=ready(session), findings=documents)))


def text_of(view: RenderableType, width: int, height: int = 200) -> str:
    out = io.StringIO()
    Console(file=out, width=width, height=height, force_terminal=False, _environ={}).print(view)
    return out.getvalue()


BAD = body_of(stream(damaged(without_epochs(sent(Base(level=7), 300), lambda i, t: i % 10 == 4), 0.1, 1)))


@pytest.mark.parametrize("width", [60, 80, 120, 200])
def test_the_report_fits_and_says_answer_cause_and_next_step(width: int) -> None:
    text = text_of(link_report(BAD, width), width)
    assert all(len(line) <= width for line in text.splitlines())
    assert text.startswith("can a rover fix on this?")
    assert "corrupt_frames" in text and "1. " in text and "1077" in text
    assert "\x1b" not in text


@pytest.mark.parametrize(("width", "height"), [(80, 16), (80, 24), (110, 30), (200, 50)])
def test_the_screen_stays_within_its_height_and_keeps_the_findings(width: int, height: int) -> None:
    lines = text_of(link_screen(BAD, width, height), width, height).splitlines()
    assert any("corrupt_frames" in line for line in lines[:6])
    assert len(lines) <= height
    text = "\n".join(lines)
    assert "last s ago" in text and ("1077" in text or "more types" in text)
    for head, last in (("latitude", "physical"), ("satellites", "BeiDou")):  # a table is whole, or it is not there
        assert (head in text) == (last in text.partition(head)[2])


def test_the_strip_marks_damage_and_silence() -> None:
    start = 3 * 86_400 + 36_000.0
    frames = sent(Base(), 60) + damaged(sent(Base(), 60, start + 60), 0.5, 2) + sent(Base(), 60, start + 180)
    text = text_of(link_report(body_of(stream(frames)), 140), 140)
    strip = next(line for line in text.splitlines() if line.startswith("|") and line.count("|") > 20)
    assert "x" in strip and "." in strip and strip.index("x") < strip.index(".")


def test_text_of_the_base_reaches_no_terminal_unescaped() -> None:
    bad = b"\x1b[2J\x1b]0;owned\x07"
    words = frame(bytes((1029 >> 4, (1029 & 15) << 4 | 1, 0x9C, 0x00, 0x00, 0, 0, len(bad), len(bad))) + bad)
    hostile = descriptor_1033(412, "A\x1b[31mB", "C\x07D")
    body = body_of(stream(sent(Base(), 20)) + hostile + words)
    text = text_of(link_report(body, 160), 160)
    assert "\x1b" not in text and "\x07" not in text
    assert "\x1b" not in repr(body["stations"][0]["antenna"]).replace("\\x1b", "\x1b")
