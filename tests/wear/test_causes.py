"""What drifts: bushing, drill or seating; and that nothing is said that the readings don't hold.

Fixtures are made up: what drifts is put in by hand and must come out, with nothing else blamed.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from wear_cases import NOMINAL, seated

from holeqc.fixture import result as res
from holeqc.fixture.forecast import FAR, NOW, SHUT, Forecast
from holeqc.fixture.history import DRILL, SIZE_BY, Event, History, history_of, variance_shares
from holeqc.fixture.separate import separate
from holeqc.fixture.study import study
from holeqc.readings.read import read_files
from holeqc.reports.wear import wear_text
from holeqc.specification.load import load_specification

ROOT = Path(__file__).resolve().parents[2]
PARTS = 100
STEP = np.arange(PARTS, dtype=np.float64)


@pytest.fixture(scope="module")
def sample() -> History:
    spec = load_specification(ROOT / "tolerances" / "bl7.toml")
    return history_of(spec, read_files([ROOT / "sample_measurements" / "fixture_history" / "df-bl7_history.csv"], spec))


def made(sample: History, off: np.ndarray, size: np.ndarray) -> History:
    """Return a history of made-up places (P,8,2) and sizes (P,8); zone 0.03 in with bonus, sizes 0.4550 to 0.4620."""
    none = np.full(PARTS, np.nan)
    with np.errstate(invalid="ignore"):
        room = 0.5 * (sample.margins.stated + np.clip(size - 0.4550, 0, sample.margins.most))
        room = room - np.hypot(off[..., 0], off[..., 1])
    margins = replace(
        sample.margins, size_upper=0.4620 - size, size_lower=size - 0.4550, position=room, pattern=none, pins=none,
        place=off[:, :, None], departure=(size - 0.4550)[..., None],
        pattern_radius=np.full((PARTS, 8), np.nan), pins_radius=np.full((PARTS, 8), np.nan),
    )  # fmt: skip
    return replace(
        sample, serials=sample.serials[:PARTS], hand=np.zeros(PARTS, dtype=np.int64), date=sample.date[:PARTS],
        cycle=sample.cycle[:PARTS], off=off, size=size, margins=margins, problems=(),
    )  # fmt: skip


def steady(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return places and sizes of a fixture on which nothing wears."""
    rng = np.random.default_rng(seed)
    off, _ = seated(rng, PARTS, scatter=0.0004)
    off *= 0.3
    size = 0.4582 + rng.normal(0, 0.0003, (PARTS, 1)) + rng.normal(0, 0.0001, (PARTS, 8))
    return off, size


def test_a_drift_of_the_whole_pattern_is_the_seating_s(sample: History) -> None:
    off, size = steady(1)
    off[..., 0] += 0.00012 * STEP[:, None]
    wear = study(made(sample, off, size))
    text = " ".join(wear.advice)
    assert "The seating drifts by (" in text
    assert wear.seat_trends["shift x"].slope == pytest.approx(0.00012, rel=0.05)
    assert "Look at stops and clamp" in text
    assert "Act before part" in text
    assert "Change bushing" not in text
    looks = [o for o in wear.outlooks if o.limit == res.POSITION]
    assert {o.cause for o in looks} == {res.SEATING}
    # by hand, the first hole: mean radius of the zone over the drift
    radius = 0.5 * (sample.margins.stated[0] + 0.0032)
    assert looks[0].forecast.estimate == pytest.approx(1 + radius / 0.00012, rel=0.06)


def test_a_drift_of_one_bushing_is_the_bushing_s(sample: History) -> None:
    off, size = steady(2)
    off[:, 4, 0] += 0.0001 * STEP
    wear = study(made(sample, off, size))
    first = wear.first_of(4)
    assert first is not None
    assert (first.limit, first.cause, first.forecast.state) == (res.POSITION, res.BUSHING, SHUT)
    text = " ".join(wear.advice)
    assert "Change bushing B5" in text
    assert "one part in forty" in text
    assert "The seating drifts" not in text
    shares = {s.cause: s.share for s in variance_shares(separate(NOMINAL, off), NOMINAL)}
    assert shares["bushing drift"] > 20 * shares["bushing offset"]  # nothing sat off at first


def test_with_one_hole_drill_and_bushing_are_not_told_apart(sample: History) -> None:
    off, size = steady(3)
    size = size + 0.00003 * STEP[:, None]
    off[:, [0, 2, 3, 4, 5, 6, 7]] = np.nan
    size[:, [0, 2, 3, 4, 5, 6, 7]] = np.nan
    wear = study(made(sample, off, size))
    text = " ".join(wear.advice)
    assert "that is the drill" not in text
    assert "Change bushing" not in text
    assert "drill, gauge and bushing can't be told apart" in text
    assert "B1, B3, B4, B5, B6, B7, B8: no readings." in text


def test_what_all_holes_share_may_be_drill_or_gauge_or_all_bushings(sample: History) -> None:
    off, size = steady(4)
    size = size + 0.00002 * STEP[:, None]
    wear = study(made(sample, off, size))
    (told,) = [t for t in wear.advice if t.startswith("All sizes drift together by +0.0020 inch per 100 parts")]
    assert "the drill or the bore gauge or all bushings worn alike" in told
    assert "To decide: a master ring" in told
    assert {o.cause for o in wear.outlooks if o.limit == res.SIZE_UPPER} == {res.ALL_SIZES}
    assert not any("Change bushing" in t for t in wear.advice)
    assert "forecast (all sizes together)" in wear_text(wear)


