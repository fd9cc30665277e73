"""What is recorded, and comes back, on SQLite and, where a server is there, on PostgreSQL.

The second route for readings and verdicts is reading and judging the files themselves: no outside source applies.
"""

from __future__ import annotations

import datetime as dt
import math
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from runs import GOOD, LARGE, content, judged, kit, sheet, text_of
from sqlalchemy import select

import holeqc
from holeqc.inspection.recheck import inspect
from holeqc.ledger import schema as s
from holeqc.ledger.ledger import Ledger
from holeqc.ledger.read_back import Filter, columns_of_readings, recorded_readings
from holeqc.ledger.recording import KNOWN, NEW, REVISION, differences, record
from holeqc.ledger.stories import newest_parts, part_story
from holeqc.problems import LedgerError
from holeqc.readings.read import read_files
from holeqc.specification.load import load_specification

ROOT = Path(__file__).resolve().parents[2]
NOON = dt.datetime(2026, 11, 3, 12, 30, 0, 250, tzinfo=dt.timezone(dt.timedelta(hours=-5, minutes=-30)))


def same(left: pd.DataFrame, right: pd.DataFrame) -> None:
    """Fail where two frames differ in anything but categories that no row uses."""
    pd.testing.assert_frame_equal(left, right, check_categorical=False)


def test_everything_is_kept_with_rule_tool_and_moment(ledger: Ledger, tmp_path: Path) -> None:
    spec = kit(tmp_path, more='[decision]\nrule = "guarded"\n')
    path = sheet(tmp_path / "a.csv", {"P-1": GOOD, "P-2": LARGE})
    done = record(ledger, judged(spec, path), text_of(spec), "bench 2", NOON)
    assert (done.first, done.last) == (1, 3)
    entries = ledger.rows(select(s.ENTRY).order_by(s.ENTRY.c.seq))
    assert [e["kind"] for e in entries] == ["specification", "readings", "inspection"]
    # 12:30 at five and a half hours west of Greenwich is 18:00 in Greenwich
    assert {(e["at"], e["offset_minutes"], e["made_by"]) for e in entries} == {
        ("2026-11-03T18:00:00.000250Z", -330, "bench 2")
    }  # fmt: skip
    (text,) = ledger.rows(select(s.SPECIFICATION))
    assert (text["content"], text["digest"], text["revision"]) == (text_of(spec), spec.digest, "A")
    first, second = newest_parts(ledger)
    assert [(p["serial"], p["verdict"], p["rule"], p["tool"]) for p in (first, second)] == [
        ("P-1", "hold", "guarded", holeqc.__version__),  # the kit names no gauge: U isn't known
        ("P-2", "hold", "guarded", holeqc.__version__),
    ]
    story = part_story(ledger, "P-2")
    (inspection,) = story.inspections
    assert [(h["hole"], h["largest"]) for h in inspection.holes] == [("1", 0.458), ("2", 0.4625)]
    worst = next(c for c in inspection.characteristics if c["hole"] == "2")
    (reading,) = ledger.rows(
        select(s.READING).where(s.READING.c.set_id == worst["set_id"], s.READING.c.line == worst["reading_line"])
    )
    # line 5 of the sheet, fifth column: hole 2 of P-2, dia 0
    assert (reading["typed"], reading["row_no"], reading["column_no"]) == ("0.4625", 5, 5)
    assert ledger.verify().holds


