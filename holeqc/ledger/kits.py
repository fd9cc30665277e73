"""Kits as they were recorded: the stored text read again, and its release by two persons.

A kit's text counts for approvals once one person has proposed it and another has released it. One revision has one
released text; the folder that the kit file lies in plays no part.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from holeqc import door
from holeqc.ledger import schema as s
from holeqc.ledger.ledger import who_of
from holeqc.ledger.persons import signed
from holeqc.ledger.schema import plain
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from holeqc.ledger.ledger import Entry, Ledger, Transaction
    from holeqc.ledger.persons import Signer
    from holeqc.specification.model import Specification


def stored_specification(ledger: Ledger, specification_id: int) -> Specification:
    """Return a kit as its recorded text asks, with the digest of that text.

    Raises:
        LedgerError: there is no kit of this id.
    """
    return ledger.remembered(_stored_specification, specification_id)


def _stored_specification(ledger: Ledger, specification_id: int) -> Specification:
    rows = ledger.rows(select(s.SPECIFICATION).where(s.SPECIFICATION.c.id == specification_id))
    if not rows:
        raise LedgerError(f"ledger {ledger.location.shown}: no kit has the id {specification_id}")
    return parsed_specification(rows[0])


# ---------------------------------------------------------------------------------------------------------- release

PROPOSED, RELEASED = s.RELEASE_ACTS


@dataclass(frozen=True, slots=True)
class Released:
    """What `release` recorded: ``act`` proposed or released, its entry, the text released before (None: none was), and
    the differences from it, key by key: key, before, after (None: not there).
    """

    act: str
    entry: Entry
    before: dict[str, Any] | None
    changes: tuple[tuple[str, object, object], ...]


def newest_release(ledger: Ledger, kit: str) -> dict[str, Any] | None:
    """Return the release of a kit that counts: columns of the schema, ``revision``, ``digest``, ``content``, and its
    entry's ``made_by``; None where no text of it was released.
    """
    rows = [row for row in ledger.remembered(_acts, kit) if row["act"] == RELEASED]
    return rows[-1] if rows else None


def _acts(ledger: Ledger, kit: str) -> list[dict[str, Any]]:
    text, e = s.SPECIFICATION.c, s.ENTRY.c
    return ledger.rows(
        select(*s.KIT_RELEASE.columns, text.kit, text.revision, text.digest, text.content, e.made_by)
        .join(s.SPECIFICATION, text.id == s.KIT_RELEASE.c.specification_id)
        .join(s.ENTRY, e.seq == s.KIT_RELEASE.c.entry)
        .where(text.kit == plain(kit)).order_by(s.KIT_RELEASE.c.id)
    )  # fmt: skip


def release(
    ledger: Ledger, spec: Specification, text: str | bytes, by: str, note: str = "", signer: Signer | None = None
) -> Released:
    """Propose a kit's text, or release what another person proposed; signed where the kit asks for it.

    Raises:
        LedgerError: it is released already, another text of its revision is, or the same person proposed it.
    """
    content = text if isinstance(text, str) else text.decode("utf-8")
    if hashlib.sha256(content.encode("utf-8")).hexdigest() != spec.digest:
        raise LedgerError(f"kit file {spec.path}: it was changed after it was read; run it again")
    with ledger.transaction() as transaction:
        acts = _acts(ledger, spec.id)
        before = newest_release(ledger, spec.id)
        name = f"kit {spec.id} revision {spec.revision}"
        for row in acts:
            if row["act"] == RELEASED and row["revision"] == plain(spec.revision) and row["digest"] != spec.digest:
                changes = changed_keys(str(row["content"]), content)
                raise LedgerError(
                    f"{name} is released with another text, entry {row['entry']} ({change_words(changes)}); a changed "
                    "kit needs a new revision. Nothing was recorded"
                )
        if before is not None and before["digest"] == spec.digest:
            raise LedgerError(f"{name} is released already, entry {before['entry']}, with this very text")
        mine = [row for row in acts if row["digest"] == spec.digest]
        waiting = mine[-1] if mine and mine[-1]["act"] == PROPOSED else None
        if waiting is not None and who_of(str(waiting["made_by"])) == who_of(by):
            raise LedgerError(
                f"{name} was proposed by {waiting['made_by']}, entry {waiting['entry']}: another person releases it"
            )
        number = add_specification(transaction, spec, content, by)
        act = PROPOSED if waiting is None else RELEASED
        rows: dict[str, list[dict[str, Any]]] = {
            "kit_release": [{"specification_id": number, "act": act, "note": note}]
        }
        if spec.approval_signed:
            about = {"kit": spec.id, "revision": spec.revision, "kit_sha256": spec.digest}
            rows["signature"] = [signed(ledger, signer, by, f"kit {act}", about)]
        entry = ledger.entry("kit", by, rows)
        return Released(act, entry, before, changed_keys(str(before["content"]), content) if before else ())


def release_about(release: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the signature of a release speaks of; ``release``: a row of `newest_release`."""
    return {"kit": release["kit"], "revision": release["revision"], "kit_sha256": release["digest"]}


