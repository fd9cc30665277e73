"""Nothing in the package opens, writes, removes or prints around the door, the writer and the one that prints."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "holeqc"
THREE = {"door.py", "writer.py", "printing.py"}
MODULES = sorted(p for p in PACKAGE.rglob("*.py") if p.parent != PACKAGE or p.name not in THREE)

#: methods of paths, files and streams that read, write, make or remove files
METHODS = {
    "open", "read_text", "read_bytes", "write_text", "write_bytes", "touch", "mkdir", "rmdir", "unlink", "rename",
    "symlink_to", "hardlink_to", "savefig", "to_csv", "to_parquet", "to_excel", "to_json", "to_pickle", "tofile",
    "save", "savez", "savetxt",
}  # fmt: skip
#: functions of modules
FUNCTIONS = {
    "os": {
        "open",
        "fdopen",
        "replace",
        "rename",
        "renames",
        "remove",
        "unlink",
        "rmdir",
        "mkdir",
        "makedirs",
        "link",
        "symlink",
        "truncate",
        "mkfifo",
        "write",
        "sendfile",
        "popen",
        "system",
    },
    "io": {"open", "FileIO", "open_code"},
    "shutil": {"copy", "copy2", "copyfile", "copytree", "move", "rmtree"},
    "sqlite3": {"connect"},
    "np": {"load", "save", "savez", "savetxt", "loadtxt", "genfromtxt", "fromfile", "memmap"},
    "pd": {"read_csv", "read_excel", "read_parquet", "read_json", "read_pickle", "read_table"},
    "sys": {"stdout", "stderr", "stdin"},
    "typer": {"echo", "secho", "open_file"},
    "click": {"echo", "secho", "open_file"},
    "traceback": {"print_exc", "print_exception", "print_stack"},
    "tomllib": {"load", "loads"},
    "logging": {"basicConfig", "FileHandler", "StreamHandler"},
}
NAMES = {"open", "print", "input", "exec", "eval", "load_workbook"}
MODULES_OF_FILES = {"tempfile", "fileinput", "subprocess", "pickle", "shelve", "dbm", "zoneinfo", "linecache"}

#: file -> what it does there that looks like it and isn't, with the reason
REASONED: dict[str, dict[str, str]] = {
    "readings/containers.py": {"archive.open": "a part of a container whose bytes came in through the door"},
    "reports/workbook.py": {
        "target.open": "a part of a container that is written into an open file of the writer",
        "book.save": "into memory",
    },
    "readings/sheet.py": {
        "book.save": "into an open file of the writer",
        "Alike(book, ZipFile(out, 'w', ZIP_DEFLATED, compresslevel=3)).save": "into an open file of the writer",
    },
    "readings/distance_sheet.py": {"look.write_text": "into a cell, as text"},
    "reports/plate.py": {"figure.savefig": "into memory"},
    "ledger/stories.py": {
        "frame.apply(_safe).to_csv": "into an open file of the writer",
        "frame.to_parquet": "into an open file of the writer",
    },
    "ledger/verify.py": {"sqlite3.connect": "a database is opened by its own library, here only to read"},
    "inspection/minimax.py": {"results.open": "which pairs are still open", "self.open": "which pairs are still open"},
    "inspection/pin_gauge.py": {
        "self.touch": "where pins touch",
        "self.work.touch": "where pins touch",
        "sys.stdout": "what a library below prints by itself is kept from standard output, which the tool's own "
        "answer must go out before",
    },
}


def found_in(path: Path) -> dict[str, int]:
    """Return what in a file reads, writes or prints by itself -> the line where it stands first."""
    found: dict[str, int] = {}

    def add(words: str, node: ast.expr | ast.stmt) -> None:
        found.setdefault(words, node.lineno)

    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            for alias in node.names:
                if alias.name.split(".")[0] in MODULES_OF_FILES:
                    add(alias.name, node)
        elif isinstance(node, ast.ImportFrom):
            for alias in node.names:
                if node.module in MODULES_OF_FILES or alias.name in FUNCTIONS.get(node.module or "", ()):
                    add(f"{node.module}.{alias.name}", node)
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            if node.attr in FUNCTIONS.get(node.value.id, ()):
                add(f"{node.value.id}.{node.attr}", node)
        elif isinstance(node, ast.Name) and node.id in NAMES and isinstance(node.ctx, ast.Load):
            add(node.id, node)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in METHODS:
            owner = ast.unparse(node.func.value)
            if owner not in {"writer", "folder", "out", "printing"}:
                add(f"{owner}.{node.func.attr}", node)
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_no_file_is_opened_and_nothing_printed_around_the_three(path: Path) -> None:
    name = str(path.relative_to(PACKAGE))
    found, allowed = found_in(path), REASONED.get(name, {})
    strange = [f"{name}:{line}: {words}" for words, line in found.items() if words not in allowed]
    assert not strange, "go through holeqc.door, holeqc.writer or holeqc.printing"
    assert set(allowed) <= set(found), "a reason for what isn't there any more"


def test_the_search_finds_what_it_is_meant_to_find(tmp_path: Path) -> None:
    lines = {
        "open('x')": "open", "import os\nos.replace('a', 'b')": "os.replace", "p.write_text('x')": "p.write_text",
        "import sys\nsys.stdout.write('x')": "sys.stdout", "print(1)": "print", "import tempfile": "tempfile",
        "from os import rename": "os.rename", "figure.savefig('x')": "figure.savefig",
        "import typer\ntyper.echo('x')": "typer.echo",
    }  # fmt: skip
    for number, (text, words) in enumerate(lines.items()):
        path = tmp_path / f"{number}.py"
        path.write_text(text)
        assert words in found_in(path)
