"""Strips: equal widths on the snow across an outline, and the stretch of lane that each one needs."""
