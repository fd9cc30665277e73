"""Break the code in seeded places, one at a time, in a copy of the tree, and count which breaks the tests find.

    python tests/breaks.py map FOLDER                        which test runs which lines (as long as the suite)
    python tests/breaks.py run FOLDER --seed 1 --places 60   found or survived, where, what, by which test
    python tests/breaks.py run FOLDER --only 7 31            some of them again, after `map FOLDER a_new_test.py`

A break is a comparison with its limit or without, or turned round; a sign; a quotient for a product; a number one step
on in its last digit; `and` for `or`; a `not` gone; `min`, `any`, `[0]` or True for the contrary; the two ends of a
choice; a cell of a table. Rooms have places as they have lines. Left out: files that only draw (`DRAWN`), numbers and
arithmetic of reports and commands (places on paper), indices, texts, numbers below 1e-6 (guards of arithmetic).

A place is tried with the tests that ran its lines, quick ones of its room first. What survives goes, all at once,
through the whole suite; what fails there runs again with each. Whether a survivor changes an answer, a person decides.
"""

from __future__ import annotations

import argparse
import ast
import itertools
import os
import random
import re
import shutil
import subprocess
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).resolve().parents[1]
DRAWN = {"pages", "pencil", "plate", "blocks", "chart_plots", "scale_plots", "gauge_plots"}
SIGNS = {"<": ("<=", ">"), "<=": ("<", ">="), ">": (">=", "<"), ">=": (">", "<="), "+": "-", "-": "+", "*": "/"}
SIGNS |= {"/": "*", "&": "|", "|": "&", "and": ("or",), "or": ("and",)}
ENDS = {"min": "max", "minimum": "maximum", "fmin": "fmax", "nanmin": "nanmax", "any": "all", "argmin": "argmax"}
ENDS |= {b: a for a, b in ENDS.items()} | {"ceil": "floor", "floor": "ceil"}
HOMES = {"fixture": "wear", "answers": "commands", "quantities.py": "test_quantities.py"}  #: room -> its tests
SECONDS = 30.0  #: of tests for a place
#: it lies in the copy: which blocks ran since the last test began, also in programs that a test starts
PROBE = """
import atexit, os
seen, spent, bad = set(), [], []
hit = seen.add
def keep(name, seconds):
    with open("KEPT", "a") as out:
        out.write(f"{name}\\t{seconds:.3f}\\t{' '.join(map(str, seen))}\\n")
def pytest_runtest_logreport(report):
    spent.append(report.duration), bad.append(report.failed)
    if report.when == "teardown":
        any(bad) or keep(report.nodeid, sum(spent))
        seen.clear(), spent.clear(), bad.clear()
if test := os.environ.get("PYTEST_CURRENT_TEST"):
    atexit.register(lambda: keep(test.rsplit(" (", 1)[0], -1))
"""


class Place(NamedTuple):
    """Bytes of one file and what stands there instead."""

    path: str
    line: int
    start: int
    end: int
    new: str
    kind: str


def step(typed: str) -> str:
    """Give a number one step on in its last digit."""
    number = Decimal(typed)
    return str(number + Decimal((0, (1,), int(number.as_tuple().exponent))))


def places_of(path: str, text: bytes) -> Iterator[Place]:
    """Give every place of a file where a break is known: in a table each number but those of its first column."""
    if path.endswith(".csv"):
        for m in re.finditer(rb"(?m)(?<=,)\d*\.?\d+(?=,|$)", re.sub(rb"(?m)^#.*", lambda m: b"#" * len(m[0]), text)):
            yield Place(path, text.count(b"\n", 0, m.start()) + 1, *m.span(), step(m[0].decode()), "cell")
        return
    starts = [0, *itertools.accumulate(map(len, text.splitlines(keepends=True)))]
    numbers = path.split("/")[1] not in ("reports", "commands")

    def span(n: Any) -> tuple[int, int]:
        return starts[n.lineno - 1] + n.col_offset, starts[n.end_lineno - 1] + n.end_col_offset

    def between(kind: str, nodes: list[ast.expr]) -> Iterator[tuple[str, int, int, str]]:
        for left, right in itertools.pairwise(nodes):
            begin, end = span(left)[1], span(right)[0]
            if found := re.search(r"[<>]=?|[-+*/&|]+|\b(and|or)\b", text[begin:end].decode()):
                yield from ((kind, begin + found.start(), begin + found.end(), n) for n in SIGNS.get(found[0], ()))

    def visit(node: Any) -> Iterator[tuple[str, int, int, str]]:
        match node:
            case ast.Compare():
                yield from between("limit", [node.left, *node.comparators])
            case ast.BoolOp():
                yield from between("choice", node.values)
            case ast.BinOp(op=ast.BitAnd() | ast.BitOr()):
                yield from between("choice", [node.left, node.right])
            case ast.BinOp() if numbers and not re.search("[\"'[]", ast.unparse(node)):  # what joins texts and lists
                yield from between("sign", [node.left, node.right])
            case ast.UnaryOp(op=op) if numbers or not isinstance(op, ast.USub):
                begin, end = span(node)[0], span(node.operand)[0]
                yield "sign", begin, end, " " + "(" * text.count(b"(", begin, end)
            case ast.IfExp():
                (a, b), (c, d) = span(node.body), span(node.orelse)
                yield "choice", a, d, (text[c:d] + text[b:c] + text[a:b]).decode()
            case ast.Name(id=name) | ast.Attribute(attr=name) if name in ENDS:
                yield "end", span(node)[1] - len(name), span(node)[1], ENDS[name]
            case ast.Constant(value=bool(value)):
                yield "choice", *span(node), str(not value)
            case ast.Constant(value=int() | float() as value) if numbers and (not value or value >= 1e-6):
                if re.fullmatch(r"[\d._]+(e-?\d+)?", typed := text[slice(*span(node))].decode()):
                    yield "number", *span(node), step(typed)
            case ast.Subscript(slice=ast.Constant(value=0) | ast.UnaryOp(operand=ast.Constant(value=1)) as index):
                yield "end", *span(index), "-1" if isinstance(index, ast.Constant) else "0"
        for name, value in ast.iter_fields(node):
            index = name == "slice" and isinstance(value, ast.Constant | ast.Slice | ast.Tuple)
            if not index and name not in ("annotation", "returns", "format_spec", "decorator_list"):
                for one in value if isinstance(value, list) else [value]:
                    yield from visit(one) if isinstance(one, ast.AST) else ()

    for kind, start, end, new in visit(ast.parse(text)):
        yield Place(path, text.count(b"\n", 0, start) + 1, start, end, new, kind)


