"""Readings logged at a terminal: what is asked, taken and said, what is on disk when it is killed, the sheet it makes.

Limits and marks are worked out by hand from the kit files: BL-7 takes 0.455 to 0.462 in with a gauge of U 0.0003 in,
CP-12 takes 12.500 to 12.610 mm guarded by U 0.006 mm.
"""

from __future__ import annotations

import dataclasses
import errno
import os
import re
import select
import shutil
import signal
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from holeqc import writer
from holeqc.answers import bench as b
from holeqc.answers.check import check
from holeqc.problems import HoleQCError
from holeqc.readings.read import read_files
from holeqc.specification.load import load_specification

ROOT = Path(__file__).resolve().parents[2]
BL7, CP12 = ROOT / "tolerances" / "bl7.toml", ROOT / "tolerances" / "cp12.toml"


@pytest.fixture(autouse=True)
def _here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def begun(kit: Path = CP12, part: str = "", serial: str = "D-0040", **more: object) -> b.Bench:
    return b.Bench(b.Job(str(kit), part, serial, **more))  # type: ignore[arg-type]


def question(bench: b.Bench, place: str) -> b.Question:
    (found,) = [q for q in bench.questions if q.place == place]
    return found


def sample_answers(kit: Path, sample: str, serial: str) -> dict[tuple[str, str, str], list[str]]:
    """Return what is typed in a sample sheet, by hole, wall and kind, in the order of directions."""
    table = read_files([ROOT / "sample_measurements" / sample], load_specification(kit)).table
    mine = table[table["serial"] == serial].sort_values("direction")
    out: dict[tuple[str, str, str], list[str]] = {}
    for row in mine.to_dict("records"):
        wall = str(row["wall"])
        out.setdefault((str(row["hole"]), wall, str(row["characteristic"])), []).append(str(row["typed"]))
    return out


class Script:
    """Somebody at the bench: answers fields with Enter, readings from a sample, and says what is due at a place."""

    def __init__(self, talk: b.Talk, answers: dict[tuple[str, str, str], list[str]], due: dict[str, list[str]]) -> None:
        self.talk, self.answers, self.due = talk, {k: list(v) for k, v in answers.items()}, due

    def __call__(self, prompt: str) -> tuple[str, float] | None:
        if self.talk.at is None:
            return "write", 9.0
        q = self.talk.order[self.talk.at]
        if self.due.get(q.place):
            return self.due[q.place].pop(0), 9.0
        if q.row is None:
            return ("2026-11-18" if q.word == "date" else ""), 9.0
        return self.answers[q.row.hole.id, q.row.wall, q.word].pop(0), 9.0


def test_a_logged_part_is_judged_as_its_sheet_is(capsys: pytest.CaptureFixture[str]) -> None:
    # the sample's own readings, typed with decimal commas; hole C of D-0032 lies in the guard band, so it holds
    answers = sample_answers(CP12, "cp12_D-0031_D-0032.csv", "D-0032")
    bench = begun(serial="D-0032")
    talk = b.Talk(bench, lambda prompt: script(prompt), maps=False)
    first, second = "Hole A, single: diameter 0°", "Hole A, single: diameter 60°"
    answers["A", "single", "diameter"].pop(0)
    for asked in bench.questions:  # two of the four holes are in already
        if asked.row is not None and asked.row.hole.id in "BD":
            bench.set(asked, b.as_entry(asked, answers[asked.row.hole.id, "single", asked.word].pop(0), "mm"))
    script = Script(talk, answers, {first: ["12.95", "note read in the morning", "12.559"], second: ["back"]})
    assert talk.run()
    out = bench.finish()
    run, _ = bench.judged()
    assert b.verdict_code(run) == 3
    again = check(CP12, out)
    sample = check(CP12, ROOT / "sample_measurements" / "cp12_D-0031_D-0032.csv")
    theirs = sample.holes[sample.holes["serial"] == "D-0032"]
    for name in ("hole", "verdict", "mating_size", "smallest", "largest"):
        assert again.holes[name].tolist() == theirs[name].tolist() == run.holes[name].tolist()
    said = capsys.readouterr().out
    assert said.count("✗ OUTSIDE: 12.950") == 1
    marks = re.findall(r"^([✓!✗?…]) \w+", said, re.M)
    assert "!" in marks  # 12.607 is nearer to 12.610 than U
    assert [(q.what, old) for q, old in bench.typed_again()] == [("diameter 0°", ["12.95"])]
    notes = [p.message for p in again.inspection.problems if "typed again" in p.message]
    notes += [str(note) for note in again.inspection.readings.table["note"].unique() if "typed again" in str(note)]
    assert notes
    assert "read in the morning" in notes[0]


