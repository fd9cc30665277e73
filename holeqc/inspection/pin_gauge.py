"""Pin-pattern gauge: can all pins of the mating assembly drop into the holes together, and with how much to spare?

A gauge in the plane. The pins are one rigid body, parallel to each other and perpendicular to the wall; they may be
turned and moved as a body, by any angle, never tilted or bent. A pin is in its hole when the distance of their axes is
no more than half the difference of their diameters. Walls that are drilled apart count as rows of their own: the same
pin stands once in the row of the near hole and once in that of the far one.

The pins' diameters are the caller's business: the pins as they are, or at their worst, that is at virtual condition
(ASME Y14.5). The result says nothing about pins that tilt, holes that aren't round or square to the wall, or burrs."""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from time import monotonic
from typing import Any

import numpy as np
import numpy.typing as npt

from holeqc.inspection.minimax import best_motion, bound, open_angles, proof
from holeqc.problems import DataError

# Input of the pin gauge: shapes that belong together, numbers that are there, and messages that say what isn't.


Floats = npt.NDArray[np.float64]

AT_LIMIT = 1e-9  #: a margin below zero by this part of the largest diameter is rounding and counts as zero


@dataclass(frozen=True, slots=True)
class Gauge:
    """Checked input: ``pin`` (N, 2), ``hole`` (B, N, 2), ``hole_diameter`` and ``pin_diameter`` (B, N)."""

    pin: Floats
    hole: Floats
    hole_diameter: Floats
    pin_diameter: Floats

    @property
    def clearance(self) -> Floats:
        """Half the difference of the diameters (B, N), negative where the pin is larger."""
        return (self.hole_diameter - self.pin_diameter) / 2

    @property
    def least(self) -> Floats:
        """The margin (B,) that counts as zero: what rounding of the input may take from it."""
        return -AT_LIMIT * np.maximum(self.hole_diameter, self.pin_diameter).max(axis=1)


def checked(
    pin_xy: npt.ArrayLike, hole_xy: npt.ArrayLike, hole_diameter: npt.ArrayLike, pin_diameter: npt.ArrayLike
) -> Gauge:
    """Check the input of a pin gauge and bring it to full shapes.

    Raises
    ------
    DataError : as :func:`pin_pattern_margin` says
    """
    pin = points("pin_xy", pin_xy)
    rows = len(pin)
    hole = parts_of("hole_xy", hole_xy, rows)
    size = per_row("hole_diameter", hole_diameter, rows)
    pin_size = per_row("pin_diameter", pin_diameter, rows)
    no_missing("pin_diameter", pin_size)
    for name, value in (("hole_diameter", size), ("pin_diameter", pin_size)):
        if np.any(value < 0):
            raise DataError(f"{name} holds a size below zero: {np.nanmin(value):g}; sizes are zero or more")
    parts = common({"hole_xy": len(hole), "hole_diameter": len(size), "pin_diameter": len(pin_size)})
    return Gauge(
        pin,
        np.broadcast_to(hole, (parts, rows, 2)),
        np.broadcast_to(size, (parts, rows)),
        np.broadcast_to(pin_size, (parts, rows)),
    )


def array(name: str, value: npt.ArrayLike) -> Floats:
    """Return numbers, none of them infinite; raise DataError otherwise."""
    try:
        given = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise DataError(f"{name} holds what is not a number: {error}; give numbers, NaN if missing") from error
    if np.isinf(given).any():
        raise DataError(f"{name} holds an infinite number; give finite numbers, NaN where not measured")
    return given


def no_missing(name: str, value: Floats) -> None:
    """Raise DataError where a number that is needed is missing."""
    if np.isnan(value).any():
        raise DataError(f"{name} has {int(np.isnan(value).sum())} missing numbers; every one of them is needed")


def points(name: str, value: npt.ArrayLike) -> Floats:
    """Return points (N, 2), all there; raise DataError otherwise."""
    given = array(name, value)
    if given.ndim != 2 or given.shape[1] != 2 or not len(given):
        raise DataError(f"{name} has shape {given.shape}; (N, 2) with N of at least 1 is needed")
    no_missing(name, given)
    return given


def parts_of(name: str, value: npt.ArrayLike, rows: int) -> Floats:
    """Return points of parts (B, N, 2), B being 1 where the input has no parts; raise DataError on another shape."""
    given = array(name, value)
    if given.ndim not in (2, 3) or given.shape[-2:] != (rows, 2):
        raise DataError(f"{name} has shape {given.shape}; (B, {rows}, 2) or ({rows}, 2) is needed for {rows} rows")
    return given if given.ndim == 3 else given[None]


def per_row(name: str, value: npt.ArrayLike, rows: int) -> Floats:
    """Return numbers of rows (B, N), B being 1 where the input has no parts; raise DataError on another shape."""
    given = array(name, value)
    if given.ndim not in (1, 2) or given.shape[-1] != rows:
        raise DataError(f"{name} has shape {given.shape}; (B, {rows}) or ({rows},) is needed for {rows} rows")
    return given if given.ndim == 2 else given[None]


def common(counts: dict[str, int]) -> int:
    """Return the number of parts B; an array without its own parts serves them all."""
    several = {name: count for name, count in counts.items() if count != 1}
    if len(set(several.values())) > 1:
        found = ", ".join(f"{name} has {count}" for name, count in several.items())
        raise DataError(f"different numbers of parts: {found}; give the same B, or one for all")
    return next(iter(several.values()), 1)


