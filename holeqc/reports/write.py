"""All reports of a run into one folder, in one step: either the whole folder is new, or nothing has changed."""

from __future__ import annotations

import hashlib
import json
import os
import platform
import re
import secrets
import shutil
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from holeqc.problems import ERROR, HoleQCError, Problem
from holeqc.reports.view import Run

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection

HTML, PDF, BOOK = "report.html", "report.pdf", "evaluated.xlsx"
TAG_PAGES, TAG_DATA, TAG_TABLE, VERDICTS = "tags.pdf", "tags.json", "tags.csv", "verdicts.json"
NAMES = (HTML, PDF, BOOK, TAG_PAGES, TAG_DATA, TAG_TABLE, VERDICTS)  #: never made from anything typed in a sheet
OLD = 3600.0  #: so long nothing changed in a half-written folder whose writer can't be asked for [s]
FULL = 200  #: so many parts get pages of their own


def write_reports(inspection: Inspection, folder: Path | str) -> list[Path]:
    """Write report.html, report.pdf, evaluated.xlsx, tags and verdicts.json into a folder; return their paths.

    The files are written beside the folder first and take its place when all are complete. A folder that is there
    already is replaced if it is empty or holds a report of ours and nothing else. ``tags.pdf`` is written where there
    is a tag to print.

    Raises:
        HoleQCError: the folder holds other files, or the disk refuses.
    """
    target = Path(os.path.abspath(folder))
    if target.is_symlink():
        target = target.resolve()
    _refuse_foreign(target)
    aside = target.with_name(f".{target.name}.{_host()}-{os.getpid()}-{secrets.token_hex(4)}.part")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        _clear_leftovers(target)
        aside.mkdir()
        names = write_all(Run(inspection), aside, _progress())
        _swap(aside, target)
    except OSError as error:
        raise _disk_error(target, error) from error
    finally:
        shutil.rmtree(aside, ignore_errors=True)
    return [Path(folder) / name for name in names]


def write_all(run: Run, folder: Path, progress: Callable[[str], None]) -> list[str]:
    """Write all reports of a run into a folder that is there; return their names."""
    from holeqc.reports.html import html_page
    from holeqc.reports.pdf import pdf_report
    from holeqc.reports.story import report_for
    from holeqc.reports.tag_pages import tag_pages
    from holeqc.reports.tags import tags_csv, tags_for, tags_json
    from holeqc.reports.workbook import write_workbook

    progress(HTML)
    report = report_for(run, FULL)
    _text(folder / HTML, html_page(report))
    (folder / PDF).write_bytes(pdf_report(report, progress))
    write_workbook(run, folder / BOOK, progress)
    tags = tags_for(run, progress)
    if tags:
        (folder / TAG_PAGES).write_bytes(tag_pages(run, tags, progress))
    _text(folder / TAG_DATA, tags_json(tags))
    # The mark at the start of the file tells spreadsheet programs that it is UTF-8.
    (folder / TAG_TABLE).write_bytes(tags_csv(tags).encode("utf-8-sig", "replace"))
    progress(VERDICTS)
    _verdicts(run, folder / VERDICTS)
    progress("")
    return [name for name in NAMES if (folder / name).exists()]


def _verdicts(run: Run, path: Path) -> None:
    """Write verdicts.json part by part, so that a long run needs no memory for all of it."""
    from holeqc.reports.data import head, parts, tail

    def dump(value: object) -> str:
        return json.dumps(value, ensure_ascii=False, allow_nan=False)

    with path.open("w", encoding="utf-8", errors="backslashreplace", newline="\n") as file:
        file.write("{\n")
        file.writelines(f"{dump(key)}: {dump(value)},\n" for key, value in head(run).items())
        file.write('"parts": [')
        for n, part in enumerate(parts(run)):
            file.write((",\n" if n else "\n") + dump(part))
        file.write("\n],\n")
        file.write(",\n".join(f"{dump(key)}: {dump(value)}" for key, value in tail(run).items()) + "\n}\n")


