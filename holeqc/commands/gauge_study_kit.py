"""The outcome of a gauge study into a kit file: U of one of its gauges, the budget as comments."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from holeqc import printing
from holeqc.problems import DataError
from holeqc.quantities import parse_unit

if TYPE_CHECKING:
    from holeqc.commands.gauge_study_runs import Request, Result
    from holeqc.specification.model import Gauge, Specification

FAR = 4.0  #: so many times off every hole of the kit: read in another unit, or of something else


def for_kit(request: Request, spec: Specification, gauge: str) -> Request:
    """Return the request with what the kit says of the gauge: its unit, its id, its step where none is given.

    Raises ``DataError`` for a gauge that the kit doesn't have, for words in place of numbers, or for another unit.
    """
    entry = spec.gauge(gauge) if gauge else None
    if entry is None:
        known = ", ".join(g.id for g in spec.gauges) or "none"
        asked = f"there is no gauge {gauge!r} in kit {spec.id}" if gauge else "say with --gauge which gauge it is"
        raise DataError(f"{asked}; gauges are {known}. Nothing was written")
    if request.unit and parse_unit(request.unit) != spec.unit:
        raise DataError(
            f"the study is in {request.unit} and kit {spec.id} in {spec.unit}: convert the readings first. "
            "Nothing was written"
        )
    budget = list(request.budget or ("study",))
    names = {item.partition("=")[0].strip().lower() for item in budget}
    if "gauge" in names:
        raise DataError("--budget gauge=... and --write say the same thing: name the gauge with --gauge alone")
    budget.append(f"gauge={entry.id}")
    if entry.resolution and "step" not in names:
        budget.append(f"step={entry.resolution!r}")
    return replace(request, unit=spec.unit, budget=tuple(budget))


def write_outcome(result: Result, spec: Specification, path: Path, gauge: str, *, source: str, sure: bool) -> list[str]:
    """Write U into the kit file and return what to say of it, a sentence a line; adds ``written`` to the data.

    ``sure``: the unit was stated. Raises ``DataError`` where the study has no budget, or its readings are nowhere near
    the kit's holes and no unit was stated.
    """
    from holeqc.specification.load import write_gauge_uncertainty
    from holeqc.statistics.gauge_study import round_up

    entry = spec.gauge(gauge)
    budget: Any = result.data.get("budget")
    if budget is None or entry is None:
        raise DataError(
            "this kind of study gives no U for a kit file: it needs numbers and repeated readings. Nothing was written"
        )
    if result.worthless:
        raise DataError(
            f"not written because this U would be worthless: {'; '.join(result.worthless)}. Leave out "
            "--write to look at the study"
        )
    if not sure:
        _check_unit(result, spec, entry)
    lines = [line for line in result.data["kit_lines"] if line.startswith("#")]
    done = write_gauge_uncertainty(path, gauge, round_up(budget["expanded"]), lines, source)
    result.data["written"] = {
        "file": done.path, "gauge": done.gauge, "old": done.old, "new": done.new, "backup": done.backup,
    }  # fmt: skip
    old = "not stated" if done.old is None else f"{done.old:g}"
    said = [
        f"{done.path}: U of {done.gauge} was {old}, is now {done.new:g} {spec.unit} (k = 2)",
        f"The old file is kept as {done.backup}",
    ]
    if not any(line["name"] == "master" for line in budget["lines"]):
        said.append("The budget has no line of the master that the gauge is set with: add it with --budget master=U")
    if done.old is not None and done.new < done.old:
        said.append("It is smaller than before: more readings will be accepted near the limits. Is every cause listed?")
    return said


def _check_unit(result: Result, spec: Specification, gauge: Gauge) -> None:
    mean = result.data.get("mean")
    if mean is None or "diameter" not in gauge.measures:
        return
    low, high = min(h.size.lower for h in spec.holes), max(h.size.upper for h in spec.holes)
    if not low / FAR <= abs(mean) <= high * FAR:
        raise DataError(
            f"the study's mean is {mean:g}, the kit's holes are {low:g} to {high:g} {spec.unit}: say the "
            "readings' unit with --unit. Nothing was written"
        )


def tell(sentences: list[str], as_json: bool) -> None:
    """Print what was written: below the study, or on standard error beside JSON."""
    text = "\n".join(sentences)
    printing.write(f"{text}\n" if as_json else f"\n{text}\n", aside=as_json)
