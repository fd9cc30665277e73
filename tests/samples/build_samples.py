"""Write the demonstration files in `sample_measurements/` anew: invented readings, seeded, in the demo's world.

Run it as ``python tests/samples/build_samples.py``. The files that people would have made by hand look so: other
headings, other layouts. The verdicts expected of them are worked out by hand in the tests.
"""

from __future__ import annotations

import csv
import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from openpyxl import Workbook
from openpyxl.styles import Font

ROOT = Path(__file__).resolve().parents[2]
OUT = ROOT / "sample_measurements"
HOLES = {1: (1.5, 1.25), 2: (4.5, 1.25), 3: (7.5, 1.25), 4: (10.5, 1.25)}
HOLES |= {5: (1.5, 5.75), 6: (4.5, 5.75), 7: (7.5, 5.75), 8: (10.5, 5.75)}
WALLS = ("near", "far")


@dataclass
class Row:
    """Readings of one hole in one wall, inch; text stands where a person typed text."""

    hole: int
    wall: str
    d0: object
    d90: object
    x: object
    y: object
    go: str = "yes"
    no_go: str = "no"
    surface: str = "clean"


@dataclass
class Plate:
    """One inspected plate."""

    part: str
    serial: str
    day: dt.date
    rows: list[Row] = field(default_factory=list)

    def row(self, hole: int, wall: str) -> Row:
        return next(r for r in self.rows if (r.hole, r.wall) == (hole, wall))


def plate(seed: int, part: str, serial: str, day: dt.date, shift: tuple[float, float] = (0.004, -0.003)) -> Plate:
    """Return a good plate: holes about 0.4578, each within 0.0015 of the pattern, the pattern shifted a little."""
    rng = np.random.default_rng(seed)
    made = Plate(part, serial, day)
    for hole, (x, y) in HOLES.items():
        size = 0.4578 + rng.normal(0, 0.0004)
        dx, dy = np.array(shift) + rng.normal(0, 0.0007, 2)
        for wall in WALLS:
            wander = rng.normal(0, 0.0003, 2)
            d0, d90 = size + rng.normal(0, 0.0002, 2) - (0.0003 if wall == "far" else 0.0)
            made.rows.append(
                Row(
                    hole, wall, round(float(d0), 4), round(float(d90), 4),
                    round(float(x + dx + wander[0]), 4), round(float(y + dy + wander[1]), 4),
                )
            )  # fmt: skip
    return made


def undersize() -> Plate:
    """Hole 5 is small in the far wall: 0.4546 and 0.4547 against 0.4550; the GO plug stops there."""
    made = plate(108, "starboard", "S-0108", dt.date(2026, 11, 10))
    row = made.row(5, "far")
    row.d0, row.d90, row.go = 0.4546, 0.4547, "no"
    return made


def oversize() -> Plate:
    """Hole 3 is large in both walls: 0.4626 and 0.4624, 0.4622 and 0.4621 against 0.4620; the NO-GO plug enters."""
    made = plate(109, "port", "P-0109", dt.date(2026, 11, 11))
    near, far = made.row(3, "near"), made.row(3, "far")
    near.d0, near.d90, near.no_go = 0.4626, 0.4624, "yes"
    far.d0, far.d90, far.no_go = 0.4622, 0.4621, "yes"
    return made


def pins_stop() -> Plate:
    """Every hole is in limits of size and within 0.060 of the edges, but hole 2 sits 0.018 off the pattern."""
    made = plate(110, "port", "P-0110", dt.date(2026, 11, 12))
    for wall in WALLS:
        row = made.row(2, wall)
        row.x = round(float(row.x) + 0.018, 4)
    return made


def slip() -> Plate:
    """A typing slip: 4.578 for 0.4578, a lost decimal point."""
    made = plate(111, "starboard", "S-0111", dt.date(2026, 11, 13))
    made.row(4, "near").d0 = 4.578
    return made


def missing() -> Plate:
    """Far wall of hole 6 was never measured, and one diameter of hole 7 is blank."""
    made = plate(112, "port", "P-0112", dt.date(2026, 11, 16))
    row = made.row(6, "far")
    row.d0 = row.d90 = row.x = row.y = None
    row.go = row.no_go = row.surface = ""
    made.row(7, "near").d90 = None
    return made


