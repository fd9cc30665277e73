"""A kit file in, a `Specification` out, or every reason why not at once."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from holeqc import door, writer
from holeqc.characteristics import MEASURED
from holeqc.problems import ERROR, HoleQCError, Problem, SpecificationError
from holeqc.quantities import GRAIN
from holeqc.specification.content import Collector, Content, Values
from holeqc.specification.model import (
    SINGLE_WALL,
    DatumEdge,
    DatumShift,
    DecisionRule,
    DistancePlan,
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

# From checked values to the records of `holeqc.specification.model`, every default and every override merged in.


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
    listed = content.pins_are_listed
    sorts = (_pin(v, f"pin[{i}]" if listed else "pin", collector) for i, v in enumerate(content.pins, 1))
    pins = {pin.id: pin for pin in sorts}
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
        datum_edges=_datum_edges(content.datum_edges, outline, collector),
        wall_names=content.wall_names,
        recheck_within=get(content.table("recheck"), "within_days"),
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
        id=get(values, "id", str(number)), x=get(values, "x", NAN), y=get(values, "y", NAN),
        size=limits(size, f"{path}.size" if values.get("size") else "size", "hole", collector),
        bushing=get(values, "bushing", ""), form=Form(get(form, "out_of_roundness"), get(form, "taper")),
        position=Position(get(position, "tolerance"), condition, get(position, "pattern_tolerance"),
        get(position, "pattern_condition", condition), get(position, "pattern_rotates", True)),
        edge=Edge(get(edge, "minimum"), get(edge, "minimum_diameters")),
        surface=Surface(get(surface, "clean", False), get(surface, "burr_free", False)),
        plugs=Plugs(get(plugs, "go"), get(plugs, "no_go")), pin=_hole_pin(content, values, path, pins, collector),
        measured=_measured(content, values), deepen=get(rework, "deepen", False),
        ream_up_to=get(rework, "ream_up_to"),
    )  # fmt: skip


def _measured(content: Content, hole: Values) -> dict[str, Limits]:
    """Return the limits of each thing that is measured on a hole beside its size and place, by word."""
    found = {}
    for what in MEASURED:
        values = merged(content, hole, what.table)
        lower, upper = (get(values, key, NAN) for key in what.keys)
        if any(key in values for key in what.keys):
            found[what.word] = Limits(lower, upper)
    return found


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


def _pin(values: Values, path: str, collector: Collector) -> Pin:
    size = limits(values, path, "pin", collector)
    if path != "pin" and "id" not in values:
        collector.error("missing-key", f"{path}.id", "a pin of several sorts has no id", "nothing", "text in quotes",
                        'Write id = "..." and name it in the holes that take it')  # fmt: skip
    tolerance = get(values, "position_tolerance", 0.0)
    return Pin(get(values, "id", "pin"), size.lower, size.upper, tolerance, size.fit_class, size.confirmation)


def _hole_pin(content: Content, values: Values, path: str, pins: dict[str, Pin], collector: Collector) -> Pin | None:
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
        _distance_plan(values),
        get(values, "partial", False), get(values, "partial_risk", 0.001), get(values, "partial_hold", 0.05),
        get(values, "partial_every", 4), get(values, "partial_parts", 50),
    )  # fmt: skip


def _distance_plan(values: Values) -> DistancePlan | None:
    if "distances" not in values and not any(key.startswith("distance_") for key in values):
        return None
    return DistancePlan(
        get(values, "distances", ()), get(values, "distance_gauge", ""), get(values, "distance_pins", ()),
        get(values, "distance_pin_uncertainty"), get(values, "distance_count", 1),
    )  # fmt: skip


_EDGE = re.compile(r"\s*([xy])\s*=\s*([+-]?(?:\d+\.?\d*|\.\d+))\s*$", re.IGNORECASE)


def _datum_edges(
    named: dict[str, str], outline: tuple[tuple[float, float], ...], collector: Collector
) -> tuple[DatumEdge, ...]:
    """Return the edges that a kit names; without any, the sides of the outline that lie on x = 0 and y = 0."""
    found = []
    for name, text in named.items():
        match = _EDGE.match(text)
        if match is None:
            collector.error("wrong-value", f'datum_edges."{name}"', "it isn't said where the edge lies", f'"{text}"',
                            "x or y and where it lies as drawn", f'Write for example {name} = "x = 0"')  # fmt: skip
            continue
        found.append(DatumEdge(name.strip(), match[1].lower(), float(match[2])))
    if named:
        return tuple(found)
    sides = zip(outline, (*outline[1:], *outline[:1]), strict=True)
    lying = {axis for one, other in sides for n, axis in enumerate("xy") if one[n] == other[n] == 0.0}
    names = {}
    for n, axis in enumerate("xy"):
        low = all(corner[n] >= 0.0 for corner in outline)
        names[axis] = (("left", "lower") if low else ("right", "upper"))[n]
    return tuple(DatumEdge(names[axis], axis, 0.0) for axis in "xy" if axis in lying)


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


LARGEST_FILE = door.KIT.most  #: bytes; a kit of hundreds of holes has some 50 000
_NESTED = re.compile(r"(?:[\[{]\s*){50}")  #: brackets in brackets that no kit file has
_AT = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")


def load_specification(path: str | os.PathLike[str]) -> Specification:
    """Return what a kit file asks, with every default merged in.

    What must be looked at but doesn't stop anybody is in ``.warnings``.

    Raises:
        SpecificationError: the file can't be read or used; ``.problems`` has every reason with its key path.
    """
    return specification_of(kit_bytes(path), os.fspath(path))


def specification_of(came: door.Incoming, path: str) -> Specification:
    """Return what a kit file that came in asks; ``path`` is named in problems.

    Raises:
        SpecificationError: as `load_specification`.
    """
    return replace(parse_specification(door.text_of(came, SpecificationError), path), digest=came.sha256)


def parse_specification(text: str, path: str = "", *, recorded: bool = False) -> Specification:
    """Return what the text of a kit file asks; ``path`` is named in problems and gives the kit's id by default.

    ``recorded``: the text was judged by when it was recorded and must stay readable, so doubts about its limits are
    warnings here.

    Raises:
        SpecificationError: as `load_specification`.
    """
    if len(text) > LARGEST_FILE:
        raise _refused(path, "file-too-large", "the file is too large for a kit file", f"{len(text)} characters",
                       f"at most {LARGEST_FILE}")  # fmt: skip
    text = text.removeprefix("\ufeff")
    specification, problems = _read(_toml(text, path), path, recorded)
    problems = _placed(problems, text)
    if any(problem.severity == ERROR for problem in problems):
        raise _every(path, problems)
    return replace(specification, warnings=problems)


def _read(raw: dict[str, Any], path: str, recorded: bool = False) -> tuple[Specification, tuple[Problem, ...]]:
    """Return what the values of a file ask, and every problem with them."""
    from holeqc.specification.checks import check
    from holeqc.specification.content import Collector, read_content
    from holeqc.specification.doubts import settle

    collector = Collector(file=path, recorded=recorded)
    content = read_content(raw, collector)
    specification = build(content, collector)
    check(specification, content, collector)
    confirmed = settle(specification, content, collector)
    return replace(specification, confirmed=confirmed), tuple(collector.problems)


def _every(path: str, problems: tuple[Problem, ...]) -> SpecificationError:
    problems = tuple(sorted(problems, key=lambda p: (p.severity != ERROR, p.line == 0, p.line)))
    errors = sum(1 for problem in problems if problem.severity == ERROR)
    count = "1 error" if errors == 1 else f"{errors} errors"
    return SpecificationError(f"{path or 'kit file'}: {count}; nothing can be judged by it", problems)


def _placed(problems: tuple[Problem, ...], text: str) -> tuple[Problem, ...]:
    """Return problems with the lines of the file that they speak of."""
    from holeqc.specification.content import line_numbers, line_of

    if not problems:
        return ()
    numbers = line_numbers(text)
    return tuple(p if p.line else replace(p, line=line_of(p.where, numbers)) for p in problems)


def find_specification(kit_id: str, revision: str, folder: str | os.PathLike[str]) -> Path:
    """Return the kit file in a folder that has this id and revision.

    Raises:
        SpecificationError: no such folder, no file with that id, another revision only, or more than one file.
    """
    place = Path(folder)
    if not place.is_dir():
        raise _refused(str(place), "no-folder", "there is no such folder of kit files", action="Name the kit file")
    found: list[tuple[Path, str, str]] = []
    for file in door.named_so(place, ".toml"):
        identity = _identity(file)
        if identity is not None:
            found.append((file, *identity))
    same_kit = [entry for entry in found if entry[1] == kit_id]
    same = [entry[0] for entry in same_kit if entry[2] == revision]
    if len(same) == 1:
        return same[0]
    wanted = f"kit {kit_id!r} revision {revision!r}"
    if len(same) > 1:
        raise _refused(str(place), "kit-twice", f"{wanted} is described by more than one file",
                       ", ".join(f.name for f in same), "one file", "Name the kit file")  # fmt: skip
    if same_kit:
        revisions = ", ".join(f"{rev!r} in {file.name}" for file, _, rev in same_kit)
        raise _refused(str(place), "other-revision", f"{wanted} is not there, only another revision", revisions,
                       repr(revision), "Use a sheet of the revision that holds, or name the kit file")  # fmt: skip
    ids = ", ".join(sorted({kit for _, kit, _ in found})) or "no kit files"
    raise _refused(str(place), "no-kit", f"{wanted} is not there", ids, kit_id, "Name the kit file, or its folder")


def _identity(file: Path) -> tuple[str, str] | None:
    """Return id and revision of a kit file, None for a file that can't be read: it isn't the one looked for."""
    try:
        kit = _toml(door.text_of(kit_bytes(file), SpecificationError), str(file)).get("kit", {})
    except SpecificationError:
        return None
    if not isinstance(kit, dict):
        return None
    return str(kit.get("id", file.stem)).strip(), str(kit.get("revision", "-")).strip()


def _refused(
    path: str, code: str, message: str, found: str = "", allowed: str = "", action: str = ""
) -> SpecificationError:
    problem = Problem(ERROR, code, message, found, allowed, action, file=path)
    # the whole sentence, with its line, what was found and what to do: there is this one problem only
    return SpecificationError(problem.sentence() if problem.place else f"kit file: {problem.sentence()}", [problem])


def kit_bytes(path: str | os.PathLike[str]) -> door.Incoming:
    """Return a kit file as it is.

    Raises:
        SpecificationError: there is none, with a near name; it is something else or can't be read.
    """
    try:
        return door.take(path, door.KIT, error=SpecificationError)
    except SpecificationError as error:
        problem = error.problems[0]
        if problem.code != "no-file" or os.path.lexists(path):
            raise
        raise _refused(problem.file, problem.code, problem.message, action=_near_file(Path(path))) from None


def _near_file(path: Path) -> str:
    from holeqc.specification.keys import nearest

    others = [file.name for file in door.named_so(path.parent, ".toml")]
    near = nearest(path.name, others)
    if near:
        return f"Did you mean {path.parent / near}?"
    return "holeqc kit new FILE.toml writes a starter file"


def _toml(text: str, path: str) -> dict[str, Any]:
    try:
        if _NESTED.search(text):
            raise RecursionError
        return door.toml_values(text)
    except tomllib.TOMLDecodeError as error:
        raise _every(path, _unreadable(text, path, error)) from None
    except RecursionError:
        raise _refused(path, "toml-syntax", "brackets are nested too deeply for a kit file") from None


def _unreadable(text: str, path: str, error: tomllib.TOMLDecodeError) -> tuple[Problem, ...]:
    """Return a problem for each line that can't be read, and what else is wrong once they are put right."""
    from holeqc.specification.content import faults

    unit = "mm" if re.search(r"^\s*unit\s*=\s*[\"']?mm\b", text, re.MULTILINE | re.IGNORECASE) else "in"
    found = faults(text, unit)
    if not found:
        return (_other_fault(text, path, error),)
    problems = tuple(
        Problem(ERROR, "unreadable-line", fault.message, fault.found, "", fault.action, file=path, where=fault.where,
                line=fault.number) for fault in found
    )  # fmt: skip
    if not all(fault.instead for fault in found):
        return problems
    lines = text.splitlines()
    wanted = {number: fault.instead for fault in found for number in (fault.number, *fault.also)}
    for number in sorted(wanted, reverse=True):  # from the end, so that the lines before keep their numbers
        lines[number - 1 : number] = wanted[number]
    try:
        _, more = _read(door.toml_values("\n".join(lines)), path)
    except (tomllib.TOMLDecodeError, RecursionError):
        return problems
    # numbers of the text as it stands; what was put right has its own problem already
    spoken = {fault.where for fault in found}
    return (*problems, *(problem for problem in _placed(more, text) if problem.where not in spoken))


