"""What is recorded can't be changed unnoticed: the database refuses it, or verifying finds it.

The second route for the digests is hashing the rows again here, by the rules that `holeqc.ledger.schema` states.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import random
import sqlite3
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from runs import ENGINES, GOOD, LARGE, TODAY, content, judged, kit, sheet, text_of
from shop import place
from sqlalchemy import Column, Connection, Text, select, text
from sqlalchemy.exc import DBAPIError

from holeqc.ledger import database, open_ledger
from holeqc.ledger import schema as s
from holeqc.ledger.database import MANY
from holeqc.ledger.ledger import Ledger
from holeqc.ledger.rechecks import record_recheck
from holeqc.ledger.recording import record
from holeqc.ledger.stories import newest_parts
from holeqc.ledger.verify import verify
from holeqc.problems import LedgerError
from holeqc.readings.containers import ReadOptions
from holeqc.readings.read import read_files

REFUSED = "append-only"


def fill(ledger: Ledger, folder: Path) -> None:
    """Put at least one row into every table."""
    spec = kit(folder)
    path = folder / "a.csv"
    record(ledger, judged(spec, sheet(path, {"P-1": LARGE, "P-2": {"1": (0.457, 4.58)}})), text_of(spec), "bench 2")
    record(ledger, judged(spec, sheet(path, {"P-1": GOOD})), text_of(spec), "bench 2")
    with ledger.transaction():
        tag = ledger.entry("tag", "inspector", {"tag": [
            {"inspection_id": 1, "number": "T-000001", "serial": "P-1", "verdict": "reject"}
        ]}).ids["tag"][0]  # fmt: skip
        ledger.entry("tag", "inspector", {"tag_event": [{"tag_id": tag, "event": "opened"}]})
        approval = ledger.entry("approval", "inspector", {"approval": [{"inspection_id": 3}]}).ids["approval"][0]
        ledger.entry("withdrawal", "inspector", {"withdrawal": [{"approval_id": approval}]}, reason="wrong part")
    ledger.entry("equipment", "engineer", {
        "gauge_calibration": [{"gauge": "G1", "result": "in tolerance", "day": "2026-01-02"}],
        "fixture_event": [{"fixture": "DF-2", "event": "checked", "day": "2026-01-02", "good": True}],
        "kit_release": [{"specification_id": 1, "act": "proposed"}], "serial": [{"serial": "X", "folded": "x"}],
        "serial_answer": [{"serial": "X", "other": "P-1", "same": 0}], "setting": [{"name": "seals", "value": "s"}],
        "set_mark": [{"set_id": 1, "mark": 7}], "person": [{"name": "17", "folded": "17", "act": "removed"}],
        "signature": [{"person": "17", "statement": "{}"}], "question_closed": [{"approval_id": approval,
        "calibration_id": 1, "note": "looked at"}],
    })  # fmt: skip
    small = {"1": (0.457, 4.58), "2": (0.459, 0.460)}
    record(ledger, judged(spec, sheet(folder / "b.csv", {"P-3": small})), text_of(spec), "bench 2")
    again = sheet(folder / "c.csv", {"P-3": {"1": (0.457, 0.458)}}, day="2026-11-05")
    again.write_text(f"Recheck of: 2026-11-03\n{again.read_text(encoding='utf-8')}", encoding="utf-8")
    recheck = read_files([again], spec, ReadOptions(today=TODAY))
    record_recheck(ledger, spec, text_of(spec), recheck.rechecks[0], "bench 2")
    assert all(content(ledger).values())


@pytest.fixture(scope="module", params=ENGINES)
def full(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ledger]:
    """Give a ledger with a row in every table; nothing may change it."""
    folder = tmp_path_factory.mktemp("full")
    with place(request.param, folder) as where, open_ledger(where) as ledger:
        fill(ledger, folder)
        yield ledger


def refused(ledger: Ledger, statement: str) -> None:
    """Run a statement as somebody would by hand; it must be refused."""
    with pytest.raises(Exception, match=REFUSED), ledger.engine.begin() as connection:
        connection.execute(text(statement))


@pytest.mark.parametrize("table", [table.name for table in s.TABLES])
def test_the_database_refuses_to_change_a_row(full: Ledger, table: str) -> None:
    column = s.METADATA.tables[table].columns.keys()[-1]
    refused(full, f"UPDATE {table} SET {column} = {column}")
    refused(full, f"DELETE FROM {table}")
    if full.engine.dialect.name == "postgresql":
        keys = ", ".join(c.name for c in s.METADATA.tables[table].primary_key.columns)
        refused(full, f"TRUNCATE {table} CASCADE")
        refused(full, f"INSERT INTO {table} SELECT * FROM {table} ON CONFLICT ({keys}) DO UPDATE SET {column} = NULL")
        return
    refused(full, f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}")
    # a stranger's connection, with none of the ledger's settings
    with contextlib.closing(sqlite3.connect(full.location.path or "")) as connection:
        for statement in (f"REPLACE INTO {table} SELECT * FROM {table}", f"DELETE FROM {table}"):
            with pytest.raises(sqlite3.Error, match=REFUSED):
                connection.execute(statement)


def test_replace_by_another_unique_column_is_refused_too(tmp_path: Path) -> None:
    with open_ledger(tmp_path / "l.sqlite3") as ledger:
        fill(ledger, tmp_path)
    with contextlib.closing(sqlite3.connect(tmp_path / "l.sqlite3")) as connection:
        names = [row[1] for row in connection.execute("PRAGMA table_info(tag)")]
        given = ", ".join("99" if name == "id" else name for name in names)
        with pytest.raises(sqlite3.Error, match=REFUSED):  # the number T-000001 under another id
            connection.execute(f"INSERT OR REPLACE INTO tag SELECT {given} FROM tag")


KINDS = {"TEXT": "text", "BIGINT": "whole", "INTEGER": "whole", "DOUBLE": "number"}


def written(kind: str, value: Any) -> bytes:
    """Return one value as the rule writes it."""
    if kind == "text":
        return b"\xff" if value is None else str(value).encode()
    if kind == "number":
        return b"\0\0\0\0\0\0\xf8\x7f" if value is None else struct.pack("<d", value)
    return struct.pack("<q", -(2**63) if value is None else value)


def test_guards_stand_after_a_large_import_and_after_one_that_broke(ledger: Ledger) -> None:
    """On SQLite the guard of each single row is lifted while many come in; it must be back whatever happens."""
    many = [{"fixture": f"F-{n}", "event": "checked", "day": "2026-01-02"} for n in range(2 * MANY)]
    ledger.entry("large", "bench", {"fixture_event": many})
    assert ledger.verify().holds
    head = ledger.head()

    def go_on_after_a_fault() -> None:
        with ledger.transaction():
            with contextlib.suppress(Exception):
                ledger.entry("broken", "bench", {"fixture_event": [*many, {**many[0], "event": "lost"}]})
            with pytest.raises(LedgerError, match="unfinished; nothing more is recorded"):
                ledger.entry("after", "bench")

    with pytest.raises(LedgerError, match="unfinished; nothing is recorded"):
        go_on_after_a_fault()
    assert ledger.head() == head
    found = ledger.verify()
    assert found.holds, found.faults
    assert len(ledger.rows(select(s.FIXTURE_EVENT))) == 2 * MANY


def test_digests_are_what_the_page_says(full: Ledger) -> None:
    """Recompute chain and digests from the rows, written anew after the rule."""
    rows = content(full)
    names = {table.name: [c.name for c in table.columns] for table in (s.ENTRY, *s.DETAILS)}
    entries = [dict(zip(names["entry"], row, strict=True)) for row in rows["entry"]]
    previous = "0" * 64
    for entry in entries:
        payload = hashlib.sha256()
        for table in s.DETAILS:
            mine = [dict(zip(names[table.name], row, strict=True)) for row in rows[table.name]]
            parent = s.parent_of(table)
            if parent is not None:
                above = {dict(zip(names[parent[0].name], row, strict=True))["id"]: row for row in rows[parent[0].name]}
                place_of = names[parent[0].name].index("entry")
                mine = [row for row in mine if above[row[parent[1]]][place_of] == entry["seq"]]
            else:
                mine = [row for row in mine if row["entry"] == entry["seq"]]
            if mine:
                kinds = [[c.name, KINDS[str(c.type)]] for c in sorted(table.columns, key=lambda c: str(c.name))]
                payload.update(json.dumps([table.name, len(mine), kinds], separators=(",", ":")).encode() + b"\n")
                for name, kind in kinds:
                    payload.update((b"\0" if kind == "text" else b"").join(written(kind, row[name]) for row in mine))
        assert entry["payload"] == payload.hexdigest()
        assert entry["previous"] == previous
        hashed = ("seq", "kind", "at", "offset_minutes", "made_by", "tool", "replaces", "reason", "payload", "previous")
        given = json.dumps([entry[name] for name in hashed], separators=(",", ":"))
        previous = hashlib.sha256(given.encode()).hexdigest()
        assert entry["hash"] == previous
    assert full.verify((len(entries), previous)).holds


#: a change by somebody who has switched the guards off -> number of the entry that must be named
TAMPERED = {
    "UPDATE reading SET value = 0.4581 WHERE set_id = 1 AND line = 3": 2,
    "UPDATE reading SET note = 'x' WHERE set_id = 3 AND line = 0": 4,
    "DELETE FROM reading WHERE set_id = 3 AND line = 3": 4,
    "INSERT INTO reading SELECT set_id, 99, hole, wall, characteristic, direction, trial, value, word, typed, unit, "
    "gauge, temperature_c, day, read_by, note, sheet, row_no, column_no, doubt FROM reading WHERE set_id = 1 AND "
    "line = 0": 2,
    "UPDATE inspection SET verdict = 'accept' WHERE id = 1": 3,
    "UPDATE hole_verdict SET verdict = 'accept' WHERE inspection_id = 1 AND line = 1": 3,
    "UPDATE specification SET content = content || ' ' WHERE id = 1": 1,
    "UPDATE entry SET made_by = 'another' WHERE seq = 5": 5,
    "UPDATE entry SET at = '2026-01-01T00:00:00.000000Z' WHERE seq = 4": 4,
    "UPDATE entry SET hash = payload WHERE seq = 6": 6,
    "DELETE FROM withdrawal": 9,
    "INSERT INTO approval (id, entry, inspection_id, role, note) VALUES (2, 7, 1, '', '')": 7,
    "UPDATE approval SET entry = 7": 7,
}


@pytest.mark.parametrize("engine", ENGINES)
def test_a_change_behind_the_guards_is_found_and_its_entry_named(engine: str, tmp_path: Path) -> None:
    with place(engine, tmp_path) as where, open_ledger(where) as ledger:
        fill(ledger, tmp_path)
        with ledger.engine.connect() as connection, connection.begin() as transaction:
            for statement in _without_guards(engine):
                connection.exec_driver_sql(statement)
            ledger._reader = connection
            assert ledger.verify().first_bad == 0
            for statement, seq in TAMPERED.items():
                with connection.begin_nested() as step:
                    connection.execute(text(statement))
                    found = ledger.verify()
                    assert (found.first_bad, found.entries) == (seq, seq - 1), (statement, found.faults)
                    step.rollback()
            assert ledger.verify().first_bad == 0
            ledger._reader = None
            transaction.rollback()
        assert ledger.verify().holds


def _without_guards(engine: str) -> list[str]:
    if engine == "postgresql":
        return [f"ALTER TABLE {table.name} DISABLE TRIGGER USER" for table in s.TABLES]
    return [f"DROP TRIGGER {name}" for table in s.TABLES for name in database.sqlite_guards(table)]


def put_guards_back(connection: Connection) -> None:
    """Put the guards back as they were, as somebody would who wants to leave no trace."""
    if connection.dialect.name == "sqlite":
        database.create_guards(connection, s.TABLES)
        return
    for table in s.TABLES:
        connection.exec_driver_sql(f"ALTER TABLE {table.name} ENABLE TRIGGER USER")


def other_value(column: Column, value: Any) -> Any:
    """Return a value that differs as little as somebody might change it."""
    if isinstance(column.type, Text):
        return "x" if value is None else f"{value} "
    return 1 if value is None else value + 1 if isinstance(value, int) else value + 1e-9


@pytest.mark.parametrize("engine", ENGINES)
def test_a_change_of_any_column_of_any_table_is_found_or_refused(engine: str, tmp_path: Path) -> None:
    tried = missed = 0
    with place(engine, tmp_path) as where, open_ledger(where) as ledger:
        fill(ledger, tmp_path)
        with ledger.engine.connect() as connection, connection.begin() as transaction:
            for statement in _without_guards(engine):
                connection.exec_driver_sql(statement)
            ledger._reader = connection
            for table in s.TABLES:
                keys = list(table.primary_key.columns)
                for row in connection.execute(select(table).order_by(*(k.desc() for k in keys)).limit(1)).all():
                    this = [key == getattr(row, key.name) for key in keys]
                    for column in table.columns:
                        tried += 1
                        value = other_value(column, getattr(row, column.name))
                        with contextlib.suppress(DBAPIError), connection.begin_nested() as step:
                            connection.execute(table.update().where(*this).values({column.name: value}))
                            faults = [fault for fault in ledger.verify().faults if "guard" not in fault]
                            missed += not faults
                            assert faults, (table.name, column.name, value)
                            step.rollback()
            ledger._reader = None
            transaction.rollback()
    assert tried > 200
    assert missed == 0


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("statement", [
    "INSERT INTO setting (id, entry, name, value) VALUES (0, 1, 'x', 'y')",
    "INSERT INTO setting (id, entry, name, value) VALUES (-5, 1, 'x', 'y')",
    "INSERT INTO setting (id, entry, name, value) VALUES (99, 99, 'x', 'y')",
])  # fmt: skip
def test_rows_beyond_the_first_and_the_last_are_found(engine: str, statement: str, tmp_path: Path) -> None:
    with place(engine, tmp_path) as where, open_ledger(where) as ledger:
        ledger.entry("one", "bench")
        with ledger.engine.connect() as connection, connection.begin() as transaction:
            ledger._reader = connection
            connection.exec_driver_sql(statement)
            assert ledger.verify().faults
            ledger._reader = None
            transaction.rollback()


def test_a_ledger_without_its_guards_is_not_written_to(ledger: Ledger) -> None:
    ledger.entry("one", "bench")
    head = ledger.head()
    for statement in OPENED[ledger.engine.dialect.name][0]:
        with ledger.engine.begin() as connection:
            connection.exec_driver_sql(statement)
    with pytest.raises(LedgerError, match=r"guard tag_\w+ is missing.*Nothing was recorded"):
        ledger.entry("two", "bench")
    assert ledger.head() == head


_EMPTY = "CREATE TRIGGER tag_no_delete BEFORE DELETE ON tag BEGIN SELECT 1; END"
_LESS = "CREATE TRIGGER tag_append_only BEFORE DELETE ON tag FOR EACH STATEMENT EXECUTE FUNCTION holeqc_append_only()"
_IDLE = "CREATE OR REPLACE FUNCTION holeqc_append_only() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NULL; END'"
OPENED = {
    "sqlite": (
        ["DROP TRIGGER tag_no_update"],
        ["DROP TRIGGER tag_no_delete", _EMPTY],
        ["CREATE TRIGGER mine AFTER INSERT ON tag BEGIN SELECT 1; END"],
    ),
    "postgresql": (
        ["DROP TRIGGER tag_append_only ON tag"],
        ["ALTER TABLE tag DISABLE TRIGGER tag_append_only"],
        ["DROP TRIGGER tag_append_only ON tag", _LESS],
        [_IDLE],
    ),
}


@pytest.mark.parametrize("engine", ENGINES)
def test_a_missing_guard_is_found(engine: str, tmp_path: Path) -> None:
    with place(engine, tmp_path) as where, open_ledger(where) as ledger:
        ledger.entry("one", "bench")
        with ledger.engine.connect() as connection, connection.begin() as transaction:
            ledger._reader = connection
            assert ledger.verify().holds
            for statements in OPENED[engine]:
                with connection.begin_nested() as step:
                    for statement in statements:
                        connection.exec_driver_sql(statement)
                    found = ledger.verify()
                    assert found.faults, statements
                    assert all("guard" in fault for fault in found.faults)
                    assert found.first_bad == 0
                    step.rollback()
            ledger._reader = None
            transaction.rollback()


def test_what_was_cut_off_at_the_end_is_found_by_a_noted_entry(ledger: Ledger) -> None:
    for kind in ("one", "two", "three"):
        ledger.entry(kind, "bench")
    noted = ledger.head()
    with ledger.engine.begin() as connection:
        for statement in _without_guards(ledger.engine.dialect.name):
            connection.exec_driver_sql(statement)
        connection.exec_driver_sql("DELETE FROM entry WHERE seq = 3")
    with ledger.engine.begin() as connection:
        put_guards_back(connection)
    found = ledger.verify(noted)
    assert found.first_bad == 3
    ledger.entry("other", "bench")
    assert ledger.verify(noted).first_bad == 3
    with ledger.engine.begin() as connection:
        for statement in _without_guards(ledger.engine.dialect.name):
            connection.exec_driver_sql(statement)
        connection.exec_driver_sql("DELETE FROM entry WHERE seq = 2")
    assert ledger.verify().first_bad == 2


def test_flipped_bytes_are_refused_or_found_or_touch_no_row(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite3"
    with open_ledger(path) as ledger:
        fill(ledger, tmp_path)
        whole = content(ledger)
    good = path.read_bytes()
    chance = random.Random(20261103)
    outcomes = {"refused": 0, "found": 0, "untouched": 0}
    for _ in range(40):
        place_ = chance.randrange(len(good))
        bad = bytearray(good)
        bad[place_] ^= 1 << chance.randrange(8)
        path.write_bytes(bad)
        try:
            with open_ledger(path, create=False) as ledger:
                if not ledger.verify().holds:
                    outcomes["found"] += 1
                    continue
                assert content(ledger) == whole, f"byte {place_}"
                assert [p["serial"] for p in newest_parts(ledger)] == ["P-2", "P-1", "P-3"]
                outcomes["untouched"] += 1
        except LedgerError:
            outcomes["refused"] += 1
    assert outcomes["found"] + outcomes["refused"] >= 5, outcomes


def test_every_flipped_byte_of_a_row_is_found(tmp_path: Path) -> None:
    """A change in the stored text of a reading leaves the database itself sound; only the digest can tell."""
    path = tmp_path / "l.sqlite3"
    with open_ledger(path) as ledger:
        fill(ledger, tmp_path)
    good = path.read_bytes()
    start = good.find(b"0.4625")
    assert start > 0
    for offset in range(6):
        bad = bytearray(good)
        bad[start + offset] ^= 1
        path.write_bytes(bad)
        with open_ledger(path, create=False) as ledger:
            found = ledger.verify()
            assert (found.first_bad, [f for f in found.faults if "damaged" in f]) == (2, [])


def test_every_copy_of_a_text_is_watched_in_indexes_too(tmp_path: Path) -> None:
    """An index that no longer agrees with its table hides a part; the digest of rows alone would not tell."""
    path = tmp_path / "l.sqlite3"
    spec = kit(tmp_path)
    with open_ledger(path) as ledger:
        record(ledger, judged(spec, sheet(tmp_path / "a.csv", {"QX-77": GOOD})), text_of(spec), "bench 2")
    good = path.read_bytes()
    places = [i for i in range(len(good)) if good.startswith(b"QX-77", i)]
    by_index = 0
    for at in places:
        bad = bytearray(good)
        bad[at] ^= 1
        path.write_bytes(bad)
        with open_ledger(path, create=False) as ledger:
            found = ledger.verify()
            assert not found.holds, at
            by_index += found.first_bad == 0
    assert len(places) >= 4  # reading set and inspection, and the index of each
    assert by_index >= 2


def test_rows_of_a_question_are_read_in_one_moment(full: Ledger) -> None:
    with full.reading():
        first = len(full.rows(select(s.ENTRY)))
        with open_ledger(_where(full), create=False, wait_seconds=0.05) as other, contextlib.suppress(LedgerError):
            other.entry("meanwhile", "bench")
        assert len(full.rows(select(s.ENTRY))) == first


def test_what_others_record_while_it_is_verified_is_no_fault(tmp_path: Path) -> None:
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        spec = kit(tmp_path)
        record(ledger, judged(spec, sheet(tmp_path / "a.csv", {"P-1": GOOD})), text_of(spec), "bench 2")
        newest, times = len(ledger.rows(select(s.ENTRY))), 0

        @contextlib.contextmanager
        def reading() -> Iterator[Connection]:
            nonlocal times
            times += 1
            if times == 2:  # how far it is verified was asked the first time
                record(ledger, judged(spec, sheet(tmp_path / "b.csv", {"P-2": GOOD})), text_of(spec), "bench 3")
            with ledger.reading() as connection:
                yield connection

        found = verify(reading)
        assert (found.faults, found.entries) == ((), newest)
        assert len(ledger.rows(select(s.ENTRY))) > newest


def test_a_bench_needs_no_more_than_the_right_to_add(tmp_path: Path) -> None:
    """On a server whose tables belong to somebody else, a bench that may read and insert can record, and no more."""
    with place("postgresql", tmp_path) as where, open_ledger(where) as owner:
        role = "bench_" + where.rpartition("%3D")[2]
        with owner.engine.begin() as connection:
            schema = connection.execute(text("SELECT current_schema()")).scalar()
            connection.exec_driver_sql(f"CREATE ROLE {role} LOGIN")
            connection.exec_driver_sql(f"GRANT USAGE ON SCHEMA {schema} TO {role}")
            connection.exec_driver_sql(f"GRANT SELECT, INSERT ON ALL TABLES IN SCHEMA {schema} TO {role}")
        try:
            scheme, _, rest = where.partition("://")
            with open_ledger(f"{scheme}://{role}@{rest.rpartition('@')[2]}") as bench:
                spec = kit(tmp_path)
                run = judged(spec, sheet(tmp_path / "a.csv", {"P-1": GOOD}))
                record(bench, run, text_of(spec), "bench 2")
                assert bench.verify().holds
                for statement in (
                    "ALTER TABLE tag DISABLE TRIGGER USER", "DROP TABLE withdrawal", "TRUNCATE entry CASCADE",
                    "UPDATE entry SET reason = ''",
                ):  # fmt: skip
                    with pytest.raises(Exception, match=r"must be owner|permission denied"), bench.engine.begin() as c:
                        c.execute(text(statement))
        finally:
            with owner.engine.begin() as connection:
                connection.exec_driver_sql(f"DROP OWNED BY {role}")
                connection.exec_driver_sql(f"DROP ROLE {role}")


def _where(ledger: Ledger) -> str:
    return str(ledger.location.path or ledger.location.url.replace("+psycopg", ""))
