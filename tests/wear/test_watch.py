"""The whole way: sample history, events, words, frames, JSON, pages, command.

The sample is invented (tests/samples/build_samples.py): bushing B3 wears from plate 90 on by (0.000032, 0.000012) in
and 0.000009 in of size a plate, B6 sits off by (0.0009, -0.0006) in, plates 150 to 153 were clamped out of seat by
(0.016, -0.006) in and 0.0012 rad. What the study must find is worked out from these by hand.
"""

from __future__ import annotations

import csv
import html
import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from wear_cases import NOMINAL, seated

import holeqc
from holeqc.__main__ import run
from holeqc.answers.fixture import events_of, events_table
from holeqc.fixture import history as ev
from holeqc.fixture.history import History, counted, history_of
from holeqc.fixture.result import CHANNELS, COLUMNS, PART_COLUMNS, PINS, SIZE_UPPER, Wear, advice, due_bushings
from holeqc.fixture.study import study
from holeqc.problems import DataError, ReadingsError
from holeqc.readings.read import read_files
from holeqc.reports.pages import html_page
from holeqc.reports.wear import DATA, HTML, PDF, wear_report, write_wear
from holeqc.specification.load import load_specification
from holeqc.specification.model import Specification

ROOT = Path(__file__).resolve().parents[2]
KIT = ROOT / "tolerances" / "bl7.toml"
FOLDER = ROOT / "sample_measurements" / "fixture_history"


@pytest.fixture(scope="module")
def spec() -> Specification:
    return load_specification(KIT)


@pytest.fixture(scope="module")
def history(spec: Specification) -> History:
    return history_of(spec, read_files([FOLDER / "df-bl7_history.csv"], spec))


@pytest.fixture(scope="module")
def logged(history: History) -> list[ev.Event]:
    with (FOLDER / "df-bl7_events.csv").open(encoding="utf-8", newline="") as file:
        events, problems = ev.events_from(csv.DictReader(file), history)
    assert problems == []
    return events


@pytest.fixture(scope="module")
def wear(history: History, logged: list[ev.Event]) -> Wear:
    return study(history, logged)


def test_history_is_in_order_and_in_the_drawing_s_frame(history: History) -> None:
    assert len(history) == 240
    assert history.serials[:2] == ("P-1001", "S-1002")
    assert (np.diff(history.date.astype("int64")) >= 0).all()
    # by hand from the first lines of the file: hole 1 of P-1001, walls 1.5036/1.2469 and 1.5037/1.2468, drawn 1.5, 1.25
    np.testing.assert_allclose(history.off[0, 0], (0.00365, -0.00315), atol=1e-12)
    assert history.size[0, 0] == pytest.approx((0.4583 + 0.4582 + 0.4580 + 0.4581) / 4)
    assert history.margins.size_upper[0, 0] == pytest.approx(0.4620 - 0.4583)


def test_worn_bushing_is_first_and_does_not_drag_the_seating(wear: Wear) -> None:
    assert wear.history.bushings[wear.order[0]] == "B3"
    s = wear.separation
    assert s is not None
    mean = np.median(s.rest, axis=0)
    # by hand: B3 has worn 150 plates of 240; the mean over all is 0.000032 * 150 * 151 / 2 / 240 = 0.00151
    assert s.rest[:, 2, 0].mean() == pytest.approx(0.00151, abs=0.00012)
    assert s.rest[:, 5].mean(axis=0) == pytest.approx((0.0009, -0.0006), abs=0.00012)
    assert np.abs(mean[[0, 1, 3, 4, 6, 7]]).max() < 0.00015
    b3 = next(b for b in wear.bushings if b.hole == 2)
    assert b3.offset == pytest.approx((0.000032 * 140.5, 0.000012 * 140.5), abs=0.0008)  # mean of the last 20 plates
    assert wear.told(b3.trends[CHANNELS[0]])
    assert wear.told(b3.trends[CHANNELS[3]])
    assert wear.moving.best == (2,)
    # 131 plates count since the change is surely past; they scatter by 0.0009: standard error 0.0000021
    assert b3.trends[CHANNELS[0]].slope == pytest.approx(0.000032, abs=0.000005)