# The mixed-integer solver, kept from writing on standard output.
#
# The solver below scipy prints a line of its own in rare cases, past Python, whatever its options say. Standard output
# carries results that programs read, so what is printed while it runs goes to standard error.


def mixed_program(goal: Any, **options: Any) -> Any:
    """Call :func:`scipy.optimize.milp` with its chatter on standard error."""
    from scipy.optimize import milp

    with _output_to_error():
        return milp(goal, **options)


@contextmanager
def _output_to_error() -> Iterator[None]:
    try:
        sys.stdout.flush()
        kept = os.dup(1)
    except (OSError, ValueError, AttributeError):  # no standard output to keep clean
        yield
        return
    try:
        with suppress(OSError):
            os.dup2(2, 1)
        yield
    finally:
        _flush_below()
        os.dup2(kept, 1)
        os.close(kept)


def _flush_below() -> None:
    """Empty the C library's own buffers, or their lines would come out after standard output is back."""
    with suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).fflush(None)


# One part, its pins and the reaming passes that are open to it.


SAME = 1e-12  #: sizes closer than this part of themselves are the same size, come by another way of rounding


@dataclass(frozen=True, slots=True)
class Passes:
    """``pin``, ``hole`` (N, 2); ``size``, ``pin_size``, ``limit`` (N,); ``group`` (N,) the pass of each row, a number
    into ``names``; ``steps`` the sizes of the reamers, ascending, or None for any size."""

    pin: Floats
    hole: Floats
    size: Floats
    pin_size: Floats
    limit: Floats
    group: npt.NDArray[np.intp]
    names: npt.NDArray[np.int64]
    steps: Floats | None

    def enters(self, size: Floats) -> bool:
        """Say whether the pins enter holes of these sizes (N,)."""
        return bool(self.enter(size[None])[0])

    def enter(self, sizes: Floats) -> npt.NDArray[np.bool_]:
        """Say for each of several sets of sizes (B, N) whether the pins enter."""
        hole = np.broadcast_to(self.hole, (len(sizes), *self.hole.shape))
        fit = best_motion(self.pin, hole, (sizes - self.pin_size) / 2)
        return np.asarray(fit.margin >= -AT_LIMIT * np.maximum(sizes, self.pin_size).max(axis=1))

    def after(self, number: int, tool: float) -> Floats:
        """Return the sizes (N,) after a pass with a tool of that diameter: smaller holes open up, larger ones stay."""
        return np.where((self.group == number) & (tool > self.size), tool, self.size)

    def end(self, number: int) -> float:
        """Return the largest tool of a pass: no row that it cuts may pass its limit."""
        return float(np.maximum(self.limit, self.size)[self.group == number].min())

    def tools(self, number: int) -> Floats:
        """Return the sizes of reamers that cut in a pass and keep every row of it inside its limit."""
        steps = np.empty(0) if self.steps is None else self.steps
        smallest = self.size[self.group == number].min()
        return steps[(steps > smallest) & (steps <= self.end(number) * (1 + SAME))]

    def all_the_way(self) -> Floats:
        """Return the sizes (N,) after every pass with its largest tool."""
        size = self.size.copy()
        for number in range(len(self.names)):
            tools = self.tools(number)
            end = self.end(number) if self.steps is None else float(tools[-1]) if tools.size else 0.0
            size = np.maximum(size, self.after(number, end))
        return size


# The least reaming to any size: a linear program whose lines close in on the circles in which the pins must stay.
#
# At each motion tried, the circle of every row is replaced by the straight line that touches it there, which cuts off
# nothing that is allowed. The program finds the least enlargement and the motion that the lines allow; the motion is
# tried next, and what it truly needs is enough. Need and program meet. Turns are so small that they are taken as
# straight, anew at each motion.
#
# The prices of the lines (the program's dual) give a bound that holds for true turns: with ``|z_i| <= w_i``, sum of
# ``z_i`` zero, and ``P``, ``H`` as in :mod:`holeqc.inspection.minimax`, the total enlargement at angle a is
# at least ``|P exp(i a) - H| - sum(w_i c_i) - sum(max(w_i / 2 - 1, 0) room_i)``. Derived here by Lagrangian duality.


MOST_MOTIONS = 60
CLOSE = 1e-6  #: need and program have met when they differ by this part of the largest enlargement open
GRACE = 3e-8  #: a need below this part of it is rounding
SECONDS = 5.0  #: longest time for one mixed program
GRAIN = 100.0  #: programs are scaled so that it is this many units


def least_continuous(problem: Passes) -> tuple[Floats, float]:
    """Return sizes (N,) of least total that are enough, and a proved lower bound of the total.

    Passes through several rows are settled by a mixed program, and so is the smallest number of passes among equal
    totals; the bound is that of rows reamed one by one.
    """
    work = Work(problem)
    work.rows_apart()
    if len(problem.names) < work.rows:
        work.best = problem.all_the_way()
        work.passes_apart()
    work.fewest_passes()
    return work.best, work.least


