"""The page in a real browser: nothing on the console, and never wider than the screen."""

from __future__ import annotations

import functools
import html
import http.server
import json
import re
import shutil
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.fleet.made_fleet import finding, fleet, loss, made

from hubtack.fleet.report import report_html

CHROMIUM = next((p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None)
pytestmark = [pytest.mark.slow, pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this computer")]

# A frame of the width of the screen: the browser's own window cannot be made as narrow as a phone.
HARNESS = """<!DOCTYPE html><body style="margin:0"><iframe id="f" src="page.html" style="width:%dpx;height:900px;border:0"></iframe>
<pre id="out"></pre><script>
document.getElementById("f").onload = function () {
  const doc = this.contentDocument, wide = [];
  doc.querySelectorAll("details").forEach(d => d.open = true);
  for (const e of doc.querySelectorAll("body *")) {
    const r = e.getBoundingClientRect();
    const inside = e.closest(".scroll") || e.closest("svg");
    if (r.right > this.clientWidth + 0.5 && r.width > 0 && !inside) wide.push(e.tagName + "." + e.className);
  }
  document.getElementById("out").textContent = JSON.stringify({
    scroll: doc.documentElement.scrollWidth, client: doc.documentElement.clientWidth, wide: wide.slice(0, 5),
    title: doc.title, days: doc.querySelectorAll(".day svg").length, height: doc.documentElement.scrollHeight});
};
</script></body>"""


@pytest.fixture
def site(tmp_path: Path) -> Iterator[tuple[Path, str]]:
    """A folder that is served on the loopback, since a browser lets no page look into a file."""

    class Quiet(http.server.SimpleHTTPRequestHandler):
        def log_message(self, *args: object) -> None:
            """Say nothing."""

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(Quiet, directory=str(tmp_path)))
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield tmp_path, f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    server.server_close()


def browse(site: tuple[Path, str], page: str, width: int) -> tuple[dict, list[str]]:
    """What the browser measures of a page at a width, and what it says on its console."""
    folder, url = site
    (folder / "page.html").write_text(page, encoding="utf-8")
    (folder / "harness.html").write_text(HARNESS % width, encoding="utf-8")
    assert CHROMIUM is not None
    done = subprocess.run(
        [
            CHROMIUM, "--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--enable-logging=stderr",
            "--virtual-time-budget=8000",
            f"--user-data-dir={folder / 'profile'}", f"--window-size={max(width, 600)},1000", "--dump-dom", f"{url}/harness.html",
        ],
        capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    found = re.search(r'<pre id="out">(.+?)</pre>', done.stdout, re.DOTALL)
    assert found, done.stderr[-2000:]
    return json.loads(html.unescape(found[1])), [line for line in done.stderr.splitlines() if "CONSOLE" in line]


def long_fleet() -> list:
    """The fleet, and machines with names and findings that are as long as they may be."""
    word = "Überlandgrabenbaggerschaufelradantriebsmaschine" * 2
    stall = finding("link_stalled", [(180.0, 200.0)], summary=word * 3)
    return [
        *fleet(),
        made(word, 500, lost={3: 60.0, 77: 20.0}, findings=[stall], losses=[loss(180.0)]),
        *(made(f"Truck {i}", 30, start_s=900.0 * i, losses=[loss(900.0 * i + 5)]) for i in range(12)),
    ]  # fmt: skip


@pytest.mark.parametrize("width", [390, 1280])
def test_nothing_is_wider_than_the_screen_and_the_console_is_empty(site: tuple[Path, str], width: int) -> None:
    accounts = long_fleet()
    page = report_html(
        accounts, zone="Pacific/Auckland", title="Aldermere bank, week 10", before=accounts[:3], notices=["x" * 300]
    )
    seen, console = browse(site, page, width)
    assert console == []
    assert seen["title"] == "Aldermere bank, week 10" and seen["days"] > 20
    assert seen["client"] == width
    assert seen["scroll"] <= width and seen["wide"] == []


def test_the_browser_would_have_told(site: tuple[Path, str]) -> None:
    """The two checks above can fail: a page too wide is seen, and so is a script that the page's policy stops."""
    page = report_html(fleet()).replace("</main>", '<p style="width:700px">x</p><script>1</script></main>')
    seen, console = browse(site, page, 390)
    assert seen["scroll"] > 390 and "P." in seen["wide"]
    assert any("Content Security Policy" in line for line in console)