@pytest.mark.parametrize(
    ("typed", "mark"),
    [
        ("0.4582", b.INSIDE), ("0.4620", b.NEAR), ("0.4552", b.NEAR), ("0.4549", b.OUTSIDE), ("0.4621", b.OUTSIDE),
        ("0.4650", b.OUTSIDE), ("11.638", b.DOUBTFUL), ("4.582", b.DOUBTFUL), ("0.7", b.DOUBTFUL),
        ("11.638 mm", b.INSIDE), ("0.4582 in", b.INSIDE), ("-0.4582", b.DOUBTFUL),
    ],
)  # fmt: skip
def test_a_size_is_inside_near_outside_or_doubtful_at_once(typed: str, mark: str) -> None:
    bench = begun(BL7, "port", "P-0200")
    asked = question(bench, "Hole 3, far: diameter 90°")
    bench.set(asked, b.as_entry(asked, typed, "in"))
    assert bench.look(asked)[0] == mark


def test_words_and_places_are_judged_at_once() -> None:
    bench = begun(BL7, "starboard", "S-0200")
    said = {}
    for place, typed in (
        ("diameter 0°", "0.4582"), ("diameter 90°", "0.4581"), ("x", "10.500"), ("y", "1.25"), ("GO", "2"),
        ("NO-GO", "2"), ("surface", "crack"),
    ):  # fmt: skip
        asked = question(bench, f"Hole 4, near: {place}")
        bench.set(asked, b.as_entry(asked, typed, "in"))
        said[place] = bench.look(asked)[0]
    # a GO that stops and a NO-GO that enters contradict readings in the limits: one of both is wrong
    assert said == {"diameter 0°": b.INSIDE, "diameter 90°": b.INSIDE, "x": b.NOTED, "y": b.INSIDE, "GO": b.DOUBTFUL,
                    "NO-GO": b.DOUBTFUL, "surface": b.OUTSIDE}  # fmt: skip
    far = question(bench, "Hole 1, near: y")
    for place, typed in (("x", "1.500"), ("y", "1.300")):  # 0.05 off: position 0.1 against 0.060 + bonus
        asked = question(bench, f"Hole 1, near: {place}")
        bench.set(asked, typed)
    assert bench.look(far)[0] == b.OUTSIDE


def test_x_of_another_hole_is_named_there_and_not_blamed_on_the_plug() -> None:
    bench = begun(BL7, "port", "P-0201")  # hole 1 is at x 1.500, y 1.250, hole 2 at 4.500, 1.250
    said = {}
    for place, typed in (("diameter 0°", "0.4780"), ("x", "1.5002"), ("y", "1.2490"), ("GO", "enters")):
        asked = question(bench, f"Hole 2, near: {place}")
        bench.set(asked, typed)
        said[place] = bench.look(asked)
    assert said["diameter 0°"][0] == b.OUTSIDE
    assert said["x"][0] == said["GO"][0] == b.DOUBTFUL
    assert said["x"][1].startswith("likely another hole was read (x of hole 1, 5): so far off")
    assert said["GO"][1].startswith("not for this reading: x and y typed here are another hole's")
    for typed, words in (("1.2500", "x and y exchanged"), ("-4.5001", "the sign is turned"), ("9.0", "so far off")):
        asked = question(bench, "Hole 2, far: x")
        bench.set(asked, typed)
        assert words in bench.look(asked)[1]


