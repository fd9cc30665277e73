"""Statistics of the shop: capability, control charts, gauge studies. Plain arrays in, results out; no drawing known."""
