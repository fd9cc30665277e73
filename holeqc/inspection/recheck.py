"""A recheck joined with the readings before it: what is asked again, what then counts, and what can't be answered so.

A recheck is a sheet that says what it is a recheck of: a tag, or the day of the readings. It takes the place of what
was asked and of nothing else:

* A hole that was rejected, but for its surface, is read again as a whole, in every wall: cutting changes all of it.
* Of a held hole what is held is read again, each kind of reading in each wall as one: all directions of a diameter,
  both coordinates.
* What a problem holds without naming a reading asks for the whole hole, or the whole part.

What was asked and is read again in part is not read: none of its old readings counts any more. What wasn't asked
counts beside the old readings, but a coordinate: of coordinates the mean is taken, so a further one could thin out a
bad one. It is left out, and holds the hole.

A recheck is refused as a whole, and holds its part, where it has no day, is older than what it replaces, names other
tags or days than its part has, or equals what it replaces. Nothing mends by being read again what cutting can't mend:
a hole over its upper limit, one that took the NO-GO, a crack, an edge too near, a hole off its place that now stands
elsewhere. An engineer's disposition on record does (``decided``).
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from holeqc.characteristics import FINE, OF_NAME
from holeqc.inspection.judge import judge
from holeqc.inspection.reasons import FEEDS, NO_READINGS, UNPROVED
from holeqc.inspection.results import (
    ACCEPT,
    CANNOT_MEND,
    CAUSES,
    CONTRADICTION,
    CRACKED,
    GAUGE_EXPIRED,
    MEANING,
    MOVED,
    NO_GO_ENTERED,
    OVER,
    PATTERN,
    PATTERN_INCOMPLETE,
    REJECT,
    WHOLE_PART,
    gauge_of,
)
from holeqc.inspection.results import joined as in_words
from holeqc.inspection.tags import ALPHABET, code_typed, tags_of_part
from holeqc.inspection.view import PartView, Run
from holeqc.problems import WARNING, Problem
from holeqc.quantities import GRAIN, BoolArray
from holeqc.readings.copies import COPIED_HOLE, COPIED_WALL, DISTINCT_LEAST
from holeqc.readings.table import Join, Readings
from holeqc.tables import Row, Table, Texts, joined_tables

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection
    from holeqc.specification.model import Specification

COPIED = "copied-from-record"  #: code of the problem that holds readings which equal recorded ones
COPY_LEAST, COPY_SHARE = 3, 0.9  #: so many lengths, and so much of them equal, are no new reading
STEPS = {"in": 1e4, "mm": 1e3}  #: lengths count as equal to one step of a gauge: 0.0001 in, 0.001 mm
PLACE_SHARE = 0.1  #: of the position tolerance: how far two readings of a place differ where the gauge states no U
#: codes of problems of a recheck that doesn't count at all
REFUSED = ("recheck-of-what", "recheck-older", "recheck-without-day")
_SIZES, _PLACES = ("size", "out-of-roundness", "taper"), ("position", "hole-to-hole position")
_COORDINATES = ("x", "y")
_WHERE = ("characteristic", "direction", "trial")
_BY_CHANCE = 5  #: of so many readings one equals another part's by chance, where a hole scatters by few steps
_SAID = re.compile(r"[,;&\s]+(?:and\s+)?")
_CALLED = re.compile(r"\btags?\b[\s:]*", re.I)

Group = tuple[str, str]  #: wall, '' for the hole as a whole, and kind of reading


@dataclass(frozen=True, slots=True)
class Asked:
    """What is read again of one hole: the groups, or ``whole``; ``why`` what was found, in the order of the report."""

    hole: str
    groups: frozenset[Group] = frozenset()
    whole: bool = False
    why: tuple[Row, ...] = ()


@dataclass(frozen=True, slots=True)
class Known:
    """What a ledger knows of a part beyond its readings.

    ``holes_of``: holes by the tags' codes; ``decided``: hole -> disposition of a tag that speaks of it; ``since``: hole
    -> day of that decision, or of the work; ``against``: hole -> open tag that rejects it, and what it was found to be
    that cutting can't mend ('': another kit text rejected it for something else).
    """

    holes_of: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    decided: Mapping[str, str] = field(default_factory=dict)
    since: Mapping[str, str] = field(default_factory=dict)
    against: Mapping[str, tuple[str, str]] = field(default_factory=dict)


# ------------------------------------------------------------------------------------------------- what is asked again


def asked_by(part: PartView, named: Collection[str]) -> list[Asked]:
    """Return what must be read again of the holes that tags name; of a pattern's or a whole part's tag, everything."""
    if {PATTERN, WHOLE_PART} & set(named):
        return [Asked(hole, whole=True) for hole in part.specification.hole_ids]
    return [one for one in asked_of(part) if one.hole in named]


def asked_of(part: PartView) -> list[Asked]:
    """Return what must be read again of a part, hole by hole in the kit's order; nothing of an accepted part."""
    if part.verdict == ACCEPT:
        return []
    spec, holes = part.specification, part.specification.hole_ids
    rows: dict[str, list[Row]] = {}
    for row in part.characteristics:
        if int(row["verdict"]) != ACCEPT and row["cause"] != CAUSES[PATTERN_INCOMPLETE]:
            rows.setdefault(str(row["hole"]), []).append(row)
    holding = [p for p in part.run.problems if p.holds and p.code not in REFUSED and _speaks_of(p, part)]
    told = {str(row["cause"]) for some in rows.values() for row in some} & set(MEANING)
    if any(p.hole not in holes and p.code not in told for p in holding):  # of a gauge, the readings say it each
        return [Asked(hole, whole=True, why=tuple(rows.get(hole, ()))) for hole in holes]
    found = []
    for hole in part.holes:
        name = str(hole["hole"])
        mine = rows.get(name, [])
        causes = {str(row["cause"]) for row in mine}
        loose = [p for p in holding if p.hole == name and p.code not in causes]
        cut = [row for row in mine if int(row["verdict"]) == REJECT and row["characteristic"] != "surface"]
        if cut or loose:
            found.append(Asked(name, whole=True, why=tuple(mine)))
        elif mine:
            groups = frozenset(group for row in mine for group in _groups(part, row, mine))
            found.append(Asked(name, groups, why=tuple(mine)))
    if not found:  # the pins together, or what holds the part without naming a hole
        return [Asked(hole, whole=True) for hole in spec.hole_ids]
    return found


