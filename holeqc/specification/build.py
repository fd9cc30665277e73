"""From checked values to the records of `holeqc.specification.model`, every default and every override merged in."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

from holeqc.problems import HoleQCError
from holeqc.quantities import GRAIN
from holeqc.specification.content import Content, Values
from holeqc.specification.model import (
    SINGLE_WALL,
    DatumShift,
    DecisionRule,
    Edge,
    Form,
    Gauge,
    Hole,
    Limits,
    Part,
    Pin,
    Plugs,
    Position,
    ReadingPlan,
    Rounding,
    Specification,
    Surface,
    Temperature,
    Tools,
    Walls,
)
from holeqc.specification.values import Collector

NAN = float("nan")
_WAYS = {"limits": ("lower", "upper"), "class": ("class",), "deviations": ("plus", "minus")}


def get(values: Values, key: str, default: Any = None) -> Any:
    """Return a value, the default where it is not given or can't be used."""
    value = values.get(key)
    return default if value is None else value


def build(content: Content, collector: Collector) -> Specification:
    """Return the specification that the values stand for; what is missing is collected as an error."""
    kit = content.table("kit")
    walls = Walls(
        get(content.table("walls"), "names", (SINGLE_WALL,)),
        content.table("walls").get("stack_depth"),
        get(content.table("walls"), "bonus_from_both", True),
    )
    pins = {pin.id: pin for pin in (_pin(v, _pin_path(content, i), collector) for i, v in enumerate(content.pins, 1))}
    holes = tuple(_hole(content, i, pins, collector) for i in range(1, len(content.holes) + 1))
    fixture = content.table("fixture")
    tools = content.table("tools")
    outline = get(content.table("outline"), "points", ())
    rounding = content.table("rounding")
    return Specification(
        id=get(kit, "id") or Path(collector.file).stem or "kit",
        revision=get(kit, "revision") or "-",
        unit=collector.unit,
        holes=holes,
        parts=tuple(_part(v, f"part[{i}]", collector) for i, v in enumerate(content.parts, 1))
        or (Part("part", title=get(kit, "title", "")),),
        title=get(kit, "title", ""),
        drawing=get(kit, "drawing", ""),
        fixture=get(fixture, "id", ""),
        fixture_note=get(fixture, "note", ""),
        walls=walls,
        datum_shift=_datum_shift(content.table("datum_shift"), collector),
        gauges=tuple(_gauge(v, f"gauge[{i}]", collector) for i, v in enumerate(content.gauges, 1)),
        plan=_plan(content.table("plan"), walls, holes, outline),
        decision=_decision(content.table("decision")),
        rounding=Rounding(get(rounding, "method", "absolute"), rounding.get("decimals")),
        temperature=_temperature(content.table("temperature")),
        tools=Tools(get(tools, "drill"), get(tools, "drills", ()), get(tools, "reamers", ())),
        outline=outline,
        headings=content.headings,
        wall_names=content.wall_names,
        designators=content.designators,
        approval_two_person=get(content.table("approval"), "two_person", True),
        approval_signed=get(content.table("approval"), "signed", False),
        path=collector.file,
    )


def _part(values: Values, path: str, collector: Collector) -> Part:
    if "name" not in values:
        collector.error("missing-key", f"{path}.name", "the part has no name", "nothing", "a short name",
                        'Write name = "port", as sheets say it')  # fmt: skip
    return Part(
        get(values, "name", ""), get(values, "title", ""), get(values, "number", ""), get(values, "mirror", ""),
        get(values, "mirror_of", ""), get(values, "own_edges", False),
    )  # fmt: skip


