"""A week or a year of a shop on one ledger, by the commands of README alone, with the truth of every part known.

    python tests/simulation/year_of_a_shop.py [postgresql://USER@HOST/DATABASE] [--days 100] [--parts 1500]

Without `--days` a week of 60 parts: two benches record at once, two inspectors approve. Holes are drilled small and
reamed, readings are missing or slips, a gauge is found off after approvals, the kit is revised in mid-week, and bad
parts are helped along by copied readings, --no-tags, another spelling, another day. Prints what came of it and leaves
with 1 where a bad part ends approved, a good one is scrapped, or something waits that nobody left open. Sizes are
invented; what must happen follows from the kit's limits 0.455 to 0.462 and from README's rules.

A year: three benches, two fixtures, the usual slips by chance, gauges that come due, one gauge found off after weeks, a
bushing that wears until the forecast on record says so, one kit revision, and power cuts while sheets are recorded.
"""

from __future__ import annotations

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # children are forked from a process that has no threads

import argparse
import datetime as dt
import json
import signal
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl

import holeqc.commands.check
import holeqc.commands.gauge
import holeqc.commands.record
import holeqc.commands.sheet
import holeqc.inspection.recheck
import holeqc.ledger.equipment
import holeqc.ledger.ledger
import holeqc.ledger.tags
import holeqc.readings.read  # loaded once, before the children part
from holeqc.__main__ import run

KIT = Path(__file__).resolve().parents[2] / "tolerances" / "bl7.toml"
OFF = -0.0004  #: inch that BG-3, the gauge of bench 2, reads too small
BENCHES = ("17", "18", "19")
INSPECTORS = ("41", "42")
BAD = ("oversize", "copied", "no-tags", "spelling", "older", "younger", "undecided", "edge")
#: fates beside plain good ones, by day and bench; ``edge`` is over the limit by less than BG-3 reads too small
PLAN = (
    (("small", "missing", "older"), ("slip", "edge", "copied")),
    (("small late", "no-tags", "missing late", "late"), ("small", "spelling", "form")),
    (("younger", "small"), ("oversize", "missing")),
    (("small twice",), ("slip renamed", "missing")),
    (("oversize", "undecided"), ("small", "unread")),
)
SMALL_PLAN = ((("small", "missing", "no-tags", "late"), ("edge", "spelling", "slip", "good")),)


@dataclass
class Part:
    """A part as it is: ``holes`` by hole and wall: two diameters, x, y."""

    serial: str
    fate: str
    bench: int
    holes: dict[tuple[str, str], list[float]]
    sheet: Path | None = None
    approved: bool = False
    scrapped: bool = False
    solved: list[str] = field(default_factory=list)

    @property
    def bad(self) -> bool:
        """Tell whether a size is outside, whatever was read."""
        return any(not 0.455 <= size <= 0.462 for values in self.holes.values() for size in values[:2])


