"""Readable sheets of good and bad parts, then moved, added to and damaged: what a changed file may never become.

Structural: a reading outside its limits, a defect or a NO-GO that enters, typed anywhere on the sheet, may never end in
an accepted part; nor may a reading that was taken away. Damage of bytes, XML, zip and cells: never a fault of the tool,
and a bad reading that is still in the file never ends in an accepted part.

Only sheets that are accepted (or, for damage, rejected) before the change are taken, so that the change is what counts.
"""

from __future__ import annotations

import io
import random
import re
import shutil
import tempfile
import warnings
import zipfile
from collections import Counter
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

from campaign import GRAVE, Score, answers_of, judge_answers, run_many, run_watched
from campaign_kits import ACCEPT, HOLD, REFUSED, REJECT, D, set_sizes
from campaign_sheets import LAYOUTS, Made, Sheet, csv_text, typed, write_csv, write_xlsx

EACH = 10  # changes tried on each sheet
Rule = tuple[set[str], set[str]]  # right answers, grave answers
BAD: Rule = ({HOLD, REJECT, REFUSED}, {ACCEPT})
GONE: Rule = ({HOLD, REFUSED}, {ACCEPT, REJECT})
SAME: Rule = ({ACCEPT}, {REJECT})
ANY: Rule = ({ACCEPT, HOLD, REFUSED}, {REJECT})
WORDS = [
    "CRACK at hole {}",
    "hole {} cracked",
    "hole {}: burr not removed",
    "Hole {} oversize",
    "hole {} NO-GO enters",
    "scrap? hole {} egg shaped",
    "Hole {} re-read, {}",
    "{} found cracked at exit side",
]


class Ground:
    """One readable sheet before it is changed."""

    def __init__(self, made: Made, rng: random.Random) -> None:
        self.made, self.rng, self.kit, self.part = made, rng, made.kit, made.parts[0]
        self.sheets: list[Sheet] = deepcopy(made.sheets)
        self.text: str | None = None  # CSV text, where a change is made to the text itself

    @property
    def sheet(self) -> Sheet:
        return self.sheets[0]

    def data_rows(self) -> list[int]:
        return [i for i, r in enumerate(self.sheet.rows) if any(key_of(c)[:1] == "d" for c in r)]

    def first(self) -> int:
        return self.data_rows()[0]

    def last(self) -> int:
        return self.data_rows()[-1]

    def spot(self, prefix: str = "d") -> tuple[int, int]:
        return self.rng.choice(
            [(i, j) for i, r in enumerate(self.sheet.rows) for j, c in enumerate(r) if key_of(c).startswith(prefix)]
        )

    def bad_size(self, cell: Any) -> Any:
        """The same reading, typed beyond the upper or under the lower limit."""
        off = self.kit.band * self.rng.choice([D("1.3"), D("2"), D("-1.5")])
        return typed(self.made.style.length(cell.true + off, self.kit, True), cell.key, cell.true + off)

    def bad_row(self, all_sizes: bool = False) -> list[Any]:
        """A copy of a row of readings with one or all diameters outside their limits."""
        row = list(self.sheet.rows[self.rng.choice(self.data_rows())])
        spots = [j for j, c in enumerate(row) if key_of(c).startswith("d")]
        for j in spots if all_sizes else [self.rng.choice(spots)]:
            row[j] = self.bad_size(row[j])
        return row

    def put(self, i: int, j: int, value: Any) -> None:
        rows = self.sheet.rows
        while len(rows) <= i:
            rows.append([])
        rows[i] += [None] * (j + 1 - len(rows[i]))
        rows[i][j] = value

    def insert(self, i: int, row: list[Any]) -> None:
        self.sheet.rows.insert(i, row)
        self.sheet.merges = [(a + (a >= i), b, c + (c >= i), d) for a, b, c, d in self.sheet.merges]

    def hole_cell(self, row: list[Any]) -> int | None:
        """Column of the hole's label in a row of readings; None too where a count of lines looks just like it."""
        names = {h.id for h in self.kit.holes}
        lead = next(j for j, c in enumerate(row) if key_of(c))
        rows = [self.sheet.rows[i] for i in self.data_rows()]
        named = [j for j in range(lead) if str(row[j]) in names]
        labels = [j for j in named if all(str(r[j]) in names for r in rows if len(r) > j)]
        return labels[0] if len(labels) == 1 else None

    def hidden(self, i: int, j: int) -> bool:
        """Whether a cell lies under a merged range, where nothing can be typed."""
        return any(a <= i <= c and b <= j <= d and (i, j) != (a, b) for a, b, c, d in self.sheet.merges)

    @property
    def width(self) -> int:
        return max(len(r) for r in self.sheet.rows)

    def defect(self) -> str:
        return self.rng.choice(WORDS).format(self.rng.choice(self.kit.holes).id, self.rng.choice(["cracked", "burr"]))

    def write(self, folder: Path) -> list[str]:
        words = self.made.write(folder)
        path = Path(words[2])
        if self.text is not None:
            path.write_text(self.text, encoding="utf-8", newline="")
        elif path.suffix == ".xlsx":
            write_xlsx(self.sheets, path)
        else:
            write_csv(self.sheet, path, self.made.style)
        return words