class Work:
    """Motions tried, lines gathered, the ``best`` sizes known to be enough and the ``least`` total proved."""

    def __init__(self, problem: Passes) -> None:
        self.problem = problem
        self.rows = len(problem.size)
        self.pin, self.hole = problem.pin - problem.pin.mean(axis=0), problem.hole - problem.hole.mean(axis=0)
        self.top = np.maximum(problem.limit, problem.size)
        self.room = self.top - problem.size
        self.unit = float(self.room.max())
        self.clear = (problem.size - problem.pin_size) / 2
        self.best, self.least = problem.all_the_way(), 0.0
        self.angle, self.shift = 0.0, np.zeros(2)
        self.go_to_best((self.best - problem.pin_size) / 2)
        self.radius = float(np.sqrt((self.pin**2).sum(axis=1).max()))
        self.widest = (self.top - problem.pin_size) / 2
        self.row = np.empty(0, dtype=np.intp)
        self.normal = np.empty((0, 2))

    def go_to_best(self, clear: Floats) -> None:
        """Go to the best motion of pins with these radial clearances (N,)."""
        fit = best_motion(self.pin, self.hole[None], clear[None])
        self.angle, self.shift = float(fit.rotation[0]), fit.translation[0]

    def total(self, size: Floats) -> float:
        """Return the total enlargement of sizes (N,)."""
        return float((size - self.problem.size).sum())

    def turned(self) -> Floats:
        """Return the pins (N, 2) at the angle of the motion."""
        cos, sin = np.cos(self.angle), np.sin(self.angle)
        return np.asarray(self.pin @ np.array([[cos, sin], [-sin, cos]]))

    def away(self) -> Floats:
        """Return the vectors (N, 2) from hole axes to pin axes at the motion."""
        return np.asarray(self.turned() + self.shift - self.hole)

    def enough(self, *, apart: bool) -> Floats | None:
        """Return the sizes (N,) that the motion needs, None where one passes its limit; ``apart``: each row alone."""
        problem = self.problem
        wanted = problem.pin_size + 2 * np.hypot(*self.away().T)
        wanted = np.where(wanted > problem.size + GRACE * self.unit, wanted, 0.0)
        if not apart:
            tool = np.zeros(len(problem.names))
            np.maximum.at(tool, problem.group, wanted)
            wanted = tool[problem.group]
        size = np.maximum(problem.size, wanted)
        return None if np.any(size > self.top + GRACE * self.unit) else np.minimum(size, self.top)

    def touch(self) -> None:
        """Add the lines that touch the circles at the motion."""
        away = self.away()
        length = np.hypot(*away.T)
        some = np.flatnonzero(length > 0)
        self.row = np.concatenate([self.row, some])
        self.normal = np.concatenate([self.normal, away[some] / length[some, None]])

    def lines(self, *, curved: bool = False) -> tuple[Floats, Floats]:
        """Return the lines over arc, x, y and enlargements (3 + N,), and their right sides, in program units.

        ``curved`` moves each line out by what a true turn within :meth:`angles` can make of a straight one.
        """
        turned, away = self.turned()[self.row], self.away()[self.row]
        matrix = np.zeros((self.row.size, 3 + self.rows))
        if self.radius > 0:
            matrix[:, 0] = (self.normal[:, 1] * turned[:, 0] - self.normal[:, 0] * turned[:, 1]) / self.radius
        matrix[:, 1:3] = self.normal
        matrix[np.arange(self.row.size), 3 + self.row] = -0.5
        right = self.clear[self.row] - (self.normal * away).sum(axis=1)
        if curved:
            most = min(max(np.abs(self.angles())), np.pi)
            outward = np.maximum((self.normal * turned).sum(axis=1), 0.0)
            right += outward * 2 * np.sin(most / 2) ** 2 + np.hypot(*turned.T) * most**3 / 6
        return matrix, right * GRAIN / self.unit

    def reach(self) -> list[tuple[float, float]]:
        """Return limits of arc, x and y within which every motion that can be enough lies, in program units."""
        far = 3 * float(self.widest.max()) * GRAIN / self.unit + GRAIN
        low, high = self.angles()
        arc = self.radius * GRAIN / self.unit
        return [(low * arc - 1, high * arc + 1), (-far, far), (-far, far)]

    def angles(self) -> tuple[float, float]:
        """Return the turns from the motion within which the pins can be in, all holes at their limit."""
        turned = self.turned()
        low, high = open_angles(
            turned[:, :1], turned[:, 1:], self.hole[:, :1], self.hole[:, 1:], np.maximum(self.widest, 0.0)[:, None]
        )
        return float(low[0]), float(high[0])

    def follow(self, step: Floats) -> None:
        """Go on to the motion that a program found: arc, x, y in program units."""
        step = step * self.unit / GRAIN
        self.angle += float(step[0]) / self.radius if self.radius > 0 else 0.0
        self.shift = self.shift + step[1:3]

    def rows_apart(self) -> None:
        """Find the least total with every row reamed by itself, and the bound that proves it."""
        from scipy.optimize import linprog

        reached = -np.inf
        for _ in range(MOST_MOTIONS):
            size = self.enough(apart=True)
            if size is not None and self.total(size) < self.total(self.best):
                self.best = size
            if self.total(self.best) - max(reached, self.least) <= CLOSE * self.unit:
                break
            self.touch()
            matrix, right = self.lines()
            sizes = [(0.0, room) for room in self.room * GRAIN / self.unit]
            found = linprog(
                np.r_[np.zeros(3), np.ones(self.rows)], A_ub=matrix, b_ub=right, bounds=[*self.reach(), *sizes],
                method="highs",
            )  # fmt: skip
            if found.status != 0:
                break
            reached = found.fun * self.unit / GRAIN
            self.least = max(self.least, self.proved(-found.ineqlin.marginals))
            self.follow(found.x)

    def proved(self, price: Floats) -> float:
        """Return the bound of the total that the prices of the lines prove."""
        weight = np.bincount(self.row, price, self.rows)
        if not weight.sum() > 0:
            return 0.0
        zx, zy = (np.bincount(self.row, price * self.normal[:, way], self.rows) / weight.sum() for way in (0, 1))
        turned = self.turned()
        dual = bound(
            weight[:, None], zx[:, None], zy[:, None], turned[:, :1], turned[:, 1:],
            self.hole[:, :1], self.hole[:, 1:], self.clear[:, None],
        )  # fmt: skip
        low, high = self.angles()
        lowest = float(dual.between(np.array([low]), np.array([high]))[0]) * float(weight.sum())
        return lowest - float((np.maximum(weight / 2 - 1, 0.0) * self.room).sum())

    def passes_apart(self) -> None:
        """Find the least total of passes through several rows."""
        reached = -np.inf
        for _ in range(MOST_MOTIONS):
            size = self.enough(apart=False)
            if size is not None and self.total(size) < self.total(self.best):
                self.best = size
            if self.total(self.best) - reached <= CLOSE * self.unit:
                break
            self.touch()
            found = self.mixed(count=False, most=None)
            if found is None:
                break
            reached = float(found[3 : 3 + self.rows].sum()) * self.unit / GRAIN
            self.follow(found)

    def fewest_passes(self) -> None:
        """Among sizes of the least total look for some with fewer passes."""
        most = self.total(self.best) + CLOSE * self.unit
        for _ in range(MOST_MOTIONS):
            passes = np.unique(self.problem.group[self.best > self.problem.size]).size
            self.touch()
            found = self.mixed(count=True, most=most)
            if found is None or round(found[-1]) >= passes:
                break
            self.follow(found)
            size = self.enough(apart=False)
            if size is not None and self.total(size) <= most + CLOSE * self.unit:
                made = np.unique(self.problem.group[size > self.problem.size]).size
                if made < passes:
                    self.best = size

    def mixed(self, *, count: bool, most: float | None) -> Floats | None:
        """Solve the program with passes; return its variables, the number of passes last.

        Variables: arc, x, y; enlargement of each row; travel of each tool beyond the smallest row of its pass; whether
        the pass is made; whether the row is cut.
        """
        from scipy.optimize import Bounds, LinearConstraint

        rows, groups, unit = self.rows, len(self.problem.names), self.unit / GRAIN
        base = np.full(groups, np.inf)
        np.minimum.at(base, self.problem.group, self.problem.size)
        ahead = (self.problem.size - base[self.problem.group]) / unit
        span = (np.array([self.problem.end(number) for number in range(groups)]) - base) / unit
        room = np.minimum(self.room / unit, np.maximum(span[self.problem.group] - ahead, 0.0))
        one, member = np.eye(rows), np.eye(groups)[self.problem.group]
        lines, right = self.lines()

        def block(n: int, **parts: Floats) -> Floats:
            widths = {"motion": 3, "e": rows, "tool": groups, "made": groups, "cut": rows}
            return np.hstack([parts.get(name, np.zeros((n, width))) for name, width in widths.items()])

        rules: list[Any] = [
            LinearConstraint(block(len(lines), motion=lines[:, :3], e=lines[:, 3:]), -np.inf, right),
            LinearConstraint(block(rows, e=one, cut=-np.diag(room)), -np.inf, 0.0),
            LinearConstraint(block(rows, e=one, tool=-member, cut=np.diag(ahead)), -np.inf, 0.0),
            LinearConstraint(block(rows, e=one, tool=-member), -ahead, np.inf),
            LinearConstraint(block(groups, tool=np.eye(groups), made=-np.diag(np.maximum(span, 0.0))), -np.inf, 0.0),
        ]
        if most is not None:
            rules.append(LinearConstraint(block(1, e=np.ones((1, rows))), -np.inf, most / unit))
        goal = block(1, made=np.ones((1, groups))) if count else block(1, e=np.ones((1, rows)))
        reach = np.array(self.reach())
        low = np.concatenate([reach[:, 0], np.zeros(2 * rows + 2 * groups)])
        high = np.concatenate([reach[:, 1], room, np.maximum(span, 0.0), np.ones(groups + rows)])
        whole: npt.NDArray[np.int64] = np.r_[np.zeros(3 + rows + groups), np.ones(groups + rows)].astype(np.int64)
        limits = Bounds(low, high)
        found = mixed_program(
            goal[0], constraints=rules, integrality=whole, bounds=limits, options={"time_limit": SECONDS}
        )
        if found.x is None:
            return None
        made = found.x[3 + rows + groups : 3 + rows + 2 * groups].round().sum()
        return np.append(found.x, made)


