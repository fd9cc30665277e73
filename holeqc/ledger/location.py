"""Where the ledger is: an option, the environment, or the project folder."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import unquote

from holeqc.printing import one_line, shortened
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
            return one_line(str(self.path))
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
        said = unquote(said.removeprefix("sqlite:///").partition("?")[0])
    elif "://" in said:
        raise LedgerError(
            f"{shortened(said.partition('://')[0])}:// is no place for a ledger; give the path of a file or "
            "postgresql://USER@HOST/DATABASE"
        )
    return Location(_regular(Path(said)))


def _regular(path: Path) -> Path:
    """Return the path; raise LedgerError where a folder, pipe or device lies there."""
    shown = one_line(str(path))
    try:
        mode = os.stat(path).st_mode
    except FileNotFoundError:
        return path
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "it is no name of a file"
        raise LedgerError(f"ledger {shown}: the file can't be opened: {reason}") from None
    if not stat.S_ISREG(mode):
        raise LedgerError(f"ledger {shown}: this is a folder, a pipe or a device; give the path of a file")
    return path