def key_of(cell: Any) -> str:
    return getattr(cell, "key", "")


Change = Callable[[Ground], Rule | None]
FOREIGN: dict[str, Change] = {}


def foreign(function: Change) -> Change:
    FOREIGN[function.__name__] = function
    return function


@foreign
def bad_row_below(g: Ground) -> Rule:
    for _ in range(g.rng.choice([0, 0, 1, 3])):
        g.insert(g.last() + 1, [])
    g.insert(g.last() + 1 + g.rng.choice([0, 1]), g.bad_row(g.rng.random() < 0.5))
    return BAD


@foreign
def bad_row_under_foot(g: Ground) -> Rule:
    g.sheet.rows.append([])
    g.sheet.rows.append(g.bad_row(g.rng.random() < 0.5))
    return BAD


@foreign
def bad_row_re_read(g: Ground) -> Rule | None:
    """The hole's label says that the hole was read again."""
    row = g.bad_row(True)
    if (j := g.hole_cell(row)) is None:
        return None
    row[j] = f"{row[j]} {g.rng.choice(['(re-read)', 're-read', '*', '(2nd)', 'again'])}"
    g.insert(g.last() + 1, row)
    return BAD


@foreign
def bad_row_without_labels(g: Ground) -> Rule:
    """Only the readings are typed: no hole, no wall, inside the table or below it."""
    row = [c if key_of(c) else None for c in g.bad_row(True)]
    g.insert(g.rng.choice([*g.data_rows()[1:], g.last() + 1]), row)
    return BAD


@foreign
def bad_row_unknown_hole(g: Ground) -> Rule | None:
    row = g.bad_row(True)
    if (j := g.hole_cell(row)) is None:
        return None
    row[j] = g.rng.choice(["99", "?", "X7", "spare"])
    g.insert(g.last() + 1, row)
    return BAD


@foreign
def bad_rows_above_headings(g: Ground) -> Rule:
    """Rows of readings above the headings, where another sheet was pasted without its own."""
    at = g.rng.randint(0, max(0, g.first() - 1))
    for _ in range(g.rng.choice([1, 4, len(g.data_rows())])):
        g.insert(at, g.bad_row(True))
    return BAD


def _small_table(g: Ground) -> list[list[Any]]:
    """The heading line and one bad row of the table."""
    heads = next(i for i in range(g.first() - 1, -1, -1) if sum(c is not None for c in g.sheet.rows[i]) > 2)
    return [list(g.sheet.rows[heads]), g.bad_row(True)]


@foreign
def second_table_lower_right(g: Ground) -> Rule | None:
    if sum(c is not None for c in g.sheet.rows[g.first() - 1]) < 3:
        return None
    at, right = g.last() + g.rng.choice([2, 4]), g.width + g.rng.choice([1, 2])
    for i, row in enumerate(_small_table(g)):
        for j, c in enumerate(row):
            if c is not None:
                g.put(at + i, right + j, c)
    return BAD


@foreign
def second_table_beside(g: Ground) -> Rule | None:
    if sum(c is not None for c in g.sheet.rows[g.first() - 1]) < 3:
        return None
    at, right = g.first() - 1, g.width + g.rng.choice([0, 1])
    for i, row in enumerate(_small_table(g)):
        for j, c in enumerate(row):
            if c is not None:
                g.put(at + i, right + j, c)
    return BAD


@foreign
def second_table_other_sheet(g: Ground) -> Rule | None:
    if g.made.style.kind != "xlsx" or sum(c is not None for c in g.sheet.rows[g.first() - 1]) < 3:
        return None
    name = g.rng.choice(["recheck", "Sheet2", "holeqc_lists", "lists", "old", "notes"])
    g.sheets.append(Sheet(name, _small_table(g)))
    return BAD


@foreign
def table_doubled_one_bad(g: Ground) -> Rule:
    """The whole table again below, one reading outside."""
    rows = [list(r) for r in g.sheet.rows[g.first() - 1 : g.last() + 1]]
    spots = [(i, j) for i, r in enumerate(rows) for j, c in enumerate(r) if key_of(c).startswith("d")]
    i, j = g.rng.choice(spots)
    rows[i][j] = g.bad_size(rows[i][j])
    g.sheet.rows += [[]] * g.rng.choice([1, 2]) + rows
    return BAD


@foreign
def defect_somewhere(g: Ground) -> Rule:
    """A defect in words in any empty cell."""
    i = g.rng.choice([*range(0, max(1, g.first() - 1)), *g.data_rows(), g.last() + 1, g.last() + 3])
    j = g.rng.choice([0, 1, g.width, g.width + 2])
    row = g.sheet.rows[i] if i < len(g.sheet.rows) else []
    while g.hidden(i, j) or (j < len(row) and row[j] not in (None, "")):
        j += 1
    g.put(i, j, g.defect())
    return BAD