# The least reaming that lets a pin pattern in.
#
# Reaming takes a hole to a larger diameter about the same axis: the hole's centre is assumed to stay where it was
# measured. A tool that goes through several walls takes each of them to its own size, and leaves those that are larger
# already. Total enlargement is the sum over the rows. Among equal totals the fewest passes win.
#
# With reamers of given sizes this is a choice of sizes, found by an integer program over cuts: a choice that is not
# enough shows, by the proof of its margin, a weighted sum of diameters that is too small for the pins however they are
# moved. Without given sizes see :mod:`holeqc.inspection.pin_gauge`.


SHORT = 1e-5  #: sums of diameters short by less (as a part of the largest cost) are within the solver's tolerance


@dataclass(frozen=True, slots=True)
class Reaming:
    """Sizes to ream to, and what they bring.

    Parameters
    ----------
    diameter : (N,) sizes after reaming [unit of the input]
    enlargement : (N,) diameter added
    total : sum of the enlargements
    passes : numbers of the passes made: the labels of ``together``, or row numbers
    least : no reaming inside the limits has a smaller total than this; where it equals ``total`` but for rounding, the
        choice is proved to be the least
    margin, rotation, translation : of the pins after reaming, as in
        :class:`holeqc.inspection.pin_gauge.PatternFit`
    """

    diameter: Floats
    enlargement: Floats
    total: float
    passes: npt.NDArray[np.int64]
    least: float
    margin: float
    rotation: float
    translation: Floats