def test_samples_come_back_as_the_files_give_them(ledger: Ledger) -> None:
    spec = load_specification(ROOT / "tolerances" / "bl7.toml")
    paths = sorted((ROOT / "sample_measurements").glob("bl7_?-*"))
    assert len(paths) >= 6
    run = judged(spec, *paths)
    record(ledger, run, text_of(spec), "bench 2")
    found, back = recorded_readings(ledger)
    same(back.table, run.readings.table)
    assert set(back.problems) == set(run.readings.problems)
    again = inspect(found, back)
    for name in ("parts", "holes", "characteristics", "pins"):
        same(getattr(again, name), getattr(run, name))
    one = recorded_readings(ledger, Filter(serials=("P-0109",)))[1].table
    same(one, read_files([p for p in paths if "P-0109" in p.name], spec).table)
    columns = columns_of_readings(ledger, ["serial", "value"], Filter(characteristics=("diameter",), holes=("3",)))
    chosen = run.readings.table.query("characteristic == 'diameter' and hole == '3'")[["serial", "value"]]
    same(columns, chosen.reset_index(drop=True))
    rejected = [str(x) for x in run.parts.loc[run.parts["verdict"] == 2, "serial"]]
    assert [p["serial"] for p in newest_parts(ledger, Filter(verdict="reject"))] == rejected


def test_the_same_file_twice_adds_nothing(ledger: Ledger, tmp_path: Path) -> None:
    spec = kit(tmp_path)
    path = sheet(tmp_path / "a.csv", {"P-1": GOOD})
    record(ledger, judged(spec, path), text_of(spec), "bench 2")
    before = content(ledger)
    renamed = path.rename(tmp_path / "b.csv")
    done = record(ledger, judged(spec, renamed), text_of(spec), "bench 3")
    assert not done.added
    assert [f.status for f in done.files] == [KNOWN]
    assert "nothing was added" in done.notes[0]
    assert content(ledger) == before


def test_a_changed_file_is_a_revision_with_its_differences(ledger: Ledger, tmp_path: Path) -> None:
    spec = kit(tmp_path)
    path = tmp_path / "a.csv"
    record(ledger, judged(spec, sheet(path, {"P-1": LARGE, "P-2": GOOD})), text_of(spec), "bench 2")
    changed = {"P-1": {"1": (0.457, None), "2": (0.4615, 0.460)}, "P-2": GOOD, "P-3": {"1": (0.456, None)}}
    done = record(ledger, judged(spec, sheet(path, changed)), text_of(spec), "bench 2")
    (file,) = done.files
    assert (file.status, file.replaces) == (REVISION, 1)
    entry = ledger.rows(select(s.ENTRY).where(s.ENTRY.c.seq == file.entry))[0]
    assert (entry["replaces"], entry["reason"]) == (2, "the file a.csv was changed")
    found = {(c.cell, c.before, c.after) for c in differences(ledger, file.file_id)}
    # by the sheet: line 2 is hole 1 of P-1, line 3 hole 2; columns E and F the diameters; line 6 is new
    assert found == {("F2", "0.4580", None), ("E3", "0.4625", "0.4615"), ("E6", None, "0.4560")}
    notes = [note.removeprefix(f"{path}: ") for note in done.notes]
    assert notes == [
        "1 part reads as on record (P-2): its verdict, tags and approval stay as they are",
        "a new revision of the file of entry 2; 3 cells differ", "F2: removed '0.4580' (P-1 hole 1 diameter)",
        "E3: '0.4625' became '0.4615' (P-1 hole 2 diameter)", "E6: added '0.4560' (P-3 hole 1 diameter)",
    ]  # fmt: skip
    same(recorded_readings(ledger)[1].table, read_files([path], spec).table)
    assert len(recorded_readings(ledger, Filter(replaced=True))[1].table) == 8 + 8
    follows = {p["serial"]: p["follows"] for p in newest_parts(ledger)}
    assert follows == {"P-1": 1, "P-2": None, "P-3": None}, "P-2 reads as before"
    assert [i.row["verdict"] for i in part_story(ledger, "P-1").inspections] == ["reject", "hold"]
    assert {p["serial"]: p["rests_on_replaced"] for p in newest_parts(ledger)} == {"P-1": 0, "P-2": 0, "P-3": 0}
    old = judged(spec, sheet(path, {"P-1": LARGE, "P-2": GOOD}))
    again = record(ledger, old, text_of(spec), "bench 2")
    assert not again.added
    assert f"replaced by entry {file.entry}" in again.notes[0]
    back = record(ledger, old, text_of(spec), "bench 2", replaces=file.entry)
    assert [f.status for f in back.files] == [REVISION]
    assert "P-3" in back.notes[0]
    assert {p["serial"]: p["rests_on_replaced"] for p in newest_parts(ledger)} == {"P-1": 0, "P-2": 0, "P-3": 1}
    same(recorded_readings(ledger)[1].table, read_files([path], spec).table)
    assert ledger.verify().holds


