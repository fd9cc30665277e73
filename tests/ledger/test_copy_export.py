"""Copies and tables out of the ledger, and their commands.

A copy must be the same rows (compared here table by table); an export what the frame in memory is.
"""

from __future__ import annotations

import csv
import datetime as dt
import json
from pathlib import Path

import pandas as pd
import pytest
from openpyxl import load_workbook
from runs import GOOD, LARGE, content, judged, kit, sheet, text_of
from shop import place

from holeqc.commands import ledger as commands
from holeqc.ledger import open_ledger
from holeqc.ledger.ledger import Ledger, copy
from holeqc.ledger.read_back import Filter, recorded_readings
from holeqc.ledger.recording import record
from holeqc.ledger.stories import as_frame, export, newest_parts, part_story, summary
from holeqc.problems import LedgerError
from holeqc.reports.workbook import write_table
from holeqc.specification.load import load_specification


def fill(ledger: Ledger, folder: Path) -> None:
    """Record three files, one of them a revision, and an event."""
    spec = kit(folder)
    for number, (name, parts) in enumerate((
        ("a.csv", {"P-1": LARGE, "=1+1": GOOD}), ("b.csv", {"P-2": {"1": (0.457, None)}}), ("a.csv", {"P-1": GOOD}),
    )):  # fmt: skip
        path = sheet(folder / name, parts, day=f"2026-11-0{number + 1}", note="@home" if number else "")
        record(ledger, judged(spec, path), text_of(spec), "bench 2")
    event = {"fixture": "DF-2", "event": "checked", "day": "2026-11-04"}
    ledger.entry("fixture", "engineer", {"fixture_event": [event]})


WAYS = [("sqlite", "sqlite"), ("sqlite", "postgresql"), ("postgresql", "sqlite")]


@pytest.mark.parametrize(("first", "second"), WAYS)
def test_a_copy_for_safe_keeping_is_the_same_and_grows_on(first: str, second: str, tmp_path: Path) -> None:
    folders = tmp_path / "one", tmp_path / "two"
    for folder in folders:
        folder.mkdir()
    with place(first, folders[0]) as here, place(second, folders[1]) as there, open_ledger(here) as ledger:
        fill(ledger, folders[0])
        with open_ledger(there, like=ledger) as other:
            done = copy(ledger, other, keep_open=True)
            assert (done.entries, (done.entries_in_all, done.head)) == (ledger.head()[0], ledger.head())
            assert content(other) == content(ledger)
            assert done.counts == {name: len(rows) for name, rows in content(ledger).items()}
            assert copy(ledger, other, keep_open=True).entries == 0
            spec = kit(folders[0])
            run = judged(spec, sheet(folders[0] / "b.csv", {"P-2": GOOD}))
            record(ledger, run, text_of(spec), "bench 2")
            assert copy(ledger, other, keep_open=True).entries == 2
            assert content(other) == content(ledger)
            assert other.verify(ledger.head()).holds
            other.entry("other", "bench 3")
            ledger.entry("another", "bench 2")
            before = content(other)
            with pytest.raises(LedgerError, match="not those of"):
                copy(ledger, other, "engineer")
            assert content(other) == before
            ledger.entry("another", "bench 2")  # still open


@pytest.mark.parametrize(("first", "second"), WAYS)
def test_the_old_place_of_a_ledger_that_moved_takes_no_more(first: str, second: str, tmp_path: Path) -> None:
    folders = tmp_path / "one", tmp_path / "two"
    for folder in folders:
        folder.mkdir()
    with place(first, folders[0]) as here, place(second, folders[1]) as there, open_ledger(here) as ledger:
        fill(ledger, folders[0])
        with open_ledger(there) as other:
            with pytest.raises(LedgerError, match="say who"):
                copy(ledger, other)
            done = copy(ledger, other, "engineer")
            assert done.closed == ledger.head()[0]
            for _ in range(2):
                head = ledger.head()
                with pytest.raises(LedgerError) as caught:
                    ledger.entry("more", "bench 2")
                assert f"closed: since entry {done.closed} it goes on in {other.location.shown}" in str(caught.value)
                assert ledger.head() == head
                copy(ledger, other, "engineer")  # once more changes nothing
            other.entry("more", "bench 2")
            assert other.verify(head).holds
            assert ledger.verify().holds
            back = copy(other, ledger, "engineer")  # and back again: the old place goes on
            assert back.closed == other.head()[0]
            ledger.entry("more", "bench 2")
            assert ledger.verify().holds
            with pytest.raises(LedgerError, match="closed"):
                other.entry("more", "bench 2")


