"""Made-up fixtures for the tests of wear, and a plain loop over parts as a second route."""

from __future__ import annotations

import numpy as np

NOMINAL = np.array([(x, y) for y in (1.25, 5.75) for x in (1.5, 4.5, 7.5, 10.5)])


def seated(
    rng: np.random.Generator, parts: int, nominal: np.ndarray = NOMINAL, scatter: float = 0.0005, grows: float = 2e-5
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Return deviations (P,H,2) of parts that are shifted, turned and scaled, with scatter; and what was put in."""
    shift = rng.normal(0, 0.003, (parts, 2))
    turn = rng.normal(0, 0.001, parts)
    scale = rng.normal(0, 1, parts) * grows
    centre = nominal.mean(axis=0)
    c, s = np.cos(turn), np.sin(turn)
    matrix = np.array([[c, -s], [s, c]]).transpose(2, 0, 1)
    moved = np.einsum("pij,hj->phi", matrix, nominal - centre) * (1 + scale)[:, None, None] + centre
    off = moved + shift[:, None, :] - nominal + rng.normal(0, 1, (parts, len(nominal), 2)) * scatter
    return off, {"shift": shift, "turn": turn, "scale": scale}


def one_part(nominal: np.ndarray, off: np.ndarray, sigma: float, steps: int = 11) -> tuple[np.ndarray, np.ndarray]:
    """Return (parameters, rest) of one part: least squares, then Huber's and Tukey's weights, hole by hole.

    The plain way, with a real design matrix and the library's least squares; bends as in `holeqc.fixture.separate`.
    """
    x, y = (nominal - nominal.mean(axis=0)).T
    one, none = np.ones(len(x)), np.zeros(len(x))
    design = np.vstack([np.column_stack([one, none, x, -y]), np.column_stack([none, one, y, x])])
    target = off.T.ravel()
    weight = np.ones(len(x))
    for step in range(steps):
        root = np.sqrt(np.tile(weight, 2))
        beta = np.linalg.lstsq(design * root[:, None], target * root, rcond=None)[0]
        rest = (target - design @ beta).reshape(2, -1).T
        length = np.hypot(rest[:, 0], rest[:, 1]) / sigma
        if step < 4:
            weight = np.minimum(1.0, 1.50 / np.maximum(length, 1e-12))
        else:
            weight = np.maximum(1.0 - (length / 5.12) ** 2, 0.0) ** 2 + 1e-9
    return beta, rest
