"""One part, written in many layouts, is one and the same table."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
from making import GOOD, KIT_MM, codes, fill, kit, read, text_file, workbook

from holeqc.problems import ReadingsError

DAY = dt.datetime(2026, 11, 2)
Parts = dict[str, dict[tuple[int, str], tuple[float, ...]]]
Maker = Callable[[Path, Parts, np.random.Generator], Path]


def parts(rng: np.random.Generator, count: int = 2) -> Parts:
    """Return some parts: serial -> hole and wall -> diameters at 0 and 90 degrees, x, y [in], four decimals."""
    made = {}
    for number in range(count):
        made[f"P-{7 + number}"] = {
            key: tuple(np.round(np.array(values) + rng.normal(0, 0.0006, 4), 4).tolist())
            for key, values in GOOD.items()
        }
    return made


def tidy(table: pd.DataFrame) -> list[tuple[Any, ...]]:
    """Return what the readings say, in an order of its own, without where they stood."""
    columns = ["part", "serial", "hole", "wall", "characteristic", "direction", "trial", "value"]
    shown = table[columns].astype({"direction": float}).copy()
    shown["direction"] = shown["direction"].fillna(-1.0)
    shown["value"] = shown["value"].round(9)
    return sorted(map(tuple, shown.astype(object).to_numpy().tolist()))


def expected(made: Parts) -> list[tuple[Any, ...]]:
    rows = []
    for serial, holes in made.items():
        for (hole, wall), values in holes.items():
            for value, (kind, direction) in zip(
                values, (("diameter", 0.0), ("diameter", 90.0), ("x", -1.0), ("y", -1.0)), strict=True
            ):
                rows.append(("port", serial, str(hole), wall, kind, direction, 1, round(value, 9)))
    return sorted(rows)


def one_row_a_wall(path: Path, made: Parts, rng: np.random.Generator) -> Path:
    rows = [[s, "port", DAY, h, w, *v] for s, holes in made.items() for (h, w), v in holes.items()]
    rows = [rows[i] for i in rng.permutation(len(rows))]
    return workbook(
        path / "a.xlsx", [["S/N", "Part", "Date", "Hole No.", "Wall", "Dia 0°", "Dia 90°", "X", "Y"], *rows]
    )


def one_reading_a_row(path: Path, made: Parts, rng: np.random.Generator) -> Path:
    rows = []
    for serial, holes in made.items():
        for (hole, wall), (d0, d90, x, y) in holes.items():
            for what, direction, value in (("Ø", 0, d0), ("Ø", 90, d90), ("x", None, x), ("y", None, y)):
                rows.append([serial, "port", hole, wall, what, direction, value, "in"])
    rows = [rows[i] for i in rng.permutation(len(rows))]
    return workbook(
        path / "b.xlsx",
        [
            ["Ladder plates"],
            [],
            ["serial no", "part", "hole", "face", "characteristic", "angle", "reading", "unit"],
            *rows,
        ],
    )


def walls_in_headings(path: Path, made: Parts, _: np.random.Generator) -> Path:
    head = ["Serial", "Hole", "near 0°", "near 90°", "far 0°", "far 90°", "near X", "near Y", "far X", "far Y"]
    rows = []
    for serial, holes in made.items():
        for hole in (1, 2, 3, 4):
            n, f = holes[hole, "near"], holes[hole, "far"]
            rows.append([serial, hole, n[0], n[1], f[0], f[1], n[2], n[3], f[2], f[3]])
    return workbook(path / "c.xlsx", [["Part:", "port", None, "Units", "inch"], [], head, *rows])


def merged_two_lines(path: Path, made: Parts, _: np.random.Generator) -> Path:
    book = openpyxl.Workbook()
    for number, (serial, holes) in enumerate(made.items()):
        page = book.active if number == 0 else book.create_sheet()
        page.title = serial
        rows: list[list[Any]] = [
            ["Boarding ladder plates, drilled holes"],
            ["Part", "port"],
            ["Date", DAY],
            ["Hole", "Entry side", None, None, None, "Exit side"],
            [None, "Dia A", "Dia B", "X", "Y", "Dia A", "Dia B", "X", "Y"],
        ]
        rows += [[h, *holes[h, "near"], *holes[h, "far"]] for h in (1, 2, 3, 4)]
        fill(page, rows, ["A1:I1", "B4:E4", "F4:I4", "A4:A5"])
    book.save(path / "d.xlsx")
    return path / "d.xlsx"


def two_lines_without_merging(path: Path, made: Parts, _: np.random.Generator) -> Path:
    rows: list[list[Any]] = []
    for serial, holes in made.items():
        rows += [[f"S/N {serial}, port"], ["Hole", "Entry side", None, None, None, "Exit side"]]
        rows += [[None, "Dia A", "Dia B", "X", "Y", "Dia A", "Dia B", "X", "Y"]]
        rows += [[h, *holes[h, "near"], *holes[h, "far"]] for h in (1, 2, 3, 4)]
    return text_file(path / "l.csv", rows)


def blocks_with_fields(path: Path, made: Parts, _: np.random.Generator) -> Path:
    rows: list[list[Any]] = []
    for serial, holes in made.items():
        rows += [[f"Serial: {serial}", None, "Part: port"], ["Inspector:", 2], []]
        rows += [["Position no", "side", "Ø 0 [in]", "Ø 90 [in]", "X [in]", "Y [in]"]]
        rows += [[h, w, *v] for (h, w), v in holes.items()]
        rows += [[], []]
    return workbook(path / "e.xlsx", rows)


def holes_across(path: Path, made: Parts, _: np.random.Generator) -> Path:
    head = ["Serial", "Part"]
    head += [f"Hole {h} {w} {what}" for h in (1, 2, 3, 4) for w in ("near", "far") for what in ("0°", "90°", "X", "Y")]
    rows = [
        [serial, "port", *(v for h in (1, 2, 3, 4) for w in ("near", "far") for v in holes[h, w])]
        for serial, holes in made.items()
    ]
    return workbook(path / "f.xlsx", [head, *rows])


def serial_merged_downwards(path: Path, made: Parts, _: np.random.Generator) -> Path:
    rows: list[list[Any]] = [["Serial", "Part", "Hole", "Wall", "Dia 0", "Dia 90", "X", "Y"]]
    merge = []
    for serial, holes in made.items():
        start = len(rows) + 1
        for number, ((h, w), v) in enumerate(holes.items()):
            rows.append([serial if number == 0 else None, "port", h if w == "near" else None, w, *v])
            if w == "near":
                merge.append(f"C{len(rows)}:C{len(rows) + 1}")
        merge.append(f"A{start}:A{len(rows)}")
    return workbook(path / "g.xlsx", rows, merge=merge)


def side_by_side(path: Path, made: Parts, _: np.random.Generator) -> Path:
    head = ["Hole", "Wall", "Dia 0", "Dia 90", "X", "Y"]
    book = openpyxl.Workbook()
    for number, (serial, holes) in enumerate(made.items()):
        page = book.active if number == 0 else book.create_sheet()
        page.title = f"Sheet{number + 1}"
        entries = [[h, w, *v] for (h, w), v in holes.items()]
        rows = [["Serial", serial, None, "Part", "port"], [*head, None, *head]]
        rows += [[*a, None, *b] for a, b in zip(entries[:4], entries[4:], strict=True)]
        fill(page, rows)
    book.save(path / "h.xlsx")
    return path / "h.xlsx"


def csv_semicolon(path: Path, made: Parts, _: np.random.Generator) -> Path:
    rows = [
        [s, "port", h, w, *(f"{v:.4f}".replace(".", ",") for v in values)]
        for s, holes in made.items()
        for (h, w), values in holes.items()
    ]
    head = ["Serial", "Part", "Hole", "Wall", "Dia 0", "Dia 90", "X", "Y"]
    return text_file(path / "i.csv", [["Kit T-4 plates"], [], head, *rows], ";", "cp1252")


def csv_millimetres(path: Path, made: Parts, _: np.random.Generator) -> Path:
    rows = [
        [s, "port", h, w, *(f"{v * 25.4:.8f}" for v in values)]
        for s, holes in made.items()
        for (h, w), values in holes.items()
    ]
    head = ["Serial", "Part", "Hole", "Wall", "Dia 0 [mm]", "Dia 90 [mm]", "X [mm]", "Y [mm]"]
    return text_file(path / "j.csv", [head, *rows], "\t", "utf-16")


def unit_in_the_cell(path: Path, made: Parts, _: np.random.Generator) -> Path:
    rows = [
        [s, "port", h, w, *(f'{v:.4f}"' for v in values)]
        for s, holes in made.items()
        for (h, w), values in holes.items()
    ]
    head = ["Serial", "Part", "Hole", "Wall", "Dia 0 [mm]", "Dia 90 [mm]", "X [mm]", "Y [mm]"]
    return workbook(path / "k.xlsx", [head, *rows])


MAKERS = [
    one_row_a_wall,
    one_reading_a_row,
    walls_in_headings,
    merged_two_lines,
    two_lines_without_merging,
    blocks_with_fields,
    holes_across,
    serial_merged_downwards,
    side_by_side,
    csv_semicolon,
    csv_millimetres,
    unit_in_the_cell,
]


@pytest.mark.parametrize("maker", MAKERS, ids=lambda m: m.__name__)
def test_every_layout_gives_the_same_table(maker: Maker, tmp_path: Path) -> None:
    # second route: the table is written down from the numbers, not from any reader
    for seed in range(3):
        rng = np.random.default_rng(seed)
        made = parts(rng)
        readings = read(maker(tmp_path, made, rng), kit(), today=dt.date(2026, 11, 30))
        assert tidy(readings.table) == expected(made)
        assert set(codes(readings)) <= {"finer-than-gauge"}
        assert (readings.table["doubt"] == "").all()


def wide_with(path: Path, made: Parts, size: Callable[[int, str], float]) -> Path:
    """Return one row a wall, with a column 'Size' beside the readings."""
    rows = [["P-7", "port", DAY, h, w, *v, size(h, w)] for (h, w), v in made["P-7"].items()]
    heads = ["S/N", "Part", "Date", "Hole No.", "Wall", "Dia 0°", "Dia 90°", "X", "Y", "Size"]
    return workbook(path / "a.xlsx", [heads, *rows])


def test_one_possible_nominal_size_for_all_holes_is_the_drawings(tmp_path: Path) -> None:
    made = parts(np.random.default_rng(3), 1)
    readings = read(wide_with(tmp_path, made, lambda _, __: 0.45), kit())
    assert tidy(readings.table) == expected(made), "0.450 is no limit of the kit, and no gauge shows it eight times"
    readings = read(wide_with(tmp_path, made, lambda h, w: 0.447 if (h, w) == (2, "far") else 0.45), kit())
    assert tidy(readings.table) != expected(made) or (readings.table["doubt"] != "").any(), "one differs: readings"
    readings = read(wide_with(tmp_path, made, lambda _, __: 0.47), kit())
    assert tidy(readings.table) != expected(made) or (readings.table["doubt"] != "").any(), "above every limit"


def test_walls_that_are_equal_everywhere_are_one_wall_typed_twice(tmp_path: Path) -> None:
    made = parts(np.random.default_rng(4), 1)
    twice = {"P-7": {(h, w): made["P-7"][h, "near"] for (h, w) in made["P-7"]}}
    readings = read(one_row_a_wall(tmp_path, twice, np.random.default_rng(0)), kit())
    assert "copied-wall" in codes(readings)
    assert (readings.table.loc[readings.table["wall"] == "far", "doubt"] != "").all()
    twice["P-7"][1, "far"] = made["P-7"][1, "far"]
    assert "copied-wall" not in codes(read(one_row_a_wall(tmp_path, twice, np.random.default_rng(0)), kit()))


@pytest.mark.parametrize("heading", ["Dia deviation from 11", "Dia dev. from nominal 11 [mm]", "Abweichung von 11 mm"])
def test_deviations_from_a_whole_number(heading: str, tmp_path: Path) -> None:
    file = workbook(tmp_path / "a.xlsx", [["S/N", "Hole", heading], *[["M-1", h, 0.56] for h in "ABC"]])
    readings = read(file, kit(KIT_MM))
    assert readings.table["value"].tolist() == pytest.approx([11.56] * 3, abs=1e-9)


def test_a_number_behind_a_direction_is_no_size_to_count_from(tmp_path: Path) -> None:
    file = workbook(tmp_path / "a.xlsx", [["S/N", "Hole", "Dia 0° vs 90"], *[["M-1", h, 0.56] for h in "ABC"]])
    with pytest.raises(ReadingsError, match="no heading for a reading"):
        read(file, kit(KIT_MM))


@pytest.mark.parametrize("text", ["CRACK at hole 2", "Hole 2 oversize", "crack, hole 3"])
def test_a_defect_beside_the_headings_holds(text: str, tmp_path: Path) -> None:
    made = parts(np.random.default_rng(5), 1)
    rows = [["P-7", "port", DAY, h, w, *v] for (h, w), v in made["P-7"].items()]
    heads = ["S/N", "Part", "Date", "Hole No.", "Wall", "Dia 0°", "Dia 90°", "X", "Y"]
    readings = read(workbook(tmp_path / "a.xlsx", [[*heads, None, text], *rows]), kit())
    assert any(p.holds and text in str(p.found) for p in readings.problems)
    readings = read(workbook(tmp_path / "b.xlsx", [[*heads, "Burr", "Crack"], *rows]), kit())
    assert not any(p.code == "cell-not-read" for p in readings.problems), "headings of empty columns are headings"