def _text(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", errors="backslashreplace", newline="\n")


# --------------------------------------------------------------------------------------------------------- the folder


def _host() -> str:
    """Return four characters that tell this computer from others that write to the same disk."""
    return hashlib.sha256(platform.node().encode()).hexdigest()[:4]


def _clear_leftovers(target: Path) -> None:
    """Remove what killed runs into the same place left half-written; never what a living run may be writing."""
    name = re.compile(rf"\.{re.escape(target.name)}\.(?:([0-9a-f]{{4}})-(\d+)-)?[0-9a-f]{{8}}\.part")
    for entry in list(target.parent.iterdir()):
        match = name.fullmatch(entry.name)
        if match and entry.is_dir() and not entry.is_symlink() and _is_left(entry, match[1], match[2]):
            shutil.rmtree(entry, ignore_errors=True)


def _is_left(entry: Path, host: str | None, process: str | None) -> bool:
    """Whether nobody writes a folder any more: its writer on this computer is gone, or nothing changed for long."""
    if host == _host() and process and os.name == "posix":
        try:
            os.kill(int(process), 0)  # signal 0 only asks whether the process is there
        except ProcessLookupError:
            return True
        except (OSError, OverflowError):
            return False
        return False
    try:
        last = max(path.stat().st_mtime for path in (entry, *entry.iterdir()))
    except OSError:
        return False
    return time.time() - last > OLD


def _refuse_foreign(target: Path) -> None:
    """Raise if the folder holds anything that isn't a report of ours."""
    if not target.exists():
        return
    if not target.is_dir():
        raise _refusal(target, "it is a file", "a folder, or a name that isn't taken")
    there = sorted(entry.name for entry in target.iterdir())
    foreign = [name for name in there if name not in NAMES]
    if foreign:
        shown = ", ".join(foreign[:5]) + (", …" if len(foreign) > 5 else "")
        raise _refusal(target, f"it holds {shown}", "an empty or new folder, or an earlier report and nothing else")
    if there and not _ours(target / VERDICTS):
        raise _refusal(
            target, "its files were not all written by holeqc", "an empty or new folder, or an earlier report"
        )


def _ours(path: Path) -> bool:
    """Whether verdicts.json there begins as ours does."""
    try:
        with path.open(encoding="utf-8") as file:
            return '"tool": {"name": "holeqc"' in file.read(200)
    except (OSError, UnicodeDecodeError):
        return False


def _refusal(target: Path, found: str, allowed: str) -> HoleQCError:
    action = "Give another folder to --out, or move the other files away; nothing was changed."
    problem = Problem(ERROR, "report-folder", "the report isn't written there", found, allowed, action, str(target))
    return HoleQCError(f"no report into {target}: {found}", (problem,))


def _disk_error(target: Path, error: OSError) -> HoleQCError:
    what = error.strerror or type(error).__name__
    action = "Free some space or give another folder to --out; an earlier report there is unchanged."
    problem = Problem(
        ERROR, "report-disk", "the report can't be written", what, "a folder that can be written", action, str(target)
    )
    return HoleQCError(f"the report can't be written into {target}: {what}", (problem,))


def _swap(aside: Path, target: Path) -> None:
    """Put the finished folder in place of the old one; put the old one back if that fails."""
    if not target.exists():
        aside.rename(target)
        return
    old = aside.with_suffix(".old")
    target.rename(old)
    try:
        aside.rename(target)
    except OSError:
        old.rename(target)
        raise
    shutil.rmtree(old, ignore_errors=True)


def _progress() -> Callable[[str], None]:
    """Return what shows progress on standard error; nothing where that is no terminal."""
    if not sys.stderr.isatty():
        return lambda _: None

    def show(text: str) -> None:
        sys.stderr.write(f"\r\x1b[2K{text}")
        sys.stderr.flush()

    return show
