"""The verdict of every sample, worked out by hand from the cells of the file, and the README's commands.

The samples are invented; what is checked here is arithmetic that anybody can do with kit and sheet at hand.
"""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path
from typing import Any

import pytest

from holeqc.__main__ import run

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_measurements"


def check(capsys: pytest.CaptureFixture[str], *names: str, kit: str = "bl7.toml") -> tuple[int, dict[str, Any]]:
    """Run `holeqc check --json` on sample files and return the exit code and the data."""
    code = run(["check", str(ROOT / "tolerances" / kit), *(str(SAMPLES / n) for n in names), "--json"])
    return code, json.loads(capsys.readouterr().out)


def refused_holes(part: dict[str, Any]) -> dict[str, str]:
    return {h["hole"]: h["verdict"] for h in part["holes"] if h["verdict"] != "accept"}


def test_the_clean_plate_is_accepted(capsys: pytest.CaptureFixture[str]) -> None:
    code, data = check(capsys, "bl7_P-0107.xlsx")
    (part,) = data["parts"]
    assert (code, part["verdict"], part["part"], part["serial"]) == (0, "accept", "port", "P-0107")
    assert part["pins"]["verdict"] == "accept"
    # The worst that can happen to the margin by hand: smallest hole 0.4570, virtual condition of the pins
    # 0.4360 + 0.008 = 0.444, so no pin has more than (0.4570 - 0.444) / 2 = 0.0065 of room.
    assert 0 < part["pins"]["margin"] <= 0.0065


def test_the_small_hole_is_rejected_and_can_be_reamed(capsys: pytest.CaptureFixture[str]) -> None:
    # Hole 5, far wall: 0.4546 and 0.4547 typed, lower limit 0.4550: 0.0004 under. Reamers at hand 0.4575 and 0.4600,
    # permitted up to 0.462: the smaller of them passes.
    code, data = check(capsys, "bl7_S-0108.xlsx")
    (part,) = data["parts"]
    assert (code, part["verdict"], refused_holes(part)) == (1, "reject", {"5": "reject"})
    text = " ".join(str(r) for r in part["reasons"])
    assert "0.4546" in text
    assert "0.0004 under the lower limit 0.4550" in text
    assert "0.4575" in json.dumps(part)


def test_a_plate_measured_with_calipers_is_judged_from_its_distances(capsys: pytest.CaptureFixture[str]) -> None:
    code, data = check(capsys, "bl8_P-0301.csv", kit="bl8.toml")
    (part,) = data["parts"]
    assert (code, part["verdict"], part["pins"]["verdict"], len(part["distances"])) == (0, "accept", "accept", 23)
    # Hole 1 from edge A alone: 1.7310 read over the pin, less half of 0.4570, is 1.5025, 0.0025 from basic. What all
    # distances make of it may differ by U of one of them, 0.0010.
    assert part["holes"][0]["dx"] == pytest.approx(0.0025, abs=0.0010)


def test_the_mistyped_distance_holds_the_plate_and_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    # 2 to 5: 3.9850 typed, less half of 0.4575 and half of 0.4570 is 3.52775; the edges say 4.97800 - 0.2285 of hole 5
    # less 1.4770 - 0.22875 of hole 2, 3.50125 along y and nothing along x: 0.0265 too long, 26 times U. With two digits
    # swapped, 3.9580, it is 3.50075.
    code, data = check(capsys, "bl8_P-0302.csv", kit="bl8.toml")
    (part,) = data["parts"]
    assert (code, part["verdict"]) == (3, "hold")
    (problem,) = [p for p in data["problems"] if p["code"] == "suspect-distance"]
    assert (problem["cell"], problem["found"]) == ("E32", "3.9850 in")
    assert "2 to 5" in problem["message"]
    assert "two digits are swapped, likely 3.9580 in" in problem["message"]
    likely = {d["from"] + d["to"]: d["likely"] for d in part["distances"] if d["likely"] is not None}
    assert likely == {"25": pytest.approx(3.9580)}


def test_the_large_hole_is_rejected_and_goes_to_engineering(capsys: pytest.CaptureFixture[str]) -> None:
    # Hole 3: 0.4626 against 0.4620 is 0.0006 over; no reaming makes a hole smaller.
    code, data = check(capsys, "bl7_P-0109.csv")
    (part,) = data["parts"]
    assert (code, part["verdict"], refused_holes(part)) == (1, "reject", {"3": "reject"})
    text = json.dumps(part["reasons"])
    assert "0.0006 over the upper limit 0.4620" in text
    assert "ngineering disposition" in text


