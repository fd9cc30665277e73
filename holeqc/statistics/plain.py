"""Results as plain content for JSON: no arrays, no numpy numbers, None for what is not a number."""

from __future__ import annotations

import math
from typing import Any

import numpy as np


def plain(value: Any) -> Any:
    """Return ``value`` with dicts, lists, text, Python numbers and None only; NaN and infinity become None."""
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
