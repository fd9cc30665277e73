"""Files of readings into one tidy table: every filled cell becomes a reading, a known field, or a problem."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby
from pathlib import Path

import numpy as np

from holeqc.problems import ERROR, NOTE, WARNING, Problem, ReadingsError, shown_path
from holeqc.readings.account import account, comma_is_decimal
from holeqc.readings.collect import Collector
from holeqc.readings.columns import uses_once
from holeqc.readings.containers import WORKBOOK, Container, examine
from holeqc.readings.context import Context
from holeqc.readings.dates import date_of
from holeqc.readings.draft import Array, Cell, Draft, by_sheet
from holeqc.readings.examples import suited
from holeqc.readings.fields import Field
from holeqc.readings.grid import Content
from holeqc.readings.heading_rows import score_rows
from holeqc.readings.headings import READING, Vocabulary
from holeqc.readings.identities import Titles, serial_in_sheet_name, text_of
from holeqc.readings.issues import note, warning
from holeqc.readings.layouts import Layout, find_marker, part_sheet, views
from holeqc.readings.leftovers import (
    double_fields,
    field_defects,
    other_field,
    other_gauge,
    parts_without_readings,
    sheet_notes,
)
from holeqc.readings.marker import FORMAT, Marker, from_properties, parse_marker
from holeqc.readings.options import ReadOptions, SizeLimits
from holeqc.readings.plausibility import check_plausibility
from holeqc.readings.synonyms import FIELD, question_of
from holeqc.readings.table import ColumnUse, Readings, Source, UnusableFile, cell_name
from holeqc.readings.table_reader import read_table
from holeqc.readings.values import decimal_mark
from holeqc.readings.xlsx import RawSheet
from holeqc.specification.model import Specification

__all__ = ["ReadOptions", "SizeLimits", "declared_kit", "read_files", "without_rechecks"]

SAID_OF_KIT = {"drawing", "kit", "revision", "part"}  #: fields that tell which kit a sheet was made for
TITLE_ROWS = 2_000  #: so many rows without readings are searched for what they say of the kit
_WORDS = re.compile(r"\s*[^\W\d_]|[^\W\d_]*[#°ø⌀]")  #: how a heading begins; a number typed as text doesn't
#: a sheet with so many numbers that isn't read is worth a warning
NUMBERS_LEFT = 10
#: so many filled rows are looked at for headings that aren't known; so many of them are named, and so much of each
HEADING_ROWS, HEADINGS_SHOWN, HEADING_SHOWN = 100, 12, 30


@dataclass(slots=True)
class _Run:
    """What one call gathers."""

    spec: Specification
    options: ReadOptions
    vocabulary: Vocabulary
    draft: Draft
    collector: Collector = field(default_factory=Collector)
    seen: dict[str, str] = field(default_factory=dict)  #: SHA-256 of a file -> the name it was first given by
    sources: list[Source] = field(default_factory=list)
    digests: dict[str | Path, str] = field(default_factory=dict)  #: path -> SHA-256
    lettered: Vocabulary | None = None

    def vocabulary_of(self, sheet: RawSheet) -> Vocabulary:
        """Return the words of a sheet: one that writes N and F for near and far means the walls, not hole F."""
        if not self.vocabulary.unclear_letters:
            return self.vocabulary
        texts = {x for c in sheet.grid.columns if c.codes is not None for x in c.labels if isinstance(x, str)}
        if not self.vocabulary.walls_by_letters(texts):
            return self.vocabulary
        if self.lettered is None:
            self.lettered = Vocabulary(self.spec, letters=True)
        return self.lettered


def read_files(
    paths: Iterable[str | Path], spec: Specification, options: ReadOptions | None = None, *, go_on: bool = False
) -> Readings:  # fmt: skip
    """Return all readings in some files as one table in the kit's unit, with every problem met on the way.

    ``go_on``: read the others where a file is unusable; nothing of it is in the table, and ``unusable`` names it.

    Raises:
        ReadingsError: a file can't be read at all, holds no table of readings, or was made for another kit or
            revision; carries the problems of every such file, not of the first only. With ``go_on`` only where no
            file can be used.
    """
    options = options or ReadOptions()
    good, unusable = list(paths), dict[str | Path, UnusableFile]()
    while True:
        run, refused = _gather(good, spec, options)
        unusable |= refused
        good = [path for path in good if path not in refused]
        if not refused or not go_on or not good:
            break
        # a file refused at its third sheet has left the readings of two: the others are read again without it
    if unusable and not (go_on and good):
        problems = [p for file in unusable.values() for p in file.problems]
        raise ReadingsError("\n".join(p.sentence() for p in problems), problems)
    again = {s.sha256 for s in run.sources if s.recheck}
    if not again:
        return replace(_readings(run), unusable=tuple(unusable.values()))
    # a recheck is looked at by itself: it says other than the first sheet on purpose
    rest = [path for path in good if run.digests[path] not in again]
    firsts = {run.digests[path]: path for path in reversed(good)}
    alone = tuple(_readings(_gather([firsts[s.sha256]], spec, options)[0]) for s in run.sources if s.recheck)
    return replace(_readings(_gather(rest, spec, options)[0]), unusable=tuple(unusable.values()), rechecks=alone)


def without_rechecks(readings: Readings) -> Readings:
    """Return readings for statistics: without rechecks, which say how a part was mended and not how it was drilled."""
    told = tuple(
        Problem(WARNING, "recheck-left-out", "a recheck: it says how the part was mended, so it isn't counted here",
                file=one.sources[0].file, action="Name the sheets of parts as they were drilled")
        for one in readings.rechecks
    )  # fmt: skip
    return replace(readings, rechecks=(), problems=(*readings.problems, *told)) if told else readings


def _readings(run: _Run) -> Readings:
    """Return what was gathered as a table, with what is odd about it."""
    arrays = run.draft.arrays()
    doubt = _report_issues(run, arrays)
    today = run.options.today or dt.date.today()
    doubt = check_plausibility(run.spec, run.draft, arrays, run.collector, today, doubt)
    return Readings(run.draft.frame(arrays, doubt), run.collector.problems(), tuple(run.sources))


def _gather(
    paths: Sequence[str | Path], spec: Specification, options: ReadOptions
) -> tuple[_Run, dict[str | Path, UnusableFile]]:
    """Read some files; return what they gave, and those that can't be used."""
    run = _Run(spec, options, Vocabulary(spec), Draft(spec))
    refused: dict[str | Path, UnusableFile] = {}
    for path in paths:
        try:
            _read_file(run, path)
        except ReadingsError as error:
            shown = shown_path(path)
            refused[path] = UnusableFile(shown, tuple(replace(p, file=shown) for p in error.problems))
    return run, refused