def in_our_sheet(made: Plate, path: Path) -> None:
    """The blank sheet of the tool itself, filled."""
    from openpyxl import load_workbook

    from holeqc.readings.sheet import write_sheet
    from holeqc.readings.sheet_layout import Column, parse_heading
    from holeqc.specification.load import load_specification

    path.unlink(missing_ok=True)
    write_sheet(load_specification(ROOT / "tolerances" / "bl7.toml"), path, made.part, [made.serial])
    book = load_workbook(path)
    sheet = book[book.sheetnames[0]]
    labels = {sheet.cell(r, 1).value: r for r in range(1, 20)}
    sheet.cell(labels["Date"], 3).value = made.day
    sheet.cell(labels["Measured by"], 3).value = "bench 2"
    top = labels["Hole"]
    columns: dict[Column, int] = {}
    for number in range(1, sheet.max_column + 1):
        column = parse_heading(sheet.cell(top, number).value)
        if column is not None:
            columns[column] = number
    for number in range(top + 1, top + 17):
        r = made.row(int(sheet.cell(number, 1).value), sheet.cell(number, 2).value)
        plugs = {"yes": "enters", "no": "does not enter"}
        for column, at in columns.items():
            value = {
                "diameter": r.d90 if column.direction == 90 else r.d0, "x": r.x, "y": r.y,
                "go": plugs[r.go], "no_go": plugs[r.no_go], "surface": r.surface,
            }.get(column.word)  # fmt: skip
            if value is not None:
                sheet.cell(number, at).value = value
    book.save(path)


def cleat_plates(path: Path) -> None:
    """Two deck plates of kit CP-12 in one CSV of a metric shop: semicolons, decimal commas, one hole a row.

    D-0031 is good. D-0032: hole C reads 12.607 at 60 degrees, inside 12.610 by less than the gauge's U of 0.006.
    """
    rng = np.random.default_rng(12)
    holes = {"A": (30, 30), "B": (150, 30), "C": (150, 90), "D": (30, 90)}
    with path.open("w", newline="", encoding="cp1252") as file:
        out = csv.writer(file, delimiter=";")
        out.writerow(["Kit CP-12, sizes in mm"])
        out.writerow([])
        heads = ["date", "S/N", "hole", "Ø 0°", "Ø 60°", "Ø 120°", "X", "Y", "GO", "NO-GO", "surface"]
        out.writerow(heads)
        for serial in ("D-0031", "D-0032"):
            for hole, (x, y) in holes.items():
                sizes = 12.555 + rng.normal(0, 0.006, 3)
                if (serial, hole) == ("D-0032", "C"):
                    sizes = np.array([12.600, 12.607, 12.601])
                place = np.array([x, y]) + rng.normal(0, 0.03, 2)
                numbers = [f"{v:.3f}".replace(".", ",") for v in sizes] + [f"{v:.2f}".replace(".", ",") for v in place]
                out.writerow(["18.11.2026", serial, hole, *numbers, "yes", "no", "clean"])


PORT_PLATE = {1: (1.5, 1.25), 2: (5.0, 1.25), 3: (8.5, 1.25), 4: (1.5, 4.75), 5: (5.0, 4.75), 6: (8.5, 4.75)}
TAKEN = "A-1 A-2 A-3 A-4 A-5 A-6 B-1 B-2 B-3 B-4 B-5 B-6 1-2 2-3 4-5 5-6 1-4 2-5 3-6 1-5 2-4 2-6 3-5"


def by_calipers(path: Path, serial: str, day: dt.date, seed: int, slip: bool) -> None:
    """Write a port plate measured with calipers over pins; ``slip``: two digits of the distance 2 to 5 are swapped."""
    rng = np.random.default_rng(seed)
    size = {hole: 0.4575 + rng.normal(0, 0.0006) for hole in PORT_PLATE}
    pin = {hole: np.floor(d * 2000 + 1e-6) / 2000 for hole, d in size.items()}  # the largest that enters
    at = {hole: np.add(xy, (0.002, -0.001)) + rng.normal(0, 0.0006, 2) for hole, xy in PORT_PLATE.items()}
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerows([["Port plate BL-8, calipers and pins"], ["Serial", serial], ["Date", day.isoformat()],
                       ["Measured by", "bench 2"], [], ["Hole", "Dia 0 [in]", "Dia 90 [in]"]])  # fmt: skip
        for hole, d in size.items():
            out.writerow([hole, *(f"{d + rng.normal(0, 0.0001):.4f}" for _ in "ab")])
        out.writerows([[], ["From", "To", "Pin from", "Pin to", "Over pins [in]"]])
        for line in TAKEN.split():
            first, second = line.split("-")
            hole = at[int(second)]
            if first in "AB":
                read, pins = hole["AB".index(first)] + pin[int(second)] / 2, ["", f"{pin[int(second)]:.4f}"]
            else:
                pins = [f"{pin[int(end)]:.4f}" for end in (first, second)]
                read = np.hypot(*(at[int(first)] - hole)) + sum(map(float, pins)) / 2
            text = f"{round((read + rng.normal(0, 0.0003)) * 2000) / 2000:.4f}"
            if slip and line == "2-5":
                text = text[:3] + text[4] + text[3] + text[5:]
            out.writerow([f"edge {first}" if first in "AB" else first, second, *pins, text])


