"""What a run hands on to the next: state and memory, made ready for a new move or for going on.

All states stay as they are: pressures, spool, friction, supply, gas and tank. Of the memory the
plays of the valve, the states of a sampled controller, the lock's areas and the held reference stay
too. Only the times that the sequence noted count from another begin, or are forgotten.
"""

from __future__ import annotations

import math

from servosim import _sequence as sequence
from servosim.result import Standing

TIMES = (
    sequence.T_INSIDE,
    sequence.T_CLOSE,
    sequence.T_LOCKED,
    sequence.T_OPEN,
    sequence.T_FREE,
    sequence.T_MATCH,
)


def next_move(standing: Standing) -> Standing:
    """Return the standing from which a new move begins: the axis is free and holds its reference.

    Parameters
    ----------
    standing : Standing
        Where a run ended that went through its release, or had no lock to release.

    Returns
    -------
    Standing
        The same state; the sequence stands at its beginning.
    """
    memory = standing.memory.copy()
    memory[list(TIMES)] = math.nan
    memory[sequence.PHASE] = sequence.FREE
    memory[sequence.MATCH] = memory[sequence.BLOCKED] = memory[sequence.TAKEN_OVER] = 0.0
    return Standing(standing.state, memory)


def shifted(standing: Standing, by: float) -> Standing:
    """Return the standing from which the same move goes on with another origin of its time.

    Parameters
    ----------
    standing : Standing
        Where a run ended in the middle of a move.
    by : float
        What is taken from all times [s]: the time at which the run ended, if the next one counts
        from there. The reference's profile has to be planned with the same shift.

    Returns
    -------
    Standing
        The same state; what the sequence has noted counts from the new origin.
    """
    memory = standing.memory.copy()
    memory[list(TIMES)] -= by
    return Standing(standing.state, memory)


def held_reference(standing: Standing) -> float:
    """Return the reference that the axis holds [m], where a new one has to begin."""
    return float(standing.memory[sequence.HELD])
