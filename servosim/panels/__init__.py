"""Panels that the figures are made of, and how they are drawn."""
