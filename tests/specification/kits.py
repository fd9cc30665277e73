"""Small kit files for tests, and the one call that returns the problems of a text."""

from __future__ import annotations

from holeqc.problems import Problem, SpecificationError
from holeqc.specification.load import parse_specification

SMALL = """
[kit]
id = "T"
unit = "in"
[size]
lower = 0.455
upper = 0.462
"""
TWO = '[[hole]]\nid = "1"\nx = 1.5\ny = 1.25\n[[hole]]\nid = "2"\nx = 4.5\ny = 1.25\n'


def problems(text: str) -> tuple[Problem, ...]:
    """Return everything that is said about a kit file, errors and warnings."""
    try:
        return parse_specification(text).warnings
    except SpecificationError as error:
        return tuple(error.problems)


def told(text: str) -> dict[tuple[str, str], Problem]:
    """Return the problems by code and place."""
    return {(p.code, p.where): p for p in problems(text)}