def _hole(content: Content, number: int, pins: dict[str, Pin], collector: Collector) -> Hole:
    values = content.holes[number - 1]
    path = f"hole[{number}]"
    form, position, edge, surface, plugs, rework = (
        merged(content, values, name) for name in ("form", "position", "edge", "surface", "plugs", "rework")
    )
    size = _merged_size(content.table("size"), get(values, "size", {}))
    condition = get(position, "condition", "RFS")
    return Hole(
        id=get(values, "id", str(number)),
        x=get(values, "x", NAN),
        y=get(values, "y", NAN),
        size=limits(size, f"{path}.size" if values.get("size") else "size", "hole", collector),
        bushing=get(values, "bushing", ""),
        form=Form(get(form, "out_of_roundness"), get(form, "taper")),
        position=Position(
            get(position, "tolerance"),
            condition,
            get(position, "pattern_tolerance"),
            get(position, "pattern_condition", condition),
            get(position, "pattern_rotates", True),
        ),
        edge=Edge(get(edge, "minimum"), get(edge, "minimum_diameters")),
        surface=Surface(get(surface, "clean", False), get(surface, "burr_free", False)),
        plugs=Plugs(get(plugs, "go"), get(plugs, "no_go")),
        pin=_hole_pin(content, values, path, pins, collector),
        ream_up_to=get(rework, "ream_up_to"),
    )


def merged(content: Content, hole: Values, name: str) -> Values:
    """Return what holds for one hole: its own keys over the table for all holes; {} where switched off."""
    own = hole.get(name)
    if own is False:
        return {}
    return {**content.table(name), **(own or {})}


def _merged_size(base: Values, own: Values) -> Values:
    """Merge limits of size: a hole that says limits its own way drops the other ways of the table for all holes."""
    dropped: set[str] = set()
    for way, keys in _WAYS.items():
        if any(key in own for key in keys):
            dropped.update(k for other, ks in _WAYS.items() if other != way for k in ks)
    return {**{k: v for k, v in base.items() if k not in dropped}, **own}


def limits(values: Values, path: str, side: Literal["hole", "pin"], collector: Collector) -> Limits:
    """Return limits of size from limits, a class at a nominal size, or a nominal size with deviations."""
    typed = Limits(get(values, "lower", NAN), get(values, "upper", NAN))
    if "class" in values:
        of_class = _class_limits(values, path, side, collector)
        if "lower" in values or "upper" in values:
            _compare(typed, of_class, path, collector)
        return of_class
    if "plus" in values or "minus" in values:
        return _deviations(values, path, side, collector)
    if "nominal" in values and not {"lower", "upper"} & set(values):
        if get(values, "nominal", NAN) == values["nominal"]:  # NaN where it was told already
            collector.error(
                "no-limits", f"{path}.nominal", f"a nominal size alone gives the {side} no limits",
                f"{values['nominal']:g}", "plus and minus beside it, a class, or lower and upper in its place",
                "Write what the drawing prints as its tolerance",
            )  # fmt: skip
        return typed
    for key in ("lower", "upper"):
        if key not in values:
            collector.error(
                "missing-key", f"{path}.{key}", f"the {side} has no {key} limit of size", "nothing",
                "lower and upper, or class and nominal, or nominal with plus and minus",
                f"Write {key} = ... under {headline_of(path)}",
            )  # fmt: skip
    return typed


def headline_of(path: str) -> str:
    """Return the table that a path stands in, as it stands in the file: ``[size]``, ``[[hole]]`` number 3."""
    first = path.split(".")[0]
    return f"[[{first.split('[')[0]}]] number {first.split('[')[1].rstrip(']')}" if "[" in first else f"[{first}]"


