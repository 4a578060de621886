"""Positioning accuracy of an axis: a test's deviations, the figures of ISO 230-2, their verdict."""