def smallest_reaming(
    pin_xy: npt.ArrayLike,
    hole_xy: npt.ArrayLike,
    hole_diameter: npt.ArrayLike,
    pin_diameter: npt.ArrayLike,
    largest_diameter: npt.ArrayLike,
    steps: Sequence[float] | Floats | None = None,
    *,
    together: npt.ArrayLike | None = None,
) -> Reaming | None:
    """Find the reaming of least total enlargement, each hole inside its limit, that lets all pins of one part enter.

    Parameters
    ----------
    pin_xy, hole_xy : (N, 2) [any unit of length, the same everywhere]
    hole_diameter, pin_diameter : (N,)
    largest_diameter : (N,) or a number: how far each row may be reamed; not above its present size: not at all
    steps : sizes of the reamers at hand; every pass ends at one of them. None: any size
    together : (N,) whole numbers; rows with the same number are reamed in one pass (one hole through several walls).
        None: every row by itself

    Returns
    -------
    Reaming (without a pass where the pins enter as it is), or None where not even all holes at their largest let them
    in: then it goes to engineering

    Raises
    ------
    DataError : shapes that don't belong together, missing or infinite numbers, more than one part

    Holes are taken to keep their centres, and to be round and square to the wall. Whether the drawing or the approved
    data permit the sizes is the caller's to say, by ``largest_diameter``.
    """
    problem = _problem(pin_xy, hole_xy, hole_diameter, pin_diameter, largest_diameter, steps, together)
    if problem.enters(problem.size):
        return _result(problem, problem.size, 0.0)
    if not problem.enters(problem.all_the_way()):
        return None
    size, least = least_continuous(problem) if steps is None else _least_of_steps(problem)
    return _result(problem, size, least)


def _problem(
    pin_xy: npt.ArrayLike, hole_xy: npt.ArrayLike, hole_diameter: npt.ArrayLike, pin_diameter: npt.ArrayLike,
    largest_diameter: npt.ArrayLike, steps: Sequence[float] | Floats | None, together: npt.ArrayLike | None,
) -> Passes:  # fmt: skip
    gauge = checked(pin_xy, hole_xy, hole_diameter, pin_diameter)
    rows = len(gauge.pin)
    if len(gauge.hole) != 1:
        raise DataError(f"{len(gauge.hole)} parts given; reaming is worked out for one part at a time")
    no_missing("hole_xy", gauge.hole)
    no_missing("hole_diameter", gauge.hole_diameter)
    limit = array("largest_diameter", largest_diameter)
    limit = per_row("largest_diameter", np.full(rows, limit) if limit.ndim == 0 else limit, rows)
    no_missing("largest_diameter", limit)
    label = np.arange(rows) if together is None else np.asarray(together)
    if label.shape != (rows,) or not np.issubdtype(label.dtype, np.integer):
        raise DataError(f"together has shape {label.shape} and type {label.dtype}; ({rows},) whole numbers are needed")
    tools = None
    if steps is not None:
        tools = np.unique(array("steps", steps))
        no_missing("steps", tools)
    names, group = np.unique(label, return_inverse=True)
    return Passes(
        gauge.pin, gauge.hole[0], gauge.hole_diameter[0], gauge.pin_diameter[0], limit[0], group,
        names.astype(np.int64), tools,
    )  # fmt: skip


def _result(problem: Passes, size: Floats, least: float) -> Reaming:
    fit = best_motion(problem.pin, problem.hole[None], ((size - problem.pin_size) / 2)[None])
    added = size - problem.size
    made = np.unique(problem.group[added > 0])
    return Reaming(
        diameter=size, enlargement=added, total=float(added.sum()), passes=problem.names[made],
        least=min(max(least, 0.0), float(added.sum())), margin=float(fit.margin[0]), rotation=float(fit.rotation[0]),
        translation=fit.translation[0],
    )  # fmt: skip


