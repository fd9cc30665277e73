"""Hostile texts in kit, sheet, study, events and options: every command runs, and no output obeys them.

Formulas, markup, mathematics, marks that turn or hide text, and what a terminal takes for colour, link and title. Which
characters are unfit comes from Python's own character table; files are read by other readers than the tool's.
"""

from __future__ import annotations

import csv
import json
import re
import unicodedata
import xml.etree.ElementTree as ElementTree
import zlib
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pytest

from holeqc.__main__ import run
from holeqc.commands import COMMANDS

ROOT = Path(__file__).resolve().parents[2]
TURNED = "\u202e\u5203gpj\u2066\u200b"
TERMINAL = "\x1b[31m\x1b]0;title\x07\x1b]8;;http://x.invalid\x1b\\\x9b2J"
MARKUP = "<plague onload=x>&amp;\"']]>"
MATHS = r"$\frac{1}{2}$ $_ \ {0} %s {x!r}"
KIT_TEXT = r"""=1+<plague>$_{0} \ 'x&amp;"""  # a kit's texts are short and hold no marks for terminals
SERIAL = "<plague>$_{0}"
#: what passes for text in a record, and all
SOFT, HARD = f"{MARKUP} {MATHS}", f"{TERMINAL} {TURNED} {MARKUP} {MATHS}"
PARTS = 12
UNFIT = {"Cc", "Cf", "Zl", "Zp", "Cs"}  #: general categories of Unicode


def quoted(text: str) -> str:
    return json.dumps(text).replace("\x7f", "\\u007f")


def hostile_kit(folder: Path) -> Path:
    text = (ROOT / "tolerances" / "bl7.toml").read_text(encoding="utf-8")
    for old in ("Removable boarding ladder, stern plates", "BL7-210", "port stern plate", "BL7-210-1", "7/16 ring pin",
                "clamped against the lower and the inboard edge, outer face up", "two-point bore gauge"):  # fmt: skip
        assert f'"{old}"' in text
        text = text.replace(f'"{old}"', quoted(KIT_TEXT + old[:14]))
    text = text.replace('bushing = "B1"', f"bushing = {quoted('@B1' + KIT_TEXT)}")
    path = folder / "kit.toml"
    path.write_text(text, encoding="utf-8")
    return path


def hostile_sheets(folder: Path, hostile: str) -> None:
    """Write the readings of a few parts, a bad one, events and a study."""
    head, *rows = (ROOT / "sample_measurements/fixture_history/df-bl7_history.csv").read_text("utf-8").splitlines()
    parts: dict[str, list[list[str]]] = {}
    for row in rows:
        fields = row.split(",")
        parts.setdefault(fields[1], []).append(fields)
    chosen = [parts[serial] for serial in list(parts) if serial.startswith("P")][:PARTS]

    def write(name: str, some: list[list[list[str]]], size: str = "", serial: str = SERIAL) -> None:
        with open(folder / name, "w", newline="", encoding="utf-8") as out:
            table = csv.writer(out)
            table.writerow([*head.split(","), "note", "measured by", "GO", "NO-GO", "surface"])
            for fields in (f for part in some for f in part):
                row = fields.copy()
                row[1] = f"{row[1]}{serial}"
                if size and row[3] == "5":
                    row[5] = size
                table.writerow([*row, f"+seen{hostile}", f"-17{hostile}", "enters", "does not enter", "clean"])

    write("good.csv", chosen[:1])
    write("named.csv", chosen[:1], serial=hostile)
    write("bad.csv", chosen[1:2], "0.4546")
    write("history.csv", chosen)
    (folder / "events.csv").write_text(
        f'serial,event,bushing,note\n{chosen[5][0][1]}{SERIAL},drill reground,all,"@{hostile.replace(chr(34), "")}"\n',
        encoding="utf-8",
    )
    with open(folder / "study.csv", "w", newline="", encoding="utf-8") as out:
        table = csv.writer(out)
        table.writerow(["part", "who", "value", f"=x{hostile}"])
        table.writerows([f"=H{p}{hostile}", f"@{a}{hostile}", f"{0.456 + p / 1e3 + (a * p + t) % 3 / 1e4:.4f}", hostile]
                        for p in range(5) for a in range(2) for t in range(2))  # fmt: skip


