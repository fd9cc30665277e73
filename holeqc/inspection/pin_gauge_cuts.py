"""The least reaming to any size: a linear program whose lines close in on the circles in which the pins must stay.

At each motion tried, the circle of every row is replaced by the straight line that touches it there, which cuts off
nothing that is allowed. The program finds the least enlargement and the motion that the lines allow; the motion is
tried next, and what it truly needs is enough. Need and program meet. Turns are so small that they are taken as
straight, anew at each motion.

The prices of the lines (the program's dual) give a bound that holds for true turns: with ``|z_i| <= w_i``, sum of
``z_i`` zero, and ``P``, ``H`` as in :mod:`holeqc.inspection.minimax_certificate`, the total enlargement at angle a is
at least ``|P exp(i a) - H| - sum(w_i c_i) - sum(max(w_i / 2 - 1, 0) room_i)``. Derived here by Lagrangian duality.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from holeqc.inspection.minimax import best_motion
from holeqc.inspection.minimax_certificate import bound
from holeqc.inspection.minimax_search import open_angles
from holeqc.inspection.pin_gauge_input import Floats
from holeqc.inspection.pin_gauge_passes import Passes
from holeqc.inspection.pin_gauge_solver import mixed_program

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
