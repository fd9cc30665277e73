"""The house: imports point one way, rooms keep their libraries, every module imports alone, top level stays tidy."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "holeqc"
MODULES = sorted(p for p in PACKAGE.rglob("*.py"))

#: room -> rooms it may import at run time; a room may always import itself
MAY_IMPORT = {
    "printing": set(),
    "problems": {"printing"},
    "door": {"printing", "problems"},
    "writer": {"printing", "problems"},
    "quantities": {"problems"},
    "characteristics": set(),
    "tables": set(),
    "fits": {"quantities", "problems"},
    "specification": {"characteristics", "quantities", "fits", "problems"},
    "readings": {"characteristics", "specification", "quantities", "problems", "fits"},
    "inspection": {
        "distances", "sampling", "characteristics", "specification", "readings", "fits", "quantities", "problems",
    },
    "statistics": {"quantities", "problems"},
    "sampling": {"quantities", "statistics", "problems"},
    "distances": {"quantities", "statistics", "problems"},
    "fixture": {"characteristics", "statistics", "inspection", "specification", "readings", "quantities", "problems"},
    "ledger": {"characteristics", "specification", "readings", "inspection", "quantities", "problems", "sampling"},
    "reports": {
        "characteristics", "specification", "readings", "inspection", "statistics", "sampling", "fixture", "ledger",
        "fits", "quantities", "problems",
    },
    "answers": {
        "distances", "characteristics", "specification", "readings", "inspection", "statistics", "sampling", "fixture",
        "ledger", "fits", "quantities", "problems", "reports",
    },
}  # fmt: skip
#: what lies below all rooms: the door, the writer, the one that prints, and tables of columns
BELOW = {"printing", "problems", "door", "writer", "tables"}
LIBRARY_ROOMS = {
    "matplotlib": {"reports"},
    "openpyxl": {"readings", "reports"},
    "segno": {"reports"},
    "typer": {"commands"},
    "sqlite3": {"ledger"},
    "sqlalchemy": {"ledger"},
}


def room_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE).parts
    return parts[0].removesuffix(".py")


def imports_of(path: Path, for_types: bool = False) -> list[str]:
    """Return the modules that are imported at run time, in functions too; ``for_types``: also under `TYPE_CHECKING`."""
    found: list[str] = []

    class Visitor(ast.NodeVisitor):
        def visit_If(self, node: ast.If) -> None:
            if isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING" and not for_types:
                for other in node.orelse:
                    self.visit(other)
                return
            self.generic_visit(node)

        def visit_Import(self, node: ast.Import) -> None:
            found.extend(alias.name for alias in node.names)

        def visit_ImportFrom(self, node: ast.ImportFrom) -> None:
            assert node.level == 0, f"{path}: relative import"
            found.append(node.module or "")
            if node.module == "holeqc":
                found.extend(f"holeqc.{alias.name}" for alias in node.names)

    Visitor().visit(ast.parse(path.read_text(encoding="utf-8")))
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_down_the_house(path: Path) -> None:
    room = room_of(path)
    for name in imports_of(path):
        top = name.split(".")[0]
        if top in LIBRARY_ROOMS:
            assert room in LIBRARY_ROOMS[top], f"{path} imports {name}; only {LIBRARY_ROOMS[top]} may"
    for name in imports_of(path, for_types=True):
        top = name.split(".")[0]
        if top == "holeqc" and "." in name and room in MAY_IMPORT:
            other = name.split(".")[1]
            if other in {"__version__"}:
                continue
            allowed = MAY_IMPORT[room] | (BELOW if room not in BELOW else set())
            assert other == room or other in allowed, f"{path} imports {name}: an arrow that goes up"


def module_name(path: Path) -> str:
    return ".".join(("holeqc", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(".__init__")


def loaded_at_import(path: Path, names: set[str], *, in_functions: bool = False) -> set[str]:
    """Return our modules that importing this one loads at once: imports outside functions and type checking.

    ``in_functions``: those that its functions load as well.
    """
    found: set[str] = set()
    pending: list[ast.stmt] = list(ast.parse(path.read_text(encoding="utf-8")).body)
    while pending:
        node = pending.pop()
        if isinstance(node, ast.If) and not (isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"):
            pending += [*node.body, *node.orelse]
        elif isinstance(node, (ast.Try, ast.ClassDef, ast.With)) or (
            in_functions and isinstance(node, ast.FunctionDef)
        ):
            pending += node.body
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            parts = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= parts if parts <= names else parts | {node.module}  # from a folder import modules of it
    return found & names


def in_order(graph: dict[str, set[str]]) -> list[str]:
    """Return modules so that each comes after those that it needs; fail where some need one another."""
    done: list[str] = []
    while len(done) < len(graph):
        free = [name for name, needs in graph.items() if name not in done and needs - {name} <= set(done)]
        assert free, f"these modules load one another in a circle: {sorted(set(graph) - set(done))}"
        done += free
    return done


def test_files_of_a_room_form_no_circle() -> None:
    # nor by imports inside functions, which only hide it
    for room in {path.parent for path in MODULES}:
        files = {module_name(path): path for path in MODULES if path.parent == room}
        in_order({name: loaded_at_import(path, set(files), in_functions=True) for name, path in files.items()})


def test_every_module_imports_alone() -> None:
    # Where what a module loads at import never leads back to it, it imports alone, in whatever order: no cycle, then
    # one import of everything with warnings as errors.
    graph = {module_name(p): loaded_at_import(p, {module_name(q) for q in MODULES}) for p in MODULES}
    in_order(graph)
    code = "import importlib, sys\nfor name in sys.argv[1:]:\n    importlib.import_module(name)\n"
    names = sorted(set(graph) - {"holeqc.__main__"})
    run = subprocess.run([sys.executable, "-W", "error", "-c", code, *names], capture_output=True, text=True)
    assert run.returncode == 0, run.stderr


def test_help_and_version_load_nothing_heavy() -> None:
    code = (
        "import sys\n"
        "from holeqc.__main__ import run\n"
        "assert run([sys.argv[1]]) == 0\n"
        "heavy = {'numpy', 'pandas', 'scipy', 'matplotlib', 'openpyxl'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
        "ours = {name for name in sys.modules if name.startswith('holeqc.commands.')}\n"
        "assert not ours, ours\n"
    )
    for option in ("--help", "--version"):
        done = subprocess.run([sys.executable, "-c", code, option], capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
        assert "holeqc" in done.stdout


def test_what_is_loaded_later_is_whole_when_it_is_asked_for() -> None:
    code = (
        "import sys\n"
        "from holeqc.__main__ import LATER, main\n"
        "try:\n"
        "    main(['--version'])\n"
        "except SystemExit:\n"
        "    pass\n"
        "import scipy.special\n"
        "assert LATER <= set(sys.modules), LATER - set(sys.modules)\n"
        "assert not [name for name in sys.modules if name.startswith('numpy.testing.')]\n"
        "import numpy.polynomial.legendre\n"
        "import numpy as np\n"
        "from numpy.random import default_rng\n"
        "np.testing.assert_allclose(np.polynomial.legendre.leggauss(2)[1], [1.0, 1.0])\n"
        "assert np.ma.masked_invalid([float('nan'), default_rng(1).random()]).count() == 1\n"
    )
    done = subprocess.run([sys.executable, "-W", "error", "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_all_commands_together_load_nothing_heavy() -> None:
    # A shell that completes the name of a command loads every one.
    code = (
        "import sys\n"
        "from holeqc.commands import tool\n"
        "[list(getattr(command, 'commands', {}).values()) for command in tool().commands.values()]\n"
        "heavy = {'numpy', 'pandas', 'scipy', 'matplotlib', 'openpyxl', 'sqlalchemy'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_commands_do_without_data_frames(tmp_path: Path) -> None:
    samples, kit = ROOT / "sample_measurements", ROOT / "tolerances" / "bl7.toml"
    sheet, record = str(samples / "bl7_P-0112.xlsx"), str(tmp_path / "shop.ledger")
    lines = [
        ["check", str(kit), sheet, "--out", str(tmp_path / "out")],
        ["check", str(kit), sheet, "--record", "--ledger", record, "--by", "bench 2"],
        ["part", "P-0112", "--ledger", record],
        ["sheet", str(kit), "--serial", "P-1", "-o", str(tmp_path / "s.xlsx")],
    ]
    code = (
        "import sys\n"
        "from holeqc.__main__ import run\n"
        f"codes = [run(line) for line in {lines!r}]\n"
        "assert codes == [3, 3, 3, 0], codes\n"
        "heavy = {'pandas', 'matplotlib'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr


def test_top_level_holds_nothing_else() -> None:
    allowed = {
        "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "holeqc", "tolerances", "tests",
        "sample_measurements",
    }  # fmt: skip
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True)
    if tracked.returncode:
        pytest.skip("not a git checkout")
    tops = {line.split("/")[0] for line in tracked.stdout.splitlines()}
    assert {t for t in tops if not t.startswith(".")} <= allowed


def test_every_file_of_the_package_is_installed() -> None:
    # A file beside the code that the build leaves out is there in the checkout and missing at the user's.
    import tomllib

    patterns = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["package-data"]["holeqc"]
    left_out = [
        str(path.relative_to(PACKAGE))
        for path in PACKAGE.rglob("*")
        if path.is_file() and path.suffix not in {".py", ".pyc"} and not any(path.match(p) for p in patterns)
    ]
    assert not left_out