#: command lines, in order; S1 to S3 stand for serial numbers, T for a tag, X for all hostile texts, Y for the soft ones
LINES = r"""
kit show kit.toml --plot kit.svg
kit show kit.toml --plot kit.pdf
kit show kit.toml --json
kit keys X
kit new X.toml
kit new new.toml --from study.csv
kit release kit.toml --by engineer --note X
kit release kit.toml --by engineer --note Y
kit release kit.toml --by 7 --note Y
fit class X 1
fit metric X 12
fit pair --hole X 1 --pin 1 1
fit drill X 1
fit plug X 1
fit pattern kit.toml --pairs 100 --plot fit.svg
sheet kit.toml -o blank.xlsx --part port --serial S1
sheet kit.toml --paper -o paper.pdf --part port --serial S1
sheet kit.toml --study -o study.xlsx --appraiser Y --item Y
check kit.toml bad.csv --json
check kit.toml good.csv bad.csv --out report
check kit.toml X.csv
check kit.toml named.csv --out named
log kit.toml --part X
watch week --kit kit.toml --once
demo X
check kit.toml good.csv --record --by Y
check kit.toml bad.csv --record --by 17
part S2
part S2 --json
part S2 --out story.html
part S2 --out story.pdf
parts
parts --json
waiting
waiting --json
waiting --out waiting.html
tags --json
tags --print tags
disposition T --as rework --by 7 --reason Y
reworked T --by 17 --note Y
tags --json
sheet --recheck T -o again.xlsx
gauge calibrated BG-2 --by Y --note Y --certificate Y
gauge log
gauge suspect BG-2 --since 2025-01-01 --error 0.0004
fixture event DF-BL7 --event checked --good --by Y --note Y
fixture log
fixture suspect DF-BL7
serial S1 --not S2 --by 41 --reason Y
approve S1 --by 41 --note Y
question S1 --reason Y --by 41
packet S1 -o packet --by 41
packet verify packet
withdraw S1 --by 41 --reason Y
person list
ledger info
ledger verify
ledger seal -o seals
ledger clock --by 41 --reason Y
ledger roles X
ledger export out.csv
ledger export out.xlsx
ledger export docs --content documents
ledger copy holeqc-ledger.sqlite3 copy.sqlite3 --keep-open --by Y
capability study.csv --column value --lower 0.455 --upper 0.462 --subgroup part --plot cap.png
capability study.csv --column X
chart kit.toml history.csv --by bushing --only X
chart study.csv --column value --subgroup part --json
chart study.csv --column value --subgroup part --plot chart.svg
gauge-study study.csv --part part --appraiser who --value value --lower 0.455 --upper 0.462 --plot study.svg
gauge-study study.csv --part part --appraiser who --value value --json --unit X
wear kit.toml history.csv --events events.csv --out wear
plan kit.toml --history history.csv --events events.csv
first-parts kit.toml history.csv --events events.csv
lot plan --size 500 --aql X
lot plan --size 500 --aql 1.0 --plot lot.svg
lot draw Y --kit kit.toml --serial S1 --serial S3 --bad 1 --by Y
lot judge Y --json
waiting --json
explain X
person key X -o X.key --by Y
person add Y --role Y --by Y
person remove X --by Y
person list
ledger info --json
""".strip().splitlines()


def unfit(text: str) -> list[str]:
    """Return characters that no reader of a text should be given as they are."""
    return [f"U+{ord(c):04X}" for c in sorted(set(text)) if unicodedata.category(c) in UNFIT and c not in "\n\t"]


