"""All reports of a run into one folder, in one step: either the whole folder is new, or nothing has changed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import IO, TYPE_CHECKING

from holeqc import door, printing, writer
from holeqc.inspection.view import Run
from holeqc.problems import ERROR, HoleQCError, Problem

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection

HTML, PDF, BOOK = "report.html", "report.pdf", "evaluated.xlsx"
TAG_PAGES, TAG_DATA, TAG_TABLE, VERDICTS = "tags.pdf", "tags.json", "tags.csv", "verdicts.json"
NAMES = (HTML, PDF, BOOK, TAG_PAGES, TAG_DATA, TAG_TABLE, VERDICTS)  #: never made from anything typed in a sheet
DOCUMENTS = "qif"  #: folder of documents, a part each
FULL = 200  #: so many parts get pages of their own; of more, those that aren't accepted


def write_reports(
    inspection: Inspection, folder: Path | str, *, brief: bool = False, made: dt.date | None = None
) -> list[Path]:
    """Write report.html, report.pdf, evaluated.xlsx, tags, verdicts.json and a document of each part into a folder.

    Returns their paths. The files are written beside the folder first and take its place when all are complete. A
    folder that is there already is replaced if it is empty or holds a report of ours and nothing else. ``tags.pdf`` is
    written where there is a tag to print, documents (QIF 3.0, in a folder ``qif``) where parts have pages of their own.
    ``brief``: a line for each part instead of pages; ``made``: the day on the report.

    Raises:
        HoleQCError: the folder holds other files, or the disk refuses.
    """
    from holeqc.reports.qif import write_documents

    documents: list[str] = []
    try:
        with writer.folder(folder, _refuse_foreign) as out:
            run = Run(inspection)
            write_all(run, out, printing.progress, most=0 if brief else FULL, made=made)
            if not brief and len(run) <= FULL:
                documents = write_documents([run], out, f"{DOCUMENTS}/", printing.progress)
    except writer.WriteError as error:
        raise _not_written(str(folder), error) from error
    return [Path(folder) / name for name in (*NAMES, *documents) if name in out.names]


def export_documents(runs: Iterable[Run], folder: Path | str, *, replace: bool = False) -> int:
    """Write a document of each part of some runs into a folder of its own and return their number.

    Raises:
        HoleQCError: the folder holds something, or with ``replace`` anything but such documents; the disk refuses.
    """
    from holeqc.reports.qif import write_documents

    def may_replace(target: Path) -> None:
        if not (replace and _of_documents(target)):
            raise HoleQCError(f"{target} isn't empty; nothing was written. Give another folder"
                              + (", it holds other files" if replace else ", or --replace to lose its documents"))

    with writer.folder(folder, may_replace) as out:
        return len(write_documents(runs, out, progress=printing.progress))


def write_all(
    run: Run, folder: writer.Folder, progress: Callable[[str], None], *, most: int = FULL, number: str = "",
    made: dt.date | None = None, passed: str = "", decided: Mapping[str, tuple[str, str]] | None = None,
) -> None:  # fmt: skip
    """Write all reports of a run into a folder that is being filled; the rest as `story.report_for` takes it.

    ``decided``: tag's code -> disposition, and who decided, in words.
    """
    from holeqc.inspection.tags import tags_for
    from holeqc.reports.pages import html_page, pdf_report
    from holeqc.reports.story import report_for
    from holeqc.reports.tags import printed, tag_pages, tags_csv, tags_json
    from holeqc.reports.workbook import write_workbook

    found = tags_for(run, progress)  # reasons with them, while a part's rows are at hand
    progress(HTML)
    known = decided or {}
    said = [f"Tag {code}: {words}" for code, (_, words) in known.items()]
    report = report_for(run, most, number, made, passed, said)
    folder.write_text(HTML, html_page(report))
    folder.write_bytes(PDF, pdf_report(report, progress))
    with folder.file(BOOK) as file:
        write_workbook(run, file, progress)
    tags = [printed(tag, run.specification) for tag in found]
    tags = [
        replace(tag, disposition=known[tag.code][0], decision=known[tag.code][1]) if tag.code in known else tag
        for tag in tags
    ]
    if tags:
        folder.write_bytes(TAG_PAGES, tag_pages(run, tags, progress))
    folder.write_text(TAG_DATA, tags_json(tags))
    folder.write_bytes(TAG_TABLE, tags_csv(tags).encode("utf-8-sig", "replace"))
    progress(VERDICTS)
    with folder.file(VERDICTS) as file:
        _verdicts(run, file)
    progress("")


def _verdicts(run: Run, file: IO[bytes]) -> None:
    """Write verdicts.json part by part, so that a long run needs no memory for all of it."""
    from holeqc.reports.data import head, parts, tail

    def dump(value: object) -> str:
        return printing.as_json(value, indent=None)

    def put(text: str) -> None:
        file.write(text.encode("utf-8", "backslashreplace"))

    put("{\n")
    for key, value in head(run).items():
        put(f"{dump(key)}: {dump(value)},\n")
    put('"parts": [')
    for n, part in enumerate(parts(run)):
        put((",\n" if n else "\n") + part)
    put("\n],\n")
    put(",\n".join(f"{dump(key)}: {dump(value)}" for key, value in tail(run).items()) + "\n}\n")


# --------------------------------------------------------------------------------------------------------- the folder


def _refuse_foreign(target: Path) -> None:
    """Raise if the folder holds anything that isn't a report of ours."""
    there = sorted(entry.name for entry in target.iterdir() if not writer.is_temporary(entry.name))
    foreign = [name for name in there if name not in NAMES and not (name == DOCUMENTS and _of_documents(target / name))]
    if foreign:
        shown = ", ".join(foreign[:5]) + (", …" if len(foreign) > 5 else "")
        raise _refusal(target, f"it holds {shown}", "an empty or new folder, or an earlier report and nothing else")
    if there and not _ours(target / VERDICTS):
        raise _refusal(
            target, "its files were not all written by holeqc", "an empty or new folder, or an earlier report"
        )


def _of_documents(folder: Path) -> bool:
    """Whether a folder holds documents of ours and nothing else."""
    files = list(folder.iterdir()) if folder.is_dir() and not folder.is_symlink() else [folder]
    return all(file.suffix == ".qif" and b'name="holeqc kit"' in door.start_of(file, 1000) for file in files)


def _ours(path: Path) -> bool:
    """Whether verdicts.json there begins as ours does."""
    return b'"tool": {"name": "holeqc"' in door.start_of(path, 200)


def _refusal(target: Path, found: str, allowed: str) -> HoleQCError:
    action = "Give another folder to --out, or move the other files away; nothing was changed."
    problem = Problem(ERROR, "report-folder", "the report isn't written there", found, allowed, action, str(target))
    return HoleQCError(f"no report into {target}: {found}", (problem,))


def _not_written(folder: str, error: writer.WriteError) -> HoleQCError:
    """Return the error of the disk, or of what stands in the way, as one about the report."""
    cause = error.problems[0]
    what = cause.message.removeprefix("it can't be written: ")
    action = "Give another folder to --out, or free some space; an earlier report there is unchanged."
    problem = Problem(
        ERROR, "report-disk", "the report can't be written", what, "a folder that can be written", action, folder
    )
    return HoleQCError(f"the report can't be written into {folder}: {what}", (problem,))