def test_holes_in_limits_whose_pattern_stops_the_pins(capsys: pytest.CaptureFixture[str]) -> None:
    # Hole 2 sits 0.018 off in x, to the edges still within 0.060 + bonus: 2 * hypot(0.022, 0.003) = 0.0444. Whatever
    # motion is tried, two holes of that row share 0.018, so one is off by 0.009 at least; the room of a 0.458 hole
    # around the virtual condition 0.444 is 0.007: the pins can't all enter.
    code, data = check(capsys, "bl7_P-0110.xlsx")
    (part,) = data["parts"]
    assert (code, part["verdict"], part["pins"]["verdict"]) == (1, "reject", "reject")
    assert part["pins"]["margin"] < 0.0075 - 0.009
    assert all(h["size"]["verdict"] == "accept" for h in part["holes"])
    assert all(p["verdict"] == "accept" for h in part["holes"] for p in h["position"]["walls"])


def test_the_typing_slip_is_held_with_the_likely_value(capsys: pytest.CaptureFixture[str]) -> None:
    # 4.578 typed, 0.4578 likely: a factor of ten. It is named, not corrected, and it doesn't reject the part.
    code, data = check(capsys, "bl7_S-0111.xlsx")
    (part,) = data["parts"]
    assert (code, part["verdict"], refused_holes(part)) == (3, "hold", {"4": "hold"})
    (slip,) = [p for p in data["problems"] if "4.578" in p["found"]]
    assert "0.4578" in slip["action"] + slip["message"]
    assert (slip["file"].endswith("bl7_S-0111.xlsx"), slip["sheet"], slip["cell"]) == (True, "S-0111", "B8")


def test_missing_readings_hold(capsys: pytest.CaptureFixture[str]) -> None:
    code, data = check(capsys, "bl7_P-0112.xlsx")
    (part,) = data["parts"]
    # Hole 6, far wall: nothing typed; hole 7, near wall: no diameter along 90 degrees. These two are to be read. The
    # others wait: seven holes float to a fit that is as good as that of eight or better, so hole to hole can't be
    # accepted before hole 6 is placed.
    assert (code, part["verdict"], refused_holes(part)) == (3, "hold", {str(n): "hold" for n in range(1, 9)})
    walls = {h["hole"]: {p["cause"] for p in h["hole_to_hole_position"]["walls"]} for h in part["holes"]}
    assert walls == {str(n): {"pattern-incomplete"} for n in (1, 2, 3, 4, 5, 7, 8)} | {
        "6": {"pattern-incomplete", "missing"}
    }
    assert part["pins"]["verdict"] == "hold"
    assert [r["sentence"] for r in part["reasons"] if "pattern" in r["sentence"]] == [
        "The pattern isn't complete: hole 6, far wall not read; hole to hole can't be accepted before."
    ]
    run(["check", str(ROOT / "tolerances" / "bl7.toml"), str(SAMPLES / "bl7_P-0112.xlsx")])
    last = capsys.readouterr().out.strip().splitlines()[-1]
    assert last == "? HOLD  port P-0112: holes 6, 7 held; hole to hole waits for hole 6"


def test_the_metric_kit_with_a_guard_band(capsys: pytest.CaptureFixture[str]) -> None:
    # Upper limit 12.610 (12.5 H11), U = 0.006: accepted up to 12.604; hole C of D-0032 reads 12.607: in between.
    code, data = check(capsys, "cp12_D-0031_D-0032.csv", kit="cp12.toml")
    verdicts = {p["serial"]: (p["verdict"], refused_holes(p)) for p in data["parts"]}
    assert code == 3
    assert verdicts == {"D-0031": ("accept", {}), "D-0032": ("hold", {"C": "hold"})}


def readme_commands() -> list[str]:
    """Return every `holeqc ...` command line of the README's shell blocks."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```sh\n(.*?)```", text, flags=re.DOTALL)
    lines = [line for block in blocks for line in block.replace("\\\n", " ").splitlines()]
    pattern = r"(?:^|[{;&|]\s*)(?:\.venv/bin/)?holeqc ([^|;&>#]+)"
    return [match[1].strip() for line in lines for match in re.finditer(pattern, line)]


def test_readme_commands_run_in_the_order_they_stand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("tolerances", "sample_measurements"):
        (tmp_path / name).symlink_to(ROOT / name)
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("HOLEQC_LEDGER", raising=False)
    for command in readme_commands():
        words: list[str] = []
        for word in shlex.split(command):
            matches = sorted(str(p.relative_to(tmp_path)) for p in tmp_path.glob(word)) if "*" in word else []
            words += matches or [word]
        code = run(words)
        output = capsys.readouterr()
        assert code in (0, 1, 3), f"holeqc {command}\n{output.err}"
        if "--out" in words and words[0] == "check":
            last = output.out.strip().splitlines()[-1]
            report = re.search(r"(\S+report\.html)", last)
            assert report is not None
            assert (tmp_path / report[1]).is_file()


def test_ci_calls_exactly_the_readme_test_command() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (command,) = [c for c in re.findall(r"^.*pytest.*$", text, flags=re.MULTILINE) if c.startswith("(python3")]
    assert command in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
