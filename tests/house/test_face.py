"""What `import holeqc` gives: one list of names, loaded on first use, by the words of the commands."""

from __future__ import annotations

import inspect
import json
import subprocess
import sys
from pathlib import Path

import pytest

import holeqc
from holeqc.__main__ import run as tool
from holeqc.commands import COMMANDS
from holeqc.ledger.stories import newest_parts

ROOT = Path(__file__).resolve().parents[2]
KIT = str(ROOT / "tolerances" / "bl7.toml")
SAMPLES = ROOT / "sample_measurements"
STUDY = str(SAMPLES / "gauge_study" / "bg-2_study.csv")
HISTORY = str(SAMPLES / "fixture_history" / "df-bl7_history.csv")
LIMITS = {"lower": 0.455, "upper": 0.462}
#: what is public, and nothing else
PUBLIC = [
    "HoleQCError", "capability", "chart", "check", "fit", "gauge_study", "load_kit", "open_ledger", "reading_plan",
    "report", "wear",
]  # fmt: skip
#: options of a command that are of its screen and its files
SCREEN = {"json_", "plot", "out", "brief"}


def test_what_is_public() -> None:
    assert holeqc.__all__ == PUBLIC
    assert set(PUBLIC) <= set(dir(holeqc))
    for name in PUBLIC:
        assert (getattr(holeqc, name).__doc__ or "").strip(), name
    with pytest.raises(AttributeError, match="no attribute 'chek'"):
        _ = holeqc.chek


def test_no_room_takes_the_name_of_a_question() -> None:
    # A room is an attribute of the package once it is imported, and would hide the function of its name.
    rooms = {p.stem for p in Path(holeqc.__file__).parent.iterdir()}
    assert not rooms & set(PUBLIC)


def test_import_alone_loads_nothing_heavy() -> None:
    code = (
        "import sys, holeqc\n"
        "heavy = {'numpy', 'pandas', 'scipy', 'matplotlib', 'openpyxl', 'typer', 'sqlalchemy'} & set(sys.modules)\n"
        "ours = {name for name in sys.modules if name.startswith('holeqc.')}\n"
        "assert not heavy | ours, heavy | ours\n"
        "kit = holeqc.load_kit(sys.argv[1])\n"
        "assert not {'pandas', 'scipy', 'matplotlib', 'typer', 'sqlalchemy'} & set(sys.modules)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, KIT], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("name", "command"),
    [
        ("check", "check"), ("capability", "capability"), ("chart", "chart"), ("gauge_study", "gauge-study"),
        ("wear", "wear"), *((f"fit.{word}", f"fit {word.rstrip('_')}") for word in
                            ("class_", "metric", "pair", "drill", "plug", "pattern")),
    ],
)  # fmt: skip
def test_the_words_are_those_of_the_command(name: str, command: str) -> None:
    import importlib

    group, _, single = command.rpartition(" ")
    entry = COMMANDS[group][single] if group else COMMANDS[single]
    typed = getattr(importlib.import_module(f"holeqc.commands.{entry[0]}"), entry[1])
    function = holeqc
    for word in name.split("."):
        function = getattr(function, word)
    ours, theirs = set(inspect.signature(function).parameters), set(inspect.signature(typed).parameters)
    assert theirs - ours <= SCREEN
    assert ours <= theirs


def test_check_gives_verdicts_reasons_and_tags(capsys: pytest.CaptureFixture[str]) -> None:
    kit = holeqc.load_kit(KIT)
    run = holeqc.check(kit, SAMPLES / "bl7_P-0107.xlsx", str(SAMPLES / "bl7_S-0108.xlsx"))
    assert (run.verdict, len(run)) == ("reject", 2)
    assert dict(zip(run.parts["serial"], run.parts["verdict"], strict=True)) == {"P-0107": "accept", "S-0108": "reject"}
    assert run.reasons("P-0107") == []
    [first, *_] = run.reasons("S-0108")
    assert run.inspection.parts["verdict"].tolist() == [0, 2]
    assert set(run.holes.loc[run.holes["hole"] == first.hole, "verdict"]) >= {"reject"}
    assert {tag.serial for tag in run.tags()} == {"S-0108"}
    with pytest.raises(holeqc.HoleQCError, match="nearest: 'S-0108'"):
        run.reasons("S-018")
    capsys.readouterr()
    assert tool(["check", KIT, str(SAMPLES / "bl7_P-0107.xlsx"), str(SAMPLES / "bl7_S-0108.xlsx")]) == 1
    assert capsys.readouterr().out == str(run)
    assert "REJECT" in run._repr_html_()


