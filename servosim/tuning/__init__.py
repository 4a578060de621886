"""Tuning of an axis: gains from margins over the envelope, then from moves in its corners.

:mod:`demands` says what must be kept, :mod:`result` what comes out, :mod:`run` holds ``tune``.
"""
