"""Readings typed at the bench, one after the other: kept on disk at once, judged at once, in the end a filled sheet.

What is asked is what a blank sheet of the kit, or of a recheck, has cells for. Each answer goes into that sheet, which
is then read and judged as `holeqc check` does, so that no reading is called inside here and doubtful there.
"""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
import json
import math
import os
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from holeqc import door, printing, writer
from holeqc.answers.files import DRAFT
from holeqc.characteristics import ANGLE, BY_GAUGE, OF_NAME, OF_WORD
from holeqc.problems import HoleQCError
from holeqc.readings.sheet_layout import (
    ENTRY_COLUMN,
    FIELD_COLUMN,
    FIELDS,
    FIRST_FIELD_ROW,
    FORMAT,
    Marker,
    layout,
    marker_text,
    sheet_names,
)
from holeqc.readings.table import bound, cell_name
from holeqc.tables import Row

if TYPE_CHECKING:
    from holeqc.answers.check import Checked, Opening
    from holeqc.inspection.view import PartView
    from holeqc.problems import Problem
    from holeqc.readings.containers import Content
    from holeqc.readings.sheet_layout import Layout, Recheck, SheetColumn
    from holeqc.readings.sheet_layout import Row as SheetRow
    from holeqc.specification.model import Specification

INSIDE, NEAR, OUTSIDE, DOUBTFUL, NOTED = "✓ inside", "! near a limit", "✗ OUTSIDE", "? doubtful", "… noted"
TWICE = 1.0  #: so soon after the question nobody has read the same number again: the gauge sent it twice [s]
Ask = Callable[[str], "tuple[str, float] | None"]


# ------------------------------------------------------------------------------------------------- what is asked


@dataclass(frozen=True, slots=True)
class Question:
    """One cell of the sheet: what goes into it, said in words; ``row`` None for a field above the table."""

    cell: str
    word: str
    what: str
    row: SheetRow | None = None
    choices: tuple[str, ...] = ()
    usual: str = ""  #: what Enter takes

    @property
    def place(self) -> str:
        """Hole, wall and what, in one line."""
        return f"Hole {self.row.hole.id}, {self.row.wall}: {self.what}" if self.row else self.what


def questions(spec: Specification, plan: Layout) -> tuple[Question, ...]:
    """Return what a sheet asks, in its order: fields, then hole by hole, wall by wall, what is read there."""
    from holeqc.readings.sheet_layout import choices

    offered = choices(spec)
    labels = {word: label for label, word in FIELDS.items()}
    usual = {"date": dt.date.today().isoformat(), "gauge:diameter": spec.plan.diameter_gauge,
             "gauge:position": spec.plan.position_gauge}  # fmt: skip
    out = []
    for word, cell in plan.fields.items():
        if word not in {"part", "serial", "recheck"}:
            able = tuple(offered.get(word, ()))
            out.append(Question(cell, word, labels[word], None, able, usual.get(word) or (able[0] if len(able) == 1
                                                                                        else "")))  # fmt: skip
    for number, row in enumerate(plan.rows, plan.first_row):
        for at, column in enumerate(plan.columns, 1):
            if column.entry and column.holds != "note" and column.holds in row.asked:
                words = tuple(offered.get(column.holds, ()))
                what = column.heading if column.holds in {"go", "no_go"} else _lower_first(column.heading)
                what = what.partition(" [")[0]
                out.append(Question(cell_name(number, at), column.holds, what, row, words))
    return tuple(out)


def _lower_first(text: str) -> str:
    return text[:1].lower() + text[1:]


def asked_words(spec: Specification, plan: Layout, question: Question, part: str) -> str:
    """Return the limits, or the basic dimension, of what is asked; empty where there is none."""
    from holeqc.readings.sheet_layout import printed
    from holeqc.reports.blocks import typed

    if question.row is None:
        return ""
    hole, word = question.row.hole, question.word
    if word == "diameter":
        return f"{typed(hole.size.lower, spec.unit)} to {typed(hole.size.upper, spec.unit)} {spec.unit}"
    if word in {"x", "y"}:
        sign = spec.part(part).signs()["xy".index(word)]
        return f"basic {typed(getattr(hole, word) * sign + 0.0, spec.unit)} {spec.unit}"
    if word in {"go", "no_go"}:
        return f"plug {typed(getattr(hole.plugs, word), spec.unit)} {spec.unit}"
    if word == "surface":
        return ""
    found = printed(spec, f"{word}_asked", hole)
    return f"at least {typed(found, spec.unit)} {spec.unit}" if isinstance(found, float) else found or ""


def map_of(spec: Specification, part: str, hole: str, wide: int = 38) -> list[str]:
    """Return where a hole lies among the others, as seen on the part: the hole in brackets, each other by its id."""
    signs = spec.part(part).picture_signs()
    at = {h.id: (h.x * signs[0], h.y * signs[1]) for h in spec.holes}
    xs, ys = ([place[n] for place in at.values()] for n in (0, 1))
    across, up = max(xs) - min(xs), max(ys) - min(ys)
    high = min(7, len({round(y, 6) for y in ys}))
    lines = [[" "] * wide for _ in range(high)]
    for name in sorted(at, key=lambda name: name == hole):  # the one that is asked lies over the others
        text = f"[{name[:8]}]" if name == hole else f" {name[:8]} "
        x = 0 if not across else round((at[name][0] - min(xs)) / across * (wide - len(text)))
        y = 0 if not up else round((max(ys) - at[name][1]) / up * (high - 1))
        lines[y][x : x + len(text)] = text
    return ["".join(line).rstrip() for line in lines]