def add_specification(transaction: Transaction, spec: Specification, content: str, by: str, when: Any = None) -> int:
    """Return the id of a kit's text, recorded now if it is not there yet."""
    table = s.SPECIFICATION.c
    asked = select(table.id).where(
        table.kit == plain(spec.id), table.revision == plain(spec.revision), table.digest == spec.digest
    )
    found = transaction.connection.execute(asked).scalar()
    if found is not None:
        return int(found)
    writer = transaction.start("specification", by, when)
    decision = spec.decision
    rule = decision.rule if decision.rule == "simple" else f"{decision.rule}, factor {decision.guard_factor:g}"
    (number,) = writer.add_mapped(s.SPECIFICATION, [{
        "kit": spec.id, "revision": spec.revision, "unit": spec.unit, "digest": spec.digest, "title": spec.title,
        "drawing": spec.drawing, "fixture": spec.fixture, "rule": rule, "name": spec.path, "content": content,
        "two_person": spec.approval_two_person,
    }])  # fmt: skip
    writer.finish()
    return number


def unreleased_words(ledger: Ledger, kit: str, revision: str, digest: str, content: str) -> str:
    """Return what is said of a run whose kit text isn't the one released last; '' where it is."""
    newest = newest_release(ledger, kit)
    name = f"kit {kit} revision {revision}"
    if newest is None:
        return (
            f"{name} isn't released: what is judged by it can't be approved until two persons release it "
            "(holeqc kit release)"
        )
    if newest["digest"] == digest:
        return ""
    return (
        f"{name}: this text is not the one released as entry {newest['entry']}, revision {newest['revision']} "
        f"({change_words(changed_keys(str(newest['content']), content))}); what is judged by it can't be approved"
    )


SHOWN = 6  #: so many differences are named in one sentence


def change_words(changes: tuple[tuple[str, object, object], ...]) -> str:
    """Return differences of two kit texts in one line."""
    if not changes:
        return "only comments or order differ"
    more = f" and {len(changes) - SHOWN} more" if len(changes) > SHOWN else ""
    return "; ".join(change_line(*change) for change in changes[:SHOWN]) + more


def change_line(key: str, before: object, after: object) -> str:
    """Return one difference: ``size.lower 0.455 became 0.454``."""
    if before is None:
        return f"{key} {after} is new"
    return f"{key} {before} is gone" if after is None else f"{key} {before} became {after}"


def changed_keys(before: str, after: str) -> tuple[tuple[str, object, object], ...]:
    """Return the keys in which two kit texts differ, with both values, in the order of the newer text."""
    old, new = _flat(door.toml_values(before)), _flat(door.toml_values(after))
    keys = [*new, *(key for key in old if key not in new)]
    return tuple((key, old.get(key), new.get(key)) for key in keys if old.get(key) != new.get(key))


def _flat(value: Any, path: str = "") -> dict[str, object]:
    """Return the keys of a table with their values; the tables of a list are named by their id or name."""
    if isinstance(value, dict):
        found: dict[str, object] = {}
        for key, inner in value.items():
            found |= _flat(inner, f"{path}.{key}" if path else str(key))
        return found
    if isinstance(value, list) and value and all(isinstance(item, dict) for item in value):
        found = {}
        for number, item in enumerate(value, 1):
            found |= _flat(item, f"{path}[{item.get('id', item.get('name', number))}]")
        return found
    return {path: value}


def parsed_specification(row: dict[str, Any]) -> Specification:
    """Return the kit of a row of `schema.SPECIFICATION`, its odd limits not asked about again."""
    from holeqc.specification.load import parse_specification

    return replace(parse_specification(str(row["content"]), str(row["name"]), recorded=True), digest=str(row["digest"]))


def specification_of_inspection(ledger: Ledger, inspection_id: int) -> Specification:
    """Return the kit's text that an inspection was judged by."""
    i = s.INSPECTION.c
    number = ledger.rows(select(i.specification_id).where(i.id == inspection_id))[0]["specification_id"]
    return stored_specification(ledger, int(number))
