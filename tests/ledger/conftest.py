"""Ledgers to test on: an SQLite file, and a PostgreSQL server where HOLEQC_TEST_POSTGRES names one."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from shop import VARIABLE, place

from holeqc.ledger import open_ledger
from holeqc.ledger.ledger import Ledger

ENGINES = ("sqlite", "postgresql")


@pytest.fixture(params=ENGINES)
def where(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """Give the place of a ledger that isn't there yet, on each database in turn."""
    with place(request.param, tmp_path) as found:
        yield found


@pytest.fixture
def ledger(where: str) -> Iterator[Ledger]:
    """Give an empty ledger on each database in turn."""
    with open_ledger(where) as opened:
        yield opened


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Say that the server was not tested, and how it can be."""
    if not os.environ.get(VARIABLE):
        terminalreporter.write_line(f"ledger: not tested on PostgreSQL; set {VARIABLE} to the URL of a server to do so")
