"""Whether the parts of a run can be found again: each needs a serial number, and its name where the kit has several."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holeqc.problems import ERROR, LedgerError, Problem
from holeqc.readings.identities import LONGEST_SERIAL, SERIAL_ALLOWED, serial_fault

if TYPE_CHECKING:
    from holeqc.inspection.results import Inspection

#: what reading says where a part's serial number or name is missing or wrong
_NO_SERIAL = frozenset({"serial-missing", "bad-serial", "error-cell", "formula-not-calculated"})
_NO_PART = frozenset({"part-missing", "unknown-part"})


def refuse_unnamed(inspection: Inspection) -> None:
    """Refuse parts that nobody could ask for again.

    Raises:
        LedgerError: one has no serial number, one that can be none, or no name where the kit has several parts; all
            are listed, each with the cells that say so.
    """
    several = len(inspection.specification.parts) > 1
    found: list[Problem] = []
    parts = inspection.parts
    for part, serial in zip(map(str, parts["part"]), map(str, parts["serial"]), strict=True):
        fault = serial_fault(serial) if serial else "there is none"
        if fault:
            found += _told(inspection, part, serial, _NO_SERIAL) or [Problem(
                ERROR, "serial-missing", "a part without a serial number", serial, SERIAL_ALLOWED,
                "Write the serial number into the sheet, or give it with --serial", part=part,
            )]  # fmt: skip
        if several and not part:
            allowed = "parts " + ", ".join(p.name for p in inspection.specification.parts)
            found += _told(inspection, part, serial, _NO_PART) or [Problem(
                ERROR, "part-missing", "the part isn't named", _short(serial), allowed,
                "Write the part into the sheet, or give it with --part", serial=serial,
            )]  # fmt: skip
    if found:
        count = len(dict.fromkeys(found))
        raise LedgerError(
            "nothing was recorded: a part is found again by its serial number, "
            f"{'and by its name, for the kit has several' if several else 'so it needs one'}; "
            f"{count} {'problem' if count == 1 else 'problems'}",
            dict.fromkeys(found),
        )


def _told(inspection: Inspection, part: str, serial: str, codes: frozenset[str]) -> list[Problem]:
    """Return what reading said of a part's serial number or name."""
    problems = inspection.readings.problems
    return [p for p in problems if p.code in codes and p.part in {part, ""} and p.serial in {serial, ""}]


def _short(serial: str) -> str:
    return f"serial {serial[:LONGEST_SERIAL]}" if serial else "no serial number either"
