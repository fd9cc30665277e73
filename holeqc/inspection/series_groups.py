"""Groups of a series: which hole, wall, bushing, fixture, part, gauge each value belongs to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from holeqc.inspection.evidence import Evidence
from holeqc.inspection.gauges import gauge_of
from holeqc.inspection.grouping import IntArray

if TYPE_CHECKING:
    import pandas as pd

    from holeqc.inspection.series_values import Values
    from holeqc.specification.model import Gauge, Specification

KEYS = ("hole", "wall", "bushing", "fixture", "part", "gauge", "serial")


@dataclass(frozen=True, slots=True)
class Grouping:
    """Which group each value belongs to: ``number`` (n,) into ``names``; ``texts`` the words of each key of a group.

    ``gauge`` (n,) numbers the kit's gauges, -1 where none is known.
    """

    keys: tuple[str, ...]
    number: IntArray
    names: tuple[str, ...]
    texts: tuple[tuple[str, ...], ...]
    gauge: IntArray
    spec: Specification

    def rows(self) -> list[IntArray]:
        """Return the values of each group in their order."""
        order = np.argsort(self.number, kind="stable")
        ends = np.cumsum(np.bincount(self.number, minlength=len(self.names)))
        return np.split(order, ends[:-1])

    def of(self, name: str) -> IntArray:
        """Return the values of a group by its name; none where there is no such group."""
        if name not in self.names:
            return np.zeros(0, dtype=np.int64)
        return np.flatnonzero(self.number == self.names.index(name))

    def keys_of(self, number: int) -> dict[str, str]:
        """Return the words of a group by key."""
        return dict(zip(self.keys, self.texts[number], strict=True))

    def gauges(self, number: int) -> tuple[Gauge, ...]:
        """Return the gauges that read a group."""
        used = np.unique(self.gauge[self.number == number])
        return tuple(self.spec.gauges[g] for g in used if g >= 0)


def find_groups(evidence: Evidence, table: pd.DataFrame, values: Values, keys: tuple[str, ...]) -> Grouping:
    """Return the groups of values by ``keys``, in the order of the kit."""
    gauge = _gauges(evidence.spec, table, values.label)
    codes, words = [], []
    for key in keys:
        code, texts = _coded(evidence, key, values, gauge)
        codes.append(code)
        words.append(texts)
    if not values.part.size:
        return Grouping(keys, np.zeros(0, dtype=np.int64), (), (), gauge, evidence.spec)
    kinds, number = np.unique(np.column_stack(codes), axis=0, return_inverse=True)
    texts_of = tuple(tuple(w[c] for w, c in zip(words, row, strict=True)) for row in kinds.tolist())
    names = tuple(", ".join(f"{key} {text}" for key, text in zip(keys, texts, strict=True)) for texts in texts_of)
    return Grouping(keys, number.ravel().astype(np.int64), names, texts_of, gauge, evidence.spec)


def _coded(evidence: Evidence, key: str, values: Values, gauge: IntArray) -> tuple[IntArray, list[str]]:
    """Return a number for each value and the texts they stand for."""
    spec, parts = evidence.spec, evidence.parts
    if key == "hole":
        return values.hole, list(spec.hole_ids)
    if key == "wall":
        return np.where(values.wall < 0, len(spec.walls.names), values.wall), [*spec.walls.names, "all"]
    if key == "bushing":
        named = [h.bushing or f"of hole {h.id}" for h in spec.holes]
        texts = list(dict.fromkeys(named))
        return np.array([texts.index(name) for name in named], dtype=np.int64)[values.hole], texts
    if key == "fixture":
        return np.zeros(values.hole.size, dtype=np.int64), [spec.fixture or f"of kit {spec.id}"]
    if key == "part":
        return parts.name[values.part], [name or "not named" for name in parts.names]
    if key == "gauge":
        return np.where(gauge < 0, len(spec.gauges), gauge), [*(g.id for g in spec.gauges), "not known"]
    return parts.serial[values.part], [name or "not named" for name in parts.serials]


def _gauges(spec: Specification, table: pd.DataFrame, label: IntArray) -> IntArray:
    """Return the number of the gauge that made the readings with these labels, -1 where none is known."""
    out = np.full(label.size, -1, dtype=np.int64)
    rows = table.index.get_indexer(label)
    known = rows >= 0
    if not spec.gauges or not known.any():
        return out
    gauge, kind = table["gauge"].astype("category"), table["characteristic"].astype("category")
    names, kinds = [*map(str, gauge.cat.categories), ""], [*map(str, kind.cat.categories), ""]
    chosen = np.array([[gauge_of(spec, name, what)[0] for what in kinds] for name in names], dtype=np.int64)
    out[known] = chosen[gauge.cat.codes.to_numpy()[rows[known]], kind.cat.codes.to_numpy()[rows[known]]]
    return out
