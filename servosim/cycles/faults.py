"""The axis, the move and the standing from the moment of a fault on."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from servosim import _sequence as sequence
from servosim._equations import AxisParameters
from servosim._record import record
from servosim._samples import RECORD
from servosim.axis import Axis
from servosim.components.lock import BLOCKING, CHECK, NONE, SPOOL
from servosim.components.supply import FIXED, IDEAL
from servosim.cycles.carry import shifted
from servosim.cycles.holding import hold_profile, shifted_profile
from servosim.errors import Fault, ParameterError
from servosim.program import TIMED, Move, schedule_velocity
from servosim.result import Run, Standing

CASES: dict[str, str] = {
    "hold": "operator's hold",
    "supply_lost": "loss of supply pressure",
    "feedback_lost": "loss of feedback, the reading frozen",
    "valve_stuck": "valve stuck at its opening",
    "valve_dead": "valve dead, its spool at null",
    "emergency_stop": "emergency stop, locked at speed",
}
NEVER = 1e9  # s, a hold that isn't released
_STILL = 1e-9  # 1/s, of what is frozen


@dataclass(frozen=True)
class Failure:
    """How a move goes on after a fault.

    Parameters
    ----------
    axis : Axis
        The axis with what is broken.
    move : Move
        The move, whose time counts from the fault.
    standing : Standing
        Where it goes on.
    """

    axis: Axis
    move: Move
    standing: Standing


def fault_of(case: str, before: Run) -> Failure:
    """Return how a move goes on after a fault.

    Parameters
    ----------
    case : str
        Key of ``CASES``.
    before : Run
        The move up to the fault, with its standing.

    Returns
    -------
    Failure
        Axis, move and standing from the fault on.

    Raises
    ------
    ParameterError
        If a schedule over the distance is still held back by its acceleration.
    """
    axis, t = before.axis, float(before.time[-1])
    assert before.standing is not None  # that was asked for
    standing = shifted(before.standing, t)
    state, memory = standing.state.copy(), standing.memory
    p, i = axis.parameters, axis.parameters.index
    nothing = np.zeros(4)
    move = _without_start(before, t)._replace(
        profile=shifted_profile(before.move.profile, t),
        hold_time=NEVER,
        thrust_t=np.full(4, np.inf),
        thrust_along=nothing,
        thrust_normal=nothing,
    )
    if case == "hold":
        move = _held(before, move)
    elif case == "supply_lost":
        p = _pump_off(p, state, ideal=True)
    elif case == "feedback_lost":
        frozen = p.transducer._replace(rate=_STILL, noise=0.0, e_c=0.0)
        p = p._replace(transducer=frozen)
    elif case == "valve_stuck":
        p = p._replace(valve=p.valve._replace(rate=_STILL))
        state[i.spool_rate] = 0.0
    else:
        p = p._replace(controller=p.controller._replace(u_max=0.0, delay=0.0))
    if case == "emergency_stop":
        p = _pump_off(p, state, ideal=False)
        memory[sequence.PHASE], memory[sequence.T_CLOSE] = sequence.CLOSING, 0.0
    broken = Axis(axis.file, axis.path)
    vars(broken)["parameters"] = p
    return Failure(broken, move, Standing(state, memory))


def _without_start(before: Run, t: float) -> Move:
    """Return the move of a run; a schedule over the distance without the ramp of its start.

    That ramp counts from the beginning of a run and would let the velocity begin anew at zero. An
    infinite acceleration takes it away; at time zero it is no number, which limits nothing either.
    """
    move = before.move
    if move.kind == TIMED:
        return move
    free = move._replace(a=math.inf)
    reading = float(before.record[-1, RECORD.index("measured_position")])
    gain = before.axis.parameters.controller.K_v
    wanted = abs(schedule_velocity(move.target - reading, t, gain, record(free)))
    if move.a * t < wanted:
        what = f"the velocity is still held back by the acceleration at {t:.3f} s"
        raise ParameterError(Fault(key="at", what=what, expected="a later moment"))
    return free


def _held(before: Run, move: Move) -> Move:
    """Return the move whose reference comes to rest by its own deceleration."""
    axis, c = before.axis, before.axis.parameters.controller
    timed = before.move.kind == TIMED
    last = dict(zip(RECORD, before.record[-1].tolist(), strict=True))
    velocity = last["reference_velocity"] if timed else float(before.state("table_velocity")[-1])
    now = (last["reference_position"], velocity, last["reference_acceleration"])
    lag = velocity * (1.0 - c.k_ff) / c.K_v
    profile = hold_profile(axis.file.reference, last["measured_position"], now, timed, lag)
    return move._replace(kind=TIMED, profile=profile, start=profile.start, target=profile.target)


def _pump_off(p: AxisParameters, state: np.ndarray, *, ideal: bool) -> AxisParameters:
    """Return an axis without flow from its pump; an ideal supply falls to the return pressure."""
    if p.supply.kind == IDEAL:
        if ideal:
            state[p.index.supply_pressure] = p.supply.p_T
        return p
    if p.supply.kind == FIXED:
        state[p.index.pump_flow] = 0.0
    return p._replace(supply=p.supply._replace(q_max=0.0))


def modelled(case: str, axis: Axis) -> tuple[str, ...]:
    """Return how a fault is brought into the simulation, and what of it is left out."""
    p = axis.parameters
    if case == "hold":
        said = ["The reference comes to rest by its own deceleration; valve, supply and loop work."]
        if axis.file.reference.kind == "step":
            said = ["A step has no deceleration: the reference jumps to where the table is."]
        elif axis.file.reference.kind not in ("trapezoid", "s_curve"):
            said.append("A schedule over the distance gives way to a ramp in time.")
        if p.lock.kind != NONE or p.lock.brake == 1:
            said.append("Then the lock closes by its own sequence and stays closed.")
    elif case == "supply_lost":
        said = [
            "The pump's flow ceases, of a compensated pump with its time constant. The check valve "
            "behind the pump and the accumulator, if there is one, remain; neither leaks.",
            "Controller and valve go on as if nothing had happened, and the target stays; a lock "
            "that falls shut without pressure, and a burst line, are not modelled.",
        ]
        if p.supply.kind == IDEAL:
            said[0] = (
                "An ideal supply has no pump to stop: its pressure falls to the return pressure at "
                "once, and nothing keeps oil from flowing back into it."
            )
    elif case == "feedback_lost":
        said = [
            "The scale's reading stays as it is at the fault; pressures are read as before.",
            "The reference goes on, and no supervision of the following error is modelled: what "
            "the machine's control adds acts earlier than what is shown here.",
            "Other losses of feedback (a reading of zero, a wrong sign, noise) are not modelled.",
        ]
    elif case == "valve_stuck":
        said = [
            "The spool stays where it is at the fault, whatever its command; the supply works.",
            "No supervision is modelled: no lock closes unless the reading rests in its window.",
        ]
    else:
        said = [
            "The command is zero at once and for good: the spool goes with its own dynamics to "
            "where its null bias and shifts leave it. A spring that brings it elsewhere is not "
            "modelled.",
        ]
        if case == "emergency_stop":
            said.append(_closing(axis))
            off = "The pump is switched off"
            if p.supply.kind == IDEAL:
                off = "The ideal supply keeps its pressure"
            said.append(f"{off}; an accumulator is not emptied.")
    said.append("Pressure waves, bursting hoses and broken parts are not modelled.")
    return tuple(said)


def _closing(axis: Axis) -> str:
    lock = axis.parameters.lock
    parts = []
    if lock.kind == SPOOL:
        parts.append("the overlap of the valve's spool locks")
    elif lock.kind == CHECK and lock.opposite == 1:
        parts.append("the checks close when the opposite line lets them")
    elif lock.kind in (BLOCKING, CHECK):
        whole = max(lock.delay_A, lock.delay_B) + lock.t_close
        parts.append(f"the lock is told to close at once and is shut {whole * 1e3:.0f} ms later")
    if lock.brake == 1:
        parts.append(f"the brake engages after {lock.t_brake_close * 1e3:.0f} ms")
    text = "; ".join(parts) + "."
    return text[:1].upper() + text[1:]
