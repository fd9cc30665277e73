"""Readings out of the ledger, where a command takes them from files else: `--ledger` and `--where`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from holeqc import printing
from holeqc.commands.recording import a_day

if TYPE_CHECKING:
    from holeqc.ledger.read_back import Filter
    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification

FROM_HELP = (
    "Take the readings from this ledger (a file or postgresql:// URL) instead of files; name the kit file or, with "
    "--where kit=ID, none."
)
WHERE_HELP = (
    "With --ledger: which readings, as KEY=VALUE; give it again for more. Keys: kit, revision, part, serial (several "
    "with commas), fixture, gauge, verdict, since, until (2026-11-01), measured (all, first, last)."
)
KEYS = ("kit", "revision", "part", "serial", "fixture", "gauge", "verdict", "since", "until", "measured")


def ledger_readings(
    ledger: str, where: Sequence[str], files: Sequence[Path], characteristics: tuple[str, ...] = ()
) -> tuple[Specification, Readings]:
    """Return kit and readings from a ledger, as reading the files gives them.

    A kit file limits them to its id and revision, and is the kit that counts; without one the newest recorded text is.
    ``characteristics``: only readings of these; nothing else is fetched.

    Raises:
        LedgerError: a key or value that isn't known, files of readings beside the ledger, several kits or units.
    """
    from holeqc.commands.finding import load_kit, tell_of_kit
    from holeqc.ledger import open_ledger
    from holeqc.ledger.read_back import recorded_readings
    from holeqc.problems import LedgerError

    kits = [path for path in files if path.suffix.lower() == ".toml"]
    if len(files) > len(kits) or len(kits) > 1:
        raise LedgerError("with --ledger, name a kit file or nothing: the readings come from the ledger")
    given = load_kit(kits[0]) if kits else None
    wanted = wanted_from(where, given, characteristics)
    with open_ledger(ledger, create=False) as there:
        _refuse_mixed_units(there.rows(_units(wanted)), there.location.shown)
        recorded, readings = recorded_readings(there, wanted)
    if readings.table.empty:
        asked = ", ".join(where) or "all"
        raise LedgerError(f"ledger {there.location.shown}: no reading fits what was asked ({asked})")
    if given is None:
        tell_of_kit(recorded)
    if given is None or given.digest == recorded.digest:
        return recorded, readings
    if given.unit != recorded.unit:
        raise LedgerError(f"{kits[0]} is in {given.unit}, the recorded readings are in {recorded.unit}")
    printing.warn(f"note: {kits[0]} is not the recorded text of this kit and revision; the file counts")
    return given, readings


def wanted_from(where: Sequence[str], given: Specification | None, characteristics: tuple[str, ...] = ()) -> Filter:
    """Return the filter that ``--where`` and a kit file make.

    Raises:
        LedgerError: a key that isn't known, said twice, or without a value.
    """
    from holeqc.ledger.read_back import Filter
    from holeqc.problems import LedgerError

    said: dict[str, str] = {}
    for text in where:
        key, found, value = text.partition("=")
        key = key.strip().lower()
        if not found or key not in KEYS or not value.strip():
            raise LedgerError(f"--where {text!r} is not understood; give KEY=VALUE, keys are {', '.join(KEYS)}")
        if key in said:
            raise LedgerError(f"--where says {key} twice")
        said[key] = value.strip()
    if given is not None and said.get("kit", given.id) != given.id:
        raise LedgerError(f"--where kit={said['kit']} is another kit than the file describes ({given.id})")
    values: dict[str, Any] = {key: said[key] for key in ("part", "fixture", "gauge") if key in said}
    values |= {key: said[key].lower() for key in ("verdict", "measured") if key in said}
    values |= {key: a_day(said[key], f"--where {key}") for key in ("since", "until") if key in said}
    if "serial" in said:
        values["serials"] = tuple(word.strip() for word in said["serial"].split(",") if word.strip())
    values["kit"] = said.get("kit", given.id if given is not None else "")
    values["revision"] = said.get("revision", given.revision if given is not None else "")
    return Filter(**values, characteristics=characteristics)


def _units(wanted: Filter) -> Any:
    from holeqc.ledger.read_back import units_of

    return units_of(wanted)


def _refuse_mixed_units(rows: Sequence[dict[str, Any]], place: str) -> None:
    from holeqc.problems import LedgerError

    if len({row["unit"] for row in rows}) > 1:
        named = ", ".join(f"{row['kit']} {row['revision']} in {row['unit']}" for row in rows)
        raise LedgerError(f"ledger {place}: the kit's revisions have different units ({named}); --where revision=...")
