"""Readings of a gauge study put in order: who read which part how often, and what can't be told from them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from holeqc.problems import DataError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

CROSSED = "crossed"  #: every appraiser reads the same parts
NESTED = "nested"  #: each appraiser has parts of their own
ONE_APPRAISER = "one appraiser"
ONE_PART = "one part"
REPEATS = "repeats of one part"  #: one part, one appraiser


@dataclass(frozen=True, slots=True)
class Layout:
    """Readings with their part and appraiser as whole numbers from 0.

    ``values`` (n,) is finite; ``part`` and ``appraiser`` (n,) point into ``part_names`` and ``appraiser_names``;
    ``counts`` (parts, appraisers) says how many readings each pair has; ``missing`` how many empty ones were left out.
    In a nested study a part name stands once for each appraiser who used it.
    """

    design: str
    values: FloatArray
    part: IntArray
    appraiser: IntArray
    part_names: tuple[str, ...]
    appraiser_names: tuple[str, ...]
    counts: IntArray
    missing: int

    @property
    def parts(self) -> int:
        """Number of parts."""
        return len(self.part_names)

    @property
    def appraisers(self) -> int:
        """Number of appraisers."""
        return len(self.appraiser_names)

    @property
    def trials(self) -> int | None:
        """Readings of each part by each appraiser, None where it isn't the same number everywhere."""
        used = self.counts[self.counts > 0] if self.design == NESTED else self.counts.ravel()
        return int(used[0]) if np.all(used == used[0]) and used[0] > 0 else None

    @property
    def balanced(self) -> bool:
        """Every pair has as many readings (nested: every appraiser also as many parts)."""
        if self.trials is None:
            return False
        parts_each = (self.counts > 0).sum(axis=0)
        return self.design != NESTED or bool(np.all(parts_each == parts_each[0]))

    @property
    def cell(self) -> IntArray:
        """Number of the part and appraiser pair of each reading (n,): part * appraisers + appraiser."""
        cells: IntArray = self.part * self.appraisers + self.appraiser
        return cells


def labels_to_codes(labels: ArrayLike, what: str, count: int) -> tuple[IntArray, tuple[str, ...]]:
    """Return labels as whole numbers in order of first appearance (n,), and their names.

    A number and the same number as text are one label (``1``, ``1.0`` and ``"1"``); spaces around a text don't count.

    Raises:
        DataError: wrong length, or a label is blank.
    """
    flat = np.asarray(labels, dtype=object).ravel()
    if flat.size != count:
        raise DataError(f"there are {count} values but {flat.size} {what} labels; give one label a value")
    raw, back = np.unique(flat.astype(str), return_inverse=True)
    texts = [_tidy(str(r)) for r in raw]
    blank = np.flatnonzero(np.isin(back, [k for k, text in enumerate(texts) if not text])) + 1
    if blank.size:
        shown = ", ".join(map(str, blank[:5])) + (" and more" if blank.size > 5 else "")
        raise DataError(f"the {what} is blank for value {shown}; say which {what} each value belongs to")
    names, code_of = np.unique(np.array(texts, dtype=str), return_inverse=True)
    codes = code_of[back]
    earliest = np.full(names.size, flat.size, dtype=np.int64)
    np.minimum.at(earliest, codes, np.arange(flat.size))
    order = np.argsort(earliest)
    rank = np.empty_like(order)
    rank[order] = np.arange(order.size)
    return rank[codes].astype(np.int64), tuple(str(n) for n in names[order])


def _tidy(text: str) -> str:
    text = text.strip()
    if text.lower() in {"nan", "nat", "<na>", "none"}:
        return ""
    return re.sub(r"^(-?\d+)\.0$", r"\1", text)


def numbers(values: ArrayLike, what: str = "value") -> FloatArray:
    """Return values as a flat float array (n,); None and blank become not-a-number.

    Raises:
        DataError: a text that is no number, a yes/no, or an infinite value; names the places.
    """
    # a list goes through objects, so that a yes/no among numbers isn't taken for 1
    array = values if isinstance(values, np.ndarray) else np.asarray(values, dtype=object)
    if array.dtype.kind in "fiu":
        flat = array.astype(np.float64).ravel()
    else:
        flat = _parse(array.astype(object).ravel(), what)
    infinite = np.flatnonzero(np.isinf(flat)) + 1
    if infinite.size:
        raise DataError(f"{what} {infinite[0]} is infinite; a reading is a finite number")
    return flat