def _other_fault(text: str, path: str, error: tomllib.TOMLDecodeError) -> Problem:
    """Return the problem of a file in which no single line is wrong by itself."""
    message = str(error)
    at = _AT.search(message)
    number = int(at[1]) if at and at[1] else text.count("\n") + 1
    lines = text.split("\n")
    found = lines[number - 1].strip()[:80] if number <= len(lines) else ""
    reason = _AT.sub("", message)
    if "overwrite" in reason or "Cannot declare" in reason or "mutate" in reason:
        words, action = "a key or table is there already", "Take one of them out; several holes stand as [[hole]] each"
    else:
        words = "this line, or a quote or bracket opened before it, can't be read"
        action = "Text stands in quotes that are closed, lists in [ ], a number has a point as its decimal mark"
    return Problem(ERROR, "unreadable-line", f"{words} ({reason})", found, "", action, file=path, line=number)


# One number of a kit file written anew: the U of a gauge, with the budget behind it; all other text stays as it is.
#
# A kit file is somebody's text, with remarks and an order of its own, so it is edited as text and never written from
# records. What comes out is loaded and compared before it takes the old file's place: apart from that one number it
# must say exactly the same.


MARK = "# U from a gauge study"
END_MARK = "# end of the study's budget"
_HEADER = re.compile(r"^[ \t]*\[")
_GAUGE = re.compile(r"^[ \t]*\[\[[ \t]*gauge[ \t]*\]\][ \t]*(#.*)?$")
_KEY = re.compile(r"^([ \t]*)uncertainty([ \t]*)=([ \t]*)[^#\r\n]*?([ \t]*#.*)?$")


