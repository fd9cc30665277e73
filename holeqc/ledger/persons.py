"""Persons: who did what to a part, for the two-person rule of a kit; the list of those declared; keys and signatures.

Once a person is declared, nobody else writes to the ledger.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from holeqc import door, writer
from holeqc.ledger import schema as s
from holeqc.ledger.ledger import ADDED, KEY, REMOVED, Person, declared_persons, folded_name, who_of
from holeqc.ledger.schema import one_line
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from holeqc.ledger.ledger import Entry, Ledger


KEY_ACT = "person key"  #: what the signature over a new key says


def logged_by(ledger: Ledger, inspection_id: int) -> set[str]:
    """Return who logged an inspection or a file that it rests on, each as `who_of` writes it."""
    i, sets, e = s.INSPECTION.c, s.READING_SET.c, s.ENTRY.c
    own = select(e.made_by).join(s.INSPECTION, i.entry == e.seq).where(i.id == inspection_id)
    files = (
        select(e.made_by).join(s.FILE, s.FILE.c.entry == e.seq).join(s.READING_SET, sets.file_id == s.FILE.c.id)
        .join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == sets.id)
        .where(s.INSPECTION_SET.c.inspection_id == inspection_id)
    )  # fmt: skip
    return {who_of(str(row["made_by"])) for question in (own, files) for row in ledger.rows(question)} - {""}


def read_by(ledger: Ledger, inspection_id: int) -> set[str]:
    """Return who read what an inspection rests on, each as `who_of` writes it."""
    r = s.READING.c
    question = (
        select(r.read_by).join(s.INSPECTION_SET, s.INSPECTION_SET.c.set_id == r.set_id)
        .where(s.INSPECTION_SET.c.inspection_id == inspection_id).distinct()
    )  # fmt: skip
    return {who_of(str(row["read_by"])) for row in ledger.rows(question)} - {""}


def declared(ledger: Ledger) -> dict[str, Person]:
    """Return the persons that are declared and not removed, in the order of their entries: folded name -> person."""
    with ledger.reading() as connection:
        return declared_persons(connection)


def not_second(ledger: Ledger, by: str, inspection_id: int) -> str:
    """Return what a person had to do with an inspection that another one should decide on: logged or read it, or owes
    its place on the list or its key to whoever logged it; '' for nothing.
    """
    mine, logged = who_of(by), logged_by(ledger, inspection_id)
    if mine in logged:
        return "logged"
    if mine in read_by(ledger, inspection_id):
        return "read"
    person = declared(ledger).get(folded_name(by))
    if person is not None and who_of(person.added_by) in logged:
        return f"was declared by {person.added_by}, who logged"
    if person is not None and who_of(person.key_by) in logged:
        return f"has its key from {person.key_by}, who logged"
    return ""


def require_decider(ledger: Ledger, by: str, disposition: str) -> None:
    """Refuse who is declared as neither inspector nor engineer, where persons are declared.

    Raises:
        LedgerError: the person is declared as something else.
    """
    person = declared(ledger).get(folded_name(by))
    if person is not None and not {"inspector", "engineer"} & set(folded_name(person.role).split()):
        raise LedgerError(
            f"{person.name} is declared as {person.role}; {disposition} is decided by a person declared as inspector "
            "or engineer. Nothing was recorded"
        )


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
    why = f"the list of persons is signed since {keeper.name}, who keeps it, has a key"
    return {"signature": [signed(ledger, signer, by, act, about, why)]}


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


# ----------------------------------------------------------------------------------------------------------- signatures
# Signatures of persons over what they decide: Ed25519 (RFC 8032), the key in a file under a passphrase.
#
# A name is typed; a signature can only be made with the person's key. What is signed is a line of JSON (``statement``)
# that names the act, what it rests on by digests, and the newest entry before it. It stands in the ledger beside the
# act, and in packets, where it can be checked without the ledger.


Row = dict[str, Any]
PASSPHRASE = "HOLEQC_PASSPHRASE"
NEW_PASSPHRASE = "HOLEQC_NEW_PASSPHRASE"  #: of a key that is made while another one signs
SHORTEST = 8  #: characters of a passphrase
KEY_FILE = door.Kind("a key file", 20_000)


@dataclass(frozen=True, slots=True)
class Signer:
    """A person's key, unlocked. ``public_key`` in hexadecimal digits."""

    key: Ed25519PrivateKey
    public_key: str

    def sign(self, statement: str) -> str:
        """Return the signature over a statement, in hexadecimal digits."""
        return self.key.sign(statement.encode("utf-8")).hex()


