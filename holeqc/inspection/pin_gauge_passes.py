"""One part, its pins and the reaming passes that are open to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from holeqc.inspection.minimax import best_motion
from holeqc.inspection.pin_gauge_input import AT_LIMIT, Floats

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
