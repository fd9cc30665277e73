"""The command line: finds the command, runs it, and turns what happens into an exit code.

Exit codes: 0 everything accepted (or done), 1 something rejected, 3 something held, 2 unusable input or usage, 130
stopped with Ctrl-C. An error inside the tool itself is 2 as well, so that no crash ever reads as a verdict. Only the
module of the command that was asked for is imported, and nothing at all for ``--help`` and ``--version``.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import Any

from holeqc import __version__

#: command -> (module, function, one line of help); a group maps to a table of the same kind
COMMANDS: dict[str, tuple[str, str, str] | dict[str, tuple[str, str, str]]] = {
    "check": ("check", "check", "judge filled sheets: accept, hold or reject, why, what to do; reports and tags"),
    "sheet": ("sheet", "sheet", "write a blank reading sheet, or a gauge study sheet, ready to print and fill"),
    "kit": {
        "new": ("kit", "new", "write a commented starter file for a kit"),
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
        "Exit codes: 0 accepted, 1 rejected, 3 held, 2 unusable input or usage, 130 stopped.",
        CAUTION,
    ]
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the tool and leave with its exit code."""
    import gc

    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            _write_what_the_terminal_can(stream)
    gc.disable()  # a run is short and makes few cycles; looking for them costs a twelfth of judging a sheet
    try:
        code = run(list(sys.argv[1:] if arguments is None else arguments))
    except KeyboardInterrupt:  # while modules were still being loaded
        code = _stopped()
    sys.exit(code)


#: what a terminal that knows no Unicode is given instead
PLAIN = {
    "✓": "+", "✗": "x", "…": "...", "⌀": "dia ", "Ø": "dia ", "°": " deg", "≤": "<=", "≥": ">=", "−": "-", "–": "-",
    "·": ".", "±": "+/-", "×": "x", "µ": "u", "σ": "sigma", "√": "sqrt",
}  # fmt: skip


def _write_what_the_terminal_can(stream: Any) -> None:
    """Make a stream write plain words, or escapes that JSON reads too, for characters that its encoding lacks."""
    import codecs

    def plain(error: UnicodeError) -> tuple[str, int]:
        assert isinstance(error, UnicodeEncodeError)
        lost = error.object[error.start : error.end]
        return "".join(PLAIN.get(c, c.encode("unicode_escape").decode("ascii")) for c in lost), error.end

    codecs.register_error("holeqc-plain", plain)
    stream.reconfigure(errors="holeqc-plain")


def run(arguments: list[str]) -> int:
    """Run one command line and return its exit code."""
    if not arguments or arguments[0] in {"--help", "-h", "help"}:
        print(top_help(), file=sys.stdout if arguments else sys.stderr)
        return 0 if arguments else 2
    if arguments[0] in {"--version", "-V"}:
        print(f"holeqc {__version__}")
        return 0
    name, rest = arguments[0], arguments[1:]
    if name not in COMMANDS:
        return _usage(f"there is no command {name!r}{_nearest(name, COMMANDS)}. holeqc --help lists them")
    return _guarded(lambda: _run_command(name, rest))


#: what shells give for a program that Ctrl-C has ended: 128 + SIGINT (POSIX, exit status of a signalled command)
STOPPED = 130


def _stopped() -> int:
    """Say on standard error that the run was stopped and return its exit code."""
    print("holeqc: stopped; nothing was half-written", file=sys.stderr)
    return STOPPED


def _usage(message: str) -> int:
    print(f"holeqc: {message}", file=sys.stderr)
    return 2


def _nearest(word: str, known: dict[str, object] | dict) -> str:
    from difflib import get_close_matches

    close = get_close_matches(word, list(known), n=1)
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
    """Run the work and map what it raises to an exit code; never 1 or 3, which are verdicts."""
    from holeqc.problems import HoleQCError

    try:
        code = work()
        sys.stdout.flush()  # a reader that is gone must not turn into an exit code of its own
        return _stopped() if code == STOPPED else code  # the option parser turns Ctrl-C into this code, silently
    except SystemExit:  # the option parser's own way out where the reader of a pipe is gone; its code reads "rejected"
        _silence_output()
        return 2
    except HoleQCError as error:
        print(f"holeqc: {error}", file=sys.stderr)
        for sentence in (p.sentence() for p in error.problems if p.sentence() not in str(error)):
            print(f"  - {sentence}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return _stopped()
    except BrokenPipeError:
        _silence_output()
        return 2
    except OSError as error:
        what = error.strerror or str(error) or type(error).__name__
        if error.filename:
            return _usage(f"{error.filename}: {what}")
        _silence_output()
        return _usage(
            f"the output can't be written: {what}. Free some space or send it to another place, then run it again"
        )
    except Exception as error:
        if hasattr(error, "exit_code") and hasattr(error, "show"):  # usage errors of the option parser
            error.show()
            return 2
        if type(error).__name__ == "Abort":
            return _stopped()
        import traceback

        traceback.print_exc()
        return _usage("this is a fault of holeqc, not of your file; no verdict was given")


def _silence_output() -> None:
    """Point standard output at nothing, so that leaving doesn't complain about a reader that is gone."""
    import os

    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


if __name__ == "__main__":
    main()
