"""Pixels to metres: projection, calibration from the table, drift."""