def _least_of_steps(problem: Passes) -> tuple[Floats, float]:
    """Return sizes and proved least total for reamers of given sizes: first the least total, then the fewest passes."""
    search = _Search(problem)
    search.run(search.cost, None)
    search.run((search.cost > 0).astype(np.float64), search.work.total(search.best) + 1e-9 * search.unit)
    return search.best, search.least


class _Search:
    """Integer programs over all passes at all sizes; ``best`` sizes known to be enough, ``least`` total proved.

    ``group`` (K,) the pass of each choice, ``cost`` (K,) its enlargement, ``added`` (K, N) what it adds to each row;
    the first choice of each pass is to leave it out.
    """

    def __init__(self, problem: Passes) -> None:
        self.problem, self.work = problem, Work(problem)
        choices = [(n, step) for n in range(len(problem.names)) for step in (0.0, *problem.tools(n))]
        self.group = np.array([number for number, _ in choices])
        self.added = np.array([problem.after(number, step) for number, step in choices]) - problem.size
        self.cost = self.added.sum(axis=1)
        self.unit = float(self.cost.max())
        self.widest = (problem.all_the_way() - problem.pin_size) / 2
        self.cuts: list[Floats] = []
        self.levels: list[float] = []
        self.end = monotonic() + SECONDS
        self.work.rows_apart()
        self.least = self.work.least
        self.best = self._lowered(self._rounded_up(self.work.best))

    def _rounded_up(self, size: Floats) -> Floats:
        """Return the next sizes (N,) that the reamers give, which are enough if ``size`` is."""
        up = self.problem.size.copy()
        for number in range(len(self.problem.names)):
            mine = self.problem.group == number
            wanted = np.where(size > self.problem.size, size, 0.0)[mine].max()
            tools = self.problem.tools(number)
            tools = tools[tools >= wanted * (1 - SAME)]
            if wanted > 0 and not tools.size:
                return self.problem.all_the_way()
            up = np.maximum(up, self.problem.after(number, float(tools[0]) if wanted > 0 else 0.0))
        return up

    def _lowered(self, size: Floats) -> Floats:
        """Return sizes from which no single pass can be made smaller; each time the dearest that can be is."""
        size = size if self.problem.enters(size) else self.problem.all_the_way()
        while True:
            chosen = self._choice(size)
            less = np.flatnonzero(self.cost < self.cost[chosen][self.group])
            if not less.size:
                return size
            tried = np.repeat(size[None], less.size, axis=0)
            mine = self.problem.group == self.group[less, None]
            tried = np.where(mine, self.problem.size + self.added[less], tried)
            good = np.flatnonzero(self.problem.enter(tried))
            if not good.size:
                return size
            size = tried[good[np.argmin(tried[good].sum(axis=1))]]

    def _choice(self, size: Floats) -> npt.NDArray[np.intp]:
        """Return the choice of each pass that gives these sizes."""
        off = np.abs(self.problem.size + self.added - size) * (self.problem.group == self.group[:, None])
        mine = self.group == np.arange(len(self.problem.names))[:, None]
        return np.asarray(np.where(mine, off.sum(axis=1), np.inf).argmin(axis=1))

    def run(self, goal: Floats, most: float | None) -> None:
        """Find the choice with the least ``goal`` that is enough, its total no more than ``most``."""
        while monotonic() < self.end:
            chosen, bound, exact = self._solve(goal, most)
            if most is None:
                self.least = max(self.least, min(bound, self.work.total(self.best)))
            if chosen is None or goal[chosen].sum() >= goal[self._choice(self.best)].sum() - 1e-9 * goal.max():
                break
            size = self.problem.size + self.added[chosen].sum(axis=0)
            if self.problem.enters(size):
                self.best = size
                if exact:
                    break
            else:
                self._rule_out(size, chosen)

    def _rule_out(self, size: Floats, chosen: npt.NDArray[np.intp]) -> None:
        """Rule a choice out: by the sum of diameters that its proof asks for, or else by asking for one larger.

        Either holds at any motion. The lines of the motion at which the pins come closest to entering are added too.
        """
        problem, clear = self.problem, (size - self.problem.pin_size) / 2
        weight, need = proof(problem.pin, problem.hole, clear, self.widest)
        # counted from the present sizes, so that the program sees differences and not whole diameters
        cut = self.added @ weight / self.unit
        level = (2 * need - float(weight @ (problem.size - problem.pin_size))) / self.unit
        if float(cut[chosen].sum()) >= level - SHORT:
            cut, level = (self.cost > self.cost[chosen][self.group]).astype(np.float64), 1.0
        self.cuts.append(cut)
        self.levels.append(level)
        self.work.go_to_best(clear)
        self.work.touch()

    def _solve(self, goal: Floats, most: float | None) -> tuple[npt.NDArray[np.intp] | None, float, bool]:
        """Return the choice of each pass, a lower bound of the goal, and whether the choice is the least there is."""
        from scipy.optimize import Bounds, LinearConstraint

        count, scale = goal.size, float(goal.max())
        lines, right = self.work.lines(curved=True)
        taken = lines[:, 3:] @ self.added.T * GRAIN / self.work.unit
        each = (self.group == np.arange(len(self.problem.names))[:, None]).astype(np.float64)
        rules = [
            LinearConstraint(np.hstack([each, np.zeros((len(each), 3))]), 1, 1),
            LinearConstraint(np.hstack([taken, lines[:, :3]]), -np.inf, right),
        ]
        if self.cuts:
            cuts = np.array(self.cuts)
            rules.append(LinearConstraint(np.hstack([cuts, np.zeros((len(cuts), 3))]), np.array(self.levels), np.inf))
        if most is not None:
            rules.append(LinearConstraint(np.r_[self.cost, np.zeros(3)][None] / self.unit, -np.inf, most / self.unit))
        low, high = np.array(self.work.reach()).T
        found = mixed_program(
            np.r_[goal / scale, np.zeros(3)], constraints=rules, integrality=np.r_[np.ones(count), np.zeros(3)],
            bounds=Bounds(np.r_[np.zeros(count), low], np.r_[np.ones(count), high]),
            options={"time_limit": max(self.end - monotonic(), 0.1), "mip_rel_gap": 0.0},
        )  # fmt: skip
        bound = 0.0 if found.mip_dual_bound is None else float(found.mip_dual_bound) * scale
        if found.x is None:
            return None, bound, False
        chosen = np.array([np.flatnonzero(mine)[np.argmax(found.x[:count][mine > 0])] for mine in each])
        return chosen, bound, found.status == 0