@pytest.mark.parametrize(
    ("place", "typed", "entry"),
    [
        ("diameter 0°", "0,4582", "0.4582"), ("diameter 0°", "+0.4582 IN", "0.4582"), ("diameter 0°", "in 0.4582",
         "0.4582"), ("diameter 0°", 'mm:11,638', "11.638 mm"), ("diameter 0°", ".4582", ".4582"),
        ("diameter 0°", "0.4580", "0.4580"), ("diameter 0°", "0.45B2", ""), ("diameter 0°", "0.4582 0.4579", ""),
        ("diameter 0°", "0.4582,0.4579", ""), ("diameter 0°", "29/64", ""), ("diameter 0°", "clean", ""),
        ("diameter 0°", "1.000,5", ""), ("diameter 0°", "\x1b[A", ""), ("diameter 0°", "nan", ""),
        ("GO", "e", "enters"), ("GO", "no", "does not enter"), ("NO-GO", "1", "does not enter"), ("GO", "0.4582", ""),
        ("GO", "3", ""), ("surface", "not", "not clean"), ("surface", "4", "crack"), ("surface", "0.4582", ""),
        ("Temperature [°C]", "20,5", "20.5"), ("Temperature [°C]", "68", ""), ("Temperature [°C]", "0.4582", ""),
        ("Measured by", "0.4582", ""), ("Measured by", "bench 2", "bench 2"), ("Date", "2026-11-18", "2026-11-18"),
        ("Date", "2999-01-01", ""), ("Date", "yesterday", ""),
    ],
)  # fmt: skip
def test_what_is_no_answer_is_not_taken(place: str, typed: str, entry: str) -> None:
    # one bench for all would be a draft for each: only the questions are needed
    spec = load_specification(BL7)
    asked = next(q for q in b.questions(spec, b.layout(spec)) if q.what == place)
    if entry:
        assert b.as_entry(asked, typed, "in") == entry
    else:
        with pytest.raises(b.NotTakenError):
            b.as_entry(asked, typed, "in")


def test_a_gauge_that_sends_twice_or_too_early_fills_one_cell() -> None:
    bench = begun()
    at = "Hole A, single: diameter 0°"
    talk = b.Talk(bench, lambda prompt: None, maps=False)
    talk.at = talk.order.index(question(bench, at))
    sent: Iterator[tuple[str, float]] = iter([
        ("12.555", 4.0), ("12.555", 0.1), ("12.558", 0.0), ("", 0.0), ("12.555", 3.0), ("stop", 1.0),
    ])  # fmt: skip
    talk.ask = lambda prompt: next(sent)
    assert not talk.run()
    first, second = (question(bench, f"Hole A, single: diameter {d}°") for d in (0, 60))
    assert bench.entries == {first.cell: "12.555", second.cell: "12.555"}


def test_a_draft_cut_anywhere_never_gives_half_a_number() -> None:
    bench = begun()
    one, two = (question(bench, f"Hole B, single: diameter {d}°") for d in (0, 60))
    bench.set(one, "12.548")
    bench.remark(one, "=scratch, \"deep\"")
    bench.set(two, "12.551")
    bench.journal.close()
    whole = bench.draft.read_bytes()
    last = len(whole) - len(whole.splitlines(keepends=True)[-1])
    for cut in range(last, len(whole), 7):
        bench.draft.write_bytes(whole[:cut])
        again = b.Bench(b.Job(), resume=True)
        again.set(two, "12.5515")  # the line after a torn one stands by itself
        again.journal.close()
        third = b.Bench(b.Job(out=str(bench.out)), resume=True)
        third.journal.close()
        assert again.entries == third.entries == {one.cell: "12.548", two.cell: "12.5515",
                                                  bench.note_cell(one): '=scratch, "deep"'}  # fmt: skip
        assert bool(again.notes) == (last < cut < len(whole) - 1)  # but for its end, a line is whole