def test_a_drift_that_starts_anew_at_each_regrind_is_the_drill_s_and_one_that_does_not_is_not(sample: History) -> None:
    regrinds = [Event(DRILL, 26.0), Event(DRILL, 51.0), Event(DRILL, 76.0)]
    off, size = steady(4)
    teeth = study(made(sample, off, size + 0.00004 * (STEP % 25)[:, None]), regrinds)
    assert any("starts anew at each regrind: the drill." in t for t in teeth.advice)
    through = study(made(sample, off, size + 0.00002 * STEP[:, None]), regrinds)
    (told,) = [t for t in through.advice if t.startswith("All sizes drift together")]
    assert "the bore gauge or all bushings worn alike" in told
    assert "the drill" not in told.split("To decide")[0]


def test_regrinds_go_on_as_logged(sample: History) -> None:
    regrinds = [Event(DRILL, 26.0), Event(DRILL, 51.0), Event(DRILL, 76.0)]
    off, size = steady(15)
    size = size + 0.00003 * (STEP % 25)[:, None]
    size[:, 2] += 0.00002 * STEP
    first = study(made(sample, off, size), regrinds).first_of(2)
    assert first is not None
    assert first.usual is not None
    # by hand: 0.4620 - 0.4582 = 0.0038 is used by 0.00002 t + 0.00003 (t - 75) from t = 121 on if nobody regrinds; with
    # regrinds each 25 parts the drill takes 0.00072 at most: from t = 154 on, at the end of a tooth (150 to 174): 166
    assert first.forecast.estimate == pytest.approx(1 + 0.00605 / 0.00005, abs=4)
    assert first.usual.estimate == pytest.approx(1 + (0.0038 + 0.0045) / 0.00005, abs=12)
    assert first.usual.lower is not None
    assert first.forecast.upper is not None
    assert first.forecast.upper < first.usual.estimate


def test_another_reader_in_the_sheets_explains_a_step_of_all_sizes(sample: History) -> None:
    off, size = steady(16)
    size = size + 0.0006 * (STEP >= 40)[:, None]
    who = tuple("first" if k < 40 else "second" for k in range(PARTS))
    wear = study(replace(made(sample, off, size), marks={SIZE_BY: who}))
    assert any("another reader (first, then second)" in t and "the reader" in t for t in wear.advice)
    without = study(made(sample, off, size))
    assert any(t.startswith("All sizes jump together by +0.000") for t in without.advice)


def test_a_bushing_that_gets_loose_is_named(sample: History) -> None:
    off, size = steady(17)
    off[:, 5] += np.random.default_rng(17).normal(0, 0.0006, (PARTS, 2)) * (STEP / PARTS)[:, None]
    wear = study(made(sample, off, size))
    assert [x.hole for x in wear.loose] == [5]
    assert any(t.startswith("Bushing B6 (hole 6) scatters more and more") for t in wear.advice)
    assert 5 not in {p.hole for p in wear.power}  # nobody says of it that no wear is seen


def test_no_wear_is_said_with_how_small_a_wear_would_have_been_seen(sample: History) -> None:
    off, size = steady(18)
    wear = study(made(sample, off, size))
    assert [p.hole for p in wear.power] == list(range(8))
    seen = max(p.seen for p in wear.power)
    found = 0
    for seed in range(20, 30):
        off, size = steady(seed)
        off[:, 4, 0] += 1.5 * seen * STEP
        found += study(made(sample, off, size)).drifts(4)
    assert found >= 8  # at that size 9 of 10 are promised, at half as much again more


def test_a_jump_is_said_once_with_the_place_before_and_after(sample: History) -> None:
    off, size = steady(5)
    off[60:, 4] += (0.004, -0.002)
    wear = study(made(sample, off, size))
    about = [t for t in wear.advice if "B5" in t and ("jumps" in t or "sits off" in t)]
    assert len(about) == 1
    assert "part 61" in about[0]


def test_nothing_is_called_worn_or_off_where_nothing_is(sample: History) -> None:
    for seed in range(6, 10):
        off, size = steady(seed)
        off[:, 1] += (0.0003, 0.0002)  # below the gauge's U of 0.0006 in
        wear = study(made(sample, off, size))
        text = " ".join(wear.advice)
        assert 2 * sample.gauge_scatter == pytest.approx(0.0006)  # the kit's gauge of places
        assert "sits off" not in text
        assert "drifts" not in text
        assert "no wear of their place is seen" in text
        assert "Change bushing" not in text


def test_a_hole_without_readings_is_named(sample: History) -> None:
    off, size = steady(12)
    off[:, 1], size[:, 1] = np.nan, np.nan
    wear = study(made(sample, off, size))
    assert "B2: no readings." in wear.advice
    assert not any("nothing can be forecast" in t for t in wear.advice)
    assert wear.first_of(1) is None


def test_a_limit_that_was_passed_says_since_when(sample: History) -> None:
    off, size = steady(13)
    size[:, 2] += 0.00006 * STEP
    wear = study(made(sample, off, size))
    first = wear.first_of(2)
    assert first is not None
    assert (first.forecast.state, first.cause) == (NOW, res.BUSHING)
    # by hand: 0.4620 - 0.4582 = 0.0038 is 63.3 parts of 0.00006
    assert first.forecast.estimate == pytest.approx(64.3, abs=3)
    assert any("since about part 6" in t for t in wear.advice)


@pytest.mark.parametrize(
    ("state", "before", "singles", "act"),
    [(SHUT, 184.0, 172.0, 172.0), (SHUT, 184.0, 190.0, 184.0), (SHUT, 184.0, 60.0, 80.0), (FAR, 184.0, 172.0, 184.0)],
)
def test_what_comes_first_is_what_to_act_by(state: str, before: float, singles: float, act: float) -> None:
    found = Forecast(state, 80.0, 1.0, 80, 0.01, 0.001, None, None, None, before, singles)
    assert (found.act, found.left) == (act, act - 80.0)
