"""What was not read, in one sentence a thing over all the holes and walls that it is missing in."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from holeqc.inspection.causes import CAUSES, GUARD_BAND, PATTERN_INCOMPLETE
from holeqc.inspection.phrases import Row, rows_of
from holeqc.inspection.results import ACCEPT, CHARACTERISTICS, HOLD, Reason
from holeqc.inspection.spans import Place, joined, span_words
from holeqc.readings.table import CHARACTERISTICS as READ

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection
    from holeqc.problems import Problem
    from holeqc.specification.model import Specification

READ_AGAIN = "Read it and check the sheet again."
READ_MISSING = "Read what is missing and check the sheet again."
NOWHERE = "Read them; if they are on the sheet, give their columns headings that `holeqc sheet` writes."
_DIAMETER, _COORDINATES = "diameter", ("x", "y")


def unread_together(inspection: Inspection, part: str, serial: str, rows: Sequence[Row]) -> Iterator[Reason]:
    """Give one reason for each set of things that was not read, over all holes and walls that lack just these.

    ``rows``: characteristics of the part that are held because something is missing.
    """
    have = _have(inspection, part, serial)
    things: dict[Place, list[str]] = {}
    judged: dict[Place, list[str]] = {}
    whole = [row for row in rows if not row["wall"]]
    for row in [r for r in rows if r["wall"]] + whole:
        name, place = str(row["characteristic"]), (str(row["hole"]), str(row["wall"]))
        lacking = _lacking(inspection.specification, have, place, name)
        if not row["wall"]:  # said with what it follows from, where that is said already
            place = next((p for p in things if p[0] == place[0] and set(lacking) & set(things[p])), place)
        things.setdefault(place, []).extend(t for t in lacking if t not in things.get(place, ()))
        judged.setdefault(place, []).append(name)
    groups: dict[tuple[str, ...], list[Place]] = {}
    for place, lacking in things.items():
        groups.setdefault(tuple(lacking), []).append(place)
    for lacking_, places in groups.items():
        yield _reason(inspection.specification, have, lacking_, places, [n for p in places for n in judged[p]])


def open_places(inspection: Inspection, part: str, serial: str) -> tuple[list[Place], bool]:
    """Return the holes and walls that hole to hole waits for on a part, none where it doesn't wait; and whether just
    readings are missing there."""
    frame = inspection.characteristics
    chosen = rows_of(frame, part, serial) & (frame["characteristic"] == "hole-to-hole position").to_numpy(np.bool_)
    rows = frame[chosen & (frame["verdict"] == HOLD).to_numpy(np.bool_)].to_dict("records")
    waits = CAUSES[PATTERN_INCOMPLETE]
    if all(row["cause"] != waits for row in rows):
        return [], True
    others = [row for row in rows if row["cause"] not in (waits, CAUSES[GUARD_BAND])]
    open_ = [row for row in others if np.isnan(row["found"])] or others
    return [(str(row["hole"]), str(row["wall"])) for row in open_], all(row["cause"] == "missing" for row in open_)


def waiting_holes(rows: Iterable[Row], problems: Iterable[Problem]) -> list[str]:
    """Return the holes of a part that are held for nothing but the other holes of their pattern.

    ``rows``: its characteristics, ``problems``: those that name it.
    """
    causes: dict[str, set[str]] = {}
    for row in rows:
        if int(row["verdict"]) != ACCEPT:
            causes.setdefault(str(row["hole"]), set()).add(str(row["cause"]))
    named = {p.hole for p in problems if p.holds}
    return [hole for hole, why in causes.items() if why == {CAUSES[PATTERN_INCOMPLETE]} and hole not in named]


def pattern_waits(inspection: Inspection, part: str, serial: str) -> Reason:
    """Return the one reason of a part whose holes are held hole to hole by those that are not placed yet."""
    places, missing = open_places(inspection, part, serial)
    where = span_words(inspection.specification, places)
    text = f"The pattern isn't complete: {where[:1].lower()}{where[1:]} {'not read' if missing else 'not proven'}"
    return Reason(HOLD, f"{text}; hole to hole can't be accepted before.", action=READ_AGAIN)


def _reason(
    spec: Specification, have: set[tuple[str, str, str]], things: Sequence[str], places: list[Place], names: list[str]
) -> Reason:
    nothing = all(not any((hole, wall, kind) in have for kind in READ) for hole, wall in places if wall)
    where = span_words(spec, places)
    hole = places[0][0] if len({h for h, _ in places}) == 1 else ""
    wall = places[0][1] if len({w for _, w in places}) == 1 else ""
    if nothing and all(wall for _, wall in places) and len(things) > 2:
        return Reason(HOLD, f"{where}: nothing was read.", hole, wall, "", "", READ_AGAIN)
    everywhere = {h for h, _ in places} == set(spec.hole_ids) and len(places) > 1
    text = f"{where}: {_things(things)} {'is' if len(things) == 1 else 'are'} missing"
    text += " on the whole sheet" if everywhere else ""
    if set(names) != set(things):
        text += f"; {joined(sorted(dict.fromkeys(names), key=CHARACTERISTICS.index))} can't be judged"
    text += "."
    return Reason(HOLD, text, hole, wall, "", "", NOWHERE if everywhere else READ_AGAIN)


def _things(things: Sequence[str]) -> str:
    """Return what is lacking; directions of a diameter drawn together."""
    directions = [t.removeprefix(f"{_DIAMETER} along ") for t in things if t.startswith(f"{_DIAMETER} along ")]
    rest = [t for t in things if not t.startswith(f"{_DIAMETER} along ")]
    first = [f"{_DIAMETER} along {joined(directions)}"] if directions else []
    return joined([*first, *rest])


def _have(inspection: Inspection, part: str, serial: str) -> set[tuple[str, str, str]]:
    """Return hole, wall and what was read of it; diameters also with their direction."""
    table = inspection.readings.table
    mine = table[rows_of(table, part, serial)]
    holes, walls, kinds = (mine[name].astype(str).tolist() for name in ("hole", "wall", "characteristic"))
    directions = np.mod(mine["direction"].to_numpy(dtype=np.float64), 180.0).tolist()
    blank = (mine["value"].isna() & (mine["word"] == "") & (mine["doubt"] == "")).tolist()
    have = set()
    for hole, wall, kind, direction, empty in zip(holes, walls, kinds, directions, blank, strict=True):
        if empty:
            continue
        for each in [wall] if wall else [*inspection.specification.walls.names, ""]:
            have.add((hole, each, kind))
            if kind == _DIAMETER:
                have.add((hole, each, f"{_DIAMETER} along {direction:g}°"))
    return have


def _lacking(spec: Specification, have: set[tuple[str, str, str]], place: Place, name: str) -> list[str]:
    """Return what must be read before a characteristic can be judged."""
    hole, wall = place
    plan = spec.plan
    walls = [wall] if wall else list(plan.walls)
    position_walls = [wall] if wall else list(plan.position_walls)
    diameters = [
        f"{_DIAMETER} along {direction:g}°" for direction in plan.directions
        if any((hole, w, f"{_DIAMETER} along {direction % 180.0:g}°") not in have for w in walls)
    ]  # fmt: skip
    axes = [c for c in _COORDINATES if any((hole, w, c) not in have for w in position_walls)]
    if name in {"GO", "NO-GO", "surface"}:
        return [name]
    if name == "edge distance":
        return axes if spec.outline and axes else [name]
    if name in {"position", "hole-to-hole position"} and axes:
        return axes
    return diameters or [f"a {_DIAMETER}"]