def test_one_name_for_other_parts_replaces_nothing(ledger: Ledger, tmp_path: Path) -> None:
    spec = kit(tmp_path)
    path = tmp_path / "today.csv"
    record(ledger, judged(spec, sheet(path, {"P-1": GOOD})), text_of(spec), "bench 2")
    done = record(ledger, judged(spec, sheet(path, {"P-2": GOOD})), text_of(spec), "bench 2")
    assert [f.status for f in done.files] == [NEW]
    assert "P-1" in " ".join(done.notes)
    assert set(recorded_readings(ledger)[1].table["serial"]) == {"P-1", "P-2"}
    for wrong, why in ((1, "entry 1 recorded no file"), (77, "there is no entry 77")):  # the kit's own entry, and none
        with pytest.raises(LedgerError, match=why):
            record(ledger, judged(spec, sheet(path, {"P-3": GOOD})), text_of(spec), "bench 2", replaces=wrong)
        with pytest.raises(LedgerError, match=why):  # of a sheet that is on record, too
            record(ledger, judged(spec, sheet(path, {"P-2": GOOD})), text_of(spec), "bench 2", replaces=wrong)
    record(ledger, judged(spec, sheet(path, {"P-3": GOOD})), text_of(spec), "bench 2", replaces=done.files[0].entry)
    assert set(recorded_readings(ledger)[1].table["serial"]) == {"P-1", "P-3"}


def test_a_new_kit_revision_judges_anew_and_counts_readings_once(ledger: Ledger, tmp_path: Path) -> None:
    path = sheet(tmp_path / "a.csv", {"P-1": LARGE})
    old = kit(tmp_path)
    record(ledger, judged(old, path), text_of(old), "bench 2")
    new = kit(tmp_path, "B", "[rounding]\nmethod = 'absolute'\n")
    done = record(ledger, judged(new, path), text_of(new), "bench 2")
    assert [f.status for f in done.files] == [REVISION]
    assert len(recorded_readings(ledger)[1].table) == 4
    assert len(recorded_readings(ledger, Filter(revision="A"))[1].table) == 4
    assert [p["revision"] for p in newest_parts(ledger)] == ["B"]
    edited = kit(tmp_path, "B", "[rounding]\nmethod = 'rounding'\n")
    notes = record(ledger, judged(edited, path), text_of(edited), "bench 2").notes
    assert any("without a new revision" in note for note in notes)
    assert len(ledger.rows(select(s.SPECIFICATION))) == 3


def test_two_benches_measure_one_serial(ledger: Ledger, tmp_path: Path) -> None:
    spec = kit(tmp_path)
    first = sheet(tmp_path / "bench_1.csv", {"P-1": GOOD, "P-9": GOOD})
    second = sheet(tmp_path / "bench_2.csv", {"P-1": {"1": (0.4571, 0.4581), "2": (0.4591, 0.4601)}})
    record(ledger, judged(spec, first), text_of(spec), "bench 1")
    record(ledger, judged(spec, second), text_of(spec), "bench 2")
    both = part_story(ledger, "P-1").inspections
    assert [(i.row["made_by"], i.row["follows"]) for i in both] == [("bench 1", None), ("bench 2", both[0].row["id"])]
    # together they are what the two files read in one run are, the repeats numbered on
    together = read_files([first, second], spec).table
    same(recorded_readings(ledger)[1].table.drop(columns="doubt"), together.drop(columns="doubt"))
    assert sorted(set(recorded_readings(ledger)[1].table["trial"])) == [1, 2]
    for measured, typed in (("first", "0.4570"), ("last", "0.4571")):
        table = recorded_readings(ledger, Filter(serials=("P-1",), measured=measured))[1].table
        assert (len(table), table["typed"].iloc[0]) == (4, typed)