# ------------------------------------------------------------------------------------------------- what was typed


class NotTakenError(HoleQCError):
    """What was typed is no answer to the question."""


_UNIT_FIRST = re.compile(r'^\s*(mm|in|inch|")[\s:=]*(?=[-+.,\d])', re.IGNORECASE)


def as_entry(question: Question, text: str, unit: str) -> str:
    """Return what goes into the cell: a number with a point, and a unit where one was sent that isn't the kit's.

    Raises:
        NotTakenError: a letter, two numbers, a word that isn't offered.
    """
    if question.choices:
        return _chosen(question, text)
    if question.word == "date":
        from holeqc.readings.values import date_of

        day, doubt = date_of(text, "")
        if doubt is not None or day is None or day > dt.date.today():
            raise NotTakenError(f"{text!r} is not taken: type the day, today ({dt.date.today().isoformat()}) or before")
        return day.isoformat()
    if question.row is None and re.fullmatch(r"\D{0,4}\d*[.,]\d{3,}\D{0,4}", text):
        raise NotTakenError(f"{text!r} is not taken: it looks like a reading, and this is: {question.what}")
    if question.word == "temperature_c":
        from holeqc.readings.values import temperature_of

        doubt = temperature_of(text, "")[1]
        if doubt is not None:
            raise NotTakenError(f"{text!r} is not taken: {doubt.message}. {doubt.action}")
        return text.replace(",", ".")
    if question.word not in BY_GAUGE:
        return text
    from holeqc.readings.values import angle_of, length_of

    angle = OF_WORD[question.word].kind == ANGLE
    turned = _UNIT_FIRST.sub("", text)
    if turned != text:
        turned += f" {_UNIT_FIRST.match(text)[1]}"  # type: ignore[index]
    if turned.count(",") == 1 and "." not in turned:
        turned = turned.replace(",", ".")
    found = (angle_of if angle else length_of)(turned, ".")
    if found.issue is not None or not math.isfinite(found.value) or "/" in turned:
        why = found.issue.message if found.issue is not None else "not a decimal number"
        raise NotTakenError(f"{text!r} is not taken: {why}. Type one number, such as 0.4590")
    number = re.search(r"[-+]?\d*\.?\d+(?:[eE][-+]?\d+)?", turned)
    plain = number[0].lstrip("+") if number else repr(found.value)
    return plain if found.unit in ("", unit) else f"{plain} {found.unit}"


def _chosen(question: Question, text: str) -> str:
    """Return one of the words that are offered, by its number in the list, its beginning, or a usual other word."""
    from holeqc.readings.words import plug_word, surface_word

    if text.isdigit() and 1 <= int(text) <= len(question.choices):
        return question.choices[int(text) - 1]
    begun = [word for word in question.choices if word.casefold().startswith(text.casefold())]
    if len(begun) == 1:
        return begun[0]
    other = ""
    if question.word == "surface":
        other = surface_word(text, "")
    elif question.word in {"go", "no_go"}:
        other = plug_word(text, question.word, "enters", frozenset())
    if other in question.choices:
        return other
    offered = ", ".join(f"{n} {word}" for n, word in enumerate(question.choices, 1))
    raise NotTakenError(f"{text!r} is not offered; type {offered}")


# ------------------------------------------------------------------------------------------------- the draft


@dataclass(frozen=True, slots=True)
class Job:
    """What is logged, as it was typed: enough to go on with it later."""

    kit: str = ""
    part: str = ""
    serial: str = ""
    recheck: str = ""
    first: tuple[str, ...] = ()
    ledger: str = ""
    out: str = ""


def _signed(fields: Sequence[object]) -> str:
    """Return a line of a draft: its last field is a mark of the others, so that half a line is never taken."""
    store = io.StringIO()
    csv.writer(store, lineterminator="").writerow([writer.as_text(str(field)) for field in fields])
    text = store.getvalue()
    return f"{text},{hashlib.sha256(text.encode('utf-8', 'replace')).hexdigest()[:8]}"


def _lines(draft: Path) -> tuple[list[list[str]], int]:
    """Return the lines of a draft, and how many were cut or changed."""
    out, bad = [], 0
    for line in filter(None, door.take(draft, door.DRAFT).content.decode("utf-8", "replace").splitlines()):
        text, _, mark = line.rpartition(",")
        if mark != hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()[:8]:
            bad += 1
            continue
        fields = next(csv.reader([text]))
        out.append([f[1:] if f[:1] == "'" and f[1:2] in writer.FORMULA else f for f in fields])
    return out, bad


