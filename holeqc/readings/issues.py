"""A doubt about one content, before it is known in how many cells it stands."""

from __future__ import annotations

from dataclasses import dataclass

from holeqc.problems import ERROR, NOTE, WARNING, Problem


@dataclass(frozen=True, slots=True)
class Issue:
    """What is wrong with a content; becomes a `Problem` once its cell is known. ``holds`` makes it doubtful."""

    code: str
    message: str
    allowed: str = ""
    action: str = ""
    severity: str = ERROR
    holds: bool = True

    def problem(
        self,
        *,
        found: str,
        file: str,
        sheet: str,
        cell: str,
        part: str = "",
        serial: str = "",
        hole: str = "",
        wall: str = "",
    ) -> Problem:
        """Return the problem of one cell."""
        return Problem(
            self.severity,
            self.code,
            self.message,
            found=found,
            allowed=self.allowed,
            action=self.action,
            file=file,
            sheet=sheet,
            cell=cell,
            part=part,
            serial=serial,
            hole=hole,
            wall=wall,
            holds=self.holds,
        )


def note(code: str, message: str, action: str = "") -> Issue:
    """Return an issue that is worth knowing and changes nothing."""
    return Issue(code, message, action=action, severity=NOTE, holds=False)


def warning(code: str, message: str, allowed: str = "", action: str = "", *, holds: bool = False) -> Issue:
    """Return an issue where the value is used as it stands and a person must look at it."""
    return Issue(code, message, allowed, action, WARNING, holds)
