"""Which kit, which sheets, which folders or which readings on record are meant by what was named."""

from __future__ import annotations

import gc
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from holeqc import door, printing, writer
from holeqc.ledger import a_day
from holeqc.problems import NOTE, WARNING, HoleQCError, Problem, ReadingsError, SpecificationError, shown_path

if TYPE_CHECKING:
    from holeqc.answers import Named
    from holeqc.ledger.ledger import Ledger
    from holeqc.ledger.read_back import Filter
    from holeqc.readings.table import Readings
    from holeqc.specification.model import Specification


KIT_FOLDER = "tolerances"
TOLERANCES_HELP = f"Folder of kit files; if not given ./{KIT_FOLDER}, then those of the folders above and by the sheet."
SHEETS = (".xlsx", ".xlsm", ".csv", ".tsv", ".txt", ".qif")
#: tables of other programs: named as unusable rather than passed over, for readings may stand in them
OTHER_SHEETS = (".xls", ".xlsb", ".ods", ".numbers")
#: tables that a report or a packet of ours consists of
REPORTS = frozenset({"evaluated.xlsx", "tags.csv", "characteristics.xlsx"})
DRAFT = ".draft.csv"  #: ending of a sheet that `holeqc log` is still filling
FEW = 5  #: so many names in a note


def load_kit(path: str | Path) -> Specification:
    """Return a kit for a command that judges by it; what must be looked at goes to standard error, a line a cause."""
    from holeqc.specification.load import load_specification

    specification = load_specification(path)
    tell_of_kit(specification)
    return specification


def loaded(kit: Named) -> Specification:
    """Return a kit, loaded if it isn't yet."""
    return load_kit(kit) if isinstance(kit, (str, Path)) else kit


def tell_of_kit(specification: Specification) -> None:
    """Print on standard error what must be looked at in a kit before it is judged by."""
    for sentence in dict.fromkeys(problem.sentence() for problem in specification.warnings):
        printing.warn(f"warning: {sentence}")


def flat(files: Iterable[Named | Sequence[Named]]) -> list[Path | Specification]:
    """Return files as they may be named from Python, one by one or in lists, as paths and loaded kits."""
    found: list[Path | Specification] = []
    for file in files:
        if isinstance(file, (list, tuple)):
            found += flat(file)
        else:
            found.append(Path(file) if isinstance(file, (str, Path)) else file)  # type: ignore[arg-type]
    return found


def kit_and_files(
    files: Sequence[Path | Specification], tolerances: Path | None = None, leave: Sequence[Path] = ()
) -> tuple[Specification, list[Path], tuple[Problem, ...]]:
    """Return the kit's specification, the reading files, and what to say of how both were found.

    A file that ends in ``.toml``, or a kit that was loaded, is the kit. Without one, the kit id and revision inside the
    first sheet that says them name it, and it is looked for in the folder ``tolerances``; without that in
    ``./tolerances``, in the folders of that name above, and in those beside and above the sheet. A folder means the
    sheets in it, but those to ``leave``.

    Raises:
        HoleQCError: two kits named, no readings named, a folder without sheets, or sheets that say no kit.
    """
    kits = [f for f in files if not isinstance(f, Path) or f.suffix.lower() == ".toml"]
    if len(kits) > 1:
        names = ", ".join(str(k if isinstance(k, Path) else k.path) for k in kits)
        raise HoleQCError(f"name one kit file; found {len(kits)}: {names}. Judge each kit in a run of its own")
    readings, notes = sheets_named([f for f in files if isinstance(f, Path) and f.suffix.lower() != ".toml"], leave)
    if not readings:
        if notes:
            raise HoleQCError("name at least one file of readings: what was named holds none", notes)
        raise HoleQCError("name at least one file of readings (.xlsx or .csv) after the kit file")
    if kits:
        return loaded(kits[0]), readings, tuple(notes)
    file, declared = _declared(readings, tolerances)
    kit, more = _find_kit(declared, file, tolerances)
    return load_kit(kit), readings, (*notes, *more)


# ------------------------------------------------------------------------------------------------------- the sheets


def sheets_named(files: Sequence[Path], leave: Sequence[Path] = ()) -> tuple[list[Path], list[Problem]]:
    """Return the sheets that some files and folders name, and a note of each that was passed over.

    A folder means its sheets in order of their names, without those of the folders inside it, without reports of ours.

    Raises:
        HoleQCError: a folder that holds no sheet, or can't be looked into.
    """
    found: list[Path] = []
    notes: list[Problem] = []
    left = {os.path.abspath(path) for path in leave}
    for file in files:
        if _is_lock(file.name):
            notes.append(_lock_note(file))
        elif os.path.isdir(file):
            inside, said = _folder(file)
            found += [path for path in inside if os.path.abspath(path) not in left]
            notes += said
        else:
            found.append(file)
    return found, notes


