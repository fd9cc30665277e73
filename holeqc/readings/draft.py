"""The readings of a run while they are gathered: arrays and codes; at the end the tidy table."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from holeqc.problems import Problem
from holeqc.readings.containers import refusal
from holeqc.readings.grid import CodeArray, IntArray
from holeqc.readings.issues import Issue
from holeqc.readings.table import CHARACTERISTICS, COLUMNS, cell_name
from holeqc.readings.words import WORDS
from holeqc.specification.model import Specification

if TYPE_CHECKING:
    import pandas as pd

MOST_SERIALS = 250_000  #: of one run: twice a million rows of eight holes each; each is judged and told of by itself
UNIT_CODES = ("", "in", "mm")
Array = NDArray[Any]

#: name -> type of the arrays of a draft; texts are codes, -1 where none
TYPES: dict[str, str] = {
    "part": "int16",
    "serial": "int32",
    "hole": "int16",
    "wall": "int16",
    "characteristic": "int8",
    "direction": "float64",
    "trial": "int16",
    "value": "float64",
    "word": "int8",
    "typed": "int32",
    "unit": "int8",
    "gauge": "int32",
    "temperature_c": "float64",
    "date": "datetime64[D]",
    "latest": "datetime64[D]",
    "by": "int32",
    "note": "int32",
    "file": "int16",
    "sheet": "int16",
    "row": "int32",
    "column": "int16",
    "issue": "int32",
    "raw": "float64",
    "text": "bool",
}


class Interner:
    """Distinct texts in order of appearance, each with a code."""

    def __init__(self) -> None:
        self.index: dict[str, int] = {}

    def codes(self, texts: Iterable[str]) -> CodeArray:
        """Return the codes of texts, new ones for new texts."""
        index = self.index
        return np.array([index.setdefault(t, len(index)) for t in texts], dtype=np.int32)

    def code(self, text: str) -> int:
        """Return the code of one text."""
        return self.index.setdefault(text, len(self.index))

    @property
    def texts(self) -> list[str]:
        """All texts in the order of their codes."""
        return list(self.index)


@dataclass(slots=True)
class Draft:
    """Everything read so far. ``issues[0]`` is None; the array ``issue`` points into it."""

    spec: Specification
    serial: Interner = field(default_factory=Interner)
    typed: Interner = field(default_factory=Interner)
    gauge: Interner = field(default_factory=Interner)
    by: Interner = field(default_factory=Interner)
    note: Interner = field(default_factory=Interner)
    file: Interner = field(default_factory=Interner)
    sheet: Interner = field(default_factory=Interner)
    doubt: Interner = field(default_factory=Interner)
    issues: list[Issue | None] = field(default_factory=lambda: [None])
    chunks: list[dict[str, Array]] = field(default_factory=list)
    most_serials: int = MOST_SERIALS
    reported: set[int] = field(default_factory=set)  #: issues that were reported for their row or column already
    _issue_index: dict[Issue, int] = field(default_factory=dict)

    def issue_code(self, issue: Issue | None) -> int:
        """Return the place of an issue in ``issues``."""
        if issue is None:
            return 0
        if issue not in self._issue_index:
            self._issue_index[issue] = len(self.issues)
            self.issues.append(issue)
        return self._issue_index[issue]

    def add(self, arrays: dict[str, Array]) -> None:
        """Add readings; every array of `TYPES` must be there, all of one length."""
        self.room_for(0)
        self.chunks.append({name: np.asarray(arrays[name]).astype(kind, copy=False) for name, kind in TYPES.items()})

    def room_for(self, serials: int) -> None:
        """Refuse so many serial numbers before any of them is looked at.

        Raises:
            ReadingsError: more than a run of judging can need.
        """
        if max(serials, len(self.serial.index)) > self.most_serials:
            raise refusal(
                self.file.texts[-1] if self.file.index else "",
                "too-large",
                "the files name far too many serial numbers for one run",
                found=f"over {self.most_serials}",
                allowed=f"at most {self.most_serials}",
                action="Split them into several runs; is the serial number in the right column?",
            )

    def arrays(self) -> dict[str, Array]:
        """Return all readings, each array in one piece."""
        if not self.chunks:
            return {name: np.empty(0, dtype=kind) for name, kind in TYPES.items()}
        out = {name: np.concatenate([c[name] for c in self.chunks]) for name in TYPES}
        self.chunks = [out]
        return out

    def frame(self, arrays: dict[str, Array], doubt: Array) -> pd.DataFrame:
        """Return the tidy table; ``doubt`` (n,) holds codes of `doubt`, -1 where there is none."""
        import pandas as pd

        spec = self.spec
        data: dict[str, Any] = {
            "part": _listed(arrays["part"], [p.name for p in spec.parts]),
            "serial": _interned(arrays["serial"], self.serial),
            "hole": _listed(arrays["hole"], spec.hole_ids),
            "wall": _listed(arrays["wall"], spec.walls.names),
            "characteristic": _listed(arrays["characteristic"], CHARACTERISTICS),
            "word": pd.Categorical.from_codes(arrays["word"], categories=list(WORDS)),
            "unit": pd.Categorical.from_codes(arrays["unit"], categories=list(UNIT_CODES)),
            "date": arrays["date"].astype("datetime64[s]"),
            "doubt": _interned(doubt, self.doubt),
        }
        for name in ("typed", "gauge", "by", "note", "file", "sheet"):
            data[name] = _interned(arrays[name], getattr(self, name))
        for name in ("direction", "trial", "value", "temperature_c", "row", "column"):
            data[name] = arrays[name]
        return pd.DataFrame({name: data[name] for name in COLUMNS}, copy=False)


def _listed(codes: Array, names: Sequence[str]) -> Any:
    """Return a categorical of known names, '' where the code is -1."""
    import pandas as pd

    categories = [*names, *([] if "" in names else [""])]
    return pd.Categorical.from_codes(np.where(codes < 0, categories.index(""), codes), categories=categories)


def _interned(codes: Array, interner: Interner) -> Any:
    import pandas as pd

    blank = interner.code("")
    return pd.Categorical.from_codes(np.where(codes < 0, blank, codes), categories=interner.texts)


class Cell:
    """Turns a reading's place in the arrays into what a problem says about it."""

    def __init__(self, draft: Draft, arrays: dict[str, Array]) -> None:
        self._draft, self._arrays = draft, arrays
        self._serials, self._typed = draft.serial.texts, draft.typed.texts
        self._files, self._sheets = draft.file.texts, draft.sheet.texts

    def place(self, index: int) -> dict[str, str]:
        """Return file, sheet, cell, part, serial, hole and wall of a reading."""
        a, spec = self._arrays, self._draft.spec
        part, serial, hole, wall = (int(a[n][index]) for n in ("part", "serial", "hole", "wall"))
        return {
            "file": self._files[a["file"][index]],
            "sheet": self._sheets[a["sheet"][index]],
            "cell": cell_name(int(a["row"][index]), int(a["column"][index])),
            "part": spec.parts[part].name if part >= 0 else "",
            "serial": self._serials[serial] if serial >= 0 else "",
            "hole": spec.hole_ids[hole] if hole >= 0 else "",
            "wall": spec.walls.names[wall] if wall >= 0 else "",
        }

    def typed(self, index: int) -> str:
        """Return what was typed in a reading's cell."""
        return self._typed[self._arrays["typed"][index]]

    def issue_problem(self, index: int) -> Problem:
        """Return the problem of a reading's own issue."""
        issue = self._draft.issues[int(self._arrays["issue"][index])]
        assert issue is not None
        return issue.problem(found=repr(self.typed(index)), **self.place(index))


def by_sheet(arrays: dict[str, Array], rows: IntArray) -> list[IntArray]:
    """Return some rows parted by file and sheet, in order."""
    if not rows.size:
        return []
    key = arrays["file"][rows].astype(np.int64) * 100_000 + arrays["sheet"][rows]
    order = np.argsort(key, kind="stable")
    edges = np.flatnonzero(np.diff(key[order])) + 1
    return [rows[part] for part in np.split(order, edges)]
