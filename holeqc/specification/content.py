"""From what TOML holds to checked values by table and key: unknown keys, wrong kinds and wrong shapes are found here.

Array tables are counted from 1 in paths: ``hole[3].size.lower`` is the third ``[[hole]]`` of the file.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from holeqc.specification.keys import ARRAYS, OTHER_NAMES, OVERRIDES, all_keys, headline, keys_of, nearest, tables
from holeqc.specification.lines import what_to_write
from holeqc.specification.sizes import read_size, size_keys
from holeqc.specification.values import Collector, shown, take

Values = dict[str, Any]
MOST_HOLES = 2000  #: more would make the pairwise checks slow, and no drill fixture has them


@dataclass(slots=True)
class Content:
    """Checked values of a kit file: single tables by name, array tables as lists; a key not given is not there.

    In a hole, ``size`` and the other tables of `OVERRIDES` are tables of values or False (not asked of this hole);
    ``pin`` may be the id of a pin as well.
    """

    tables: dict[str, Values] = field(default_factory=dict)
    parts: list[Values] = field(default_factory=list)
    holes: list[Values] = field(default_factory=list)
    gauges: list[Values] = field(default_factory=list)
    pins: list[Values] = field(default_factory=list)
    pins_are_listed: bool = False  #: [[pin]] rather than [pin]
    headings: dict[str, str] = field(default_factory=dict)
    wall_names: dict[str, str] = field(default_factory=dict)
    designators: dict[str, str] = field(default_factory=dict)
    confirmed: dict[str, str] = field(default_factory=dict)  #: a doubt in its own words -> the reason

    def table(self, name: str) -> Values:
        """Return a single table, empty where the file has none."""
        return self.tables.get(name, {})


def read_content(raw: dict[str, Any], collector: Collector) -> Content:
    """Return the checked values of a whole file; what is wrong is collected and left out."""
    content = Content()
    _take_unit(raw, collector)
    for name, value in raw.items():
        if name not in tables():
            _unknown_at_top(name, value, collector)
        elif name == "headings":
            content.headings = _free_table(name, value, collector)
        elif name == "wall_names":
            content.wall_names = _free_table(name, value, collector)
        elif name == "designators":
            content.designators = _free_table(name, value, collector)
        elif name == "confirmed":
            content.confirmed = _free_table(name, value, collector)
        elif name == "hole":
            content.holes = _holes(value, collector)
        elif name in ARRAYS:
            rows = _rows(name, value, collector)
            found = [_table(name, row, f"{name}[{i}]", collector) for i, row in rows]
            setattr(content, f"{name}s", found)
        elif name == "pin" and isinstance(value, list):
            content.pins = [_table(name, row, f"pin[{i}]", collector) for i, row in _rows(name, value, collector)]
            content.pins_are_listed = True
        elif name == "pin":
            content.pins = [_table(name, value, name, collector)]
        else:
            content.tables[name] = _table(name, value, name, collector)
    return content


def _take_unit(raw: dict[str, Any], collector: Collector) -> None:
    """Find the kit's unit first: every length depends on it."""
    kit = raw.get("kit")
    unit = kit.get("unit") if isinstance(kit, dict) else None
    if unit is None:
        collector.error(
            "no-unit", "kit.unit", "the kit doesn't say its unit", "nothing", "in, mm", 'Write unit = "in" under [kit]'
        )
    elif isinstance(unit, str) and unit.strip().lower() == "mm":
        collector.unit = "mm"


def _unknown_at_top(name: str, value: object, collector: Collector) -> None:
    homes = [key.path for key in all_keys() if key.name == name]
    if not isinstance(value, dict | list) and homes:
        action = f"It belongs in a table: {', '.join(homes[:4])}"
    else:
        near = nearest(name.removesuffix("s"), tables()) or nearest(name, tables())
        action = f"Did you mean {headline(near)}?" if near else "holeqc kit keys lists all keys"
    allowed = ", ".join(headline(t) for t in tables())
    collector.error("unknown-key", name, f"{name!r} is not a table of a kit file", shown(value), allowed, action)


def _rows(name: str, value: object, collector: Collector) -> list[tuple[int, object]]:
    """Return the entries of an array table with their number from 1."""
    if isinstance(value, dict):
        return [(1, value)]  # [part] written for [[part]]: one of it, and nothing is lost
    if not isinstance(value, list):
        allowed = f"{headline(name)} and its keys below it"
        collector.error("wrong-shape", name, f"{name} must be a table", shown(value), allowed)
        return []
    return list(enumerate(value, start=1))