class Week:
    """The shop: its folder, its clock, its parts, and how long each kind of command took."""

    def __init__(self, folder: Path, plan: Sequence[Sequence[Sequence[str]]], parts: int) -> None:
        self.folder, self.plan = folder, plan
        self.random = np.random.default_rng(20261123)
        self.days = [dt.date.today() - dt.timedelta(days=len(plan) - n) for n in range(len(plan))]
        self.day = self.days[0]
        self.sound = self.days[0]  #: day on which BG-3 was last known to be good
        self.due = str(self.days[-1] + dt.timedelta(days=200))
        self.questions = 0
        self.kit = folder / "bl7.toml"
        self.seconds: dict[str, list[float]] = defaultdict(list)
        self.surprises: list[str] = []
        self.holds: Counter[str] = Counter()
        self.parts: dict[str, Part] = {}
        self.gauges = ["BG-2", "BG-3", "BG-4"]
        self.benches = 2
        self.off = OFF
        self.packet_every = 4
        self.number = 0
        self.a_day = parts // len(plan) // 2
        self.asked: Counter[str] = Counter()

    # ------------------------------------------------------------------------------------------------ the commands

    def start(self, *words: object) -> tuple[int, float, Path, list[str]]:
        """Start a command in a child of its own."""
        self.number += 1
        said = self.folder / "said" / f"{self.number:04}"
        argv = [str(word) for word in words]
        child = os.fork()
        if child:
            return child, time.monotonic(), said, argv
        code = 70
        try:
            os.chdir(self.folder)
            for stream, end in ((1, ".out"), (2, ".err")):
                os.dup2(os.open(f"{said}{end}", os.O_WRONLY | os.O_CREAT, 0o644), stream)
            at = dt.datetime.now(dt.UTC).strftime(f"{self.day}T%H:%M:%S.%fZ")  # what is decided today is of today
            for module in (holeqc.ledger.ledger, holeqc.ledger.tags):
                module.now = lambda: (at, 0)
            code = run(argv)
            sys.stdout.flush()
            sys.stderr.flush()
        finally:
            os._exit(code)

    def end(self, started: tuple[int, float, Path, list[str]], expect: Iterable[int] = (0,)) -> tuple[int, str]:
        """Wait for a command; return its exit code and what it said."""
        child, begun, said, argv = started
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        kind = " ".join(argv[: 2 if argv[0] in {"kit", "gauge", "ledger"} else 1])
        self.seconds[kind].append(time.monotonic() - begun)
        out, err = (Path(f"{said}{end}").read_text(encoding="utf-8") for end in (".out", ".err"))
        if code not in expect:
            words = " ".join((out[-600:] + err).split())
            self.surprise(f"{said.name} holeqc {' '.join(argv)}: exit code {code}: {words}")
        return code, out if "--json" in argv else out + err

    def do(self, *words: object, expect: Iterable[int] = (0,)) -> str:
        """Run one command."""
        return self.end(self.start(*words), expect)[1]

    def ask(self, *words: object) -> Any:
        """Run a command for its JSON."""
        return json.loads(self.do(*words, "--json"))

    def surprise(self, text: str) -> None:
        """Note what should not have happened."""
        self.surprises.append(text)

    # ------------------------------------------------------------------------------------------------ drill and read

    def kit_text(self, revision: str) -> None:
        """Write the kit file: the sample's, with a second bore gauge and dates that hold whatever the clock says."""
        text = KIT.read_text(encoding="utf-8").replace('revision = "C"', f'revision = "{revision}"')
        text = text.replace("2027-03-31", self.due).replace("2027-06-30", self.due)
        gauge = text[text.index('[[gauge]]\nid = "BG-2"') : text.index('[[gauge]]\nid = "CM-1"')]
        text = text.replace(gauge, gauge + gauge.replace("BG-2", "BG-3") + gauge.replace("BG-2", "BG-4"))
        text = text[: text.index('[[hole]]\nid = "5"')] + text[text.index("[outline]") :]
        if revision == "D":
            text = text.replace("tolerance = 0.060 ", "tolerance = 0.050 ")
        self.kit.write_text(text, encoding="utf-8")
        second = text.replace('"BL-7"', '"BL-8"').replace("DF-BL7", "DF-BL8")
        self.kit.with_name("bl8.toml").write_text(second, encoding="utf-8")
        for kit in ("bl7.toml", "bl8.toml")[: 1 + (self.benches > 2)]:
            for who in ("engineer", "7"):
                self.do("kit", "release", self.folder / kit, "--by", who)

    def kit_of(self, part: Part) -> Path:
        """Return the kit of the fixture that a part is drilled in: the third bench has one of its own."""
        return self.folder / ("bl8.toml" if part.bench == 2 else "bl7.toml")

    def drilled(self, fate: str, bench: int) -> Part:
        """Return a new part, drilled as its fate says."""
        serial = f"P-{1001 + len(self.parts)}"
        normal, holes = self.random.normal, {}
        seat = normal(0, 0.002, 2)
        for n in range(4):
            place = np.array([1.5 + 3.0 * n, 1.25]) + seat + normal(0, 0.0007, 2)
            size = normal(0.4582, 0.0005)
            for wall in ("near", "far"):
                at = place + normal(0, 0.0003, 2) + self.worn(n, bench)
                holes[str(n + 1), wall] = [*(size + normal(0, 0.0001, 2)), *at]
        odd = holes["3", "near"]
        if fate.startswith("small"):
            odd[:2] = 0.4545, 0.4546
        elif fate == "form":
            odd[:2] = 0.4580, 0.4614
        elif fate == "edge":
            odd[:2] = 0.4622, 0.4612
            holes["3", "far"][:2] = 0.4614, 0.4611
        elif fate in BAD:
            odd[:2] = 0.4633, 0.4632
        self.parts[serial] = Part(serial, fate, bench, holes)
        return self.parts[serial]

    def worn(self, hole: int, bench: int) -> tuple[float, float]:
        """Return how far the bushing of a hole has worn."""
        return 0.0, 0.0

    def fill(self, path: Path, parts: Sequence[Part], who: str, *, gauge: str = "", first: bool = False,
             serial: str = "", day: dt.date | None = None) -> None:  # fmt: skip
        """Fill a sheet with what the gauges show; ``first``: with the slips and gaps of a first reading."""
        book = openpyxl.load_workbook(path)
        bench = BENCHES.index(who)
        for part, sheet in zip(parts, book.worksheets, strict=False):
            labels = {str(sheet.cell(r, 1).value): r for r in range(1, 20)}
            top = labels["Hole"]
            heads = {str(cell.value): cell.column for cell in sheet[top]}
            used = gauge or self.gauges[bench]
            for label, value in (("Date", day or self.day), ("Measured by", who), ("Gauge, diameter", used)):
                sheet.cell(labels[label], 3).value = value
            if serial:
                sheet.cell(labels["Serial"], 3).value = serial
            row = top + 1
            while (key := (str(sheet.cell(row, 1).value), str(sheet.cell(row, 2).value))) in part.holes:
                true = part.holes[key]
                error = self.off if used == "BG-3" else 0.0
                shown = true + self.random.normal(0, [0.00005, 0.00005, 0.0001, 0.0001]) + [error, error, 0.0, 0.0]
                plugs = ["enters" if min(true[:2]) >= 0.455 else "does not enter",
                         "enters" if min(true[:2]) > 0.462 else "does not enter"]  # fmt: skip
                values: list[Any] = [*(round(float(v), 4) for v in shown), *plugs, "clean"]
                if first and key == ("3", "near") and part.fate.startswith(("missing", "unread")):
                    values[1] = None
                if first and key == ("3", "near") and part.fate.startswith("slip"):
                    values[1] *= 10
                names = ("Diameter 0° [in]", "Diameter 90° [in]", "x [in]", "y [in]", "GO", "NO-GO", "Surface")
                for name, value in zip(names, values, strict=True):
                    if name in heads and sheet.cell(row, heads[name]).value is None:
                        sheet.cell(row, heads[name]).value = value
                        self.asked["first" if first else "again"] += 1
                row += 1
        book.save(path)

    def blank(self, name: str, parts: Sequence[Part]) -> Path:
        """Have a blank sheet written."""
        path = self.folder / name
        kit = self.kit_of(parts[0])
        self.do("sheet", kit, "-o", path, "--part", "port", *(w for p in parts for w in ("--serial", p.serial)))
        return path

    def record(self, path: Path, who: str, *more: str, expect: Iterable[int] = (0, 1, 3)) -> dict[str, str]:
        """Record a sheet; return the verdict of each part."""
        kit = self.folder / ("bl8.toml" if who == BENCHES[2] else "bl7.toml")
        return self.verdicts(self.start("check", kit, path, "--record", "--by", who, "--json", *more), expect)

    def verdicts(self, started: Any, expect: Iterable[int] = (0, 1, 3)) -> dict[str, str]:
        """Return the verdicts that a check told."""
        code, out = self.end(started, expect)
        return {p["serial"]: p["verdict"] for p in json.loads(out)["parts"]} if code in (0, 1, 3) else {}

    # ------------------------------------------------------------------------------------------------ a day

    def morning(self, number: int) -> list[Part]:
        """Both benches drill, read and record, at once."""
        running, late = [], []
        for bench, who in enumerate(BENCHES[: self.benches]):
            fates = [*self.plan[number][bench]]
            fates += ["good"] * (self.a_day - len(fates))
            parts = [self.drilled(fate, bench) for fate in fates]
            for tags, name in ((True, ""), (False, "_trend")):
                mine = [p for p in parts if (p.fate == "no-tags") is not tags]
                if mine:
                    path = self.blank(f"day{number + 1}_bench{who}{name}.xlsx", mine)
                    self.fill(path, mine, who, first=True)
                    more = [] if tags else ["--no-tags"]
                    words = ["check", self.kit_of(mine[0]), path, "--record", "--by", who, "--json", *more]
                    for part in mine:
                        part.sheet = path
                    started = self.start(*words)
                    if self.power_cut(started):
                        started = self.start(*words)
                    running.append((started, mine))
                    late += [p for p in mine if p.fate.endswith("late")]
        for started, mine in running:
            told = self.verdicts(started)
            for part in mine:
                want = "accept"
                if part.fate.startswith(("missing", "slip", "unread")) or str(self.day) > self.due:
                    want = "hold"
                elif (part.bad and part.fate != "edge") or part.fate == "form":
                    want = "reject"
                if told.get(part.serial) != want:
                    self.surprise(f"{part.serial} ({part.fate}) was judged {told.get(part.serial)}, truth {want}")
                if want == "hold":
                    self.holds[f"{part.fate.split()[0]}: held"] += 1
        return late

    def power_cut(self, started: tuple[int, float, Path, list[str]]) -> bool:
        """Tell whether the power failed while a sheet was recorded."""
        return False

    def again(self, tag: str, part: Part, how: str) -> None:
        """Read again what a tag asks, on a recheck sheet, and record it."""
        who = BENCHES[part.bench]
        path = self.folder / f"again_{part.serial}_{self.number}.xlsx"
        self.do("sheet", self.kit, "--recheck", tag, "-o", path)  # of the revision in force
        if path.exists():
            self.fill(path, [part], who)
            told = self.record(path, who, expect=(0, 1, 2, 3))
            if not told:  # first read under the revision before, and so was the recheck sheet written
                path = self.blank(f"{path.stem}_whole.xlsx", [part])
                self.fill(path, [part], who)
                told, how = self.record(path, who), f"{how} refused for its revision, whole part read anew"
            want = "reject" if part.bad else "accept"
            if told.get(part.serial) != want:
                found = told.get(part.serial)
                self.surprise(f"{part.serial} ({part.fate}), {how}: recheck judged {found}, truth {want}")
            elif want == "accept":
                part.solved.append(how)

    def tags(self) -> list[dict[str, Any]]:
        """Return the open tags."""
        return list(self.ask("tags", "--open"))

    def decide(self, later: Sequence[Part] = ()) -> None:
        """Decide on every open tag and carry it out, until nothing changes; parts of ``later`` wait."""
        for _ in range(4):
            open_tags = [t for t in self.tags() if self.part_of(t).fate not in ("undecided", "unread")]
            open_tags = [t for t in open_tags if self.part_of(t) not in later]
            if not open_tags:
                return
            for tag in open_tags:
                self.settle(tag["number"], self.part_of(tag), tag["verdict"])
        self.surprise(f"tags stay open: {[(t['number'], self.part_of(t).serial, t['hole']) for t in open_tags]}")

    def part_of(self, tag: dict[str, Any]) -> Part:
        """Return the part that a tag hangs on."""
        return self.parts[tag["serial"] if tag["serial"] in self.parts else f"P-{tag['serial'][1:]}"]

    def settle(self, tag: str, part: Part, verdict: str) -> None:
        """Do what a sensible shop does about a tag."""
        if part.fate in BAD:
            self.do("disposition", tag, "--as", "scrap", "--by", "engineer", "--reason", "hole 3 over its upper limit")
            part.scrapped = True
        elif part.fate == "form":
            self.do("disposition", tag, "--as", "use-as-is", "--by", "engineer", "--authority", "MRB-12", "--reason",
                    "the pin of hole 3 is relieved")  # fmt: skip
            part.solved.append("form: use-as-is")
        elif part.fate.startswith("small"):
            self.do("disposition", tag, "--as", "rework", "--by", "engineer", "--reason", "ream to 0.4575")
            self.do("reworked", tag, "--by", BENCHES[part.bench], "--note", "reamed to 0.4575")
            worn = part.fate == "small twice" and "reamed once" not in part.solved
            for wall in ("near", "far"):
                size = self.random.normal(0.4548 if worn and wall == "near" else 0.4585, 0.00005, 2)
                part.holes["3", wall][:2] = np.maximum(part.holes["3", wall][:2], size)
            if worn:
                part.solved.append("reamed once")
            self.again(tag, part, "small: reamed, recheck")
        elif part.fate == "slip":
            name = self.sheet_of(part)
            self.correct(name, part)
            self.record(name, BENCHES[part.bench])
            part.solved.append("slip: same sheet corrected")
        elif part.fate == "slip renamed":
            old = self.sheet_of(part)
            new = old.with_name(f"{old.stem}_mended.xlsx")
            new.write_bytes(old.read_bytes())
            self.correct(new, part)
            row = next(r for r in self.ask("parts") if r["serial"] == part.serial)
            self.record(new, BENCHES[part.bench], "--replaces", row["entry"])
            part.solved.append("slip: sheet of another name, --replaces")
        else:
            self.again(tag, part, f"{part.fate.split()[0]}: recheck")

    def sheet_of(self, part: Part) -> Path:
        """Return the workbook in which a part was read first."""
        assert part.sheet is not None
        return part.sheet

    def correct(self, path: Path, part: Part) -> None:
        """Type the slip anew."""
        book = openpyxl.load_workbook(path)
        sheet = book[part.serial]
        top = next(row for row in sheet.iter_rows() if row[0].value == "Hole")
        for column in [cell.column for cell in top if str(cell.value).startswith("Diameter")]:
            for row in range(top[0].row + 1, sheet.max_row + 1):
                cell = sheet.cell(row, column)
                if isinstance(cell.value, float) and cell.value > 1.0:
                    cell.value = round(cell.value / 10, 4)
        book.save(path)

    # ------------------------------------------------------------------------------------------------ bad parts helped

    def help_along(self) -> None:
        """Try to get each bad part of the day through; every approval must be refused."""
        for part in [p for p in self.parts.values() if p.fate in BAD and not p.scrapped and p.fate != "edge"]:
            who, serial, day = BENCHES[part.bench], part.serial, self.day
            other = Part(serial, "good", part.bench, self.made_up())
            if part.fate in ("oversize", "undecided"):
                self.refuse(serial)
                continue
            if part.fate == "spelling":
                serial = serial.replace("-", "")
            elif part.fate == "older":
                day = self.day - dt.timedelta(days=1)
            path = self.folder / f"helped_{part.serial}.xlsx"
            if part.fate == "copied":
                donor = [p for p in self.parts.values() if p.fate == "good" and p.bench == part.bench][-1]
                book = openpyxl.load_workbook(self.sheet_of(donor))
                for name in book.sheetnames:
                    if name not in (donor.serial, "holeqc_lists"):
                        del book[name]
                sheet = book[donor.serial]
                sheet.title = part.serial
                for row in sheet.iter_rows(max_row=12):
                    if row[0].value == "Serial":
                        row[2].value = part.serial
                book.save(path)
            else:
                self.blank(path.name, [part])
                self.fill(path, [other], who, serial=serial, day=day)
            told = self.record(path, who, expect=(2,) if part.fate == "spelling" else (0, 1, 3))
            self.holds[f"attempt {part.fate}: judged {next(iter(told.values()), 'not at all')}"] += 1
            for name in {part.serial, serial}:
                self.refuse(name)
            if part.fate == "younger":
                for tag in [t for t in self.tags() if t["serial"] == part.serial]:  # refused: the hole took the NO-GO
                    words = ("--as", "rework", "--by", "engineer", "--reason", "ream")
                    self.do("disposition", tag["number"], *words, expect=(0, 2))
                path = path.with_name(f"younger_{part.serial}.xlsx")
                self.blank(path.name, [part])
                self.fill(path, [Part(serial, "good", part.bench, self.made_up())], who)
                self.record(path, who)
                self.refuse(part.serial)
            if part.fate == "no-tags":
                self.record(self.folder / f"day{self.days.index(self.day) + 1}_bench{who}_trend.xlsx", who)

    def made_up(self) -> dict[tuple[str, str], list[float]]:
        """Return holes of a good part that nobody drilled."""
        part = self.drilled("good", 0)
        del self.parts[part.serial]
        return part.holes

    def refuse(self, serial: str, by: str = "41") -> None:
        """Ask for an approval that must be refused."""
        code, said = self.end(self.start("approve", serial, "--by", by), (1, 2, 3))
        if code == 0:
            self.surprise(f"BAD APPROVED: {serial}")
        (self.folder / "said" / "refused.txt").open("a", encoding="utf-8").write(f"{serial}: {said}\n")

    # ------------------------------------------------------------------------------------------------ the inspectors

    def approve(self, later: Sequence[Part] = ()) -> None:
        """Approve all that is ready, by two inspectors at once, and make packets of some."""
        ready = [r["serial"] for r in self.ask("waiting")["ready"] if self.parts.get(r["serial"]) not in later]
        halves = [(ready[n::2], who) for n, who in enumerate(INSPECTORS) if ready[n::2]]
        running = [(mine, self.start("approve", *mine, "--by", who)) for mine, who in halves]
        for mine, started in running:
            _, said = self.end(started)
            for serial in mine:
                if f"Approved: port {serial}," not in said:
                    continue
                if serial not in self.parts or (self.parts[serial].bad and self.parts[serial].fate != "edge"):
                    self.surprise(f"BAD APPROVED: {serial}")
                else:
                    self.parts[serial].approved = True
        for serial in ready:
            if int(serial.split("-")[1]) % self.packet_every == 0 and self.parts[serial].approved:
                self.do("packet", serial, "--by", "41", "-o", f"packet_{serial}_{self.number}")

    def gauge_found_off(self) -> None:
        """The gauge room finds BG-3 off; a part in question is closed with a reason, or withdrawn and read again."""
        found = ("--out-of-tolerance", "--error", f"{OFF:+} in", "--by", "gauge room", "--tolerances", self.folder)
        self.do("gauge", "calibrated", "BG-3", "--day", self.day, *found)
        _, said = self.end(self.start("gauge", "suspect", "BG-3", "--since", self.sound, "--json"), (0, 1, 3))
        (self.folder / "said" / "suspect.json").write_text(said, encoding="utf-8")
        self.gauges[1] = "BG-2"
        questions = [r["serial"] for r in self.ask("parts") if r["in_question"]]
        self.questions = len(questions)
        for serial in questions:
            part = self.parts[serial]
            if part.bad:
                self.do("withdraw", serial, "--by", "41", "--reason", "hole 3 is over its limit with the error of BG-3")
                part.approved = False
                path = self.blank(f"anew_{serial}.xlsx", [part])
                self.fill(path, [part], BENCHES[part.bench])
                self.record(path, BENCHES[part.bench])
            else:
                self.do("question", serial, "--by", "42", "--reason", "every size keeps more than 0.0004")
        self.do("gauge", "calibrated", "BG-3", "--day", self.day, "--due", self.due, "--by", "gauge room",
                "--tolerances", self.folder)  # fmt: skip

    # ------------------------------------------------------------------------------------------------ the week

    def play(self) -> None:
        """Play the week."""
        (self.folder / "said").mkdir()
        self.kit_text("C")
        (self.folder / "seals").mkdir()
        self.do("ledger", "seal", "--folder", self.folder / "seals", "--by", "engineer")
        last = len(self.days) - 1
        for number, day in enumerate(self.days):
            self.day = day
            if number == min(2, last) and last:
                self.kit_text("D")
            late = self.morning(number)
            self.help_along()
            self.decide(late)
            self.judge_anew()
            self.refuse(next(p.serial for p in self.parts.values() if p.bench == 0 and not p.bad), "17")
            self.approve(late)
            if number == min(3, last):
                self.gauge_found_off()
                if not last:
                    self.kit_text("D")
                self.decide(late if last == 0 else ())
            if number == last:
                self.decide()
                self.judge_anew()
                self.approve()

    def judge_anew(self) -> None:
        """Judge what was accepted under the older revision under the one in force: by its sheet, or read once more."""
        for serials, why, _ in self.ask("waiting")["blocked"]:
            if "revision D is the one released" not in why:
                self.surprise(f"blocked: {serials}: {why}")
                continue
            for part in [self.parts[serial] for serial in serials]:
                who = BENCHES[part.bench]
                told = self.record(self.sheet_of(part), who, expect=(0, 1, 2, 3))
                told = {part.serial: told[part.serial]} if part.serial in told else {}
                part.solved.append(f"old revision: its sheet judged anew, {told.get(part.serial, 'refused')}")
                if not told:
                    path = self.blank(f"anew_{part.serial}_D.xlsx", [part])
                    self.fill(path, [part], who)
                    told = self.record(path, who)
                    part.solved.append(f"old revision: read once more, {told.get(part.serial)}")

    def table(self) -> tuple[list[str], bool]:
        """Return what came of it, and whether all of it is as it must be."""
        waits, verified = self.ask("waiting"), self.ask("ledger", "verify", "--seal", self.folder / "seals")
        tags = self.ask("tags")
        rows = {r["serial"]: r for r in self.ask("parts")}
        left = {t["serial"] for t in waits["tags"]} | {r["serial"] for k in ("ready", "held") for r in waits[k]}
        named = {p.serial for p in self.parts.values() if p.fate in ("undecided", "unread")}
        approved = {s for s, r in rows.items() if r["approved"]}
        bad = sorted(s for s in approved if s not in self.parts or self.parts[s].bad)
        scrapped = sorted(p.serial for p in self.parts.values() if not p.bad and rows[p.serial]["not_for_use"])
        lost = sorted(
            f"{s} {r['verdict']}" for s, r in rows.items()
            if not r["approved"] and not r["not_for_use"] and s not in named
        )  # fmt: skip
        lines = [
            f"parts                     {len(self.parts)}, {sum(p.bad for p in self.parts.values())} bad",
            f"approved, scrapped        {len(approved)}, {sum(bool(r['not_for_use']) for r in rows.values())}",
            f"bad approved at the end   {len(bad)} {bad or ''}",
            f"good scrapped             {len(scrapped)} {scrapped or ''}",
            f"left open on purpose      {sorted(named)}; waiting names {sorted(left)}",
            f"neither nor, unnamed      {lost}",
            f"tags opened, closed       {len(tags)}, {sum(t['state'] == 'closed' for t in tags)}; codes "
            f"{len({t['number'] for t in tags})}",
            f"in question, all closed   {self.questions}, {not waits['questions']}",
            f"verify                    {verified['holds']}, {verified['entries']} entries, {verified['rows']} rows",
        ]  # fmt: skip
        solved = Counter(how for p in self.parts.values() for how in p.solved)
        lines += [f"  {n:3}  {what}" for what, n in sorted((self.holds + solved).items())]
        lines += [f"readings typed            first {self.asked['first']}, again {self.asked['again']}"]
        lines += [
            f"  {kind:16} {len(t):4} runs {sum(t):7.1f} s, median {np.median(t):.2f}, longest {max(t):.2f}"
            for kind, t in sorted(self.seconds.items())
        ]  # fmt: skip
        lines += [f"SURPRISE {text}" for text in self.surprises]
        fine = not (bad or scrapped or lost or self.surprises or left - named) and verified["holds"]
        return lines, fine and left == named and not waits["questions"]


