"""Everything in a kit file that contradicts itself, in one run: names, parts, walls; sizes, places, gauges beside."""

from __future__ import annotations

from collections.abc import Iterable

from holeqc.specification import checks_gauges, checks_place, checks_size, doubts
from holeqc.specification.content import Content
from holeqc.specification.model import Specification
from holeqc.specification.values import Collector, shown

#: what a kit may mark as key or critical; `inspection.results.CHARACTERISTICS`, and all pins together
DESIGNATED = (
    "size", "out-of-roundness", "taper", "position", "hole-to-hole position", "edge distance", "surface", "GO", "NO-GO",
    "pins",
)  # fmt: skip


def check(specification: Specification, content: Content, collector: Collector) -> None:
    """Collect what is wrong or doubtful in a specification, errors and warnings."""
    if not specification.holes:
        collector.error("no-holes", "hole", "the kit has no holes", "nothing", "[[hole]] for each hole",
                        "Write [[hole]] with id, x and y for each hole")  # fmt: skip
    check_names(specification, content, collector)
    check_parts(specification, collector)
    check_walls(specification, collector)
    check_rules(specification, content, collector)
    checks_size.check_limits(specification, content, collector)
    sound = doubts.without_odd_sizes(specification, content)
    checks_size.check(sound, content, collector)
    checks_place.check(sound, content, collector)
    checks_gauges.check(sound, content, collector)
    doubts.check_starter(specification, content, collector)


def check_names(specification: Specification, content: Content, collector: Collector) -> None:
    """Check that no id stands twice, and that no two could be mixed up on a sheet."""
    s = specification
    _unique("hole", "id", "hole", s.hole_ids, collector)
    _unique("part", "name", "part", (p.name for p in s.parts), collector)
    _unique("part", "number", "part number", (p.number for p in s.parts), collector)
    _unique("gauge", "id", "gauge", (g.id for g in s.gauges), collector)
    _unique("pin", "id", "pin", (values.get("id") or "" for values in content.pins), collector)
    _unique("walls", "", "wall", s.walls.names, collector)
    met: dict[str, str] = {}
    for number, hole in enumerate(s.holes, start=1):
        if not hole.bushing:
            continue
        if hole.bushing in met:
            collector.warn(
                "bushing-twice", f"hole[{number}].bushing", f"this bushing makes hole {met[hole.bushing]!r} as well",
                shown(hole.bushing), "one bushing a hole", "Correct it, unless the fixture is moved between holes",
            )  # fmt: skip
        met.setdefault(hole.bushing, hole.id)


def folded(name: str) -> str:
    """Return a name as people confuse it: no capitals, no blanks, no leading zeros."""
    return "".join(name.split()).casefold().lstrip("0")


def _unique(table: str, key: str, what: str, names: Iterable[str], collector: Collector) -> None:
    met: dict[str, tuple[int, str]] = {}
    for number, name in enumerate(names, start=1):
        if not name:
            continue  # told already as missing
        first = met.setdefault(folded(name), (number, name))
        if first[0] == number:
            continue
        where = f"{table}[{number}].{key}" if key else f"{table}.names"
        if first[1] == name:
            collector.error("duplicate-id", where, f"{what} {name!r} is there twice (also number {first[0]})",
                            shown(name), f"each {what} once", "Give each its own")  # fmt: skip
        else:
            collector.warn("similar-ids", where, f"{what} {name!r} and {what} {first[1]!r} are easily mixed up",
                           shown(name), "names that differ by more than capitals, blanks or leading zeros",
                           "Rename one, on the drawing too")  # fmt: skip


def check_parts(specification: Specification, collector: Collector) -> None:
    """Check that each mirrored part is a mirror of a part that is there and drawn as it is."""
    names = {p.name: p for p in specification.parts}
    for number, part in enumerate(specification.parts, start=1):
        path = f"part[{number}]"
        if not part.mirror_of:
            if part.own_edges and not part.mirror:
                collector.warn("no-effect", f"{path}.own_edges", "own_edges has no effect on a part that is no mirror",
                               "true", "beside mirror_of and mirror", "Take it out")  # fmt: skip
            continue
        if not part.mirror:
            collector.error("missing-key", f"{path}.mirror", "a mirrored part must say which axis turns", "nothing",
                            '"x" or "y"', 'mirror = "x" makes x into -x')  # fmt: skip
        original = names.get(part.mirror_of)
        where = f"{path}.mirror_of"
        others = ", ".join(n for n in names if n != part.name) or "no other part"
        if original is None:
            collector.error("unknown-part", where, f"{part.mirror_of!r} is not a part of this kit",
                            shown(part.mirror_of), others, "Name a part of this file")  # fmt: skip
        elif original.name == part.name:
            collector.error("mirror-of-itself", where, f"part {part.name!r} can't be a mirror of itself",
                            shown(part.mirror_of), others, "Name the other hand")  # fmt: skip
        elif original.mirror or original.mirror_of:
            drawn = ", ".join(p.name for p in specification.parts if not p.mirror) or "none is"
            collector.error("mirror-of-mirror", where, f"part {original.name!r} is a mirror itself",
                            shown(part.mirror_of), f"a part as drawn: {drawn}",
                            "Name the part that the drawing shows")  # fmt: skip