def test_problems_come_back_with_the_parts_they_speak_of(ledger: Ledger, tmp_path: Path) -> None:
    spec = kit(tmp_path)
    slips = {"P-1": {"1": (0.457, 4.58)}, "P-2": {"2": (0.0459, 0.460)}}  # a factor of ten each
    run = judged(spec, sheet(tmp_path / "a.csv", slips))
    record(ledger, run, text_of(spec), "bench 2")
    assert {"P-1", "P-2"} <= {p.serial for p in run.readings.problems}
    for serial in slips:
        back = recorded_readings(ledger, Filter(serials=(serial,)))[1].problems
        assert back == tuple(p for p in run.readings.problems if p.serial in {serial, ""})
        kept = {(p["code"], p["stage"]) for p in part_story(ledger, serial).problems}
        assert kept == {(p.code, "reading") for p in run.readings.problems if p.serial == serial} | {
            (p.code, "judging") for p in run.problems[len(run.readings.problems) :] if p.serial == serial
        }


def test_days_limit_readings_and_parts(ledger: Ledger, tmp_path: Path) -> None:
    spec = kit(tmp_path)
    for number, day in enumerate(("2026-01-15", "2026-02-15", "2026-03-15")):
        path = sheet(tmp_path / f"{number}.csv", {f"P-{number}": GOOD}, day=day)
        record(ledger, judged(spec, path), text_of(spec), "bench 2")
    wanted = Filter(since=dt.date(2026, 2, 15), until=dt.date(2026, 3, 14))
    assert set(recorded_readings(ledger, wanted)[1].table["serial"]) == {"P-1"}
    assert [p["serial"] for p in newest_parts(ledger, wanted)] == ["P-1"]
    assert [p["serial"] for p in newest_parts(ledger, Filter(fixture="DF-2", since=dt.date(2026, 2, 15)))] == [
        "P-1",
        "P-2",
    ]
    assert newest_parts(ledger, Filter(fixture="DF-3")) == []


EVIL = "Robert'); DROP TABLE entry;-- \" %s %(x)s ? :y \\ \t ü ∅ 💥"


def test_sql_in_any_text_is_only_text(ledger: Ledger, tmp_path: Path) -> None:
    spec = kit(tmp_path)
    quoted = '"' + EVIL.replace('"', '""') + '"'
    path = sheet(tmp_path / "x'; DROP TABLE reading;--.csv", {quoted: GOOD}, note=quoted)
    done = record(ledger, judged(spec, path), text_of(spec), EVIL, NOON)
    ((part, serial),) = done.inspections
    assert part_story(ledger, serial).inspections[0].row["made_by"] == EVIL
    table = recorded_readings(ledger, Filter(serials=(serial,), part=part))[1].table
    assert set(table["note"]) == set(read_files([path], spec).table["note"])
    assert "DROP TABLE" in str(table["note"].iloc[0])
    entry = ledger.entry(EVIL, EVIL, {"fixture_event": [
        {"fixture": EVIL, "event": "checked", "day": "2026-01-02", "bushing": EVIL, "note": EVIL}
    ]}, reason=EVIL)  # fmt: skip
    (row,) = ledger.rows(select(s.FIXTURE_EVENT).where(s.FIXTURE_EVENT.c.fixture == EVIL))
    assert (row["note"], row["entry"]) == (EVIL, entry.seq)
    assert ledger.rows(select(s.ENTRY.c.reason).where(s.ENTRY.c.seq == entry.seq)) == [{"reason": EVIL}]
    assert ledger.verify().holds