def choose(seed: int, count: int) -> list[Place]:
    """Choose places: rooms by their lines, at least one each, kinds of breaks alike."""
    rooms: dict[str, dict[str, list[Place]]] = defaultdict(lambda: defaultdict(list))
    lines, rng, chosen = Counter[str](), random.Random(seed), list[Place]()
    for file in sorted((ROOT / "holeqc").rglob("*")):
        if file.suffix in (".py", ".csv") and file.stem not in DRAWN:
            path, text = str(file.relative_to(ROOT)), file.read_bytes()
            lines[room := path.split("/")[1]] += text.count(b"\n") * (file.suffix == ".py")
            for place in places_of(path, text):
                rooms[room][place.kind].append(place)
    names = sorted(rooms)
    while len(chosen) < count:
        where = names[len(chosen)] if len(chosen) < len(names) else rng.choices(names, [lines[r] for r in names])[0]
        place = rng.choice(rooms[where][rng.choice(sorted(rooms[where]))])
        chosen += [place] * (place not in chosen)
    return chosen


def blocks(tree: ast.Module) -> Iterator[tuple[int, int, list[ast.stmt]]]:
    """Give each block of a function: first and last line, and its statements."""
    functions = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)]
    yield from ((f.lineno, f.end_lineno or 0, f.body) for f in functions)
    inner = {id(n): n for f in functions for n in ast.walk(f) if not isinstance(n, ast.FunctionDef | ast.ClassDef)}
    for body in (getattr(n, name, None) for n in inner.values() for name in ("body", "orelse", "finalbody")):
        if isinstance(body, list) and body:
            yield body[0].lineno, body[-1].end_lineno or 0, body


def copied(work: Path) -> Path:
    """Copy what git knows, as it lies here."""
    tree = work / "tree"
    shutil.rmtree(tree, ignore_errors=True)
    tree.mkdir()
    subprocess.run(f"git ls-files | tar -cf - -T - | tar -xf - -C '{tree}'", shell=True, cwd=ROOT, check=True)
    return tree


def failing(tree: Path, words: list[str], places: list[Place], seconds: float) -> list[str]:
    """Run tests in the copy with breaks; give what fails, or what is said where nothing can run or it never ends."""
    for p in sorted(places, key=lambda p: -p.start):
        text = (tree / p.path).read_bytes()
        (tree / p.path).write_bytes(text[: p.start] + p.new.encode() + text[p.end :])
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "--tb=no", "-n", "0", "-rfE", *words]
    env = {**os.environ, "PYTHONPATH": str(tree), "OPENBLAS_NUM_THREADS": "1"}
    with subprocess.Popen(command, cwd=tree, env=env, text=True, stdout=-1, stderr=-2, start_new_session=True) as run:
        try:
            said = run.communicate(timeout=seconds)[0]
        except subprocess.TimeoutExpired:
            os.killpg(run.pid, 9)
            said = "FAILED: never ends"
    for p in places:
        shutil.copy2(ROOT / p.path, tree / p.path)
    failed = re.findall(r"^(?:FAILED|ERROR):? (.*?)(?: - .*)?$", said, re.M)
    return failed or ([] if run.returncode == 0 else said.splitlines()[-1:])