def _is_lock(name: str) -> bool:
    """Whether a spreadsheet program made the file to say that a workbook is open."""
    from holeqc.readings.containers import LOCKS

    return name.startswith(LOCKS)


def _lock_note(file: Path) -> Problem:
    what = "it belongs to a workbook that somebody has open, and holds no readings"
    return Problem(NOTE, "lock-file", f"passed over: {what}", file=shown_path(file),
                   action="What isn't saved there yet isn't judged: save and close the workbook")  # fmt: skip


def _folder(folder: Path) -> tuple[list[Path], list[Problem]]:
    try:
        names = sorted(os.listdir(folder))
    except OSError as error:
        raise HoleQCError(f"{shown_path(folder)}: the folder can't be looked into: {error.strerror}") from None
    found: list[Path] = []
    notes: list[Problem] = []
    passed: dict[str, list[str]] = {}
    for name in names:
        path = folder / name
        ending = path.suffix.lower()
        if _is_lock(name):
            notes.append(_lock_note(path))
        elif os.path.isdir(path):
            passed.setdefault("folders inside it", []).append(name)
        elif name.endswith(DRAFT):
            passed.setdefault("drafts of holeqc log", []).append(name)
        elif name.lower() in REPORTS:
            passed.setdefault("reports, no sheets", []).append(name)
        elif ending in SHEETS or ending in OTHER_SHEETS:
            found.append(path)
        elif not name.startswith("."):
            passed.setdefault("other files", []).append(name)
    if not found:
        there = ", ".join(shown_path(n) for n in names[:FEW]) + (" ..." if len(names) > FEW else "")
        raise HoleQCError(f"{shown_path(folder)}: no sheet in this folder ({', '.join(SHEETS)}); it holds "
                          f"{there or 'nothing'}. Name the sheets, or the folder that they are in")  # fmt: skip
    for what, those in passed.items():
        shown = ", ".join(map(shown_path, those[:FEW])) + (f" and {len(those) - FEW} more" if len(those) > FEW else "")
        notes.append(Problem(NOTE, "passed-over", f"not read in this folder: {what}", shown, file=shown_path(folder)))
    return found, notes


# --------------------------------------------------------------------------------------------------- samples to try


SAMPLES = "sample_measurements"
DEMO = f"share/holeqc/{KIT_FOLDER}/"  #: where an installation keeps kits, the samples beside them


