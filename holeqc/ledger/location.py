"""Where the ledger is: an option, the environment, or the project folder."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from holeqc.problems import LedgerError

VARIABLE = "HOLEQC_LEDGER"
DEFAULT_NAME = "holeqc-ledger.sqlite3"
POSTGRES = ("postgresql://", "postgres://", "postgresql+psycopg://")


@dataclass(frozen=True, slots=True)
class Location:
    """A ledger's place: the path of an SQLite file, or the URL of a PostgreSQL database (the other is empty)."""

    path: Path | None
    url: str = ""

    @property
    def shown(self) -> str:
        """The place as a person may see it: a URL without its password."""
        if self.path is not None:
            return str(self.path)
        scheme, _, rest = self.url.partition("://")
        credentials, at, host = rest.rpartition("@")
        return f"{scheme.removesuffix('+psycopg')}://{credentials.split(':')[0]}{at}{host.split('?')[0]}"


def find_location(where: str | Path | None = None) -> Location:
    """Return where the ledger is: ``where`` if given, else the variable `VARIABLE`, else `DEFAULT_NAME` in this folder.

    Raises:
        LedgerError: a URL of another kind of database.
    """
    said = str(where) if where else os.environ.get(VARIABLE, "") or DEFAULT_NAME
    if said.startswith(POSTGRES):
        return Location(None, "postgresql+psycopg://" + said.partition("://")[2])
    if said.startswith("sqlite:///"):
        said = said.removeprefix("sqlite:///")
    elif "://" in said:
        raise LedgerError(
            f"{said.partition('://')[0]}:// is no place for a ledger; give the path of a file or "
            "postgresql://USER@HOST/DATABASE"
        )
    return Location(Path(said))