def by_hand_wide(made: Plate, path: Path) -> None:
    """One hole and wall a row, title rows above, headings of the shop's own."""
    book = Workbook()
    sheet = book.active
    sheet.title = "holes"
    sheet["A1"] = "Ladder plates - drilled holes"
    sheet["A1"].font = Font(bold=True, size=14)
    sheet.merge_cells("A1:I1")
    sheet["A2"], sheet["B2"] = "Serial no.", made.serial
    sheet["A3"], sheet["B3"] = "Part", made.part
    sheet["A4"], sheet["B4"] = "Date", made.day
    sheet["D2"], sheet["E2"] = "Units", "inch"
    sheet["D3"], sheet["E3"] = "Bore gauge", "BG-2"
    for column, heading in enumerate(
        ["Hole No.", "Wall", "Dia 0°", "Dia 90°", "X", "Y", "GO enters?", "NO-GO enters?", "Burr / clean"], 1
    ):
        cell = sheet.cell(6, column, heading)
        cell.font = Font(bold=True)
    for number, r in enumerate(made.rows, 7):
        values = [r.hole, r.wall, r.d0, r.d90, r.x, r.y, r.go, r.no_go, r.surface]
        for column, value in enumerate(values, 1):
            sheet.cell(number, column, value if value != "" else None)
    book.save(path)


def by_hand_walls_beside(made: Plate, path: Path) -> None:
    """One hole a row, near and far beside one another under a merged heading; entry and exit for the walls."""
    book = Workbook()
    sheet = book.active
    sheet.title = made.serial
    sheet["A1"] = f"DF-BL7   S/N {made.serial}   {made.part}   {made.day:%d %b %Y}"
    sheet["A3"] = "hole"
    sheet["B3"], sheet["I3"] = "near wall", "far wall"
    sheet.merge_cells("B3:H3")
    sheet.merge_cells("I3:O3")
    names = ["dia 0 [in]", "dia 90 [in]", "X", "Y", "GO", "NO GO", "surface"]
    for column, heading in enumerate(names * 2, 2):
        sheet.cell(4, column, heading)
    sheet.merge_cells("A3:A4")
    for number, hole in enumerate(HOLES, 5):
        sheet.cell(number, 1, hole)
        column = 2
        for wall in WALLS:
            r = made.row(hole, wall)
            for value in (r.d0, r.d90, r.x, r.y, r.go, r.no_go, r.surface):
                sheet.cell(number, column, value if value != "" else None)
                column += 1
    book.save(path)


def by_hand_long(made: Plate, path: Path) -> None:
    """CSV, one reading a row."""
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(["Date", "Serial", "Part", "Hole", "Wall", "What", "Direction", "Reading", "Unit", "Gauge"])
        for r in made.rows:
            head = [made.day.isoformat(), made.serial, made.part, r.hole, r.wall]
            out.writerow([*head, "diameter", 0, f"{r.d0:.4f}", "in", "BG-2"])
            out.writerow([*head, "diameter", 90, f"{r.d90:.4f}", "in", "BG-2"])
            out.writerow([*head, "x", "", f"{r.x:.4f}", "in", "CM-1"])
            out.writerow([*head, "y", "", f"{r.y:.4f}", "in", "CM-1"])
            out.writerow([*head, "GO", "", "enters" if r.go == "yes" else "does not enter", "", "PL-455"])
            out.writerow([*head, "NO-GO", "", "enters" if r.no_go == "yes" else "does not enter", "", "PL-455"])
            out.writerow([*head, "surface", "", r.surface, "", ""])


