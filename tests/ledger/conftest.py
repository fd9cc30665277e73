"""Ledgers to test on: an SQLite file, and a PostgreSQL server where HOLEQC_TEST_POSTGRES names one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from runs import ENGINES
from shop import place

from holeqc.ledger import open_ledger
from holeqc.ledger.ledger import Ledger


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
