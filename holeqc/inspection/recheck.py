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
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
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
from holeqc.quantities import GRAIN
from holeqc.readings.copies import COPIED_HOLE, COPIED_WALL, DISTINCT_LEAST
from holeqc.readings.table import Join, Readings
from holeqc.tables import Row, Table

if TYPE_CHECKING:
    import pandas as pd

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
    return not problem.file or problem.file in set(part.readings["file"].astype(str))


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
    table = part.readings
    mine = table[(table["hole"] == hole) & table["characteristic"].isin(_COORDINATES)]
    sure = mine[mine["value"].notna() & (mine["doubt"] == "")]
    have = set(zip(sure["wall"].astype(str), sure["characteristic"].astype(str), strict=True))
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
    for recheck in sorted(readings.rechecks, key=lambda one: newest_day(one.table)):
        now = _join(specification, now, recheck, known)
    return replace(now, before=readings)


def newest_day(table: pd.DataFrame) -> str:
    """Return the last day of some readings, '' where they have none."""
    days = [str(day) for day in _days(table) if not np.isnat(day)]
    return max(days, default="")


def _days(table: pd.DataFrame) -> Any:
    return table["date"].to_numpy().astype("datetime64[D]")


def _join(
    spec: Specification, first: Readings, recheck: Readings, known: Callable[[str, str], Known]
) -> Readings:  # fmt: skip
    """Return readings with one file joined that is a recheck."""
    import pandas as pd

    recheck = with_parts(spec, first, recheck)
    serials = set(recheck.table["serial"].astype(str))
    mine = first.table["serial"].astype(str).isin(serials).to_numpy()
    run = Run(judge(spec, replace(first, rows=Table.of_frame(first.table[mine]))))
    views = {(part.part, part.serial): part for part in run}
    start = int(first.table.index.max()) + 1 if len(first.table) else 0
    fresh = recheck.table.set_axis(pd.RangeIndex(start, start + len(recheck.table)))
    pieces = [
        _Piece(spec, views.get(key), rows, recheck, known(*key), first) for key, rows in _by_part(spec, fresh).items()
    ]
    gone = [label for piece in pieces for label in piece.gone]
    out = [label for piece in pieces for label in piece.out]
    kept = first.table.drop(index=gone)
    added = fresh.drop(index=out)
    table = together(kept, _numbered_on(kept, added))
    whole = replace(recheck, rows=Table.of_frame(fresh))
    joins = tuple(piece.join(whole) for piece in pieces)
    problems = [p for p in first.problems if not any(piece.answers(p) for piece in pieces)]
    problems += [*recheck.problems, *(p for piece in pieces for p in piece.problems)]
    return replace(
        first, rows=Table.of_frame(table), problems=tuple(problems), sources=(*first.sources, *recheck.sources),
        joins=(*first.joins, *joins),
    )  # fmt: skip


def with_parts(spec: Specification, first: Readings, recheck: Readings) -> Readings:
    """Return a recheck with the part named that its serial number has in the readings before, where it names none."""
    unsaid = {str(x) for x in recheck.table["serial"][recheck.table["part"].astype(str) == ""]}
    if len(spec.parts) < 2 or not unsaid:
        return recheck
    before = first.table[first.table["serial"].astype(str).isin(unsaid)]
    parts: dict[str, set[str]] = {}
    for part, serial in set(zip(before["part"].astype(str), before["serial"].astype(str), strict=True)):
        parts.setdefault(serial, set()).add(part)
    only = {serial: next(iter(names)) for serial, names in parts.items() if len(names) == 1 and "" not in names}
    table = recheck.table.copy()
    said, serials = table["part"].astype(str), table["serial"].astype(str)
    table["part"] = said.where(said != "", serials.map(only).fillna("")).astype(table["part"].dtype)
    told = (table["doubt"] == "part-missing") & serials.isin(set(only))
    table["doubt"] = table["doubt"].astype(str).where(~told, "").astype("category")
    left = tuple(p for p in recheck.problems if p.code != "part-missing" or not unsaid <= set(only))
    return replace(recheck, rows=Table.of_frame(table), problems=left)


