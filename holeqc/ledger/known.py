"""Which gauges and fixtures are known: by the recorded kits, readings and events, and by kit files in a folder."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from holeqc import door
from holeqc.ledger import schema as s
from holeqc.ledger.values import plain
from holeqc.problems import HoleQCError, LedgerError

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Ledger

NEAR = 0.6  #: share of equal characters from which on a name is suggested
SHOWN = 12  #: so many known names are listed where none is near


def known_gauges(ledger: Ledger, folder: Path) -> set[str]:
    """Return the gauges that a recorded kit, a calibration, or a kit file in ``folder`` names."""
    rows = ledger.rows(select(s.GAUGE_CALIBRATION.c.gauge).distinct())
    return {str(row["gauge"]) for row in rows} | {
        str(gauge["id"]) for kit in _kits(ledger, folder) for gauge in _tables(kit, "gauge") if "id" in gauge
    }


def known_fixtures(ledger: Ledger, folder: Path) -> set[str]:
    """Return the fixtures that a recorded kit, an event, or a kit file in ``folder`` names."""
    rows = ledger.rows(select(s.FIXTURE_EVENT.c.fixture).distinct())
    return {str(row["fixture"]) for row in rows} | {
        str(fixture["id"]) for kit in _kits(ledger, folder) for fixture in _tables(kit, "fixture") if "id" in fixture
    }


def require_known(name: str, known: Iterable[str], what: str, *, new: bool = False) -> None:
    """Refuse a gauge or fixture that nothing names, unless it is said to be ``new``; ``what``: gauge or fixture.

    Raises:
        LedgerError: nothing names it; near names are suggested.
    """
    names = sorted(n for n in set(known) if n)
    given = str(plain(name.strip()))
    if not given or new or given in names:
        return
    near = sorted(door.near_names(given, names, 3, NEAR))
    listed = ", ".join(names[:SHOWN]) + (f" and {len(names) - SHOWN} more" if len(names) > SHOWN else "")
    raise LedgerError(
        f"no kit names {what} {given}: "
        + (f"is {' or '.join(near)} meant?" if near else f"known are {listed}." if names else "none is known yet.")
        + f" If it is a {what} that no kit names yet, add --new; nothing was recorded"
    )


def _kits(ledger: Ledger, folder: Path) -> list[dict[str, Any]]:
    """Return the kits as tables: those recorded and those in a folder; what can't be read is left out."""
    texts = [str(row["content"]) for row in ledger.rows(select(s.SPECIFICATION.c.content))]
    for path in door.named_so(folder, ".toml"):
        with contextlib.suppress(HoleQCError):
            texts.append(door.take(path, door.KIT).content.decode("utf-8", "replace"))
    kits = []
    for text in texts:
        try:
            kits.append(door.toml_values(text))
        except ValueError:
            continue  # a broken kit file names nothing; the commands that use it say what is wrong
    return kits


def _tables(kit: dict[str, Any], key: str) -> list[dict[str, Any]]:
    found = kit.get(key, [])
    return [t for t in (found if isinstance(found, list) else [found]) if isinstance(t, dict)]