# Float of a pin pattern that enters: how far it may still be moved and turned inside the holes.


@dataclass(frozen=True, slots=True)
class PinFloat:
    """Float of each of B parts about its best motion; NaN where the pins don't enter or a number is missing.

    Each array is (B, 2): how far back (minus x, minus y, clockwise) and how far forth (plus x, plus y,
    counter-clockwise), both counted positive. ``x`` and ``y`` [unit of the input] move the pins' centre, the mean of
    ``pin_xy``; ``rotation`` [rad] turns about it, up to pi where nothing stops it.
    """

    x: Floats
    y: Floats
    rotation: Floats


def available_float(
    pin_xy: npt.ArrayLike,
    hole_xy: npt.ArrayLike,
    hole_diameter: npt.ArrayLike,
    pin_diameter: npt.ArrayLike,
) -> PinFloat:
    """Say how far the pins may move and turn from their best motion until the first pin touches its hole.

    One movement at a time, the two others held as they are at the best motion (closed form): what is left by hand feel
    without steering.

    Parameters
    ----------
    pin_xy, hole_xy, hole_diameter, pin_diameter : as for
        :func:`holeqc.inspection.pin_gauge.pin_pattern_margin`
    Returns
    -------
    PinFloat

    Raises
    ------
    DataError : as for :func:`holeqc.inspection.pin_gauge.pin_pattern_margin`
    """
    gauge = checked(pin_xy, hole_xy, hole_diameter, pin_diameter)
    parts = len(gauge.hole)
    fit = best_motion(gauge.pin, gauge.hole, gauge.clearance)
    out = PinFloat(*(np.full((parts, 2), np.nan) for _ in range(3)))
    index = np.flatnonzero(fit.margin >= gauge.least)
    if not index.size:
        return out
    part = Gauge(gauge.pin, gauge.hole[index], gauge.hole_diameter[index], gauge.pin_diameter[index])
    x, y, rotation = _alone(part, fit.rotation[index], fit.translation[index])
    out.x[index], out.y[index], out.rotation[index] = x, y, rotation
    return out


