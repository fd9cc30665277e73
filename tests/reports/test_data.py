"""The JSON content: documented keys, plain values, no NaN."""

from __future__ import annotations

import dataclasses
import json
import re
from collections.abc import Iterator
from typing import Any

import made_up
import pytest

from holeqc.characteristics import MEASURED
from holeqc.inspection.results import Inspection, Planned, Predicted
from holeqc.inspection.view import Run
from holeqc.readings.table import Join
from holeqc.reports import data
from holeqc.reports.blocks import Paragraph
from holeqc.reports.data import as_data
from holeqc.reports.part_pages import part_blocks
from holeqc.specification import model as m
from holeqc.tables import Texts


def keys_of(value: Any) -> Iterator[str]:
    """Give every key that occurs anywhere."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield key
            yield from keys_of(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from keys_of(inner)


def shifted() -> Inspection:
    """A part whose datum holes left the frame a shift, by a kit that stands by an odd thing."""
    stood_by = m.Confirmation("wide position tolerance", "⌀0.300, hole 0.455 to 0.462 in", ("1",), "note 4")
    found = made_up.inspection(datum_shift=m.DatumShift(("1", "4"), 0.444), confirmed=(stood_by,))
    found.parts[["shift_x", "shift_y", "shift_rotation"]] = [0.0021, -0.0004, 0.0001]
    made_up.take_over(found)
    return found


def test_every_key_is_documented_and_every_documented_key_occurs(one: Inspection) -> None:
    one.readings.table.loc[one.readings.table.index[0], "note"] = "chips"
    made_up.take_over(one)
    (part, serial), table = one.parts[["part", "serial"]].iloc[0], one.readings.table
    join = Join(part, serial, "again.xlsx", "2026-05-04", table.iloc[:2], table.iloc[2:4], table.iloc[:0])
    again = dataclasses.replace(one, readings=dataclasses.replace(one.readings, joins=(join,)))
    told = set(
        re.findall(r"``([a-z_0-9]+)(?:\[\])?``", re.sub(r"``[\w\[\].]*\.(\w+)(\[\])?``", r"``\1``", data.__doc__ or ""))
    )
    words = {"json", "accept", "hold", "reject", "null", "simple", "guarded", "relaxed", "size", "ratio"}
    words |= {what.word for what in MEASURED}  # of kits that ask them: tests/inspection/test_measured.py
    confirmed = made_up.inspection(confirmed=(m.Confirmation("size", "0.455 to 0.462", ("1",), "as drawn"),))
    guess = Predicted("1", "near", "diameter", 0.4571, 0.0004)
    planned = dataclasses.replace(one, planned=(Planned(part, serial, "P", True, "", 3, 9, predicted=(guess,)),))
    there = {key for found in (one, again, planned, shifted(), confirmed) for key in keys_of(as_data(found))}
    float_keys = {f"{a}_{b}" for a in ("x", "y", "rotation") for b in ("minus", "plus")}
    assert there - told - float_keys == set()
    assert told - there - words == set()


def test_keys_that_readers_rely_on(one: Inspection) -> None:
    found = as_data(one)
    assert {"id": "BL-7", "revision": "C", "unit": "in"}.items() <= found["specification"].items()
    part = found["parts"][0]
    assert (part["part"], part["serial"], part["verdict"]) == ("port", "P-0112", "reject")
    assert part["reasons"][0].keys() == {"verdict", "sentence", "hole", "wall", "characteristic", "cell", "action"}
    hole = part["holes"][2]
    assert (hole["hole"], hole["verdict"], hole["size"]["verdict"]) == ("3", "reject", "reject")
    far = hole["size"]["walls"][1]
    assert (far["wall"], far["found"], far["lower"], far["upper"], far["deviation"]) == (
        "far",
        0.4627,
        0.455,
        0.462,
        0.0007,
    )
    assert far["cell"] == "bl7_P-0112.xlsx, Readings, F30"
    assert (part["pins"]["verdict"], part["pins"]["margin"], part["pins"]["binding"]) == ("hold", 0.0024, ["7", "8"])
    for key in ("severity", "file", "sheet", "cell", "found", "allowed", "action"):
        assert key in found["problems"][0]


@pytest.mark.parametrize("unit", ["in", "mm"])
def test_no_value_that_json_does_not_know(unit: str) -> None:
    found = made_up.inspection(made_up.six_parts(), unit=unit)
    found.characteristics.loc[0, "ratio"] = float("inf")
    made_up.take_over(found)
    text = json.dumps(as_data(found), allow_nan=False)
    assert json.loads(text) == as_data(found)


def test_numbers_carry_no_binary_noise(one: Inspection) -> None:
    text = json.dumps(as_data(one))
    assert not [n for n in re.findall(r"-?\d+\.\d+", text) if len(n.lstrip("-0.")) > 14]


def test_a_kit_without_pins_has_none() -> None:
    found = made_up.inspection((("port", "1", made_up.CLEAN),))
    found.parts["pin_verdict"] = -1
    made_up.take_over(found)
    assert as_data(found)["parts"][0]["pins"] is None


def test_a_datum_shift_that_was_used_is_told() -> None:
    assert as_data(shifted())["parts"][0]["datum_shift"] == {"x": 0.0021, "y": -0.0004, "rotation": 0.0001}
    assert as_data(made_up.inspection())["parts"][0]["datum_shift"] is None
    said = [block.text for block in part_blocks(Run(shifted())[0]) if isinstance(block, Paragraph)]
    assert "Datum holes leave the frame some shift; used here: x +0.0021, y −0.0004 inch, turn 0.006°." in said


def test_a_run_without_parts_has_no_verdict() -> None:
    found = as_data(made_up.inspection(()))
    assert (found["verdict"], found["parts"], found["counts"]) == (None, [], {"accept": 0, "hold": 0, "reject": 0})


def test_a_note_in_the_sheet_is_told_once_with_its_cell(one: Inspection) -> None:
    rows = one.readings.rows
    notes = Texts.of(["<b>chip</b> mark"] * 2 + [""] * (len(rows) - 2))
    first = rows.row(0)
    noted = dataclasses.replace(one, readings=dataclasses.replace(one.readings, rows=rows.with_columns(note=notes)))
    (note, *_) = as_data(noted)["notes"]
    assert (note["text"], note["hole"], note["serial"]) == ("<b>chip</b> mark", first["hole"], first["serial"])
    assert note["cell"] == data_cell(first)


def data_cell(row: object) -> str:
    """Return the address of a reading of the made-up sheet by a route of its own."""
    from openpyxl.utils import get_column_letter

    return f"{get_column_letter(int(row['column']))}{row['row']}"  # type: ignore[index]


def test_a_lower_limit_alone_has_no_ratio_of_tolerance(one: Inspection) -> None:
    """MIL-HDBK-52 compares a tolerance with U; a limit with nothing above it is no tolerance."""
    frame = one.characteristics
    frame.loc[frame["characteristic"] == "edge distance", ["lower", "upper", "ratio"]] = [0.924, float("nan"), 770.0]
    holes = [hole for part in as_data(one)["parts"] for hole in part["holes"] if "edge_distance" in hole]
    walls = [wall for hole in holes for wall in hole["edge_distance"]["walls"]]
    assert walls
    assert all(wall["ratio"] is None for wall in walls)
