"""Positions from distances, from the sheet to the verdict: what is accepted, held, named and said to be missing.

Places are made up, distances worked out from them by Pythagoras, which is the second route. The kit is that of the
sample port plate: edges A (x = 0) and B (y = 0), six holes, one wall, calipers with U = 0.0010 in.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from holeqc.distances import Network, adjust_network
from holeqc.inspection.judge import judge
from holeqc.inspection.networks import with_zero
from holeqc.inspection.results import ACCEPT, HOLD, REJECT, Inspection
from holeqc.inspection.view import Run
from holeqc.readings.read import read_files
from holeqc.reports.data import as_data
from holeqc.specification.load import parse_specification
from holeqc.specification.model import Specification

TEXT = (Path(__file__).resolve().parents[2] / "tolerances" / "bl8.toml").read_text(encoding="utf-8")
KIT = parse_specification(TEXT)
BASIC = {h.id: (h.x, h.y) for h in KIT.holes}
TAKEN = "A-1 A-2 A-3 A-4 A-5 A-6 B-1 B-2 B-3 B-4 B-5 B-6 1-2 2-3 4-5 5-6 1-4 2-5 3-6 1-5 2-4 2-6 3-5"
ALL = list(TAKEN.split())
PIN, SIZE = 0.4570, 0.4571


def distance(line: str, places: dict[str, tuple[float, float]]) -> float:
    first, second = line.split("-")
    x, y = places[second]
    return {"A": x, "B": y}[first] if first in "AB" else math.dist(places[first], (x, y))


def sheet(
    path: Path, lines: list[str], places: dict[str, tuple[float, float]] | None = None,
    wrong: dict[str, float] | None = None, serial: str = "P-1", pin: float = PIN, size: float = SIZE, part: str = "",
    wall: str = "",
) -> Path:  # fmt: skip
    """Write sizes and distances over pins of one part; ``wrong``: by how much distances are off."""
    rows = [f"Serial: {serial}", "Date: 2026-05-04", *([f"Part: {part}"] if part else [])]
    rows += ["", f"Hole,{'Wall,' * bool(wall)}Dia 0 [in],Dia 90 [in]"]
    rows += [f"{hole},{wall + ',' * bool(wall)}{size:.4f},{size:.4f}" for hole in BASIC]
    rows += ["", f"From,To,Pin,Over pins [in]{',Wall' * bool(wall)}"]
    for line in lines:
        first, second = line.split("-")
        read = distance(line, places or BASIC) + (pin / 2 if first in "AB" else pin) + (wrong or {}).get(line, 0.0)
        rows.append(f"{first},{second},{pin:.4f},{read:.5f}{',' * bool(wall)}{wall}")
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def judged(path: Path, spec: Specification = KIT) -> Inspection:
    return judge(spec, read_files([path], spec))


def verdicts(inspection: Inspection, name: str) -> dict[str, int]:
    frame = inspection.characteristics[inspection.characteristics["characteristic"] == name]
    return dict(zip(frame["hole"].astype(str), frame["verdict"].tolist(), strict=True))


def codes(inspection: Inspection) -> list[str]:
    return [p.code for p in inspection.problems]


def shifted(hole: str, dx: float, dy: float) -> dict[str, tuple[float, float]]:
    x, y = BASIC[hole]
    return BASIC | {hole: (x + dx, y + dy)}


def test_distances_give_the_places_that_they_were_worked_out_from(tmp_path: Path) -> None:
    places = {hole: (x + 0.003 * math.sin(x), y - 0.002 * math.cos(y)) for hole, (x, y) in BASIC.items()}
    found = judged(sheet(tmp_path / "a.csv", ALL, places))
    assert found.parts["verdict"].tolist() == [ACCEPT]
    for row in found.holes.to_dict("records"):
        dx, dy = np.subtract(places[row["hole"]], BASIC[row["hole"]])
        assert (row["dx"], row["dy"]) == pytest.approx((dx, dy), abs=2e-5)  # read in steps of 0.00001
    part = as_data(found)["parts"][0]
    assert len(part["distances"]) == len(ALL)
    assert all(abs(d["adjusted"] - d["centres"]) < 2e-5 for d in part["distances"])
    cells = {(d["from"], d["to"]): d["cell"].rpartition(" ")[2] for d in part["distances"]}
    assert cells["1", "edge A"] == "D13"


def test_a_hole_off_its_place_is_rejected_by_its_distances(tmp_path: Path) -> None:
    # 0.020 off along x: diametral 0.040 against 0.030 plus the bonus of 0.4571 - 0.4550 = 0.0021
    found = judged(sheet(tmp_path / "a.csv", ALL, shifted("5", 0.020, 0.0)))
    assert {h: v for h, v in verdicts(found, "position").items() if v} == {"5": REJECT}


def test_one_wrong_distance_is_named_with_its_likely_value_and_holds_the_part(tmp_path: Path) -> None:
    found = judged(sheet(tmp_path / "a.csv", ALL, wrong={"2-5": 0.018}))
    assert found.parts["verdict"].tolist() == [HOLD]
    (problem,) = [p for p in found.problems if p.code == "suspect-distance"]
    assert "2 to 5" in problem.message
    assert problem.cell == f"D{13 + ALL.index('2-5')}"
    assert problem.holds
    suspect = [f for f in Run(found)[0].distances[0][2] if math.isfinite(f.likely)]
    assert [f.distance.name for f in suspect] == ["2 to 5 over pins"]
    assert suspect[0].likely == pytest.approx(3.5 + PIN, abs=1e-4)
    # nothing is left out in silence: the wrong distance never makes a reject, and never goes unsaid
    assert set(verdicts(found, "position").values()) == {HOLD}


def test_swapped_digits_are_said(tmp_path: Path) -> None:
    # 3.9570 typed 3.9750 is 0.018 more
    found = judged(sheet(tmp_path / "a.csv", ALL, wrong={"2-5": 0.018}))
    assert any("two digits are swapped, likely 3.9570 in" in p.message for p in found.problems)


def test_a_doubtful_cell_holds_all_that_rests_on_its_neighbours(tmp_path: Path) -> None:
    path = sheet(tmp_path / "a.csv", ALL)
    text = path.read_text(encoding="utf-8").replace("\n1,4,0.4570,3.95700", "\n1,4,0.4570,39.5700")
    path.write_text(text, encoding="utf-8")
    found = judged(path)
    assert "slip-decimal" in codes(found)
    assert set(verdicts(found, "position").values()) == {HOLD}


def test_what_nothing_checks_is_said_and_still_judged(tmp_path: Path) -> None:
    found = judged(sheet(tmp_path / "a.csv", ALL[:12]))
    (problem,) = [p for p in found.problems if p.code == "unchecked-distance"]
    assert "these 12 distances" in problem.message
    assert not problem.holds
    assert found.parts["verdict"].tolist() == [ACCEPT]


def test_a_hole_without_enough_distances_waits_and_the_one_that_would_do_is_named(tmp_path: Path) -> None:
    lines = [line for line in ALL if "6" not in line] + ["A-6"]
    found = judged(sheet(tmp_path / "a.csv", lines))
    (problem,) = [p for p in found.problems if p.code == "too-few-distances"]
    assert (problem.hole, problem.holds) == ("6", True)
    named = problem.action.removeprefix("Measure from ").split(" to ")
    assert "6" in named
    # with that distance it is placed
    other = next(end for end in named if end != "6").removeprefix("edge ")
    more = judged(sheet(tmp_path / "b.csv", [*lines, f"{other}-6"]))
    assert more.parts["verdict"].tolist() == [ACCEPT]


def test_without_edges_the_pattern_is_judged_and_position_is_not(tmp_path: Path) -> None:
    lines = [line for line in ALL if line[0] not in "AB"] + ["3-4", "1-6", "1-3"]
    found = judged(sheet(tmp_path / "a.csv", lines))
    assert set(verdicts(found, "position").values()) == {HOLD}
    assert set(verdicts(found, "hole-to-hole position").values()) == {ACCEPT}
    assert found.parts["pin_verdict"].tolist() == [ACCEPT]
    assert "no-distance-from-the-edges" in codes(found)
    off = judged(sheet(tmp_path / "b.csv", lines, shifted("5", 0.02, 0.0)))
    assert verdicts(off, "hole-to-hole position")["5"] == REJECT


@pytest.mark.parametrize(("u", "expected"), [(0.001, REJECT), (0.006, HOLD)])
def test_what_calipers_cannot_tell_is_held_under_any_rule(tmp_path: Path, u: float, expected: int) -> None:
    # 0.0168 off: 0.0336 against 0.0321, 0.0015 over. With U of a coordinate about 0.9 of the gauge's, U of position is
    # 0.0018 with the first gauge, 6 % of the tolerance, so the limit decides; with the other 0.011, a third: held.
    spec = parse_specification(TEXT.replace("uncertainty = 0.0010", f"uncertainty = {u:g}"))
    found = judged(sheet(tmp_path / "a.csv", ALL, shifted("5", 0.0168, 0.0)), spec)
    assert verdicts(found, "position")["5"] == expected
    rows = found.characteristics
    assert ("guard-band" in set(rows["cause"].astype(str))) == (expected == HOLD)


def test_an_uncertainty_beyond_the_tolerance_judges_nothing(tmp_path: Path) -> None:
    spec = parse_specification(TEXT.replace("uncertainty = 0.0010", "uncertainty = 0.03"))
    found = judged(sheet(tmp_path / "a.csv", ALL), spec)
    rows = found.characteristics[found.characteristics["characteristic"].isin(["position", "hole-to-hole position"])]
    assert set(rows["cause"].astype(str)) == {"too-uncertain"}
    assert found.parts["verdict"].tolist() == [HOLD]
    assert found.parts["pin_verdict"].tolist() == [HOLD]  # the room is less than its U
    assert "coarse-distances" in codes(found)


def test_a_gauge_without_u_places_nothing(tmp_path: Path) -> None:
    start, _, rest = TEXT.partition("uncertainty = 0.0010")
    found = judged(sheet(tmp_path / "a.csv", ALL), parse_specification(start + rest.partition("\n")[2]))
    assert set(verdicts(found, "position").values()) == {HOLD}


def test_a_loose_pin_counts_in_u_and_a_pin_larger_than_its_hole_contradicts_it(tmp_path: Path) -> None:
    def u(pin: float) -> float:
        frame = judged(sheet(tmp_path / f"{pin}.csv", ALL, pin=pin, size=0.4571)).characteristics
        return float(frame[frame["characteristic"] == "position"]["uncertainty"].max())

    assert u(0.4550) > u(0.4570) > 0.001
    found = judged(sheet(tmp_path / "a.csv", ALL, pin=0.4600, size=0.4571))
    assert set(verdicts(found, "position").values()) == {HOLD}
    assert "pin-larger-than-hole" in codes(found)


def test_uncertainty_is_that_of_the_ellipse(tmp_path: Path) -> None:
    """A hole with one distance from each edge, over a pin that just fits, half of the variance shared by both.

    By hand: along 45 degrees the variance is that of a distance times 1/2 + 2 * 1/2; U of position is twice its U.
    """
    spec = parse_specification(TEXT.replace("distance_pins =", "distance_pin_uncertainty = 0.0\ndistance_pins ="))
    found = judged(sheet(tmp_path / "a.csv", ALL[:12], pin=0.4570, size=0.4570), spec)
    rows = found.characteristics[found.characteristics["characteristic"] == "position"]
    # and that of the size, on which the bonus rests
    assert rows["uncertainty"].to_numpy() == pytest.approx(np.hypot(2 * 0.0010 * np.sqrt(1.5), 0.0003), rel=1e-4)
    assert (rows["probability"] > 0.999).all()


def test_read_coordinates_count_and_distances_must_agree_with_them(tmp_path: Path) -> None:
    spec = parse_specification(TEXT + '\n[[gauge]]\nid = "CM-1"\nmeasures = ["x", "y"]\nuncertainty = 0.0006\n')
    path = sheet(tmp_path / "a.csv", ALL)
    text = path.read_text(encoding="utf-8")
    for dx, expected in ((0.0005, ACCEPT), (0.006, HOLD)):
        path.write_text(text + f"\nHole,X [in],Y [in]\n1,{1.5 + dx:.4f},1.2500\n", encoding="utf-8")
        found = judged(path, spec)
        assert verdicts(found, "position")["1"] == expected
        assert found.holes["dx"].iloc[0] == pytest.approx(dx, abs=1e-9)  # what was read
        assert ("distances-against-reading" in codes(found)) == (expected == HOLD)


def test_mirrored_parts_and_walls_have_networks_of_their_own(tmp_path: Path) -> None:
    parts = '[[part]]\nname = "starboard"\nmirror_of = "port"\nmirror = "x"\n\n[walls]\nnames = ["near", "far"]\n\n'
    spec = parse_specification(TEXT.replace("[fixture]", f"{parts}[fixture]"))
    one = sheet(tmp_path / "a.csv", ALL, shifted("5", 0.020, 0.0), part="starboard", wall="far")
    other = sheet(tmp_path / "b.csv", ALL, part="starboard", wall="near")
    found = judge(spec, read_files([one, other], spec))
    rows = found.characteristics[found.characteristics["characteristic"] == "position"]
    bad = rows[rows["verdict"] == REJECT][["hole", "wall"]].astype(str).values.tolist()
    assert bad == [["5", "far"]]
    # x counts as its amount from the edge; on the other hand, as drawn, it is negative
    assert found.holes["dx"].iloc[4] == pytest.approx(-0.020, abs=1e-4)


def test_an_edge_that_is_no_datum_lies_where_it_was_measured(tmp_path: Path) -> None:
    # the part came out 0.010 wider: what is measured from edge C alone must not count from the drawing's 10.000
    spec = parse_specification(TEXT.replace('B = "y = 0"', 'B = "y = 0"\nC = "x = 10"'))
    lines = [line for line in ALL if line != "A-6"]
    path = sheet(tmp_path / "a.csv", lines)
    more = f"C,6,0.4570,{10.010 - 8.5 + PIN / 2:.5f}\nA,C,,10.01000\n"
    path.write_text(path.read_text(encoding="utf-8") + more, encoding="utf-8")
    found = judged(path, spec)
    assert "suspect-distance" not in codes(found)
    assert found.holes["dx"].iloc[5] == pytest.approx(0.0, abs=2e-5)


def test_repeats_are_one_distance_and_must_agree(tmp_path: Path) -> None:
    path = sheet(tmp_path / "a.csv", ALL)
    good = path.read_text(encoding="utf-8")
    for second, expected in ((1.72890, ACCEPT), (1.74850, HOLD)):
        path.write_text(good + f"A,1,0.4570,{second:.5f}\n", encoding="utf-8")
        found = judged(path)
        assert found.parts["verdict"].tolist() == [expected]
    path.write_text(good + "A,1,0.4570,1.72890\n", encoding="utf-8")
    counts = {f.distance.name: f.count for f in Run(judged(path))[0].distances[0][2]}
    assert counts["1 to edge A over pins"] == 2
    assert set(counts.values()) == {1, 2}


def test_ways_give_the_same_places(tmp_path: Path) -> None:
    """Between pins, far and near walls and centres: elementary geometry, each by its own formula."""
    head = "Serial: P-1\nDate: 2026-05-04\n\nHole,Dia 0 [in],Dia 90 [in]\n"
    head += "".join(f"{hole},{SIZE:.4f},{SIZE:.4f}\n" for hole in BASIC) + "\nFrom,To,Way,Pins,Reading [in]\n"
    for way, pin, half in (("between pins", "0.4570", -PIN / 2), ("inside jaws", "", SIZE / 2), ("web", "", -SIZE / 2),
                           ("centre to centre", "", 0.0)):  # fmt: skip
        rows = []
        for line in ALL:
            first, second = line.split("-")
            read = distance(line, BASIC) + half * (1 if first in "AB" else 2)
            rows.append(f"{first},{second},{way},{pin},{read:.5f}")
        path = tmp_path / "a.csv"
        path.write_text(head + "\n".join(rows) + "\n", encoding="utf-8")
        found = judged(path)
        assert found.parts["verdict"].tolist() == [ACCEPT], way
        assert np.abs(found.holes[["dx", "dy"]].to_numpy()).max() < 3e-5, way


def test_the_order_of_rows_and_of_ends_changes_nothing(tmp_path: Path) -> None:
    one = judged(sheet(tmp_path / "a.csv", ALL, wrong={"2-5": 0.003}))
    turned = ["-".join(reversed(line.split("-"))) for line in reversed(ALL) if line[0] not in "AB"]
    lines = [*turned, *(line for line in reversed(ALL) if line[0] in "AB")]
    other = judged(sheet(tmp_path / "b.csv", lines, wrong={"5-2": 0.003}))
    same = [i.holes[["hole", "dx", "dy"]].to_json() for i in (one, other)]
    assert json.loads(same[0])["hole"] == json.loads(same[1])["hole"]
    a, b = (i.holes[["dx", "dy"]].to_numpy() for i in (one, other))
    np.testing.assert_allclose(a, b, atol=1e-9)


def test_two_parts_are_adjusted_each_by_itself(tmp_path: Path) -> None:
    good = sheet(tmp_path / "a.csv", ALL, serial="P-1")
    bad = sheet(tmp_path / "b.csv", ALL[:-3], serial="P-2", wrong={"1-4": 0.02})
    found = judge(KIT, read_files([good, bad], KIT))
    assert found.parts["verdict"].tolist() == [ACCEPT, HOLD]
    assert [p.serial for p in found.problems if p.code == "suspect-distance"] == ["P-2"]
    assert [len(part.distances[0][2]) for part in Run(found)] == [23, 20]


def test_capability_takes_positions_from_distances(tmp_path: Path) -> None:
    from holeqc.inspection.evidence import gather
    from holeqc.inspection.series import take_values

    path = sheet(tmp_path / "a.csv", ALL, shifted("5", 0.004, -0.002))
    values = take_values(gather(KIT, read_files([path], KIT).rows), "position", per_wall=True)
    assert (values.value[4], values.second[4]) == pytest.approx((0.004, -0.002), abs=3e-5)
    assert len(values) == len(BASIC)


def test_plan_without_edges_stays_a_plan(tmp_path: Path) -> None:
    """Positions from distances need no key: any kit whose gauges read distances takes them."""
    spec = replace(KIT, plan=replace(KIT.plan, distances=None))
    assert judged(sheet(tmp_path / "a.csv", ALL), spec).parts["verdict"].tolist() == [ACCEPT]


def test_a_hole_within_u_of_its_least_edge_distance_is_held(tmp_path: Path) -> None:
    # 2 diameters of 0.462 are 0.924; at 0.9243 from edge B hole 1 is 0.0003 inside, less than U of 0.0009
    spec = parse_specification(TEXT.replace("y = 1.250", "y = 0.930", 1))
    for y, expected in ((0.9243, HOLD), (0.9300, ACCEPT), (0.9150, REJECT)):
        found = judged(sheet(tmp_path / "a.csv", ALL, BASIC | {"1": (1.5, y)}), spec)
        assert verdicts(found, "edge distance")["1"] == expected


@pytest.mark.parametrize(("share", "least"), [(0.0, 0.95), (0.5, 0.935)])
def test_coordinates_lie_inside_their_95_percent_whatever_the_gauge_shares(share: float, least: float) -> None:
    """Simulated, seeded: 400 parts of eight holes by 28 distances, with and without a zero error common to a part.

    Standard error of a share of 3 200 pairs, which hang together by part: 0.7 of 100.
    """
    rng = np.random.default_rng(5)
    drawn = np.array([(1.5 + 3.0 * (i % 4), 1.25 + 4.5 * (i // 4)) for i in range(8)])
    ends = np.array([(i, 8 + e) for i in range(8) for e in range(2)] + [(i, i + 1) for i in (0, 1, 2, 4, 5, 6)]
                    + [(i, i + 4) for i in range(4)] + [(0, 5), (3, 6)])  # fmt: skip
    network = Network(drawn, ends, np.array([(0.0, 0.0), (np.pi / 2, 0.0)]))
    true = drawn + rng.normal(0.0, 0.004, (400, 8, 2))
    second = np.minimum(ends[:, 1], 7)
    between = np.hypot(*np.moveaxis(true[:, ends[:, 0]] - true[:, second], -1, 0))
    along = np.take_along_axis(true[:, ends[:, 0]], np.maximum(ends[:, 1] - 8, 0)[None, :, None], 2)[..., 0]
    sd = np.full(between.shape, 0.0005)
    errors = rng.normal(0.0, np.sqrt(1 - share), sd.shape) + rng.normal(0.0, np.sqrt(share), (400, 1))
    observed = np.where(ends[:, 1] < 8, between, along) + sd * errors
    off = np.abs(adjust_network(network, observed, sd).xy - true).reshape(400, 16)
    own = np.sqrt(np.einsum("nii->ni", with_zero(network, observed, sd, sd)))
    assert least < (off < 1.96 * own).mean() < 0.985