def _by_part(spec: Specification, table: pd.DataFrame) -> dict[tuple[str, str], pd.DataFrame]:
    only = spec.parts[0].name if len(spec.parts) == 1 else ""
    groups = table.groupby(["part", "serial"], sort=False, observed=True)
    return {(str(part) or only, str(serial)): rows for (part, serial), rows in groups}


def together(one: pd.DataFrame, other: pd.DataFrame) -> pd.DataFrame:
    """Return two tables of readings below one another, with the categories of both and their own labels."""
    import pandas as pd
    from pandas.api.types import union_categoricals

    columns: dict[str, Any] = {}
    for name in one.columns:
        a, b = one[name], other[name]
        columns[name] = (
            union_categoricals([a.astype("category"), b.astype("category")])
            if isinstance(a.dtype, pd.CategoricalDtype) else np.concatenate([a.to_numpy(), b.to_numpy()])
        )  # fmt: skip
    return pd.DataFrame(columns, index=[*one.index, *other.index])


_REPEATED = ("part", "serial", "hole", "wall", "characteristic", "direction")


def _numbered_on(before: pd.DataFrame, added: pd.DataFrame) -> pd.DataFrame:
    """Return added readings with their repeats counted on after those that they stand beside."""
    keys = [before[name].astype(str) for name in _REPEATED]
    count = before.groupby(keys)["trial"].max()
    here = list(zip(*(added[name].astype(str) for name in _REPEATED), strict=True))
    shift = np.array([int(count.get(key, 0)) for key in here], dtype=np.int64)
    return added.assign(trial=(added["trial"].to_numpy() + shift).astype(added["trial"].dtype))


