"""Who logged, read, decided and worked on a part, for the two-person rule, which a kit asks for; and declared persons.

Once a person is declared, nobody else writes to the ledger.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from holeqc.ledger import schema as s
from holeqc.ledger.values import one_line
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from holeqc.ledger.ledger import Entry, Ledger
    from holeqc.ledger.signing import Signer


_LIKE_DIGITS = str.maketrans("oil", "011")
#: Cyrillic and Greek letters that look like Latin ones, as capitals or small (by eye, no standard's list)
_LIKE_LATIN = str.maketrans("авекмнорстухіјѕԁԛԝһβεζηικμνορτυχαγ", "abekmhopctyxijsdqwhbezhikmnoptuxay")


def plain_letters(text: str) -> str:
    """Return a text in small Latin letters where it can: full-width forms, accents, look-alikes of other alphabets."""
    folded = unicodedata.normalize("NFKD", unicodedata.normalize("NFKC", text).casefold())
    return "".join(sign for sign in folded if not unicodedata.combining(sign)).translate(_LIKE_LATIN)


def same(name: str) -> str:
    """Return a name so that small differences of typing don't make another person: case, marks between, leading zeros,
    and in a word with digits O for 0, I and l for 1.
    """
    text = plain_letters(name)
    words = ["".join(sign for sign in word if sign.isalnum()) for word in re.split(r"[\s._/-]+", text)]
    words = [w.translate(_LIKE_DIGITS) if any(sign.isdigit() for sign in w) else w for w in words if w]
    return re.sub(r"(?<!\d)0+(?=\d)", "", " ".join(words))


def logged_by(ledger: Ledger, inspection_id: int) -> set[str]:
    """Return who logged an inspection or a file that it rests on, each as `same` writes it."""
    i, sets, e = s.INSPECTION.c, s.READING_SET.c, s.ENTRY.c
    own = select(e.made_by).join(s.INSPECTION, i.entry == e.seq).where(i.id == inspection_id)
    files = (
        select(e.made_by).join(s.FILE, s.FILE.c.entry == e.seq).join(s.READING_SET, sets.file_id == s.FILE.c.id)
        .join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == sets.id)
        .where(s.INSPECTION_SET.c.inspection_id == inspection_id)
    )  # fmt: skip
    return {same(str(row["made_by"])) for question in (own, files) for row in ledger.rows(question)} - {""}


def read_by(ledger: Ledger, inspection_id: int) -> set[str]:
    """Return who read what an inspection rests on, each as `same` writes it."""
    r = s.READING.c
    question = (
        select(r.read_by).join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == r.set_id)
        .where(s.INSPECTION_SET.c.inspection_id == inspection_id).distinct()
    )  # fmt: skip
    return {same(str(row["read_by"])) for row in ledger.rows(question)} - {""}


# ---------------------------------------------------------------------------------------------------------- declared

ADDED, KEY, REMOVED = s.PERSON_ACTS
KEY_ACT = "person key"  #: what the signature over a new key says


@dataclass(frozen=True, slots=True)
class Person:
    """A declared person: name as declared, role, public key ('' where none), who declared it, and the entry."""

    name: str
    role: str
    public_key: str
    added_by: str
    entry: int


def declared(ledger: Ledger) -> dict[str, Person]:
    """Return the persons that are declared and not removed, in the order of their entries: folded name -> person."""
    with ledger.reading() as connection:
        return declared_on(connection)


def declared_on(connection: Connection) -> dict[str, Person]:
    """Return the same, by a connection."""
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
    known = declared_on(connection)
    if known and same(by) not in known:
        names = ", ".join(f"{p.name} ({p.role})" for p in known.values())
        raise LedgerError(
            f"ledger {shown} knows no person {by!r}; declared are {names}. Nothing was recorded; holeqc person add "
            "declares one"
        )


def require_role(ledger: Ledger, by: str, role: str) -> None:
    """Refuse a declared person who acts as something else than declared.

    Raises:
        LedgerError: the person is declared with another role.
    """
    person = declared(ledger).get(same(by))
    if person is not None and same(person.role) != same(role):
        raise LedgerError(f"{person.name} is declared as {person.role}, not as {role}; nothing was recorded")


def add(ledger: Ledger, name: str, role: str, by: str, signer: Signer | None = None) -> Entry:
    """Declare a person. The first one declared keeps the list; the others may declare persons of their own role only.

    Once who keeps the list has a key, whatever is done to the list is signed (``signer``).

    Raises:
        LedgerError: no name or role, declared already, or not for this person to do.
    """
    name, role = name.strip(), role.strip()
    if not same(name) or not role:
        raise LedgerError("give the person's number or name, and its role: holeqc person add 41 --role inspector")
    one_line(name, "person")
    with ledger.transaction():
        known = declared(ledger)
        old = known.get(same(name))
        if old is not None and same(old.role) == same(role):
            raise LedgerError(f"{old.name} is declared as {old.role} already, entry {old.entry}")
        _refuse_other_role(known, by, role)
        row = {"name": name, "folded": same(name), "act": ADDED, "role": role}
        proof = _proof(ledger, known, by, "person added", {"name": name, "role": role}, signer)
        return ledger.entry("person", by, {"person": [row], **proof})


def remove(ledger: Ledger, name: str, by: str, reason: str, signer: Signer | None = None) -> Entry:
    """Take a person off the list; what the person did stays.

    Raises:
        LedgerError: not declared, no reason, or not for this person to do.
    """
    if not reason.strip():
        raise LedgerError("say why: --reason TEXT")
    with ledger.transaction():
        known = declared(ledger)
        person = _declared_person(known, name)
        if len(known) == 1:
            raise LedgerError(f"{person.name} is the only person declared; declare another one first")
        _refuse_other_role(known, by, person.role)
        row = {"name": person.name, "folded": same(name), "act": REMOVED, "role": person.role}
        proof = _proof(ledger, known, by, "person removed", {"name": person.name}, signer)
        return ledger.entry("person", by, {"person": [row], **proof}, reason=reason)


def set_key(
    ledger: Ledger, name: str, public_key: str, by: str, reason: str = "", signer: Signer | None = None
) -> Entry:
    """Record a person's public key; in place of an older one with a reason.

    Once who keeps the list has a key, a new key is signed by one on record: else whoever types a name first has it.

    Raises:
        LedgerError: not declared, an older key and no reason, or not for this person to do.
    """
    with ledger.transaction():
        known = declared(ledger)
        person = _declared_person(known, name)
        if person.public_key and not reason.strip():
            raise LedgerError(f"{person.name} has a key already; say why it is replaced: --reason TEXT")
        if same(by) != same(name) or person.public_key:
            _refuse_other_role(known, by, person.role)
        row = {"name": person.name, "folded": same(name), "act": KEY, "role": person.role, "public_key": public_key}
        proof = _proof(ledger, known, by, KEY_ACT, {"name": person.name, "key": public_key}, signer)
        return ledger.entry("person", by, {"person": [row], **proof}, reason=reason)


def _proof(
    ledger: Ledger, known: dict[str, Person], by: str, act: str, about: dict[str, str], signer: Signer | None
) -> dict[str, list[dict[str, Any]]]:
    """Return the rows of the signature over an act on the list, none where its keeper has no key yet."""
    keeper = next(iter(known.values()), None)
    if keeper is None or not keeper.public_key:
        return {}
    from holeqc.ledger.signing import signed

    return {"signature": [signed(ledger, signer, by, act, about)]}


def _declared_person(known: dict[str, Person], name: str) -> Person:
    if same(name) not in known:
        raise LedgerError(f"no person {name} is declared")
    return known[same(name)]


def _refuse_other_role(known: dict[str, Person], by: str, role: str) -> None:
    mine = known.get(same(by))
    if not known or mine is None:
        return  # nobody is declared yet; an unknown one is refused when the entry is written
    keeper = next(iter(known.values()))
    if mine != keeper and same(mine.role) != same(role):
        raise LedgerError(
            f"{mine.name} is declared as {mine.role} and may declare persons of that role only; {keeper.name} keeps "
            "the list"
        )