def test_what_a_database_can_not_keep_is_shown_instead(ledger: Ledger) -> None:
    ledger.entry("check", "bench", {"gauge_calibration": [{
        "gauge": "a\x00b\ud800", "result": "in tolerance", "day": dt.date(2026, 1, 2), "error": -0.0,
        "uncertainty": math.nan,
    }]})  # fmt: skip
    (row,) = ledger.rows(select(s.GAUGE_CALIBRATION))
    assert (row["gauge"], row["day"], row["uncertainty"]) == ("a␀b\\ud800", "2026-01-02", None)
    assert math.copysign(1.0, row["error"]) == 1.0
    assert ledger.verify().holds


def test_refusals_leave_nothing(ledger: Ledger, tmp_path: Path) -> None:
    spec = kit(tmp_path)
    run = judged(spec, sheet(tmp_path / "a.csv", {"P-1": GOOD}))
    for work, words in (
        (lambda: record(ledger, run, text_of(spec) + "#", "bench"), "changed after it was read"),
        (lambda: record(ledger, run, text_of(spec), "  "), "who records"),
        (lambda: ledger.entry("x", "y", {"nothing": [{}]}), "no table"),
        (lambda: ledger.entry("x", "y", {"tag": [{"colour": 1}]}), "no column"),
        (lambda: ledger.entry("x", "y", replaces=1), "its reason"),
        (lambda: ledger.entry("x", "y", {"fixture_event": [{"fixture": "f", "event": "y", "day": ""}]}), "(?i)check"),
        (lambda: ledger.entry("x", "y", {"approval": [{"inspection_id": 77}]}), "(?i)foreign key"),
    ):
        with pytest.raises(LedgerError, match=words):
            work()
        assert ledger.head()[0] == 0
        assert not any(content(ledger).values())


def test_a_transaction_is_whole_or_not_there(ledger: Ledger) -> None:
    def write(fail: bool) -> None:
        with ledger.transaction(), ledger.transaction():
            ledger.entry("one", "bench")
            assert ledger.head()[0] == len(ledger.rows(select(s.ENTRY)))
            ledger.entry("two", "bench")
            if fail:
                raise RuntimeError("stopped")

    write(False)
    with pytest.raises(RuntimeError):
        write(True)
    assert [e["kind"] for e in ledger.rows(select(s.ENTRY).order_by(s.ENTRY.c.seq))] == ["one", "two"]


def test_entries_keep_their_order_and_one_before_the_newest_is_refused(ledger: Ledger) -> None:
    ledger.entry("day 5", "bench", when=dt.datetime(2026, 1, 5, tzinfo=dt.UTC))
    with pytest.raises(LedgerError, match="before the newest entry"):
        ledger.entry("day 3", "bench", when=dt.datetime(2026, 1, 3, tzinfo=dt.UTC))
    ledger.entry("day 6", "bench", when=dt.datetime(2026, 1, 6, tzinfo=dt.UTC))
    assert ledger.verify().notes == ()
    assert [e["kind"] for e in ledger.rows(select(s.ENTRY).order_by(s.ENTRY.c.seq))] == ["day 5", "day 6"]


def test_recording_loads_nothing_that_draws(tmp_path: Path) -> None:
    spec = kit(tmp_path)
    file = sheet(tmp_path / "a.csv", {"P-1": LARGE})
    code = (
        "import sys\n"
        "from holeqc.answers.check import record_run\n"
        "from holeqc.inspection.recheck import inspect\n"
        "from holeqc.ledger import open_ledger\n"
        "from holeqc.readings.read import read_files\n"
        "from holeqc.specification.load import load_specification\n"
        "spec = load_specification(sys.argv[1])\n"
        "with open_ledger(sys.argv[3]) as ledger:\n"
        "    run = record_run(ledger, inspect(spec, read_files([sys.argv[2]], spec)), 'bench 2')\n"
        "assert len(run.tags) == 1\n"
        "print([m for m in sys.modules if m.startswith('holeqc.reports') or m in ('matplotlib', 'openpyxl')])\n"
    )
    given = [spec.path, str(file), str(tmp_path / "l.sqlite3")]
    done = subprocess.run([sys.executable, "-c", code, *given], capture_output=True, text=True, cwd=ROOT)
    assert (done.stdout, done.returncode) == ("[]\n", 0), done.stderr
