"""Delay accuracy and calibration (4.2.9)."""
