"""The table of commands, and the groups of the option parser that load a command's module only when it is asked for."""

from __future__ import annotations

import importlib
import os
from collections.abc import Iterator, MutableMapping
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from holeqc import __version__, printing

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from holeqc.answers import Answer, Answers
    from holeqc.ledger.persons import Signer

Entry = tuple[str, str, str]
SETTINGS = {"help_option_names": ["-h", "--help"], "max_content_width": 100}

#: command -> (module, function, one line of help); a group maps to a table of the same kind
COMMANDS: dict[str, Entry | dict[str, Entry]] = {
    "check": ("check", "check", "judge filled sheets: accept, hold or reject, why, what to do; reports and tags"),
    "sheet": ("sheet", "sheet", "write a blank reading sheet, or a gauge study sheet, ready to print and fill"),
    "log": ("bench", "log", "log readings at the bench one by one: judged at once, kept at once, a filled sheet"),
    "watch": ("bench", "watch", "judge each filled sheet the moment it is saved into a folder"),
    "demo": ("bench", "demo", "copy sample kits and sheets into a new folder, to try things with"),
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
    "capability": ("statistics", "capability", "capability of a column of numbers, or of a kit's holes"),
    "chart": ("statistics", "chart", "control chart of a column of numbers, or of a kit's holes"),
    "gauge-study": ("statistics", "gauge_study", "can the gauge see the tolerance: repeatability, agreement, budget"),
    "wear": ("statistics", "wear", "is the fixture worn: seating, bushings, trend, parts until change"),
    "plan": ("sampling", "plan", "which readings of the next part are enough, with a known risk"),
    "first-parts": ("sampling", "first_parts", "how many first parts prove a fixture, and what has been proven so far"),
    "lot": {
        "plan": ("sampling", "lot_plan", "how many of a lot to read, what such a plan lets through"),
        "draw": ("sampling", "lot_draw", "draw a lot's sample at random, on record before it is read"),
        "judge": ("sampling", "lot_judge", "is a drawn lot accepted by the readings since"),
    },
    "explain": ("explain", "explain", "explain a topic: sheets, judging, record, kit, statistics, json, ..."),
    "part": ("record", "part", "the whole recorded story of a serial number"),
    "serial": ("record", "serial", "answer whether two serial numbers spelled nearly alike are one part"),
    "parts": ("record", "parts", "recorded parts with verdict, open tags, approval"),
    "waiting": ("record", "waiting", "what waits: open tags, parts to approve or in question, open lots, gauges, kits"),
    "tags": ("record", "tags", "recorded tags and where they stand"),
    "disposition": ("record", "disposition", "record what becomes of a tag: rework, repair, use-as-is, scrap, return"),
    "reworked": ("record", "reworked", "record that a rework was done"),
    "approve": ("record", "approve", "approve a recorded part, or list what stands in the way"),
    "question": ("record", "question", "what puts an approved part in question, and closing it with a reason"),
    "withdraw": ("record", "withdraw", "withdraw an approval, with a reason"),
    "packet": ("record", "packet", "packet of an approved part: report, list, certificate, manifest; verify one"),
    "person": {
        "add": ("record", "add", "declare a person; then nobody else writes to the ledger"),
        "remove": ("record", "remove", "take a person off the list"),
        "list": ("record", "list_", "list the declared persons"),
        "key": ("record", "key", "make a person's key for signatures"),
    },
    "gauge": {
        "calibrated": ("gauge", "calibrated", "log a gauge's calibration"),
        "log": ("gauge", "gauge_log", "list the calibrations that were logged"),
        "suspect": ("gauge", "gauge_suspect", "what rests on a gauge, and what its error would change"),
    },
    "fixture": {
        "event": ("gauge", "fixture_event", "log what happened to a fixture"),
        "log": ("gauge", "fixture_log", "list the events that were logged"),
        "suspect": ("gauge", "fixture_suspect", "what was drilled since a fixture's last good check"),
    },
    "ledger": {
        "verify": ("ledger", "verify", "recompute the chain of entries and name the first that doesn't hold"),
        "seal": ("ledger", "seal", "number and digest of the newest entry, to keep elsewhere"),
        "clock": ("ledger", "clock", "say why the clock was set back, so that entries go on"),
        "roles": ("ledger", "roles", "SQL for a PostgreSQL role that may only read and add"),
        "info": ("ledger", "info", "where the ledger is and what it holds"),
        "copy": ("ledger", "copy", "copy a ledger to another place, verified by counts and digests"),
        "export": ("ledger", "export", "write recorded readings to CSV, Excel or Parquet"),
    },
}
GROUP_HELP = {
    "person": "who may write to the record, and their keys",
    "ledger": "the record itself: verify, seal, clock, roles, info, copy, export",
    "kit": "what the drawing asks: start, show, keys, release",
    "lot": "lots judged by a sample: plan, draw, judge",
    "fit": "fit arithmetic: classes, clearance, drills, plugs",
    "gauge": "gauges on record: calibrations, and what a suspect one touches",
    "fixture": "fixtures on record: events, and what a suspect one touches",
}

