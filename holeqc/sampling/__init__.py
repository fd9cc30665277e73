"""How many to read: first parts that prove a process, lots judged by a sample. Arrays and numbers in, records out.

    from holeqc import sampling
    sampling.parts_needed(0.95, 0.9)                        # 45 good parts in a row
    sampling.attribute_plan(800, 1.0).n                     # 80, table II-A of MIL-STD-105E
    sampling.acceptability_constant("F", 1.0)               # 1.72, table B-1 of ANSI/ASQ Z1.9

Names are loaded when they are first used. It knows no drawing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from holeqc.sampling.first_parts import parts_needed, proven_share
    from holeqc.sampling.lots import acceptability_constant, attribute_plan, variables_plan, zero_acceptance_plan

__all__ = [
    "acceptability_constant", "attribute_plan", "parts_needed", "proven_share", "variables_plan",
    "zero_acceptance_plan",
]  # fmt: skip

_FIRST_PARTS = {"parts_needed", "proven_share"}


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module 'holeqc.sampling' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"holeqc.sampling.{'first_parts' if name in _FIRST_PARTS else 'lots'}"), name)
