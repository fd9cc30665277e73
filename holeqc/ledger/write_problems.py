"""Problems as rows of the ledger."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from holeqc.problems import Problem

#: column of the ledger -> field of a problem
FIELDS = {
    "severity": "severity", "code": "code", "message": "message", "found": "found", "allowed": "allowed",
    "action": "action", "file": "file", "sheet": "sheet", "cell": "cell", "place": "where", "part": "part",
    "serial": "serial", "hole": "hole", "wall": "wall", "holds": "holds",
}  # fmt: skip


def problem_rows(
    problems: Iterable[Problem], stage: str, specification: int, files: Mapping[str, int]
) -> list[dict[str, Any]]:
    """Return problems as rows; ``files``: name -> id of the files they may speak of."""
    return [
        {ours: getattr(problem, theirs) for ours, theirs in FIELDS.items()}
        | {"stage": stage, "specification_id": specification, "file_id": files.get(problem.file)}
        for problem in problems
    ]