@dataclass(frozen=True, slots=True)
class Rewritten:
    """What was written: the file, the copy of the old one, the gauge, and its U before (None: none) and now."""

    path: str
    backup: str
    gauge: str
    old: float | None
    new: float


def write_gauge_uncertainty(
    path: str | os.PathLike[str], gauge: str, uncertainty: float, budget: Sequence[str] = (), source: str = ""
) -> Rewritten:
    """Write U of a gauge into a kit file, the lines of its budget as comments below, and keep a copy of the old file.

    Args:
        path: the kit file; a link is followed.
        gauge: id of its gauge.
        uncertainty: U at k = 2 [kit unit].
        budget: lines of text, one a cause; lines of an earlier study are replaced.
        source: what the number comes from, for the comment.

    The copy has the next free name of ``FILE.bak``, ``FILE.bak2`` ...; no file is ever written over. The kit file is
    replaced in one step, so that a reader sees the old one or the new one.

    Raises:
        SpecificationError: the kit can't be loaded, doesn't have the gauge, has it in a form that can't be edited as
            text, or was changed by somebody else meanwhile; then nothing was written.
    """
    place = Path(os.path.realpath(path))
    came = kit_bytes(place)
    spec, before = specification_of(came, str(place)), came.content
    entry = spec.gauge(gauge)
    if entry is None:
        known = ", ".join(g.id for g in spec.gauges) or "none"
        raise SpecificationError(f"{path}: there is no gauge {gauge!r}; gauges are {known}. Nothing was written")
    text = before.decode("utf-8")
    number = [g.id for g in spec.gauges].index(gauge)
    fresh = edited(text, number, uncertainty, budget, source)
    _check_only_change(text, fresh, number, uncertainty, str(path))
    checked = parse_specification(fresh, str(path))
    now = checked.gauge(gauge)
    if now is None or now.uncertainty != uncertainty:
        raise SpecificationError(f"{path}: the edited text doesn't give U = {uncertainty:g}. Nothing was written")
    backup = _swap(place, before, fresh.encode("utf-8"))
    _reload(place, gauge, uncertainty, backup)
    return Rewritten(str(path), str(backup), gauge, entry.uncertainty, uncertainty)