@foreign
def defect_below(g: Ground) -> Rule:
    g.sheet.rows += [[]] * g.rng.choice([0, 1, 5])
    g.sheet.rows.append([None] * g.rng.choice([0, 0, 1, 3]) + [g.defect()])
    return BAD


@foreign
def bad_number_beside(g: Ground) -> Rule:
    """A reading outside its limits in a column without a heading."""
    i, j = g.spot()
    g.put(i, g.width + g.rng.choice([0, 1]), g.bad_size(g.sheet.rows[i][j]))
    return BAD


@foreign
def bad_number_in_words(g: Ground) -> Rule:
    i, j = g.spot()
    value = g.bad_size(g.sheet.rows[i][j])
    text = g.rng.choice(["hole {} re-measured {}", "{}: {} on second look", "hole {} now {}"])
    g.put(g.last() + g.rng.choice([2, 3]), g.rng.choice([0, g.width]), text.format(g.rng.choice(g.kit.holes).id, value))
    return BAD


@foreign
def two_values_in_a_cell(g: Ground) -> Rule:
    i, j = g.spot()
    old = g.sheet.rows[i][j]
    form = g.rng.choice(["{}/{}", "{} / {}", "{} ({})", "{}; {}", "{} {}", "{}\n{}"])
    pair = [old, g.bad_size(old)]
    g.rng.shuffle(pair)
    g.put(i, j, form.format(*pair))
    return BAD


@foreign
def bad_in_place(g: Ground) -> Rule:
    """One reading outside its limits by more than a band."""
    i, j = g.spot()
    g.put(i, j, g.bad_size(g.sheet.rows[i][j]))
    return BAD


@foreign
def no_go_in_place(g: Ground) -> Rule | None:
    if not g.kit.plugs:
        return None
    i, j = g.spot("no_go")
    g.put(i, j, g.made.style.answers[3])
    return BAD


@foreign
def crack_in_place(g: Ground) -> Rule | None:
    if not g.kit.surface:
        return None
    i, j = g.spot("surface")
    g.put(i, j, g.rng.choice(["crack", "cracked", "burr", "clean, but crack at exit"]))
    return BAD


@foreign
def quote_swallows_next_row(g: Ground) -> Rule | None:
    """A stray quote opens a field, and the bad next row stands inside it."""
    if g.made.style.kind != "csv" or g.made.style.quote_all or len(g.data_rows()) < 4:
        return None
    i = g.rng.choice(g.data_rows()[:-2])
    if i + 1 not in g.data_rows():
        return None
    row = g.sheet.rows[i + 1]
    for j, c in enumerate(row):
        if key_of(c).startswith("d"):
            row[j] = g.bad_size(c)
    lines = csv_text(g.sheet, g.made.style).splitlines(keepends=True)
    fields = lines[i].split(g.made.style.delimiter)
    fields[-1] = '"' + fields[-1]
    lines[i] = g.made.style.delimiter.join(fields)
    if g.rng.random() < 0.7:
        fields = lines[i + 1].rstrip("\r\n").split(g.made.style.delimiter)
        lines[i + 1] = g.made.style.delimiter.join([*fields[:-1], fields[-1] + '"']) + "\n"
    g.text = "".join(lines)
    return BAD


@foreign
def reading_gone(g: Ground) -> Rule:
    i, j = g.spot("")
    i, j = g.spot()
    g.put(i, j, g.rng.choice([None, "", "-", "n/a", "TRUE", "#DIV/0!", "see note", "."]))
    return GONE


@foreign
def row_gone(g: Ground) -> Rule:
    i = g.rng.choice(g.data_rows())
    if g.sheet.merges:
        g.sheet.rows[i] = []
    else:
        del g.sheet.rows[i]
    return GONE


@foreign
def column_gone(g: Ground) -> Rule | None:
    if g.sheet.merges:
        return None
    _, j = g.spot()
    for row in g.sheet.rows:
        if len(row) > j:
            row[j : j + 1] = []
    return GONE


@foreign
def hole_renamed(g: Ground) -> Rule | None:
    """One hole's label is another's: one hole is missing, the other twice."""
    names = {h.id for h in g.kit.holes}
    i = g.rng.choice(g.data_rows())
    if (j := g.hole_cell(g.sheet.rows[i])) is None:
        return None
    old = g.sheet.rows[i][j]
    new = g.rng.choice(sorted(names - {str(old)}))
    g.put(i, j, int(new) if isinstance(old, int) else new)
    return ({HOLD, REFUSED, REJECT}, {ACCEPT}) if len(g.kit.groups) > 1 or g.kit.tolerance else GONE