def _speaks_of(problem: Problem, part: PartView) -> bool:
    if problem.serial or problem.part:
        return problem.serial in ("", part.serial) and problem.part in ("", part.part)
    return not problem.file or any(problem.file == row["file"] for row in part.read)


def _groups(part: PartView, row: Row, beside: Sequence[Row]) -> Iterable[Group]:
    """Give the readings that a held or unclean characteristic asks for again."""
    plan, name, wall, cause = part.specification.plan, str(row["characteristic"]), str(row["wall"]), str(row["cause"])
    walls = [wall] if wall else list(plan.walls)
    kinds: tuple[str, ...] = FEEDS.get(name, ())[:1]
    if cause == CAUSES[CONTRADICTION]:
        walls, kinds = list(plan.walls), ("diameter", "plug", "go", "no_go")
    elif name in _PLACES:
        walls = [wall] if wall else list(plan.position_walls)
        size = any(r["cause"] == cause and r["characteristic"] in _SIZES for r in beside)
        kinds = _COORDINATES if cause in UNPROVED or not size or _open_place(part, str(row["hole"]), walls) else ()
    elif name == "edge distance" and not plan.edge_distance:
        walls, kinds = list(plan.position_walls), _COORDINATES
    for kind in kinds:
        yield from [(w, kind) for w in walls] if kind in ("diameter", *_COORDINATES) else [(wall, kind)]


def _open_place(part: PartView, hole: str, walls: Sequence[str]) -> bool:
    """Whether a coordinate of a hole is missing or doubtful in one of some walls."""
    table = part.run.of_part("readings", part.number)
    sure = table.hits(hole=hole, doubt="") & table["characteristic"].isin(_COORDINATES) & ~np.isnan(table["value"])
    have = table.take(sure).pairs("wall", "characteristic")
    single = not part.specification.walls.several
    return not all((wall, kind) in have or (single and ("", kind) in have) for wall in walls for kind in _COORDINATES)


