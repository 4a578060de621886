"""The linear view of an axis: plants, loops, margins and what is left of them in the nonlinear.

Every linear number is a derivative of the equations that the simulation integrates. Most of the
modules take many operating points at once and work on arrays with the points first.
"""