@foreign
def heading_gone(g: Ground) -> Rule | None:
    """A heading blanked: its readings, good ones, may still be read where the headings beside it say what they are."""
    return ({ACCEPT, HOLD, REFUSED}, {REJECT}) if _blank_heading(g) else None


@foreign
def heading_gone_one_bad(g: Ground) -> Rule | None:
    """A heading blanked, and one of its readings outside: not read, it may not be lost; read, it is a reject."""
    spot = _blank_heading(g)
    if spot is None:
        return None
    i, j = spot
    g.put(i, j, g.bad_size(g.sheet.rows[i][j]))
    return BAD


def _blank_heading(g: Ground) -> tuple[int, int] | None:
    i, j = g.spot()
    for up in range(i - 1, -1, -1):
        row = g.sheet.rows[up]
        if len(row) > j and isinstance(row[j], str) and not key_of(row[j]):
            if sum(isinstance(c, str) and not key_of(c) for c in row) < 3 or str(row[j]) in g.made.wall_words.values():
                return None
            row[j] = None
            return i, j
    return None


@foreign
def moved(g: Ground) -> Rule:
    """All down and to the right."""
    down, right = g.rng.randint(0, 6), g.rng.randint(0, 4)
    g.sheet.rows[:] = [[] for _ in range(down)] + [[None] * right + r for r in g.sheet.rows]
    g.sheet.merges = [(a + down, b + right, c + down, d + right) for a, b, c, d in g.sheet.merges]
    return SAME


@foreign
def blank_rows_inside(g: Ground) -> Rule | None:
    if g.made.layout == "filled_down":
        return None
    for _ in range(g.rng.randint(1, 2)):
        g.insert(g.rng.choice(g.data_rows()[1:]), [])
    return SAME


@foreign
def rows_shuffled(g: Ground) -> Rule | None:
    if g.made.layout not in ("wide", "with_gauge", "long", "beside", "two_line", "grouped", "go_one", "x_y_dia"):
        return None
    at = g.data_rows()
    if at != list(range(at[0], at[0] + len(at))):
        return None
    rows = [g.sheet.rows[i] for i in at]
    g.rng.shuffle(rows)
    for i, row in zip(at, rows, strict=True):
        g.sheet.rows[i] = row
    return SAME


@foreign
def blank_sheet_added(g: Ground) -> Rule | None:
    if g.made.style.kind != "xlsx":
        return None
    g.sheets.insert(g.rng.choice([0, 1]), Sheet("Blank"))
    return SAME


@foreign
def table_doubled(g: Ground) -> Rule:
    g.sheet.rows += [[], *[list(r) for r in g.sheet.rows[g.first() - 1 : g.last() + 1]]]
    return ANY


# ---- the tool's own sheet --------------------------------------------------------------------------------------------


class OwnGround:
    """A filled sheet of the tool's own, changed as a person would type into it."""

    def __init__(self, made: Made, page: Any, book: Any, rng: random.Random) -> None:
        self.made, self.page, self.book, self.rng, self.kit = made, page, book, rng, made.kit
        self.line = next(i for i in range(1, 40) if page.cell(i, 1).value == "Hole")
        self.titles = {
            str(page.cell(self.line, j).value): j
            for j in range(1, page.max_column + 1)
            if page.cell(self.line, j).value
        }
        names = {h.id for h in self.kit.holes}
        self.rows = [i for i in range(self.line + 1, page.max_row + 1) if str(page.cell(i, 1).value) in names]
        self.sizes = [j for t, j in self.titles.items() if t.startswith("Diameter")]
        self.readings = [
            j
            for t, j in self.titles.items()
            if t.startswith(("Diameter", "x [", "y [")) or t in ("GO", "NO-GO", "Surface")
        ]

    def bad(self, row: int) -> float:
        hole = self.kit.hole(str(self.page.cell(row, 1).value))
        off = self.kit.band * self.rng.choice([D("0.8"), D("1.5")])
        return float(self.rng.choice([hole.upper + off, hole.lower - off]))

    def any_row(self) -> int:
        return self.rng.choice(self.rows)

    def below(self, hole: Any, wall: Any) -> int:
        """A row typed under the table: labels, then sizes outside."""
        at = self.rows[-1] + self.rng.choice([1, 1, 2])
        while any(self.page.cell(at, j).value for j in range(1, 8)):
            at += 1
        like = self.any_row()
        if hole is not None:
            self.page.cell(at, 1, hole)
        if wall is not None and "Wall" in self.titles:
            self.page.cell(at, self.titles["Wall"], wall)
        for j in self.sizes:
            self.page.cell(at, j, self.bad(like))
        if "NO-GO" in self.titles:
            self.page.cell(at, self.titles["NO-GO"], "enters")
        return at


OwnChange = Callable[[OwnGround], Rule | None]
OWN: dict[str, OwnChange] = {}


def on_own(function: OwnChange) -> OwnChange:
    OWN["own: " + function.__name__] = function
    return function