def test_a_ledger_that_does_not_hold_is_not_copied(tmp_path: Path) -> None:
    with open_ledger(tmp_path / "l.sqlite3") as ledger, open_ledger(tmp_path / "c.sqlite3") as other:
        fill(ledger, tmp_path)
        with ledger.engine.begin() as connection:
            connection.exec_driver_sql("DROP TRIGGER reading_no_update")
            connection.exec_driver_sql("UPDATE reading SET note = 'other' WHERE set_id = 1")
        with pytest.raises(LedgerError, match=r"doesn't hold and is not copied: entry 2: .*; guard "):
            copy(ledger, other)
        assert other.head()[0] == 0


def test_exports_are_what_the_frames_are(ledger: Ledger, tmp_path: Path) -> None:
    fill(ledger, tmp_path)
    frame = as_frame(ledger, wanted=Filter(characteristics=("diameter",)))
    # P-1 by its newer file: 4 readings; =1+1 stands in the older file only, which was replaced; P-2: 1
    assert frame.groupby("serial", observed=True).size().to_dict() == {"P-1": 4, "P-2": 1}
    assert export(ledger, tmp_path / "all.csv", wanted=Filter(replaced=True)) == 4 + 4 + 1 + 4
    with (tmp_path / "all.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["serial"] for row in rows} == {"P-1", "P-2", "'=1+1"}
    assert {row["note"] for row in rows} == {"", "'@home"}
    assert [float(row["value"]) for row in rows] == list(
        recorded_readings(ledger, Filter(replaced=True))[1].table["value"]
    )
    assert rows[0]["date"] == "2026-11-01"
    pytest.importorskip("pyarrow")
    assert export(ledger, tmp_path / "d.parquet", wanted=Filter(characteristics=("diameter",))) == 5
    back = pd.read_parquet(tmp_path / "d.parquet")
    pd.testing.assert_frame_equal(back.astype(object), frame.astype(object), check_dtype=False)
    for name, count in (("parts", 3), ("holes", 3 * 2), ("entries", ledger.head()[0])):
        assert export(ledger, tmp_path / f"{name}.csv", name) == count
    wrong = as_frame(ledger, "characteristics")
    assert set(wrong["serial"]) == {"P-2"}  # dia 90 of its hole 1 and all of its hole 2 are missing
    assert not list(tmp_path.glob(".*"))
    for name, what, words in (("x.xls", "readings", "give .csv or .parquet or .xlsx"), ("x.csv", "all", "'all'")):
        with pytest.raises(LedgerError, match=words):
            export(ledger, tmp_path / name, what)
        assert not (tmp_path / name).exists()


def test_several_kits_must_be_named_apart(ledger: Ledger, tmp_path: Path) -> None:
    fill(ledger, tmp_path)
    other = tmp_path / "other"
    other.mkdir()
    path = other / "k3.toml"
    path.write_text(text_of(kit(other)).replace('"K2"', '"K3"'), encoding="utf-8")
    spec = load_specification(path)
    record(ledger, judged(spec, sheet(other / "a.csv", {"P-1": LARGE})), text_of(spec), "bench 2")
    with pytest.raises(LedgerError, match=r"several kits \(K2, K3\); name one"):
        recorded_readings(ledger)
    assert len(recorded_readings(ledger, Filter(kit="K3"))[1].table) == 4
    both = as_frame(ledger)
    assert both.groupby("kit").size().to_dict() == {"K2": len(as_frame(ledger, wanted=Filter(kit="K2"))), "K3": 4}
    export(ledger, tmp_path / "both.xlsx", book=write_table)
    book = load_workbook(tmp_path / "both.xlsx")["readings"]
    rows = list(book.iter_rows(values_only=True))
    assert rows[0] == tuple(both.columns)
    assert len(rows) == 1 + len(both)
    column = {name: n for n, name in enumerate(rows[0])}
    assert [row[column["value"]] for row in rows[1:]] == [None if v != v else v for v in both["value"]]
    assert {row[column["kit"]] for row in rows[1:]} == {"K2", "K3"}
    assert rows[1][column["date"]].date() == both["date"].iloc[0].date()
    notes = [c for row in book.iter_rows(min_row=2) for c in row if c.value == "@home"]
    assert all(c.data_type == "s" for c in notes)
    with pytest.raises(LedgerError, match="recorded kits: K2 A, K3 A"):
        recorded_readings(ledger, Filter(kit="K4"))
    assert [(p["kit"], p["verdict"]) for p in newest_parts(ledger, Filter(serials=("P-1",)))] == [
        ("K2", "accept"), ("K3", "reject"),
    ]  # fmt: skip
    assert len(part_story(ledger, "P-1").inspections) == 3
    assert len(part_story(ledger, "P-1", kit="K3").inspections) == 1
    counted = summary(ledger)
    assert counted.kits == (("K2", "A", 3), ("K3", "A", 1))
    assert (counted.files, counted.readings, counted.parts) == (4, 8 + 1 + 4 + 4, 4)
    assert counted.verdicts == {"accept": 2, "hold": 1, "reject": 1}


@pytest.fixture
def shop_ledger(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give the place of a filled ledger, named by the environment."""
    path = tmp_path / "shop.sqlite3"
    with open_ledger(path) as ledger:
        fill(ledger, tmp_path)
    monkeypatch.setenv("HOLEQC_LEDGER", str(path))
    return path


def code_of(function: object, **options: object) -> int:
    """Call a command and return its exit code."""
    import typer

    try:
        function(**options)  # type: ignore[operator]
    except typer.Exit as leave:
        return int(leave.exit_code)
    return 0


def test_verify_says_whether_it_holds(shop_ledger: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert code_of(commands.verify) == 0
    said = capsys.readouterr().out
    assert f"{shop_ledger}: holds; 8 entries" in said
    noted = said.strip().splitlines()[-1].removeprefix("newest entry ")
    assert code_of(commands.verify, expect=noted, json_=True) == 0
    assert json.loads(capsys.readouterr().out)["head"] == noted.partition(":")[2]
    with pytest.raises(LedgerError, match="write NUMBER:HASH"):
        code_of(commands.verify, expect="3:abc")
    with open_ledger(shop_ledger) as ledger, ledger.engine.begin() as connection:
        connection.exec_driver_sql("DROP TRIGGER entry_no_update")
        connection.exec_driver_sql("UPDATE entry SET made_by = 'another' WHERE seq = 4")
    assert code_of(commands.verify) == 2
    said = capsys.readouterr().out
    assert "FAULT  guard entry_no_update is missing" in said
    assert "the first entry that doesn't hold is 4; 3 entries before it hold" in said
    assert code_of(commands.verify, expect=f"99:{'0' * 64}") == 2
    assert "before it hold" in capsys.readouterr().out
    assert code_of(commands.verify, json_=True) == 2
    assert json.loads(capsys.readouterr().out)["first_bad"] == 4


def test_the_other_commands(shop_ledger: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert code_of(commands.info) == 0
    said = capsys.readouterr().out
    assert "3 files, 13 readings" in said
    assert "3 parts: accept 2, hold 1, reject 0" in said
    assert code_of(commands.copy, source=str(shop_ledger), target=str(tmp_path / "copy.sqlite3"), by="engineer") == 0
    said = capsys.readouterr().out
    assert "9 entries and" in said
    assert "is closed by entry 9; the record goes on in" in said
    out = tmp_path / "sizes.csv"
    assert code_of(commands.export, out=out, since="2026-11-02", serial=["P-2"]) == 0
    assert capsys.readouterr().out == f"{out}: 1 row of readings\n"
    with pytest.raises(LedgerError, match="--since '2026-13-01' is no day"):
        code_of(commands.export, out=out, since="2026-13-01")
    with pytest.raises(LedgerError, match="verdict 'good' is none"):
        code_of(commands.export, out=out, verdict="good")
    assert Filter(since=dt.date(2026, 11, 2)).measured == "all"
