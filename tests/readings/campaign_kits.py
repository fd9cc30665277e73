"""Made-up kits, the readings of good parts, and what can be wrong with a part or a slip of who types.

Each fault changes what was read or typed and says what a careful person would then answer: the right answers, the
answers that would be grave (a bad part accepted, a good part rejected), and whether a person is in any doubt. All
sizes, numbers and names are invented; how shops slip is common practice, no source.
"""

from __future__ import annotations

import datetime as dt
import random
import statistics
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

D = Decimal
Values = dict[str, Any]  # d0, d90, x, y, go, no_go, surface
ACCEPT, HOLD, REJECT, REFUSED = "accept", "hold", "reject", "refused"


# ---- kits ------------------------------------------------------------------------------------------------------------


@dataclass
class Hole:
    """What the drawing asks of one hole, in the kit's unit."""

    id: str
    x: Decimal
    y: Decimal
    lower: Decimal
    upper: Decimal
    nominal: Decimal


@dataclass
class Kit:
    """What the drawing asks of a pattern; lengths in its unit."""

    id: str
    drawing: str
    revision: str
    unit: str
    walls: list[str]
    holes: list[Hole]
    directions: list[int]
    tolerance: Decimal | None
    condition: str
    plugs: bool
    surface: bool
    roundness: Decimal | None
    parts: list[str]
    rule: str
    size_u: Decimal
    position_u: Decimal
    size_step: Decimal
    position_step: Decimal
    due: dt.date
    gauges: dict[str, str]
    finer_sheet: bool

    @property
    def band(self) -> Decimal:
        return self.holes[0].upper - self.holes[0].lower

    @property
    def groups(self) -> list[Decimal]:
        return sorted({h.lower for h in self.holes})

    def hole(self, name: str) -> Hole:
        return next(h for h in self.holes if h.id == name)

    @property
    def size_keys(self) -> list[str]:
        return [f"d{a}" for a in self.directions]

    @property
    def keys(self) -> list[str]:
        """Readings that the plan asks of each hole in each wall."""
        return (
            self.size_keys
            + (["x", "y"] if self.tolerance else [])
            + (["go", "no_go"] if self.plugs else [])
            + (["surface"] if self.surface else [])
        )

    def toml(self) -> str:
        """The kit file, with the keys that ``holeqc kit keys`` lists."""
        out = ["[kit]", f'id = "{self.id}"', f'title = "Boarding ladder, pattern {self.id}"']
        out += [f'revision = "{self.revision}"', f'unit = "{self.unit}"', f'drawing = "{self.drawing}"']
        for i, name in enumerate(self.parts):
            out += ["", "[[part]]", f'name = "{name}"', f'number = "{self.drawing}-{i + 1}"']
            if i:
                out += [f'mirror_of = "{self.parts[0]}"', 'mirror = "x"', "own_edges = true"]
        if len(self.walls) > 1:
            depth = "1.25" if self.unit == "in" else "32"
            out += ["", "[walls]", f"names = {self._list(self.walls)}", f"stack_depth = {depth}"]
        first = self.holes[0]
        out += ["", "[size]", f"lower = {first.lower}", f"upper = {first.upper}"]
        if self.roundness:
            out += ["", "[form]", f"out_of_roundness = {self.roundness}"]
        if self.tolerance:
            out += ["", "[position]", f"tolerance = {self.tolerance}", f'condition = "{self.condition}"']
        if self.surface:
            out += ["", "[surface]", "clean = true", "burr_free = true"]
        if self.plugs:
            out += ["", "[plugs]", f"go = {first.lower}", f"no_go = {first.upper}"]
        for h in self.holes:
            out += ["", "[[hole]]", f'id = "{h.id}"']
            out += [f"x = {h.x}", f"y = {h.y}"] if self.tolerance else []
            if h.lower != first.lower:
                out += [f"size = {{ lower = {h.lower}, upper = {h.upper} }}"]
                out += [f"plugs = {{ go = {h.lower}, no_go = {h.upper} }}"] if self.plugs else []
        uses = {"size": ["diameter"], "position": ["x", "y"], "plugs": ["go", "no_go"]}
        for use, name in self.gauges.items():
            u = self.position_u if use == "position" else self.size_u
            out += ["", "[[gauge]]", f'id = "{name}"', f"measures = {self._list(uses[use])}", f"uncertainty = {u}"]
            if use != "plugs" and not self.finer_sheet:
                out += [f"resolution = {self.size_step if use == 'size' else self.position_step}"]
            out += [f"calibration_due = {self.due.isoformat()}"]
        out += ["", "[plan]", f"directions = {self.directions}"]
        out += [f'diameter_gauge = "{self.gauges["size"]}"'] if "size" in self.gauges else []
        out += [f'position_gauge = "{self.gauges["position"]}"'] if "position" in self.gauges and self.tolerance else []
        out += ["", "[decision]", f'rule = "{self.rule}"']
        return "\n".join(out) + "\n"

    @staticmethod
    def _list(words: list[str]) -> str:
        return "[" + ", ".join(f'"{w}"' for w in words) + "]"


