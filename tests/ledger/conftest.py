"""Ledgers to test on: an SQLite file, and a PostgreSQL server where HOLEQC_TEST_POSTGRES names one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from runs import ENGINES, FIRST_DAY, TODAY
from shop import place

from holeqc.ledger import open_ledger
from holeqc.ledger.ledger import Ledger


@pytest.fixture(autouse=True)
def no_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make it `TODAY`: days of events are typed in these tests, and none of them may be still to come."""
    monkeypatch.setattr("holeqc.ledger.times.today", lambda: TODAY)
    monkeypatch.setattr("holeqc.ledger.suspects.today", lambda: TODAY)


@pytest.fixture
def first_day(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make every entry one of the day of the first readings: what is read later isn't older than what was decided."""
    monkeypatch.setattr("holeqc.ledger.ledger.now", lambda: (FIRST_DAY, 0))
    monkeypatch.setattr("holeqc.ledger.tags.now", lambda: (FIRST_DAY, 0))


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