def edited(text: str, number: int, uncertainty: float, budget: Sequence[str], source: str) -> str:
    """Return the text of a kit file with U of its gauge ``number`` (from 0) written anew.

    Raises SpecificationError where the gauge doesn't stand under a ``[[gauge]]`` line of its own.
    """
    lines = re.findall(r"[^\n]*\n|[^\n]+", text)
    heads = [i for i, line in enumerate(lines) if _GAUGE.match(line.rstrip("\r\n"))]
    if number >= len(heads):
        raise SpecificationError(
            "the gauge doesn't stand under a line [[gauge]] of its own; write its uncertainty by "
            "hand. Nothing was written"
        )
    start = heads[number] + 1
    stop = next((i for i in range(start, len(lines)) if _HEADER.match(lines[i])), len(lines))
    ending = "\r\n" if lines[heads[number]].endswith("\r\n") else "\n"
    source_line = f"{MARK}: {_comment(source)}" if source else MARK
    at = next((i for i in range(start, stop) if _KEY.match(lines[i].rstrip("\r\n"))), None)
    if at is None:
        filled = [i for i in range(start, stop) if lines[i].strip() and not lines[i].lstrip().startswith("#")]
        at = filled[0] + 1 if filled else start
        key, old = f"uncertainty = {_number(uncertainty)}", 0
    else:
        found = _KEY.match(lines[at].rstrip("\r\n"))
        assert found is not None
        key, old = f"{found[1]}uncertainty{found[2]}={found[3]}{_number(uncertainty)}", 1
    block = [f"{key}  # U at k = 2", source_line, *(f"# {_comment(line.lstrip('# '))}" for line in budget), END_MARK]
    after = at + old
    if old and after < stop and lines[after].startswith(MARK):
        ends = [i for i in range(after, stop) if lines[i].rstrip("\r\n") == END_MARK]
        after = ends[0] + 1 if ends else after
    if at > 0 and not lines[at - 1].endswith(("\n", "\r")):
        lines[at - 1] += ending
    return "".join([*lines[:at], *(line + ending for line in block), *lines[after:]])


