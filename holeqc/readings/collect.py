"""Problems gathered while reading: all of them, the same one over and over only so often by name."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from holeqc.problems import Problem

BY_NAME = 20  #: so many problems of one code in one sheet are named one by one, the rest are counted


class Collector:
    """A growing list of problems."""

    def __init__(self) -> None:
        self._problems: list[Problem] = []

    def add(self, problem: Problem) -> None:
        """Add one problem."""
        self._problems.append(problem)

    def extend(self, problems: Iterable[Problem]) -> None:
        """Add several problems as they are."""
        self._problems.extend(problems)

    def cells(self, indices: Sequence[int], make: Callable[[int], Problem], *, marked: bool = True) -> None:
        """Add a problem for each index: the first by name, the rest counted in one more.

        ``make`` gives the problem of one index. ``marked`` says that the readings themselves carry the doubt; where
        they don't and the problem holds, each further part is named once, so that none escapes the hold.
        """
        for index in indices[:BY_NAME]:
            self.add(make(int(index)))
        rest = indices[BY_NAME:]
        if not len(rest):
            return
        first = make(int(rest[0]))
        last = make(int(rest[-1]))
        count = len(rest)
        self.add(
            replace(
                first,
                message=f"{count} more of the same, from {first.cell} to {last.cell}: {_general(first.message)}",
                part="",
                serial="",
                hole="",
                wall="",
                found="",
                holds=False,
            )
        )
        if marked or not first.holds:
            return
        told = {(p.part, p.serial) for p in self._problems[-BY_NAME - 1 : -1] if p.code == first.code}
        for index in rest:
            problem = make(int(index))
            if (problem.part, problem.serial) not in told:
                told.add((problem.part, problem.serial))
                self.add(problem)

    def problems(self) -> tuple[Problem, ...]:
        """Return everything gathered, in order."""
        return tuple(self._problems)


def _general(message: str) -> str:
    """Return a message without what is special to its cell: the text before the first colon."""
    return message.split(":", 1)[0]