def _library() -> Any:
    try:
        from cryptography.hazmat.primitives import serialization
        from cryptography.hazmat.primitives.asymmetric import ed25519
    except ImportError:
        raise LedgerError(
            "signatures need the library cryptography; install holeqc with it: pip install 'holeqc[signing]'"
        ) from None
    return serialization, ed25519


def new_key(passphrase: str) -> tuple[bytes, str]:
    """Return a new key, locked by a passphrase as its file holds it, and its public half.

    Raises:
        LedgerError: the passphrase is too short.
    """
    serialization, ed25519 = _library()
    if len(passphrase) < SHORTEST:
        raise LedgerError(f"the passphrase needs at least {SHORTEST} characters; nothing was written")
    key = ed25519.Ed25519PrivateKey.generate()
    data = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8,
        serialization.BestAvailableEncryption(passphrase.encode("utf-8")),
    )  # fmt: skip
    return bytes(data), _public(key)


def write_key(path: Path, locked: bytes) -> None:
    """Write a locked key to a file that isn't there yet and that only its owner may read.

    Raises:
        LedgerError: the file is there.
    """
    if os.path.lexists(path):
        raise LedgerError(f"{path}: there is a file already; a key is never written over")
    writer.write_bytes(path, locked, replace=False)
    os.chmod(path, 0o600)


def load_key(path: Path, passphrase: str) -> Signer:
    """Return a person's key from its file.

    Raises:
        LedgerError: it can't be read, the passphrase is wrong, or it is another kind of key.
    """
    serialization, ed25519 = _library()
    content = door.take(path, KEY_FILE, error=LedgerError).content
    try:
        key = serialization.load_pem_private_key(content, passphrase.encode("utf-8"))
    except (ValueError, TypeError):
        raise LedgerError(f"{path}: the passphrase is wrong, or the file is no key; nothing was recorded") from None
    if not isinstance(key, ed25519.Ed25519PrivateKey):
        raise LedgerError(f"{path}: is a key of another kind; holeqc person key makes one")
    return Signer(key, _public(key))


def _public(key: Ed25519PrivateKey) -> str:
    serialization, _ = _library()
    raw = key.public_key().public_bytes(serialization.Encoding.Raw, serialization.PublicFormat.Raw)
    return str(raw.hex())


def holds(public_key: str, statement: str, signature: str) -> bool:
    """Return whether a signature is one of a key over a statement."""
    _, ed25519 = _library()
    from cryptography.exceptions import InvalidSignature

    try:
        key = ed25519.Ed25519PublicKey.from_public_bytes(bytes.fromhex(public_key))
        key.verify(bytes.fromhex(signature), statement.encode("utf-8"))
    except (InvalidSignature, ValueError):
        return False
    return True


