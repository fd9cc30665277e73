"""The sentences about one characteristic of one hole: what was found, what is allowed, what to do."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.quantities import GRAIN, BoolArray, format_length
from holeqc.readings.table import ENTERS, cell_name

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.inspection.results import Inspection

Row = Mapping[str, Any]
ENGINEERING = "Engineering disposition; no rework without it."


@dataclass(frozen=True, slots=True)
class Phrase:
    """What is wrong, without the place and the full stop, and what to do about it."""

    text: str
    action: str


def rows_of(frame: pd.DataFrame, part: str, serial: str) -> BoolArray:
    """Return which rows of a frame belong to a part."""
    if not len(frame):
        return np.zeros(0, dtype=np.bool_)
    return _equal(frame["part"], part) & _equal(frame["serial"], serial)


def _equal(column: pd.Series[Any], text: str) -> BoolArray:
    if column.dtype.name != "category":
        return (column == text).to_numpy(dtype=np.bool_)
    if text not in column.cat.categories:
        return np.zeros(len(column), dtype=np.bool_)
    return np.asarray(column.cat.codes.to_numpy() == column.cat.categories.get_loc(text))


def place_of(inspection: Inspection, label: int) -> str:
    """Return the cell of a reading as ``Sheet1!F9`` (``F9`` in a CSV), '' for none."""
    table = inspection.readings.table
    if label < 0 or label not in table.index:
        return ""
    row = table.loc[label]
    cell = cell_name(int(row["row"]), int(row["column"]))
    return f"{row['sheet']}!{cell}" if row["sheet"] else cell


def hole_words(inspection: Inspection, row: Row) -> str:
    """Return ``Hole 3, far wall``; no wall where there is only one or the whole hole is meant."""
    several = inspection.specification.walls.several
    return f"Hole {row['hole']}" + (f", {row['wall']} wall" if several and row["wall"] else "")


def _length(value: float, unit: str) -> str:
    return format_length(value, unit)


def amount_text(value: float, unit: str) -> str:
    """Return an amount; more decimals where it would read as nothing."""
    decimals = 4 if unit == "in" else 3
    while decimals < 9 and abs(value) > GRAIN and float(f"{value:.{decimals}f}") == 0.0:
        decimals += 1
    return f"{value:.{decimals}f}"


def apart(smaller: float, larger: float, unit: str) -> tuple[str, str]:
    """Return two amounts with so many decimals that the smaller one reads as smaller, and neither as nothing."""
    for decimals in range(4 if unit == "in" else 3, 10):
        low, high = round(smaller, decimals), round(larger, decimals)
        if (low or abs(smaller) <= GRAIN) and (low < high or larger - smaller <= GRAIN):
            break
    return f"{smaller:.{decimals}f}", f"{larger:.{decimals}f}"


def over_words(found: float, stated: float, bonus: float, unit: str) -> tuple[str, str, str, str]:
    """Return a value, by how much it is over, what it may be, and the bonus in that, as numbers that add up on paper.

    ``found`` beyond ``stated + bonus``. The amount over is the difference of the two numbers shown, so that nobody who
    takes one from the other finds another last digit.
    """
    base = 4 if unit == "in" else 3
    least = max(base, len(_length(stated, unit).partition(".")[2]))
    for decimals in range(least, 10):
        shown, more = round(found, decimals), round(bonus, decimals)
        total = round(stated + more, decimals)
        if shown > total:
            break
    return tuple(f"{value:.{decimals}f}" for value in (shown, shown - total, total, more))  # type: ignore[return-value]


def _size_words(inspection: Inspection, row: Row) -> str:
    """Return a size with its unit; of one that was brought to 20 °C with what was read beside it."""
    table, label, unit = inspection.readings.table, row["reading"], inspection.specification.unit
    found = float(row["found"])
    read = table.loc[label] if label >= 0 and label in table.index else None
    if read is None or not inspection.specification.temperature.correct or abs(float(read["value"]) - found) <= GRAIN:
        return f"{_length(found, unit)} {unit}"
    at = f"{float(read['temperature_c']):g} °C"
    shown = f"{found:.{5 if unit == 'in' else 4}f} {unit}"
    return f"{shown} at 20 °C (read {_length(float(read['value']), unit)} at {at})"


def _along(inspection: Inspection, label: int) -> str:
    table = inspection.readings.table
    if label < 0 or label not in table.index:
        return ""
    direction = float(table.loc[label, "direction"])
    return "" if math.isnan(direction) else f" along {direction:g}°"


def size_beyond(inspection: Inspection, row: Row) -> Phrase:
    """Return the phrase for a size or an edge distance beyond a limit."""
    unit = inspection.specification.unit
    over = row["cause"] == "over"
    limit, amount = row["upper" if over else "lower"], abs(float(row["deviation"]))
    if row["characteristic"] == "edge distance":
        text = f"edge distance {_length(row['found'], unit)} {unit} is {amount_text(amount, unit)} under the least, "
        return Phrase(text + _length(limit, unit), ENGINEERING)
    within = amount < float(row["uncertainty"])
    shown, u = apart(amount, float(row["uncertainty"]), unit) if within else (amount_text(amount, unit), "")
    text = f"{_size_words(inspection, row)}{_along(inspection, row['reading'])} is {shown} "
    text += f"{'over the upper' if over else 'under the lower'} limit {_length(limit, unit)}"
    text += f", less than the reading's U = {u}" if within else ""
    return Phrase(text, ENGINEERING if over else _rework(inspection, row))


def _rework(inspection: Inspection, row: Row) -> str:
    holes = inspection.holes[rows_of(inspection.holes, row["part"], row["serial"])]
    text = "".join(str(t) for t in holes["rework"][(holes["hole"] == row["hole"]).to_numpy(dtype=np.bool_)])
    return text or ENGINEERING


def position_over(inspection: Inspection, row: Row) -> Phrase:
    """Return the phrase for a position beyond its total tolerance."""
    unit = inspection.specification.unit
    stated, bonus = float(row["stated"]), float(row["bonus"])
    found, amount, total, more = over_words(float(row["found"]), stated, max(bonus, 0.0), unit)
    parts = f"{_length(stated, unit)} stated" + (f" + {more} bonus" if bonus > GRAIN else "")
    name = "position" if row["characteristic"] == "position" else "hole-to-hole position (pattern floated)"
    text = f"{name} ⌀ {found} {unit} is {amount} over the tolerance "
    return Phrase(text + f"⌀ {total} ({parts})", _cure(inspection, row) or ENGINEERING)


def _cure(inspection: Inspection, row: Row) -> str:
    """Return the rework with which a hole is known to pass in position too, '' for none."""
    rework = inspection.rework[rows_of(inspection.rework, row["part"], row["serial"])]
    return next(
        (str(r["sentence"]) for r in rework.to_dict("records") if r["passes"] and r["hole"] == row["hole"]), ""
    )  # fmt: skip


def form_over(inspection: Inspection, row: Row) -> Phrase:
    """Return the phrase for out-of-roundness or taper beyond its limit."""
    unit = inspection.specification.unit
    found, amount, most, _ = over_words(float(row["found"]), float(row["upper"]), 0.0, unit)
    return Phrase(f"{row['characteristic']} {found} {unit} is {amount} over the allowed {most}", ENGINEERING)


def surface(row: Row) -> Phrase:
    """Return the phrase for what was found on a surface."""
    return {
        "crack": Phrase("a crack was found", f"{ENGINEERING} Don't drill or ream it out."),
        "burr": Phrase("a burr was found", "Deburr as the drawing allows, then look and read again."),
    }.get(str(row["cause"]), Phrase("the hole is not clean", "Clean it, then look and read again."))


def plug(inspection: Inspection, row: Row) -> Phrase:
    """Return the phrase for a plug that did what it must not."""
    unit = inspection.specification.unit
    if row["characteristic"] == "GO":
        size = _length(row["lower"], unit)
        return Phrase(f"the GO plug {size}{_unit(size, unit)} does not enter", _rework(inspection, row))
    size = _length(row["upper"], unit)
    return Phrase(f"the NO-GO plug {size}{_unit(size, unit)} enters: the hole is oversize by gauge", ENGINEERING)


def _unit(size: str, unit: str) -> str:
    return "" if size == "-" else f" {unit}"


def contradiction(inspection: Inspection, row: Row) -> Phrase:
    """Return the phrase for a plug and readings that exclude one another."""
    action = "Clean and deburr, check plug and gauge against masters, then try and read again."
    sizes = _sizes(inspection, row)
    if row["characteristic"] == "GO" and row["found_word"] == ENTERS:
        text = "the GO plug enters although a reading is smaller than the plug: one of both is wrong"
    elif row["characteristic"] == "GO":
        text = f"the GO plug does not enter although every reading is within limits{sizes}: the hole may be lobed, "
        text += "bent or burred, or the gauge is off"
    elif row["characteristic"] == "NO-GO":
        text = f"the NO-GO plug enters although a reading is smaller than the plug{sizes}: one of both is wrong"
    elif row["characteristic"] == "size":
        text = _size_against_plug(inspection, row, sizes)
    elif row["characteristic"] in {"out-of-roundness", "taper"}:
        text = f"{row['characteristic']} rests on a reading that a plug contradicts"
    else:
        text = f"{row['characteristic']} needs its bonus, and a plug contradicts the readings that give it"
    return Phrase(text, action)


def _size_against_plug(inspection: Inspection, row: Row, sizes: str) -> str:
    unit = inspection.specification.unit
    plug = plug_entered(inspection, row)
    if not plug:
        return f"the largest plug that enters does not agree with the readings{sizes}"
    read = f"{_length(row['found'], unit)} {unit}{_along(inspection, row['reading'])}"
    return f"{read} is smaller than {plug} that enters: one of both is wrong"


def plug_entered(inspection: Inspection, row: Row) -> str:
    """Return the plug that enters and is larger than the reading of a row, '' for none."""
    unit = inspection.specification.unit
    table = inspection.readings.table
    here = table[rows_of(table, row["part"], row["serial"])]
    here = here[((here["hole"] == row["hole"]) & here["wall"].isin([row["wall"], ""])).to_numpy(dtype=np.bool_)]
    go = next((h.plugs.go for h in inspection.specification.holes if h.id == row["hole"]), None)
    entered = ((here["characteristic"] == "go") & (here["word"] == ENTERS)).any()
    if go is not None and entered and row["found"] < go - GRAIN:
        return f"the GO plug {_length(go, unit)} {unit}"
    tried = here["value"].to_numpy(dtype=np.float64)[(here["characteristic"] == "plug").to_numpy(dtype=np.bool_)]
    larger = tried[tried > row["found"] + GRAIN]
    return f"the plug {_length(float(larger.max()), unit)} {unit}" if larger.size else ""


def _sizes(inspection: Inspection, row: Row) -> str:
    holes = inspection.holes[rows_of(inspection.holes, row["part"], row["serial"])]
    here = holes[(holes["hole"] == row["hole"]).to_numpy(dtype=np.bool_)]
    unit = inspection.specification.unit
    return "".join(
        f" (read {_length(r['smallest'], unit)} to {_length(r['largest'], unit)} {unit})"
        for r in here.to_dict("records") if np.isfinite(r["smallest"])
    )  # fmt: skip


def guarded(inspection: Inspection, row: Row) -> Phrase:
    """Return the phrase for a value too near a limit to be decided under the guarded rule."""
    spec = inspection.specification
    unit = spec.unit
    w, left = spec.decision.guard_factor * float(row["uncertainty"]), float(row["left"])
    amount, band = apart(abs(left), w, unit)
    side = "on its limit" if abs(left) <= GRAIN else f"{amount} {'inside' if left >= 0 else 'beyond'} its limit"
    sized = row["characteristic"] == "size"
    found = _size_words(inspection, row) if sized else f"{amount_text(row['found'], unit)} {unit}"
    text = f"{row['characteristic']} {found} lies {side}, within the guard band "
    text += f"w = {band}: conformance is not proven"
    return Phrase(text, "Read again with a gauge of smaller U, or engineering disposition.")


def missing_words(inspection: Inspection, part: str, serial: str, hole: str, wall: str, names: list[str]) -> str:
    """Return the sentence for what was not read of one hole and wall."""
    head = hole_words(inspection, {"hole": hole, "wall": wall})
    open_ = f"{', '.join(names)} can't be judged"
    directions = _open_directions(inspection, part, serial, hole, wall) if "size" in names else ""
    if directions:
        return f"{head}: the diameter{directions} is missing; {open_}."
    return f"{head}: {open_}, readings are missing."


def _open_directions(inspection: Inspection, part: str, serial: str, hole: str, wall: str) -> str:
    table, plan = inspection.readings.table, inspection.specification.plan
    rows = table[rows_of(table, part, serial)]
    here = rows[((rows["hole"] == hole) & (rows["wall"] == wall) & (rows["characteristic"] == "diameter")).to_numpy()]
    have = np.mod(here["direction"].to_numpy(dtype=np.float64), 180.0)
    lacking = [d for d in plan.directions if int(np.isclose(have, d % 180.0).sum()) < plan.count]
    return " along " + " and ".join(f"{d:g}°" for d in lacking) if lacking else ""
