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
    "problems": set(),
    "quantities": {"problems"},
    "fits": {"quantities", "problems"},
    "specification": {"quantities", "fits", "problems"},
    "readings": {"specification", "quantities", "problems", "fits"},
    "inspection": {"specification", "readings", "fits", "quantities", "problems"},
    "statistics": {"problems"},
    "wear": {"statistics", "inspection", "specification", "readings", "quantities", "problems"},
    "ledger": {"specification", "readings", "inspection", "quantities", "problems"},
    "reports": {
        "specification", "readings", "inspection", "statistics", "wear", "ledger", "fits", "quantities", "problems",
    },
}  # fmt: skip
LIBRARY_ROOMS = {
    "matplotlib": {"reports"},
    "openpyxl": {"readings", "reports"},
    "typer": {"commands", "__main__"},
    "sqlite3": {"ledger"},
    "sqlalchemy": {"ledger"},
}


def room_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE).parts
    return parts[0].removesuffix(".py")


def imports_of(path: Path) -> list[str]:
    """Return every module imported at run time: also inside functions, not under ``if TYPE_CHECKING``."""
    found: list[str] = []

    class Visitor(ast.NodeVisitor):
        def visit_If(self, node: ast.If) -> None:
            if isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
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
        if top == "holeqc" and "." in name and room in MAY_IMPORT:
            other = name.split(".")[1]
            if other in {"__version__"}:
                continue
            assert other == room or other in MAY_IMPORT[room], f"{path} imports {name}: an arrow that goes up"


def test_every_module_imports_alone() -> None:
    names = [
        ".".join(("holeqc", *p.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(".__init__")
        for p in MODULES
        if p.name != "__main__.py"
    ]
    # each in a child of its own, where no other module of ours is loaded: an import order that happens to work is no
    # proof; the libraries are loaded once, before the children part
    code = (
        "import sys, importlib, os\n"
        "import numpy, pandas, openpyxl, typer, scipy.stats, scipy.optimize, matplotlib.figure\n"
        "bad = []\n"
        "for name in sys.argv[1:]:\n"
        "    pid = os.fork()\n"
        "    if pid == 0:\n"
        "        try:\n"
        "            importlib.import_module(name)\n"
        "        except BaseException as error:\n"
        "            print(name, repr(error), flush=True)\n"
        "            os._exit(1)\n"
        "        os._exit(0)\n"
        "    if os.waitpid(pid, 0)[1]:\n"
        "        bad.append(name)\n"
        "sys.exit(1 if bad else 0)\n"
    )
    done = subprocess.run([sys.executable, "-W", "error", "-c", code, *names], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


def test_help_and_version_load_nothing_heavy() -> None:
    code = (
        "import sys\n"
        "from holeqc.__main__ import run\n"
        "assert run([sys.argv[1]]) == 0\n"
        "heavy = {'numpy', 'pandas', 'scipy', 'matplotlib', 'openpyxl', 'typer'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    for option in ("--help", "--version"):
        done = subprocess.run([sys.executable, "-c", code, option], capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
        assert "holeqc" in done.stdout


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