def check_walls(specification: Specification, collector: Collector) -> None:
    """Check that the plan names walls that exist, and that what is asked can be judged in the walls that are read."""
    s = specification
    for key, walls in (("walls", s.plan.walls), ("position_walls", s.plan.position_walls)):
        for wall in walls:
            if wall not in s.walls.names:
                collector.error("unknown-wall", f"plan.{key}", f"{wall!r} is not a wall of this kit", shown(wall),
                                ", ".join(s.walls.names), "Name walls that [walls] lists")  # fmt: skip
    unread = [w for w in s.walls.names if w not in s.plan.walls]
    if unread:
        collector.warn("wall-not-read", "plan.walls", f"no diameter is read in {', '.join(unread)}",
                       ", ".join(s.plan.walls), ", ".join(s.walls.names),
                       "What is wrong there will not be found")  # fmt: skip
    if any((h.form.taper or 0) > 0 for h in s.holes) and len(s.plan.walls) < 2:
        collector.warn("taper-not-judged", "form.taper", "taper is asked but only one wall is read",
                       ", ".join(s.plan.walls), "two walls or more", "Read both walls, or take taper out")  # fmt: skip
    if any((h.form.out_of_roundness or 0) > 0 for h in s.holes) and len(s.plan.directions) < 2:
        collector.warn("roundness-not-judged", "form.out_of_roundness",
                       "out-of-roundness is asked but diameters are read in one direction only",
                       shown(list(s.plan.directions)), "two directions or more", "Add a direction to plan")  # fmt: skip
    for other, name in specification.wall_names.items():
        if name not in specification.walls.names:
            collector.error("unknown-wall", f'wall_names."{other}"', "the kit has no such wall", repr(name),
                            "walls " + ", ".join(specification.walls.names), "Name a wall of walls.names")  # fmt: skip
    for name in specification.designators:
        if name not in DESIGNATED:
            collector.error("unknown-characteristic", f'designators."{name}"', "this is no characteristic of a kit",
                            repr(name), ", ".join(DESIGNATED), "Name one of them")  # fmt: skip


def check_rules(specification: Specification, content: Content, collector: Collector) -> None:
    """Check rounding, temperature and the decision rule against the rest."""
    s = specification
    if s.rounding.method == "absolute" and s.rounding.decimals is not None:
        collector.warn("no-effect", "rounding.decimals", "decimals have no effect under the absolute method",
                       str(s.rounding.decimals), 'method = "rounding"', "Take one of them out")  # fmt: skip
    for path, value in (
        ("temperature.part_expansion_per_c", s.temperature.part_expansion_per_c),
        *((f"gauge[{i}].expansion_per_c", g.expansion_per_c) for i, g in enumerate(s.gauges, start=1)),
    ):
        if value > 1e-3:
            collector.error("expansion-slip", path, "no material expands that much; the unit is 1/°C, not millionths",
                            f"{value:g}", "below 0.001; aluminium 23.1e-6, steel 11.5e-6",
                            f"Write {value:g}e-6 if millionths are meant")  # fmt: skip
    if s.temperature.correct and not s.temperature.part_expansion_per_c:
        collector.warn("no-expansion", "temperature.part_expansion_per_c",
                       "readings are to be brought to 20 °C but the part's coefficient is 0", "0", "1/°C",
                       "Write it; aluminium 23.1e-6, steel 11.5e-6")  # fmt: skip
    if s.decision.process_mean is not None and s.decision.process_sd is None:
        collector.warn("no-effect", "decision.process_mean", "a process mean has no effect without process_sd",
                       f"{s.decision.process_mean:g}", "both", "Write process_sd too, or take it out")  # fmt: skip
    if content.table("decision").get("reject_when_proven") is not None and s.decision.rule != "guarded":
        collector.warn("no-effect", "decision.reject_when_proven", "this acts under the guarded rule only",
                       s.decision.rule, "guarded", "Take it out, or change the rule")  # fmt: skip