def declared_kit(path: str | Path, limits: SizeLimits | None = None) -> tuple[str, str] | None:
    """Return kit id and revision that a sheet of ours was made for, None where the file says none.

    Raises:
        ReadingsError: the file can't be opened.
    """
    limits = limits or SizeLimits()
    container = examine(path, limits)
    if container.kind == WORKBOOK:
        from holeqc.readings.xlsx import read_workbook

        for sheet in read_workbook(container, limits):
            marker = find_marker(sheet) or from_properties(sheet.properties)
            if marker is not None:
                return marker.kit_id, marker.revision
        return None
    head = container.incoming.content[:20_000]
    for encoding in ("utf-8-sig", "utf-16", "cp1252"):
        text = head.decode(encoding, "ignore")
        for line in text.splitlines()[:10]:
            for piece in (line, line.strip('"').replace('""', '"'), re.sub(r'^"|";*,*$', "", line).replace('""', '"')):
                if marker := parse_marker(piece.strip().rstrip(",;\t")):
                    return marker.kit_id, marker.revision
    return None


def _read_file(run: _Run, path: str | Path) -> None:
    container = examine(path, run.options.limits)
    run.digests[path] = container.sha256
    if container.name != shown_path(path):
        container = replace(container, name=shown_path(path))
    if container.sha256 in run.seen:
        _named_twice(run, container, run.seen[container.sha256])
        return
    run.seen[container.sha256] = container.name
    if container.macros:
        run.collector.add(
            Problem(NOTE, "macros", "the workbook holds macros; they are not read and never run", file=container.name)
        )
    sheets = [_read_sheet(run, sheet) for sheet in _sheets(run, container)]
    told = next((s.marker for s in sheets if s.marker is not None), None)
    for sheet in (s for s in sheets if s.serial and any(other.says_serial for other in sheets)):
        issue = warning(
            "whose-sheet",
            "this sheet says no serial number, other sheets of the workbook do: its name may be one, or its readings "
            "may belong to a part of theirs",
            "a serial number on each sheet",
            "Write the serial number on the sheet",
            holds=True,
        )
        run.collector.add(issue.problem(found=repr(sheet.name), file=container.name, sheet=sheet.name, cell=""))
    if not any(s.tables for s in sheets):
        met = max((s.met for s in sheets), key=lambda m: m.rank, default=_Met())
        raise ReadingsError(
            "",
            [
                Problem(
                    ERROR,
                    "no-table",
                    f"no table of readings was found: {met.missing}",
                    found=met.found,
                    allowed="headings such as Hole, Wall, Dia 0, Dia 90, X, Y, GO, NO-GO, Surface",
                    action=f"{met.questions}Write such headings over the columns, or name the shop's own in [headings] "
                    "of the kit file",
                    file=container.name,
                    sheet=met.sheet,
                )
            ],
        )
    kit, revision = (told.kit_id, told.revision) if told else ("", "")
    columns = tuple(use for s in sheets for use in s.columns)
    rechecks = list(dict.fromkeys(said for s in sheets for said in s.rechecks))
    if len(rechecks) > 1:
        raise _mixed(container, rechecks)
    said = rechecks[0] if rechecks else ""
    run.sources.append(Source(container.name, container.sha256, container.bytes, kit, revision, columns, said))