# ---------------------------------------------------------------------------------------------------------- what counts


def inspect(spec: Specification, readings: Readings) -> Inspection:
    """Return the verdict on every hole and part in a table of readings; rechecks are joined first."""
    return judge(spec, joined(spec, readings) if readings.rechecks else readings)


def joined(
    specification: Specification, readings: Readings, known: Callable[[str, str], Known] = lambda *_: Known()
) -> Readings:  # fmt: skip
    """Return readings with each recheck joined to what was read before, the oldest first.

    ``known``: what is on record of a part and serial number beyond its readings.
    """
    now = replace(readings, rechecks=())
    for recheck in sorted(readings.rechecks, key=lambda one: newest_day(one.rows)):
        now = _join(specification, now, recheck, known)
    return replace(now, before=readings)


def newest_day(table: Table) -> str:
    """Return the last day of some readings, '' where they have none."""
    days = [str(day) for day in _days(table) if not np.isnat(day)]
    return max(days, default="")


def _days(table: Table) -> Any:
    return table["date"].astype("datetime64[D]")


def _join(
    spec: Specification, first: Readings, recheck: Readings, known: Callable[[str, str], Known]
) -> Readings:  # fmt: skip
    """Return readings with one file joined that is a recheck."""
    recheck = with_parts(spec, first, recheck)
    mine = first.rows["serial"].isin(recheck.rows["serial"].there())
    run = Run(judge(spec, replace(first, rows=first.rows.take(mine))))
    views = {(part.part, part.serial): part for part in run}
    fresh = recheck.rows.relabelled(int(first.rows.labels.max(initial=-1)) + 1)
    only = spec.parts[0].name if len(spec.parts) == 1 else ""
    by_part = {(part or only, serial): rows for (part, serial), rows in fresh.groups("part", "serial").items()}
    pieces = [
        _Piece(spec, views.get(key), fresh.take(rows), recheck, known(*key), first) for key, rows in by_part.items()
    ]
    kept = _without(first.rows, [label for piece in pieces for label in piece.gone])
    added = _without(fresh, [label for piece in pieces for label in piece.out])
    rows = joined_tables([kept, _numbered_on(kept, added)])
    whole = replace(recheck, rows=fresh)
    joins = tuple(piece.join(whole) for piece in pieces)
    problems = [p for p in first.problems if not any(piece.answers(p) for piece in pieces)]
    problems += [*recheck.problems, *(p for piece in pieces for p in piece.problems)]
    return replace(
        first, rows=rows, problems=tuple(problems), sources=(*first.sources, *recheck.sources),
        joins=(*first.joins, *joins),
    )  # fmt: skip


def with_parts(spec: Specification, first: Readings, recheck: Readings) -> Readings:
    """Return a recheck with the part named that its serial number has in the readings before, where it names none."""
    table = recheck.rows
    unsaid = set(table["serial"][table["part"] == ""].there())
    if len(spec.parts) < 2 or not unsaid:
        return recheck
    parts: dict[str, set[str]] = {}
    for part, serial in first.rows.take(first.rows["serial"].isin(unsaid)).pairs("part", "serial"):
        parts.setdefault(serial, set()).add(part)
    only = {serial: next(iter(names)) for serial, names in parts.items() if len(names) == 1 and "" not in names}
    said = zip(table["part"], table["serial"], strict=True)
    part_names = Texts.of(part or only.get(serial, "") for part, serial in said)
    told = (table["doubt"] == "part-missing") & table["serial"].isin(only)
    left = tuple(p for p in recheck.problems if p.code != "part-missing" or not unsaid <= set(only))
    rows = table.with_columns(part=part_names, doubt=table["doubt"].where(~told, ""))
    return replace(recheck, rows=rows, problems=left)


def _without(table: Table, labels: Collection[int]) -> Table:
    return table.take(~np.isin(table.labels, [*labels])) if labels else table


_REPEATED = ("part", "serial", "hole", "wall", "characteristic", "direction")


