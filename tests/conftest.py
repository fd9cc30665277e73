"""What the run of all tests says at its end."""

from __future__ import annotations

import os
from typing import Any

SERVER = "HOLEQC_TEST_POSTGRES"
# what a terminal of the caller's says to programs would reach those that tests start: each test says its own width
for _name in ("COLUMNS", "LINES", "HOLEQC_LEDGER"):
    os.environ.pop(_name, None)


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Say that the ledger was not tested on a server, and how it can be."""
    if not os.environ.get(SERVER):
        terminalreporter.write_line(f"ledger: not tested on PostgreSQL; set {SERVER} to a server's URL to do so")