def statement_of(act: str, by: str, about: Mapping[str, Any]) -> str:
    """Return what is signed, as one line of JSON with sorted keys."""
    return json.dumps({"act": act, "by": by, **about}, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def signed(
    ledger: Ledger, signer: Signer | None, by: str, act: str, about: Mapping[str, Any],
    why: str = "the kit asks for signatures",
) -> Row:  # fmt: skip
    """Return the row of a signature over an act, to be written in its entry; ``about``: what it rests on; ``why``: it
    is asked for.

    Raises:
        LedgerError: no key is given, or it isn't the one on record of the person.
    """
    person = declared(ledger).get(folded_name(by))
    if signer is None:
        raise LedgerError(
            f"{why}: sign with your key (--key FILE); nothing was recorded. A key is made by: "
            f"holeqc person key {one_line(by.strip(), 'who')} -o FILE"
        )
    if person is None or person.public_key != signer.public_key:
        whose = f"of {person.name}" if person else f"of {by.strip()}, who isn't declared (holeqc person add)"
        raise LedgerError(f"this is not the key on record {whose}; nothing was recorded")
    head = ledger.head()
    statement = statement_of(act, by.strip(), {**about, "after": head[1]})
    return {
        "person": person.name, "public_key": signer.public_key, "statement": statement,
        "signature": signer.sign(statement),
    }  # fmt: skip


def refuse_bad(ledger: Ledger, entries: Mapping[int, tuple[str, Mapping[str, Any]]]) -> None:
    """Refuse acts whose signature is missing, doesn't hold, or isn't of the key that was on record for the person.

    ``entries``: entry -> act and what it must speak of.

    Raises:
        LedgerError: one is bad.
    """
    for entry, (act, about) in entries.items():
        row = signature_of(ledger, entry)
        fault = fault_of(row, act, about)
        if not fault and row is not None:
            made_by = ledger.rows(select(s.ENTRY.c.made_by).where(s.ENTRY.c.seq == entry))[0]["made_by"]
            fault = _fault_of_key(ledger, str(made_by), str(row["public_key"]), entry)
        if fault:
            raise LedgerError(f"ledger {ledger.location.shown}: entry {entry}, {act}: {fault}. Nothing can rest on it")


def _fault_of_key(ledger: Ledger, name: str, public_key: str, entry: int) -> str:
    """Return what is wrong with the key of a signature, '' where nothing is.

    It must be on record for the person before it, put there by a signature of an older key where who keeps the list had
    one.
    """
    p = s.PERSON.c
    keys = ledger.rows(select(p.folded, p.name, p.public_key, p.entry).where(p.act == KEY).order_by(p.id))
    of_name = [k for k in keys if k["folded"] == folded_name(name) and k["entry"] < entry]
    mine = [k for k in of_name if k["public_key"] == public_key]
    if not mine:
        return f"its key was not on record for {name}"
    keeper = ledger.rows(select(p.folded).order_by(p.id).limit(1))[0]["folded"]
    first = min((k["entry"] for k in keys if k["folded"] == keeper), default=entry)
    if mine[0]["entry"] <= first:
        return ""
    row = signature_of(ledger, int(mine[0]["entry"]))
    older = {k["public_key"] for k in keys if k["entry"] < mine[0]["entry"]}
    fault = fault_of(row, KEY_ACT, {"name": mine[0]["name"], "key": public_key})
    if fault or row is None or row["public_key"] not in older:
        return f"the key of {name}, entry {mine[0]['entry']}, was put on record without the signature of an older key"
    return ""


def signature_of(ledger: Ledger, entry: int) -> Row | None:
    """Return the signature that an entry brought, None where it brought none."""
    rows = ledger.rows(select(s.SIGNATURE).where(s.SIGNATURE.c.entry == entry))
    return rows[0] if rows else None


def fault_of(row: Row | None, act: str, about: Mapping[str, Any]) -> str:
    """Return what is wrong with a signature: it must be there, hold, and speak of this act; '' where it does."""
    if row is None:
        return "it isn't signed, and the kit asks for signatures"
    try:
        said = json.loads(str(row["statement"]))
        good = holds(str(row["public_key"]), str(row["statement"]), str(row["signature"]))
    except (ValueError, KeyError, TypeError):
        said, good = None, False
    if not good or not isinstance(said, dict):
        return "its signature doesn't hold"
    wrong = [key for key, value in {"act": act, **about}.items() if said.get(key) != value]
    return f"its signature is of something else ({', '.join(wrong)})" if wrong else ""


def key_name(public_key: str) -> str:
    """Return how a public key is shown: its first sixteen digits in fours."""
    return " ".join(public_key[n : n + 4] for n in range(0, 16, 4))