@on_own
def re_read_below(g: OwnGround) -> Rule:
    g.below(
        f"{g.rng.choice(g.kit.holes).id} {g.rng.choice(['(re-read)', 'again', ''])}".strip(), g.rng.choice(g.kit.walls)
    )
    return BAD


@on_own
def blank_labels_below(g: OwnGround) -> Rule:
    g.below(*g.rng.choice([(None, g.kit.walls[0]), (g.kit.holes[0].id, None), (None, None), ("99", g.kit.walls[0])]))
    return BAD


@on_own
def remark_under_foot(g: OwnGround) -> Rule:
    at = g.page.max_row + g.rng.choice([1, 2, 5])
    g.page.cell(at, g.rng.choice([1, 2, 5, 20]), g.rng.choice(WORDS).format(g.rng.choice(g.kit.holes).id, "crack"))
    return BAD


@on_own
def remark_beside(g: OwnGround) -> Rule:
    g.page.cell(
        g.rng.choice([*g.rows, g.line, g.line - 2]),
        g.page.max_column + g.rng.choice([1, 3]),
        g.rng.choice(WORDS).format(g.rng.choice(g.kit.holes).id, "crack"),
    )
    return BAD


@on_own
def note_speaks_of_a_defect(g: OwnGround) -> Rule | None:
    if "Note" not in g.titles:
        return None
    g.page.cell(g.any_row(), g.titles["Note"], g.rng.choice(["crack", "burr", "cracked at exit", "oversize, see 41"]))
    return BAD


@on_own
def typed_over_limits_or_checks(g: OwnGround) -> Rule:
    """A reading outside its limits in a cell that isn't for readings."""
    row = g.any_row()
    others = [j for t, j in g.titles.items() if j not in g.readings and t not in ("Hole", "Wall", "Note")]
    g.page.cell(row, g.rng.choice(others), g.bad(row))
    return BAD


@on_own
def second_table(g: OwnGround) -> Rule:
    right, at = g.page.max_column + 2, g.rng.choice([g.line, g.rows[-1] + 2])
    row = g.any_row()
    for n, (title, value) in enumerate(
        [
            ("Hole", g.page.cell(row, 1).value),
            ("Wall", g.kit.walls[0]),
            ("Diameter 0°", g.bad(row)),
            ("Diameter 90°", g.bad(row)),
        ]
    ):
        g.page.cell(at, right + n, title)
        g.page.cell(at + 1, right + n, value)
    return BAD


@on_own
def second_sheet(g: OwnGround) -> Rule:
    hidden = next((n for n in g.book.sheetnames if g.book[n].sheet_state != "visible"), "")
    page = g.book.create_sheet(g.rng.choice(["recheck", "Sheet2", "holeqc_lists2", "x"]))
    if g.rng.random() < 0.4 and hidden:
        page = g.book[hidden]
    at = page.max_row + 2
    row = g.any_row()
    for n, (title, value) in enumerate(
        [("Hole", g.page.cell(row, 1).value), ("Wall", g.kit.walls[0]), ("Dia 0", g.bad(row)), ("Dia 90", g.bad(row))]
    ):
        page.cell(at, 1 + n, title)
        page.cell(at + 1, 1 + n, value)
    return BAD


@on_own
def reading_removed(g: OwnGround) -> Rule:
    g.page.cell(g.any_row(), g.rng.choice(g.readings)).value = None
    return GONE


@on_own
def row_cleared(g: OwnGround) -> Rule:
    row = g.any_row()
    for j in range(1, g.page.max_column + 1):
        g.page.cell(row, j).value = None
    return GONE


@on_own
def reading_is_bad(g: OwnGround) -> Rule:
    row = g.any_row()
    g.page.cell(row, g.rng.choice(g.sizes), g.bad(row))
    return BAD


@on_own
def hidden_row_is_bad(g: OwnGround) -> Rule:
    row = g.any_row()
    for j in g.sizes:
        g.page.cell(row, j, g.bad(row))
    g.page.row_dimensions[row].hidden = True
    return BAD


@on_own
def cell_comment(g: OwnGround) -> Rule:
    from openpyxl.comments import Comment

    g.page.cell(g.any_row(), g.rng.choice(g.readings)).comment = Comment("crack here", "41")
    return BAD


@on_own
def hole_label_changed(g: OwnGround) -> Rule:
    row = g.any_row()
    other = g.rng.choice([h.id for h in g.kit.holes if h.id != str(g.page.cell(row, 1).value)] + ["99"])
    g.page.cell(row, 1, other)
    return ({HOLD, REFUSED, REJECT}, {ACCEPT})


@on_own
def two_values(g: OwnGround) -> Rule:
    row, j = g.any_row(), g.rng.choice(g.sizes)
    g.page.cell(row, j, f"{g.page.cell(row, j).value} / {g.bad(row)}")
    return BAD


