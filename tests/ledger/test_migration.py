"""A ledger of version 1 taken to this version: its entries hold, what is new is indexed, nothing is released by it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from runs import ENGINES, GOOD, LARGE, content, judged, kit, sheet, text_of
from shop import place
from sqlalchemy import select

from holeqc.ledger import ledger as ledgers
from holeqc.ledger import open_ledger, recording
from holeqc.ledger import schema as s
from holeqc.ledger.approvals import ApprovalRefused, approve
from holeqc.ledger.kits import release
from holeqc.ledger.ledger import EntryWriter, Ledger
from holeqc.ledger.recording import record
from holeqc.ledger.resemblance import answer
from holeqc.problems import LedgerError


@pytest.fixture(params=ENGINES)
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """Give the place of a ledger as version 1 wrote it: three files, two of them of one serial number."""
    with place(request.param, tmp_path) as where, pytest.MonkeyPatch.context() as patch:
        patch.setattr(ledgers, "STEPS", ledgers.STEPS[:1])
        patch.setattr(ledgers, "TABLES", s.tables_of(1))
        patch.setattr(Ledger, "leave_seal", lambda *given: "")
        patch.setattr(Ledger, "refuse_other_seals", lambda *given: None)
        patch.setattr(ledgers, "refuse_unknown_person", lambda *given: None)
        patch.setattr(EntryWriter, "add_versions", lambda self: None)
        patch.setattr(recording, "write_marks", lambda *given: None)
        patch.setattr(recording, "prepare", lambda ledger, inspection: inspection)
        patch.setattr(recording, "write_serials", lambda *given: None)
        patch.setattr(recording, "as_recorded", lambda *given: {})
        patch.setattr(recording, "with_plans", lambda ledger, inspection: inspection)
        patch.setattr(recording, "result_rows", lambda *given: lambda *given: {})
        spec = kit(tmp_path)
        with open_ledger(where) as ledger:
            spelled = ("d", {"M-006": LARGE}), ("e", {"M006": GOOD})
            for name, parts in (*spelled, ("a", {"P-1": LARGE}), ("b", {"P-2": GOOD}), ("c", {"P-1": GOOD})):
                record(ledger, judged(spec, sheet(tmp_path / f"{name}.csv", parts)), text_of(spec), "bench 2")
        patch.undo()
        yield where


def old_content(ledger: Ledger) -> dict[str, list[tuple[object, ...]]]:
    names = {table.name for table in s.tables_of(1)}
    return {name: rows for name, rows in content(ledger).items() if name in names}


def test_older_entries_stay_as_they_are_and_hold(old: str) -> None:
    with open_ledger(old) as ledger:
        found = ledger.verify()
        assert found.holds, found.faults
        *before, second, last = ledger.rows(select(s.ENTRY).order_by(s.ENTRY.c.seq))
        assert [e["kind"] for e in before] == ["specification", *["readings", "inspection"] * 5]
        assert [(e["kind"], e["reason"]) for e in (second, last)] == [
            ("version", f"the ledger was taken to version {number}") for number in (2, 3)
        ]
        versions = ledger.rows(select(s.VERSION_KNOWN.c.version).order_by(s.VERSION_KNOWN.c.id))
        assert [row["version"] for row in versions] == [1, 2, 3]
        serials = ledger.rows(select(s.SERIAL.c.serial, s.SERIAL.c.entry).order_by(s.SERIAL.c.id))
        assert [(row["serial"], row["entry"]) for row in serials] == [
            ("M-006", 12), ("M006", 12), ("P-1", 12), ("P-2", 12),
        ]  # fmt: skip
        assert ledger.rows(select(s.KIT_RELEASE)) == []
        head = ledger.head()
    with open_ledger(old) as again:
        assert again.head() == head


def test_two_spellings_recorded_before_anybody_asked(old: str, tmp_path: Path) -> None:
    spec = kit(tmp_path)
    with open_ledger(old) as ledger:
        for who in ("office 1", "office 2"):
            release(ledger, spec, text_of(spec), who)
        with pytest.raises(ApprovalRefused) as caught:
            approve(ledger, "M006", "41")
        (said,) = [p.message for p in caught.value.problems if p.code == "serial-elsewhere"]
        assert said == "serial M006 is nearly M-006, which is on record too: inspection 1, entry 3, rejects it"
        answer(ledger, "M006", "M-006", False, "7", "both on my table")
        approve(ledger, "M006", "41")


def test_a_ledger_whose_guards_are_off_is_not_taken_on(old: str) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ledgers, "STEPS", ledgers.STEPS[:1])
        with open_ledger(old) as ledger, ledger.engine.begin() as connection:
            on = "" if connection.dialect.name == "sqlite" else " ON tag"
            name = "tag_no_update" if connection.dialect.name == "sqlite" else "tag_append_only"
            connection.exec_driver_sql(f"DROP TRIGGER {name}{on}")
    with pytest.raises(LedgerError, match=r"guard tag_\w+ is missing"):
        open_ledger(old)