class Bench:
    """A sheet that is being filled: what is asked, what was answered, and the draft on disk that holds it."""

    def __init__(self, job: Job, *, resume: bool = False, today: dt.date | None = None) -> None:
        """Begin a draft, or go on with one; ``job.out`` of one to go on with may be the folder it lies in.

        Raises:
            HoleQCError: the sheet or a draft of it is there already, the draft is of another revision or text of
                the kit, another terminal has it, the disk refuses.
        """
        self.notes: list[str] = []  #: what to say before the first question
        self.entries: dict[str, str] = {}
        self.skipped: set[str] = set()
        self.doubts: set[str] = set()  #: cells that are doubtful as the sheet stands
        self.replaced: dict[str, list[str]] = {}  #: cell -> what stood there before, the first first
        self.today = today or dt.date.today()
        draft = _draft_to_resume(job) if resume else None
        lines: list[list[str]] = []
        if draft is not None:
            self.journal = writer.Journal(draft, new=False)  # before it is read: nobody else may add to it
            lines, bad = _lines(draft)
            job = _job_of(draft, lines)
            if bad:
                self.notes.append(f"{bad} of the draft's lines cut or changed: what stood there is asked again")
        self.job = job
        self.spec, self.recheck = _asked_of(job)
        self.part = self.recheck.part if self.recheck else _part(self.spec, job.part)
        self.serial = self.recheck.serial if self.recheck else job.serial.strip()
        self.plan = layout(self.spec, self.recheck)
        (self.sheet,) = sheet_names([self.serial])
        self.out = _out(job, self.sheet, self.recheck is not None)
        if self.out.exists():
            raise HoleQCError(f"{self.out} is there already: {self.serial} was logged. To read something again, "
                              f"holeqc log --recheck {self.serial}; for another sheet, -o NAME.xlsx")  # fmt: skip
        self.questions = questions(self.spec, self.plan)
        self.draft = self.out.with_name(self.out.name.removesuffix(".xlsx") + DRAFT)
        try:
            self._check_kit(lines)
        except HoleQCError:
            self.journal.close()  # who puts the kit file back may go on at once
            raise
        if draft is None and self.draft.exists():
            raise HoleQCError(f"{self.draft} is there already: {self.serial} was begun. Go on: holeqc log --resume -o "
                              f"{self.out}; or take the draft away")  # fmt: skip
        self._number = len(lines)
        if draft is None:
            self.journal = writer.Journal(self.draft, new=True)
            there = replace(job, out=str(self.out), kit=job.kit and os.path.abspath(job.kit),
                            first=tuple(map(os.path.abspath, job.first)))  # fmt: skip
            kit = {"id": self.spec.id, "revision": self.spec.revision, "digest": self.spec.digest, "text": self._text()}
            self._add("begin", "", "holeqc log, a draft and no sheet", json.dumps(asdict(there) | kit))
        else:
            self.draft = draft
            self._take_up(lines)
            self._add("resume", "", "", "")

    def _check_kit(self, lines: list[list[str]]) -> None:
        """Refuse a draft of another revision of the kit, or of another text of the same one."""
        if not lines:
            return
        begun = json.loads(lines[0][5])
        if (begun["id"], begun["revision"]) != (self.spec.id, self.spec.revision):
            raise HoleQCError(
                f"the draft was begun for kit {begun['id']} revision {begun['revision']}; {self.spec.path} is "
                f"{self.spec.id} revision {self.spec.revision}. Name the kit file of the draft's revision, or log the "
                "part anew"
            )
        if begun["digest"] != self.spec.digest:
            from holeqc.ledger.kits import change_words, changed_keys

            there = begun.get("text", "") and self._text()
            what = f": {change_words(changed_keys(begun['text'], there))}" if there else ""
            raise HoleQCError(
                f"{self.spec.path} was changed since the draft was begun, under the same revision "
                f"{self.spec.revision}{what}. Put the kit file back as it was to go on; or have the changed text "
                "released as a new revision, take the draft away and log the part anew"
            )

    def _text(self) -> str:
        """Return the text of the kit file, '' where it is not at hand any more."""
        try:
            came = door.take(Path(self.spec.path), door.KIT)
        except HoleQCError:
            return ""
        return came.content.decode("utf-8", "replace") if came.sha256 == self.spec.digest else ""

    def _take_up(self, lines: list[list[str]]) -> None:
        known = {q.cell for q in self.questions} | {self.note_cell(q) for q in self.questions}
        for _, _, act, cell, _, entry in lines[1:]:
            if act == "set" and cell in known:
                self._enter(cell, entry)
            elif act == "skip":
                self._leave(cell)
        day = next((q for q in self.questions if q.word == "date"), None)
        if day and self.entries.get(day.cell, self.today.isoformat()) != self.today.isoformat():
            self.notes.append(f"the sheet is dated {self.entries[day.cell]}, today is {self.today.isoformat()}; jump "
                              "date changes it")  # fmt: skip

    def _add(self, act: str, cell: str, what: str, entry: str) -> None:
        self._number += 1
        now = dt.datetime.now().isoformat(timespec="seconds")
        self.journal.add(_signed([self._number, now, act, cell, what, entry]))

    def _leave(self, cell: str) -> None:
        if cell in self.entries:
            self.replaced.setdefault(cell, []).append(self.entries.pop(cell))
        self.skipped.add(cell)

    def _enter(self, cell: str, entry: str) -> None:
        if self.entries.get(cell, entry) != entry:
            self.replaced.setdefault(cell, []).append(self.entries[cell])
        self.entries[cell] = entry
        self.skipped.discard(cell)

    def note_cell(self, question: Question) -> str:
        """Return the cell for remarks about a question's hole and wall, '' for a field."""
        if question.row is None:
            return ""
        return self.plan.cell("note", self.plan.first_row + self.plan.rows.index(question.row))

    def set(self, question: Question, entry: str) -> None:
        """Keep an answer: on disk first."""
        self._add("set", question.cell, question.place, entry)
        self._enter(question.cell, entry)

    def skip(self, question: Question) -> None:
        """Leave a cell empty."""
        self._add("skip", question.cell, question.place, "")
        self._leave(question.cell)

    def remark(self, question: Question, text: str) -> None:
        """Keep a remark beside a hole and wall."""
        cell = self.note_cell(question)
        if not cell:
            raise NotTakenError("a remark belongs to a hole; come to one first")
        whole = "; ".join(filter(None, (self.entries.get(cell, ""), " ".join(text.split()))))
        self._add("set", cell, f"{question.place}, remark", whole)
        self.entries[cell] = whole

    def left(self) -> list[Question]:
        """Return what has no answer yet."""
        return [q for q in self.questions if q.cell not in self.entries]

    # ---------------------------------------------------------------------------------------- judged so far

    def grid(self) -> bytes:
        """Return the sheet as far as it is filled, as the text that a spreadsheet would save of it."""
        s, plan = self.spec, self.plan
        rows = [[""] * max(len(plan.columns), ENTRY_COLUMN) for _ in range(plan.last_row)]
        rows[1][0] = marker_text(Marker(s.id, s.revision, s.unit, FORMAT))
        labels = {word: label for label, word in FIELDS.items()}
        for number, word in enumerate(plan.fields, FIRST_FIELD_ROW):
            rows[number - 1][FIELD_COLUMN - 1] = labels[word]
        filled = {plan.fields[word]: text for word, text in (("part", self.part), ("serial", self.serial), (
            "recheck", self.recheck.of if self.recheck else "")) if word in plan.fields}  # fmt: skip
        rows[plan.heading_row - 1] = [column.heading for column in plan.columns]
        for number, row in enumerate(plan.rows, plan.first_row):
            for at, column in enumerate(plan.columns, 1):
                rows[number - 1][at - 1] = self._printed(column, row)
        for address, text in (filled | self.entries).items():
            row_number, column_number = _place(address)
            rows[row_number - 1][column_number - 1] = text
        store = io.StringIO()
        csv.writer(store, lineterminator="\n").writerows(rows)
        return store.getvalue().encode("utf-8", "replace")

    def _printed(self, column: SheetColumn, row: SheetRow) -> str:
        from holeqc.readings.sheet_layout import PRINTED, printed

        if column.holds in {"hole", "wall"}:
            return row.hole.id if column.holds == "hole" else row.wall
        if column.holds not in PRINTED or column.holds.removesuffix("_asked") in OF_WORD.keys() - row.asked:
            return ""
        found = printed(self.spec, column.holds, row.hole)
        return "" if found is None else str(found)

    def look(self, question: Question) -> tuple[str, str]:
        """Return mark and word of an answer, and a sentence, by the reader and the judge of `holeqc check`."""
        from holeqc.inspection.judge import judge
        from holeqc.inspection.view import Run
        from holeqc.readings.containers import ReadOptions
        from holeqc.readings.read import read_files

        content = self.grid()
        came = door.Incoming(self.out.name, self.out, content, hashlib.sha256(content).hexdigest())
        readings = read_files([came], self.spec, ReadOptions(today=self.today))
        readings = readings.rechecks[0] if readings.rechecks else readings
        table = readings.rows
        doubted = table.take(table["doubt"] != "")
        self.doubts = {cell_name(r, c) for r, c in doubted.tuples("row", "column")}
        row, column = _place(question.cell)
        about = [p for p in readings.problems if p.cell == question.cell and p.severity != "note"]
        at_cell = (table["row"] == row) & (table["column"] == column)
        here = table.take(at_cell)
        doubt = next((d for d in here["doubt"] if d), "")
        if question.row is not None and not about and doubt in {"hole-order", "other-hole"}:
            own = question.row.hole.id, question.row.wall
            return DOUBTFUL, (f"not for this reading: x and y typed here are another hole's. Look which hole this is; "
                              f"jump {' '.join(own)} x types x again")  # fmt: skip
        if doubt or about:
            cause = self._likely(question, float(here["value"][0])) if len(here) else ""
            return DOUBTFUL, f"{cause}{_of_problem(about, doubt)}"
        if question.row is None:
            return NOTED, self.entries[question.cell]
        rows = self._rows(question, Run(judge(self.spec, readings))[0])
        if question.word == "diameter":  # its size is that of this reading alone, its form that of all in the wall
            wall = {"hole": question.row.hole.id, "wall": question.row.wall, "characteristic": "diameter"}
            others = table.hits(**wall) & ~at_cell
            alone = Run(judge(self.spec, replace(readings, rows=table.take(~others))))[0]
            rows = [*(r for r in self._rows(question, alone) if r["characteristic"] == "size"),
                    *(r for r in rows if r["characteristic"] != "size")]  # fmt: skip
        return self._verdict(question, rows, float(here["value"][0]) if len(here) else math.nan)

    def _likely(self, question: Question, value: float) -> str:
        """Return the likely cause of an x or y that no hole of this number can have, '' where none is known."""
        if question.row is None or question.word not in {"x", "y"} or not math.isfinite(value):
            return ""
        basic = self.spec.basic_xy(self.part)
        axis, number = "xy".index(question.word), self.spec.holes.index(question.row.hole)
        slack = 0.02 * float(basic[:, axis].max() - basic[:, axis].min() or 1.0)
        mine, other = float(basic[number, axis]), float(basic[number, 1 - axis])
        if abs(value - mine) <= slack:
            return ""
        near = [hole.id for hole, at in zip(self.spec.holes, basic[:, axis], strict=True) if abs(value - at) <= slack]
        if near:
            return f"likely another hole was read ({question.word} of hole {', '.join(near[:4])}): "
        if abs(value - other) <= slack:
            return "likely x and y exchanged: "
        return "likely the sign is turned: " if abs(value + mine) <= slack else ""

    def _rows(self, question: Question, part: PartView) -> list[Row]:
        """Return what is judged by an answer, of its hole and wall."""
        assert question.row is not None
        hole, wall = question.row.hole.id, question.row.wall
        return [r for r in part.characteristics if r["hole"] == hole and r["wall"] in (wall, "")
                and question.word in OF_NAME[str(r["characteristic"])].feeds]  # fmt: skip

    def _verdict(self, question: Question, rows: Sequence[Row], value: float) -> tuple[str, str]:
        """Return what the judge says of an answer that nothing is odd about."""
        from holeqc.inspection.results import HOLD, MEANING, REJECT, words_of
        from holeqc.reports.blocks import requirement, typed, value_text

        open_ = {"missing", "pattern-incomplete", "temperature-left-out", "no-temperature"}
        judged = [r for r in rows if str(r["cause"]) not in open_]
        shown = typed(value, self.spec.unit) if math.isfinite(value) and OF_WORD[question.word].kind != ANGLE else (
            self.entries[question.cell])  # fmt: skip
        asked = asked_words(self.spec, self.plan, question, self.part)
        own = f"{shown} ({asked})" if asked else shown
        for row in judged:
            if int(row["verdict"]) == REJECT:
                if row["characteristic"] == "size":
                    return OUTSIDE, own
                found = value_text(row, self.spec.unit)
                return OUTSIDE, f"{row['characteristic']} {found}; asked: {requirement(row, self.spec)}"
        for row in judged:
            if int(row["verdict"]) == HOLD and row["cause"] != "guard-band":
                return DOUBTFUL, f"{own}: {words_of(str(row['cause']))}"
            if int(row["verdict"]) == HOLD:
                return NEAR, f"{own}: {MEANING['guard-band']}"
        if question.word in {"x", "y"} and not any(r["characteristic"] == "position" for r in judged):
            return NOTED, own
        near = any(self._is_near(row) for row in rows)
        return (NEAR, f"{own}: nearer than the gauge can tell") if near else (INSIDE, own)

    def _is_near(self, row: Row) -> bool:
        """Whether a limit lies nearer than U (or r U), or than the share of the tolerance that stands for it."""
        left, u = float(row["left"]), float(row["uncertainty"]) * max(1.0, self.spec.decision.guard_factor)
        if not math.isfinite(u):
            u = bound("unknown gauge") * (float(row["upper"]) - float(row["lower"]))
        return left < u

    # ------------------------------------------------------------------------------------------------- the sheet

    def typed_again(self) -> list[tuple[Question, list[str]]]:
        """Return the readings that were typed more than once, with what stood there before."""
        return [(q, self.replaced[q.cell]) for q in self.questions if q.row is not None and q.cell in self.replaced]

    def finish(self) -> Path:
        """Write the filled sheet and close the draft.

        Raises:
            WriteError: the disk refuses; the draft stays, and can be gone on with.
        """
        from holeqc.answers.sheets import page_of
        from holeqc.readings.sheet import write_recheck, write_sheet

        filled = dict(self.entries)
        for question, _ in self.typed_again():
            cell = self.note_cell(question)
            filled[cell] = "; ".join(filter(None, (filled.get(cell, ""), f"{question.what} typed again")))
        numbers = {q.cell for q in self.questions if q.word in BY_GAUGE or q.word == "temperature_c"}
        content: dict[str, Content] = {c: _number(text) if c in numbers else text for c, text in filled.items()}
        day = self.plan.fields.get("date", "")
        if day in filled:
            content[day] = dt.date.fromisoformat(filled[day])
        page = page_of(self.spec)
        if self.recheck is not None:
            write_recheck(self.spec, self.out, self.recheck, page, replace=False, filled=content)
        else:
            write_sheet(self.spec, self.out, self.part, [self.serial], page, replace=False, filled=content)
        self._add("done", "", self.out.name, door.take(self.out, door.READINGS).sha256)
        self.journal.close()
        return self.out

    def judged(self) -> tuple[Checked, Opening | None]:
        """Return the verdict of the written sheet; of a recheck with what is on record, or with its first sheets."""
        from holeqc.answers.check import Opening, judge
        from holeqc.readings.containers import ReadOptions

        run = judge([self.spec, *map(Path, self.job.first), self.out], None, ReadOptions())
        if self.recheck is None or self.job.first:
            return run, None
        opening = Opening(run, self.job.ledger)
        return opening.run, opening


