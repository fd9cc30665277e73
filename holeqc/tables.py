"""Columns of one length with names: what rooms hand to one another instead of data frames.

A number, a day or a truth is a numpy array; a text is `Texts`, a small number a row and the texts they stand for, so
that a million readings stay small and a comparison costs one look at each number. pandas is loaded only where a user
asks for a frame (`Table.frame`): loading it takes a third of the time of checking one sheet.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

Row = Mapping[str, Any]  #: one row as plain objects
_MIX = 0x9E3779B97F4A7C15  #: odd; the high bits of a number times this depend on all its bits


class Texts:
    """A column of texts: ``codes`` (n,) number ``names``, each of which stands there once.

    Comparing with a text gives truths (n,); an index gives one text, a slice, mask or places give `Texts`.
    """

    __slots__ = ("_places", "codes", "names")

    def __init__(self, codes: NDArray[Any], names: Sequence[str]) -> None:
        width = np.int8 if len(names) < 120 else np.int16 if len(names) < 32_000 else np.int32
        self.codes = np.asarray(codes).astype(width, copy=False)
        self.names = names
        self._places: dict[str, int] | None = None

    @classmethod
    def of(cls, texts: Iterable[Any]) -> Texts:
        """Return a column of texts as they come; None and NaN are ''."""
        places: dict[str, int] = {}
        codes = [places.setdefault(t if isinstance(t, str) else _text(t), len(places)) for t in texts]
        return cls(np.array(codes, dtype=np.int64), list(places))

    @classmethod
    def one(cls, text: str, size: int) -> Texts:
        """Return a column that says the same ``size`` times."""
        return cls(np.zeros(size, dtype=np.int8), [text])

    def __len__(self) -> int:
        return int(self.codes.size)

    def __getitem__(self, which: Any) -> Any:
        picked = self.codes[which]
        return self.names[picked] if np.ndim(picked) == 0 else Texts(picked, self.names)

    def __iter__(self) -> Iterator[str]:
        return iter(self.tolist())

    def code(self, text: str) -> int:
        """Return the number of a text, -1 where no row can say it."""
        if self._places is None:
            self._places = {name: n for n, name in enumerate(self.names)}
        return self._places.get(text, -1)

    def __eq__(self, other: object) -> NDArray[np.bool_]:  # type: ignore[override]
        if isinstance(other, Texts):
            theirs = np.array([self.code(name) for name in other.names] or [-1], dtype=np.int64)
            return np.asarray(self.codes == theirs[other.codes], dtype=np.bool_)
        return np.asarray(self.codes == self.code(str(other)), dtype=np.bool_)

    def __ne__(self, other: object) -> NDArray[np.bool_]:  # type: ignore[override]
        return ~(self == other)

    __hash__ = None  # type: ignore[assignment]

    def isin(self, texts: Iterable[str]) -> NDArray[np.bool_]:
        """Return which rows say one of these texts (n,)."""
        hit = np.zeros(max(len(self.names), 1), dtype=np.bool_)
        hit[[c for c in map(self.code, texts) if c >= 0]] = True
        return np.asarray(hit[self.codes], dtype=np.bool_)

    def there(self) -> list[str]:
        """Return the texts that occur, each once, in the order of ``names``."""
        return [self.names[code] for code in np.unique(self.codes).tolist()]

    def renamed(self, new: Mapping[str, str]) -> Texts:
        """Return the column with texts replaced by others; several may become one."""
        places: dict[str, int] = {}
        table = [places.setdefault(new.get(name, name), len(places)) for name in self.names]
        return Texts(np.array(table or [0], dtype=np.int64)[self.codes], list(places))

    def where(self, kept: NDArray[np.bool_], text: str) -> Texts:
        """Return the column with ``text`` in rows that aren't ``kept``."""
        code, names = self.code(text), self.names
        if code < 0:
            code, names = len(names), [*names, text]
        return Texts(np.where(kept, self.codes.astype(np.int64), code), names)

    def array(self) -> NDArray[np.object_]:
        """Return the texts as objects (n,)."""
        names = np.empty(max(len(self.names), 1), dtype=object)
        names[: len(self.names)] = self.names
        return np.asarray(names[self.codes], dtype=np.object_)

    def tolist(self) -> list[str]:
        """Return the texts of all rows."""
        return list(map(self.names.__getitem__, self.codes.tolist()))


Column = NDArray[Any] | Texts


