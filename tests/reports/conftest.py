"""What tests of reports share: a run made by hand, and sentences that don't depend on how judging words them."""

from __future__ import annotations

import made_up
import pytest

from holeqc.inspection.results import Inspection


@pytest.fixture(autouse=True)
def plain_reasons(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the made-up reasons stand for the judge's."""
    monkeypatch.setattr("holeqc.inspection.reasons.reasons", made_up.reasons)


@pytest.fixture
def one() -> Inspection:
    """A rejected part with a held hole, and problems in its file."""
    return made_up.inspection(problems=made_up.PROBLEMS)


@pytest.fixture
def many() -> Inspection:
    """Six parts of both hands: accepted, rejected, held."""
    return made_up.inspection(made_up.six_parts())


@pytest.fixture
def clean() -> Inspection:
    """One accepted part."""
    return made_up.inspection((("starboard", "S-0001", made_up.CLEAN),))
