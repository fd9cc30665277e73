"""What makes the tables append-only: triggers that refuse update, delete, replace and truncate, on every table.

SQLite: ``INSERT OR REPLACE`` deletes without firing delete triggers unless ``recursive_triggers`` is on, and a
stranger's connection may have it off; so a trigger before insert refuses a key that is there already. PostgreSQL: a
trigger for each statement also fires for ``ON CONFLICT DO UPDATE`` and for ``TRUNCATE``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import UniqueConstraint, text

from holeqc.ledger.schema import TABLES
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sqlalchemy import Connection, Table

REFUSAL = "the ledger is append-only: write a new entry that names the old one and the reason"
FUNCTION = "holeqc_append_only"


def _keys(table: Table) -> list[list[str]]:
    """Return the sets of columns that are unique in a table, the primary key first."""
    unique = [[c.name for c in u.columns] for u in table.constraints if isinstance(u, UniqueConstraint)]
    return [[c.name for c in table.primary_key.columns], *sorted(unique)]


_STOP = f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"


def replace_guard(table: Table) -> tuple[str, str]:
    """Return the trigger on SQLite that refuses a row whose key is there already: name and statement."""
    name = f"{table.name}_no_replace"
    there = " OR ".join(
        f"EXISTS (SELECT 1 FROM {table.name} WHERE {' AND '.join(f'{c} = NEW.{c}' for c in key)})"
        for key in _keys(table)
    )
    return name, f"CREATE TRIGGER {name} BEFORE INSERT ON {table.name} WHEN {there} {_STOP}"


def sqlite_guards(table: Table) -> dict[str, str]:
    """Return the triggers of one table on SQLite: name -> statement."""
    named = {f"{table.name}_no_{act.lower()}": act for act in ("UPDATE", "DELETE")}
    guards = {name: f"CREATE TRIGGER {name} BEFORE {act} ON {table.name} {_STOP}" for name, act in named.items()}
    return guards | dict([replace_guard(table)])


def postgres_guard(table: Table) -> tuple[str, str]:
    """Return the trigger of one table on PostgreSQL: name and statement."""
    name = f"{table.name}_append_only"
    return name, (
        f"CREATE TRIGGER {name} BEFORE UPDATE OR DELETE OR TRUNCATE ON {table.name} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {FUNCTION}()"
    )


_POSTGRES_BODY = f"BEGIN RAISE EXCEPTION '{REFUSAL}' USING ERRCODE = 'restrict_violation'; END"


def create_guards(connection: Connection, tables: Sequence[Table]) -> None:
    """Put the triggers on tables, and on PostgreSQL make their function where it isn't there yet."""
    if connection.dialect.name == "sqlite":
        for table in tables:
            for statement in sqlite_guards(table).values():
                connection.exec_driver_sql(statement)
        return
    there = text("SELECT 1 FROM pg_proc p JOIN pg_namespace n ON n.oid = p.pronamespace "
                 "WHERE p.proname = :name AND n.nspname = current_schema()")  # fmt: skip
    if connection.execute(there, {"name": FUNCTION}).first() is None:
        connection.exec_driver_sql(
            f"CREATE FUNCTION {FUNCTION}() RETURNS trigger LANGUAGE plpgsql AS $body${_POSTGRES_BODY}$body$"
        )
    for table in tables:
        connection.exec_driver_sql(postgres_guard(table)[1])


def missing_guards(connection: Connection, tables: Sequence[Table] = TABLES) -> list[str]:
    """Return the names of guards that are not there, switched off, or not as they were made; and triggers not ours."""
    if connection.dialect.name == "sqlite":
        wanted = {name: sql for table in tables for name, sql in sqlite_guards(table).items()}
        rows = connection.execute(text("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"))
        found = {str(name): str(sql) for name, sql in rows}
        wrong = [name for name, sql in wanted.items() if found.get(name) != sql]
        return wrong + [f"{name} (not of the ledger)" for name in found if name not in wanted]
    return _missing_on_postgres(connection, tables)


GUARDS_NAMED = 4  #: so many guards that don't stand are named


def guards_sentence(missing: Sequence[str]) -> str:
    """Return in one sentence which guards don't stand, the first few by name; '' where all do."""
    if not missing:
        return ""
    if len(missing) == 1:
        return f"guard {missing[0]} is missing, changed or off"
    more = f" and {len(missing) - GUARDS_NAMED} more" if len(missing) > GUARDS_NAMED else ""
    return f"{len(missing)} guards are missing, changed or off: {', '.join(missing[:GUARDS_NAMED])}{more}"


def refuse_without_guards(connection: Connection, tables: Sequence[Table], shown: str) -> None:
    """Refuse a ledger whose guards don't all stand.

    Raises:
        LedgerError: one is missing, changed or off.
    """
    said = guards_sentence(missing_guards(connection, tables))
    if said:
        raise LedgerError(
            f"ledger {shown}: {said}, so entries could have been changed. Nothing was recorded: holeqc ledger verify "
            "says whether they were; go on with the last copy that holds"
        )


def _missing_on_postgres(connection: Connection, tables: Sequence[Table]) -> list[str]:
    wanted = {postgres_guard(table)[0]: table.name for table in tables}
    # tgtype: bit 0 row, 1 before, 2 insert, 3 delete, 4 update, 5 truncate
    rows = connection.execute(text(
        "SELECT t.tgname, c.relname, CAST(t.tgenabled AS text), t.tgtype, p.proname, p.prosrc FROM pg_trigger t "
        "JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_namespace n ON n.oid = c.relnamespace "
        "JOIN pg_proc p ON p.oid = t.tgfoid WHERE NOT t.tgisinternal AND n.nspname = current_schema()"
    ))  # fmt: skip
    good, strange = set(), []
    for name, table, enabled, kind, function, body in rows:
        if wanted.get(name) != table:
            strange.append(f"{name} (not of the ledger)")
        elif enabled in {"O", "A"} and (kind, function, body) == (0b111010, FUNCTION, _POSTGRES_BODY):
            good.add(name)
    return [name for name in wanted if name not in good] + strange