class Page(HTMLParser):
    """Another reader of HTML: which elements are there, and which of their attributes run something."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [f"<{tag}>"] * (tag in {"plague", "script", "iframe", "object"})
        self.found += [f"{tag} {name}" for name, _ in attrs if name.startswith("on")]


def leaks(path: Path) -> list[str]:
    """Return what of a hostile text works in a file."""
    content, kind = path.read_bytes(), path.suffix
    if kind in {".html", ".svg", ".qif", ".toml", ".csv", ".json", ".txt", ".md"}:
        text = content.decode("utf-8", "replace").replace("\r\n", "\n").removeprefix("\ufeff")
        found = unfit(text)
        if kind == ".html":
            page = Page()
            page.feed(text)
            found += page.found
        elif kind in {".svg", ".qif"}:
            found += [e.tag for e in ElementTree.fromstring(content).iter() if "plague" in e.tag]
        elif kind == ".csv":
            found += [cell[:20] for row in csv.reader(text.splitlines()) for cell in row
                      if cell[:1] in {"=", "@", "+", "-"} and not re.fullmatch(r"[-+]?[\d.e-]+", cell)]  # fmt: skip
        return found
    if kind == ".xlsx":
        book = openpyxl.load_workbook(path)
        cells = [c for page in book.worksheets for row in page.iter_rows() for c in row if c.value is not None]
        return [f"{c.coordinate} {c.value[:30]}" for c in cells if isinstance(c.value, str) and (
            unfit(c.value) or (c.data_type == "f" and "plague" in c.value))]  # fmt: skip
    if kind == ".png":
        return ["drawn as text"] * (b"\x1b[31m" in content or TURNED.encode() in content)
    if kind == ".pdf":
        packed = re.findall(rb"/FlateDecode.*?stream\r?\n(x.*?)endstream", content, re.DOTALL)
        whole = b"".join([content, *(zlib.decompress(one) for one in packed)])
        return [
            word.decode()
            for word in (b"/JavaScript", b"/OpenAction", b"/Launch", b"/URI", b"\x1b[31m")
            if word in whole
        ]
    return []


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    hostile_kit(tmp_path)
    (tmp_path / "week").mkdir()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("HOLEQC_PASSPHRASE", "long enough to be one")
    return tmp_path


def test_every_command_takes_hostile_texts_and_shows_them_tamed(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    hostile_sheets(shop, HARD)
    (shop / "week" / "bad.csv").write_bytes((shop / "bad.csv").read_bytes())
    names = {f"{name} {sub}".strip() for name, entry in COMMANDS.items()
             for sub in (entry if isinstance(entry, dict) else [""])}  # fmt: skip
    assert not [n for n in names if not any(line.startswith(n) for line in LINES)]
    words = {
        "X": f"=X{HARD}",
        "Y": f"=Y{SOFT}",
        "S1": f"P-1001{SERIAL}",
        "S2": f"P-1003{SERIAL}",
        "S3": f"P-1005{SERIAL}",
        "T": "",
    }
    faults: list[str] = []
    for line in LINES:
        before = {p: p.stat().st_mtime_ns for p in shop.rglob("*") if p.is_file()}
        code = run([re.sub(r"^(X|Y|S1|S2|S3|T)(?=$|\.)", lambda m: words[m[0]], w) for w in line.split()])
        out, err = capsys.readouterr()
        if code not in (0, 1, 2, 3) or "fault of holeqc" in err or unfit(out + err):
            faults.append(f"{line}: {code} {unfit(out + err)} {err[-600:]}")
        if "--json" in line and code != 2:
            data = json.loads(out)
            if line.startswith("tags"):
                words["T"] = data[0]["number"] if data else ""
        for path in sorted(p for p in shop.rglob("*") if p.is_file() and before.get(p) != p.stat().st_mtime_ns):
            faults += [f"{line}: {path.name[:20]}: {leak}" for leak in leaks(path)[:3]]
    assert not faults