def test_parts_out_of_seat_are_those_that_were(wear: Wear) -> None:
    assert wear.seating is not None
    assert (np.flatnonzero(wear.seating.out) + 1).tolist() == [150, 151, 152, 153]
    away = (wear.seating.values - wear.seating.centre)[149:153].mean(axis=0)
    assert away[:2] == pytest.approx((0.016, -0.006), abs=0.0025)  # 0.0012 sd of seating, mean of four
    assert away[2] == pytest.approx(0.0012, abs=0.00015)
    assert any("Parts 150 to 153 (S-1150 to P-1153)" in text for text in wear.advice)


def test_unlogged_begin_of_wear_is_asked_about(wear: Wear) -> None:
    (found,) = wear.found
    assert (found.hole, found.channels) == (2, (*CHANNELS[:2], CHANNELS[3]))
    assert found.change.first <= 95
    assert found.change.last >= 85
    assert any("B3" in text and "nobody logged" in text and "What happened" in text for text in wear.advice)


def test_forecast_holds_what_the_sample_was_built_with(wear: Wear) -> None:
    first = wear.outlooks[0]
    assert (first.limit, first.hole) == (SIZE_UPPER, 2)
    f, usual = first.forecast, first.usual
    assert f.start == wear.found[0].change.last  # what drifts counts from the change that nobody logged
    assert usual is not None
    # by hand: the largest of two and two diameters of 0.00015 scatter, the far ones 0.0002 smaller, is 0.0001 over the
    # mean near diameter; 0.4620 - 0.4578 - 0.0001 = 0.0041 of room is used by 0.000009 a plate from plate 90
    # on and 0.000006 a plate since the last regrind, that before plate 181 if nobody regrinds, each 60 plates as usual
    nobody = (0.0041 + 0.000009 * 90 + 0.000006 * 181) / 0.000015
    regrinding = (0.0041 + 0.000009 * 90 + 0.000006 * 481) / 0.000015
    assert regrinding == pytest.approx(520, abs=1)
    for found, truth in ((f, nobody), (usual, regrinding)):
        assert found.lower is not None
        assert found.upper is not None
        assert found.before is not None
        assert found.lower < found.before < truth < found.upper
    pins = next(o for o in wear.outlooks if o.limit == PINS)
    assert (pins.hole, pins.forecast.state) == (2, "forecast")
    assert f.act is not None
    assert f"Change bushing B3 (hole 3) before part {int(f.act)}" in wear.advice[0]
    assert "if you regrind as usual, before part" in wear.advice[0]


def test_a_steady_offset_is_no_wear_and_the_drill_is_told_by_its_regrinds(wear: Wear) -> None:
    assert not any("rue it up" in text for text in wear.advice)  # B6 takes a quarter of the pattern's room at most
    assert any(text.startswith("B1, B2, B4, B5, B6, B7, B8: no wear of their place is seen") for text in wear.advice)
    assert wear.sizes.slope == pytest.approx(0.000006, abs=0.000002)  # as the sample was built
    assert any("starts anew at each regrind: the drill." in text for text in wear.advice)
    assert not any(text.startswith("Change bushing B") and "B3" not in text for text in wear.advice)


def test_a_logged_change_of_bushing_restarts_its_trend_only(history: History, logged: list[ev.Event]) -> None:
    changed = study(history, [*logged, ev.Event(ev.BUSHING, 200.0, frozenset({2}))])
    trends = {b.hole: b.trends for b in changed.bushings}
    assert trends[2][CHANNELS[0]].start == 200
    assert trends[4][CHANNELS[0]].start == 1
    outlook = {(o.limit, o.hole): o.forecast for o in changed.outlooks}
    assert outlook[SIZE_UPPER, 2].start >= 200
    assert outlook[SIZE_UPPER, 4].start == 1
    assert ev.starts(changed.events, ev.SEATING) == [1.0]


def test_frame_change_restarts_the_seating() -> None:
    rng = np.random.default_rng(1)
    off, _ = seated(rng, 120)
    off[60:] += (0.03, 0.0)  # the machine's zero was moved
    made = _history(off)
    silent = study(made)
    assert [(f.hole, f.change.kind, f.change.cycle) for f in silent.found] == [(None, "jump", 61.0)]
    assert any("the machine set anew" in text for text in silent.advice)
    told = study(made, [ev.Event(ev.FRAME, 61.0)])
    assert told.found == ()
    assert told.seating is not None
    assert told.seating.out.sum() == 0


