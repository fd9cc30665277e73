"""The command line: finds the command, runs it, and turns what happens into an exit code.

Exit codes: 0 everything accepted (or done), 1 something rejected, 3 something held, 2 unusable input or usage, 4
something was recorded and the answer couldn't be given, 130 stopped with Ctrl-C. An error inside the tool itself, and
an answer that found no reader, is 2 as well, so that nothing but a verdict ever reads as one. Only the module of the
command that was asked for is imported, and nothing else for ``--help`` and ``--version``.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import Any

from holeqc import __version__, printing

#: command -> (module, function, one line of help); a group maps to a table of the same kind
COMMANDS: dict[str, tuple[str, str, str] | dict[str, tuple[str, str, str]]] = {
    "check": ("check", "check", "judge filled sheets: accept, hold or reject, why, what to do; reports and tags"),
    "sheet": ("sheet", "sheet", "write a blank reading sheet, or a gauge study sheet, ready to print and fill"),
    "kit": {
        "new": ("kit", "new", "start a kit file: commented, or from a hole table"),
        "show": ("kit", "show", "say in plain words, and draw to scale, what a kit file asks"),
        "keys": ("kit", "keys", "list every key of a kit file with its meaning"),
        "release": ("kit", "release", "release a kit's text into the record, by two persons"),
    },
    "fit": {
        "class": ("fit", "class_", "limits of an ANSI B4.1 class: holeqc fit class RC7 7/16"),
        "metric": ("fit", "metric", "limits of an ISO 286 class: holeqc fit metric H7/g6 12"),
        "pair": ("fit", "pair", "what a hole band and a pin band give together"),
        "drill": ("fit", "drill", "which drill lands in a band, and what to ream"),
        "plug": ("fit", "plug", "GO and NO-GO plugs for a band"),
        "pattern": ("fit", "pattern", "virtual conditions and the chance that a whole kit goes together"),
    },
    "capability": ("capability", "capability", "capability of a column of numbers, or of a kit's holes"),
    "chart": ("chart", "chart", "control chart of a column of numbers, or of a kit's holes"),
    "gauge-study": ("gauge_study", "gauge_study", "can the gauge see the tolerance: repeatability, agreement, budget"),
    "wear": ("wear", "wear", "is the fixture worn: seating, bushings, trend, parts until change"),
    "part": ("part", "part", "the whole recorded story of a serial number"),
    "serial": ("part", "serial", "answer whether two serial numbers spelled nearly alike are one part"),
    "parts": ("parts", "parts", "recorded parts with verdict, open tags, approval"),
    "waiting": ("parts", "waiting", "what waits: open tags, parts to approve or in question, gauges, kits"),
    "tags": ("tags", "tags", "recorded tags and where they stand"),
    "disposition": ("tags", "disposition", "record what becomes of a tag: rework, repair, use-as-is, scrap, return"),
    "reworked": ("tags", "reworked", "record that a rework was done"),
    "approve": ("approve", "approve", "approve a recorded part, or list what stands in the way"),
    "question": ("approve", "question", "what puts an approved part in question, and closing it with a reason"),
    "withdraw": ("approve", "withdraw", "withdraw an approval, with a reason"),
    "packet": ("packet", "packet", "packet of an approved part: report, list, certificate, manifest; verify one"),
    "person": {
        "add": ("person", "add", "declare a person; then nobody else writes to the ledger"),
        "remove": ("person", "remove", "take a person off the list"),
        "list": ("person", "list_", "list the declared persons"),
        "key": ("person", "key", "make a person's key for signatures"),
    },
    "gauge": {
        "calibrated": ("gauge", "calibrated", "log a gauge's calibration"),
        "log": ("equipment_log", "gauge_log", "list the calibrations that were logged"),
        "suspect": ("gauge", "gauge_suspect", "what rests on a gauge, and what its error would change"),
    },
    "fixture": {
        "event": ("gauge", "fixture_event", "log what happened to a fixture"),
        "log": ("equipment_log", "fixture_log", "list the events that were logged"),
        "suspect": ("gauge", "fixture_suspect", "what was drilled since a fixture's last good check"),
    },
    "ledger": {
        "verify": ("ledger", "verify", "recompute the chain of entries and name the first that doesn't hold"),
        "seal": ("ledger", "seal", "number and digest of the newest entry, to keep elsewhere"),
        "clock": ("ledger", "clock", "say why the clock was set back, so that entries go on"),
        "roles": ("ledger", "roles", "SQL for a PostgreSQL role that may only read and add"),
        "info": ("ledger", "info", "where the ledger is and what it holds"),
        "copy": ("ledger", "copy", "copy a ledger to another place, verified by counts and digests"),
        "export": ("ledger", "export", "write recorded readings to CSV or Parquet"),
    },
}
GROUP_HELP = {
    "person": "who may write to the record, and their keys",
    "ledger": "the record itself: verify, seal, clock, roles, info, copy, export",
    "kit": "what the drawing asks: start, show, keys, release",
    "fit": "fit arithmetic: classes, clearance, drills, plugs",
    "gauge": "gauges on record: calibrations, and what a suspect one touches",
    "fixture": "fixtures on record: events, and what a suspect one touches",
}

CAUTION = (
    "Caution: wear eye protection, clamp the work, keep hands from chips. A verdict supports and never replaces\n"
    "the drawing, the approved data and the person licensed to sign; local codes prevail."
)


def top_help() -> str:
    """Return the text of ``holeqc --help``."""
    lines = [
        f"holeqc {__version__}: quality of drilled holes, from a filled reading sheet to a verdict, tags and a report.",
        "",
        "Usage: holeqc COMMAND [OPTIONS] ...        holeqc COMMAND --help says more, with an example",
        "",
    ]
    for name, entry in COMMANDS.items():
        if isinstance(entry, dict):
            lines.append(f"  {name:<12} {GROUP_HELP[name]}")
            lines += [f"    {name} {sub:<{max(10, 8)}} {line}" for sub, (_, _, line) in entry.items()]
        else:
            lines.append(f"  {name:<12} {entry[2]}")
    lines += [
        "",
        "  holeqc kit show tolerances/bl7.toml",
        "  holeqc check tolerances/bl7.toml filled.xlsx --out report",
        "",
        "Exit codes: 0 accepted, 1 rejected, 3 held, 2 unusable input or usage, 130 stopped,",
        "4 recorded, but the answer couldn't be written.",
        CAUTION,
    ]
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the tool and leave with its exit code."""
    import gc

    gc.disable()  # a run is short and makes few cycles; looking for them costs a twelfth of judging a sheet
    try:
        code = run(list(sys.argv[1:] if arguments is None else arguments))
    except KeyboardInterrupt:  # while modules were still being loaded
        code = _stopped()
    sys.exit(code)


