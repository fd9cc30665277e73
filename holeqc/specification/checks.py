"""Everything in a kit file that contradicts itself, all of it in one run."""

from __future__ import annotations

from holeqc.specification.content import Content
from holeqc.specification.model import Specification
from holeqc.specification.values import Collector


def check(specification: Specification, content: Content, collector: Collector) -> None:
    """Collect what is wrong or doubtful in a specification."""
    if not specification.holes:
        collector.error("no-holes", "hole", "the kit has no holes", "nothing", "[[hole]] for each hole",
                        "Write [[hole]] with id, x and y for each hole")  # fmt: skip