def test_what_is_typed_does_no_harm_in_a_notebook(tmp_path: Path) -> None:
    table = tmp_path / "a.csv"
    table.write_text("<b>size</b>\n" + "\n".join(f"0.45{n % 7 + 5}" for n in range(30)) + "\n", encoding="utf-8")
    shown = holeqc.capability(table, column="<b>size</b>", **LIMITS)._repr_html_()
    assert "&lt;b&gt;size" in shown
    assert "<b>" not in shown


def test_a_run_goes_on_record(tmp_path: Path) -> None:
    sheet, where = SAMPLES / "bl7_S-0108.xlsx", tmp_path / "shop.sqlite3"
    with pytest.raises(holeqc.HoleQCError, match="say who records"):
        holeqc.check(KIT, sheet, record=True, ledger=where)
    assert not where.exists()
    run = holeqc.check(KIT, sheet, record=True, by="bench 2", ledger=where)
    assert run.recorded is not None
    assert sorted(run.recorded.tags) == sorted(tag.code for tag in run.tags())
    with holeqc.open_ledger(where) as ledger:
        assert [row["serial"] for row in newest_parts(ledger)] == ["S-0108"]


def test_report_is_the_commands(tmp_path: Path) -> None:
    written = holeqc.report(holeqc.check(KIT, SAMPLES / "bl7_S-0108.xlsx"), tmp_path / "report", brief=True)
    assert {"report.html", "report.pdf", "tags.pdf", "verdicts.json"} <= {path.name for path in written}
    assert all(path.is_file() for path in written)


@pytest.mark.parametrize(
    ("ask", "words"),
    [
        (lambda: holeqc.capability(STUDY, column="reading", **LIMITS),
         ["capability", STUDY, "--column", "reading", "--lower", "0.455", "--upper", "0.462"]),
        (lambda: holeqc.chart(STUDY, column="reading"), ["chart", STUDY, "--column", "reading"]),
        (lambda: holeqc.gauge_study(STUDY, part="part", appraiser="appraiser", value="reading"),
         ["gauge-study", STUDY, "--part", "part", "--appraiser", "appraiser", "--value", "reading"]),
        (lambda: holeqc.fit.class_("RC7", "7/16"), ["fit", "class", "RC7", "7/16"]),
        (lambda: holeqc.fit.pair((0.455, 0.462), (0.4345, 0.436)),
         ["fit", "pair", "--hole", "0.455", "0.462", "--pin", "0.4345", "0.436"]),
        (lambda: holeqc.fit.plug(0.396, 0.403, uncertainty=0.0002), ["fit", "plug", "0.396", "0.403",
                                                                     "--uncertainty", "0.0002"]),
    ],
)  # fmt: skip
def test_an_answer_is_the_commands(ask, words: list[str], capsys: pytest.CaptureFixture[str]) -> None:  # type: ignore[no-untyped-def]
    answer = ask()
    capsys.readouterr()
    assert tool(words) == 0
    assert capsys.readouterr().out == answer.text
    assert tool([*words, "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == json.loads(json.dumps(answer.data, default=str))


def test_groups_of_a_kit_are_found_by_name() -> None:
    answers = holeqc.chart(KIT, HISTORY, by="bushing", only=["B1", "B3"])
    assert [answer.group for answer in answers] == ["bushing B1", "bushing B3"]
    assert answers["bushing b3"].data == answers[1].data
    with pytest.raises(KeyError, match="groups are bushing B1, bushing B3"):
        answers["B9"]


def test_wear_asks_twice_alike() -> None:
    # The second time its room is loaded already.
    first = holeqc.wear(KIT, HISTORY)
    assert holeqc.wear(holeqc.load_kit(KIT), HISTORY).text == first.text
    assert first.wear.advice


def test_readme_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    block = text.split("## From Python")[1].split("```python\n")[1].split("```")[0]
    for folder in ("tolerances", "sample_measurements"):
        (tmp_path / folder).symlink_to(ROOT / folder)
    monkeypatch.chdir(tmp_path)
    exec(block, {})
    assert (tmp_path / "report" / "report.html").is_file()
