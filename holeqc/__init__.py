"""Shop-floor quality of drilled holes: readings against the drawing, verdicts, tags, capability and wear."""

from __future__ import annotations

__version__ = "0.1.0"