def run(arguments: list[str]) -> int:
    """Run one command line and return its exit code."""
    printing.begin()
    if not arguments or arguments[0] in {"--help", "-h", "help"}:
        printing.write(top_help() + "\n", aside=not arguments)
        return printing.outcome(0 if arguments else 2)
    if arguments[0] in {"--version", "-V"}:
        printing.say(f"holeqc {__version__}")
        return printing.outcome(0)
    name, rest = arguments[0], arguments[1:]
    if name not in COMMANDS:
        return _usage(f"there is no command {printing.shortened(name)!r}{_nearest(name)}. holeqc --help lists them")
    return _guarded(lambda: _run_command(name, rest))


#: what shells give for a program that Ctrl-C has ended: 128 + SIGINT (POSIX, exit status of a signalled command)
STOPPED = 130


def _stopped() -> int:
    """Say that the run was stopped and return its exit code."""
    printing.warn("holeqc: stopped; nothing was half-written")
    return STOPPED


def _usage(message: str) -> int:
    printing.failure(message)
    return 2


def _nearest(word: str) -> str:
    from holeqc.door import near_names

    close = near_names(word, list(COMMANDS))
    return f" (nearest: {close[0]!r})" if close else ""


def _run_command(name: str, rest: list[str]) -> int:
    import importlib

    import typer

    entry = COMMANDS[name]
    app = typer.Typer(add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)
    settings = {"help_option_names": ["-h", "--help"], "max_content_width": 100}
    if isinstance(entry, dict):
        app.callback(help=GROUP_HELP[name], context_settings=settings)(lambda: None)
        for sub, (module, function, line) in entry.items():
            found = getattr(importlib.import_module(f"holeqc.commands.{module}"), function)
            app.command(sub, short_help=line, context_settings=settings)(found)
    else:
        module, function, _ = entry
        found = getattr(importlib.import_module(f"holeqc.commands.{module}"), function)
        app.command(name, context_settings=settings)(found)
    command = typer.main.get_command(app)
    try:
        code = command.main(args=rest, prog_name=f"holeqc {name}", standalone_mode=False)
    except Exception as error:
        number = _number_below_zero(error, rest) if name == "fit" else ""
        if not number:
            raise
        return _usage(f"{number}: a size must be above zero; type it without a minus sign")
    return code if isinstance(code, int) else 0