def _numbered_on(before: Table, added: Table) -> Table:
    """Return added readings with their repeats counted on after those that they stand beside."""
    count: dict[tuple[Any, ...], int] = {}
    for *key, trial in before.take(before["serial"].isin(added["serial"].there())).tuples(*_REPEATED, "trial"):
        key[-1] = str(key[-1])  # NaN, where no direction is said, isn't itself
        count[tuple(key)] = max(count.get(tuple(key), 0), trial)
    shift = np.array([count.get((*key, str(way)), 0) for *key, way in added.tuples(*_REPEATED)], dtype=np.int64)
    return added.with_columns(trial=(added["trial"] + shift).astype(added["trial"].dtype))


class _Piece:
    """One part of a recheck: which old readings no longer count, which new ones don't, and what holds it."""

    def __init__(
        self, spec: Specification, part: PartView | None, rows: Table, recheck: Readings, known: Known,
        first: Readings,
    ) -> None:  # fmt: skip
        self.spec, self.part, self.rows, self.recheck, self.known = spec, part, rows, recheck, known
        self.source = recheck.sources[0]
        self.name = rows["part"][0], rows["serial"][0]
        self.gone: list[int] = []
        self.out: list[int] = []
        self.problems: list[Problem] = []
        self.whole: set[str] = set()  #: holes that were read again as a whole
        self.old = part.run.of_part("readings", part.number) if part is not None else rows.take(slice(0))
        self.first = first.rows
        #: what earlier rechecks of the part took the place of
        self.earlier = [j.replaced for j in first.joins if part and (j.part, j.serial) == (part.part, part.serial)]
        said = (rows["doubt"] != "") & ((rows["hole"] != "") | (rows["doubt"] != NO_READINGS))  # that has no day
        self.read = rows.take(~np.isnan(rows["value"]) | (rows["word"] != "") | said)
        if part is None:
            self._hold("recheck-alone", "there are no readings before it to join it with",
                       "Check it together with the first sheet, or with --record where that is on record")  # fmt: skip
            return
        asked = self._asked()
        if asked is None:
            self.out = rows.labels.tolist()
            return
        self._replace(asked)
        if self._refused():
            self.gone, self.out, self.whole = [], rows.labels.tolist(), set()
            return
        self._not_cured()
        self._too_old()
        self._copied_wall()
        self._copied_hole()

    def _hold(self, code: str, message: str, action: str, *, found: str = "", hole: str = "") -> None:
        self.problems.append(Problem(
            WARNING, code, message, found=found, action=action, file=self.source.file, part=self.name[0],
            serial=self.name[1], hole=hole, holds=True,
        ))  # fmt: skip

    def _asked(self) -> list[Asked] | None:
        """Return what may be replaced, by the tags or the day that the sheet names; None where it names others."""
        assert self.part is not None
        asked = asked_of(self.part)
        days = {str(day) for day in _days(self.old) if not np.isnat(day)}
        codes = {tag.code: tag.holes for tag in tags_of_part(self.part)} | dict(self.known.holes_of)
        named: set[str] = set()
        for text in _said(self.source.recheck):
            code = code_typed(text)
            if text in days:
                named |= {one.hole for one in asked}
            elif code in codes or text in codes:
                named |= set(codes[code if code in codes else text])
            else:
                self._hold(
                    "recheck-of-what", f"it says that it is a recheck of {text!r}, and the part has no such tag and no "
                    "readings of that day", "Write the tag's code, or the day of the readings that it is a recheck of",
                    found=f"tags {in_words(codes) or 'none'}; readings of {in_words(sorted(days)) or 'no day'}",
                )  # fmt: skip
                return None
        return asked_by(self.part, named)

    def _replace(self, asked: Sequence[Asked]) -> None:
        """Find what no longer counts, and what of the recheck doesn't."""
        by_hole = {one.hole: one for one in asked}
        extra: list[int] = []
        for hole, rows in self.read.groups("hole").items():
            one, old, new = by_hole.get(hole), self.old.where(hole=hole), self.read.take(rows)
            if one is None:
                extra += new.labels.tolist()
            elif one.whole:
                self.gone += old.labels.tolist()
                self.whole.add(hole)
            else:
                extra += self._replace_groups(one, old, new)
        if self.whole >= set(self.spec.hole_ids):
            self.gone = self.old.labels.tolist()  # those too that name no hole
        self.gone = list(dict.fromkeys(self.gone))
        self._extra(self._those(self.read, extra))

    def _replace_groups(self, asked: Asked, old: Table, new: Table) -> list[int]:
        """Find what of one hole no longer counts, kind by kind and wall by wall; return what wasn't asked."""
        extra: list[int] = []
        walled = new.with_columns(wall=self._wall(new))
        for (wall, kind), rows in walled.groups("wall", "characteristic").items():
            walls = [wall] if wall or kind not in ("diameter", *_COORDINATES) else list(self.spec.walls.names)
            if not all(any(k == kind and _same_wall(w, x) for x, k in asked.groups) for w in walls):
                extra += new.labels[rows].tolist()
                continue
            kinds = _COORDINATES if kind in _COORDINATES else (kind,)
            same = [_same_wall(w, wall) for w in self._wall(old)]
            self.gone += old.labels[old["characteristic"].isin(kinds) & np.array(same, dtype=np.bool_)].tolist()
        return extra

    def _those(self, table: Table, labels: Sequence[int]) -> Table:
        return table.take(table.places(labels))

    def _wall(self, rows: Table) -> Texts:
        """Return the wall of each row; '' where it speaks of the hole as a whole."""
        walls: Texts = rows["wall"]
        return walls if self.spec.walls.several else walls.renamed({"": self.spec.walls.names[0]})

    def _extra(self, rows: Table) -> None:
        """Leave out coordinates that nobody asked for, and hold their holes; anything else counts beside the old."""
        places = rows.take(rows["characteristic"].isin(_COORDINATES))
        self.out += places.labels.tolist()
        for hole in dict.fromkeys(places["hole"]):
            self._hold(
                "recheck-not-asked", f"the place of hole {hole} wasn't asked for: its coordinates don't count, and "
                "what they may show isn't known", "Read the whole part and check a new sheet", hole=hole,
            )  # fmt: skip

    def _refused(self) -> bool:
        """Whether the recheck can't stand for what it replaces: no day, an older one, or the same once more."""
        old, new = self._those(self.old, self.gone), self.read
        before, now = _days(old), _days(new)
        said = before[~np.isnat(before)]
        if len(new) and np.isnat(now).any():
            self._hold("recheck-without-day", "the recheck doesn't say on which day it was read",
                       "Write the day on the recheck")  # fmt: skip
        elif said.size and len(new) and now.min() < said.max():
            self._hold(
                "recheck-older", f"it was read on {now.min()}, before the readings of {said.max()} that it would take "
                "the place of", "Read what is asked again, and check that sheet",
            )  # fmt: skip
        elif too_soon := self._before_decision(new):
            hole, day = too_soon
            self._hold(
                "recheck-older", f"hole {hole} was read on {day}, before its {self.known.decided[hole]} was decided or "
                f"done on {self.known.since[hole]}", "Read what is asked again, and check that sheet",
            )  # fmt: skip
        elif not any(p.code == COPIED and p.serial == self.name[1] for p in self.recheck.problems):
            self._copied(old, new)
            return False
        return bool(self.problems) and self.problems[-1].code in ("recheck-without-day", "recheck-older")

    def _before_decision(self, new: Table) -> tuple[str, str] | None:
        """Return a hole that was read before the day of the rework or repair that the reading is to prove, and when."""
        days = _days(new).astype(str)
        pairs = sorted(set(zip(new["hole"], days.tolist(), strict=True)))
        return next(((hole, day) for hole, day in pairs if day < self.known.since.get(hole, "")), None)

    def _copied(self, old: Table, new: Table) -> None:
        """Hold a recheck whose lengths are those that it replaces, under another day, gauge or temperature."""
        names = ("hole", "wall", "characteristic", "direction", "trial", "value", "date", "gauge", "temperature_c")
        lengths = [
            {(*key, str(way), trial): (value, (date, gauge, str(degrees)))
             for *key, way, trial, value, date, gauge, degrees in table.tuples(*names)}
            for table in (rows.take(self._fine(rows)) for rows in (old, new))
        ]  # fmt: skip
        both = [key for key in lengths[1] if key in lengths[0]]
        step = STEPS[self.spec.unit]
        same = [k for k in both if round(lengths[0][k][0] * step) == round(lengths[1][k][0] * step)]
        if len(both) < COPY_LEAST or len(same) < COPY_SHARE * len(both):
            return
        if all(lengths[0][k][1] == lengths[1][k][1] for k in same):
            return
        count = f"all {len(both)}" if len(same) == len(both) else f"{len(same)} of {len(both)}"
        self._hold(COPIED, f"{count} lengths equal those that they would take the place of: not read again",
                   "Measure this part and record what the gauge shows")  # fmt: skip

    def _copied_wall(self) -> None:
        """Hold holes whose walls read the same, one of them read here: by chance never in so many lengths."""
        names = self.spec.walls.names
        if len(names) < 2:
            return
        counting = joined_tables([_without(self.old, self.gone), _without(self.read, self.out)])
        at: dict[str, dict[tuple[Any, ...], float]] = {}
        for hole, wall, *where, value in self._lengths(counting, "hole", "wall", *_WHERE, "value"):
            at.setdefault(wall, {}).setdefault((hole, *where), value)
        first = at.get(names[0], {})
        for wall in names[1:]:
            both = [key for key in at.get(wall, {}) if key in first]
            differs = {key[0] for key in both if abs(first[key] - at[wall][key]) > GRAIN}
            there = [key for key in both if key[0] not in differs]
            if len(there) < COPIED_WALL or len({at[wall][key] for key in there}) < DISTINCT_LEAST:
                continue
            for hole in dict.fromkeys(key[0] for key in sorted(there, key=lambda key: self._order(key[0]))):
                if hole in self.read["hole"].there():
                    self._hold(
                        "copied-wall", f"all lengths of hole {hole} in the {wall} wall equal those in the {names[0]} "
                        "wall, as in other holes: likely typed twice", f"Measure the {wall} wall", hole=hole,
                    )  # fmt: skip

    def _order(self, hole: str) -> int:
        return self.spec.hole_ids.index(hole) if hole in self.spec.hole_ids else len(self.spec.hole_ids)

    def _copied_hole(self) -> None:
        """Hold holes whose every length equals the same hole's of another part of the run."""
        mine: dict[str, list[tuple[Any, ...]]] = {}
        for hole, *what in self._lengths(self.read, "hole", "wall", *_WHERE, "value"):
            mine.setdefault(hole, []).append(tuple(what))
        other = self.first.take(self.first["hole"].isin(mine) & (self.first["serial"] != self.name[1]))
        theirs: dict[tuple[str, str], list[tuple[Any, ...]]] = {}
        for hole, whose, *what in self._lengths(other, "hole", "serial", "wall", *_WHERE, "value"):
            theirs.setdefault((hole, whose), []).append(tuple(what))
        parts = len(other["serial"].there())
        for (hole, whose), lengths in sorted(theirs.items(), key=lambda item: (self._order(item[0][0]), item[0][1])):
            number = sum(lengths.count(what) for what in mine[hole])
            if number == len(mine[hole]) and number >= COPIED_HOLE and parts <= _BY_CHANCE ** (number - COPIED_HOLE):
                self._hold(
                    "copied-hole", f"all {number} lengths of hole {hole} equal those of the same hole on {whose}: "
                    "likely copied", "Measure the hole again", hole=hole,
                )  # fmt: skip

    @staticmethod
    def _fine(rows: Table) -> BoolArray:
        return np.asarray(rows["characteristic"].isin(FINE) & ~np.isnan(rows["value"]), dtype=np.bool_)

    def _lengths(self, rows: Table, *names: str) -> Iterator[tuple[Any, ...]]:
        """Give lengths of some readings with what they are of; no direction is -1."""
        some = rows.take(self._fine(rows) & (rows["hole"] != ""))
        way = np.where(np.isnan(some["direction"]), -1.0, some["direction"])
        return some.with_columns(direction=way, value=np.round(some["value"], 7)).tuples(*names)

    def _not_cured(self) -> None:
        """Hold what was rejected for something that cutting can't mend, unless somebody has decided on it."""
        assert self.part is not None
        gone = self._those(self.old, self.gone)
        cut = set(gone["hole"].there())
        for row in self.part.characteristics:
            hole = str(row["hole"])
            if int(row["verdict"]) != REJECT or row["doubtful"] or hole not in cut:
                continue
            name, cause, decided = str(row["characteristic"]), str(row["cause"]), self.known.decided.get(hole, "")
            never = (name == "size" and cause == CAUSES[OVER]) or cause in (CAUSES[NO_GO_ENTERED], CAUSES[CRACKED])
            never = never or name == "edge distance" or (OF_NAME[name].measured and OF_NAME[name].mended != cause)
            moved = name in _PLACES and self._moved(hole, str(row["wall"]))
            if decided == "repair" or (not never and (decided == "rework" or not moved)):
                continue
            what = {"size": "was over its upper limit", "NO-GO": "took the NO-GO", "surface": "had a crack",
                    "edge distance": "was too near the edge"}.get(name, "was off its place, and it now reads as if it "
                                                                  "stood elsewhere")  # fmt: skip
            if OF_NAME[name].measured:
                what = f"was {cause} its {'upper' if cause == CAUSES[OVER] else 'lower'} limit of {name}"
            code = CANNOT_MEND if never else MOVED
            if not any(p.code == code and p.hole == hole for p in self.problems):
                self._hold(code, f"hole {hole} {what}: cutting can't mend that, so a new reading "
                           "doesn't answer it", "Engineering disposition; record both sheets", hole=hole)  # fmt: skip
        self._open_against({str(row["hole"]) for row in self.part.characteristics if int(row["verdict"]) == REJECT},
                           cut)  # fmt: skip
        if int(self.part.row["pin_verdict"]) == REJECT and PATTERN not in self.known.decided:
            told = {p.hole for p in self.problems}
            for hole in dict.fromkeys(gone["hole"]):
                walls = self.spec.plan.position_walls
                if hole not in told and hole not in self.known.decided and any(self._moved(hole, x) for x in walls):
                    self._hold(MOVED, f"the pins didn't all enter, and hole {hole} now reads as if it stood elsewhere: "
                               "cutting can't move a hole", "Engineering disposition; record both sheets",
                               hole=hole)  # fmt: skip

    def _open_against(self, rejected: set[str], again: set[str]) -> None:
        """Hold holes that an open tag rejects and that this kit's text doesn't, though their readings are the same."""
        assert self.part is not None
        told = {p.hole for p in self.part.run.problems if p.code == CANNOT_MEND and _speaks_of(p, self.part)}
        for hole, (tag, what) in self.known.against.items():
            if hole in rejected | told or not (what or hole not in again):
                continue
            why = f"it {what}, which no new reading and no other limit answers" if what else (
                "it was rejected under another text of the kit and wasn't read again")  # fmt: skip
            self._hold(
                CANNOT_MEND if what else "recheck-tag-open", f"hole {hole}: tag {tag} is open, {why}",
                f"Decide on the tag: holeqc disposition {tag} --as ... --by ROLE --reason TEXT", hole=hole,
            )  # fmt: skip

    def _moved(self, hole: str, wall: str) -> bool:
        """Whether a hole's place differs by more than cutting and the gauge can make it, from any reading before: else
        it could go there in small steps.
        """
        return any(self._apart(rows, hole, wall) for rows in (self.old, *self.earlier))

    def _apart(self, old: Table, hole: str, wall: str) -> bool:
        shift, room = 0.0, 0.0
        for kind in _COORDINATES:
            a, b = (self._mean(rows, hole, wall, kind) for rows in (old, self.read))
            shift = max(shift, abs(a - b)) if np.isfinite(a) and np.isfinite(b) else shift
        a, b = (self._mean(rows, hole, wall, "diameter") for rows in (old, self.read))
        if np.isfinite(a) and np.isfinite(b):
            room = max(0.0, b - a) / 2
        able = [g.uncertainty for g in self.spec.gauges if "x" in g.measures and g.uncertainty is not None]
        known = [h for h in self.spec.holes if h.id == hole]
        if not known:
            return False
        position = known[0].position
        stated = [t for t in (position.tolerance, position.pattern_tolerance) if t is not None]
        room += 2 * max(able) if able else PLACE_SHARE * min(stated, default=0.0)
        return bool(shift > room)

    def _mean(self, rows: Table, hole: str, wall: str, kind: str) -> float:
        mine = rows.hits(hole=hole, characteristic=kind)
        values = rows["value"][mine & rows["wall"].isin([wall, ""]) if wall else mine]
        values = values[~np.isnan(values)]
        return float(values.mean()) if values.size else float("nan")

    def _too_old(self) -> None:
        """Hold where readings that go on counting are older than the kit lets them be beside a recheck."""
        most, left = self.spec.recheck_within, _without(self.old, self.gone)
        left = left.take(~np.isnan(left["value"]) | (left["word"] != ""))
        now = _days(self.read)
        if most is None or not len(left) or not len(now):
            return
        days = _days(left)
        if np.isnat(days).any():
            self._hold("recheck-too-old", "readings that go on counting have no day, and the kit says how old they may "
                       "be beside a recheck", "Read the whole part and check a new sheet")  # fmt: skip
            return
        oldest, newest = days.min().astype(dt.date), now.max().astype(dt.date)
        if (newest - oldest).days > most:
            self._hold("recheck-too-old", f"readings of {oldest} go on counting beside a recheck of {newest}: "
                       f"{(newest - oldest).days} days, the kit allows {most}",
                       "Read the whole part and check a new sheet")  # fmt: skip

    def answers(self, problem: Problem) -> bool:
        """Whether a problem of the readings before speaks of what no longer counts, and of nothing else."""
        if not self.gone or self.part is None or not _speaks_of(problem, self.part):
            return False
        if not problem.serial:
            return False
        if problem.code in (CANNOT_MEND, MOVED):  # reading it once more is no answer either
            decided = self.known.decided.get(problem.hole, "")
            return problem.hole in self.whole and decided in ("repair", *(["rework"] if problem.code == MOVED else []))
        if problem.code in REFUSED:
            return True
        if len(self.gone) == len(self.old):
            return True
        if problem.hole in self.whole:
            return True
        gone, left = self._those(self.old, self.gone), _without(self.old, self.gone)
        if not problem.hole and problem.code == CAUSES[GAUGE_EXPIRED]:
            named = {gauge.id for gauge in self.spec.gauges if gauge.id in problem.message.split()}
            return bool(named & self._gauges(gone)) and not named & self._gauges(left)
        if problem.hole not in gone["hole"].there():
            return False
        there, still = (rows.hits(hole=problem.hole, doubt=problem.code).any() for rows in (gone, left))
        return bool(there) and not bool(still)

    def _gauges(self, rows: Table) -> set[str]:
        """Return the kit's gauges that some readings were taken with."""
        numbers = {gauge_of(self.spec, gauge, kind)[0] for gauge, kind in rows.pairs("gauge", "characteristic") if kind}
        return {self.spec.gauges[n].id for n in numbers if n >= 0}

    def join(self, whole: Readings) -> Join:
        """Return what was joined, for the record and the report."""
        return Join(
            self.part.part if self.part else self.name[0], self.name[1], self.source.file, self.source.recheck,
            self._those(self.old, self.gone), _without(self.rows, self.out), self._those(self.rows, self.out),
        )  # fmt: skip


def _said(text: str) -> list[str]:
    """Return the tags and days that a text names; a code's two groups may stand apart, and 'tag' before it."""
    words = [word for word in _SAID.split(_CALLED.sub(" ", text)) if word]
    found: list[str] = []
    for word in words:
        if found and len(found[-1]) == len(word) == 4 and {*(found[-1] + word).upper()} <= {*ALPHABET}:
            found[-1] += f"-{word}"
        else:
            found.append(word)
    return found


def _same_wall(one: str, other: str) -> bool:
    return one == other or not one or not other