def write_demo(folder: Path) -> list[Path]:
    """Copy the sample kits and sheets into a new folder, from the checkout or from the installation; return the paths.

    Raises:
        HoleQCError: the folder is there and isn't empty, the installation has no samples, the disk refuses.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise HoleQCError(f"{shown_path(folder)} is there already and isn't empty; name a new folder")
    with writer.folder(folder, _not_there) as out:
        for name, files in sorted(_demo_files().items()):  # a folder before those inside it
            for file in files:
                out.write_bytes(f"{name}/{file.name}", door.take(file, door.READINGS).content)
    return [folder / name for name in out.names]


def _not_there(path: Path) -> None:
    raise HoleQCError(f"{shown_path(path)} was just made by somebody else; name a new folder")


def _demo_files() -> dict[str, list[Path]]:
    """Return the sample files by the folder that they go into."""
    top = Path(__file__).resolve().parents[2]
    if (top / "pyproject.toml").is_file():
        there = [p for name in (KIT_FOLDER, SAMPLES) for p in sorted((top / name).rglob("*")) if p.is_file()]
    else:
        from importlib import metadata

        listed = [Path(os.path.abspath(str(f.locate()))) for f in metadata.files("holeqc") or () if "share/holeqc/" in
                  f.as_posix()]  # fmt: skip
        tops = [p.parents[1] for p in listed if p.as_posix().rpartition("/")[0].endswith(DEMO.rstrip("/"))]
        top, there = tops[0] if tops else top, sorted(listed)
    found: dict[str, list[Path]] = {}
    for path in there:
        found.setdefault(path.parent.relative_to(top).as_posix(), []).append(path)
    if not found:
        raise HoleQCError("this installation has no samples; install holeqc anew from its wheel")
    return found


# ---------------------------------------------------------------------------------------------------------- the kit


def _declared(readings: Sequence[Path], tolerances: Path | None) -> tuple[Path, tuple[str, str]]:
    """Return the first sheet that says its kit, and the kit and revision it says."""
    from holeqc.readings.read import declared_kit

    silent: Path | None = None
    problems: list[Problem] = []
    for file in readings:
        try:
            declared = declared_kit(file)
        except ReadingsError as error:
            problems += error.problems
            continue
        if declared is not None:
            return file, declared
        silent = silent or file
    if silent is None:
        raise ReadingsError("\n".join(p.sentence() for p in problems), problems)
    shown = shown_path(silent)
    raise HoleQCError(
        f"{shown}: the file doesn't say which kit it was made for; name the kit file first, for example "
        f"holeqc check {tolerances or KIT_FOLDER}/KIT.toml {shown}"
    )


def _kit_folders(file: Path) -> Iterator[Path]:
    """Yield the folders that may hold kit files: here, above, beside the sheet and above it, each once."""
    here = Path.cwd()
    yield Path(KIT_FOLDER)
    seen = {os.path.realpath(KIT_FOLDER)}
    beside = Path(os.path.abspath(file)).parent
    for place in (*here.parents, beside, *beside.parents):
        folder = place / KIT_FOLDER
        if os.path.isdir(folder) and os.path.realpath(folder) not in seen:
            seen.add(os.path.realpath(folder))
            yield folder


def _find_kit(declared: tuple[str, str], file: Path, tolerances: Path | None) -> tuple[Path, list[Problem]]:
    """Return the kit file of this id and revision, the nearest first, and a note of where it lies if that isn't here.

    Raises:
        HoleQCError: there is none, or a folder has it twice.
    """
    from holeqc.specification.load import find_specification

    found: list[Path] = []
    failed: list[tuple[Problem, Path]] = []
    for folder in [tolerances] if tolerances is not None else _kit_folders(file):
        try:
            found.append(find_specification(*declared, folder))
        except SpecificationError as error:
            failed.append((error.problems[0], folder))
            if error.problems[0].code == "kit-twice" and not found:
                break
    if not found:
        order = {"kit-twice": 0, "other-revision": 1, "no-kit": 2}
        problem, folder = min(failed, key=lambda pair: order.get(pair[0].code, 3))
        raise HoleQCError(_not_found(problem, file, declared, folder, len(failed) > 1 or tolerances is None))
    notes = []
    if tolerances is None and found[0].parent != Path(KIT_FOLDER):
        notes.append(Problem(NOTE, "kit-found", "the kit file was found in another folder than this one",
                             file=shown_path(found[0])))  # fmt: skip
    others = [path for path in found[1:] if _differ(path, found[0])]
    if others:
        notes.append(Problem(
            WARNING, "kit-elsewhere", f"kit {declared[0]} revision {declared[1]} is also described elsewhere, with "
            "other contents; the nearest file was taken", ", ".join(map(shown_path, others)), file=shown_path(found[0]),
            action="Name the kit file that holds, and take the other away"))  # fmt: skip
    return found[0], notes


def _differ(one: Path, other: Path) -> bool:
    try:
        return door.take(one, door.KIT).sha256 != door.take(other, door.KIT).sha256
    except HoleQCError:
        return True


def _not_found(problem: Problem, file: Path, declared: tuple[str, str], folder: Path, searched: bool) -> str:
    """Return why no kit file was found for a sheet: what the sheet says, what is there, and what to do."""
    kit, revision = declared
    shown = shown_path(file)
    said = f"{shown}: the sheet was made for kit {kit!r} revision {revision!r}"
    name = f"name the kit file before the sheet (KIT.toml {shown})"
    other = "the folder that holds it (--tolerances FOLDER)"
    above = ", nor in the folders above or by the sheet," if searched else ""
    if problem.code == "other-revision":
        return (
            f"{said}; {folder} has revision {problem.found} only. Measure with a sheet of the revision that holds, "
            f"or, if {revision!r} holds, {name}"
        )
    if problem.code == "no-folder":
        here = folder.absolute().parent
        return f"{said}; there is no folder {folder.name!r} in {here}{above} to look for it. Please {name}, or {other}"
    if problem.code == "no-kit":
        return f"{said}; {folder} has no such kit; found {problem.found}. Please {name}, or {other}"
    return f"{said}; {problem.sentence()}. Please {name}"


# Readings out of the ledger, where a command takes them from files else: `--ledger` and `--where`.


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
    ledger: str, where: Sequence[str], files: Sequence[Path | Specification], characteristics: tuple[str, ...] = (),
    most: int = 0,
) -> tuple[Specification, Readings]:  # fmt: skip
    """Return kit and readings from a ledger, as reading the files gives them.

    A kit file limits them to its id and revision, and is the kit that counts; without one the newest recorded text is.
    ``characteristics``: only readings of these; nothing else is fetched. ``most``: parts that the question can take.

    Raises:
        LedgerError: a key or value that isn't known, files of readings beside the ledger, several kits or units,
            or more parts than ``most``.
    """
    from holeqc.ledger import open_ledger
    from holeqc.ledger.read_back import recorded_readings, span_of
    from holeqc.problems import LedgerError

    given, wanted = _asked(where, files, characteristics)
    with open_ledger(ledger, create=False) as there, there.reading():
        spec = _kit_of(there, wanted, given)
        if most and (parts := span_of(there, wanted)[0]) > most:
            raise LedgerError(
                f"ledger {there.location.shown}: {parts} parts are asked for, and at most {most} can be looked at "
                "together; choose the newest: --where since=2026-01-01"
            )
        readings = recorded_readings(there, wanted)[1]
    if not len(readings.rows):
        raise _nothing(there.location.shown, where)
    return spec, readings


@dataclass(frozen=True, slots=True)
class ByHole:
    """Readings of a record, the holes one after the other, so that memory holds those of one: ``parts`` and ``days``
    (the first and the last) of all of them; ``readings`` gives those of each hole, of many parts in several pieces.
    """

    spec: Specification
    parts: int
    days: tuple[str, str] | None
    readings: Callable[[Sequence[str]], Iterator[Iterator[Readings]]]


PARTS_AT_A_TIME = 20_000  #: of a record, so that memory stays small


def ledger_by_hole(
    ledger: str, where: Sequence[str], files: Sequence[Path | Specification], characteristics: tuple[str, ...]
) -> ByHole | None:
    """Return the same hole by hole; None where that can't be told from whole files, as of one gauge's readings."""
    from holeqc.ledger import open_ledger
    from holeqc.ledger.read_back import readings_by_parts, recorded_readings, span_of

    given, wanted = _asked(where, files, characteristics)
    if wanted.gauge:
        return None
    with open_ledger(ledger, create=False) as there, there.reading():
        spec = _kit_of(there, wanted, given)
        parts, sets, days = span_of(there, wanted)
    if not parts:
        raise _nothing(there.location.shown, where)

    def readings(holes: Sequence[str]) -> Iterator[Iterator[Readings]]:
        with open_ledger(ledger, create=False) as there, there.reading():  # all of them as of one moment
            for hole in holes:
                one = replace(wanted, holes=(hole,))
                if sets > max(parts, PARTS_AT_A_TIME) or parts <= PARTS_AT_A_TIME:
                    yield iter([recorded_readings(there, one)[1]])
                else:
                    yield _shown(readings_by_parts(there, one, PARTS_AT_A_TIME), hole, parts)

    return ByHole(spec, parts, days, readings)


def _shown(pieces: Iterator[Readings], hole: str, parts: int) -> Iterator[Readings]:
    """Give the pieces and show on a terminal how far it is."""
    for number, piece in enumerate(pieces, 1):
        printing.progress(f"hole {hole}: {min(number * PARTS_AT_A_TIME, parts)} of {parts} parts read")
        yield piece
        gc.collect()  # a run does without it else, and frames are held by cycles


def _asked(
    where: Sequence[str], files: Sequence[Path | Specification], characteristics: tuple[str, ...]
) -> tuple[Specification | None, Filter]:
    from holeqc.problems import LedgerError

    kits = [file for file in files if not isinstance(file, Path) or file.suffix.lower() == ".toml"]
    if len(files) > len(kits) or len(kits) > 1:
        raise LedgerError("with --ledger, name a kit file or nothing: the readings come from the ledger")
    given = loaded(kits[0]) if kits else None
    return given, wanted_from(where, given, characteristics)


def _nothing(place: str, where: Sequence[str]) -> HoleQCError:
    from holeqc.problems import LedgerError

    return LedgerError(f"ledger {place}: no reading fits what was asked ({', '.join(where) or 'all'})")


def _kit_of(there: Ledger, wanted: Filter, given: Specification | None) -> Specification:
    """Return the kit that counts, and say what must be looked at."""
    from holeqc.ledger.read_back import wanted_specification
    from holeqc.problems import LedgerError

    _refuse_mixed_units(there.rows(_units(wanted)), there.location.shown)
    recorded = wanted_specification(there, wanted)
    if given is None:
        tell_of_kit(recorded)
    if given is None or given.digest == recorded.digest:
        return recorded
    if given.unit != recorded.unit:
        raise LedgerError(f"{given.path} is in {given.unit}, the recorded readings are in {recorded.unit}")
    printing.warn(f"note: {given.path} is not the recorded text of this kit and revision; the file counts")
    return given


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