def _mixed(container: Container, said: Sequence[str]) -> ReadingsError:
    """Return the error of a file whose tables are rechecks of different readings, or of which not all are one."""
    named = ", ".join(repr(text) for text in said if text)
    if "" in said:
        what, to_do = f"one sheet is a recheck of {named}, another says nothing of it, filled or blank", (
            "Take the other sheet out, or write on it what it is a recheck of")  # fmt: skip
    else:
        what, to_do = "its sheets are rechecks of different readings", "Save each recheck as a file of its own"
    problem = Problem(ERROR, "rechecks-mixed", what, named, "one recheck a file", to_do, container.name)
    return ReadingsError("", [problem])


def _named_twice(run: _Run, container: Container, first: str) -> None:
    """Report a file that was read already, under its own or another name."""
    same = "the file is named twice" if container.name == first else f"the file holds the same bytes as {first}"
    issue = warning("file-twice", f"{same}: it is read once", action="Name each file once")
    run.collector.add(issue.problem(found=f"SHA-256 {container.sha256[:16]}", file=container.name, sheet="", cell=""))


def _sheets(run: _Run, container: Container) -> Iterator[RawSheet]:
    if container.kind == WORKBOOK:
        from holeqc.readings.sheet import choices
        from holeqc.readings.xlsx import read_workbook

        yield from read_workbook(container, run.options.limits, run.options.sheets, choices(run.spec))
        return
    from holeqc.readings.csv_files import read_text

    def score(rows: Sequence[Sequence[str]]) -> int:
        return score_rows([list(r) for r in rows], run.vocabulary)

    yield read_text(container, run.options, score, run.collector)