def test_a_full_disk_keeps_the_question_open(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = begun()
    asked = question(bench, "Hole B, single: diameter 0°")
    before = bench.draft.read_bytes()

    def full(self: writer.Disk, descriptor: int, content: bytes) -> int:
        os.write(descriptor, content[: len(content) // 2])
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        patched.setattr(writer.Disk, "append", full)
        with pytest.raises(writer.WriteError, match="No space left"):
            bench.set(asked, "12.548")
    assert (bench.entries, bench.draft.read_bytes()) == ({}, before)
    bench.set(asked, "12.548")
    assert bench.draft.read_bytes().startswith(before)


def test_what_is_refused_before_anything_is_asked(tmp_path: Path) -> None:
    kit = tmp_path / "kit.toml"
    shutil.copy(CP12, kit)
    bench = begun(kit)
    with pytest.raises(HoleQCError, match="another terminal"):
        b.Bench(b.Job(), resume=True)
    bench.journal.close()
    with pytest.raises(HoleQCError, match="was begun"):
        begun(kit)
    was = kit.read_text("utf-8")
    kit.write_text(was.replace("tolerance = 0.30", "tolerance = 0.31"), "utf-8")
    before = bench.draft.read_bytes()
    with pytest.raises(HoleQCError, match=r"same revision A: .*tolerance 0\.3 became 0\.31.*log the part anew"):
        b.Bench(b.Job(), resume=True)
    assert bench.draft.read_bytes() == before
    kit.write_text(was, "utf-8")
    again = b.Bench(b.Job(), resume=True)
    again.journal.close()
    kit.write_text(kit.read_text("utf-8").replace('revision = "A"', 'revision = "B"'), "utf-8")
    with pytest.raises(HoleQCError, match=r"revision A.*revision B"):
        b.Bench(b.Job(), resume=True)
    Path("D-0041.xlsx").write_bytes(b"x")
    with pytest.raises(HoleQCError, match="was logged"):
        begun(serial="D-0041")
    with pytest.raises(HoleQCError, match="--part port or --part starboard"):
        begun(BL7, "", "P-1")
    with pytest.raises(HoleQCError, match="not asked of this kit"):
        b.Talk(again, lambda prompt: None, ["thread"])
    # a draft is no sheet: a folder passes it over, and by itself it is never accepted
    assert b.DRAFT in (b.DRAFT, *bench.draft.suffixes[-2:])
    with pytest.raises(HoleQCError):
        check(CP12, bench.draft)


def test_a_recheck_asks_only_what_it_asks_again() -> None:
    # S-0108: hole 5 was small and is reamed; all of it is read again, nothing of the other holes
    first = ROOT / "sample_measurements" / "bl7_S-0108.xlsx"
    bench = b.Bench(b.Job(str(BL7), recheck="S-0108", first=(str(first),)))
    asked = [q for q in bench.questions if q.row is not None]
    assert {q.row.hole.id for q in asked if q.row} == {"5"}
    assert {"diameter", "go"} <= {q.word for q in asked}
    assert "before: " not in asked[0].place
    sizes = iter(["0.4576", "0.4577", "0.4575", "0.4578"])
    for q in bench.questions:
        words = {"go": "enters", "no_go": "does not enter", "surface": "clean", "date": "2026-11-20", "x": "1.5023",
                 "y": "5.7478"}  # fmt: skip
        if q.word == "diameter":
            bench.set(q, next(sizes))
            last = q
        elif q.word in words:
            bench.set(q, words[q.word])
    assert bench.look(last)[0] == b.INSIDE
    bench.finish()
    run, _ = bench.judged()
    joined = check(BL7, first, bench.out)
    assert run.verdict == joined.verdict == "accept"
    assert run.holes["smallest"].tolist() == joined.holes["smallest"].tolist()


# ---------------------------------------------------------------------------------------------------- a real terminal


@dataclasses.dataclass
class Terminal:
    """The tool in a pseudo-terminal of some columns."""

    words: Sequence[str]
    columns: int = 40
    shown: str = ""

    def __enter__(self) -> Terminal:
        pty = pytest.importorskip("pty")
        self.pid, self.at = pty.fork()
        if self.pid == 0:
            os.environ |= {"COLUMNS": str(self.columns), "TERM": "dumb", "PYTHONIOENCODING": "utf-8",
                           "PYTHONPATH": str(ROOT)}  # fmt: skip
            os.execv(sys.executable, [sys.executable, "-m", "holeqc", *self.words])
        self.code: int | None = None
        return self

    def until(self, *ends: str) -> str:
        """Return what is shown from now on until one of these ends it, or the tool has left."""
        new = ""
        while not new.endswith(ends):
            assert select.select([self.at], [], [], 60)[0], f"nothing more comes after {new!r}"
            try:
                got = os.read(self.at, 65_536).decode("utf-8", "replace")
            except OSError:
                got = ""
            if not got:
                break
            new += got
        self.shown += new
        return new.replace("\r\n", "\n")

    def send(self, text: str) -> str:
        os.write(self.at, text.encode())
        return self.until("\n> ")

    def __exit__(self, *_: object) -> None:
        if self.code is None:
            os.kill(self.pid, signal.SIGKILL)
            os.waitpid(self.pid, 0)
        os.close(self.at)

    def leaves(self) -> int:
        self.until("\0")
        self.code = os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])
        return self.code


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals")
def test_a_bench_terminal_that_is_killed_goes_on_where_it_was() -> None:
    with Terminal(["log", str(CP12), "--serial", "D-0031"]) as one:
        one.until("\n> ")
        fields = {"Date": "2026-11-18\n", "Measured by": "bench 2\n"}
        said = one.shown.replace("\r\n", "\n")
        for _ in range(6):  # fields
            said = one.send(next((v for k, v in fields.items() if k in said), "\n"))
        assert "[A]" in said  # the map
        assert "12.500 to 12.610" in said.replace("\n ", "")
        assert "✓ inside: 12.555" in one.send("12,555\t")  # a tab ends a gauge's line
        said = one.send("12.70\n")
        assert "\a" in said
        assert "✗ OUTSIDE" in said
        assert "not taken" in one.send("12.5x\n")
        os.write(one.at, b"12.561\n12.558\n")  # the second is there before it is asked for
        said = one.until("again\r\n> ").replace("\a", "")
        assert "\n'12.558' came before the question" in said.replace("\n  ", " ")  # in a line of its own
        # killed now: what was answered is on disk
    kept = b._lines(Path("D-0031.draft.csv"))[0]
    assert [line[5] for line in kept if line[2] == "set"][-3:] == ["12.555", "12.70", "12.561"]
    with Terminal(["log", "--resume", "--no-map"]) as two:
        said = two.until("\n> ")
        assert "Hole A, single: x" in said.replace("\n ", "")
        assert "12.70" in two.send("jump A 60\n")
        assert "✓ inside: 12.561" in two.send("12.561\n")
        two.send("jump A 0°\n")
        assert "now 12.555" in two.shown
        assert "… noted" in two.send("jump B x\n") + two.send("150,00\n")
        os.write(two.at, b"stop\n")
        assert two.leaves() == 130
    assert "kept in" in two.shown
    assert "half-written" not in two.shown  # one message
    with Terminal(["log", "--resume", "--no-map"]) as three:
        three.until("\n> ")
        os.write(three.at, b"write\n")
        assert three.leaves() == 3  # nearly all of it is missing
    for session in (one, two, three):
        text = session.shown.replace("\r\n", "\n").replace("\a", "")
        before_asking = text.index("? or help")
        assert "\x1b" not in text[before_asking : text.rindex("\n> ")]  # nothing moves while somebody is asked
        text = re.sub(r"[^\n]*\r\x1b\[2K", "", text)  # a line of progress is taken away
        assert not [line for line in text.split("\n") if len(line) > 40 and " " in line.strip()]
        assert "\x1b" not in text
    assert "? HOLD" in three.shown
    assert "Typed again" in three.shown
    assert "Tag " in three.shown
    filled = check(CP12, Path("D-0031.xlsx")).inspection.readings.table
    assert sorted(filled["value"].dropna()) == [12.555, 12.561, 12.561, 150.0]
