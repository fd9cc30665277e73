"""The command line: runs the command that is asked for, and turns what happens into an exit code.

Exit codes: 0 everything accepted (or done), 1 something rejected, 3 something held, 2 unusable input or usage, 4
something was recorded and the answer couldn't be given, 130 stopped with Ctrl-C. An error inside the tool itself, and
an answer that found no reader, is 2 as well, so that nothing but a verdict ever reads as one.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from importlib.machinery import ModuleSpec, PathFinder
from types import ModuleType
from typing import Any

from holeqc import printing

#: what numpy's linear algebra looks at when it is loaded; a user's own setting of any of them stands
THREADS = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS")
#: parts of numpy that scipy.special names while it loads and doesn't use: half of its time
LATER = frozenset(f"numpy.{part}" for part in ("ctypeslib", "f2py", "ma", "polynomial", "random", "testing"))


class _Later:
    """Finds `LATER`, each of which is loaded when something in it is asked for."""

    @staticmethod
    def find_spec(name: str, path: Sequence[str] | None, target: ModuleType | None = None) -> ModuleSpec | None:
        """Return where a module is, None for all that are loaded at once."""
        spec = PathFinder.find_spec(name, path, target) if name in LATER else None
        if spec is not None and spec.loader is not None:
            from importlib.util import LazyLoader

            spec.loader = LazyLoader(spec.loader)
        return spec


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the tool and leave with its exit code."""
    import gc
    import os

    gc.disable()  # a run is short and makes few cycles; looking for them costs a twelfth of judging a sheet
    if not any(name in os.environ for name in THREADS):  # waiting threads spin: twice the time of a fixture's study
        os.environ.update(dict.fromkeys(THREADS, "1"))
    if _Later not in sys.meta_path:
        sys.meta_path.insert(0, _Later)
    try:
        code = run(list(sys.argv[1:] if arguments is None else arguments))
    except KeyboardInterrupt:  # while modules were still being loaded
        code = printing.stopped()
    sys.exit(code)


def run(arguments: list[str]) -> int:
    """Run one command line and return its exit code."""
    printing.begin()
    return _guarded(lambda: _run(["--help", *arguments[1:]] if arguments[:1] == ["help"] else arguments))


def _run(arguments: list[str]) -> int:
    from holeqc.commands import tool

    try:
        code = tool().main(args=arguments, prog_name="holeqc", standalone_mode=False)
    except Exception as error:
        number = _number_below_zero(error, arguments) if arguments[:1] == ["fit"] else ""
        if not number:
            raise
        return _usage(f"{number}: a size must be above zero; type it without a minus sign")
    if code and arguments and arguments[0].startswith("-"):
        return 2  # of the tool's own options, completion where no shell is known gives 1, which reads "rejected"
    return code if isinstance(code, int) else 0


def _usage(message: str) -> int:
    printing.failure(message)
    return 2


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
        code = printing.STOPPED
    except BaseException as error:
        code = _explained(error)
        return printing.outcome(printing.broken_off() or code)
    if code == printing.STOPPED:  # the option parser turns Ctrl-C into this code, silently
        code = printing.broken_off() or printing.stopped()
    return printing.outcome(code)


def _explained(error: BaseException) -> int:
    """Say what went wrong and return its exit code."""
    from holeqc.problems import HoleQCError

    if isinstance(error, SystemExit):  # the parser's way out of completion, and with 1, "rejected", of a reader gone
        return 2 if error.code else 0
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
        return printing.stopped()
    if type(error).__name__ == "JSONDecodeError":  # files come in by the door: this is a text on record
        return _usage("a text on record can't be read back: it was changed or damaged; holeqc ledger verify says where")
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