class _Piece:
    """One part of a recheck: which old readings no longer count, which new ones don't, and what holds it."""

    def __init__(
        self, spec: Specification, part: PartView | None, rows: pd.DataFrame, recheck: Readings, known: Known,
        first: Readings,
    ) -> None:  # fmt: skip
        self.spec, self.part, self.rows, self.recheck, self.known = spec, part, rows, recheck, known
        self.source = recheck.sources[0]
        self.name = str(rows["part"].iloc[0]), str(rows["serial"].iloc[0])
        self.gone: list[int] = []
        self.out: list[int] = []
        self.problems: list[Problem] = []
        self.whole: set[str] = set()  #: holes that were read again as a whole
        self.old = part.readings if part is not None else rows.iloc[:0]
        self.first = first.table
        #: what earlier rechecks of the part took the place of
        self.earlier = [j.replaced for j in first.joins if part and (j.part, j.serial) == (part.part, part.serial)]
        said = (rows["doubt"] != "") & ((rows["hole"] != "") | (rows["doubt"] != NO_READINGS))  # that has no day
        read = rows["value"].notna() | (rows["word"] != "") | said
        self.read = rows[read.to_numpy()]
        if part is None:
            self._hold("recheck-alone", "there are no readings before it to join it with",
                       "Check it together with the first sheet, or with --record where that is on record")  # fmt: skip
            return
        asked = self._asked()
        if asked is None:
            self.out = list(rows.index)
            return
        self._replace(asked)
        if self._refused():
            self.gone, self.out, self.whole = [], list(rows.index), set()
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
        for hole, new in self.read.groupby(self.read["hole"].astype(str), sort=False):
            one, old = by_hole.get(str(hole)), self.old[self.old["hole"] == hole]
            if one is None:
                extra += list(new.index)
            elif one.whole:
                self.gone += list(old.index)
                self.whole.add(str(hole))
            else:
                extra += self._replace_groups(one, old, new)
        if self.whole >= set(self.spec.hole_ids):
            self.gone = list(self.old.index)  # those too that name no hole
        self.gone = list(dict.fromkeys(self.gone))
        self._extra(self.read.loc[extra])

    def _replace_groups(self, asked: Asked, old: pd.DataFrame, new: pd.DataFrame) -> list[int]:
        """Find what of one hole no longer counts, kind by kind and wall by wall; return what wasn't asked."""
        extra: list[int] = []
        groups = new.groupby([self._wall(new), new["characteristic"].astype(str)], sort=False)
        for (wall, kind), some in groups:
            walls = [wall] if wall or kind not in ("diameter", *_COORDINATES) else list(self.spec.walls.names)
            if not all(any(k == kind and _same_wall(w, x) for x, k in asked.groups) for w in walls):
                extra += list(some.index)
                continue
            kinds = _COORDINATES if kind in _COORDINATES else (kind,)
            same = [_same_wall(w, wall) for w in self._wall(old)]
            self.gone += list(old.index[old["characteristic"].isin(kinds) & np.array(same, dtype=np.bool_)])
        return extra

    def _wall(self, rows: pd.DataFrame) -> pd.Series[str]:
        """Return the wall of each row; '' where it speaks of the hole as a whole."""
        walls = rows["wall"].astype(str)
        return walls if self.spec.walls.several else walls.replace("", self.spec.walls.names[0])

    def _extra(self, rows: pd.DataFrame) -> None:
        """Leave out coordinates that nobody asked for, and hold their holes; anything else counts beside the old."""
        places = rows[rows["characteristic"].isin(_COORDINATES)]
        self.out += list(places.index)
        for hole in dict.fromkeys(places["hole"].astype(str)):
            self._hold(
                "recheck-not-asked", f"the place of hole {hole} wasn't asked for: its coordinates don't count, and "
                "what they may show isn't known", "Read the whole part and check a new sheet", hole=hole,
            )  # fmt: skip

    def _refused(self) -> bool:
        """Whether the recheck can't stand for what it replaces: no day, an older one, or the same once more."""
        old, new = self.old.loc[self.gone], self.read
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

    def _before_decision(self, new: pd.DataFrame) -> tuple[str, str] | None:
        """Return a hole that was read before the day of the rework or repair that the reading is to prove, and when."""
        days = _days(new).astype(str)
        pairs = sorted(set(zip(new["hole"].astype(str), days.tolist(), strict=True)))
        return next(((hole, day) for hole, day in pairs if day < self.known.since.get(hole, "")), None)

    def _copied(self, old: pd.DataFrame, new: pd.DataFrame) -> None:
        """Hold a recheck whose lengths are those that it replaces, under another day, gauge or temperature."""
        names = ("hole", "wall", "characteristic", "direction", "trial")
        lengths = [
            {key: (value, (day, gauge, degrees)) for *key_, value, day, gauge, degrees in zip(
                *(frame[name].astype(str) for name in names), frame["value"], _days(frame).astype(str),
                frame["gauge"].astype(str), frame["temperature_c"].astype(str), strict=True,
            ) if (key := tuple(key_))}
            for frame in (rows[rows["characteristic"].isin(FINE) & rows["value"].notna()] for rows in (old, new))
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
        lengths = self._lengths(self._counting())
        at = lengths.pivot_table("value", ["hole", *_WHERE], "wall", aggfunc="first", observed=True)
        for wall in names[1:]:
            if not {names[0], wall} <= set(at.columns):
                continue
            both = at[[names[0], wall]].dropna()
            same = (both[names[0]] - both[wall]).abs() <= GRAIN
            alike = same.groupby(level="hole", observed=True).all()
            there = both[both.index.get_level_values("hole").isin(alike.index[alike])]
            if len(there) < COPIED_WALL or there[wall].nunique() < DISTINCT_LEAST:
                continue
            for hole in dict.fromkeys(there.index.get_level_values("hole").astype(str)):
                if hole in set(self.read["hole"].astype(str)):
                    self._hold(
                        "copied-wall", f"all lengths of hole {hole} in the {wall} wall equal those in the {names[0]} "
                        "wall, as in other holes: likely typed twice", f"Measure the {wall} wall", hole=hole,
                    )  # fmt: skip

    def _copied_hole(self) -> None:
        """Hold holes whose every length equals the same hole's of another part of the run."""
        mine = self._lengths(self.read)
        serial = self.name[1]
        other = self.first[self.first["hole"].isin(mine["hole"]) & (self.first["serial"].astype(str) != serial)]
        key = ["hole", "wall", *_WHERE, "value"]
        pairs = self._lengths(other).merge(mine[key], on=key)
        count = mine.groupby("hole").size()
        parts = other["serial"].nunique()
        for (hole, whose), number in pairs.groupby(["hole", "serial"]).size().items():
            if number == count[hole] and number >= COPIED_HOLE and parts <= _BY_CHANCE ** (number - COPIED_HOLE):
                self._hold(
                    "copied-hole", f"all {number} lengths of hole {hole} equal those of the same hole on {whose}: "
                    "likely copied", "Measure the hole again", hole=str(hole),
                )  # fmt: skip

    def _counting(self) -> pd.DataFrame:
        """Return the part's readings as they count now."""
        return together(self.old.drop(index=self.gone), self.read.drop(index=self.read.index.intersection(self.out)))

    def _lengths(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Return lengths of some readings with what they are of, as plain text and numbers."""
        rows = rows[rows["characteristic"].isin(FINE) & rows["value"].notna() & (rows["hole"] != "")]
        texts = {name: rows[name].astype(str) for name in ("serial", "hole", "wall", "characteristic") if name in rows}
        return rows.assign(**texts, direction=rows["direction"].fillna(-1.0), value=rows["value"].round(7))[
            [name for name in ("serial", "hole", "wall", *_WHERE, "value") if name in rows]
        ]

    def _not_cured(self) -> None:
        """Hold what was rejected for something that cutting can't mend, unless somebody has decided on it."""
        assert self.part is not None
        gone = self.old.loc[self.gone]
        for row in self.part.characteristics:
            hole = str(row["hole"])
            if int(row["verdict"]) != REJECT or row["doubtful"] or hole not in set(gone["hole"]):
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
                           set(gone["hole"].astype(str)))  # fmt: skip
        if int(self.part.row["pin_verdict"]) == REJECT and PATTERN not in self.known.decided:
            told = {p.hole for p in self.problems}
            for hole in dict.fromkeys(gone["hole"].astype(str)):
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

    def _apart(self, old: pd.DataFrame, hole: str, wall: str) -> bool:
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

    def _mean(self, rows: pd.DataFrame, hole: str, wall: str, kind: str) -> float:
        mine = rows[(rows["hole"] == hole) & (rows["characteristic"] == kind)]
        mine = mine[mine["wall"].isin([wall, ""])] if wall else mine
        values = mine["value"].to_numpy(dtype=np.float64)
        values = values[~np.isnan(values)]
        return float(values.mean()) if values.size else float("nan")

    def _too_old(self) -> None:
        """Hold where readings that go on counting are older than the kit lets them be beside a recheck."""
        most, left = self.spec.recheck_within, self.old.drop(index=self.gone)
        left = left[left["value"].notna() | (left["word"] != "")]
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
        gone, left = self.old.loc[self.gone], self.old.drop(index=self.gone)
        if not problem.hole and problem.code == CAUSES[GAUGE_EXPIRED]:
            named = {gauge.id for gauge in self.spec.gauges if gauge.id in problem.message.split()}
            return bool(named & self._gauges(gone)) and not named & self._gauges(left)
        if problem.hole not in set(gone["hole"]):
            return False
        there = (gone["hole"] == problem.hole) & (gone["doubt"] == problem.code)
        still = (left["hole"] == problem.hole) & (left["doubt"] == problem.code)
        return bool(there.any()) and not bool(still.any())

    def _gauges(self, rows: pd.DataFrame) -> set[str]:
        """Return the kit's gauges that some readings were taken with."""
        pairs = set(zip(rows["gauge"].astype(str), rows["characteristic"].astype(str), strict=True))
        numbers = {gauge_of(self.spec, gauge, kind)[0] for gauge, kind in pairs if kind}
        return {self.spec.gauges[n].id for n in numbers if n >= 0}

    def join(self, whole: Readings) -> Join:
        """Return what was joined, for the record and the report."""
        out = set(self.out)
        counts = self.rows[[label not in out for label in self.rows.index]]
        return Join(
            self.part.part if self.part else self.name[0], self.name[1], self.source.file, self.source.recheck,
            Table.of_frame(self.old.loc[self.gone]), Table.of_frame(counts), Table.of_frame(self.rows.loc[self.out]),
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
