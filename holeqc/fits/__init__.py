"""Fits of pins and holes: published systems, clearance, drills, gauges. Plain numbers in, no drawing."""

from __future__ import annotations

from holeqc.fits.class_limits import ClassLimits, limits_for_class
from holeqc.fits.describe import describe_fit

__all__ = ["ClassLimits", "describe_fit", "limits_for_class"]