def _history(off: np.ndarray) -> History:
    spec = load_specification(KIT)
    full = history_of(spec, read_files([FOLDER / "df-bl7_history.csv"], spec))
    parts = off.shape[0]
    nothing = np.full((parts, 8), np.nan)
    none = np.full(parts, np.nan)
    margins = replace(full.margins, size_upper=nothing, size_lower=nothing, position=nothing, pattern=none, pins=none,
                      place=off[:, :, None],
                      departure=nothing[..., None], pattern_radius=nothing, pins_radius=nothing)  # fmt: skip
    assert np.array_equal(full.nominal, NOMINAL)
    return replace(full, serials=full.serials[:parts], hand=np.zeros(parts, dtype=np.int64), date=full.date[:parts],
                   cycle=full.cycle[:parts], off=off, size=nothing, margins=margins)  # fmt: skip


def test_events_are_placed_and_faults_are_named(history: History) -> None:
    day = str(history.date[99])
    rows = [
        {"serial": "P-1061", "event": "Drill re-sharpened", "bushing": "B1, 2"},
        {"cycle": "50", "event": "Bushing replaced", "bushing": "b3"},
        {"date": day, "event": "fixture repaired"}, {"serial": "P-9999", "event": "bushing changed"},
        {"cycle": "7", "event": "tea", "bushing": "B77"}, {"serial": "", "event": ""},
    ]  # fmt: skip
    events, problems = ev.events_from(rows, history, "events.csv")
    assert [(e.kind, e.cycle, e.bushings) for e in events] == [
        (ev.BUSHING, 50.0, frozenset({2})), (ev.DRILL, 61.0, frozenset({0, 1})),
        (ev.REPAIR, float(np.flatnonzero(history.date >= history.date[99])[0] + 1), frozenset()),
    ]  # fmt: skip
    assert [p.code for p in problems] == ["event-not-placed", "event-unknown", "event-bushing"]
    assert problems[0].cell == "row 5"
    assert "nearest" in problems[0].allowed


def test_parts_that_are_not_in_the_files_are_counted(history: History) -> None:
    day = history.date[99].astype("datetime64[D]")
    by_then = int((history.date.astype("datetime64[D]") <= day).sum())
    rows = [
        {"serial": "P-1061", "cycle": "122", "event": "drill reground"},
        {"serial": "P-1121", "event": "drill reground"},
        {"date": str(day), "cycle": "260", "event": "parts counted"},
        {"serial": "S-1240", "cycle": "500", "event": "Counter read"},
    ]  # fmt: skip
    counts = ev.counts_from(rows, history)
    assert counts == {60: 122.0, by_then - 1: 260.0, 239: 500.0}
    all_ = counted(history, counts)
    assert (all_.cycle[[0, 60, by_then - 1, 239]] == [2.0, 122.0, 260.0, 500.0]).all()
    assert (np.diff(all_.cycle) >= 1.0).all()
    assert all_.made == 500
    events, problems = ev.events_from(rows, all_)
    assert [(e.kind, e.cycle) for e in events] == [(ev.DRILL, 122.0), (ev.DRILL, all_.cycle[120])]
    assert problems == []
    # after the last count the parts stand as close as between the last two
    assert counted(history, {119: 240.0}).cycle[-1] == pytest.approx(480.0)
    assert counted(history, {119: 120.0}) is history  # nothing but the files
    with pytest.raises(DataError, match="as part 40; from the first part to it the files hold 61 parts"):
        counted(history, {60: 40.0})
    with pytest.raises(DataError, match=r"from P-1061 \(part 100\) to it the files hold 60 parts"):
        counted(history, {60: 100.0, 120: 150.0})


def test_a_column_of_the_sheets_counts_the_parts_drilled(tmp_path: Path) -> None:
    sheet = (FOLDER / "df-bl7_history.csv").read_text(encoding="utf-8").splitlines()[: 1 + 16 * 20]
    files = [tmp_path / "counted.csv", tmp_path / "wrong.csv"]
    for file, per in zip(files, (3, 0), strict=True):
        rows = [sheet[0] + ",Parts drilled", *(f"{row},{per * (k // 16) + 3}" for k, row in enumerate(sheet[1:]))]
        file.write_text("\n".join(rows), encoding="utf-8")
    counted_, wrong = (holeqc.wear(KIT, file) for file in files)
    assert counted_.wear.history.cycle.tolist() == [3.0 * n for n in range(1, 21)]
    assert "Part numbers count all 60 parts drilled" in counted_.text
    assert wrong.wear.history.cycle.tolist() == list(range(1, 21))
    assert any("is counted as part 3; from" in p.sentence() for p in wrong.problems)