class Table:
    """Named columns of one length. ``labels`` (n,) number rows for good, however often rows are picked; 0, 1, ... at
    first. A table is never changed: what picks or adds gives another one that shares its columns."""

    __slots__ = ("columns", "labels")

    def __init__(self, columns: Mapping[str, Column], labels: NDArray[np.int64] | None = None) -> None:
        self.columns = dict(columns)
        size = len(next(iter(self.columns.values()))) if self.columns else 0
        self.labels = np.arange(size) if labels is None else labels

    @classmethod
    def of_rows(cls, rows: Sequence[Row], names: Sequence[str]) -> Table:
        """Return rows of plain objects as a table; a column of texts is `Texts`, one of anything else an array."""
        return cls({name: _column([row[name] for row in rows]) for name in names})

    @classmethod
    def of_frame(cls, frame: pd.DataFrame) -> Table:
        """Return a data frame as a table with its index for labels."""
        return cls({str(n): _of_series(frame[n]) for n in frame.columns}, np.asarray(frame.index, dtype=np.int64))

    def __len__(self) -> int:
        return int(self.labels.size)

    def __getitem__(self, name: str) -> Any:
        return self.columns[name]

    def __contains__(self, name: str) -> bool:
        return name in self.columns

    def take(self, which: Any) -> Table:
        """Return some rows: a mask (n,), places, or a slice."""
        if isinstance(which, np.ndarray) and which.dtype == np.bool_:
            which = np.flatnonzero(which)
        return Table({name: column[which] for name, column in self.columns.items()}, self.labels[which])

    def where(self, **texts: str) -> Table:
        """Return the rows whose columns say these texts."""
        return self.take(self.hits(**texts))

    def hits(self, **texts: str) -> NDArray[np.bool_]:
        """Return which rows say these texts in these columns (n,)."""
        out = np.ones(len(self), dtype=np.bool_)
        for name, text in texts.items():
            out &= self.columns[name] == text
        return out

    def places(self, labels: Any) -> NDArray[np.int64]:
        """Return the places of rows by their labels, -1 for one that isn't there. Labels in order cost nothing."""
        wanted = np.asarray(labels, dtype=np.int64)
        if not len(self):
            return np.full(wanted.shape, -1, dtype=np.int64)
        order = None if bool((np.diff(self.labels) > 0).all()) else np.argsort(self.labels, kind="stable")
        at = np.minimum(np.searchsorted(self.labels, wanted, sorter=order), len(self) - 1)
        at = at if order is None else order[at]
        return np.where(self.labels[at] == wanted, at, -1)

    def at(self, label: int) -> dict[str, Any]:
        """Return the row with a label as plain objects.

        Raises:
            KeyError: no row has it.
        """
        place = int(self.places(label))
        if place < 0:
            raise KeyError(label)
        return self.row(place)

    def row(self, place: int) -> dict[str, Any]:
        """Return the row at a place as plain objects."""
        return {name: _plain(column, place) for name, column in self.columns.items()}

    def records(self, *names: str) -> list[dict[str, Any]]:
        """Return all rows as plain objects, of the columns named or of all."""
        keys = names or tuple(self.columns)
        return [dict(zip(keys, row, strict=True)) for row in self.tuples(*keys)]

    def tuples(self, *names: str) -> Iterator[tuple[Any, ...]]:
        """Give each row as a tuple of the columns named or of all."""
        return zip(*(self.columns[name].tolist() for name in names or self.columns), strict=True)

    def groups(self, *names: str) -> dict[Any, NDArray[np.int64]]:
        """Return the places of rows that agree in text columns, by their texts (a tuple where several are named).

        Groups come in the order of their first rows, places in that of the rows.
        """
        if not len(self):
            return {}
        key = np.zeros(len(self), dtype=np.int64)
        for name in names:
            key = key * max(len(self[name].names), 1) + self[name].codes
        number, first = numbered(key)
        cuts = np.cumsum(np.bincount(number))[:-1]
        parted = np.split(np.argsort(number, kind="stable"), cuts)
        texts = [self.columns[name][first].tolist() for name in names]
        return dict(zip(texts[0] if len(texts) == 1 else zip(*texts, strict=True), parted, strict=True))

    def pairs(self, *names: str) -> set[tuple[str, ...]]:
        """Return what text columns say together, each once."""
        return set(zip(*(self.columns[name].tolist() for name in names), strict=True))

    def with_columns(self, **columns: Column) -> Table:
        """Return the table with columns replaced or added."""
        return Table({**self.columns, **columns}, self.labels)

    def relabelled(self, first: int) -> Table:
        """Return the table with labels from ``first`` on."""
        return Table(self.columns, np.arange(first, first + len(self)))

    def frame(self) -> pd.DataFrame:
        """Return a data frame: texts are categorical, labels are its index."""
        import pandas as pd

        columns = {
            name: pd.Categorical.from_codes(c.codes, dtype=pd.CategoricalDtype(pd.Index(list(c.names), dtype=object)))
            if isinstance(c, Texts) else c for name, c in self.columns.items()
        }  # fmt: skip
        in_order = np.array_equal(self.labels, np.arange(len(self)))
        index = pd.RangeIndex(len(self)) if in_order else pd.Index(self.labels)
        return pd.DataFrame(columns, index=index, copy=True)


