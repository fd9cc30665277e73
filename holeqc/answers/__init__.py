"""A question as it is asked, answered: the rooms below put together, for commands and notebooks alike.

A function here takes the options of the command of its name, by the same words, and returns an `Answer` or several.
What must be looked at (a kit's warnings, likely slips) goes to standard error, as it does with the command. Lengths are
in the unit that the kit or the options name, and what is not usable raises a `holeqc.problems.HoleQCError` that says
file, cell and what to do.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from holeqc import printing

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from holeqc.problems import Problem
    from holeqc.specification.model import Specification

BY_VARIABLE = "HOLEQC_BY"
Named: TypeAlias = "str | Path | Specification"  #: a file, or a kit that was loaded


class _Content:
    content: Any  #: what machines get, or a function that makes it: of many readings it takes longer than the answer

    @cached_property
    def data(self) -> Any:
        return self.content() if callable(self.content) else self.content


@dataclass(frozen=True)
class Answer(_Content):
    """One answer: text for people, ``data`` for machines, a picture where there is one, what must be said of it.

    ``group`` and ``row`` are of one that is one of several: its name, and its row of their summary.
    """

    text: str
    content: dict[str, Any] | Callable[[], dict[str, Any]]
    figure: Callable[[], Figure] | None = None
    problems: tuple[Problem, ...] = ()
    group: str = ""
    row: tuple[str, ...] = ()

    def __str__(self) -> str:
        return self.text

    def _repr_html_(self) -> str:
        return as_html(self.text, self.problems)


@dataclass(frozen=True)
class Answers(_Content):
    """The answers of several groups, by place or name; ``text`` and ``data`` are those of all, as the command's."""

    groups: tuple[Answer, ...]
    text: str
    content: Any

    def __len__(self) -> int:
        return len(self.groups)

    def __iter__(self) -> Iterator[Answer]:
        return iter(self.groups)

    def __getitem__(self, which: int | str) -> Answer:
        if isinstance(which, int):
            return self.groups[which]
        for answer in self.groups:
            if answer.group.casefold() == which.strip().casefold():
                return answer
        raise KeyError(f"{which}; groups are {', '.join(answer.group for answer in self.groups)}")

    def __str__(self) -> str:
        return self.text

    def _repr_html_(self) -> str:
        return as_html(self.text)


def as_html(text: str, problems: Sequence[Problem] = ()) -> str:
    """Return an answer for a notebook: as on the screen, what must be said of it first."""
    said = [f"<p>{escape(printing.one_line(f'{p.severity}: {p.sentence()}'))}</p>" for p in problems]
    return "".join([*said, f"<pre>{escape(printing.visible(text))}</pre>"])


def several(asked: str | Sequence[str] | None) -> tuple[str, ...]:
    """Return what may be given once or several times as several."""
    return (asked,) if isinstance(asked, str) and asked else tuple(asked or ())


def who(by: str) -> str:
    """Return who records: the option, else the variable HOLEQC_BY; '' where neither says."""
    return by.strip() or os.environ.get(BY_VARIABLE, "").strip()


def required_who(by: str, what: str) -> str:
    """Return who records, or raise LedgerError that asks ``what``."""
    from holeqc.problems import LedgerError

    name = who(by)
    if not name:
        raise LedgerError(f"say {what}: a role or a number is enough, no name needed (--by)")
    return name
