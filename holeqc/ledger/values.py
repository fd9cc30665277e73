"""Values as both databases keep them and give them back the same: no NaN, no -0.0, no library's own numbers."""

from __future__ import annotations

import datetime as dt
import math
import unicodedata
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from holeqc.ledger.canonical import storable
from holeqc.problems import LedgerError

if TYPE_CHECKING:
    import pandas as pd


def plain(value: Any) -> Any:
    """Return one value as text, whole number, float or None; a bool becomes 0 or 1, a day its ISO text."""
    if value is None or isinstance(value, str):
        return None if value is None else storable(value)
    if isinstance(value, bool | np.bool_ | int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return None if math.isnan(value) else float(value) + 0.0  # -0.0 + 0.0 is 0.0
    if isinstance(value, dt.datetime):
        return value.date().isoformat()
    if isinstance(value, dt.date):
        return value.isoformat()
    return storable(str(value))


#: beside all control characters: what ends a line, and what turns the direction of writing
_FORGING = frozenset("\u2028\u2029\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def one_line(text: str, what: str, *, tabs: bool = False) -> str:
    """Return a text that a person typed, as it is; ``tabs``: tabs may stand in it.

    Raises:
        LedgerError: it holds a line break, a control character, or one that turns the direction of writing: printed,
            it could pass for something that nobody recorded.
    """
    for place, sign in enumerate(text, 1):
        if (unicodedata.category(sign) == "Cc" and not (tabs and sign == "\t")) or sign in _FORGING:
            kind = "a line break" if sign in "\n\r\x0b\x0c\x85\u2028\u2029" else "a control character"
            raise LedgerError(
                f"{what}: {kind} (U+{ord(sign):04X}) stands at character {place} of {text!r}; write it in one line of "
                "plain text; nothing was recorded"
            )
    return text


class Stored:
    """A column of a frame, ready to give any of its rows as a list of stored values."""

    def __init__(self, series: pd.Series) -> None:
        self._words: np.ndarray | None = None
        if series.dtype.name == "category":
            # code -1, nothing said, takes the last
            self._words = np.array([*(storable(str(c)) for c in series.cat.categories), ""], dtype=object)
            self._values = series.cat.codes.to_numpy()
        else:
            self._values = series.to_numpy()

    def rows(self, chosen: NDArray[np.int64] | slice = slice(None)) -> list[Any]:
        """Return the values of some rows."""
        values = self._values[chosen]
        if self._words is not None:
            return list(self._words[values].tolist())
        if values.dtype.kind == "f":
            return floats(values)
        if values.dtype.kind == "M":
            return days(values)
        if values.dtype.kind in "iub":
            return [int(v) for v in values.tolist()] if values.dtype.kind == "b" else list(values.tolist())
        return [storable(str(v)) for v in values]


def column(series: pd.Series) -> list[Any]:
    """Return a column of a frame as a list of stored values."""
    return Stored(series).rows()


def floats(values: np.ndarray) -> list[float | None]:
    """Return numbers (n,) as a list, None for NaN."""
    out = values.astype(np.float64) + 0.0
    missing = np.isnan(out)
    if missing.all():
        return [None] * len(out)
    if not missing.any():
        return list(out.tolist())
    boxed = out.astype(object)
    boxed[missing] = None
    return list(boxed.tolist())


def days(values: np.ndarray) -> list[str | None]:
    """Return days (n,) as ISO texts, None where there is none."""
    distinct, inverse = np.unique(values.astype("datetime64[D]"), return_inverse=True)
    words = np.array([None if np.isnat(d) else str(d) for d in distinct], dtype=object)
    return list(words[inverse.reshape(-1)].tolist())


def text_codes(series: pd.Series) -> tuple[NDArray[np.int64], list[str]]:
    """Return a text column (n,) as numbers and the texts they stand for; what is missing is ''."""
    if series.dtype.name != "category":
        series = series.astype("category")
    texts = [str(c) for c in series.cat.categories] + [""]
    numbers = series.cat.codes.to_numpy().astype(np.int64)
    return np.where(numbers < 0, len(texts) - 1, numbers), texts
