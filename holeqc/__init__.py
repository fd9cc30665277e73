"""Shop-floor quality of drilled holes: readings against the drawing, verdicts, tags, capability and wear.

    kit = holeqc.load_kit("tolerances/bl7.toml")
    run = holeqc.check(kit, "sheet.xlsx")
    run.parts, run.holes, run.reasons("P-0107"), run.tags()
    holeqc.report(run, "report")

A function has the name and the options of its command, and is loaded when it is first used. Lengths are in the kit's
unit, and whatever can't be used raises a `HoleQCError` that says file, cell and what to do.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

__version__ = "0.1.0"
__all__ = [
    "HoleQCError", "capability", "chart", "check", "fit", "gauge_study", "load_kit", "open_ledger", "reading_plan",
    "report", "wear",
]  # fmt: skip

if TYPE_CHECKING:
    from holeqc.answers import fits as fit
    from holeqc.answers.check import check, report
    from holeqc.answers.files import load_kit
    from holeqc.answers.fixture import wear
    from holeqc.answers.gauge_studies import gauge_study
    from holeqc.answers.plan import reading_plan
    from holeqc.answers.series import capability, chart
    from holeqc.ledger import open_ledger
    from holeqc.problems import HoleQCError

#: name -> module and name there; '' is the module itself
_HOMES = {
    "HoleQCError": ("problems", "HoleQCError"),
    "capability": ("answers.series", "capability"),
    "chart": ("answers.series", "chart"),
    "check": ("answers.check", "check"),
    "fit": ("answers.fits", ""),
    "gauge_study": ("answers.gauge_studies", "gauge_study"),
    "load_kit": ("answers.files", "load_kit"),
    "open_ledger": ("ledger", "open_ledger"),
    "reading_plan": ("answers.plan", "reading_plan"),
    "report": ("answers.check", "report"),
    "sampling": ("sampling", ""),
    "wear": ("answers.fixture", "wear"),
}


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module 'holeqc' has no attribute {name!r}")
    from importlib import import_module

    module, word = _HOMES[name]
    home = import_module(f"holeqc.{module}")
    found = globals()[name] = getattr(home, word) if word else home
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