@dataclass(frozen=True, slots=True)
class _Sheet:
    """What one sheet was: its marker, how many tables it holds, and how their columns were understood."""

    marker: Marker | None
    tables: int
    columns: tuple[ColumnUse, ...]
    rechecks: tuple[str, ...] = ()  #: what each table says that it is a recheck of, '' for nothing
    met: _Met = field(default_factory=lambda: _Met())
    name: str = ""
    serial: str = ""  #: taken from its name
    says_serial: bool = False


@dataclass(frozen=True, slots=True)
class _Met:
    """The row of a sheet without a table that looks most like headings: what stands there, and what is missing."""

    sheet: str = ""
    found: str = "no row of headings"
    missing: str = "no heading for the hole; no heading for a reading"
    questions: str = ""
    rank: tuple[int, int] = (0, 0)


def _headings_met(sheet: RawSheet, vocabulary: Vocabulary) -> _Met:
    """Return what stands where headings would be looked for on a sheet in which no table was found."""
    best = _Met(sheet.name)
    for row in np.flatnonzero(sheet.grid.filled_rows())[:HEADING_ROWS].tolist():
        cells = [x for x in sheet.grid.row(row) if x is not None]
        texts = list(dict.fromkeys(x.strip() for x in cells if isinstance(x, str) and _WORDS.match(x)))
        meanings = [vocabulary.meaning(text) for text in texts]
        rank = sum(m.is_known for m in meanings), len(texts)
        if len(texts) < 2 * len(cells) / 3 or rank <= best.rank:
            continue
        words = {m.word for m in meanings if m.kind == FIELD}
        reads = "value" in words or any(m.kind == READING for m in meanings)
        lacks = [f"no heading for {what}" for what, there in (("the hole", "hole" in words), ("a reading", reads))
                 if not there]  # fmt: skip
        quoted = [repr(text if len(text) <= HEADING_SHOWN else text[: HEADING_SHOWN - 1] + "…") for text in texts]
        more = f" and {len(quoted) - HEADINGS_SHOWN} more" if len(quoted) > HEADINGS_SHOWN else ""
        asked = [(text, question_of(text)) for text in texts[:HEADINGS_SHOWN]]
        best = _Met(
            sheet.name,
            f"in row {row + 1} {', '.join(quoted[:HEADINGS_SHOWN])}{more}",
            "; ".join(lacks) or "no readings stand below the headings",
            "".join(f"Say what {text!r} is: {question}. " for text, question in asked if question),
            rank,
        )
    return best


