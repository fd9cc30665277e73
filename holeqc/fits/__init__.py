"""Fits of pins and holes: published systems, clearance, drills, gauges. Plain numbers in, no drawing."""

from __future__ import annotations

from holeqc.fits.classes import ClassLimits, describe_fit, limits_for_class

__all__ = ["ClassLimits", "describe_fit", "limits_for_class"]
