"""Sizing: from what the table must do to cylinder, valve and power unit."""