def _parse(flat: NDArray[np.object_], what: str) -> FloatArray:
    if set(map(type, flat)) <= {float, int, type(None), np.float64, np.int64}:
        return flat.astype(np.float64)
    out = np.full(flat.size, np.nan)
    bad: list[str] = []
    for k, item in enumerate(flat):  # texts are few and each wrong one must be named with its place
        if isinstance(item, (bool, np.bool_)):
            bad.append(f"{k + 1} ({item})")
        elif item is not None and (not isinstance(item, str) or item.strip()):
            try:
                out[k] = float(item)
            except (TypeError, ValueError):
                bad.append(f"{k + 1} ({item!r})")
    if bad:
        more = f" and {len(bad) - 5} more" if len(bad) > 5 else ""
        raise DataError(f"not a number: {what} {', '.join(bad[:5])}{more}; type a number, or leave the cell empty")
    return out


def lay_out(part: ArrayLike | None, appraiser: ArrayLike | None, value: ArrayLike, *, nested: bool = False) -> Layout:
    """Put the readings of a study in order and name its design.

    Args:
        part: label of the part of each reading (n,); None: all of one part.
        appraiser: label of the appraiser of each reading (n,); None: all by one.
        value: readings (n,) in any one unit; not-a-number marks a reading that wasn't taken.
        nested: each appraiser has parts of their own, even if the labels repeat.

    Raises:
        DataError: no readings, a text, a blank label, labels of another length, or parts that nobody shares in a
            study that isn't nested.
    """
    flat = numbers(value)
    if not flat.size:
        raise DataError("there are no readings; a gauge study needs at least two")
    p_codes, p_names = labels_to_codes(["1"] * flat.size if part is None else part, "part", flat.size)
    a_codes, a_names = labels_to_codes(["1"] * flat.size if appraiser is None else appraiser, "appraiser", flat.size)
    use = np.isfinite(flat)
    if use.sum() < 2:
        raise DataError(f"{int(use.sum())} of {flat.size} readings have a value; a gauge study needs at least two")
    p_codes, p_names = _used(p_codes[use], p_names)
    a_codes, a_names = _used(a_codes[use], a_names)
    nested = nested and len(a_names) > 1
    if nested:
        p_codes, p_names = _split_parts(p_codes, p_names, a_codes, a_names)
    counts = np.zeros((len(p_names), len(a_names)), dtype=np.int64)
    np.add.at(counts, (p_codes, a_codes), 1)
    design = _design(counts, nested)
    return Layout(design, flat[use], p_codes, a_codes, p_names, a_names, counts, int((~use).sum()))


def _used(codes: IntArray, names: Sequence[str]) -> tuple[IntArray, tuple[str, ...]]:
    kept, new = np.unique(codes, return_inverse=True)
    return new.astype(np.int64), tuple(names[k] for k in kept)


def _split_parts(
    part: IntArray, part_names: Sequence[str], appraiser: IntArray, appraiser_names: Sequence[str]
) -> tuple[IntArray, tuple[str, ...]]:
    pair, codes = np.unique(appraiser * len(part_names) + part, return_inverse=True)
    names = tuple(f"{part_names[k % len(part_names)]} of {appraiser_names[k // len(part_names)]}" for k in pair)
    return codes.astype(np.int64), names


def _design(counts: IntArray, nested: bool) -> str:
    parts, appraisers = counts.shape
    if parts == 1:
        return REPEATS if appraisers == 1 else ONE_PART
    if appraisers == 1:
        return ONE_APPRAISER
    if nested:
        if parts == appraisers:
            raise DataError(
                "each appraiser read one part only, so parts and appraisers can't be told apart; give each appraiser "
                "at least two parts, or let all read the same parts"
            )
        return NESTED
    if np.all((counts > 0).sum(axis=1) == 1):
        raise DataError(
            "no part was read by more than one appraiser, so a crossed study can't tell parts from appraisers; "
            "say that the study is nested, or let every appraiser read the same parts"
        )
    return CROSSED
