"""Capability, charts and wear from the ledger answer as they do from the files: the files are the second route."""

from __future__ import annotations

from pathlib import Path

import pytest

from holeqc.__main__ import run
from holeqc.answers.files import wanted_from
from holeqc.problems import LedgerError

ROOT = Path(__file__).resolve().parents[2]
KIT = str(ROOT / "tolerances" / "bl7.toml")
HISTORY = ROOT / "sample_measurements" / "fixture_history" / "df-bl7_history.csv"
PARTS = 16  #: of sixteen rows each


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two files of parts, the second from a later day on, both recorded; and both in one file."""
    folder = tmp_path_factory.mktemp("shop")
    head, *rows = HISTORY.read_text(encoding="utf-8").splitlines()[: 1 + 16 * PARTS]
    day = rows[8 * PARTS].split(",")[0]
    early, late = [r for r in rows if r < day], [r for r in rows if r >= day]
    assert early
    assert late
    for name, some in (("early", early), ("late", late), ("both", rows)):
        (folder / f"{name}.csv").write_text("\n".join([head, *some]) + "\n", encoding="utf-8")
    (folder / "day.txt").write_text(day, encoding="utf-8")
    files = [str(folder / f"{name}.csv") for name in ("early", "late")]
    ledger = str(folder / "l.sqlite3")
    assert run(["check", KIT, *files, "--record", "--by", "bench 2", "--ledger", ledger]) in {1, 3}
    return folder


def said(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    capsys.readouterr()
    assert run(list(words)) == 0, capsys.readouterr().err
    return capsys.readouterr().out


@pytest.mark.parametrize("words", [
    ["capability", "--only", "3"], ["capability", "--of", "position", "--only", "3"],
    ["capability", "--of", "taper", "--only", "3"], ["chart", "--only", "3"], ["chart", "--of", "rejects"], ["wear"],
], ids=" ".join)  # fmt: skip
def test_same_answers(shop: Path, words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    command, *options = words
    ledger = str(shop / "l.sqlite3")
    files = said(capsys, command, KIT, str(shop / "early.csv"), str(shop / "late.csv"), *options, "--json")
    assert said(capsys, command, KIT, "--ledger", ledger, *options, "--json") == files
    if command == "chart":  # the kit named another way
        assert said(capsys, command, "--ledger", ledger, "--where", "kit=BL-7", *options, "--json") == files


@pytest.mark.parametrize("words", [["capability", "--only", "hole 3"], ["chart"]], ids=" ".join)
def test_many_parts_are_read_in_pieces_and_answer_the_same(
    shop: Path, words: list[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    command, *options = words
    files = said(capsys, command, KIT, str(shop / "both.csv"), *options, "--json")
    monkeypatch.setattr("holeqc.answers.files.PARTS_AT_A_TIME", PARTS // 2 + 1)
    assert said(capsys, command, KIT, "--ledger", str(shop / "l.sqlite3"), *options, "--json") == files


def test_a_study_of_too_many_parts_is_refused(
    shop: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("holeqc.answers.fixture.MOST_PARTS", PARTS - 1)
    assert run(["wear", KIT, "--ledger", str(shop / "l.sqlite3")]) == 2
    assert f"{PARTS} parts are asked for, and at most {PARTS - 1} can be" in " ".join(capsys.readouterr().err.split())


def test_a_group_that_the_kit_has_not_is_refused(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["chart", KIT, "--ledger", str(shop / "l.sqlite3"), "--only", "9"]) == 2
    assert "there is no group '9'; groups are hole 1, hole 2" in capsys.readouterr().err


def test_filters_choose(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    options = ("capability", KIT, "--only", "3", "--json")
    ledger = ("--ledger", str(shop / "l.sqlite3"))
    day = (shop / "day.txt").read_text(encoding="utf-8")
    late = said(capsys, *options[:2], str(shop / "late.csv"), *options[2:])
    assert said(capsys, *options, *ledger, "--where", f"since={day}") == late
    assert said(capsys, *options, *ledger) != late
    early = said(capsys, *options[:2], str(shop / "early.csv"), *options[2:])
    assert said(capsys, *options, *ledger, "--where", f"until={last_day(shop / 'early.csv')}") == early


def last_day(path: Path) -> str:
    return max(line.split(",")[0] for line in path.read_text(encoding="utf-8").splitlines()[1:])


@pytest.mark.parametrize(("options", "words"), [
    (["--where", "colour=red"], "keys are"),
    (["--where", "since"], "KEY=VALUE"),
    (["--where", "kit=BL-9"], "other kit"),
    (["--where", "since=soon"], "is no day"),
    (["--where", "part=port", "--where", "part=port"], "twice"),
    (["--where", "serial=X-1"], "no reading fits"),
    (["--where", "measured=often"], "measured"),
    (["data.csv"], "nothing"),
    (["--unit", "mm"], "unit"),
])  # fmt: skip
def test_what_makes_no_sense_is_refused(
    shop: Path, options: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["capability", KIT, "--ledger", str(shop / "l.sqlite3"), *options]) == 2
    assert words in capsys.readouterr().err


def test_where_needs_a_ledger_and_a_ledger_must_be_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["chart", KIT, str(HISTORY), "--where", "part=port"]) == 2
    assert "--ledger" in capsys.readouterr().err
    assert run(["wear", KIT, "--ledger", str(tmp_path / "none.sqlite3")]) == 2
    assert "no ledger here" in capsys.readouterr().err
    assert run(["capability"]) == 2


def test_several_serials(capsys: pytest.CaptureFixture[str]) -> None:
    found = wanted_from(["serial=P-1, P-2", "fixture=DF", "measured=LAST"], None)
    assert (found.serials, found.fixture, found.measured, found.kit) == (("P-1", "P-2"), "DF", "last", "")
    with pytest.raises(LedgerError):
        wanted_from(["serial= "], None)