def test_before_part_is_a_count_of_holes_drilled(history: History, logged: list[ev.Event], wear: Wear) -> None:
    twice = counted(history, {239: 480.0})
    events = [replace(e, cycle=float(twice.cycle[int(e.cycle) - 1])) for e in logged]
    found = study(twice, events)
    one, other = wear.first_of(2), found.first_of(2)
    assert one is not None
    assert other is not None
    assert one.forecast.act is not None
    assert other.limit == one.limit
    assert other.forecast.act == pytest.approx(2 * one.forecast.act, rel=0.01)
    assert other.forecast.estimate == pytest.approx(2 * (one.forecast.estimate or 0.0), rel=0.01)
    # a record counts the parts that come into files: as many as before
    assert due_bushings(found)[0][2] == pytest.approx(due_bushings(wear)[0][2], abs=3)


def test_frames_and_plain_data(wear: Wear) -> None:
    frame, parts = wear.frame(), wear.parts_frame()
    assert list(frame.columns) == list(COLUMNS)
    assert frame["bushing"].tolist()[0] == "B3"
    assert list(parts.columns) == list(PART_COLUMNS)
    assert parts["out_of_seat"].sum() == 4
    data = json.loads(json.dumps(wear.as_dict(), allow_nan=False))
    assert set(data) == {
        "fixture", "unit", "parts", "holes", "advice", "bushings", "forecasts", "changes", "seating", "shares",
        "identifiability", "sizes", "explanations", "loosening", "would_have_seen", "left_out", "made", "events",
        "problems",
    }  # fmt: skip
    assert data["seating"]["out_of_seat"] == ["S-1150", "P-1151", "S-1152", "P-1153"]
    assert "8 holes give 16 coordinates a part; shift, turn and scale take 4" in data["identifiability"][0]


def test_pages_hold_the_answer_and_come_out_alike(wear: Wear, spec: Specification, tmp_path: Path) -> None:
    paths = write_wear(wear, spec, tmp_path / "page")
    assert [p.name for p in paths] == [HTML, PDF, DATA]
    text = paths[0].read_text(encoding="utf-8")
    assert html.escape(wear.advice[0]) in text
    assert "<script" not in text
    assert "ellipse" in text
    assert "Local codes prevail" in text
    assert "no published life of drill bushings" in text
    assert paths[1].read_bytes().startswith(b"%PDF")
    again = write_wear(wear, spec, tmp_path / "again")
    assert [p.read_bytes() for p in paths] == [p.read_bytes() for p in again]


def test_what_is_recorded_of_a_forecast_are_the_bushings_to_change(
    wear: Wear, capsys: pytest.CaptureFixture[str]
) -> None:
    (due,) = due_bushings(wear)  # of the sample B3 alone wears
    look = wear.first_of(2)
    assert look is not None
    assert due == ("B3", look.limit, math.floor(look.forecast.left or math.nan))
    assert run(["wear", str(KIT), "history.csv", "--record", "--by", "engineer"]) == 2
    assert "give --ledger too" in capsys.readouterr().err


def test_the_page_shows_whole_on_a_bench_screen_and_on_a_telephone(
    wear: Wear, spec: Specification, fits_windows: Callable[[str], None]
) -> None:
    fits_windows(html_page(wear_report(wear, spec)))


def test_names_from_sheets_are_escaped(wear: Wear, spec: Specification) -> None:
    history = replace(wear.history, bushings=("<b>1", *wear.history.bushings[1:]))
    page = html_page(wear_report(replace(wear, history=history), spec))
    assert "<b>1" not in page
    assert "&lt;b&gt;1" in page


