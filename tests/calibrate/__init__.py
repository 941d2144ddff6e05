"""Calibration: shops whose truth is known are simulated, and the reports' own arithmetic is held against it."""