def make_map(work: Path, files: list[str]) -> None:
    """Run the suite, or some files of it, with a mark in each block; keep which sound test passed which marks."""
    tree, numbers = copied(work), itertools.count()
    (tree / "breaks_seen.py").write_text(PROBE.replace("KEPT", str(work.resolve() / "seen.txt")))
    for file in sorted((tree / "holeqc").rglob("*.py")):
        parsed = ast.parse(file.read_bytes())
        for *_, body in list(blocks(parsed)):
            body.insert(int(isinstance(body[0], ast.Expr)), ast.parse(f"hit__({next(numbers)})").body[0])
        first = sum(isinstance(s, ast.Expr) or getattr(s, "module", "") == "__future__" for s in parsed.body[:2])
        parsed.body.insert(first, ast.parse("from breaks_seen import hit as hit__").body[0])
        file.write_text(ast.unparse(parsed), "utf-8")
    if not files:
        (work / "seen.txt").unlink(missing_ok=True)
    print("not used, since they fail with marks:", *failing(tree, ["-p", "breaks_seen", *files], [], 7200), sep="\n  ")


class Tests:
    """Which tests ran which lines, and how long they take."""

    def __init__(self, work: Path) -> None:
        self.tree, self.seconds, number = copied(work), dict[str, float](), itertools.count()
        ran = defaultdict[int, set[str]](set)
        for line in (work / "seen.txt").read_text("utf-8").splitlines():
            name, seconds, numbers = line.split("\t")
            self.seconds |= {name: float(seconds)} if float(seconds) >= 0 else {}
            for n in numbers.split():
                ran[int(n)].add(name)
        self.texts = {str(f.relative_to(ROOT)): f.read_text("utf-8") for f in sorted((ROOT / "holeqc").rglob("*.py"))}
        self.ran = {f: [(b[1] - b[0], *b[:2], ran[next(number)]) for b in blocks(ast.parse(text))]
                    for f, text in self.texts.items()}  # fmt: skip

    def inside(self, path: str, line: int) -> set[str]:
        """Give the tests that ran the innermost block around a line."""
        around = [b for b in self.ran.get(path, ()) if b[1] <= line <= b[2]]
        return min(around, key=lambda b: b[0])[3] if around else set()

    def of(self, place: Place) -> list[str]:
        """Give the tests that ran its lines, else the lines that use its name; of its room first, functions in turn."""
        found = self.inside(place.path, place.line)
        if not found:
            before = "".join(self.texts.get(place.path, "").splitlines(keepends=True)[: place.line])
            word = (re.findall(r"(?m)^(?:class |def )?(\w+)", before) or [Path(place.path).stem])[-1]
            uses = [(f, n) for f, t in self.texts.items() for n, line in enumerate(t.splitlines(), 1) if word in line]
            found = set().union(*(self.inside(*use) for use in uses))
        home, turn, rank = HOMES.get(room := place.path.split("/")[1], room), Counter[str](), dict[str, tuple]()
        for name in sorted(found & {*self.seconds}, key=lambda t: self.seconds[t]):
            turn[name.partition("[")[0]] += 1
            rank[name] = (name.split("/")[1] != home, turn[name.partition("[")[0]], self.seconds[name])
        names = sorted(rank, key=lambda t: rank[t])
        return names[: sum(s < SECONDS for s in itertools.accumulate(self.seconds[n] + 0.01 for n in names))]

    def find(self, names: list[str], place: Place) -> list[str]:
        """Run tests with a break; give what finds it."""
        (self.tree / "these.txt").write_text("\n".join(names), "utf-8")
        seconds = 120 + 4 * sum(self.seconds[n] for n in names)
        return failing(self.tree, ["-x", "@these.txt"], [place], seconds) if names else []


def run(work: Path, seed: int, count: int, only: list[int]) -> None:
    """Try each place, then the whole suite with all that survived."""
    tests, survived, counts = Tests(work), dict[int, Place](), Counter[str]()
    for number, place in enumerate(choose(seed, count), 1):
        if only and number not in only:
            continue
        by = tests.find(names := tests.of(place), place)
        counts[word := "found" if by else "survived"] += 1
        text = (ROOT / place.path).read_bytes()
        print(f"{number:3} {word:8} {place.path}:{place.line}", text[place.start : place.end].decode(), "->", place.new)
        print("     ", text.splitlines()[place.line - 1].decode().strip())
        print("     ", *(by or (f"{len(names)} tests",)), flush=True)
        survived |= {} if by else {number: place}
    if survived and not only:
        failed = [n for n in failing(tests.tree, [], list(survived.values()), 7200) if n in tests.seconds]
        for number, place in survived.items():
            if by := tests.find(random.Random(seed).sample(failed, min(60, len(failed))), place):
                counts.update({"found by the whole suite": 1, "survived": -1})
                print(f"{number:3} found by the whole suite:", *by, flush=True)
    print(f"seed {seed}: {dict(counts)}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("what", choices=["map", "run"])
    parser.add_argument("work", type=Path, metavar="FOLDER")
    parser.add_argument("files", nargs="*", help="map: only these tests, added to what is known")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--places", type=int, default=60)
    parser.add_argument("--only", type=int, nargs="+", default=[])
    o = parser.parse_args()
    o.work.mkdir(parents=True, exist_ok=True)
    _ = make_map(o.work, o.files) if o.what == "map" else run(o.work, o.seed, o.places, o.only)