def _table(name: str, value: object, path: str, collector: Collector, also: tuple[str, ...] = ()) -> Values:
    """Return the checked values of one table; ``also`` names keys that the caller takes care of."""
    known = keys_of(name)
    if not isinstance(value, dict):
        message, write = what_to_write(path, str(value), collector.unit) if isinstance(value, str | float) else ("", "")
        collector.error("wrong-shape", path, message or f"{path} must be a table", shown(value),
                        f"{headline(name)} and its keys below it", f"Write {write}" if write else "")  # fmt: skip
        return {}
    found: Values = {}
    for key_name, raw in value.items():
        if key_name in also:
            continue
        key = known.get(key_name)
        if key is None:
            _unknown_key(name, key_name, raw, path, collector, also)
            for meant in OTHER_NAMES.get(name, {}).get(key_name.lower(), ()):
                if meant in known:  # it counts as given, so that it isn't missed as well
                    found.setdefault(meant, _broken(known[meant].kind))
            continue
        taken = take(key, raw, f"{path}.{key_name}", collector)
        # a wrong value still counts as given, so that nothing more is said about a key that is missing
        found[key_name] = taken if taken is not None else _broken(key.kind)
    return found


def _broken(kind: str) -> Any:
    """Return what stands for an unusable value: NaN for numbers, so that no comparison speaks of it again."""
    if kind in {"length", "amount", "place", "factor", "share", "number"}:
        return float("nan")
    return None


def _unknown_key(
    table: str, name: str, raw: object, path: str, collector: Collector, also: tuple[str, ...]
) -> None:
    known = [*keys_of(table), *also]
    near = nearest(name, known)
    elsewhere = [key.path for key in all_keys() if key.name == name and key.table != table]
    as_size = isinstance(raw, str) and name in {"size", "pin"}
    _, write = what_to_write(name, str(raw), collector.unit) if as_size else ("", "")
    meant = OTHER_NAMES.get(table, {}).get(name.lower(), ())
    deviations = meant == ("plus", "minus")
    sized = bool(meant) and table in {"size", "pin"}
    size = read_size(f"1 {raw}" if deviations else str(raw)) if sized else None
    if size is not None and size.toleranced and size.nominal is not None:
        keys = size_keys(size)
        wanted = {k: v for k, v in keys.items() if k in meant} if deviations else keys
        action = f"Write in lines of their own: {'; '.join(f'{k} = {v}' for k, v in wanted.items())}"
    elif meant:
        action = f"Write {' and '.join(meant)} in its place"
    elif write:
        action = f"Write {write}"
    elif near:
        action = f"Did you mean {near}?"
    elif elsewhere:
        action = f"It belongs in another table: {', '.join(elsewhere[:4])}"
    else:
        action = f"Take it out, or see holeqc kit keys {table}"
    collector.error("unknown-key", f"{path}.{name}", f"{name!r} is not a key of {headline(table)}", shown(raw),
                    ", ".join(known), action)  # fmt: skip


def _holes(value: object, collector: Collector) -> list[Values]:
    rows = _rows("hole", value, collector)
    if len(rows) > MOST_HOLES:
        collector.error("too-many-holes", "hole", "there are more holes than a kit file takes", str(len(rows)),
                        f"at most {MOST_HOLES}", "Split the pattern into kits")  # fmt: skip
        rows = rows[:MOST_HOLES]
    return [_hole(row, f"hole[{i}]", collector) for i, row in rows]


def _hole(row: object, path: str, collector: Collector) -> Values:
    found = _table("hole", row, path, collector, also=OVERRIDES)
    if not isinstance(row, dict):
        return found
    for name in OVERRIDES:
        raw = row.get(name)
        if raw is None:
            continue
        if raw is False and name != "size":
            found[name] = False
        elif name == "pin" and isinstance(raw, str | int) and not isinstance(raw, bool):
            found[name] = take(keys_of("pin")["id"], raw, f"{path}.pin", collector)
        else:
            found[name] = _table(name, raw, f"{path}.{name}", collector)
    return found


def _free_table(name: str, value: object, collector: Collector) -> dict[str, str]:
    """Return the values of a table whose keys are free: the shop's headings, what is confirmed."""
    key = keys_of(name)["*"]
    if not isinstance(value, dict):
        collector.error("wrong-shape", name, f"{name} must be a table", shown(value),
                        f"[{name}] and below it lines such as {key.example}")  # fmt: skip
        return {}
    taken = {word: take(key, text, f'{name}."{word}"', collector) for word, text in value.items()}
    return {word: text for word, text in taken.items() if text is not None}
