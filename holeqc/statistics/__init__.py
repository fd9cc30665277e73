"""Statistics of the shop: capability, control charts, gauge studies. Plain arrays in, results out; no drawing known.

Names are loaded when first used, so that importing the package costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module

#: public name -> (module, name in it)
_FACE = {
    "Limits": ("indices", "Limits"),
    "CapabilityChoices": ("capability", "Choices"),
    "capability_of": ("capability", "capability"),
    "position_capability_of": ("position_capability", "position_capability"),
    "ChartOptions": ("chart_parts", "ChartOptions"),
    "FrozenLimits": ("chart_parts", "Frozen"),
    "chart_of": ("charts", "chart"),
    "position_chart_of": ("charts_position", "position_chart"),
    "share_chart_of": ("charts_counts", "p_chart"),
    "count_chart_of": ("charts_counts", "c_chart"),
    "tolerance_interval_of": ("tolerance_intervals", "tolerance_interval"),
    "straight_line": ("regression", "straight_line"),
}

__all__ = sorted(_FACE)


def __getattr__(name: str) -> object:
    if name not in _FACE:
        raise AttributeError(f"holeqc.statistics has no '{name}'")
    module, attribute = _FACE[name]
    return getattr(import_module(f"holeqc.statistics.{module}"), attribute)