def _number_below_zero(error: Exception, arguments: Sequence[str]) -> str:
    """Return the number that the option parser took for an option because of its minus sign, empty for another error.

    The parser names its first two characters only.
    """
    taken = str(getattr(error, "option_name", ""))
    if len(taken) != 2 or taken[0] != "-" or taken[1] not in "0123456789.,":
        return ""
    return next((word for word in arguments if word.startswith(taken)), taken)


def _guarded(work: Callable[[], int]) -> int:
    """Run the work and map what happens to an exit code; an error never gives 1 or 3, which are verdicts."""
    try:
        code = work()
    except KeyboardInterrupt:
        code = STOPPED
    except BaseException as error:
        code = _explained(error)
        return printing.outcome(printing.broken_off() or code)
    if code == STOPPED:  # the option parser turns Ctrl-C into this code, silently
        code = printing.broken_off() or _stopped()
    return printing.outcome(code)


def _explained(error: BaseException) -> int:
    """Say what went wrong and return its exit code."""
    from holeqc.problems import HoleQCError

    if isinstance(error, SystemExit):  # the option parser's way out where a reader is gone; its code reads "rejected"
        return 2
    if isinstance(error, HoleQCError):
        message = printing.visible(error)
        told = [p for p in error.problems if printing.visible(p.sentence()) not in message]
        kinds = ("" if p.severity == "error" else f"{p.severity}: " for p in told)
        printing.failure(message, [kind + p.sentence() for kind, p in zip(kinds, told, strict=True)])
        return 2
    if isinstance(error, BrokenPipeError):
        return 2
    if isinstance(error, OSError):
        what = error.strerror or str(error) or type(error).__name__
        return _usage(f"{error.filename}: {what}" if error.filename else f"the system refuses: {what}")
    if isinstance(error, MemoryError):
        return _usage("there isn't enough memory for so much; split the files, or name fewer. No verdict was given")
    if hasattr(error, "exit_code") and hasattr(error, "format_message"):  # usage errors of the option parser
        return _usage_error(error)
    if type(error).__name__ == "Abort":
        return _stopped()
    import traceback

    printing.write("".join(traceback.format_exception(error)), aside=True)
    return _usage("this is a fault of holeqc, not of your file; no verdict was given")


def _usage_error(error: Any) -> int:
    """Show an error of the option parser as it does itself, made fit for a terminal."""
    context = getattr(error, "ctx", None)
    if context is not None:
        printing.warn(*context.get_usage().splitlines(), f"Try '{context.command_path} --help' for help.", "")
    printing.warn(f"Error: {error.format_message()}")
    return 2


if __name__ == "__main__":
    main()
