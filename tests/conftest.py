"""What the run of all tests says at its end, and pages looked at in a real browser."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from collections.abc import Callable
from html import escape, unescape
from pathlib import Path
from typing import Any

import pytest

SERVER = "HOLEQC_TEST_POSTGRES"
# what a terminal of the caller's says to programs would reach those that tests start: each test says its own width
for _name in ("COLUMNS", "LINES", "HOLEQC_LEDGER"):
    os.environ.pop(_name, None)


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Say that the ledger was not tested on a server, and how it can be."""
    if not os.environ.get(SERVER):
        terminalreporter.write_line(f"ledger: not tested on PostgreSQL; set {SERVER} to a server's URL to do so")


WIDTHS = (1200, 420)  #: pixels of a bench screen and of a telephone
#: what sticks out of the window, what has more content than it shows, and cells of tables that aren't shown at all
_LOOK = """<script>
const wide = window.innerWidth, out = [];
for (const e of document.querySelectorAll("body *:not(svg *):not(script):not(style)")) {
  const box = e.getBoundingClientRect(), what = e.tagName + " " + e.textContent.slice(0, 40);
  if (box.width && (box.right > wide + 1 || box.left < -1)) out.push("beyond the window: " + what);
  if (e.clientWidth && e.scrollWidth > e.clientWidth + 1) out.push("cut: " + what);
  if (e.matches("table.data td") && e.textContent && !e.getClientRects().length) out.push("hidden: " + what);
}
parent.document.body.setAttribute("data-found", JSON.stringify(
  {wide: wide, page: document.documentElement.scrollWidth, out: out.slice(0, 9)}));
</script></body>"""


@pytest.fixture
def fits_windows(tmp_path: Path) -> Callable[[str], None]:
    """A check that a page shows whole in Chromium at both widths; the test is skipped where there is none.

    The page stands in a frame, since no window of the browser's is as narrow as a telephone; its own policy, which
    would stop the script that measures, is left out.
    """
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if not browser:
        pytest.skip("no Chromium here; .ci/run installs it")

    def check(page: str) -> None:
        inner = escape(re.sub(r"<meta http-equiv[^>]*>", "", page).replace("</body>", _LOOK))
        for width in WIDTHS:
            frame = f'<iframe style="border:0" width="{width}" height="3000" srcdoc="{inner}"></iframe>'
            file = tmp_path / "framed.html"
            file.write_text(f'<!DOCTYPE html><meta charset="utf-8"><body style="margin:0">{frame}</body>', "utf-8")
            command = [
                browser, "--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--dump-dom",
                "--window-size=1300,3000", f"--user-data-dir={tmp_path / 'browser'}", file.as_uri(),
            ]  # fmt: skip
            done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", timeout=120, check=True)
            (found,) = re.findall(r'data-found="([^"]*)"', done.stdout)
            assert json.loads(unescape(found)) == {"wide": width, "page": width, "out": []}

    return check
