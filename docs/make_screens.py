"""Draws the screens of the guides as SVG: ``python docs/make_screens.py`` (Unix; from the project's folder).

Each command runs on a pseudo-terminal as its user would have it; what it wrote is drawn without any outside font, link
or script. Run it again where a screen has changed, and look at the pictures.
"""

from __future__ import annotations

import io
import re
import sys
from pathlib import Path

from rich.console import Console
from rich.text import Text

DOCS = Path(__file__).parent
ROOT = DOCS.parent
sys.path.insert(0, str(ROOT))  # for tests.terminal, when this is run by its path

from tests.terminal import in_terminal  # noqa: E402

BACKGROUND = "#292929"
# The code of rich names a font on a distant host and draws a window around; neither is wanted here.
FONT = 'ui-monospace, Menlo, Consolas, "DejaVu Sans Mono", monospace'
PLAIN_SVG = (
    '<svg viewBox="0 0 {width} {height}" xmlns="http://www.w3.org/2000/svg" role="img">\n'
    "<style>\n"
    f".{{unique_id}}-matrix {{{{ font-family: {FONT}; font-size: {{char_height}}px; line-height: {{line_height}}px; }}}}\n"
    "{styles}\n</style>\n"
    '<defs><clipPath id="{unique_id}-clip-terminal">'
    '<rect x="0" y="0" width="{terminal_width}" height="{terminal_height}"/></clipPath>{lines}</defs>\n'
    f'<rect width="{{width}}" height="{{height}}" fill="{BACKGROUND}"/>\n'
    '<g transform="translate({terminal_x}, {terminal_y})" clip-path="url(#{unique_id}-clip-terminal)">{backgrounds}\n'
    '<g class="{unique_id}-matrix">{matrix}</g></g>\n</svg>\n'
)

SCREENS: dict[str, tuple[list[str], int, int]] = {
    # name: arguments, columns, rows
    "watch-grade": (["watch", "--once", "sample_logs/good_day", "--no-log"], 100, 30),
    "watch-hold": (["watch", "--once", "sample_logs/two_bases", "--no-log"], 100, 30),
    "watch-small": (["watch", "--once", "sample_logs/good_day", "--no-log"], 60, 20),
    "link-corrupt": (["link", "sample_logs/corrupt_frames"], 100, 50),
    "link-good": (["link", "sample_logs/good_day"], 100, 50),
    "audit": (["audit", "sample_logs", "--quiet"], 132, 40),
    "setout": (["setout", "--separation-m", "0.91", "--length-m", "30", "--sigma-m", "0.01"], 100, 30),
    "radio-load": (
        ["radio", "load", "--systems", "GPS=10x2,GLONASS=7x2,Galileo=8x2,BeiDou=10x2", "--msm", "7", "--interval-s", "1",
         "--rate-bps", "9600"], 100, 30,
    ),
}  # fmt: skip


def screen_of(argv: list[str], columns: int, rows: int) -> str:
    """What a command writes to a terminal of that size, colours included."""
    code, data = in_terminal(argv, columns, rows, {"COLORTERM": "truecolor"}, cwd=ROOT)
    if code not in (0, 1):
        raise RuntimeError(f"hubtack {' '.join(argv)} ended with {code}: {data[-300:]!r}")
    return data.decode("utf-8", "replace").replace("\r\n", "\n")


def draw(name: str, text: str, columns: int) -> str:
    """The screen as an SVG picture."""
    console = Console(
        record=True,
        width=columns,
        file=io.StringIO(),
        force_terminal=True,
        color_system="truecolor",
        legacy_windows=False,
    )
    for line in text.rstrip("\n").split("\n"):
        console.print(Text.from_ansi(line.rstrip("\r")), overflow="fold")
    svg = console.export_svg(title="", code_format=PLAIN_SVG, unique_id=f"hub-{name}", font_aspect_ratio=0.6)
    return re.sub(r"[ \t]+\n", "\n", svg)


def main() -> None:
    """Draw all screens, or those that are named on the command line."""
    folder = DOCS / "screens"
    folder.mkdir(exist_ok=True)
    for name, (argv, columns, rows) in SCREENS.items():
        if len(sys.argv) > 1 and name not in sys.argv[1:]:
            continue
        (folder / f"{name}.svg").write_text(draw(name, screen_of(argv, columns, rows), columns), encoding="utf-8")
        print(f"drew docs/screens/{name}.svg")


if __name__ == "__main__":
    main()