def _read_sheet(run: _Run, sheet: RawSheet) -> _Sheet:
    """Read one sheet into the draft."""
    vocabulary = run.vocabulary_of(sheet)
    layout = part_sheet(sheet, vocabulary, run.spec)
    marker = layout.marker or from_properties(sheet.properties)
    _check_kit(run, sheet, layout, marker)
    if not layout.blocks:
        met = _headings_met(sheet, vocabulary)
        if sheet.grid.rows and layout.marker is None:
            numbers = sum(int((~np.isnan(c.numbers)).sum()) for c in sheet.grid.columns if c.numbers is not None)
            run.collector.add(
                Problem(
                    WARNING if numbers >= NUMBERS_LEFT else NOTE,
                    "sheet-not-read",
                    f"no table of readings on this sheet, it is not read: {met.missing}",
                    file=sheet.file,
                    sheet=sheet.name,
                    found=f"{met.found}; {int(sheet.grid.filled_rows().sum())} filled rows, {numbers} numbers",
                    allowed="headings such as Hole, Wall, Dia 0, Dia 90, X, Y",
                    action=f"{met.questions}If readings stand there, name the shop's headings in [headings] of the kit "
                    "file",
                )
            )
            context = Context(run.spec, run.options, vocabulary, run.collector, run.draft, sheet)
            context.used = np.zeros((sheet.grid.rows, sheet.grid.width), dtype=np.bool_)
            account(context, Layout([], []))
        return _Sheet(marker, 0, (), met=met)
    context = Context(
        run.spec, run.options, vocabulary, run.collector, run.draft, sheet, own=layout.marker is not None
    )
    context.used = np.zeros((sheet.grid.rows, sheet.grid.width), dtype=np.bool_)
    context.decimal, mixed = decimal_mark(_texts(sheet, layout), run.options.decimal, sheet.delimiter)
    if not context.decimal and not mixed and comma_is_decimal(run.spec, _texts(sheet, layout)):
        context.decimal = ","
        message = "commas are read as decimal marks: no length of the kit is a thousand times as long"
        issue = note("comma-by-size", message, "State the decimal mark, or type points, where that isn't meant")
        context.say(issue, next(x for x in _texts(sheet, layout) if isinstance(x, str) and "," in x))
    if mixed:
        run.collector.add(
            Problem(
                WARNING,
                "mixed-decimal-marks",
                "decimal commas and decimal points both occur in this sheet",
                file=sheet.file,
                sheet=sheet.name,
                action="Look whether any number was meant otherwise; state the decimal mark",
            )
        )
    says_serial = _name_from_sheet(context, layout)
    for _, group in groupby(
        sorted(layout.blocks, key=lambda b: repr(b.heading.signature)), lambda b: b.heading.signature
    ):
        blocks = list(group)
        beside = views(blocks[0].heading)
        for columns in beside:
            read_table(context, blocks, columns, alone=len(beside) == 1)
    double_fields(context, layout.twice)
    other_field(context, layout)
    other_gauge(context, layout)
    account(context, layout)
    field_defects(context, layout.fields)
    sheet_notes(context)
    parts_without_readings(context)
    fields = [block.fields.get("recheck") for block in layout.blocks if block.rows.size]
    said = tuple(_recheck_of(field, run.options.dates) for field in fields)
    return _Sheet(marker, len(layout.blocks), uses_once(context.uses), said, name=sheet.name, serial=context.serial,
                  says_serial=says_serial)  # fmt: skip


def _recheck_of(field: Field | None, order: str) -> str:
    """Return what a table says that it is a recheck of; a day as 2026-05-04."""
    if field is None:
        return ""
    day, _ = date_of(field.content, order)
    return str(day) if day is not None else text_of(field.content).strip()


def _texts(sheet: RawSheet, layout: Layout) -> Iterator[Content]:
    """Yield the distinct texts of all columns of readings, the smallest and largest of a hole among them."""
    columns = {
        c for b in layout.blocks for c, m in enumerate(b.heading.meanings) if m.kind == READING or m.reason == "extreme"
    }
    for column in columns:
        if column < sheet.grid.width:
            yield from sheet.grid.columns[column].labels


def _name_from_sheet(context: Context, layout: Layout) -> bool:
    """Take serial and part from the sheet's name where nothing else says them; return whether it says a serial."""
    sheet, spec = context.sheet, context.spec
    said = {w for b in layout.blocks for w in (*b.fields, *(m.word for m in b.heading.meanings))}
    name = " ".join(sheet.name.split())
    if "part" not in said and not context.options.part and len(spec.parts) > 1:
        named = [p.name for p in spec.parts if p.name.casefold() in re.split(r"[^\w]+", name.casefold())]
        if len(named) == 1:
            context.part = named[0]
            _say(context, "part-from-sheet-name", f"no part is named; taken from the sheet's name: {named[0]}")
            return "serial" in said
    serial = serial_in_sheet_name(name, Titles(spec))
    if serial and "serial" not in said and not context.options.serial:
        context.serial = serial
        _say(context, "serial-from-sheet-name", f"no serial number is named; taken from the sheet's name: {serial}")
    return "serial" in said


def _say(context: Context, code: str, message: str) -> None:
    sheet = context.sheet
    context.collector.add(Problem(NOTE, code, message, found=repr(sheet.name), file=sheet.file, sheet=sheet.name))


