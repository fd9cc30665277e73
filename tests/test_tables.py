"""Columns of one length: equal values get equal numbers, whatever they are."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from holeqc import tables
from holeqc.tables import Table, Texts, joined_tables, numbered

RNG = np.random.default_rng(1)


@pytest.mark.parametrize("values", [
    np.zeros(0, dtype=np.int64), np.array([7]), RNG.integers(-3, 3, 50), RNG.integers(-(2**62), 2**62, 200).repeat(2),
    RNG.integers(0, 2**63, 99).astype(np.uint64) * 2 + 1, np.arange(3000) << 40, np.arange(3000)[::-1] * 65_537,
    RNG.choice([0.0, -0.0, np.nan, 1.5, np.inf, -np.inf], 60), np.full(5, np.nan), RNG.integers(0, 2, 30).astype(bool),
])  # fmt: skip
@pytest.mark.parametrize("mix", [tables._MIX, 0], ids=["hashed", "all in one slot"])
def test_equal_values_have_equal_numbers(
    values: NDArray[Any], mix: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tables, "_MIX", mix)
    number, first = numbered(values)
    places: dict[Any, int] = {}
    rows: list[int] = []
    for row, value in enumerate(values.tolist()):  # the same by a dictionary, one value after another
        if value == value and places.setdefault(value, len(places)) == len(rows):
            rows.append(row)
    assert number.tolist() == [places.get(value, -1) if value == value else -1 for value in values.tolist()]
    assert first.tolist() == rows


def made(seed: int) -> Table:
    rng = np.random.default_rng(seed)
    return Table({
        "hole": Texts(rng.integers(0, 5, 60), ["1", "2", "", "a b", "never 7"][:5]),
        "wall": Texts.of(rng.choice(["near", "far"], 60).tolist()),
        "value": np.where(rng.random(60) < 0.2, np.nan, rng.normal(size=60).round(1)),
        "trial": rng.integers(1, 4, 60).astype(np.int16),
        "date": np.where(rng.random(60) < 0.2, np.datetime64("NaT", "s"), np.datetime64("2026-11-03", "s")),
    })  # fmt: skip


@pytest.mark.parametrize("seed", range(4))
def test_a_table_gives_what_a_data_frame_gives(seed: int) -> None:
    # second route: pandas
    table = made(seed)
    frame = table.frame()
    assert Table.of_frame(frame).records("hole", "trial") == table.records("hole", "trial")
    chosen = table.where(hole="2", wall="far")
    other = frame[(frame["hole"] == "2") & (frame["wall"] == "far")]
    assert chosen.labels.tolist() == other.index.tolist()
    assert other["value"].tolist() == pytest.approx(chosen["value"].tolist(), nan_ok=True)
    groups = frame.groupby(["hole", "wall"], sort=False, observed=True).indices
    assert {key: rows.tolist() for key, rows in table.groups("hole", "wall").items()} == {
        key: rows.tolist() for key, rows in groups.items()
    }
    assert list(table.groups("wall")) == frame["wall"].drop_duplicates().tolist()
    assert table["hole"].isin(["1", "x"]).tolist() == frame["hole"].isin(["1", "x"]).tolist()
    assert table["hole"].there() == [n for n in table["hole"].names if (frame["hole"] == n).any()]
    assert table.pairs("hole", "wall") == set(zip(frame["hole"], frame["wall"], strict=True))
    assert table["hole"].where(table["value"] > 0, "odd").tolist() == frame["hole"].astype(str).where(
        frame["value"] > 0, "odd").tolist()  # fmt: skip


def test_tables_below_one_another_keep_texts_and_labels() -> None:
    one, other = made(1), made(2).with_columns(hole=Texts.of(["7", ""] * 30)).relabelled(60)
    both = joined_tables([one.take(slice(10, 20)), other])
    assert both["hole"].tolist() == [*one["hole"].tolist()[10:20], *other["hole"].tolist()]
    assert both.labels.tolist() == [*range(10, 20), *range(60, 120)]
    assert both.at(61)["hole"] == ""
    assert both.places([12, 9, 119]).tolist() == [2, -1, 69]
    with pytest.raises(KeyError):
        both.at(20)
    assert both["hole"].renamed({"7": "1"}).tolist().count("1") == both["hole"].tolist().count("7") + (
        one["hole"].tolist()[10:20].count("1"))  # fmt: skip


def test_texts_compare_with_texts_of_other_numbers() -> None:
    one, other = Texts.of(["a", "b", "a", ""]), Texts.of(["b", "b", "a", "c"])
    assert (one == other).tolist() == [False, True, True, False]
    assert (one != "a").tolist() == [False, True, False, True]
    assert (one == "z").tolist() == [False] * 4
    assert one[1] == "b"
    assert one[2:].tolist() == ["a", ""]
    assert Texts.of([None, float("nan"), 3]).tolist() == ["", "", "3"]