#: of a year: how many parts in a hundred have a fate other than good
CHANCES = {
    "small": 2.5, "small twice": 0.3, "missing": 2.5, "missing late": 0.3, "slip": 1.5, "slip renamed": 0.3,
    "form": 0.4, "oversize": 0.6, "copied": 0.2, "no-tags": 0.2, "spelling": 0.2, "older": 0.2, "younger": 0.2,
    "undecided": 0.1, "unread": 0.1, "small late": 0.3,
}  # fmt: skip


class Year(Week):
    """A year: benches, fates, wear and power cuts by chance."""

    def __init__(self, folder: Path, days: int, parts: int) -> None:
        chance = np.random.default_rng(7)
        names, shares = list(CHANCES), np.array([*CHANCES.values()]) / 100
        names, shares = [*names, "good"], [*shares, 1 - shares.sum()]
        a_day = parts // days // 3
        plan = [[[str(f) for f in chance.choice(names, a_day, p=shares)] for _ in BENCHES] for _ in range(days)]
        super().__init__(folder, plan, parts)
        self.a_day, self.benches, self.packet_every = a_day, 3, 40
        self.revised, self.off_from, self.found = days // 2, days * 7 // 10, days * 7 // 10 + 3
        self.far = str(self.days[-1] + dt.timedelta(days=200))
        self.due = str(self.days[self.revised - 2])  # one day too early: what is read on the next day is held
        self.off = 0.0
        self.drilled_since_change, self.changes, self.cuts = 0, [], 0

    def drilled(self, fate: str, bench: int) -> Part:
        self.drilled_since_change += bench < 2
        return super().drilled(fate, bench)

    def worn(self, hole: int, bench: int) -> tuple[float, float]:
        # hole to hole is used up after about 650 parts, one part in forty fails from about 530 on
        return (2e-5 * self.drilled_since_change, 0.0) if hole == 1 and bench < 2 else (0.0, 0.0)

    def power_cut(self, started: tuple[int, float, Path, list[str]]) -> bool:
        if self.random.random() > 0.1:
            return False
        time.sleep(float(self.random.uniform(0.05, 1.5)))
        os.kill(started[0], signal.SIGKILL)
        os.waitpid(started[0], 0)
        self.cuts += 1
        return True

    def forecast(self) -> None:
        """Put a forecast on record, and change the bushing that it says must be changed soon."""
        ledger = os.environ["HOLEQC_LEDGER"]
        self.end(self.start("wear", self.kit, "--ledger", ledger, "--record", "--by", "engineer", "--json"), (0, 1, 3))
        due = [row for row in self.ask("waiting").get("fixtures", []) if row]
        if due or self.drilled_since_change > 700:
            self.do("fixture", "event", "DF-BL7", "--event", "bushing changed", "--bushing", "B2", "--day", self.day,
                    "--by", "engineer", "--tolerances", self.folder)  # fmt: skip
            self.changes.append((self.drilled_since_change, "forecast" if due else "by count", due[:1]))
            self.drilled_since_change = 0

    def play(self) -> None:
        (self.folder / "said").mkdir()
        self.kit_text("C")
        (self.folder / "seals").mkdir()
        self.do("ledger", "seal", "--folder", self.folder / "seals", "--by", "engineer")
        waits: list[Part] = []
        for number, day in enumerate(self.days):
            self.day = day
            if number == self.revised:
                self.due = self.far
                self.kit_text("D")
                self.judge_anew()
            if number == self.off_from:
                self.do("gauge", "calibrated", "BG-3", "--day", day, "--by", "gauge room", "--tolerances", self.folder)
                self.sound, self.off = day + dt.timedelta(days=1), OFF
            late = self.morning(number)
            if str(day) > self.due:  # a gauge is past its date: everything waits until it is calibrated
                waits = list(self.parts.values())[-3 * self.a_day :]
                continue
            self.help_along()
            self.decide(late)
            self.judge_anew()
            self.refuse(next(p.serial for p in self.parts.values() if p.bench == 0 and p.fate == "good"), "17")
            self.approve(late)
            if number == self.found:
                self.gauge_found_off()
                self.off = 0.0
            if number % 10 == 9:
                self.forecast()
                print(f"{dt.datetime.now():%H:%M:%S} day {number + 1}, {len(self.parts)} parts", flush=True)
        self.decide()
        self.judge_anew()
        self.approve()
        assert waits

    def table(self) -> tuple[list[str], bool]:
        lines, fine = super().table()
        info = self.do("ledger", "info").strip().splitlines()
        return [*lines, f"power cuts {self.cuts}; bushing changed after {self.changes}", *info], fine


def main() -> int:
    """Play the week or the year and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("url", nargs="?", default="")
    parser.add_argument("--parts", type=int, default=60)
    parser.add_argument("--days", type=int, default=0, help="a year of so many working days; without: the week")
    parser.add_argument("--keep", type=Path)
    said = parser.parse_args()
    with tempfile.TemporaryDirectory() as thrown_away:
        folder = (said.keep or Path(thrown_away)).resolve()
        folder.mkdir(parents=True, exist_ok=True)
        os.environ["HOLEQC_LEDGER"] = said.url or str(folder / "ledger.sqlite3")
        plan = PLAN if said.parts >= 60 else SMALL_PLAN
        week = Year(folder, said.days, said.parts) if said.days else Week(folder, plan, said.parts)
        week.play()
        lines, fine = week.table()
    print("\n".join(lines))
    return 0 if fine else 1


if __name__ == "__main__":
    sys.exit(main())
