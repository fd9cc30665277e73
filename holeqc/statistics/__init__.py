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
    "clustered_capability_of": ("clustered", "clustered_capability"),
    "gauge_study_of": ("gauge_study", "gauge_study"),
    "answers_study_of": ("gauge_attribute", "attribute_study"),
    "bias_of": ("gauge_accuracy", "bias"),
    "linearity_of": ("gauge_accuracy", "linearity"),
    "check_standard_of": ("gauge_stability", "check_standard"),
    "plug_response_of": ("gauge_response", "fit_response"),
    "plug_curve": ("gauge_response", "plug_curve"),
    "wrong_answers": ("gauge_response", "wrong_answers"),
    "plug_process_risk": ("gauge_response", "process_risk"),
    "uncertainty_lines_of": ("gauge_uncertainty", "from_study"),
    "uncertainty_budget": ("gauge_uncertainty", "combine"),
}

__all__ = sorted(_FACE)


def __getattr__(name: str) -> object:
    if name not in _FACE:
        raise AttributeError(f"holeqc.statistics has no '{name}'")
    module, attribute = _FACE[name]
    return getattr(import_module(f"holeqc.statistics.{module}"), attribute)