@on_own
def row_inserted(g: OwnGround) -> Rule:
    """A row put in between, unlabelled, with readings outside."""
    like = g.any_row()
    bad = [g.bad(like) for _ in g.sizes]
    g.page.insert_rows(like)
    for j, value in zip(g.sizes, bad, strict=True):
        g.page.cell(like, j, value)
    return BAD


# ---- damage ----------------------------------------------------------------------------------------------------------


def _parts(data: bytes) -> list[tuple[str, bytes]]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return [(n, archive.read(n)) for n in archive.namelist()]


def _zip(parts: list[tuple[str, bytes]]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for name, data in parts:
            archive.writestr(name, data)
    return out.getvalue()


def _on_sheet_xml(data: bytes, change: Callable[[str], str]) -> bytes:
    parts = _parts(data)
    return _zip([(n, change(d.decode()).encode() if n.startswith("xl/worksheets/sheet") else d) for n, d in parts])


def damage_bytes(data: bytes, rng: random.Random) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice([1, 1, 3, 20])):
        out[rng.randrange(len(out))] = rng.randrange(256)
    return bytes(out)


def damage_cut(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(1, len(data))]


def damage_piece_moved(data: bytes, rng: random.Random) -> bytes:
    a, b = sorted(rng.randrange(len(data)) for _ in range(2))
    b = min(b, a + 400)
    return rng.choice([data[:a] + data[b:], data[:b] + data[a:b] + data[b:], data[:a] + bytes(20) + data[a:]])


def damage_xml(data: bytes, rng: random.Random) -> bytes:
    """Something of the sheet's XML changed that a strict or a lax reader might take differently."""

    def change(text: str) -> str:
        cells = re.findall(r"<c [^>]*>.*?</c>", text)
        cell = rng.choice(cells) if cells else ""
        kinds: list[Callable[[], str]] = [
            lambda: re.sub(r'<dimension ref="[^"]*"', '<dimension ref="A1:B2"', text),
            lambda: text.replace(cell, cell + cell, 1),
            lambda: text.replace(cell, re.sub(r"<v>[^<]*</v>", lambda m: m[0] + "<v>0.5</v>", cell), 1),
            lambda: text.replace(cell, re.sub(r' r="[A-Z]+\d+"', "", cell), 1),
            lambda: text.replace(cell, re.sub(r"<v>", "<v> ", cell), 1),
            lambda: text.replace(cell, cell.replace(' t="s"', ' t="b"').replace(' t="n"', ' t="e"'), 1),
            lambda: re.sub(r'<row r="(\d+)"', lambda m: f'<row r="{m[1]}" hidden="1"', text),
            lambda: text.replace("</sheetData>", '</sheetData><mergeCells><mergeCell ref="A1:H40"/></mergeCells>', 1),
            lambda: text.replace("<sheetData>", '<sheetData><row r="99999999999"/>', 1),
            lambda: re.sub(r"<v>(\d+)</v>", lambda m: f"<v>{int(m[1]) + rng.randint(0, 900)}</v>", text, count=1),
            lambda: "<!DOCTYPE a [<!ENTITY b 'c'>]>" + text,
            lambda: text.replace("<v>", "<v>&lt;", 1),
            lambda: text.replace("<sheetData>", "<sheetData><sheetData>", 1),
            lambda: text.replace(cell, re.sub(r"<v>[^<]*</v>", "<v>1e400</v>", cell), 1),
            lambda: text.replace(cell, re.sub(r"<v>[^<]*</v>", "<v>nan</v>", cell), 1),
            lambda: text.replace("</worksheet>", ""),
        ]
        return rng.choice(kinds)()

    return _on_sheet_xml(data, change)