def _number(value: float) -> str:
    text = f"{value:.12f}".rstrip("0")
    return text + "0" if text.endswith(".") else text


def _comment(text: str) -> str:
    # a line break or control mark inside a comment would end it
    return "".join(c if c.isprintable() else " " for c in text).strip()


def _check_only_change(before: str, after: str, number: int, uncertainty: float, path: str) -> None:
    """Raise unless both texts say the same apart from U of the gauge."""
    old: dict[str, Any] = door.toml_values(before.removeprefix("\ufeff"))
    try:
        new = door.toml_values(after.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError:
        new = {}
    old["gauge"][number]["uncertainty"] = uncertainty
    if new != old:
        raise SpecificationError(
            f"{path}: the gauge's entry has a form that can't be edited safely; write its "
            "uncertainty by hand. Nothing was written"
        )


def _swap(place: Path, before: bytes, after: bytes) -> Path:
    """Keep a copy of the old file under a free name, then put the new one in its place in one step."""
    backup = None
    try:
        with writer.file(place) as out:
            out.write(after)
            backup = _backup(place, before)
            if kit_bytes(place).content != before:
                raise SpecificationError(
                    f"{place}: somebody changed the file meanwhile. Nothing was written; try again"
                )
    except HoleQCError:
        if backup is not None:
            writer.take_back(backup)
        raise
    return backup


def _backup(place: Path, data: bytes) -> Path:
    number = 1
    while True:
        path = place.with_name(f"{place.name}.bak{number if number > 1 else ''}")
        try:
            writer.write_bytes(path, data, replace=False)  # an older copy is never written over
        except writer.WriteError as error:
            if not os.path.lexists(path):
                raise error from None
            number += 1
        else:
            return path


def _reload(place: Path, gauge: str, uncertainty: float, backup: Path) -> Specification:
    spec = load_specification(place)
    entry = spec.gauge(gauge)
    if entry is None or entry.uncertainty != uncertainty:
        raise SpecificationError(f"{place}: read again it doesn't give the U written; the old file is {backup}")
    return spec
