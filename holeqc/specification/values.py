"""One value of a kit file at a time: is it of the kind its key asks for, and what is it in the kit's unit?

Nothing here raises for a wrong value: it goes to a `Collector`, and the value counts as not given, so that every
problem of a file is found in one run.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from holeqc.problems import ERROR, WARNING, DataError, HoleQCError, Problem
from holeqc.quantities import Unit, parse_length
from holeqc.specification.keys import Key, nearest
from holeqc.specification.lines import what_to_write
from holeqc.specification.model import Tool

LONGEST_TEXT = 500
LARGEST_LENGTH = 1e6  #: beyond it a length is a slip of the key, and arithmetic loses its last digits
_INCH = Fraction(254, 10)


@dataclass(slots=True)
class Collector:
    """Problems of one kit file, each told once. ``unit`` is the kit's unit, ``file`` its path.

    ``recorded``: the file was judged by when it was recorded and must stay readable, so what would stop it only warns.
    """

    unit: Unit = "in"
    file: str = ""
    recorded: bool = False
    problems: list[Problem] = field(default_factory=list)

    def add(
        self, severity: str, code: str, where: str, message: str, found: str = "", allowed: str = "", action: str = ""
    ) -> None:
        """Add a problem unless the same one is there already."""
        problem = Problem(severity, code, message, found, allowed, action, file=self.file, where=where)
        if problem not in self.problems:
            self.problems.append(problem)

    def error(
        self, code: str, where: str, message: str, found: str = "", allowed: str = "", action: str = ""
    ) -> None:
        """Add an error."""
        self.add(ERROR, code, where, message, found, allowed, action)

    def stop(self, code: str, where: str, message: str, found: str = "", allowed: str = "", action: str = "") -> None:
        """Add what must be mended or confirmed before anything is judged: an error, a warning in a recorded file."""
        self.add(WARNING if self.recorded else ERROR, code, where, message, found, allowed, action)

    def warn(self, code: str, where: str, message: str, found: str = "", allowed: str = "", action: str = "") -> None:
        """Add a warning."""
        self.add(WARNING, code, where, message, found, allowed, action)


class Unusable(Exception):
    """A value that isn't what its key asks for; carries the reason in words."""


def shown(value: object) -> str:
    """Return a value of a TOML file as it would be typed there, cut to a readable length."""
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, dict):
        text = "a table with " + (", ".join(map(str, list(value)[:5])) or "nothing in it")
    elif isinstance(value, list):
        text = "[" + ", ".join(shown(v) for v in value[:6]) + (", ..." if len(value) > 6 else "") + "]"
    else:
        text = str(value)
    return text if len(text) <= 80 else text[:77] + "..."


def take(key: Key, raw: object, path: str, collector: Collector) -> Any:
    """Return the value of a key in the kit's unit, None (with an error collected) where it isn't what is allowed."""
    try:
        return _READERS[key.kind](raw, key, collector)
    except Unusable as reason:
        message, write = what_to_write(path, raw, collector.unit) if isinstance(raw, str) else ("", "")
        action = f"Write {write}" if write else f"Write for example {_example(key)}"
        collector.error("wrong-value", path, message or str(reason), shown(raw), key.allowed, action)
        return None


def _example(key: Key) -> str:
    return key.example if "=" in key.example else f"{key.name} = {key.example}"


def _text(raw: object, key: Key, collector: Collector) -> str:
    if not isinstance(raw, str):
        raise Unusable("must be text in quotes")
    if len(raw) > LONGEST_TEXT:
        raise Unusable(f"is longer than {LONGEST_TEXT} characters")
    if any(ord(c) < 32 or c in "\x7f\ufffe\uffff" for c in raw):
        raise Unusable("holds a line break or another control character")
    return raw.strip()


def _id(raw: object, key: Key, collector: Collector) -> str:
    if isinstance(raw, int) and not isinstance(raw, bool):
        return str(raw)
    text = _text(raw, key, collector)
    if not text and '""' not in key.default:
        raise Unusable("is empty")
    if len(text) > 60:
        raise Unusable("is longer than 60 characters")
    return text


def _number(raw: object, key: Key, collector: Collector) -> float:
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        raise Unusable("must be a number")
    if not math.isfinite(raw):
        raise Unusable("must be a finite number")
    return float(raw)


def _length(raw: object, key: Key, collector: Collector) -> float:
    if isinstance(raw, str):
        try:
            exact, unit = parse_length(raw)
        except DataError:
            raise Unusable("is not a length") from None
        if unit is None and "/" in raw and collector.unit == "mm":
            raise Unusable('is a fraction without a unit in a kit in mm; write "29/64 in" if inches are meant')
        if unit is not None and unit != collector.unit:
            exact = exact * _INCH if unit == "in" else exact / _INCH
        value = float(exact)
    else:
        value = _number(raw, key, collector)
    if abs(value) > LARGEST_LENGTH:
        raise Unusable(f"is beyond {LARGEST_LENGTH:g} {collector.unit}")
    if key.kind == "length" and value <= 0:
        raise Unusable("must be above 0")
    if key.kind == "amount" and value < 0:
        raise Unusable("must not be negative")
    return value