def damage_zip(data: bytes, rng: random.Random) -> bytes:
    parts = _parts(data)
    sheets = [p for p in parts if p[0].startswith("xl/worksheets/sheet")]
    name, xml = rng.choice(sheets)
    blank = re.sub(rb"<sheetData>.*</sheetData>", b"<sheetData/>", xml, flags=re.S)
    kind = rng.randrange(6)
    if kind == 0:  # two entries of one name
        parts.append((name, blank if rng.random() < 0.5 else xml.replace(b"<v>0", b"<v>1")))
    elif kind == 1:
        parts.insert(0, (name, blank))
    elif kind == 2:
        parts.remove(rng.choice(parts))
    elif kind == 3:
        n = rng.randrange(len(parts))
        parts[n] = (parts[n][0], damage_bytes(parts[n][1] or b"x", rng))
    elif kind == 4:
        n = rng.randrange(len(parts))
        parts[n] = (parts[n][0].upper(), parts[n][1])
    else:
        n = rng.randrange(len(parts))
        parts[n] = (parts[n][0], parts[n][1][: len(parts[n][1]) // 2])
    return _zip(parts)


def _mended(xml: str, bad: dict[str, str]) -> str:
    return re.sub(r"<v>([^<]*)</v>", lambda m: f"<v>{bad.get(m[1], m[1])}</v>", xml)


def hide_in_doubled_entry(data: bytes, rng: random.Random, bad: dict[str, str]) -> bytes:
    """A second sheet of the same name in the zip file, in which the bad reading is good."""
    parts = _parts(data)
    better = [(n, _mended(d.decode(), bad).encode()) for n, d in parts if n.startswith("xl/worksheets/sheet")]
    return _zip(parts + better if rng.random() < 0.5 else better + parts)


def hide_in_doubled_cell(data: bytes, rng: random.Random, bad: dict[str, str]) -> bytes:
    """A second cell of the same address, or a second value of the same cell, in which the bad reading is good."""

    def change(text: str) -> str:
        for value, good in bad.items():
            for cell in re.findall(rf"<c [^>]*><v>{re.escape(value)}</v></c>", text):
                other = cell.replace(f"<v>{value}</v>", f"<v>{good}</v>")
                both = [
                    cell + other,
                    other + cell,
                    cell.replace("</v>", f"</v><v>{good}</v>"),
                    cell.replace("<v>", f"<v>{good}</v><v>"),
                ]
                text = text.replace(cell, rng.choice(both), 1)
        return text

    return _on_sheet_xml(data, change)


def hide_under_merge(data: bytes, rng: random.Random, bad: dict[str, str]) -> bytes:
    """The bad reading lies under a merged range, where a spreadsheet shows only the first cell."""

    def change(text: str) -> str:
        if "<mergeCells" in text:
            return text
        for value in bad:
            for m in re.finditer(rf'<c r="([A-Z]+)(\d+)"[^>]*><v>{re.escape(value)}</v></c>', text):
                ref = f"{m[1]}{int(m[2]) - 1}:{m[1]}{m[2]}"
                merged = f'</sheetData><mergeCells count="1"><mergeCell ref="{ref}"/></mergeCells>'
                return text.replace("</sheetData>", merged, 1)
        return text

    return _on_sheet_xml(data, change)


HIDING = {
    "hidden in a doubled entry": hide_in_doubled_entry,
    "hidden in a doubled cell": hide_in_doubled_cell,
    "hidden under a merge": hide_under_merge,
}


def damage_csv(data: bytes, rng: random.Random) -> bytes:
    lines = data.split(b"\n")
    n = rng.randrange(len(lines))
    kind = rng.randrange(8)
    if kind == 0:
        lines[n] = lines[n].replace(b",", b";").replace(b"\t", b",")
    elif kind == 1:
        at = rng.randrange(len(lines[n]) + 1)
        lines[n] = lines[n][:at] + b'"' + lines[n][at:]
    elif kind == 2:
        lines[n] = b"\x00" + lines[n]
    elif kind == 3:
        lines[n] = b"\xef\xbb\xbf" + lines[n]
    elif kind == 4:
        return data.replace(b"\r\n", b"\n").replace(b"\n", b"\r")
    elif kind == 5:
        lines[n] += b"\xff\xfe\x80"
    elif kind == 6:
        lines[n] += b"," * 40 + b"x" * rng.choice([10, 5000])
    else:
        lines.insert(n, b"\x1a")
    return b"\n".join(lines)


DAMAGE = {
    "bytes": damage_bytes,
    "cut": damage_cut,
    "piece moved": damage_piece_moved,
    "xml": damage_xml,
    "zip": damage_zip,
    "csv": damage_csv,
}


def make_bad(made: Made, rng: random.Random) -> dict[str, str]:
    """One hole becomes really too large; answer its readings as a workbook holds them, and good ones instead."""
    row = rng.choice(made.parts[0].rows)
    hole = made.kit.hole(row.hole)
    for wall in made.kit.walls:
        set_sizes(rng, made.kit, row, wall, hole.upper + made.kit.band / 2, made.kit.band / 10)
    bad = [row.values[w][k] for w in made.kit.walls for k in made.kit.size_keys]
    steps = made.kit.size_step * rng.randint(-2, 2)
    return {str(float(b)): str(float((hole.lower + hole.upper) / 2 + steps)) for b in bad}


def still_there(path: Path, before: Counter[Any]) -> bool:
    """Whether all that was typed still stands in the file, by a plain second reader."""
    try:
        return not before - cells_of(path)
    except Exception:  # damaged beyond this reader: nothing shows that the bad reading is gone
        return True


def cells_of(path: Path) -> Counter[Any]:
    if path.suffix == ".csv":
        return Counter(re.findall(rb"[^\r\n,;|\t\" \x00]+", path.read_bytes()))
    from openpyxl import load_workbook

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        book = load_workbook(path)
        return Counter(c.value for s in book for r in s.iter_rows() for c in r if c.value is not None)


def damaged(made: Made, rng: random.Random, folder: Path, name: str, bad: dict[str, str]) -> Score:
    """One damage: no fault of the tool, and a rejected part isn't accepted while what was typed still stands there."""
    start = REJECT if bad else ACCEPT
    words = made.write(folder)
    path = Path(words[2])
    kinds = ["bytes", "cut", "piece moved"] + (
        ["xml", "xml", "zip", "zip"] if path.suffix == ".xlsx" else ["csv", "csv"]
    )
    kind = rng.choice(kinds + ([*HIDING] if bad and path.suffix == ".xlsx" and made.layout != "own" else []))
    before = cells_of(path)
    data = path.read_bytes()
    path.write_bytes(HIDING[kind](data, rng, bad) if kind in HIDING else DAMAGE[kind](data, rng))
    outcome = run_watched(words)
    if outcome is None:
        return Score(name, f"damage: {kind}", start, False, "hang", "")
    answers = answers_of(outcome)
    text = f"exit {outcome.code}: {answers}"
    if outcome.crashed:
        return Score(name, f"damage: {kind}", start, False, "crash", text + " " + outcome.err[-200:])
    answer = answers.get(made.parts[0].serial, REFUSED)
    accepted = answer == ACCEPT and start == REJECT and (kind in HIDING or still_there(path, before))
    return Score(name, f"damage: {kind}", start, False, "false accept" if accepted else "right", text)


# ---- running ---------------------------------------------------------------------------------------------------------

GROUNDS = (
    ["own"] * 6
    + ["wide"] * 5
    + ["long"] * 3
    + [
        "beside",
        "filled_down",
        "grouped",
        "two_line",
        "sections",
        "blocks_above",
        "blocks_beside",
        "across",
        "with_gauge",
        "go_one",
        "x_y_dia",
        "cards",
    ]
)


def _ground(seed: int, index: int) -> tuple[Made, random.Random]:
    rng = random.Random(f"{seed}:{index}:mutations")
    return Made(seed, index, rng.choice(GROUNDS), clean=True), rng


def changes(job: tuple[int, int, str | None], only: int | None = None) -> list[Score]:
    """Change one sheet several times; nothing where the tool doesn't accept it unchanged."""
    seed, index, keep = job
    made, rng = _ground(seed, index)
    if len(made.parts) > 1 or not made.plain:
        return []
    bad: dict[str, str] = {}
    if rng.random() < 0.25:  # for damage
        bad = make_bad(made, rng)
        made.sheets = [] if made.layout == "own" else _laid_out(made)
    start = REJECT if bad else ACCEPT
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        outcome = run_watched(made.write(folder))
        if outcome is None or answers_of(outcome).get(made.parts[0].serial) != start:
            return []
    out = []
    for k in range(EACH) if only is None else [only]:
        name = f"{seed}:{index}:{k}"
        draw = random.Random(f"{name}:change")
        with tempfile.TemporaryDirectory() as temporary:
            folder = Path(temporary)
            if bad or draw.random() < 0.1:
                score = damaged(made, draw, folder, name, bad)
            elif made.layout == "own":
                score = _own_change(made, draw, folder, name)
            else:
                score = _foreign_change(made, draw, folder, name)
            if score:
                out.append(score)
            if keep and score and (only is not None or score.kind in (*GRAVE, "let through")):
                shutil.copytree(folder, Path(keep) / name.replace(":", "_"), dirs_exist_ok=True)
    return out


def _laid_out(made: Made) -> list[Sheet]:
    return LAYOUTS[made.layout][2](made)


def _foreign_change(made: Made, rng: random.Random, folder: Path, name: str) -> Score | None:
    for _ in range(20):
        what = rng.choice(list(FOREIGN))
        ground = Ground(made, rng)
        try:
            rule = FOREIGN[what](ground)
        except IndexError:  # nothing on the sheet to change so
            continue
        if rule:
            outcome = run_watched(ground.write(folder))
            kind, text = judge_answers(outcome, {made.parts[0].serial: rule})
            return Score(name, what, made.layout, rule == SAME, kind, text)
    return None


def _own_change(made: Made, rng: random.Random, folder: Path, name: str) -> Score | None:
    from openpyxl import load_workbook

    words = made.write(folder)
    path = Path(words[2])
    book = load_workbook(path)
    ground = OwnGround(made, book[made.parts[0].serial], book, rng)
    what = rng.choice(list(OWN))
    rule = OWN[what](ground)
    if not rule:
        return None
    book.save(path)
    outcome = run_watched(words)
    kind, text = judge_answers(outcome, {made.parts[0].serial: rule})
    return Score(name, what, made.layout, False, kind, text)


def structural(seed: int, count: int, keep: str | None = None, processes: int = 2) -> list[Score]:
    """``count`` changes of a seed, or fewer where few sheets are read at all."""
    out: list[Score] = []
    index = 0
    while len(out) < count and index < 3 * count:
        jobs = [(seed, i, keep) for i in range(index, index + max(20, (count - len(out)) // 3))]
        index = jobs[-1][1] + 1
        for scores in run_many(changes, jobs, processes):  # type: ignore[arg-type]
            out += scores  # type: ignore[arg-type]
    return out[:count]