def fixture_history(folder: Path) -> None:
    """A year of the fixture, 240 plates: bushing B3 wears from plate 90 on, 150 to 153 were clamped out of seat."""
    rng = np.random.default_rng(7)
    day = dt.date(2025, 11, 24)
    with (folder / "df-bl7_history.csv").open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(["date", "serial", "part", "hole", "wall", "dia 0", "dia 90", "x", "y", "unit"])
        drill = 0.0
        for plate_number in range(1, 241):
            day += dt.timedelta(days=1 + (day.weekday() == 4) * 2 + int(rng.random() < 0.06))
            part = "port" if plate_number % 2 else "starboard"
            shift = np.array([0.004, -0.003]) + rng.normal(0, 0.0012, 2)
            turn = rng.normal(0, 0.00008)
            if 150 <= plate_number <= 153:
                shift, turn = shift + np.array([0.016, -0.006]), turn + 0.0012
            drill = 0.0 if plate_number in (61, 121, 181) else drill + 0.000006
            scale = 1.0 + rng.normal(0, 8e-6)
            for hole, (x, y) in HOLES.items():
                worn = max(0, plate_number - 90) if hole == 3 else 0
                off = np.array([0.000032, 0.000012]) * worn + rng.normal(0, 0.0005 + 0.000004 * worn, 2)
                if hole == 6:
                    off += np.array([0.0009, -0.0006])
                size = 0.4578 + drill + 0.000009 * worn + rng.normal(0, 0.00028)
                for wall in WALLS:
                    at = (np.array([x, y]) - [6.0, 3.5]) * scale
                    place = at + turn * np.array([-at[1], at[0]]) + [6.0, 3.5] + shift + off + rng.normal(0, 0.0002, 2)
                    d0, d90 = size + rng.normal(0, 0.00015, 2) - (0.0002 if wall == "far" else 0.0)
                    out.writerow(
                        [day.isoformat(), f"{part[0].upper()}-{1000 + plate_number}", part, hole, wall]
                        + [f"{v:.4f}" for v in (d0, d90, place[0], place[1])]
                        + ["in"]
                    )
    with (folder / "df-bl7_events.csv").open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(["serial", "event", "bushing", "note"])
        for number in (61, 121, 181):
            out.writerow([f"P-{1000 + number}", "drill reground", "all", "routine"])


def gauge_study(path: Path) -> None:
    """Ten holes, three technicians, three readings each with the bore gauge BG-2."""
    rng = np.random.default_rng(10)
    holes = 0.4585 + rng.normal(0, 0.0011, 10)
    people = {"technician 1": 0.0, "technician 2": 0.00006, "technician 3": -0.00005}
    runs = [(trial, person, hole) for trial in (1, 2, 3) for person in people for hole in rng.permutation(10)]
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(["run", "part", "appraiser", "trial", "reading"])
        for run, (trial, person, hole) in enumerate(runs, 1):
            reading = holes[hole] + people[person] + rng.normal(0, 0.00011)
            out.writerow([run, f"H{hole + 1:02d}", person, trial, f"{reading:.4f}"])


def main() -> None:
    """Write every sample."""
    for folder in (OUT, OUT / "fixture_history", OUT / "gauge_study"):
        folder.mkdir(parents=True, exist_ok=True)
    in_our_sheet(plate(107, "port", "P-0107", dt.date(2026, 11, 9)), OUT / "bl7_P-0107.xlsx")
    cleat_plates(OUT / "cp12_D-0031_D-0032.csv")
    by_calipers(OUT / "bl8_P-0301.csv", "P-0301", dt.date(2026, 5, 11), 31, slip=False)
    by_calipers(OUT / "bl8_P-0302.csv", "P-0302", dt.date(2026, 5, 12), 32, slip=True)
    by_hand_wide(undersize(), OUT / "bl7_S-0108.xlsx")
    by_hand_long(oversize(), OUT / "bl7_P-0109.csv")
    by_hand_wide(pins_stop(), OUT / "bl7_P-0110.xlsx")
    by_hand_walls_beside(slip(), OUT / "bl7_S-0111.xlsx")
    by_hand_wide(missing(), OUT / "bl7_P-0112.xlsx")
    fixture_history(OUT / "fixture_history")
    gauge_study(OUT / "gauge_study" / "bg-2_study.csv")


if __name__ == "__main__":
    main()