def _check_kit(run: _Run, sheet: RawSheet, layout: Layout, marker: Marker | None) -> None:
    """Refuse a sheet that says it was made for another kit, another revision or another format."""
    spec = run.spec
    said: list[tuple[str, str, str, str]] = []
    if marker is not None:
        if marker.format != FORMAT:
            raise ReadingsError(
                "",
                [
                    Problem(
                        ERROR,
                        "other-format",
                        "the sheet has a layout that this version doesn't know",
                        found=f"layout {marker.format}",
                        allowed=f"layout {FORMAT}",
                        action="Use a version of this program that knows it",
                        file=sheet.file,
                        sheet=sheet.name,
                        holds=True,
                    )
                ],
            )
        said = [("kit", marker.kit_id, spec.id, "A2"), ("revision", marker.revision, spec.revision, "A2")]
    else:
        said = list(dict.fromkeys(_said_of_kit(sheet, layout, spec)))
    wrong = [
        Problem(
            ERROR,
            f"other-{word}",
            f"the sheet was made for another {word} than the kit file describes",
            found=f"{word} {found}",
            allowed=f"{word} {wanted}",
            file=sheet.file,
            sheet=sheet.name,
            cell=cell,
            holds=True,
            action="Take the kit file that belongs to the sheet, or measure with a sheet of this revision",
        )
        for word, found, wanted, cell in said
        if found.strip().casefold() != wanted.strip().casefold()
    ]
    if wrong:
        raise ReadingsError("", wrong)


def _said_of_kit(sheet: RawSheet, layout: Layout, spec: Specification) -> Iterator[tuple[str, str, str, str]]:
    """Yield what a sheet says of another drawing, revision, kit or part: word, what is said, what it should be, cell.

    Fields count, and every text outside the rows of readings: 'Drawing BL7-210 Rev C' in one cell says it too.
    """
    titles, grid = Titles(spec), sheet.grid
    places = [(f.content, f.row, f.column, f.word) for f in layout.fields if f.word in SAID_OF_KIT]
    data = np.zeros(grid.rows, dtype=np.bool_)
    for block in layout.blocks:
        for column, meaning in enumerate(block.heading.meanings[: grid.width]):
            if meaning.kind == READING:
                data[block.rows] |= grid.columns[column].filled(grid.rows)[block.rows]
    fields = {(f.row, f.column) for f in layout.fields}
    for row in np.flatnonzero(grid.filled_rows() & ~data)[:TITLE_ROWS].tolist():
        places += [(x, row, c, "") for c, x in enumerate(grid.row(row)) if (row, c) not in fields]
    places += [(text, row - 1, column - 1, "") for row, column, text in sheet.scan.remarks]
    places += [(text, -1, -1, "") for text in sheet.scan.pages]
    for content, row, column, word in places:
        for named in titles.others_in(text_of(content), word) if isinstance(content, str) else []:
            yield named.kind, named.value, named.wanted, cell_name(row + 1, column + 1) if row >= 0 else ""


def _report_issues(run: _Run, arrays: dict[str, Array]) -> Array:
    """Turn the issues of cells into problems and return the doubt code of each reading, -1 for none."""
    draft = run.draft
    held = np.array(
        [draft.doubt.code(i.code) if i is not None and i.holds else -1 for i in draft.issues], dtype=np.int32
    )
    issue_of = arrays["issue"]
    pick = Cell(draft, arrays)

    def make(index: int) -> Problem:
        issue = draft.issues[int(issue_of[index])]
        assert issue is not None
        return suited(pick.issue_problem(index), issue, draft, arrays, index)

    for code in dict.fromkeys(i.code for i in draft.issues if i is not None):
        numbers = [
            n for n, i in enumerate(draft.issues) if i is not None and i.code == code and n not in draft.reported
        ]
        rows = np.flatnonzero(np.isin(issue_of, numbers)) if numbers else np.empty(0, dtype=np.int64)
        for group in by_sheet(arrays, rows):
            run.collector.cells(group.tolist(), make)
    return held[issue_of]