CAUTION = (
    "Caution: wear eye protection, clamp the work, keep hands from chips. A verdict supports and never replaces\n"
    "the drawing, the approved data and the person licensed to sign; local codes prevail."
)


LEDGER_HELP = "Ledger: a file or postgresql://USER@HOST/DATABASE; else HOLEQC_LEDGER, else ./holeqc-ledger.sqlite3."
KEY_HELP = "File of your key, where the kit asks for signatures; the passphrase is asked for, or HOLEQC_PASSPHRASE."


def signer_of(key: Path | None) -> Signer | None:
    """Return a person's key, unlocked by the passphrase of the environment or one that is typed; None for no file."""
    if key is None:
        return None
    from holeqc.ledger.persons import PASSPHRASE, load_key

    return load_key(key, passphrase(PASSPHRASE, f"Passphrase of {key}"))


def passphrase(variable: str, words: str = "Passphrase of the new key") -> str:
    """Return the passphrase of a key: that of a variable of the environment, else typed without being shown."""
    printing.progress("")
    return os.environ.get(variable, "") or str(typer.prompt(words, hide_input=True, err=True))


def show(answer: Answer | Answers, as_json: bool, plot: Path | None = None, word: str = "picture") -> None:
    """Print an answer, after writing its pictures."""
    save_pictures(answer, plot, word)
    if as_json:
        printing.write_json(answer.data)
    else:
        printing.write(answer.text)


def save_pictures(answer: Answer | Answers, plot: Path | None, word: str = "picture") -> None:
    """Write the picture of an answer where one is asked for: of several groups one file each, named after it."""
    if plot is None:
        return
    from holeqc.answers import Answer
    from holeqc.reports.scale_plots import save_figure

    every = (answer,) if isinstance(answer, Answer) else answer.groups
    drawn = [(one.group, one.figure) for one in every if one.figure is not None]
    for group, figure in drawn:
        path = plot if len(drawn) == 1 else plot.with_name(f"{plot.stem}-{_slug(group)}{plot.suffix}")
        save_figure(figure(), path)
        printing.warn(f"{word}: {path}")


def _slug(text: str) -> str:
    # a hole may be called anything; only letters and digits go into the name of a file
    return "-".join("".join(c if c.isalnum() else " " for c in text).split())


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
            lines += [f"    {name} {sub:<10} {line}" for sub, (_, _, line) in entry.items()]
        else:
            lines.append(f"  {name:<12} {entry[2]}")
    lines += [
        "",
        "  holeqc --install-completion   lets the shell complete commands and options",
        "  holeqc kit show tolerances/bl7.toml",
        "  holeqc check tolerances/bl7.toml filled.xlsx --out report",
        "",
        "Exit codes: 0 accepted, 1 rejected, 3 held, 2 unusable input or usage, 130 stopped,",
        "4 recorded, but the answer couldn't be written.",
        CAUTION,
    ]
    return "\n".join(lines)


class Commands(MutableMapping[str, Any]):
    """Commands of a group by name; each is loaded when it is looked up."""

    def __init__(self, table: Mapping[str, Entry | dict[str, Entry]]) -> None:
        self.table = table
        self.loaded: dict[str, Any] = {}

    def __getitem__(self, name: str) -> Any:
        if name not in self.loaded:
            self.loaded[name] = _command(name, self.table[name])
        return self.loaded[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self.table)

    def __len__(self) -> int:
        return len(self.table)

    def __setitem__(self, name: str, command: Any) -> None:
        self.loaded[name] = command

    def __delitem__(self, name: str) -> None:
        del self.loaded[name]


