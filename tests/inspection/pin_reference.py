"""A second route to the margin of a pin pattern: scipy's SLSQP from several angles, with restarts.

Nothing is published for this question, so an independent solver stands in. It shares no code with the package.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import minimize


def turned(points: np.ndarray, angle: float) -> np.ndarray:
    """Points turned about the origin."""
    cos, sin = np.cos(angle), np.sin(angle)
    return points @ np.array([[cos, sin], [-sin, cos]])


def reached(
    pin: np.ndarray, hole: np.ndarray, clearance: np.ndarray, rotation: float, translation: np.ndarray
) -> float:
    """Margin that one motion reaches, by the definition."""
    away = turned(pin, rotation) + translation - hole
    return float((clearance - np.hypot(away[:, 0], away[:, 1])).min())


def local_margin(pin: np.ndarray, hole: np.ndarray, clearance: np.ndarray, angle: float) -> float:
    """Best margin that SLSQP finds from one angle, both patterns centred."""
    start = turned(pin, angle)
    scale = max(float(np.abs(start - hole).max()), 1e-6)
    radius = max(float(np.abs(pin).max()), 1e-9)
    room = clearance / scale

    def parts(v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        moved = turned(start, v[0] * scale / radius)
        return moved, moved / scale + v[1:3] - hole / scale

    def slack(v: np.ndarray) -> np.ndarray:
        away = parts(v)[1]
        return room - v[3] - np.hypot(away[:, 0], away[:, 1])

    def slope(v: np.ndarray) -> np.ndarray:
        moved, away = parts(v)
        normal = away / np.maximum(np.hypot(away[:, 0], away[:, 1]), 1e-300)[:, None]
        lever = (normal[:, 1] * moved[:, 0] - normal[:, 0] * moved[:, 1]) / radius
        return np.column_stack([-lever, -normal, -np.ones(len(normal))])

    goal, nudge = np.array([0.0, 0.0, 0.0, -1.0]), np.random.default_rng(0)
    v, best = np.zeros(4), -np.inf
    for _ in range(6):
        v[3] = slack(np.append(v[:3], 0.0)).min()
        found = minimize(
            lambda x: -x[3], v, jac=lambda _: goal, method="SLSQP", options={"ftol": 1e-15, "maxiter": 300},
            constraints={"type": "ineq", "fun": slack, "jac": slope},
        )  # fmt: skip
        value = slack(np.append(found.x[:3], 0.0)).min()
        if value <= best + 1e-13:
            break
        best, v = value, found.x + np.append(nudge.normal(0.0, 1e-6, 3), 0.0)
    return float(best * scale)


def best_margin(pin: np.ndarray, hole: np.ndarray, clearance: np.ndarray, angles: int = 1) -> float:
    """Best margin from ``angles`` starts round the circle, the first at the least-squares angle."""
    pin, hole = pin - pin.mean(axis=0), hole - hole.mean(axis=0)
    first = np.arctan2((pin[:, 0] * hole[:, 1] - pin[:, 1] * hole[:, 0]).sum(), (pin * hole).sum())
    return max(local_margin(pin, hole, clearance, first + 2 * np.pi * k / angles) for k in range(angles))