def _factor(raw: object, key: Key, collector: Collector) -> float:
    value = _number(raw, key, collector)
    if value <= 0:
        raise Unusable("must be above 0")
    return value


def _share(raw: object, key: Key, collector: Collector) -> float:
    value = _number(raw, key, collector)
    if value < 0:
        raise Unusable("must not be negative")
    return value


def _whole(raw: object, key: Key, collector: Collector) -> int:
    if isinstance(raw, bool) or not isinstance(raw, int):
        raise Unusable("must be a whole number")
    lowest, highest = {"decimals": (0, 9), "days": (1, 3650)}.get(key.kind, (1, 100))
    if not lowest <= raw <= highest:
        raise Unusable(f"must lie from {lowest} to {highest}")
    return raw


def _yes(raw: object, key: Key, collector: Collector) -> bool:
    if not isinstance(raw, bool):
        raise Unusable("must be true or false, without quotes")
    return raw


def _date(raw: object, key: Key, collector: Collector) -> dt.date:
    if isinstance(raw, str):
        try:
            return dt.date.fromisoformat(raw.strip())
        except ValueError:
            raise Unusable("is not a day of the calendar as year-month-day") from None
    if isinstance(raw, dt.datetime) or not isinstance(raw, dt.date):
        raise Unusable("must be a date")
    return raw


def _choice(raw: object, key: Key, collector: Collector) -> str:
    lowered = {c.lower(): c for c in key.choices}
    if not isinstance(raw, str):
        raise Unusable("must be one of the words listed")
    if raw.strip().lower() not in lowered:
        near = nearest(raw, key.choices)
        raise Unusable(f"is not one of the words listed; did you mean {near}?" if near else "is not a word listed")
    return lowered[raw.strip().lower()]


def _list(raw: object, each: Callable[[object], Any], least: int = 1) -> tuple[Any, ...]:
    if not isinstance(raw, list):
        raise Unusable("must be a list in square brackets")
    if len(raw) < least:
        raise Unusable(f"must have at least {least} in the list")
    return tuple(each(item) for item in raw)


def _ids(raw: object, key: Key, collector: Collector) -> tuple[str, ...]:
    return _unique(_list(raw, lambda item: _id(item, key, collector)))


def _choices(raw: object, key: Key, collector: Collector) -> tuple[str, ...]:
    return _unique(_list(raw, lambda item: _choice(item, key, collector)))


def _unique(items: tuple[Any, ...]) -> tuple[Any, ...]:
    for item in items:
        if items.count(item) > 1:
            raise Unusable(f"has {shown(item)} twice")
    return items


def _angles(raw: object, key: Key, collector: Collector) -> tuple[float, ...]:
    angles = _list(raw, lambda item: _number(item, key, collector))
    if len(angles) > 36 or any(not -360 <= a <= 360 for a in angles):
        raise Unusable("must have at most 36 directions from -360 to 360 degrees")
    turned = _unique(tuple(a % 180 for a in angles))  # a two-point diameter at 180 is the one at 0
    return turned


def _points(raw: object, key: Key, collector: Collector) -> tuple[tuple[float, float], ...]:
    def point(item: object) -> tuple[float, float]:
        if not isinstance(item, list) or len(item) != 2:
            raise Unusable("must be a list of [x, y] pairs")
        return _length(item[0], key, collector), _length(item[1], key, collector)

    return _list(raw, point, least=3)


def _tool(raw: object, key: Key, collector: Collector) -> Tool:
    if not isinstance(raw, str):
        value = _length(raw, key, collector)
        if value <= 0:
            raise Unusable("must be above 0")
        return Tool(f"{raw}", value)
    try:
        exact, unit = parse_length(raw)
        unit = unit or ("in" if "/" in raw else collector.unit)  # a drill called by a fraction is an inch drill
    except DataError:
        exact, unit = _named_drill(raw), "in"
    if unit != collector.unit:
        exact = exact * _INCH if unit == "in" else exact / _INCH
    if not 0 < exact < LARGEST_LENGTH:
        raise Unusable("must be above 0")
    return Tool(raw.strip(), float(exact))


def _named_drill(raw: str) -> Fraction:
    """Return the diameter [in] of a number or letter drill."""
    from holeqc.fits import drills

    try:
        return Fraction(str(drills.diameter(raw)))
    except HoleQCError as error:
        raise Unusable(f"is no drill that the table knows: {error}") from None


def _tools(raw: object, key: Key, collector: Collector) -> tuple[Tool, ...]:
    found = _list(raw, lambda item: _tool(item, key, collector), least=0)
    return tuple(sorted(found, key=lambda tool: tool.diameter))


_READERS: dict[str, Callable[[object, Key, Collector], Any]] = {
    "id": _id, "text": _text, "length": _length, "amount": _length, "place": _length, "factor": _factor,
    "share": _share, "number": _number, "whole": _whole, "days": _whole, "decimals": _whole, "yes": _yes, "date": _date,
    "choice": _choice, "ids": _ids, "choices": _choices, "angles": _angles, "points": _points, "tool": _tool,
    "tools": _tools, "words": _choice,
}  # fmt: skip
