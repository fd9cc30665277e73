"""Who logged, read, decided and worked on a part, for the two-person rule, which a kit asks for; and declared persons.

Once a person is declared, nobody else writes to the ledger.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from holeqc.ledger import schema as s
from holeqc.ledger.declared import ADDED, KEY, REMOVED, Person, declared_persons, folded_name
from holeqc.ledger.values import one_line
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Entry, Ledger
    from holeqc.ledger.signing import Signer

KEY_ACT = "person key"  #: what the signature over a new key says


def logged_by(ledger: Ledger, inspection_id: int) -> set[str]:
    """Return who logged an inspection or a file that it rests on, each as `folded_name` writes it."""
    i, sets, e = s.INSPECTION.c, s.READING_SET.c, s.ENTRY.c
    own = select(e.made_by).join(s.INSPECTION, i.entry == e.seq).where(i.id == inspection_id)
    files = (
        select(e.made_by).join(s.FILE, s.FILE.c.entry == e.seq).join(s.READING_SET, sets.file_id == s.FILE.c.id)
        .join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == sets.id)
        .where(s.INSPECTION_SET.c.inspection_id == inspection_id)
    )  # fmt: skip
    return {folded_name(str(row["made_by"])) for question in (own, files) for row in ledger.rows(question)} - {""}


def read_by(ledger: Ledger, inspection_id: int) -> set[str]:
    """Return who read what an inspection rests on, each as `folded_name` writes it."""
    r = s.READING.c
    question = (
        select(r.read_by).join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == r.set_id)
        .where(s.INSPECTION_SET.c.inspection_id == inspection_id).distinct()
    )  # fmt: skip
    return {folded_name(str(row["read_by"])) for row in ledger.rows(question)} - {""}


def declared(ledger: Ledger) -> dict[str, Person]:
    """Return the persons that are declared and not removed, in the order of their entries: folded name -> person."""
    with ledger.reading() as connection:
        return declared_persons(connection)


def require_role(ledger: Ledger, by: str, role: str) -> None:
    """Refuse a declared person who acts as something else than declared.

    Raises:
        LedgerError: the person is declared with another role.
    """
    person = declared(ledger).get(folded_name(by))
    if person is not None and folded_name(person.role) != folded_name(role):
        raise LedgerError(f"{person.name} is declared as {person.role}, not as {role}; nothing was recorded")


def declare_person(ledger: Ledger, name: str, role: str, by: str, signer: Signer | None = None) -> Entry:
    """Declare a person. The first one declared keeps the list; the others may declare persons of their own role only.

    Once who keeps the list has a key, whatever is done to the list is signed (``signer``).

    Raises:
        LedgerError: no name or role, declared already, or not for this person to do.
    """
    name, role = name.strip(), role.strip()
    if not folded_name(name) or not role:
        raise LedgerError("give the person's number or name, and its role: holeqc person add 41 --role inspector")
    one_line(name, "person")
    with ledger.transaction():
        known = declared(ledger)
        old = known.get(folded_name(name))
        if old is not None and folded_name(old.role) == folded_name(role):
            raise LedgerError(f"{old.name} is declared as {old.role} already, entry {old.entry}")
        _refuse_other_role(known, by, role)
        row = {"name": name, "folded": folded_name(name), "act": ADDED, "role": role}
        proof = _proof(ledger, known, by, "person added", {"name": name, "role": role}, signer)
        return ledger.entry("person", by, {"person": [row], **proof})


def remove_person(ledger: Ledger, name: str, by: str, reason: str, signer: Signer | None = None) -> Entry:
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
        row = {"name": person.name, "folded": folded_name(name), "act": REMOVED, "role": person.role}
        proof = _proof(ledger, known, by, "person removed", {"name": person.name}, signer)
        return ledger.entry("person", by, {"person": [row], **proof}, reason=reason)


def set_person_key(
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
        if folded_name(by) != folded_name(name) or person.public_key:
            _refuse_other_role(known, by, person.role)
        row = {
            "name": person.name,
            "folded": folded_name(name),
            "act": KEY,
            "role": person.role,
            "public_key": public_key,
        }
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
    if folded_name(name) not in known:
        raise LedgerError(f"no person {name} is declared")
    return known[folded_name(name)]


def _refuse_other_role(known: dict[str, Person], by: str, role: str) -> None:
    mine = known.get(folded_name(by))
    if not known or mine is None:
        return  # nobody is declared yet; an unknown one is refused when the entry is written
    keeper = next(iter(known.values()))
    if mine != keeper and folded_name(mine.role) != folded_name(role):
        raise LedgerError(
            f"{mine.name} is declared as {mine.role} and may declare persons of that role only; {keeper.name} keeps "
            "the list"
        )
