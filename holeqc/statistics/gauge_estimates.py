"""From mean squares to variance components: the rule for the interaction, the estimates and their intervals."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from holeqc.statistics import gauge_anova as anova
from holeqc.statistics import gauge_intervals as intervals
from holeqc.statistics.gauge_anova import AnovaRow, Stratum
from holeqc.statistics.gauge_layout import CROSSED, Layout

Pooling = Literal["rule", "pool", "keep"]
Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Estimates:
    """Components by name: not below zero, as they came out, and intervals (variance; percent of all scatter)."""

    variances: dict[str, float]
    raw: dict[str, float]
    spans: dict[str, Span] = field(default_factory=dict)
    scatter_spans: dict[str, Span] = field(default_factory=dict)
    apart_span: Span | None = None


def pool(
    layout: Layout, strata: list[Stratum], table: tuple[AnovaRow, ...], choice: Pooling, above: float
) -> tuple[list[Stratum], bool, str]:
    """Return the mean squares to use, whether the interaction was pooled into repeatability, and the rule in words."""
    row = next((r for r in table if r.source == "interaction"), None)
    if row is None:
        if layout.design != CROSSED:
            return strata, False, "this design has no interaction"
        text = "too few pairs were read to tell an interaction; it is taken as none"
        return anova.pool_interaction(strata), False, text
    if not any(s.source == "repeatability" for s in strata):
        text = "one reading of each part by each appraiser: interaction and repeatability stand together"
        return anova.pool_interaction(strata), True, text
    p = "p not defined" if row.p is None else "p < 0.0001" if row.p < 0.0001 else f"p = {row.p:.4f}"
    if choice == "pool":
        return anova.pool_interaction(strata), True, f"pooled with repeatability, as asked ({p})"
    if choice == "keep":
        return strata, False, f"kept, as asked ({p})"
    if row.p is None:
        return anova.pool_interaction(strata), True, "pooled with repeatability: no scatter, so that it has no p"
    if row.p > above:
        return anova.pool_interaction(strata), True, (
            f"{p} is above {above:g}, so the pooling rule counts the interaction as repeatability")
    return strata, False, f"{p} is at most {above:g}, so the pooling rule keeps the interaction apart"


def from_mean_squares(strata: list[Stratum], confidence: float) -> Estimates:
    """Return the components of the mean squares with their intervals at the two-sided level ``confidence``."""
    weights = anova.components(strata)
    squares = np.array([s.mean_square for s in strata])
    freedoms = np.array([float(s.degrees_of_freedom) for s in strata])
    raw = {name: float(w @ squares) for name, w in weights.items()}
    variances = {name: max(v, 0.0) for name, v in raw.items()}
    if not np.any(squares > 0.0):
        return Estimates(variances, raw)
    sums = dict(weights)
    sums["gauge"] = np.sum([w for n, w in weights.items() if n != "part"], axis=0)
    if "part" in weights:
        sums["total"] = np.sum(list(weights.values()), axis=0)
    spans = {n: intervals.large_sample_interval(w, squares, freedoms, confidence) for n, w in sums.items()}
    if "part" not in weights:
        return Estimates(variances, raw, spans)
    draws = intervals.generalized_draws(weights, squares, freedoms)
    draws["gauge"] = np.sum([d for n, d in draws.items() if n != "part"], axis=0)
    total = draws["gauge"] + draws["part"]
    shares = {n: intervals.quantiles(d / total, confidence) for n, d in draws.items()}
    study = {n: (100.0 * float(np.sqrt(low)), 100.0 * float(np.sqrt(high))) for n, (low, high) in shares.items()}
    low, high = shares["part"]
    categories = None if high >= 1.0 else (_categories_of(low), _categories_of(high))
    return Estimates(variances, raw, spans, study, categories)


def _categories_of(part_share: float) -> float:
    return float(np.sqrt(2.0 * part_share / (1.0 - part_share)))
