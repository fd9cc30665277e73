"""The report folder: complete or untouched, ours or refused, names never from a sheet."""

from __future__ import annotations

import datetime as dt
import errno
import json
import re
from pathlib import Path

import made_up
import pytest

from holeqc import writer
from holeqc.__main__ import run
from holeqc.inspection.results import Inspection
from holeqc.problems import HoleQCError
from holeqc.reports.data import as_data
from holeqc.reports.write import NAMES, write_reports

ALL = {*NAMES, "qif"}


def names_in(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_all_files_are_written_and_returned(one: Inspection, tmp_path: Path) -> None:
    paths = write_reports(one, tmp_path / "new" / "out")
    assert [path.name for path in paths][: len(NAMES)] == list(NAMES)
    assert {path.parent.name for path in paths[len(NAMES) :]} == {"qif"}
    assert all(path.stat().st_size > 0 for path in paths)
    assert names_in(tmp_path / "new") == {"out"}


def test_no_tag_pages_without_a_tag(clean: Inspection, tmp_path: Path) -> None:
    write_reports(clean, tmp_path / "out")
    assert names_in(tmp_path / "out") == ALL - {"tags.pdf"}


def test_a_brief_report_has_a_line_for_each_part_and_the_day(many: Inspection, tmp_path: Path) -> None:
    write_reports(many, tmp_path / "out", brief=True, made=dt.date(2026, 11, 30))
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert 'id="part-1"' not in page
    assert "Signed by, licence, date" in page
    assert " of 2026-11-30" in page
    write_reports(many, tmp_path / "out", made=dt.date(2026, 11, 30))
    assert page != (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_brief_is_of_the_report(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", "k.toml", "x.csv", "--brief"]) == 2
    assert "add --out FOLDER" in capsys.readouterr().err


def test_verdicts_json_is_the_json_content(many: Inspection, tmp_path: Path) -> None:
    write_reports(many, tmp_path / "out")
    assert json.loads((tmp_path / "out" / "verdicts.json").read_text(encoding="utf-8")) == as_data(many)


def test_the_same_run_gives_the_same_bytes_in_every_file(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_reports(made_up.inspection(problems=made_up.PROBLEMS), tmp_path / name)
    assert contents(tmp_path / "a") == contents(tmp_path / "b")


@pytest.mark.parametrize("serial", ["../../x", "/etc/passwd", "a\x00b", "..\\x", "CON", "x" * 400])
def test_a_serial_never_becomes_a_file_name(serial: str, tmp_path: Path) -> None:
    write_reports(made_up.inspection(((serial, serial, made_up.BAD),)), tmp_path / "deep" / "out")
    assert names_in(tmp_path) == {"deep"}
    assert names_in(tmp_path / "deep") == {"out"}
    assert names_in(tmp_path / "deep" / "out") == ALL
    (name,) = names_in(tmp_path / "deep" / "out" / "qif")
    assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,80}\.qif", name)
    assert not name.upper().startswith("CON.")


def test_an_earlier_report_is_replaced(one: Inspection, clean: Inspection, tmp_path: Path) -> None:
    write_reports(one, tmp_path / "out")
    write_reports(clean, tmp_path / "out")
    assert not (tmp_path / "out" / "tags.pdf").exists()
    assert "S-0001" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert names_in(tmp_path) == {"out"}


def test_an_empty_folder_is_taken(one: Inspection, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    write_reports(one, tmp_path / "out")
    assert names_in(tmp_path / "out") == ALL


@pytest.mark.parametrize("name", ["notes.txt", "Report.html", ".~lock.evaluated.xlsx#"])
def test_a_folder_with_other_files_is_refused_and_untouched(name: str, one: Inspection, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    write_reports(one, folder)
    (folder / name).write_text("mine")
    before = contents(folder)
    with pytest.raises(HoleQCError, match="no report into") as caught:
        write_reports(one, folder)
    assert name in caught.value.problems[0].found
    assert "nothing was changed" in caught.value.problems[0].action
    assert contents(folder) == before


def test_files_of_ours_by_name_only_are_refused(one: Inspection, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "report.html").write_text("somebody's own")
    with pytest.raises(HoleQCError, match="not all written by holeqc"):
        write_reports(one, folder)
    assert (folder / "report.html").read_text() == "somebody's own"


def test_a_file_in_the_place_of_the_folder_is_refused(one: Inspection, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("x")
    with pytest.raises(HoleQCError, match="it is a file"):
        write_reports(one, tmp_path / "out")


@pytest.mark.parametrize("at", ["pages.pdf_report", "workbook.write_workbook", "tags.tag_pages", "data.tail"])
def test_a_full_disk_leaves_the_old_report_and_nothing_half_written(
    at: str, one: Inspection, clean: Inspection, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_reports(clean, tmp_path / "out")
    before = contents(tmp_path / "out")

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(f"holeqc.reports.{at}", full)
    with pytest.raises(HoleQCError, match=r"can't be written into .*: No space left on device"):
        write_reports(one, tmp_path / "out")
    assert contents(tmp_path / "out") == before
    assert names_in(tmp_path) == {"out"}


def test_a_failed_swap_puts_the_old_report_back(
    one: Inspection, clean: Inspection, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_reports(clean, tmp_path / "out")

    class Refusing(writer.Disk):
        def exchange(self, one: Path, other: Path) -> bool:
            return False  # an older system

        def move(self, source: Path, target: Path) -> None:
            if source.suffix == ".part":
                raise OSError(errno.EIO, "Input/output error")
            super().move(source, target)

    monkeypatch.setattr(writer, "disk", Refusing())
    with pytest.raises(HoleQCError, match="Input/output error"):
        write_reports(one, tmp_path / "out")
    assert "S-0001" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert names_in(tmp_path) == {"out"}


def test_an_interruption_leaves_nothing_behind(
    one: Inspection, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("holeqc.reports.tags.tag_pages", stop)
    with pytest.raises(KeyboardInterrupt):
        write_reports(one, tmp_path / "out")
    assert names_in(tmp_path) == set()


def test_no_progress_where_nobody_watches(one: Inspection, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_reports(one, tmp_path / "out")
    assert capsys.readouterr() == ("", "")


def test_progress_on_a_terminal(one: Inspection, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import io

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    terminal = Terminal()
    monkeypatch.setattr("sys.stderr", terminal)
    write_reports(one, tmp_path / "out")
    assert "report.pdf: section 1 of 2" in terminal.getvalue()
    assert terminal.getvalue().endswith("\r\x1b[2K")
