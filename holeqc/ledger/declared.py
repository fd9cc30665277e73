"""Persons that are declared: once one is, nobody else writes to the ledger."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from sqlalchemy import select

from holeqc.ledger import schema as s
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from sqlalchemy import Connection

_LIKE_DIGITS = str.maketrans("oil", "011")
#: Cyrillic and Greek letters that look like Latin ones, as capitals or small (by eye, no standard's list)
_LIKE_LATIN = str.maketrans("авекмнорстухіјѕԁԛԝһβεζηικμνορτυχαγ", "abekmhopctyxijsdqwhbezhikmnoptuxay")


def plain_letters(text: str) -> str:
    """Return a text in small Latin letters where it can: full-width forms, accents, look-alikes of other alphabets."""
    folded = unicodedata.normalize("NFKD", unicodedata.normalize("NFKC", text).casefold())
    return "".join(sign for sign in folded if not unicodedata.combining(sign)).translate(_LIKE_LATIN)


def folded_name(name: str) -> str:
    """Return a name so that small differences of typing don't make another person: case, marks between, leading zeros,
    and in a word with digits O for 0, I and l for 1.
    """
    text = plain_letters(name)
    words = ["".join(sign for sign in word if sign.isalnum()) for word in re.split(r"[\s._/-]+", text)]
    words = [w.translate(_LIKE_DIGITS) if any(sign.isdigit() for sign in w) else w for w in words if w]
    return re.sub(r"(?<!\d)0+(?=\d)", "", " ".join(words))


ADDED, KEY, REMOVED = s.PERSON_ACTS


@dataclass(frozen=True, slots=True)
class Person:
    """A declared person: name as declared, role, public key ('' where none), who declared it, and the entry."""

    name: str
    role: str
    public_key: str
    added_by: str
    entry: int


def declared_persons(connection: Connection) -> dict[str, Person]:
    """Return the persons that are declared and not removed, in the order of their entries: folded name -> person."""
    p, e = s.PERSON.c, s.ENTRY.c
    asked = select(*s.PERSON.columns, e.made_by).join(s.ENTRY, e.seq == p.entry).order_by(p.id)
    found: dict[str, Person] = {}
    for row in connection.execute(asked).mappings():
        folded, before = str(row["folded"]), found.get(str(row["folded"]))
        if row["act"] == REMOVED:
            found.pop(folded, None)
        elif row["act"] == ADDED:
            found[folded] = Person(
                str(row["name"]), str(row["role"]), before.public_key if before else "", str(row["made_by"]),
                int(row["entry"]),
            )  # fmt: skip
        elif before is not None:
            found[folded] = replace(before, public_key=str(row["public_key"]))
    return found


def refuse_unknown_person(connection: Connection, by: str, shown: str) -> None:
    """Refuse who isn't declared, where anybody is.

    Raises:
        LedgerError: persons are declared and this one isn't.
    """
    known = declared_persons(connection)
    if known and folded_name(by) not in known:
        names = ", ".join(f"{p.name} ({p.role})" for p in known.values())
        raise LedgerError(
            f"ledger {shown} knows no person {by!r}; declared are {names}. Nothing was recorded; holeqc person add "
            "declares one"
        )
