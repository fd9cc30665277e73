"""`holeqc first-parts` and `holeqc lot`: screens, what an event leaves, draws that can't be done over in silence.

What must be said or refused stands beside each case; the numbers are checked in tests/sampling.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import holeqc
from holeqc.__main__ import run
from holeqc.answers.sampling import first_parts
from holeqc.ledger import draws
from holeqc.sampling import lots

ROOT = Path(__file__).resolve().parents[2]
KIT = str(ROOT / "tolerances" / "bl7.toml")
SAMPLES = ROOT / "sample_measurements"


@pytest.fixture(autouse=True)
def alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("HOLEQC_LEDGER", raising=False)
    monkeypatch.setenv("HOLEQC_BY", "bench 2")
    # draws are of a day before the sample sheets
    monkeypatch.setattr("holeqc.ledger.ledger.now", lambda: ("2026-11-01T09:00:00.000000Z", 0))


def sheet(parts: int, *, small: int | None = None, name: str = "parts.csv") -> Path:
    """Write readings of parts in full lengths; hole 2 of part ``small`` is under its lower limit."""
    kit, rng = holeqc.load_kit(KIT), np.random.default_rng(parts)
    lines = ["date,serial,part,hole,wall,dia 0,dia 90,x,y,unit"]
    for p in range(parts):
        shift = rng.normal(0, 0.002, 2)
        for hole in kit.holes:
            x, y = np.array([hole.x, hole.y]) + shift + rng.normal(0, 0.0004, 2)
            for wall in kit.walls.names:
                a, b = 0.4584 + rng.normal(0, 0.0003, 2) - (0.0045 if p == small and hole.id == "2" else 0)
                day = f"2026-{1 + p // 28:02d}-{1 + p % 28:02d}"
                lines.append(f"{day},P-{p + 1:04d},port,{hole.id},{wall},{a:.4f},{b:.4f},{x:.4f},{y:.4f},in")
    path = Path(name)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_the_kit_alone_says_how_many(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["first-parts", KIT, "--share", "0.95", "--confidence", "0.95"]) == 0
    said = capsys.readouterr().out
    assert all(words in said for words in ("59 parts, all good", "93 parts, 1 bad", "124 parts, 2 bad"))
    assert "drawing, the contract and the customer" in said
    assert run(["first-parts", KIT, "--share", "95"]) == 2
    assert "0.95 for 95 %" in capsys.readouterr().err


def test_what_readings_prove(capsys: pytest.CaptureFixture[str]) -> None:
    answer = first_parts(KIT, sheet(20))
    data = answer.data
    assert data["part"]["grounds"][0]["counted"] == 20
    assert data["part"]["share"] == pytest.approx(0.1 ** (1 / 20))
    assert data["part"]["more"] == 25
    assert [hole["hole"] for hole in data["holes"]] == [str(n) for n in range(1, 9)]
    by_values = data["holes"][0]["measured"]
    assert {name: proof["how"] for name, proof in by_values.items()} == {
        "size": "normal", "position": "two coordinates", "hole-to-hole position": "two coordinates",
    }  # fmt: skip
    assert min(proof["share"] for proof in by_values.values()) > 0.97
    assert data["part_measured"]["share"] > 0.89
    assert data["never"] == ["surface", "GO", "NO-GO"]
    assert "nothing is proven of surface, GO, NO-GO" in " ".join(answer.text.split())
    assert "25 more good parts are needed" in answer.text


def test_u_is_taken_off_before_a_part_counts_as_good() -> None:
    kit = Path("kit.toml")
    text = (ROOT / "tolerances" / "bl7.toml").read_text(encoding="utf-8")
    kit.write_text(text.replace("uncertainty = 0.0003 ", "uncertainty = 0.0033 "), encoding="utf-8")
    found = first_parts(kit, sheet(20)).data  # the holes lie 0.0034 above the lower limit: U leaves next to nothing
    assert found["part"]["grounds"][0]["bad"] > 10
    assert found["part"]["more"] > 100


def test_a_bad_part_is_counted_where_it_is_bad() -> None:
    found = first_parts(KIT, sheet(20, small=4)).data
    assert found["part"]["grounds"][0]["bad"] == 1
    assert [hole["counted"]["grounds"][0]["bad"] for hole in found["holes"]] == [0, 1, 0, 0, 0, 0, 0, 0]
    assert found["part"]["more"] == 77 - 20


def test_values_prove_nothing_where_a_part_is_bad_without_a_number() -> None:
    readings = sheet(20)
    text = readings.read_text(encoding="utf-8").splitlines()
    # hole 3 of one part: an x a foot off is doubted, so that its place has no value
    at = next(n for n, line in enumerate(text) if line.startswith("2026-01-05") and ",3,near," in line)
    cells = text[at].split(",")
    cells[7] = f"{float(cells[7]) + 12:.4f}"
    readings.write_text("\n".join([*text[:at], ",".join(cells), *text[at + 1 :]]) + "\n", encoding="utf-8")
    found = first_parts(KIT, readings).data
    assert found["part"]["grounds"][0]["bad"] == 1
    assert found["part_measured"] is None
    assert "position" not in found["holes"][2]["measured"]
    assert "position" in found["holes"][3]["measured"]


def test_values_that_drift_say_nothing_of_later_parts() -> None:
    history = SAMPLES / "fixture_history"
    made = first_parts(KIT, history / "df-bl7_history.csv", events=history / "df-bl7_events.csv")
    third = made.data["holes"][2]["measured"]["size"]  # by `holeqc wear` half fail from about part 400 on
    assert (third["n"], third["how"], third["share"], third["needed"]) == (60, "drifts", 0, None)
    assert {made.data[of]["how"] for of in ("part_measured", "pins")} == {"drifts"}
    assert made.data["holes"][3]["measured"]["size"]["how"] == "normal"
    assert any(p.code == "drifts" and "hole 3 size (+0.00145 in per 100 parts)" in p.message for p in made.problems)
    row = next(line for line in made.text.splitlines() if line.startswith("3  "))
    assert row.split()[-1] == "drifts"
    assert "enough, but only if the process stays as it was, and it drifts" in " ".join(made.text.split())
    steady = first_parts(KIT, sheet(60))
    assert steady.data["drifts"] == []
    assert "drift" not in steady.text
    assert steady.data["part_measured"]["share"] > 0.5


def test_what_an_event_leaves() -> None:
    readings = sheet(20, small=4)
    events = Path("events.csv")
    events.write_text("serial,event,bushing\nP-0011,bushing changed,B2\n", encoding="utf-8")
    found = first_parts(KIT, readings, events=events).data
    assert found["part"]["grounds"][0]["counted"] == 10  # since the change, in everything
    assert [g["bad"] for g in found["part"]["grounds"]] == [0]
    [restart] = found["restarts"]
    assert (restart["serial"], restart["what"], restart["where"]) == ("P-0011", "bushing changed", "B2")
    assert {"size", "position", "hole-to-hole position", "pins together"} <= set(restart["anew"])
    sizes = [hole["measured"]["size"]["n"] for hole in found["holes"]]
    assert sizes == [20, 10, 20, 20, 20, 20, 20, 20]  # of the others all sizes go on counting
    events.write_text("serial,event,bushing\nP-0011,bushing changed,B5\n", encoding="utf-8")
    elsewhere = first_parts(KIT, readings, events=events).data
    assert sum(g["bad"] for g in elsewhere["part"]["grounds"]) == 1  # what hole 2 was isn't forgiven for B5
    assert elsewhere["part"]["share"] < found["part"]["share"]
    events.write_text("date,event,bushing\n2026-11-01,fixture repaired,all\n", encoding="utf-8")
    behind = first_parts(KIT, readings, events=events)  # after the last part: no part speaks for the fixture as it is
    assert behind.data["part"]["grounds"][-1]["counted"] == 0
    assert behind.data["part"]["share"] == 0
    assert "after the last part: proven anew are position" in " ".join(behind.text.split())


def test_a_plan_says_what_it_lets_through(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["lot", "plan", "--size", "500", "--aql", "1.0", "--plot", "curve.svg"]) == 0
    said = capsys.readouterr().out
    assert "Read 50 of 500 parts, accept on 1 bad or fewer" in said
    assert "table II-A, single: letter H" in said
    assert "an accepted lot may hold bad ones" in said
    assert "<svg" in (tmp_path / "curve.svg").read_text(encoding="utf-8")
    assert run(["lot", "plan", "--size", "100", "--aql", "1.0", "--before", "arar"]) == 0
    assert "Tightened inspection: 2 of 4 lots in a row were not accepted" in capsys.readouterr().out
    for wrong in (["--aql", "1.0", "--bad", "2"], [], ["--variables", "--bad", "2"], ["--aql", "1", "--before", "xy"]):
        assert run(["lot", "plan", "--size", "100", *wrong]) == 2
    capsys.readouterr()


def test_a_sample_by_variables(capsys: pytest.CaptureFixture[str]) -> None:
    values = 0.4584 + np.random.default_rng(1).normal(0, 0.0004, 10)
    Path("sizes.csv").write_text("size\n" + "\n".join(f"{v:.4f}" for v in values) + "\n", encoding="utf-8")
    plan = ["lot", "plan", "--size", "120", "--aql", "1.0", "--variables", "--readings", "sizes.csv"]
    plan += ["--column", "size"]
    assert run([*plan, "--lower", "0.455", "--upper", "0.462"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "ACCEPTED: mean 0.4" in said
    at_most = said.partition("with two limits where at most ")[2].partition(" %")[0]
    assert f"M = {at_most} %" in said  # head and verdict go by the same number
    assert run([*plan, "--lower", "0.4582"]) == 1
    assert "NOT ACCEPTED" in capsys.readouterr().out


def test_a_draw_is_on_record_before_the_readings_and_judges_them(capsys: pytest.CaptureFixture[str]) -> None:
    draw = ["lot", "draw", "L-1", "--kit", KIT, "--serial", "P-0101..P-0112", "--bad", "11", "--json"]
    run(["check", KIT, str(SAMPLES / "bl7_P-0109.csv"), "--record"])
    capsys.readouterr()
    assert run(draw) == 0
    made = json.loads(capsys.readouterr().out)
    assert len(made["parts"]) == 12
    assert made["drawn"] == lots.drawn(made["parts"], made["n"], made["seed"])
    assert run(["lot", "judge", "L-1"]) == 3  # nothing was read since
    # the same parts under another name are a second draw
    again = ["lot", "draw", "L-2", "--kit", "BL-7", "--serial", "P-0107,P-0110", "--bad", "1"]
    capsys.readouterr()
    assert run(again) == 2
    assert "drawn from already, as lot L-1" in capsys.readouterr().err
    assert run([*again, "--reason", "the paint was wet"]) == 0
    assert "first draw is entry" in capsys.readouterr().out
    run(["check", KIT, str(SAMPLES / "bl7_P-0107.xlsx"), str(SAMPLES / "bl7_P-0110.xlsx"), "--record"])
    capsys.readouterr()
    code = run(["lot", "judge", "L-2"])
    said = capsys.readouterr().out
    assert "drawn again (the paint was wet)" in said
    assert "worst of the draws counts" in said
    with holeqc.open_ledger("holeqc-ledger.sqlite3") as ledger:
        first, second = draws.of_lot(ledger, "L-2", lots.drawn)
        assert (first.lot, second.first) == ("L-1", first.entry)
        verdicts = {p.serial: p.verdict for p in draws.judged_by(ledger, second).parts}
    expected = {"P-0107": "accept", "P-0110": verdicts["P-0110"]}
    assert verdicts == expected
    assert verdicts["P-0110"] in ("reject", "hold")
    assert code == {"reject": 1, "hold": 3}[verdicts["P-0110"]]


def test_only_readings_since_the_draw_count() -> None:
    run(["check", KIT, str(SAMPLES / "bl7_P-0107.xlsx"), "--record"])
    draw = ["lot", "draw", "L-1", "--kit", KIT, "--serial", "P-0107, S-0108", "--bad", "1", "--confidence", "0.99"]
    assert run(draw) == 0
    with holeqc.open_ledger("holeqc-ledger.sqlite3") as ledger:
        [made] = draws.of_lot(ledger, "l-1", lots.drawn)
        assert draws.judged_by(ledger, made).waiting == ("P-0107", "S-0108")
        assert draws.lots_before(ledger, "BL-7") == []
    run(["check", KIT, str(SAMPLES / "bl7_S-0108.xlsx"), "--record"])
    assert run(["lot", "judge", "L-1"]) == 1
    with holeqc.open_ledger("holeqc-ledger.sqlite3") as ledger:
        found = draws.judged_by(ledger, made)
        assert (found.bad, found.waiting, found.verdict) == (1, ("P-0107",), draws.REFUSED)
        assert draws.lots_before(ledger, "BL-7") == [False]


def test_a_draw_that_was_written_by_hand_is_found() -> None:
    with holeqc.open_ledger("shop.sqlite3") as ledger:
        names = ("A-1", "A-2", "A-3")
        other = next(name for name in names if name not in lots.drawn(names, 1, "s"))
        wanted = draws.Draw("L-1", "BL-7", "", names, (), "s", 1, 0, "normal", "x")
        assert draws.record_draw(ledger, wanted, lambda *_: [other], "17").drawn == (other,)
        with pytest.raises(holeqc.HoleQCError, match="don't give the parts"):
            draws.of_lot(ledger, "L-1", lots.drawn)
        with pytest.raises(holeqc.HoleQCError, match="no draw of lot L-9 is on record; known are L-1"):
            draws.of_lot(ledger, "L-9", lots.drawn)
        assert draws.lots_before(ledger, "BL-7") == []


def test_another_spelling_is_no_other_lot(capsys: pytest.CaptureFixture[str]) -> None:
    def draw(lot: str, serials: str) -> list[str]:
        return ["lot", "draw", lot, "--kit", "BL-7", "--serial", serials, "--bad", "1"]

    assert run(draw("L-1", "S-0701..S-0703")) == 0
    for serials in ("s701..s703", "s 0702", "S-O7O1"):
        capsys.readouterr()
        assert run(draw("L-2", serials)) == 2
        assert "drawn from already, as lot L-1" in capsys.readouterr().err
    assert run(draw("L-2", "S-0801,s801")) == 2
    assert "serial s801 may be the part S-0801, in this lot too" in capsys.readouterr().err
    run(["check", KIT, str(SAMPLES / "bl7_P-0107.xlsx"), "--record"])
    capsys.readouterr()
    assert run(draw("L-3", "p107..p109")) == 2
    assert "serial p107 may be the part P-0107, on record" in capsys.readouterr().err
    assert run(["serial", "p107", "--not", "P-0107", "--reason", "the tube, not the plate"]) == 0
    assert run([*draw("L-3", "p107"), "--reason", "L-1 waits for its sheet"]) == 0
    with holeqc.open_ledger("holeqc-ledger.sqlite3") as ledger:
        assert [d.first for d in draws.draws(ledger)] == [0, 0]
        assert draws.judged_by(ledger, draws.draws(ledger)[1]).waiting == ("p107",)
    run([*draw("L-4", "P-0107"), "--reason", "L-1 waits for its sheet"])
    with holeqc.open_ledger("holeqc-ledger.sqlite3") as ledger:
        assert [d.first for d in draws.draws(ledger)] == [0, 0, 0]  # told apart: two parts, two lots


def test_readings_dated_before_the_draw_are_waited_for(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("holeqc.ledger.ledger.now", lambda: ("2026-11-20T09:00:00.000000Z", 0))
    assert run(["lot", "draw", "L-1", "--kit", KIT, "--serial", "P-0107, S-0108", "--bad", "1"]) == 0
    good = SAMPLES / "bl7_P-0107.xlsx"
    run(["check", KIT, str(good), "--record"])
    capsys.readouterr()
    assert run(["lot", "judge", "L-1"]) == 3
    assert "P-0107 doesn't count: read 2026-11-" in capsys.readouterr().out
    run(["check", KIT, str(SAMPLES / "bl7_S-0108.xlsx"), "--record"])
    capsys.readouterr()
    assert run(["lot", "judge", "L-1"]) == 1  # a bad part is bad, whenever it was read
    assert "Next lot by AQL: normal inspection, not 2 of 5 lots in a row were refused." in capsys.readouterr().out


def test_tightened_inspection_is_not_left_out_in_silence(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(draws, "lots_before", lambda *_: [False, False])
    draw = ["lot", "draw", "L-1", "--kit", "BL-7", "--serial", "P-0101..P-0160"]
    for plan in (["--aql", "1.0", "--severity", "normal"], ["--bad", "2"]):
        assert run([*draw, *plan]) == 2
        assert "tightened inspection is due (MIL-STD-105E, 4.7" in " ".join(capsys.readouterr().err.split())
    assert run([*draw, "--aql", "1.0", "--severity", "normal", "--reason", "the customer agreed"]) == 0
    assert "Reason: the customer agreed" in " ".join(capsys.readouterr().out.split())
    assert run(["lot", "judge", "L-1"]) == 3
    said = " ".join(capsys.readouterr().out.split())
    assert "Drawn although tightened inspection is due" in said
    assert "Reason: the customer agreed" in said
    tightened = ["lot", "draw", "L-2", "--kit", "BL-7", "--serial", "P-0201..P-0260", "--aql", "1.0"]
    assert run([*tightened, "--reason", "L-1 waits for its sheet"]) == 0
    assert "tightened" in capsys.readouterr().out


def test_a_copied_kit_is_no_free_draw(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["lot", "draw", "L-1", "--kit", "BL-7", "--serial", "P-0101..P-0103", "--bad", "1"]) == 0
    again = ["lot", "draw", "L-2", "--kit", "BL-7-COPY", "--serial", "p101..p103", "--bad", "1"]
    capsys.readouterr()
    assert run(again) == 2
    assert "3 of its serial numbers were drawn from in kit BL-7, lot L-1" in " ".join(capsys.readouterr().err.split())
    assert run([*again, "--reason", "other parts, numbered alike"]) == 0
    for lot, words in (("L-2", "kit BL-7, lot L-1"), ("L-1", "kit BL-7-COPY, lot L-2")):
        capsys.readouterr()
        assert run(["lot", "judge", lot]) == 3
        assert words in " ".join(capsys.readouterr().out.split())


def test_an_open_lot_is_named_and_comes_first(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["lot", "draw", "L-1", "--kit", "BL-7", "--serial", "P-0101..P-0103", "--bad", "1"]) == 0
    capsys.readouterr()
    assert run(["waiting"]) == 0
    said = capsys.readouterr().out
    assert "Lots drawn and still open (1)" in said
    assert "to be read: P-0101, P-0102, P-0103: read them, then holeqc lot judge L-1" in said
    assert run(["waiting", "--json"]) == 0
    [lot] = json.loads(capsys.readouterr().out)["lots"]
    assert (lot["lot"], lot["kit"], lot["waiting"]) == ("L-1", "BL-7", ["P-0101", "P-0102", "P-0103"])
    following = ["lot", "draw", "L-2", "--kit", "BL-7", "--serial", "P-0201..P-0203", "--bad", "1"]
    assert run(following) == 2
    assert "lot L-1, drawn on 2026-11-01, is still open" in " ".join(capsys.readouterr().err.split())
    assert run([*following, "--reason", "the sheet of L-1 is on its way"]) == 0
    assert run(["lot", "draw", "L-3", "--kit", "OTHER", "--serial", "Q-0201", "--bad", "1"]) == 0


def test_above_ten_faults_are_counted_not_bad_parts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # MIL-STD-105E 4.3: AQL of 10 or less in per cent nonconforming or faults per 100 parts, above in the latter only
    assert run(["lot", "plan", "--size", "500", "--aql", "25"]) == 0
    said = capsys.readouterr().out
    assert "accept on 21 faults or fewer" in said
    assert "Faults per 100 parts" in said
    assert not any(word in said for word in ("nan", "lots accepted of 100", "bad part "))
    assert run(["lot", "draw", "L-1", "--kit", "BL-7", "--serial", "P-0101..P-0600", "--aql", "15"]) == 2
    assert "judged by bad parts" in " ".join(capsys.readouterr().err.split())


@pytest.mark.parametrize(("options", "words"), [
    (["plan", "--size", "100", "--aql", "1.0", "--confidence", "0.5"], "--confidence goes with --bad or --bad-share"),
    (["plan", "--size", "100", "--bad-share", "0.05", "--before", "rr"], "--before: only with --aql"),
    (["plan", "--size", "100", "--bad", "5", "--level", "I", "--severity", "normal"], "--level, --severity: only with"),
    (["plan", "--size", "500", "--aql", "25", "--plot", "curve.svg"], "no curve of bad parts to draw"),
    (["draw", "L-1", "--kit", "BL-7", "--serial", "A-1..A-9", "--bad", "2", "--severity", "normal"], "only with --aql"),
    (["draw", "L-1", "--kit", "BL-7", "--serial", "A-1..A-9", "--aql", "1.0", "--confidence", "0.9"], "--confidence"),
])  # fmt: skip
def test_no_option_is_ignored(options: list[str], words: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["lot", *options]) == 2
    assert words in " ".join(capsys.readouterr().err.split())


def test_a_weak_plan_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    draw = ["lot", "draw", "L-1", "--kit", "BL-7", "--serial", "P-0101..P-0120", "--bad", "20", "--confidence", "0.1"]
    assert run(draw) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "proves next to nothing" in said
    assert "20 bad parts passes in 0 of 100 draws, with 10 in 50" in said  # of 20 parts one is read
    assert "Read this one:" in said
    assert run(["lot", "plan", "--size", "80", "--bad", "1"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "a lot with 1 bad part passes" in said
    assert "proves next to nothing" not in said
    assert run(["lot", "plan", "--size", "500", "--aql", "1.0", "--level", "s-3"]) == 0
    assert "level S-3" in capsys.readouterr().out


def test_a_severity_against_the_lots_before_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    # two of five lots not accepted ask for tightened inspection (MIL-STD-105E, 4.7)
    options = ["lot", "plan", "--size", "200", "--aql", "1.0", "--before", "rr"]
    assert run([*options, "--severity", "normal"]) == 2
    assert "--before rr asks for tightened inspection" in capsys.readouterr().err
    assert run([*options, "--severity", "tightened"]) == run(options) == 0
