"""Small kits and readings tables, built by hand for the tests of judging."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from holeqc.inspection import reasons as why
from holeqc.inspection.recheck import inspect
from holeqc.inspection.results import VERDICTS, Inspection, Reason
from holeqc.inspection.view import Run
from holeqc.problems import Problem
from holeqc.readings.table import COLUMNS, Readings
from holeqc.specification.model import (
    SINGLE_WALL,
    Gauge,
    Hole,
    Limits,
    Part,
    Position,
    ReadingPlan,
    Specification,
    Walls,
)
from holeqc.tables import Table

TEXTS = (
    "part", "serial", "hole", "wall", "characteristic", "word", "typed", "unit", "gauge", "by", "note", "file", "sheet",
    "doubt",
)  # fmt: skip
LIMITS = Limits(0.455, 0.462)


def hole(number: int | str = 1, x: float = 1.0, y: float = 1.0, size: Limits = LIMITS, **more: Any) -> Hole:
    """Return a hole with limits of size and nothing else asked, unless said."""
    return Hole(str(number), x, y, size, **more)


def kit(*holes: Hole, **more: Any) -> Specification:
    """Return a kit of one part and one wall, read in one direction, unless said."""
    given: dict[str, Any] = {
        "id": "K", "revision": "A", "unit": "in", "holes": holes or (hole(),), "parts": (Part("plate"),),
        "plan": ReadingPlan(directions=(0.0,)),
    } | more  # fmt: skip
    return Specification(**given)


def two_walls(*holes: Hole, position: bool = False, **more: Any) -> Specification:
    """Return a kit of one part with a near and a far wall, read along 0 and 90 degrees in both."""
    names = ("near", "far")
    plan = ReadingPlan(directions=(0.0, 90.0), walls=names, position=position, position_walls=names)
    return kit(*holes, **({"walls": Walls(names, 1.25), "plan": plan} | more))


def gauges(u_diameter: float | None = 0.0003, u_position: float | None = 0.0006, due: dt.date | None = None) -> Any:
    """Return a bore gauge and a coordinate table with such U."""
    return (
        Gauge("BG", "bore gauge", ("diameter",), u_diameter, 0.0001, due, 11.5e-6),
        Gauge("CM", "coordinate table", ("x", "y", "edge_distance"), u_position, 0.0001, due, 11.5e-6),
    )


def reading(characteristic: str, value: float | str, hole: int | str = 1, **more: Any) -> dict[str, Any]:
    """Return one row of a readings table; words go where words belong."""
    row: dict[str, Any] = {
        "part": "plate", "serial": "1", "hole": str(hole), "wall": SINGLE_WALL, "characteristic": characteristic,
        "direction": 0.0 if characteristic == "diameter" else np.nan, "trial": 1, "value": np.nan, "word": "",
        "typed": str(value), "unit": "in", "gauge": "", "temperature_c": np.nan, "date": pd.NaT, "by": "", "note": "",
        "file": "sheet.xlsx", "sheet": "Sheet1", "row": 0, "column": 6, "doubt": "",
    }  # fmt: skip
    row["word" if isinstance(value, str) else "value"] = value
    return row | more


def bore(value: float, hole: int | str = 1, **more: Any) -> dict[str, Any]:
    """Return a diameter along 0 degrees, unless said."""
    return reading("diameter", value, hole, **more)


def place(x: float, y: float, hole: int | str = 1, **more: Any) -> list[dict[str, Any]]:
    """Return x and y of a hole."""
    return [reading("x", x, hole, **more), reading("y", y, hole, **more)]


def table(rows: Iterable[dict[str, Any]]) -> pd.DataFrame:
    """Return rows as a readings table, each in a row of the sheet of its own, from row 2."""
    listed = [row | {"row": row["row"] or number} for number, row in enumerate(rows, 2)]
    frame = pd.DataFrame(listed, columns=list(COLUMNS))
    frame["date"] = pd.to_datetime(frame["date"])
    return frame.astype(dict.fromkeys(TEXTS, "category"))


def judge(spec: Specification, *rows: dict[str, Any], problems: tuple[Problem, ...] = ()) -> Inspection:
    """Return the inspection of rows."""
    return inspect(spec, Readings(Table.of_frame(table(rows)), problems))


def cells(inspection: Inspection, characteristic: str, hole: int | str = 1, wall: str | None = None) -> Any:
    """Return the rows of a characteristic of a hole."""
    frame = inspection.characteristics
    chosen = frame[(frame["characteristic"] == characteristic) & (frame["hole"] == str(hole))]
    return chosen if wall is None else chosen[chosen["wall"] == wall]


def cell(inspection: Inspection, characteristic: str, hole: int | str = 1, wall: str | None = None) -> Any:
    """Return the one row of a characteristic of a hole."""
    (row,) = cells(inspection, characteristic, hole, wall).to_dict("records")
    return row


def verdict(inspection: Inspection, characteristic: str, hole: int | str = 1, wall: str | None = None) -> str:
    """Return the verdict of one characteristic in words."""
    return VERDICTS[cell(inspection, characteristic, hole, wall)["verdict"]]


def of_part(inspection: Inspection, number: int = 0) -> str:
    """Return the verdict of a part in words."""
    return VERDICTS[inspection.parts["verdict"].iloc[number]]


def mmc(tolerance: float | None, pattern: float | None = None) -> Position:
    """Return a position tolerance at MMC."""
    return Position(tolerance, "MMC", pattern, "MMC")


def reasons(result: Inspection, part: str, serial: str, *, together: bool = False) -> list[Reason]:
    """Return why a part of a run isn't accepted, all problems of the run told."""
    (one,) = (view for view in Run(result) if (view.part, view.serial) == (part, serial))
    return why.reasons(one, result.problems, together=together)
