"""A record edited by hand, cut short or replaced: what rests on it is refused, and seals kept elsewhere tell.

Whoever does it here has the database's own rights, lifts the guards and puts them back. No outside source applies.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from shop import GOOD, SMALL, Shop, place
from sqlalchemy import text
from test_append_only import _without_guards, put_guards_back

from holeqc.ledger import open_ledger
from holeqc.ledger.approvals import approve, approved_set, compare_with_ledger, waiting
from holeqc.ledger.ledger import Ledger, roles_sql
from holeqc.ledger.tags import dispose, find_tags
from holeqc.ledger.verify import Seal, broken_seals, faults_at_a_glance, read_seals, write_seal
from holeqc.problems import LedgerError
from holeqc.reports.record import waiting_text


@pytest.fixture(params=["sqlite", "postgresql"])
def shop(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Shop]:
    with place(request.param, tmp_path) as where, open_ledger(where) as ledger:
        yield Shop(tmp_path, ledger)


def broken(ledger: Ledger, seals: list[Seal]) -> list[str]:
    with ledger.reading() as connection:
        return broken_seals(connection, seals)


def by_hand(ledger: Ledger, *statements: str) -> None:
    """Change rows with the guards lifted, and put them back."""
    with ledger.engine.begin() as connection:
        if connection.dialect.name == "sqlite":
            connection.exec_driver_sql("PRAGMA defer_foreign_keys = ON")
        for statement in _without_guards(connection.dialect.name):
            connection.exec_driver_sql(statement)
        for statement in statements:
            connection.execute(text(statement))
    with ledger.engine.begin() as connection:
        put_guards_back(connection)


@pytest.mark.parametrize("statement", [
    "UPDATE inspection SET verdict = 'accept', pin_verdict = ''",
    "UPDATE hole_verdict SET verdict = 'accept'",
    "UPDATE reading SET value = 0.4571 WHERE value < 0.455",
    "UPDATE tag_event SET event = 'closed'",
    "DELETE FROM tag_event; DELETE FROM tag",
    "UPDATE specification SET content = replace(content, '0.455', '0.454')",
    "UPDATE reading_set SET serial = 'P-2' WHERE serial = 'P-1'",
    "UPDATE entry SET made_by = '17' WHERE kind = 'readings'",
    "UPDATE tag SET serial = 'P-2'; UPDATE inspection SET serial = 'P-2' WHERE verdict = 'reject'",
])  # fmt: skip
def test_a_record_edited_by_hand_carries_no_approval_and_no_packet(
    shop: Shop, statement: str, capsys: pytest.CaptureFixture[str]
) -> None:
    shop.record("P-3", GOOD)
    done = approve(shop.ledger, "P-3", "41")
    shop.record("P-1", SMALL)
    shop.record("P-1", GOOD, day="2026-11-04")
    head = shop.ledger.head()
    by_hand(shop.ledger, *statement.split("; "))
    with pytest.raises(LedgerError, match=r"doesn't hold, so nothing can rest on it: entry \d+: "):
        approve(shop.ledger, "P-1", "41")
    if "reading" not in statement:  # readings of other files aren't recomputed for a part
        with pytest.raises(LedgerError, match="doesn't hold"):
            approved_set(shop.ledger, "P-3")
        said = {"entry": done.entry.seq, "hash": done.entry.hash}
        assert any("doesn't hold: entry" in one for one in compare_with_ledger(shop.ledger, said, "0" * 64)[0])
    if not statement.startswith(("UPDATE tag_event", "DELETE FROM tag_event", "UPDATE tag SET")):
        (tag,) = find_tags(shop.ledger, serial="P-1")
        with pytest.raises(LedgerError, match="doesn't hold"):
            dispose(shop.ledger, tag.number, "scrap", "engineer", "x")
    assert shop.ledger.head() == head
    found = waiting(shop.ledger, dt.date(2026, 12, 10))
    assert found.ready == ()
    if "UPDATE reading" not in statement:  # of a part that is ready they are recomputed, P-1 has an open tag
        assert found.doubts
        assert "The record doesn't hold, so nothing is ready to approve (1)\n  entry " in waiting_text(found)
        capsys.readouterr()
        shop.ledger.warn_of_doubts()
        assert "DOESN'T HOLD: entry " in capsys.readouterr().err


@pytest.mark.parametrize("statement", [
    "UPDATE inspection SET verdict = 'accept', pin_verdict = '' WHERE serial = 'P-1'",
    "UPDATE reading SET value = 0.4571 WHERE value < 0.455",
    "DELETE FROM tag_event; DELETE FROM tag",
    "UPDATE ledger_version SET tool = 'x'",
    "UPDATE entry SET made_by = '17' WHERE kind = 'readings'",
    "",
])  # fmt: skip
def test_of_a_large_record_the_entries_of_what_is_shown_are_recomputed(
    shop: Shop, statement: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for number in range(10, 14):
        shop.record(f"P-{number}", {"1": (0.456, 0.457 + number / 1e4), "2": (0.459, 0.460)})
    shop.record("P-1", SMALL)
    monkeypatch.setattr("holeqc.ledger.verify.GLANCE", 60)
    by_hand(shop.ledger, *filter(None, statement.split("; ")))
    capsys.readouterr()
    shop.ledger.warn_of_doubts(["P-1"])
    told = " ".join(capsys.readouterr().err.split())
    assert ("DOESN'T HOLD" in told) == bool(statement)
    assert "a record this large isn't recomputed as a whole here: holeqc ledger verify does" in told
    monkeypatch.setattr("holeqc.ledger.verify.GLANCE", 5)  # less than one entry brought
    with shop.ledger.reading() as connection:
        assert " entries that speak of these parts" in faults_at_a_glance(connection, ["P-1"])[1]


def test_readings_of_other_files_do_not_stand_in_the_way(shop: Shop) -> None:
    shop.record("P-1", GOOD)
    shop.record("P-2", GOOD)
    by_hand(shop.ledger, "UPDATE reading SET value = value + 0.0001 WHERE set_id = 2")
    approve(shop.ledger, "P-1", "41")
    with pytest.raises(LedgerError, match="doesn't hold"):
        approve(shop.ledger, "P-2", "41")


def test_guards_that_do_not_stand_are_refused(shop: Shop) -> None:
    shop.record("P-1", GOOD)
    approve(shop.ledger, "P-1", "41")
    with shop.ledger.engine.begin() as connection:
        for statement in _without_guards(connection.dialect.name):
            connection.exec_driver_sql(statement)
    for act in (lambda: approve(shop.ledger, "P-1", "41"), lambda: approved_set(shop.ledger, "P-1")):
        with pytest.raises(LedgerError, match="guards are missing"):
            act()


def test_seals_tell_what_was_cut_off_at_the_end(shop: Shop, tmp_path: Path) -> None:
    seals = tmp_path / "seals"
    with pytest.raises(LedgerError, match="no such folder"):
        shop.ledger.name_seal_folder(str(seals), "engineer")
    seals.mkdir()
    assert shop.ledger.leave_seal("nothing") == ""
    shop.ledger.name_seal_folder(str(seals), "engineer")
    for serial in ("P-1", "P-2"):
        shop.record(serial, GOOD)
        approve(shop.ledger, serial, "41")
        assert shop.ledger.leave_seal(f"approval of {serial}").startswith("Sealed: ")
    found = read_seals([seals])
    last = shop.ledger.head()[0]
    # the folder's own entry; kit proposed, kit released, readings, approval; readings, approval
    assert [seal.entry for seal in found] == [1, 3, 4, 6, 7, 9, 10]
    assert last == 10
    assert broken(shop.ledger, found) == []
    by_hand(
        shop.ledger, "DELETE FROM approval WHERE inspection_id = 2", f"DELETE FROM entry WHERE seq = {last}"
    )  # fmt: skip
    assert shop.ledger.verify().holds  # the chain alone can't know
    (fault,) = broken(shop.ledger, found)
    assert fault.startswith(f"entry {last} is missing: sealed by ")
    with pytest.raises(LedgerError, match=f"isn't the one that was sealed: entry {last} is missing"):
        shop.ledger.entry("other", "bench 2")
    aside = tmp_path / "aside"  # a folder that can't be reached stops nobody
    seals.rename(aside)
    shop.ledger.entry("other", "bench 2")
    aside.rename(seals)
    (fault,) = broken(shop.ledger, found)
    assert fault.startswith(f"entry {last} was changed or replaced: sealed by ")
    assert len(broken(shop.ledger, read_seals([seals]))) == 1  # the seal of what came instead hides nothing


def test_a_copy_put_back_records_and_approves_nothing(tmp_path: Path) -> None:
    where, seals = tmp_path / "ledger.sqlite3", tmp_path / "seals"
    seals.mkdir()
    with open_ledger(str(where)) as ledger:
        shop = Shop(tmp_path, ledger)
        ledger.name_seal_folder(str(seals), "engineer")
        shop.record("P-1", GOOD)
        done = approve(ledger, "P-1", "41")
        old = where.read_bytes()
        shop.record("P-1", SMALL, day="2026-11-04")  # what somebody would rather not have on record
        last = ledger.head()[0]
    where.write_bytes(old)
    said = {"entry": done.entry.seq, "hash": done.entry.hash}
    before = sorted(seals.iterdir())
    with open_ledger(str(where)) as ledger:
        shop, head = Shop(tmp_path, ledger), ledger.head()
        for act in (
            lambda: shop.record("P-2", GOOD), lambda: approve(ledger, "P-1", "41"),
            lambda: approved_set(ledger, "P-1"), lambda: ledger.name_seal_folder(str(tmp_path), "engineer"),
        ):  # fmt: skip
            with pytest.raises(LedgerError, match=rf"entry {last} is|to {last} are missing: sealed by .*{seals}"):
                act()
        differences, _ = compare_with_ledger(ledger, said, "0" * 64)
        assert any(f"{last} are missing" in words or f"{last} is missing" in words for words in differences)
        assert (ledger.head(), sorted(seals.iterdir())) == (head, before)
        seals.rename(tmp_path / "away")
        differences, notes = compare_with_ledger(ledger, said, "0" * 64)
        assert not any("sealed" in words for words in differences)
        assert any(f"{seals}, can't be looked at" in words for words in notes)


def test_seals_of_another_ledger_are_no_folder_to_name(shop: Shop, tmp_path: Path) -> None:
    seals = tmp_path / "seals"
    seals.mkdir()
    with open_ledger(tmp_path / "other.sqlite3") as other:
        other.name_seal_folder(str(seals), "engineer")
    shop.record("P-1", GOOD)
    with pytest.raises(LedgerError, match="isn't the one that was sealed: entry 1 was changed"):
        shop.ledger.name_seal_folder(str(seals), "engineer")


def test_seals_tell_that_the_whole_ledger_is_another(shop: Shop, tmp_path: Path) -> None:
    shop.record("P-1", GOOD)
    path = write_seal(shop.ledger.seal_data("seal"), tmp_path / "noted.json")
    with open_ledger(tmp_path / "other.sqlite3") as other:
        Shop(tmp_path, other).record("P-1", GOOD)
        assert other.verify().holds
        assert [f.split(" or ")[0] for f in broken(other, read_seals([path]))] == ["entries 1 to 5"]
    shop.record("P-2", GOOD)
    with pytest.raises(LedgerError, match="another seal is there already"):
        write_seal(shop.ledger.seal_data("seal"), path)


@pytest.mark.parametrize("content", [b"", b"{}", b"[]", b"\xff", b"[" * 100_000, b'{"format": "holeqc seal 1"}'])
def test_what_is_no_seal_is_refused(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "seal-1.json").write_bytes(content)
    with pytest.raises(LedgerError, match="is no seal"):
        read_seals([tmp_path])
    with pytest.raises(LedgerError, match="there is no seal"):
        read_seals([tmp_path / "none"])


def test_a_folder_of_seals_that_is_gone_is_said(shop: Shop, tmp_path: Path) -> None:
    seals = tmp_path / "seals"
    seals.mkdir()
    shop.ledger.name_seal_folder(str(seals), "engineer")
    shutil.rmtree(seals)
    said = shop.ledger.leave_seal("approval")
    assert "can't be written" in said
    assert said.endswith(":".join(map(str, shop.ledger.head())))


def test_the_role_may_read_and_add_and_nothing_else(tmp_path: Path) -> None:
    import psycopg

    with place("postgresql", tmp_path) as where, open_ledger(where) as ledger:
        shop = Shop(tmp_path, ledger)
        shop.record("P-1", GOOD)
        with pytest.raises(LedgerError, match="small letters"):
            roles_sql(ledger, "x; DROP TABLE entry")
        role = f"bench_{os.getpid()}_{Path(tmp_path).name[-1]}"
        url = os.environ["HOLEQC_TEST_POSTGRES"]
        with psycopg.connect(url, autocommit=True) as owner:
            owner.execute(f"SET search_path TO {where.rpartition('%3D')[2]}")
            owner.execute(roles_sql(ledger, role))
            owner.execute(f"CREATE ROLE {role}_1 LOGIN IN ROLE {role}")
            try:
                user, host = url.partition("://")[2].split("@")
                mine = where.replace(f"{user}@{host}", f"{role}_1@{host}")
                with open_ledger(mine, create=False) as bench:
                    Shop(tmp_path, bench).record("P-2", GOOD)
                    approve(bench, "P-2", "41")
                    assert bench.verify().holds
                    for forbidden in (
                        "UPDATE entry SET made_by = 'x'", "DELETE FROM reading", "TRUNCATE reading CASCADE",
                        "ALTER TABLE entry DISABLE TRIGGER USER", "DROP TRIGGER entry_append_only ON entry",
                        "CREATE TABLE mine (id integer)", "INSERT INTO ledger_version VALUES (9, '', '')",
                        "CREATE OR REPLACE FUNCTION holeqc_append_only() RETURNS trigger LANGUAGE plpgsql AS "
                        "'BEGIN RETURN NULL; END'",
                    ):  # fmt: skip
                        denied = pytest.raises(Exception, match=r"permission denied|must be owner")
                        with denied, bench.engine.begin() as connection:
                            connection.exec_driver_sql(forbidden)
            finally:
                owner.execute(f"DROP OWNED BY {role}")
                owner.execute(f"DROP ROLE {role}_1")
                owner.execute(f"DROP ROLE {role}")


def test_roles_are_for_a_server(tmp_path: Path) -> None:
    with open_ledger(tmp_path / "l.sqlite3") as ledger, pytest.raises(LedgerError, match="is a file"):
        roles_sql(ledger, "bench")


def test_a_seal_is_plain_data(shop: Shop) -> None:
    with pytest.raises(LedgerError, match="no entry yet"):
        shop.ledger.seal_data("seal")
    shop.record("P-1", GOOD)
    data = json.loads(json.dumps(shop.ledger.seal_data("seal")))
    assert (data["entry"], data["hash"]) == shop.ledger.head()
