"""Measure pieces of cut strand and regrind on a tray from a calibrated photo, and judge the batch."""

__version__ = "0.1.0"
