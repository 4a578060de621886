"""Studies: one axis, thousands of cases, and what they say about gains, valves and tolerances.

A study varies values of a parameter file over grids, lists and distributions. :mod:`plan` holds the
cases as arrays, :mod:`design` makes a plan from what a caller wants varied, :mod:`files` reads one
from a study file.
"""