def _command(name: str, entry: Entry | dict[str, Entry]) -> Any:
    """Return a command, or a group of commands, for the option parser."""
    if isinstance(entry, dict):
        group = Group(name=name, help=GROUP_HELP[name], rich_markup_mode=None, context_settings=SETTINGS)
        group.commands = Commands(entry)
        return group
    module, function, line = entry
    app = typer.Typer(add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)
    found = getattr(importlib.import_module(f"holeqc.commands.{module}"), function)
    app.command(name, short_help=line, context_settings=SETTINGS)(found)
    command: Any = typer.main.get_command(app)
    command.context_class = Asked
    return command


_Formatter: Any = typer.Context.formatter_class
_Context: Any = TyperGroup.context_class


class Help(_Formatter):
    """Help that is no wider than the terminal; options stand over their words where it is narrow."""

    def __init__(self, *how: Any, **more: Any) -> None:
        super().__init__(*how, **more)
        self.width: int = min(self.width, printing.width() - 1)

    def write_dl(self, rows: Any, col_max: int = 30, col_spacing: int = 2) -> None:
        """Write a list of terms with their words."""
        super().write_dl(rows, min(col_max, self.width // 4) if self.width < 60 else col_max, col_spacing)


class Asked(_Context):
    """What the option parser knows of one command line; where it is carried out, a terminal shows that it begins."""

    formatter_class = Help

    def invoke(self, *words: Any, **more: Any) -> Any:
        """Carry out a command. The first run on a machine takes seconds before it can show anything else."""
        if not isinstance(self.command, TyperGroup):
            printing.progress("starting")
        for name, value in more.items():  # squares of squares must neither overflow nor vanish
            if isinstance(value, float) and (0 < abs(value) < 1e-30 or 1e30 < abs(value) < float("inf")):
                raise typer.BadParameter(f"{value:g} isn't between 1e-30 and 1e30", param_hint=f"--{name}")
        return super().invoke(*words, **more)


class Group(TyperGroup):
    """A group that lists its commands without loading them."""

    context_class = Asked

    def list_commands(self, ctx: typer.Context) -> list[str]:  # type: ignore[override]
        return list(self.commands)


class Root(Group):
    """The tool itself."""

    def resolve_command(self, ctx: typer.Context, args: list[str]) -> Any:  # type: ignore[override]
        if args[0] not in self.commands and not ctx.resilient_parsing:
            from holeqc.door import near_names
            from holeqc.problems import HoleQCError

            close = near_names(args[0], list(self.commands))
            near = f" (nearest: {close[0]!r})" if close else ""
            raise HoleQCError(f"there is no command {printing.shortened(args[0])!r}{near}. holeqc --help lists them")
        return super().resolve_command(ctx, args)


def _help(context: typer.Context, asked: bool) -> None:
    if asked and not context.resilient_parsing:
        printing.write(top_help() + "\n")
        raise typer.Exit


def _version(context: typer.Context, asked: bool) -> None:
    if asked and not context.resilient_parsing:
        printing.say(f"holeqc {__version__}")
        raise typer.Exit


def _root(
    context: typer.Context,
    help_: Annotated[
        bool, typer.Option("--help", "-h", is_eager=True, callback=_help, help="Show this message and exit.")
    ] = False,
    version: Annotated[
        bool, typer.Option("--version", "-V", is_eager=True, callback=_version, help="Show the version and exit.")
    ] = False,
) -> None:
    if context.invoked_subcommand is None:
        printing.write(top_help() + "\n", aside=True)
        raise typer.Exit(2)


def tool() -> Any:
    """Return the whole tool for the option parser; no command is loaded yet."""
    app = typer.Typer(cls=Root, pretty_exceptions_enable=False, rich_markup_mode=None)
    app.callback(invoke_without_command=True, add_help_option=False, context_settings=SETTINGS)(_root)
    group: Any = typer.main.get_command(app)
    group.commands = Commands(COMMANDS)
    return group
