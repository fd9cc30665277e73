"""The mixed-integer solver, kept from writing on standard output.

The solver below scipy prints a line of its own in rare cases, past Python, whatever its options say. Standard output
carries results that programs read, so what is printed while it runs goes to standard error.
"""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any


def mixed_program(goal: Any, **options: Any) -> Any:
    """Call :func:`scipy.optimize.milp` with its chatter on standard error."""
    from scipy.optimize import milp

    with _output_to_error():
        return milp(goal, **options)


@contextmanager
def _output_to_error() -> Iterator[None]:
    try:
        sys.stdout.flush()
        kept = os.dup(1)
    except (OSError, ValueError, AttributeError):  # no standard output to keep clean
        yield
        return
    try:
        with suppress(OSError):
            os.dup2(2, 1)
        yield
    finally:
        _flush_below()
        os.dup2(kept, 1)
        os.close(kept)


def _flush_below() -> None:
    """Empty the C library's own buffers, or their lines would come out after standard output is back."""
    with suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).fflush(None)