def _alone(gauge: Gauge, rotation: Floats, translation: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the float of one movement at a time, by the distance at which each pin touches."""
    cos, sin = np.cos(rotation)[:, None], np.sin(rotation)[:, None]
    from_centre = gauge.pin - gauge.pin.mean(axis=0)
    rx = cos * from_centre[:, 0] - sin * from_centre[:, 1]
    ry = sin * from_centre[:, 0] + cos * from_centre[:, 1]
    middle = gauge.pin.mean(axis=0)
    bx = gauge.hole[..., 0] - (cos * middle[0] - sin * middle[1] + translation[:, :1])
    by = gauge.hole[..., 1] - (sin * middle[0] + cos * middle[1] + translation[:, 1:])
    c = gauge.clearance
    qx, qy = rx - bx, ry - by
    return _straight(qx, qy, c), _straight(qy, qx, c), _turned(rx, ry, bx, by, c)


def _straight(along: Floats, across: Floats, c: Floats) -> Floats:
    """Return travel (B, 2) back and forth of pins that stand ``along``, ``across`` (B, N) from their hole axes."""
    chord = np.sqrt(np.maximum(c * c - across * across, 0.0))
    return np.maximum(np.stack([(chord + along).min(axis=1), (chord - along).min(axis=1)], axis=1), 0.0)


def _turned(rx: Floats, ry: Floats, bx: Floats, by: Floats, c: Floats) -> Floats:
    """Return the turn (B, 2) back and forth about the pins' centre; ``r`` pins and ``b`` holes (B, N) seen from there.

    A pin that has turned by d is in its hole while ``4 |r| |b| sin^2((d - lead) / 2) <= c^2 - (|r| - |b|)^2``, ``lead``
    being the angle from pin to hole.
    """
    r, b = np.hypot(rx, ry), np.hypot(bx, by)
    room = np.maximum(c * c - np.square(r - b), 0.0)
    spread = 4 * r * b
    stops = spread > room
    half = 2 * np.arcsin(np.sqrt(room / np.where(stops, spread, 1.0), where=stops, out=np.ones_like(room)))
    lead = np.arctan2(rx * by - ry * bx, rx * bx + ry * by)
    back = np.where(stops, half - lead, np.pi).min(axis=1)
    forth = np.where(stops, half + lead, np.pi).min(axis=1)
    return np.clip(np.stack([back, forth], axis=1), 0.0, np.pi)


__all__ = [
    "PatternFit",
    "PinFit",
    "PinFloat",
    "Reaming",
    "available_float",
    "pin_pattern_margin",
    "smallest_reaming",
    "zone_margin",
]


@dataclass(frozen=True, slots=True)
class PatternFit:
    """The best motion of a rigid pattern for each of B parts.

    Parameters
    ----------
    margin : (B,) largest radial margin m, in the unit of the input; NaN where a number of the part is missing
    rotation : (B,) angle of that motion [rad], counter-clockwise, in (-pi, pi], about the origin of the coordinates
    translation : (B, 2) shift that follows the rotation: a pattern point p comes to ``R p + translation``
    binding : (B, N) the rows that allow no more: their slack is zero at this motion
    gap : (B,) proved limit of error: no motion has a margin above ``margin + gap``

    Where one row alone decides (its hole is the tightest by far), many motions are best; one well inside is given.
    """

    margin: Floats
    rotation: Floats
    translation: Floats
    binding: npt.NDArray[np.bool_]
    gap: Floats


@dataclass(frozen=True, slots=True)
class PinFit(PatternFit):
    """A :class:`PatternFit` of pins, and ``enters`` (B,): the margin is zero or more, up to rounding of the input.

    A part with a missing number doesn't enter and has a NaN margin: tell the two apart before a verdict.
    """

    enters: npt.NDArray[np.bool_]


def pin_pattern_margin(
    pin_xy: npt.ArrayLike, hole_xy: npt.ArrayLike, hole_diameter: npt.ArrayLike, pin_diameter: npt.ArrayLike
) -> PinFit:
    """Find the largest margin m with which the whole pin pattern enters the holes of each part.

    Over every rotation R and translation t, exactly and for all angles (nothing is linearised, no start is trusted), m
    is the largest number with ``|R pin_i + t - hole_i| <= (hole_diameter_i - pin_diameter_i) / 2 - m`` for every row i.
    At ``m >= 0`` all pins enter together.

    Parameters
    ----------
    pin_xy : (N, 2) pin axes in the mating assembly [any unit of length, the same everywhere]
    hole_xy : (B, N, 2) or (N, 2) hole axes of B parts, row i belonging to pin i; NaN where not measured
    hole_diameter : (B, N) or (N,) sizes; NaN where not measured
    pin_diameter : (B, N) or (N,) sizes

    Returns
    -------
    PinFit, with NaN for each part that has a hole not measured; other parts aren't touched by it

    Raises
    ------
    DataError : shapes that don't belong together, infinite numbers, a missing pin, a diameter below zero

    Source: a pattern of holes against its virtual condition, ASME Y14.5 (the boundary that no hole may cut); method and
    proof of the best motion: :mod:`holeqc.inspection.minimax` and :mod:`holeqc.inspection.minimax`.
    """
    gauge = checked(pin_xy, hole_xy, hole_diameter, pin_diameter)
    fit = best_motion(gauge.pin, gauge.hole, gauge.clearance)
    return PinFit(fit.margin, fit.rotation, fit.translation, fit.binding, fit.gap, enters=fit.margin >= gauge.least)


def zone_margin(
    pattern_xy: npt.ArrayLike, target_xy: npt.ArrayLike, zone_radius: npt.ArrayLike, *, rotate: bool = True
) -> PatternFit:
    """Float a pattern to its best: the largest m with ``|R pattern_i + t - target_i| <= zone_radius_i - m`` for all i.

    For the lower segment of a composite position tolerance (pattern locating apart from the datums, ASME Y14.5):
    ``pattern_xy`` the basic positions, ``target_xy`` the measured axes, ``zone_radius`` half of tolerance plus bonus.
    The pattern conforms at ``m >= 0``. With zero radii, ``-2 m`` is the pattern's own diametral position.

    Parameters
    ----------
    pattern_xy : (N, 2) [any unit of length, the same everywhere]
    target_xy : (B, N, 2) or (N, 2); NaN where not measured
    zone_radius : (B, N), (N,) or a number; may be below zero; NaN where not known
    rotate : False keeps the angle and frees the translation alone; without radii that is the smallest enclosing circle
        of the deviations

    Returns
    -------
    PatternFit, with NaN for each part that has a number missing

    Raises
    ------
    DataError : shapes that don't belong together, infinite numbers, a missing pattern point
    """
    pattern = points("pattern_xy", pattern_xy)
    rows = len(pattern)
    target = parts_of("target_xy", target_xy, rows)
    radius = array("zone_radius", zone_radius)
    radius = per_row("zone_radius", np.full(rows, radius) if radius.ndim == 0 else radius, rows)
    parts = common({"target_xy": len(target), "zone_radius": len(radius)})
    target = np.broadcast_to(target, (parts, rows, 2))
    fit = best_motion(pattern, target, np.broadcast_to(radius, (parts, rows)), rotate=rotate)
    return PatternFit(fit.margin, fit.rotation, fit.translation, fit.binding, fit.gap)