def joined_tables(tables: Sequence[Table]) -> Table:
    """Return the rows of tables with the same columns under one another; labels stay as they are."""
    if len(tables) == 1:
        return tables[0]
    columns: dict[str, Column] = {}
    for name in tables[0].columns:
        each = [table[name] for table in tables]
        if isinstance(each[0], Texts):
            places: dict[str, int] = {}
            codes = []
            for column in each:
                number = [places.setdefault(text, len(places)) for text in column.names]
                codes.append(np.array(number or [0], dtype=np.int64)[column.codes])
            columns[name] = Texts(np.concatenate(codes), list(places))
        else:
            columns[name] = np.concatenate(each)
    return Table(columns, np.concatenate([table.labels for table in tables]))


def numbered(values: NDArray[Any]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return numbers 0, 1, ... of values in the order of their first appearance (n,), and the row of each first one.

    NaN has the number -1 and counts for nothing. Nothing is sorted: rows meet in slots by a hash of their value, and
    those that find another value there try again.
    """
    if values.dtype.kind == "f":
        known = ~np.isnan(values)
        if not known.all():
            number, rows = np.full(values.size, -1, dtype=np.int64), np.flatnonzero(known)
            number[rows], first = numbered(values[rows])
            return number, rows[first]
        values = (values + 0.0).view(np.int64)  # 0.0 and -0.0 are one
    values = values.view(np.int64) if values.dtype == np.uint64 else values.astype(np.int64, copy=False)
    size = values.size
    low, high = (int(values.min()), int(values.max())) if size else (0, 0)
    if high - low <= 3 * size:
        met = _first_of(values - low, high - low + 1)
    else:
        left, at = values.view(np.uint64), np.arange(size, dtype=np.int32)
        met, bits, mix = at.copy(), min(size.bit_length() + 2, 16), _MIX  # few slots stay near the processor
        while at.size:
            found = _first_of((left * np.uint64(mix)) >> np.uint64(64 - bits), 1 << bits)
            met[at] = at[found]
            lost = np.flatnonzero(left[found] != left)
            left, at, bits, mix = left[lost], at[lost], lost.size.bit_length() + 1, (mix * _MIX + 2) % 2**64
    first = np.flatnonzero(met == np.arange(size, dtype=np.int32))
    rank = np.empty(size, dtype=np.int64)
    rank[first] = np.arange(first.size)
    return rank[met], first


def _first_of(slots: NDArray[Any], most: int) -> NDArray[np.int32]:
    """Return for each row the first one with the same slot, a number below ``most`` (n,)."""
    first = np.empty(most, dtype=np.int32)
    first[slots[::-1]] = np.arange(slots.size - 1, -1, -1, dtype=np.int32)  # the last one put in counts
    return first[slots]


def ranked(values: NDArray[Any]) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """Return different numbers in order, and the place of each value among them (n,), as `np.unique` does."""
    number, first = numbered(values)
    order = np.argsort(values[first], kind="stable")
    place = np.empty(order.size, dtype=np.int64)
    place[order] = np.arange(order.size)
    return values[first[order]], place[number]


def joint(*columns: NDArray[Any]) -> NDArray[np.int64]:
    """Return one number for what columns of whole numbers say together (n,), in their order and as small as can be."""
    key, most = np.zeros(columns[0].size, dtype=np.int64), 1
    for column in columns if key.size else ():
        low, high = int(column.min()), int(column.max())
        if most * (high - low + 1) >= 2**62:
            distinct, key = ranked(key)
            most = distinct.size
        if high > low:
            key *= high - low + 1
            key += column
            key -= low
            most *= high - low + 1
    return key


def _text(value: Any) -> str:
    return "" if value is None or value != value else str(value)


def _column(values: list[Any]) -> Column:
    if all(isinstance(value, str) for value in values):
        return Texts.of(values)
    return np.array(values)


def _of_series(series: pd.Series[Any]) -> Column:
    if hasattr(series, "cat"):
        names = [str(c) for c in series.cat.categories]
        codes = series.cat.codes.to_numpy()
        if (codes < 0).any():
            blank = names.index("") if "" in names else len(names)
            names, codes = [*names, *([""] if blank == len(names) else [])], np.where(codes < 0, blank, codes)
        return Texts(codes, names)
    values = series.to_numpy()
    if values.dtype.kind == "M":
        return values.astype("datetime64[s]")  # of finer ones Python makes no days
    if values.dtype.kind in "OU" and any(isinstance(value, str) for value in values):
        return Texts.of(values.tolist())
    return np.array(values.tolist(), dtype=np.float64) if values.dtype.kind == "O" else values


def _plain(column: Column, place: int) -> Any:
    value = column[place]
    return value if isinstance(value, str) else value.tolist()
