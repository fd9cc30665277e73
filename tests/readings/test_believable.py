"""What can't be true holds and never rejects; what is only bad stays a reject; neither is ever accepted.

Kits, parts and slips are made at random with a fixed seed; their truth is known by how they are made. The bounds are
ours (common practice, no source), worked out by hand where a test names a number.
"""

from __future__ import annotations

import datetime as dt
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from making import read, text_file

from holeqc.inspection.judge import inspect
from holeqc.readings.sheet import write_sheet
from holeqc.readings.sheet_layout import layout
from holeqc.specification.load import parse_specification
from holeqc.specification.model import Specification

ACCEPT, HOLD, REJECT = range(3)
HEAD = ["Serial", "Hole", "Wall", "Dia 0", "Dia 90", "X", "Y"]
Rows = list[list[Any]]
Part = tuple[Specification, Rows, float]  #: kit, rows with wall by wall, millimetres or inches in one kit unit


def random_kit(rng: np.random.Generator, two_sizes: bool = False) -> Specification:
    """A kit of 4 to 8 holes on a grid, inch or mm, one or two walls."""
    mm = rng.random() < 0.5
    scale = 25.4 if mm else 1.0
    places = 2 if mm else 4
    walls = 2 if rng.random() < 0.6 else 1
    size = float(rng.choice([0.1875, 0.25, 0.3125, 0.4375, 0.5]))
    band = float(rng.choice([0.002, 0.003, 0.006, 0.007]))
    tolerance = float(rng.choice([0.014, 0.0328, 0.060]))
    step = float(rng.choice([1.5, 2.25, 3.0]))
    count = int(rng.integers(4, 9))
    text = f'[kit]\nid = "R-1"\nrevision = "A"\nunit = "{"mm" if mm else "in"}"\n'
    if walls == 2:
        text += f'[walls]\nnames = ["near", "far"]\nstack_depth = {float(rng.choice([0.125, 0.5, 1.25])) * scale:.4f}\n'
    lower = round(size * scale, places)
    upper = round(lower + band * scale, places)
    text += f"[size]\nlower = {lower}\nupper = {upper}\n"
    text += f'[position]\ntolerance = {tolerance * scale:.4f}\ncondition = "MMC"\n[plan]\nposition = true\n'
    text += f"[rework]\nream_up_to = {upper}\n[tools]\nreamers = [{round(0.5 * (lower + upper), 4)}]\n"
    text += f'[[gauge]]\nid = "B"\nmeasures = ["diameter"]\nuncertainty = {0.0002 * scale:.5f}\n'
    text += f'[[gauge]]\nid = "C"\nmeasures = ["x", "y"]\nuncertainty = {0.0005 * scale:.5f}\n'
    for i in range(count):
        x, y = 1.25 + step * (i // 2), 4.1 + (step + 0.4) * (i % 2)
        text += f'[[hole]]\nid = "{i + 1}"\nx = {x * scale:.4f}\ny = {y * scale:.4f}\n'
        if two_sizes and i >= count // 2:
            other = round(lower + (0.0625 + float(rng.choice([0.0, 0.0625, 0.125]))) * scale, places)
            text += f"size = {{ lower = {other}, upper = {round(other + band * scale, places)} }}\n"
            text += f"rework = {{ ream_up_to = {round(other + band * scale, places)} }}\n"
    return parse_specification(text)


def good_part(rng: np.random.Generator, spec: Specification) -> Rows:
    """A part whose every reading lies inside: sizes in the middle half of the limits, places within a quarter."""
    places = 4 if spec.unit == "in" else 3
    rows: Rows = []
    for hole in spec.holes:
        middle = hole.size.lower + hole.size.band * rng.uniform(0.35, 0.65)
        reach = 0.2 * (hole.position.tolerance or 0.0)
        at = np.array([hole.x, hole.y]) + rng.uniform(-reach, reach, 2)
        for wall in spec.walls.names:
            sizes = middle + 0.08 * hole.size.band * rng.uniform(-1, 1, 2)
            xy = at + 0.1 * reach * rng.uniform(-1, 1, 2)
            rows.append(["P-1", hole.id, wall if spec.walls.several else "", *np.round([*sizes, *xy], places).tolist()])
    return rows


def verdict(spec: Specification, rows: Rows, folder: Path) -> tuple[int, Any]:
    found = inspect(spec, read(text_file(folder / "shop.csv", [HEAD, *rows]), spec))
    return int(found.parts["verdict"].iloc[0]), found


class Chance:
    """A random part and what faults and slips need of it."""

    def __init__(self, rng: np.random.Generator, two_sizes: bool = False, spec: Specification | None = None) -> None:
        self.rng, self.spec = rng, spec or random_kit(rng, two_sizes)
        self.rows = good_part(rng, self.spec)
        self.number = int(rng.integers(len(self.spec.holes)))
        self.hole = self.spec.holes[self.number]
        self.walls = len(self.spec.walls.names)
        self.mine = range(self.number * self.walls, (self.number + 1) * self.walls)
        self.band, self.scale = self.hole.size.band, 25.4 if self.spec.unit == "mm" else 1.0
        self.tolerance = float(self.hole.position.tolerance or 0.0)
        self.places = 4 if self.spec.unit == "in" else 3
        self.row = int(rng.choice(list(self.mine)))
        self.size, self.axis = int(rng.choice([3, 4])), int(rng.choice([5, 6]))

    def put(self, row: int, column: int, value: float) -> None:
        self.rows[row][column] = round(float(value), self.places + 2)

    def by(self, row: int, column: int, factor: float) -> None:
        self.put(row, column, self.rows[row][column] * factor)

    def every(self, columns: tuple[int, ...], change: Callable[[float, list[Any]], float]) -> None:
        for row in self.rows:
            for column in columns:
                row[column] = round(float(change(row[column], row)), self.places + 2)


# ---- holes that are really bad ------------------------------------------------------------------------------------


def over(c: Chance) -> None:
    value = c.hole.size.upper + c.band * c.rng.uniform(0.15, 3.0)
    for row in c.mine:
        for column in (3, 4):
            c.put(row, column, value + 0.05 * c.band * c.rng.uniform(-1, 1))


def under(c: Chance) -> None:
    value = c.hole.size.lower - c.band * c.rng.uniform(0.15, 2.5)
    for row in c.mine:
        for column in (3, 4):
            c.put(row, column, value + 0.05 * c.band * c.rng.uniform(-1, 1))


def oval(c: Chance) -> None:
    value = c.hole.size.upper + c.band * c.rng.uniform(0.15, 2.0)
    for row in c.mine:
        c.put(row, c.size, value)


def one_reading_over(c: Chance) -> None:
    c.put(c.row, c.size, c.hole.size.upper + c.band * c.rng.uniform(0.15, 2.0))


def one_reading_under(c: Chance) -> None:
    c.put(c.row, c.size, c.hole.size.lower - c.band * c.rng.uniform(0.15, 2.0))


def bell_mouth(c: Chance) -> None:
    value = c.hole.size.upper + c.band * c.rng.uniform(0.15, 2.0)
    for column in (3, 4):
        c.put(c.row, column, value)


def wrong_drill(c: Chance) -> None:
    value = c.hole.size.upper * c.rng.choice([1 + c.rng.uniform(0.03, 0.2), 1 - c.rng.uniform(0.06, 0.2)])
    for row in c.mine:
        for column in (3, 4):
            c.put(row, column, value + 0.1 * c.band * c.rng.uniform(-1, 1))


def off_position(c: Chance) -> None:
    angle = c.rng.uniform(0, 2 * np.pi)
    away = (0.5 * (c.tolerance + c.band) + 0.25 * c.tolerance) * c.rng.uniform(1.05, 4.0)
    for row in c.mine:
        c.put(row, 5, c.hole.x + away * np.cos(angle))
        c.put(row, 6, c.hole.y + away * np.sin(angle))


def tilted(c: Chance) -> None:
    away = (0.5 * (c.tolerance + c.band) + 0.1 * c.tolerance) * c.rng.uniform(1.0, 1.3)
    c.put(max(c.mine), c.axis, (c.hole.x, c.hole.y)[c.axis - 5] + away)


def out_of_seat(c: Chance) -> None:
    away = c.tolerance * c.rng.uniform(1.5, 6.0)
    c.every((c.axis,), lambda v, row: v + away)


def turned(c: Chance) -> None:
    turn = 2.0 * c.tolerance / max(h.y for h in c.spec.holes) * c.rng.uniform(1.0, 2.0)
    for row in c.rows:
        x, y = row[5], row[6]
        row[5], row[6] = round(x - turn * y, c.places), round(y + turn * x, c.places)


BAD: dict[str, Callable[[Chance], None]] = {f.__name__: f for f in (
    over, under, oval, one_reading_over, one_reading_under, bell_mouth, wrong_drill, off_position, tilted, out_of_seat,
    turned,
)}  # fmt: skip

# ---- slips of reading, typing and copying --------------------------------------------------------------------------


def size_times(factor: float) -> Callable[[Chance], None]:
    return lambda c: c.by(c.row, c.size, factor)


def place_times(factor: float) -> Callable[[Chance], None]:
    return lambda c: c.by(c.row, c.axis, factor)


def size_is(share: float) -> Callable[[Chance], None]:
    return lambda c: c.put(c.row, c.size, share * c.hole.size.lower)


def first_digit(c: Chance) -> None:
    text = str(c.rows[c.row][c.size])
    at = next(i for i, t in enumerate(text) if t in "123456789")
    was = int(text[at])
    other = next(d for d in c.rng.permutation(list("123456789")) if abs(int(d) - was) > 0.4 * was)
    c.rows[c.row][c.size] = float(text[:at] + other + text[at + 1 :])


def other_unit(c: Chance) -> float:
    return 25.4 if c.spec.unit == "in" else 1 / 25.4


def basic(c: Chance, row: list[Any]) -> tuple[float, float]:
    return c.spec.hole(row[1]).x, c.spec.hole(row[1]).y


def next_hole(c: Chance) -> None:
    other = next(h for h in c.spec.holes if h.y != c.hole.y)
    c.put(c.row, 6, other.y + 0.3 * c.tolerance)


def exchanged(c: Chance) -> None:
    half = len(c.spec.holes) // 2 * c.walls
    for i in range(c.walls):
        one, other = c.rows[i], c.rows[half + i]
        one[3:5], other[3:5] = other[3:5], one[3:5]


def twice_in_rows(c: Chance) -> None:
    again = list(c.rows[c.row])
    again[c.axis] = round(again[c.axis] + 3.0 * c.tolerance, c.places)
    c.rows.append(again)


def other_size_again(c: Chance) -> None:
    again = list(c.rows[c.row])
    again[c.size] = round(c.hole.size.upper + 0.6 * c.band, c.places)
    c.rows.append(again)


def reversed_holes(c: Chance) -> None:
    copies = [list(r) for r in c.rows]
    for row, other in zip(c.rows, reversed(copies), strict=True):
        row[5:7] = other[5:7]


SLIPS: dict[str, Callable[[Chance], None]] = {
    "point one place right": size_times(10.0), "point one place left": size_times(0.1),
    "point two places right": size_times(100.0), "in thousandths": size_times(1000.0),
    "leading digits lost": size_is(0.0058), "a round number": size_is(3.2), "half the size": size_is(0.5),
    "a radius and a bit": size_is(0.6), "zero": size_is(0.0), "negative": size_times(-1.0),
    "first digit": first_digit, "one size in the other unit": lambda c: c.by(c.row, c.size, other_unit(c)),
    "a row in the other unit": lambda c: [c.by(c.row, i, other_unit(c)) for i in range(3, 7)] and None,
    "sizes in the other unit": lambda c: c.every((3, 4), lambda v, r: v * other_unit(c)),
    "one column in the other unit": lambda c: c.every((c.size,), lambda v, r: v * other_unit(c)),
    "all in the other unit": lambda c: c.every((3, 4, 5, 6), lambda v, r: v * other_unit(c)),
    "sizes as deviations": lambda c: c.every((3, 4), lambda v, r: v - c.spec.hole(r[1]).size.lower + 0.0001),
    "places as deviations": lambda c: c.every((5, 6), lambda v, r: v - basic(c, r)[int(v != r[5])]),
    "sign of a place": place_times(-1.0), "point of a place": place_times(10.0), "place in the other unit":
    lambda c: c.by(c.row, c.axis, other_unit(c)), "y typed twice": lambda c: c.put(c.row, 5, c.rows[c.row][6]),
    "x typed twice": lambda c: c.put(c.row, 6, c.rows[c.row][5]),
    "x and y exchanged": lambda c: c.rows[c.row].__setitem__(slice(5, 7), c.rows[c.row][6:4:-1]),
    "size typed as x": lambda c: c.put(c.row, 5, c.rows[c.row][3]),
    "y typed as size": lambda c: c.put(c.row, 3, c.rows[c.row][6]),
    "next hole's y": next_hole, "from another edge": lambda c: c.every((c.axis,), lambda v, r: v + 2.2 * c.scale),
    "repeated place": twice_in_rows, "repeated size": other_size_again, "holes the other way round": reversed_holes,
    "sizes exchanged": exchanged,
}  # fmt: skip


def trial(rng: np.random.Generator, group: dict[str, Any], name: str, folder: Path = Path("/tmp")) -> str:
    """Return the verdict on a random part with a fault or slip."""
    c = Chance(rng, two_sizes=name == "sizes exchanged")
    if name == "tilted" and c.walls == 1:
        return "not asked"
    if group.get(name):
        group[name](c)
    said, found = verdict(c.spec, c.rows, folder)
    return ("accept", "hold", "reject")[said] + (" with reaming" if len(found.rework) and group is SLIPS else "")


@pytest.mark.parametrize("name", BAD)
def test_a_bad_hole_is_rejected(name: str, tmp_path: Path) -> None:
    rng = np.random.default_rng(list(BAD).index(name) + 1)
    found = [trial(rng, BAD, name, tmp_path) for _ in range(8)]
    assert set(found) <= {"reject", "not asked"}


@pytest.mark.parametrize("name", SLIPS)
def test_a_slip_holds(name: str, tmp_path: Path) -> None:
    rng = np.random.default_rng(list(SLIPS).index(name) + 101)
    assert {trial(rng, SLIPS, name, tmp_path) for _ in range(6)} == {"hold"}


def test_a_good_part_is_accepted(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    assert {trial(rng, {"": None}, "", tmp_path) for _ in range(20)} == {"accept"}


# ---- the live marks of the blank sheet say what check says ---------------------------------------------------------

NO_SHEET = {"repeated place", "repeated size"}  #: a blank sheet has one cell for each reading
#: other words for one thing: the sheet leaves them to the reader, or says them beside a ✗
NAMED_BY_CHECK = {"slip-transposed", "x-y-swapped", "hole-order", "other-hole", "sizes-exchanged", "equals-nominal"}
MARKED_SHEETS = 70


def typed_into_sheets(kit_: Specification, path: Path, seed: int) -> dict[str, str]:
    """Write a sheet for each of many parts, with faults and slips; return the fault of each serial."""
    rng = np.random.default_rng(seed)
    faults = {**BAD, **{k: f for k, f in SLIPS.items() if k not in NO_SHEET}}
    names = [list(faults)[i % len(faults)] for i in range(MARKED_SHEETS)]
    serials = [f"S-{i + 1:03d}" for i in range(MARKED_SHEETS)]
    write_sheet(kit_, path, serials=serials)
    book = openpyxl.load_workbook(path)
    plan = layout(kit_)
    for serial, name in zip(serials, names, strict=True):
        c = Chance(rng, spec=kit_)
        faults[name](c)
        page = book[serial]
        page[plan.fields["date"]].value = dt.date(2026, 5, 4)
        for i, row in enumerate(c.rows):
            places = [*plan.of("diameter"), *plan.of("x"), *plan.of("y")]
            for column, value in zip(places, row[3:7], strict=True):
                page.cell(plan.first_row + i, column).value = value
    book.save(path)
    return dict(zip(serials, names, strict=True))


def test_live_marks_and_check_agree(tmp_path: Path) -> None:
    program = shutil.which("soffice")
    if program is None:
        pytest.skip("no spreadsheet program on this machine to work out formulas")
    disagreements = compare(random_kit(np.random.default_rng(3), two_sizes=True), tmp_path, 5, program)
    assert not disagreements


def compare(spec: Specification, folder: Path, seed: int, program: str) -> list[str]:
    """Return where the size and position marks of a row differ from what check finds of that hole and wall."""
    path, out = folder / "filled.xlsx", folder / "out"
    faults = typed_into_sheets(spec, path, seed)
    command = [program, f"-env:UserInstallation=file://{folder}/profile", "--headless", "--convert-to", "xlsx",
               "--outdir", str(out), str(path)]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, timeout=300)
    book = openpyxl.load_workbook(out / "filled.xlsx", data_only=True)
    readings = read(path, spec)
    table = readings.table
    frame = inspect(spec, readings).characteristics
    plan = layout(spec)
    found: list[str] = []
    for serial, name in faults.items():
        mine = table[(table["serial"] == serial) & ~table["doubt"].isin(NAMED_BY_CHECK)]
        named = table[(table["serial"] == serial) & table["doubt"].isin(NAMED_BY_CHECK)]
        judged = frame[frame["serial"] == serial]
        for i, row in enumerate(plan.rows):
            for check, kinds, characteristic in (
                ("size_check", {"diameter"}, "size"), ("position_check", {"x", "y"}, "position"),
            ):  # fmt: skip
                def here(rows: Any, row: Any = row, kinds: Any = kinds) -> Any:
                    at = (rows["hole"] == row.hole.id) & (rows["wall"] == row.wall)
                    return rows[at & rows["characteristic"].isin(kinds)]

                if len(here(named)):
                    continue
                mark = str(book[serial][plan.cell(check, plan.first_row + i)].value or " ")
                doubted = bool((here(mine)["doubt"] != "").any())
                at = (judged["hole"] == row.hole.id) & (judged["wall"] == row.wall)
                said = int(judged[at & (judged["characteristic"] == characteristic)]["verdict"].iloc[0])
                if doubted != (mark[0] == "?" and "bonus" not in mark) or (mark[0] == "✗") != (said == REJECT):
                    where = f"{serial} {name} {row.hole.id} {row.wall}"
                    found.append(f"{where}: {mark!r}, doubted {doubted}, verdict {said}")
    return found
