"""Coordinate machines' reports as tables: a line for each axis, in columns, in blocks or in fixed width.

The shapes are those that measuring programs print; common practice, no source. The measured part is `making.GOOD`.
`campaign.py --layout machine` judges hundreds with known truth.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from campaign import GRAVE, cases
from making import GOOD, codes, kit, read

from holeqc.readings.table import Readings

BASIC = {1: (1.5, 1.25), 2: (4.5, 1.25), 3: (1.5, 5.75), 4: (10.5, 5.75)}
HEAD = ("AX", "NOMINAL", "MEAS", "+TOL", "-TOL", "DEV", "OUTTOL")
TRUE = {(str(h), w): [*sorted((a, b)), x, y] for (h, w), (a, b, x, y) in GOOD.items()}


def lines(hole: int, wall: str) -> list[list[str]]:
    """Return the lines of one circle: axis, nominal, measured, tolerances, deviation, beyond them."""
    a, b, x, y = GOOD[hole, wall]
    bx, by = BASIC[hole]
    rows = [("X", bx, x, 0.03), ("Y", by, y, 0.03)]
    rows += [("D MIN", 0.4585, min(a, b), 0.0035), ("D MAX", 0.4585, max(a, b), 0.0035)]
    told = [[axis, *(f"{v:.4f}" for v in (n, m, tol, -tol, m - n, 0.0))] for axis, n, m, tol in rows]
    off = 2 * np.hypot(x - bx, y - by)
    return [*told, ["TP", "0.0000", f"{off:.4f}", "0.0600", "", f"{off:.4f}", "0.0000"]]


def columns(sign: str = ",") -> str:
    """Return a report with the feature in a column."""
    rows = [["Serial", "P-7"], ["Part", "port"], ["Date", "2026-11-02"], ["Units", "in"], [], ["Feature", *HEAD]]
    rows += [[f"Hole {h} {w}", *cells] for h, w in GOOD for cells in lines(h, w)]
    return "\n".join(sign.join(row) for row in rows) + "\n"


def blocks(again: bool) -> str:
    """Return a report with the feature in a line above its axes; ``again``: the heading too."""
    rows = ["Serial: P-7", "Part: port", "Date: 2026-11-02", "Units: inch", "", *([] if again else [",".join(HEAD)])]
    for h, w in GOOD:
        rows += [f"CIR_{h}_{w.upper()}", *([",".join(HEAD)] if again else []), *(",".join(c) for c in lines(h, w))]
        rows += [""] if again else []
    return "\n".join(rows) + "\n"


def dimensions() -> str:
    """Return a report in fixed width with a dimension's own name before the feature's."""
    return re.sub(r"FEATURE  HOLE (\d) (\w+)", r"DIM LOC\1a= LOCATION OF CIRCLE H\1_\2  UNITS=IN", fixed())


def fixed() -> str:
    """Return a report in fixed width, with blanks where a line has no lower tolerance."""
    rows = ["PART NAME : port                 SER NUMBER : P-7", "DATE: 2026-11-02      UNITS: IN", ""]
    for h, w in GOOD:
        rows += [f"FEATURE  HOLE {h} {w.upper()}", "".join(f"{HEAD[0]:<8}") + "".join(f"{t:>11}" for t in HEAD[1:])]
        rows += [f"{c[0]:<8}" + "".join(f"{t:>11}" for t in c[1:]) for c in lines(h, w)] + [""]
    return "\n".join(rows) + "\n"


def readings_of(folder: Path, text: str, name: str = "report.txt") -> Readings:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return read(path, kit(), today=dt.date(2026, 11, 30))


@pytest.mark.parametrize("text", [
    columns(), columns().replace(",AX,", ",Char,").replace("+TOL", "USL").replace("-TOL", "LSL"), columns(";"),
    columns("\t"), blocks(True), blocks(False), fixed(), dimensions()])
def test_every_shape_gives_what_was_measured(tmp_path: Path, text: str) -> None:
    readings = readings_of(tmp_path, text)
    table = readings.table
    found: dict[tuple[str, str], dict[str, float]] = {}
    for hole, wall, kind, trial, value in zip(
        *(table[n] for n in ("hole", "wall", "characteristic", "trial", "value")), strict=True
    ):
        found.setdefault((hole, wall), {})[f"{kind}{trial}"] = value
    assert {key: [v["diameter1"], v["diameter2"], v["x1"], v["y1"]] for key, v in found.items()} == TRUE
    assert codes(readings) == []
    assert (set(table["serial"]), set(table["part"])) == ({"P-7"}, {"port"})
    uses = {u.heading: (u.place, u.reason) for u in readings.sources[0].columns if u.reason}
    assert uses["DEV"][1] == "compared with the measured value"


def swap(old: str, new: str) -> Callable[[str], str]:
    def change(text: str) -> str:
        assert old in text
        return text.replace(old, new, 1)

    return change


X, TP = "Hole 1 near,X,1.5000,1.5021,0.0300,-0.0300,", "Hole 1 near,TP,0.0000,"
D = "Hole 1 near,D MAX,0.4585,0.4583,0.0035,-0.0035,"


@pytest.mark.parametrize(("change", "code", "cell"), [
    (swap(X + "0.0021", X + "0.0041"), "deviation-differs", "G7"),
    (swap("1.5000,1.5021,0.0300,-0.0300,0.0021", "1.6000,1.5021,0.0300,-0.0300,-0.0979"), "other-nominal", "C7"),
    (swap(D, D.replace("0.0035,-", "0.0065,-")), "other-limits", "E10"),
    (swap(TP + "0.0044", TP + "0.0144"), "position-disagrees", "D11"),
    (swap(TP + "0.0044", "Hole 1 near,TP,0,0.2000"), "position-disagrees", "D11"),
    (swap(D + "-0.0002,0.0000", D + "-0.0002,0.0010"), "status-disagrees", "H10"),
    (swap("0.4585,0.4583,0.0035,-0.0035,-0.0002", "0.4585,0.4643,0.0035,-0.0035,0.0058"), "status-disagrees", "H10"),
    (swap(X + "0.0021,0.0000", X + "0.0021,0.0010"), "status-disagrees", "H7"),
    (lambda t: t + "Hole 9 near,D,0.4585,0.4585,0.0035,-0.0035,0.0000,0.0000\n", "unknown-hole", "A47"),
    (lambda t: t + "Hole 1 near,R,0.2293,0.2291,0.0020,-0.0020,-0.0002,0.0000\n", "unknown-characteristic", "A47"),
    (lambda t: t + "Hole 1 near,FORM,0.0000,0.0041,0.0030,,0.0041,0.0011\n", "status-disagrees", "H47"),
    (lambda t: t + "\nHole 3 cracked\n", "remark-of-defect", "A48"),
    (lambda t: t.replace("Hole 2 near", "Hole 2"), "unknown-wall", "A17"),
    (lambda t: t.replace("Hole 2 near", "Slot 2 and 3"), "unknown-hole", "A17"),
])  # fmt: skip
def test_what_disagrees_holds_where_it_stands(
    tmp_path: Path, change: Callable[[str], str], code: str, cell: str
) -> None:
    readings = readings_of(tmp_path, change(columns()))
    found = [p for p in readings.problems if p.code == code]
    assert [(p.cell, p.holds) for p in found[:1]] == [(cell, True)], codes(readings)
    if code == "position-disagrees":
        typed = "0.2" if "TP,0,0.2000" in change(columns()) else "0.0144"
        assert (found[0].found.partition(", by the centre ")[0], found[0].allowed) == (typed, "")


def test_smallest_and_largest_may_be_written_in_one_word(tmp_path: Path) -> None:
    readings = readings_of(tmp_path, columns().replace("D MIN", "DMIN").replace("D MAX", "Dmax"))
    assert codes(readings) == []
    sizes = readings.table[readings.table["characteristic"] == "diameter"]
    assert list(zip(sizes["trial"], sizes["value"], strict=True)) == [
        (trial, value) for a, b, *_ in GOOD.values() for trial, value in enumerate(sorted((a, b)), 1)]  # fmt: skip


def test_one_fitted_diameter_a_wall_is_said_to_whoever_has_the_report(tmp_path: Path) -> None:
    one = "\n".join(line for line in columns().replace("D MIN", "D").split("\n") if "D MAX" not in line)
    for text, cells in ((one, ["D9"]), (columns(), [])):
        assert [p.cell for p in readings_of(tmp_path, text).problems if p.code == "one-diameter"] == cells


def test_a_plane_is_named_and_not_used(tmp_path: Path) -> None:
    readings = readings_of(tmp_path, columns() + "PLANE A,Z,0.0000,0.0010,0.0050,-0.0050,0.0010,0.0000\n")
    assert [p.cell for p in readings.problems if "PLANE A" in p.message] == ["D47"]
    assert codes(readings) == []


def test_no_made_up_report_is_misunderstood() -> None:
    scores = cases(43, 8, "machine", processes=1)
    assert not [s for s in scores if s.kind in GRAVE]
    assert sum(s.kind == "right" for s in scores if s.plain) >= sum(s.plain for s in scores) - 1