def test_command(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    files = [str(KIT), str(FOLDER / "df-bl7_history.csv"), "--events", str(FOLDER / "df-bl7_events.csv")]
    assert run(["wear", *files, "--json", "--out", str(tmp_path / "out")]) == 0
    shown = capsys.readouterr()
    data = json.loads(shown.out)
    assert data["bushings"][0]["bushing"] == "B3"
    assert [e["cycle"] for e in data["events"]] == [61, 121, 181]
    assert "fixture.html" in shown.err
    assert json.loads((tmp_path / "out" / DATA).read_text(encoding="utf-8")) == data


def test_one_sheet_of_one_part_is_answered(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["wear", str(KIT), str(ROOT / "sample_measurements" / "bl7_P-0107.xlsx")]) == 0
    shown = capsys.readouterr().out
    assert "nothing can be forecast from 1 part; at least 8" in shown
    assert "out of seat" not in shown


def test_a_steady_history_seldom_shows_a_part_out_of_seat() -> None:
    rng = np.random.default_rng(3)
    runs = [study(_history(seated(rng, parts)[0])).seating for parts in (12, 20, 40) for _ in range(5)]
    assert sum(int(s is not None and s.out.any()) for s in runs) <= 1  # 1 % of 15 are promised


def test_what_to_do_is_written_for_people(wear: Wear, spec: Specification) -> None:
    told = " ".join(wear.advice)
    assert " in per 100" not in told
    assert ") in and turned" not in told
    assert "e-0" not in told
    assert "half of the parts fail the size's upper limit from about part" in told
    # both changes of B3 are one question, its offset and its size with their paces per 100 parts
    (asked,) = [text for text in wear.advice if "changes its pace" in text]
    assert asked.startswith("Bushing B3 (hole 3) changes its pace at part ")
    # as the sample was built: 0.000032 of offset x and 0.000009 of size a plate from plate 90 on, none before
    assert "offset x from 0.0000 to +0.0028 inch" in asked
    assert "size against the others from -0.0002 to +0.0009 inch" in asked
    page = html_page(wear_report(wear, spec))
    assert "Bushing B3 (hole 3): forecast, act before part" in page
    assert "Below each name: length of the arrow&#x27;s offset in inch" in page


def test_what_no_change_explains_as_well_is_said_with_may(wear: Wear) -> None:
    told = [text for text in advice(wear) if "per 100 parts since" in text and text.startswith("Bushing")]
    assert told
    assert not any("may drift" in text for text in told)
    doubted = [replace(a, rest=("no change",)) for a in wear.accounts]
    for accounts in ((), tuple(doubted)):
        said = list(advice(replace(wear, accounts=accounts)))
        assert [t.replace("may drift", "drifts") for t in said if "may drift" in t] == told
    # nor do all sizes drift where a jump is as likely
    sizes = wear.sizes
    assert sizes.account is not None
    steps = replace(wear, sizes=replace(sizes, account=replace(sizes.account, rest=("steps",))))
    assert any(t.startswith("All sizes drift") for t in advice(wear))
    assert not any(t.startswith("All sizes drift") for t in advice(steps))


def test_a_turn_or_a_scale_has_its_own_unit(wear: Wear) -> None:
    from holeqc.fixture.result import amount

    assert amount(wear, "turn", 0.00118) == ("+1.18", "mrad")
    assert amount(wear, "scale", -0.000042) == ("-42", "parts per million")
    assert amount(wear, CHANNELS[0], -0.00002) == ("0.0000", "inch")
    assert amount(wear, CHANNELS[0], 0.0031) == ("+0.0031", "inch")


def test_the_table_of_events_is_named_with_its_digest(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import hashlib

    events = FOLDER / "df-bl7_events.csv"
    command = ["wear", str(KIT), str(FOLDER / "df-bl7_history.csv"), "--events", str(events), "--out", str(tmp_path)]
    assert run(command) == 0
    assert "lengths in inch" in capsys.readouterr().out
    page = (tmp_path / HTML).read_text(encoding="utf-8")
    assert hashlib.sha256(events.read_bytes()).hexdigest() in page


def test_events_among_the_readings_are_sent_to_their_option(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["wear", str(KIT), *map(str, sorted(FOLDER.glob("*.csv")))]) == 2
    error = capsys.readouterr().err
    assert "df-bl7_events.csv" in error
    assert "--events" in error


def test_events_under_titles_with_bars(history: History, tmp_path: Path) -> None:
    path = tmp_path / "events.txt"
    path.write_text(
        "Log of the fixture\nkept by the bench\n\nSerial|Event|Bushing|Note\nP-1061|drill reground|-|\n"
        "P-9999|bushing changed|B3|\n",
        encoding="utf-8",
    )
    events, problems = events_of(events_table(path), history)
    assert [(e.kind, e.cycle, e.bushings) for e in events] == [(ev.DRILL, 61.0, frozenset())]
    assert [(p.code, p.cell) for p in problems] == [("event-not-placed", "row 6")]
    for text, words in (("part,size\n1,0.455\n", "what was done"), ("event,note\ndrill reground,\n", "which day")):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(ReadingsError, match=words):
            events_of(events_table(path), history)
