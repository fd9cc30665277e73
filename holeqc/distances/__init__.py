"""Coordinates from distances."""

from holeqc.distances.network import Adjustment, Network, adjust, adjust_network

__all__ = ["Adjustment", "Network", "adjust", "adjust_network"]