def _class_limits(values: Values, path: str, side: Literal["hole", "pin"], collector: Collector) -> Limits:
    from holeqc.fits import limits_for_class

    nominal, name = values.get("nominal"), values.get("class")
    if nominal is None:
        collector.error("missing-key", f"{path}.nominal", "a class needs the basic size that it starts from", "nothing",
                        "a length above 0", "Write nominal = ... beside class")  # fmt: skip
    if nominal is None or nominal != nominal or name is None:
        return Limits(NAN, NAN)
    try:
        found = limits_for_class(name, nominal, collector.unit, "hole" if side == "hole" else "shaft")
    except HoleQCError as error:
        collector.error("unknown-class", f"{path}.class", str(error), f'"{name}" at {nominal:g} {collector.unit}',
                        f"a {'hole' if side == 'hole' else 'shaft'} class that the tables have at this size",
                        "Write limits instead, from the drawing")  # fmt: skip
        return Limits(NAN, NAN)
    if found.warning:
        collector.warn("class-not-confirmed", f"{path}.class", found.warning, f'"{name}"',
                       action="Compare the limits with the printed standard, or write limits")  # fmt: skip
    return Limits(found.lower, found.upper, found.name, found.confirmation)


def _compare(typed: Limits, of_class: Limits, path: str, collector: Collector) -> None:
    """A drawing may print the limits behind the class: then both must agree."""
    for key, value, other in (("lower", typed.lower, of_class.lower), ("upper", typed.upper, of_class.upper)):
        if abs(value - other) > GRAIN:
            collector.error(
                "limits-disagree", f"{path}.{key}", f"{key} is not what class {of_class.fit_class} gives",
                f"{value:g}", f"{other:g}", "Correct one of them, or leave one out",
            )  # fmt: skip


def _deviations(values: Values, path: str, side: str, collector: Collector) -> Limits:
    missing = [key for key in ("nominal", "plus" if side == "hole" else "minus") if key not in values]
    for key in missing:
        collector.error("missing-key", f"{path}.{key}", "plus and minus start from a nominal size", "nothing",
                        "nominal, plus and minus", f"Write {key} = ...")  # fmt: skip
    for key in ("lower", "upper"):
        if key in values:
            collector.error("limits-twice", f"{path}.{key}", "limits are said twice, as limits and as plus and minus",
                            key, "one way", f"Take {key}, or plus and minus, out")  # fmt: skip
    plus, minus = get(values, "plus", 0.0), get(values, "minus", 0.0)
    if _signs(values, path, collector) and not collector.recorded:
        return Limits(NAN, NAN)
    if missing:
        return Limits(NAN, NAN)
    nominal = get(values, "nominal", NAN)
    # twelve decimals take off what binary subtraction adds: 0.453 + 0.009 is 0.462, not 0.46200000000000002
    return Limits(round(nominal - minus, 12), round(nominal + plus, 12))


def _signs(values: Values, path: str, collector: Collector) -> bool:
    """Refuse a sign before a deviation: -0.001 may mean what the drawing prints, or a lower limit above nominal."""
    nominal = get(values, "nominal", NAN)
    plus, minus = get(values, "plus", 0.0), get(values, "minus", 0.0)
    for key, amount, side in (("minus", minus, "below"), ("plus", plus, "above")):
        if amount < 0:
            meant = f"{key} = {-amount:g}" if key == "minus" else f"minus = {-amount:g}"
            lower, upper = round(nominal - minus, 12), round(nominal + plus, 12)
            limits_ = f": lower = {lower:g}, upper = {upper:g}" if nominal == nominal and lower < upper else ""
            collector.stop(
                f"sign-of-{key}", f"{path}.{key}",
                f"{key} is typed without a sign: how far the limit lies {side} nominal", f"{amount:g}",
                "0 or more", f"Write {meant} where the drawing prints {amount:g}; where both deviations lie "
                f"on one side of nominal, write limits in place of deviations{limits_}",
            )  # fmt: skip
    return plus < 0 or minus < 0


def _pin_path(content: Content, number: int) -> str:
    return f"pin[{number}]" if content.pins_are_listed else "pin"


