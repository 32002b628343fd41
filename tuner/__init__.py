"""Bench calibration of stepper-driven axes: measure, explain, propose; never apply."""

__version__ = "0.1.0"
