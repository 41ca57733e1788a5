"""Measure the trimmed edge, the cut-outs and the decal of thermoformed shells from fixture-mounted cameras."""

__version__ = "0.1.0"