def _number(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


def _place(address: str) -> tuple[int, int]:
    """Return row and column of a cell: C7 -> (7, 3)."""
    letters = address.rstrip("0123456789")
    column = 0
    for letter in letters:
        column = 26 * column + ord(letter) - 64
    return int(address[len(letters) :]), column


def _of_problem(problems: Sequence[Problem], doubt: str) -> str:
    from holeqc.inspection.results import words_of

    if not problems:
        return words_of(doubt)
    said = replace(problems[0], file="", sheet="", cell="", found="").sentence()
    return said.replace("correct the cell", "type it again: back")


def _part(spec: Specification, named: str) -> str:
    if named or len(spec.parts) == 1:
        return spec.part(named or spec.parts[0].name).name
    raise HoleQCError(f"say which part: --part {' or --part '.join(p.name for p in spec.parts)}")


def _asked_of(job: Job) -> tuple[Specification, Recheck | None]:
    """Return the kit, and of a recheck what is asked.

    Raises:
        HoleQCError: no kit, no serial number, or what is told for a recheck that only a whole part needs.
    """
    from holeqc.answers.files import load_kit
    from holeqc.answers.sheets import from_files, from_record

    kit = Path(job.kit) if job.kit else None
    if job.recheck:
        if job.part or job.serial:
            raise HoleQCError("--recheck names the part itself; leave --part and --serial out")
        if job.first:
            return from_files(kit, [Path(file) for file in job.first], job.recheck)
        return from_record(kit, job.recheck, job.ledger)
    if kit is None or job.first:
        raise HoleQCError("--first goes with --recheck" if job.first else "name the kit first: holeqc log KIT.toml")
    if not job.serial.strip():
        raise HoleQCError("say which part this is: --serial NUMBER")
    return load_kit(kit), None


def _out(job: Job, name: str, recheck: bool) -> Path:
    out = Path(job.out) if job.out else Path(f"{name}{'_recheck' if recheck else ''}.xlsx")
    out = out / f"{name}{'_recheck' if recheck else ''}.xlsx" if out.is_dir() else out
    if out.suffix.lower() != ".xlsx":
        raise HoleQCError(f"{out}: a reading sheet is a workbook; end its name in .xlsx")
    return out


def _draft_to_resume(job: Job) -> Path:
    """Return the draft that is meant: of a sheet that is named, of a serial number, or the only one in the folder.

    Raises:
        HoleQCError: there is none, or several.
    """
    out, wanted = Path(job.out or "."), job.serial.strip() or job.recheck
    if not out.is_dir():
        return out if out.name.endswith(DRAFT) else out.with_name(out.name.removesuffix(".xlsx") + DRAFT)
    there: list[Path] = []
    for path in door.named_so(out, ".csv"):
        lines = _lines(path)[0] if path.name.endswith(DRAFT) else []
        if lines and lines[-1][2:3] != ["done"]:
            begun = _job_of(path, lines)
            there += [path] if wanted in ("", begun.serial, begun.recheck) else []
    if len(there) == 1:
        return there[0]
    if there:
        raise HoleQCError(f"several drafts are there: {', '.join(p.name for p in there)}. Say which: --resume -o NAME")
    raise HoleQCError(f"no draft to go on with{f' of {wanted}' if wanted else ''} in {out}")


def _job_of(path: Path, lines: list[list[str]]) -> Job:
    """Return the job that a draft was begun for; the sheet goes beside the draft, wherever that was moved.

    Raises:
        HoleQCError: it is no draft, or it is finished.
    """
    try:
        begun = json.loads(lines[0][5])
        job = Job(**{name: begun[name] for name in Job.__dataclass_fields__})
    except (IndexError, ValueError, KeyError, TypeError):
        raise HoleQCError(f"{path} is no draft of holeqc log, or its first line is damaged; log it anew") from None
    if any(line[2] == "done" for line in lines):
        raise HoleQCError(f"{path} is finished: its sheet was written")
    return replace(job, first=tuple(job.first), out=os.fspath(path.with_name(Path(job.out).name)))


# ------------------------------------------------------------------------------------------------- the dialog


HELP = (
    "A number, or what the gauge sends, answers.",
    "back: one step back",
    "skip: leave it empty",
    "note TEXT: a remark on this hole",
    "jump 3 far: to that hole; jump date",
    "list: what is empty, doubtful, retyped",
    "map: where the hole is",
    "stop: go on later, nothing is lost",
    "write: make the sheet now",
)
ONLY = {"position": ("x", "y"), "size": ("diameter",), "plugs": ("go", "no_go"), "no-go": ("no_go",)}
NAMED = 8  #: so many places are named one by one


class Talk:
    """The questions asked one by one. ``only``: kinds of reading that are asked now, all if empty."""

    def __init__(self, bench: Bench, ask: Ask, only: Iterable[str] = (), *, maps: bool = True) -> None:
        self.bench, self.ask, self.maps = bench, ask, maps
        words = {word for name in only for word in ONLY.get(name.strip().lower(), (name.strip().lower().replace(
            "-", "_"),))}  # fmt: skip
        known = {q.word for q in bench.questions}
        if words - known:
            raise HoleQCError(f"--only {', '.join(sorted(words - known))}: not asked of this kit; it asks "
                              f"{', '.join(dict.fromkeys(q.word for q in bench.questions if q.row))}")  # fmt: skip
        self.order = [q for q in bench.questions if not words or q.row is None or q.word in words]
        self.at: int | None = self._open(-1)
        self.hole = self.last = ""

    def _open(self, after: int) -> int | None:
        """Return the next place without an answer, from the one after this on and round, None where all are through."""
        there = [*range(after + 1, len(self.order)), *range(max(after, 0))]
        done = self.bench.entries.keys() | self.bench.skipped
        return next((n for n in there if self.order[n].cell not in done), None)

    def run(self) -> bool:
        """Ask until the sheet is to be written; False where somebody stops before."""
        for note in self.bench.notes:
            printing.say(f"Note: {note}")
        printing.say("? or help lists what you can type.")
        show = True
        while True:
            question = None if self.at is None else self.order[self.at]
            if show:
                self._show(question)
            typed = self.ask("> ")
            if typed is None:
                return False
            show = bool(typed[0] or typed[1])
            try:
                done = self._answer(question, *typed)
            except NotTakenError as problem:
                done, show = None, False
                printing.bell()
                printing.say(problem)
            if done is not None:
                return done

    def _show(self, question: Question | None) -> None:
        bench = self.bench
        if question is None:
            left = bench.left()
            printing.say("", f"All asked: {len(bench.questions) - len(left)} filled, {len(left)} empty.")
            self._places("Empty", left)
            printing.say("Enter or write makes the sheet." if not left else
                         "write: make the sheet with them empty. jump: fill one. stop: go on later.")  # fmt: skip
            return
        printing.say("")
        if question.row is not None and question.row.hole.id != self.hole:
            self.hole = question.row.hole.id
            if self.maps:
                self._map(question)
        asked = asked_words(bench.spec, bench.plan, question, bench.part)
        place = bench.questions.index(question) + 1
        printing.say(f"{place} of {len(bench.questions)}. {question.place}{f', {asked}' if asked else ''}")
        if question.row is not None and bench.recheck is not None:
            before = bench.recheck.found.get((question.row.hole.id, question.row.wall), "")
            printing.say(*([f"before: {before}"] if before else []))
        if question.choices:
            printing.say(", ".join(f"{n} {word}" for n, word in enumerate(question.choices, 1)))
        now = bench.entries.get(question.cell, "")
        if now or question.usual:
            printing.say(f"now {now}; Enter keeps it" if now else f"Enter: {question.usual}")
        elif question.row is None:
            printing.say("Enter: not known")

    def _map(self, question: Question) -> None:
        if question.row is not None:
            wide = min(printing.width() - 1, 60)
            printing.say(*map_of(self.bench.spec, self.bench.part, question.row.hole.id, wide))

    def _places(self, what: str, there: Sequence[Question], more: str = "") -> None:
        if there:
            printing.say(f"{what}: {'; '.join(q.place for q in there[:NAMED])}"
                         f"{f'; and {len(there) - NAMED} more' if len(there) > NAMED else ''}{more}")  # fmt: skip

    def _answer(self, question: Question | None, text: str, seconds: float) -> bool | None:
        """Take what was typed; True: write the sheet, False: stop, None: go on."""
        bench = self.bench
        if text and seconds == 0.0:
            raise NotTakenError(f"{text!r} came before the question: not taken. Measure, then send it again")
        word, _, rest = text.partition(" ")
        command = word.lower()
        if command == "stop":
            return False
        if command == "write" or (question is None and not text and seconds and not bench.left()):
            return True
        if command in {"help", "?"}:
            printing.say(*HELP)
        elif command == "list":
            self._list()
        elif command in {"jump", "back"}:
            self._move(command, rest)
        elif question is None:
            if text:
                raise NotTakenError(f"{text!r} answers nothing here")
        elif command == "map":
            self._map(question)
        elif command == "note":
            if not rest.strip():
                raise NotTakenError("write the remark behind it: note scratch at the edge")
            bench.remark(question, rest)
        elif command == "skip" or not text:
            self._nothing(question, command, seconds)
        else:
            if text == self.last and seconds < TWICE and question.word in BY_GAUGE:
                raise NotTakenError(f"{text!r} is not taken: the gauge sent it twice. Measure, then send it again")
            self._take(question, as_entry(question, text, bench.spec.unit))
            self.last = text
        return None

    def _nothing(self, question: Question, command: str, seconds: float) -> None:
        """Answer Enter alone: keep what is there, take what is usual; and skip."""
        if command == "skip" or (question.row is None and seconds and not (
            question.usual or question.cell in self.bench.entries)):  # fmt: skip
            self.bench.skip(question)
        elif not seconds:  # of the two marks at the end of a gauge's line
            return
        elif question.cell not in self.bench.entries:
            if not question.usual:
                raise NotTakenError("Nothing was typed. skip leaves it empty")
            self._take(question, question.usual)
            return
        self.at = self._open(self.at or 0)

    def _take(self, question: Question, entry: str) -> None:
        before = self.bench.doubts
        self.bench.set(question, entry)
        word, sentence = self.bench.look(question)
        if word in (OUTSIDE, DOUBTFUL):
            printing.bell()
        if question.row is not None or word == DOUBTFUL:
            printing.say(f"{word}: {sentence}")
        cells = self.bench.doubts - before - {question.cell}
        self._places("Doubtful now too", [q for q in self.bench.questions if q.cell in cells])
        self.at = self._open(self.at or 0)

    def _move(self, command: str, rest: str) -> None:
        last = len(self.order) if self.at is None else self.at
        if command == "back":
            if not last:
                raise NotTakenError("This is the first question")
            self.at = last - 1
            return
        wanted = rest.casefold().replace(":", " ").replace(",", " ").split()
        if not wanted:
            raise NotTakenError("Say where to: jump 3, jump 3 far, jump date")
        for n, q in enumerate(self.order):
            hole = q.row.hole.id.casefold() if q.row else ""
            words = wanted[1:] if hole and wanted[0] == hole else wanted if not hole else None
            if words is not None and all(w in q.place.casefold() for w in words):
                self.at = n
                return
        raise NotTakenError(f"{rest.strip()!r} is no hole or field of this sheet")

    def _list(self) -> None:
        bench = self.bench
        self._places("Empty", bench.left())
        self._places("Doubtful", [q for q in bench.questions if q.cell in bench.doubts])
        self._places("Typed again", [q for q, _ in bench.typed_again()])
        printing.say(f"{len(bench.entries)} cells filled.")


# ------------------------------------------------------------------------------------------------- from start to end


def log(job: Job, *, resume: bool, only: Sequence[str], maps: bool, by: str = "", record: bool = False) -> int:
    """Log a part at this terminal: ask, write the sheet, judge it and say what follows; return the exit code.

    Raises:
        HoleQCError: nobody sits at this terminal, or what `Bench` refuses.
    """
    from holeqc.answers.check import refuse_unsigned

    refuse_unsigned(record, by, None)
    if not printing.can_ask():
        raise HoleQCError("holeqc log asks a person at a terminal; fill a sheet instead: holeqc sheet")
    with printing.dialog() as ask:
        known = "" if resume or job.recheck else _on_record(job)
        if known:
            printing.say(known, "To read something again: holeqc log --recheck.", "yes: log the whole part anew")
            if (ask("> ") or ("", 0.0))[0].lower() != "yes":
                return printing.STOPPED
        bench = Bench(job, resume=resume)
        printing.say(f"Kit {bench.spec.id}, revision {bench.spec.revision}: {bench.part} {bench.serial}. "
                     "Eye protection on, work clamped, mind chips.")  # fmt: skip
        try:
            done = Talk(bench, ask, only, maps=maps).run()
        except KeyboardInterrupt:
            done = False
        if not done:
            count = len(bench.entries)
            return printing.stopped("", f"Stopped. {count} answer{'s' if count != 1 else ''} kept in {bench.draft}. "
                                    f"Go on: holeqc log --resume -o {bench.out}")  # fmt: skip
        bench.finish()
    return _ending(bench, by, record)


def _on_record(job: Job) -> str:
    """Return what the record knows of a part that is to be logged, '' where there is nothing or no record."""
    from holeqc.ledger import open_ledger
    from holeqc.ledger.approvals import newest_story
    from holeqc.problems import LedgerError

    try:
        with open_ledger(job.ledger, create=False) as there, there.reading():
            row = newest_story(there, job.serial.strip(), kit=_asked_of(job)[0].id, part=job.part).row
    except LedgerError:
        return ""
    return f"{job.serial} is on record already, judged {row['verdict']} on {row['last_day'] or 'no day'}."


def _ending(bench: Bench, by: str, record: bool) -> int:
    """Say verdict, rework and tags of the written sheet, record it where that is asked, and what to do next."""
    from holeqc.answers.check import Opening
    from holeqc.reports.screen import screen_text, screen_width

    run, opening = bench.judged()
    if record and opening is None:
        opening = Opening(run, bench.job.ledger)
        run = opening.run
    printing.write("\n" + screen_text(run.inspection, screen_width()) + "\n")
    for tag in run.tags():
        holes = f"hole{'s' if len(tag.holes) > 1 else ''} {', '.join(tag.holes)}" if tag.holes else "the part"
        printing.say(f"Tag {tag.code}: {tag.verdict}, {holes}")
    for question, before in bench.typed_again()[:NAMED]:
        now = bench.entries.get(question.cell, "nothing")
        printing.say(f"Typed again: {question.place}: {', '.join(before)}, then {now}")
    printing.say(f"Sheet: {bench.out}")
    if record and opening is not None:
        printing.say(*opening.record(by, None, True))
    else:
        kit = bench.job.kit or "KIT.toml"
        printing.say(f"Record it: holeqc check {' '.join([kit, *bench.job.first, str(bench.out)])} --record --by WHO")
    return verdict_code(run)


def verdict_code(run: Checked) -> int:
    """Return the exit code of a verdict."""
    from holeqc.inspection.results import HOLD, REJECT

    return {REJECT: 1, HOLD: 3}.get(run.count.verdict, 0)