INCH_SIZES = ["0.125", "0.1875", "0.19", "0.25", "0.266", "0.3125", "0.328", "0.375", "0.397", "0.4375"]
INCH_SIZES += ["0.5", "0.5625", "0.625", "0.6875", "0.75"]
MM_SIZES = ["3", "3.3", "4", "5", "6", "6.5", "8", "10", "12", "12.5", "14", "16", "18", "20"]


def make_kit(rng: random.Random, need: dict[str, Any], finer_sheet: bool, unit: str) -> Kit:
    """Draw a kit; ``need`` says what the layout or the fault can't do without."""
    inch = unit == "in"
    step, grain = (D("0.0001"), D("0.001")) if inch else (D("0.001"), D("0.01"))
    rule = "guarded" if rng.random() < 0.08 and not need.get("simple") else "simple"
    bands = ["0.004", "0.005", "0.006", "0.007", "0.008"] if inch else ["0.10", "0.12", "0.15", "0.20"]
    if rule == "simple":
        bands += ["0.002", "0.003"] if inch else ["0.05", "0.06", "0.08"]
    band = D(rng.choice(bands))
    count = need.get("groups") or rng.choices([1, 2, 3], [70, 22, 8])[0]
    apart = D("0.04") if inch else D("1")
    sizes: list[Decimal] = []
    for size in rng.sample([D(s) for s in (INCH_SIZES if inch else MM_SIZES)], 12):
        if len(sizes) < count and all(abs(size - s) >= apart for s in sizes):
            sizes.append(size)
    shift = D(rng.choice(["0", "0", "0.001", "-0.001"] if inch else ["0", "0", "0.02", "-0.02"]))
    n = rng.randint(max(4, 2 * count), 12)
    columns = rng.choice([2, 3, 4, n])
    pitch = (
        D(max(4, int(max(sizes) * 16) + 1)) / 4 if inch else D(5 * int(max(sizes) * 4 / 5 + 5))
    )  # four diameters or more
    x0, y0 = (D("0.875"), D("1.25")) if inch else (D("22.5"), D("35"))
    ids = rng.choice(
        [[str(i + 1) for i in range(n)]] * 4 + [[chr(65 + i) for i in range(n)]] + [[f"H{i + 1}" for i in range(n)]]
    )
    holes = []
    for i in range(n):
        size = sizes[i % count] if i < count else rng.choice(sizes)
        x, y = x0 + pitch * (i % columns), y0 + pitch * (i // columns)
        lower = size + shift
        places = D("0.0001") if inch else D("0.001")
        lower = lower.quantize(places)
        holes.append(Hole(ids[i], x.quantize(grain), y.quantize(grain), lower, lower + band, size))
    walls = ["single"]
    if need.get("walls", rng.choice([1, 2, 2])) == 2:
        pairs = [["near", "far"]] * 7 + [["inner", "outer"], ["skin", "backing"], ["front", "back"], ["top", "bottom"]]
        walls = list(rng.choice(pairs)) if not need.get("near") else ["near", "far"]
    directions = need.get("directions") or rng.choice([[0, 90], [0, 90], [0, 90], [0], [0, 60]])
    tolerance = None
    if need.get("position", rng.random() < 0.75):
        tolerance = D(
            rng.choice(
                ["0.010", "0.014", "0.020", "0.028", "0.040", "0.060"]
                if inch
                else ["0.25", "0.30", "0.40", "0.60", "1.00"]
            )
        )
    size_u = (band / (16 if rule == "guarded" else 10)).quantize(step, ROUND_HALF_UP)
    number = f"{rng.choice(['LK', 'BL', 'RG', 'SP', 'CL'])}{rng.randint(3, 49)}"
    gauges = {}
    if rng.random() < 0.85 or need.get("gauge") or rule == "guarded":  # guarded needs a known U
        k = rng.randint(1, 6)
        gauges = {"size": f"BG-{k}", "position": f"CM-{k}"}
    kit = Kit(
        id=f"{number[:2]}-{number[2:]}",
        drawing=f"{number}-{rng.randint(10, 99)}0",
        revision=rng.choice("ABCDE"),
        unit=unit,
        walls=walls,
        holes=holes,
        directions=directions,
        tolerance=tolerance,
        condition=rng.choice(["RFS", "MMC"]),
        plugs=need.get("plugs", rng.random() < 0.35),
        surface=need.get("surface", rng.random() < 0.3),
        roundness=None,
        parts=["plate"],
        rule=rule,
        size_u=max(size_u, step),
        position_u=(D("0.0006") if inch else D("0.012")),
        size_step=step,
        position_step=step if inch and rng.random() < 0.5 else grain,
        due=dt.date(2099, 12, 31),
        gauges=gauges,
        finer_sheet=finer_sheet,
    )
    if kit.plugs and gauges:
        gauges["plugs"] = f"PL-{rng.randint(100, 999)}"
    if len(directions) > 1 and (need.get("oval") or rng.random() < 0.4):
        kit.roundness = (band / 2).quantize(step)
    if rng.random() < 0.2:
        kit.parts = ["port", "starboard"]
    return kit


# ---- truth and faults ------------------------------------------------------------------------------------------------


@dataclass
class Row:
    """One hole as typed: its readings by wall, and what stands beside them."""

    hole: str
    values: dict[str, Values]
    remark: str = ""
    serial: str = ""


@dataclass
class Part:
    """One serial number: what was typed, and what a careful person would answer."""

    serial: str
    name: str
    rows: list[Row]
    fault: str = "clean"
    right: set[str] = field(default_factory=lambda: {ACCEPT})
    grave: set[str] = field(default_factory=lambda: {REJECT})
    plain: bool = True
    remarks: list[str] = field(default_factory=list)

    def judge(self, right: set[str], grave: set[str], plain: bool = True) -> bool:
        self.right, self.grave = right, grave
        self.plain = self.plain and plain
        return True


def on_step(value: Decimal, step: Decimal) -> Decimal:
    return (value / step).quantize(D(1), ROUND_HALF_UP) * step


def spread(rng: random.Random, width: Decimal) -> Decimal:
    return width * D(round(rng.uniform(-1, 1), 4))


def clearance(kit: Kit) -> Decimal:
    """How far good readings stay inside and bad ones outside: two steps, under the guarded rule beyond U."""
    return 2 * kit.size_step + (kit.size_u if kit.rule == "guarded" else 0)


def plug_answers(hole: Hole, values: Values, sizes: list[str]) -> tuple[bool, bool]:
    least = min(values[k] for k in sizes)
    return least >= hole.lower, least > hole.upper


def good_rows(rng: random.Random, kit: Kit) -> list[Row]:
    """Readings of a good part: true geometry, scatter within the gauge's U, rounded to its step."""
    rows = []
    for hole in kit.holes:
        low, high = hole.lower + clearance(kit), hole.upper - clearance(kit)
        centre = hole.lower + kit.band * D(round(rng.uniform(0.25, 0.7), 3))
        reach = kit.tolerance * D("0.2") if kit.tolerance else D(0)
        shift = (spread(rng, reach), spread(rng, reach))
        by_wall = {}
        for wall in kit.walls:
            here = centre + spread(rng, kit.band * D("0.08"))
            values: Values = {}
            for k in kit.size_keys:
                size = here + spread(rng, kit.band * D("0.06")) + spread(rng, kit.size_u / 3)
                values[k] = min(max(on_step(size, kit.size_step), low), high)
            if kit.tolerance:
                scatter = kit.tolerance * D("0.03")
                values["x"] = on_step(hole.x + shift[0] + spread(rng, scatter), kit.position_step)
                values["y"] = on_step(hole.y + shift[1] + spread(rng, scatter), kit.position_step)
            if kit.plugs:
                values["go"], values["no_go"] = True, False
            if kit.surface:
                values["surface"] = "clean"
            by_wall[wall] = values
        rows.append(Row(hole.id, by_wall))
    return rows


def set_sizes(rng: random.Random, kit: Kit, row: Row, wall: str, size: Decimal, width: Decimal) -> None:
    """All diameters of a wall at a size, scattered upward or downward by ``width``; plugs as they would answer."""
    values = row.values[wall]
    for k in kit.size_keys:
        values[k] = on_step(size + width * D(round(rng.random(), 3)), kit.size_step)
    if kit.plugs:
        values["go"], values["no_go"] = plug_answers(kit.hole(row.hole), values, kit.size_keys)


Case = Any
FAULTS: dict[str, tuple[float, dict[str, Any], Callable[[random.Random, Any, Kit, Part], bool]]] = {}


def fault(weight: float, **need: Any) -> Callable[[Any], Any]:
    """Enter a fault with its weight and with what the kit must have for it."""

    def enter(function: Any) -> Any:
        FAULTS[function.__name__] = (weight, need, function)
        return function

    return enter


BAD = {ACCEPT}


@fault(6)
def over(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    """Too large in all walls: all readings agree."""
    row = rng.choice(part.rows)
    size = kit.hole(row.hole).upper + clearance(kit) + kit.band * D(round(rng.uniform(0, 0.6), 2))
    for wall in kit.walls:
        set_sizes(rng, kit, row, wall, size, kit.band * D("0.08"))
    return part.judge({REJECT}, BAD)


@fault(5)
def under(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    row = rng.choice(part.rows)
    size = kit.hole(row.hole).lower - clearance(kit) - kit.band * D(round(rng.uniform(0, 0.6), 2))
    for wall in kit.walls:
        set_sizes(rng, kit, row, wall, size, -kit.band * D("0.08"))
    return part.judge({REJECT}, BAD)


@fault(3, walls=2)
def over_in_one_wall(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    row, wall = rng.choice(part.rows), rng.choice(kit.walls)
    size = kit.hole(row.hole).upper + clearance(kit) + kit.band * D(round(rng.uniform(0, 0.25), 2))
    set_sizes(rng, kit, row, wall, size, kit.band * D("0.05"))
    return part.judge({REJECT}, BAD)


@fault(5, position=True)
def off_position(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    """Beyond the tolerance and all bonus, both walls alike."""
    assert kit.tolerance is not None
    row, hole = (r := rng.choice(part.rows)), kit.hole(r.hole)
    bonus = kit.band if kit.condition == "MMC" else D(0)
    off = (kit.tolerance + bonus) / 2 * D(round(rng.uniform(1.1, 1.8), 2)) + kit.position_u + 3 * kit.position_step
    key = rng.choice("xy")
    off *= rng.choice([1, -1])
    for wall in kit.walls:
        row.values[wall][key] = on_step(getattr(hole, key) + off, kit.position_step)
    return part.judge({REJECT}, BAD)


@fault(2, directions=[0, 90])
def oval(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    """Long in one direction, beyond the upper limit, in all walls alike."""
    row, key = rng.choice(part.rows), rng.choice(kit.size_keys)
    size = kit.hole(row.hole).upper + clearance(kit) + kit.band * D(round(rng.uniform(0, 0.15), 2))
    for wall in kit.walls:
        row.values[wall][key] = on_step(size, kit.size_step)
    if len(kit.walls) == 1:  # one reading of two: a person may want it read again
        return part.judge({REJECT, HOLD}, BAD)
    return part.judge({REJECT}, BAD)


@fault(2, directions=[0, 90], oval=True, simple=True)
def out_of_round(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    """Each reading inside its limits, their difference beyond what the drawing allows, in all walls."""
    assert kit.roundness is not None
    row = rng.choice(part.rows)
    hole = kit.hole(row.hole)
    wide = kit.roundness + 3 * kit.size_step + kit.band * D("0.1")
    if hole.lower + 2 * kit.size_step + wide > hole.upper - 2 * kit.size_step:
        return False
    low = on_step((hole.lower + hole.upper - wide) / 2, kit.size_step)
    for wall in kit.walls:
        row.values[wall]["d0"], row.values[wall]["d90"] = low, on_step(low + wide, kit.size_step)
    return part.judge({REJECT}, BAD)


@fault(2, plugs=True)
def no_go_enters(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    """The NO-GO enters, whatever the readings say."""
    row = rng.choice(part.rows)
    row.values[rng.choice(kit.walls)]["no_go"] = True
    return part.judge({REJECT, HOLD}, BAD)


@fault(2, plugs=True)
def go_refused(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    row = rng.choice(part.rows)
    row.values[rng.choice(kit.walls)]["go"] = False
    return part.judge({REJECT, HOLD}, BAD)


@fault(4)
def wrong_drill(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    """Drilled with a neighbouring drill: all readings of the hole agree."""
    row = rng.choice(part.rows)
    hole = kit.hole(row.hole)
    drill = D("0.0156") if kit.unit == "in" else (D("0.5") if hole.nominal >= 6 else D("0.3"))
    size = (hole.lower + hole.upper) / 2 + drill * rng.choice([1, 1, -1])
    if any(h.lower - kit.band < size < h.upper + kit.band for h in kit.holes):
        return False
    for wall in kit.walls:
        set_sizes(rng, kit, row, wall, size, kit.band * D("0.08"))
    return part.judge({REJECT}, BAD)


@fault(2, surface=True)
def burr(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    row = rng.choice(part.rows)
    row.values[rng.choice(kit.walls)]["surface"] = rng.choice(["burr", "crack"])
    return part.judge({REJECT}, BAD)


@fault(4, simple=True)
def at_limit(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    """Readings exactly at a limit are inside."""
    row, key = rng.choice(part.rows), rng.choice(["lower", "upper"])
    for wall in kit.walls:
        set_sizes(rng, kit, row, wall, getattr(kit.hole(row.hole), key), D(0))
        if kit.plugs:
            row.values[wall]["go"], row.values[wall]["no_go"] = True, False
    return not case.converted and part.judge({ACCEPT}, {REJECT})


@fault(2, position=True, simple=True)
def within_bonus(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    """Beyond the stated tolerance, inside it with the bonus of a large hole: good at MMC."""
    assert kit.tolerance is not None
    row, key = rng.choice(part.rows), rng.choice("xy")
    hole = kit.hole(row.hole)
    for wall in kit.walls:
        set_sizes(rng, kit, row, wall, hole.lower + kit.band * D("0.75"), kit.band * D("0.1"))
        values = row.values[wall]
        values["x"], values["y"] = hole.x, hole.y
        values[key] = on_step(getattr(hole, key) + kit.tolerance / 2 + kit.band * D("0.2"), kit.position_step)
    off = 2 * (row.values[kit.walls[0]][key] - getattr(hole, key))
    clear = kit.tolerance + kit.position_step / 2 < off < kit.tolerance + kit.band * D("0.7") - kit.position_step / 2
    return kit.condition == "MMC" and not case.converted and clear and part.judge({ACCEPT}, {REJECT})


@fault(4, simple=True)
def one_step_beyond(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    row, key = rng.choice(part.rows), rng.choice(["lower", "upper"])
    beyond = kit.size_step if key == "upper" else -kit.size_step
    for wall in kit.walls:
        set_sizes(rng, kit, row, wall, getattr(kit.hole(row.hole), key) + beyond, D(0))
    return not case.converted and part.judge({REJECT}, BAD)


def _doubt(kit: Kit, part: Part, row: Row, wall: str, key: str, new: Decimal) -> bool:
    """Type a wrong diameter and say what a person would answer."""
    hole = kit.hole(row.hole)
    others = [v[k] for w, v in row.values.items() for k in kit.size_keys if (w, k) != (wall, key)]
    row.values[wall][key] = new
    if hole.lower <= new <= hole.upper:
        far = any(abs(new - o) > kit.band / 3 for o in others)
        return part.judge({ACCEPT, HOLD}, {REJECT} if not (far and kit.roundness) else set(), not far)
    beyond = max(hole.lower - new, new - hole.upper)
    if others and abs(new - D(statistics.median(others))) >= kit.band * D("1.5"):
        return part.judge({HOLD}, {ACCEPT, REJECT})
    if beyond > hole.nominal * D("0.5"):  # no drill near that size leaves it
        return part.judge({HOLD}, {ACCEPT, REJECT})
    # Nothing tells this slip from a hole that is really outside: no person could.
    return part.judge({HOLD, REJECT}, BAD, False)


@fault(4)
def point_shifted(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    row, wall = rng.choice(part.rows), rng.choice(kit.walls)
    key = rng.choice([*kit.size_keys, *(["x", "y"] if kit.tolerance else [])])
    new = row.values[wall][key] * rng.choice([10, D("0.1")])
    if key in "xy":
        if any(abs(new - getattr(h, key)) < kit.band * 10 for h in kit.holes):
            return False
        row.values[wall][key] = new
        return part.judge({HOLD}, {ACCEPT, REJECT})
    return _doubt(kit, part, row, wall, key, new)


@fault(4)
def digits_swapped(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    if case.converted:  # swapped in the unit of the kit, typed in the other one: no two digits are swapped there
        return False
    row, wall = rng.choice(part.rows), rng.choice(kit.walls)
    key = rng.choice(kit.size_keys)
    text = f"{row.values[wall][key]:.{-kit.size_step.as_tuple().exponent}f}"  # type: ignore[operator]
    point = text.index(".")
    spots = [i for i in range(len(text) - 1) if point not in (i, i + 1) and text[i] != text[i + 1] and text[i] != "-"]
    spots = [i for i in spots if not (i == 0 and text[1] == "0")]
    if not spots:
        return False
    i = rng.choice(spots)
    return _doubt(kit, part, row, wall, key, D(text[:i] + text[i + 1] + text[i] + text[i + 2 :]))


@fault(3, position=True)
def y_typed_in_x(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    assert kit.tolerance is not None
    least = max(5 * kit.tolerance, kit.band * 20)
    rows = [r for r in part.rows if abs(kit.hole(r.hole).x - kit.hole(r.hole).y) > least]
    if not rows:
        return False
    row, wall = rng.choice(rows), rng.choice(kit.walls)
    row.values[wall]["x"] = row.values[wall]["y"]
    return part.judge({HOLD}, {ACCEPT, REJECT})


@fault(3)
def other_unit_in_a_cell(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    row, wall, key = rng.choice(part.rows), rng.choice(kit.walls), rng.choice(kit.size_keys)
    new = row.values[wall][key] * (D("25.4") if kit.unit == "in" else 1 / D("25.4"))
    return _doubt(kit, part, row, wall, key, on_step(new, D("0.01") if kit.unit == "in" else D("0.0001")))


@fault(2)
def other_unit_unsaid(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    """The whole sheet in the other unit, and no word of it."""
    if not case.converted or len(case.parts) > 1:
        return False
    case.style.unit_place = "none"
    return part.judge({HOLD, REFUSED}, {REJECT})


@fault(3, groups=2)
def sizes_exchanged(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    a, b = rng.choice([(r, s) for r in part.rows for s in part.rows if kit.hole(r.hole).lower < kit.hole(s.hole).lower])
    whole = rng.random() < 0.5
    for wall in kit.walls if whole else [rng.choice(kit.walls)]:
        for key in kit.size_keys if whole else [rng.choice(kit.size_keys)]:
            a.values[wall][key], b.values[wall][key] = b.values[wall][key], a.values[wall][key]
    return part.judge({HOLD}, {ACCEPT, REJECT})


@fault(1, walls=2)
def near_and_far_exchanged(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    row = rng.choice(part.rows)
    a, b = kit.walls
    row.values[a], row.values[b] = row.values[b], row.values[a]
    return part.judge({ACCEPT, HOLD}, {REJECT})


@fault(5)
def reading_missing(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    row, wall, key = rng.choice(part.rows), rng.choice(kit.walls), rng.choice(kit.keys)
    if case.layout == "go_one" and key in ("go", "no_go"):
        row.values[wall]["go"] = row.values[wall]["no_go"] = None
    row.values[wall][key] = None
    return part.judge({HOLD}, {ACCEPT, REJECT})


@fault(3)
def hole_missing(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    part.rows.remove(rng.choice(part.rows))
    return part.judge({HOLD}, {ACCEPT, REJECT})


def _copy(row: Row) -> Row:
    return Row(row.hole, {w: dict(v) for w, v in row.values.items()}, row.remark, row.serial)


@fault(2)
def row_doubled(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    row = rng.choice(part.rows)
    part.rows.insert(part.rows.index(row) + 1 if rng.random() < 0.5 else len(part.rows), _copy(row))
    return part.judge({ACCEPT, HOLD}, {REJECT})


@fault(4)
def row_doubled_other_value(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    row = rng.choice(part.rows)
    again = _copy(row)
    hole, wall, key = kit.hole(row.hole), rng.choice(kit.walls), rng.choice(kit.size_keys)
    apart = 2 * kit.size_u + 4 * kit.size_step
    part.rows.insert(part.rows.index(row) + 1 if rng.random() < 0.5 else len(part.rows), again)
    if rng.random() < 0.4:
        again.values[wall][key] = hole.upper + apart
        return part.judge({HOLD, REJECT}, BAD)
    old = again.values[wall][key]
    new = old + apart if old + apart <= hole.upper - clearance(kit) else old - apart
    again.values[wall][key] = new
    inside = hole.lower <= new <= hole.upper
    return part.judge({HOLD} if inside else {HOLD, REJECT}, {ACCEPT, REJECT} if inside else BAD, inside)


@fault(3)
def hole_unknown(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    extra = _copy(rng.choice(part.rows))
    extra.hole = rng.choice(["99", "Z", "13A", "T1"])
    for values in extra.values.values():
        for k in kit.size_keys:
            values[k] += kit.size_step
    part.rows.append(extra)
    return part.judge({HOLD}, {REJECT})


DEFECTS = {
    "en": [
        "CRACK at hole {}",
        "hole {} cracked, see supervisor",
        "Burr left at hole {}",
        "Hole {} is oversize",
        "NOTE: hole {} re-drilled, bell-mouthed and out of round",
        "crack found at {}",
    ],
    "de": ["Riss an Bohrung {}", "Grat an Bohrung {} vorhanden"],
    "fr": ["Fissure au trou {}", "Bavure au trou {}"],
    "es": ["Grieta en el agujero {}", "Rebaba en el agujero {}"],
}


@fault(3)
def remark_below(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    part.remarks.append(rng.choice(DEFECTS[case.style.lang]).format(rng.choice(kit.holes).id))
    return part.judge({HOLD, REJECT}, BAD)


@fault(2)
def remark_beside(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    words = {
        "en": ["crack", "hairline crack at exit", "burr", "oversize, ask", "cracked!"],
        "de": ["Riss", "Grat"],
        "fr": ["fissure", "bavure"],
        "es": ["grieta", "rebaba"],
    }
    rng.choice(part.rows).remark = rng.choice(words[case.style.lang])
    case.style.remark_column = True
    return case.has_remarks and part.judge({HOLD, REJECT}, BAD)


@fault(3)
def wrong_drawing(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    if case.layout == "own":
        return False
    case.title_drawing = f"{kit.drawing[:2]}{rng.randint(50, 90)}-{rng.randint(10, 99)}0"
    case.title_revision = kit.revision
    for p in case.parts:
        p.judge({HOLD, REFUSED}, {ACCEPT, REJECT})
    return True


@fault(2)
def wrong_revision(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    if case.layout == "own":
        return False
    case.title_drawing, case.title_revision = kit.drawing, rng.choice("FGHK")
    for p in case.parts:
        p.judge({HOLD, REFUSED}, {ACCEPT, REJECT})
    return True


@fault(2)
def other_serial_in_a_row(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    if case.serial_place != "column":
        return False
    other = f"{part.serial[:2]}9{part.serial[3:]}"
    if other in {p.serial for p in case.parts}:
        return False
    rng.choice(part.rows).serial = other
    case.extra[other] = ({HOLD, REFUSED}, {ACCEPT, REJECT})
    return part.judge({HOLD}, {ACCEPT, REJECT})


@fault(2, gauge=True)
def gauge_unknown(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    if case.layout == "own":
        return False
    case.gauge_named = rng.choice(["BG-77", "DM-12", "ZX-4"])
    for p in case.parts:
        p.judge({HOLD}, {REJECT})
    return True


@fault(2, gauge=True)
def gauge_past_due(rng: random.Random, case: Case, kit: Kit, part: Part) -> bool:
    kit.due = case.date - dt.timedelta(rng.randint(3, 90))
    case.say_date = True
    for p in case.parts:
        p.judge({HOLD}, {ACCEPT, REJECT})
    return True