def _pin(values: Values, path: str, collector: Collector) -> Pin:
    size = limits(values, path, "pin", collector)
    if path != "pin" and "id" not in values:
        collector.error("missing-key", f"{path}.id", "a pin of several sorts has no id", "nothing", "text in quotes",
                        'Write id = "..." and name it in the holes that take it')  # fmt: skip
    tolerance = get(values, "position_tolerance", 0.0)
    return Pin(get(values, "id", "pin"), size.lower, size.upper, tolerance, size.fit_class, size.confirmation)


def _hole_pin(
    content: Content, values: Values, path: str, pins: dict[str, Pin], collector: Collector
) -> Pin | None:
    own = values.get("pin")
    if own is False:
        return None
    known = ", ".join(pins) or "none"
    if isinstance(own, str):
        if own not in pins:
            collector.error("unknown-pin", f"{path}.pin", f"{own!r} is not a pin of this kit", f'"{own}"', known,
                            "Name a pin that [[pin]] lists")  # fmt: skip
        return pins.get(own)
    if own:
        base = next((p for p in content.pins if p.get("id", "pin") == own.get("id")), None)
        if base is None and len(content.pins) == 1:
            base = content.pins[0]
        name = own.get("id") or f"{(base or {}).get('id', 'pin')} at {values.get('id', path)}"
        return _pin({**_merged_size(base or {}, own), "id": name}, f"{path}.pin", collector)
    if len(content.pins) > 1:
        collector.error("no-pin-named", f"{path}.pin", "there are several sorts of pin and the hole names none",
                        "nothing", f"one of {known}, or false", 'Write pin = "..." or pin = false')  # fmt: skip
        return None
    return next(iter(pins.values()), None)


def _gauge(values: Values, path: str, collector: Collector) -> Gauge:
    if "id" not in values:
        collector.error("missing-key", f"{path}.id", "the gauge has no id", "nothing", "text in quotes",
                        'Write id = "...", as marked on the gauge')  # fmt: skip
    return Gauge(
        get(values, "id", ""), get(values, "kind", ""), get(values, "measures", ("diameter",)),
        get(values, "uncertainty"), get(values, "resolution"), get(values, "calibration_due"),
        get(values, "expansion_per_c", 0.0),
    )  # fmt: skip


def _plan(
    values: Values, walls: Walls, holes: tuple[Hole, ...], outline: tuple[tuple[float, float], ...]
) -> ReadingPlan:
    located = any(h.position.tolerance is not None or h.position.pattern_tolerance is not None for h in holes)
    position = get(values, "position", located or any(h.pin is not None for h in holes))
    edge = any(h.edge.minimum is not None or h.edge.minimum_diameters is not None for h in holes)
    return ReadingPlan(
        get(values, "directions", (0.0, 90.0)), get(values, "count", 1), get(values, "walls", walls.names), position,
        get(values, "position_walls", walls.names), get(values, "diameter_gauge", ""),
        get(values, "position_gauge", ""), get(values, "edge_distance", edge and not (position and bool(outline))),
    )  # fmt: skip


def _decision(values: Values) -> DecisionRule:
    return DecisionRule(
        get(values, "rule", "simple"), get(values, "guard_factor", 1.0), get(values, "reject_when_proven", True),
        get(values, "process_mean"), get(values, "process_sd"),
    )  # fmt: skip


def _temperature(values: Values) -> Temperature:
    return Temperature(
        get(values, "correct", False), get(values, "part_expansion_per_c", 0.0), get(values, "uncertainty_c", 0.0),
        get(values, "expansion_uncertainty_per_c", 0.0),
    )  # fmt: skip


def _datum_shift(values: Values, collector: Collector) -> DatumShift | None:
    for key, other in (("holes", "boundary"), ("boundary", "holes")):
        if key in values and other not in values:
            collector.error("missing-key", f"datum_shift.{other}", f"datum shift needs {other} beside {key}", "nothing",
                            f"{key} and {other}", f"Write {other} = ...")  # fmt: skip
    if values.get("holes") is None or values.get("boundary") is None:
        return None
    return DatumShift(values["holes"], values["boundary"])
