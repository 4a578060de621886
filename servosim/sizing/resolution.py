"""What the valve is at null: smallest step of the table, resting error, lag of the spool.

Physics. A position loop at rest asks for a command ``K_v e/g`` at an error e. Below the threshold
the spool does not move, and after a reversal not within half the loop of hysteresis; the pressure
that starts the table moving against static friction takes a command too, by the pressure gain. The
velocity g at full command grows with the valve, so that too big a valve cannot place the table.

Sources. *Merritt* is H. E. Merritt, *Hydraulic Control Systems*, Wiley 1967, ch. 5 and 6 (from
memory); *Wang* is Wang Chunxing, *Hydraulic Control Systems*, China Machine Press, problems of ch.
4 and 6; *Esposito* is A. Esposito, *Fluid Power with Applications*, ex. 17-1.
"""

from __future__ import annotations

import numpy as np

from servosim.sizing.calculation import formula
from servosim.sizing.combinations import Array


@formula(
    "F_s",
    "static friction of ways and seals",
    "mu_s*(mass*gravity*cosine + preload) + breakaway",
    "N",
    "definition of the friction coefficient",
    mu_s=("static friction coefficient of the ways", "1"),
    mass=("heaviest table with workpiece", "kg"),
    gravity=("acceleration of gravity", "m/s2"),
    cosine=("cosine of the inclination", "1"),
    preload=("load on the ways beside the weight", "N"),
    breakaway=("static friction of the seals", "N"),
)
def static_friction(
    mu_s: Array, mass: Array, gravity: Array, cosine: Array, preload: Array, breakaway: Array
) -> Array:
    """Return the static friction of ways and seals [N]."""
    return mu_s * (mass * gravity * cosine + preload) + breakaway


@formula(
    "u_F",
    "command that overcomes static friction",
    "2*friction/(pressure_gain*(A_A + A_B))",
    "1",
    "definition of the pressure gain (Merritt, ch. 5, from memory)",
    friction=("static friction", "N"),
    pressure_gain=("load pressure over command at null", "Pa"),
    A_A=("piston area A", "m2"),
    A_B=("piston area B", "m2"),
)
def friction_command(friction: Array, pressure_gain: Array, A_A: Array, A_B: Array) -> Array:
    """Return the command whose change of pressures carries a force [-]."""
    return 2.0 * friction / (pressure_gain * (A_A + A_B))


@formula(
    "u_1",
    "smallest useful command",
    "maximum(threshold, hysteresis/2) + friction",
    "1",
    "own sum: threshold going on, half the loop after a reversal, and friction",
    threshold=("threshold", "1"),
    hysteresis=("hysteresis, full loop", "1"),
    friction=("command that overcomes static friction", "1"),
)
def smallest_command(threshold: Array, hysteresis: Array, friction: Array) -> Array:
    """Return the smallest change of command that moves the table [-]."""
    return np.maximum(threshold, hysteresis / 2.0) + friction


@formula(
    "u_0",
    "command that may be left at rest",
    "hysteresis/2 + maximum(overlap, 0)*maximum(1 - compensation, 0) + friction",
    "1",
    "own sum: half the loop, dead band that is not compensated, friction",
    hysteresis=("hysteresis, full loop", "1"),
    overlap=("overlap over the stroke", "1"),
    compensation=("share of the overlap that the controller jumps", "1"),
    friction=("command that overcomes static friction", "1"),
)
def resting_command(
    hysteresis: Array, overlap: Array, compensation: Array, friction: Array
) -> Array:
    """Return the command at which the table may be left standing [-]."""
    dead = np.maximum(overlap, 0.0) * np.maximum(1.0 - compensation, 0.0)
    return hysteresis / 2.0 + dead + friction


@formula(
    "g_0",
    "velocity over command near null",
    "where(overlap < 0, 2, 1)*velocity/(1 - overlap)",
    "m/s",
    "slope of linear lands; twice of it where both lands of a side are open (Merritt, ch. 5)",
    velocity=("velocity at full command, the faster direction", "m/s"),
    overlap=("overlap over the stroke", "1"),
)
def null_velocity_gain(velocity: Array, overlap: Array) -> Array:
    """Return the slope of velocity over command near null [m/s]."""
    slope: Array = np.where(np.asarray(overlap) < 0.0, 2.0, 1.0) * velocity / (1.0 - overlap)
    return slope


@formula(
    "c_v",
    "share of the stability limit that the spool's lag leaves",
    "X*((1 - X)*2*zeta_v/r + 2*zeta*(1 - X/r**2))/(2*zeta)",
    "1",
    "crossing of -180 degrees of integrator, axis and spool, both of second order; exact",
    X=("square of crossing over natural frequency", "1"),
    zeta=("damping ratio of the axis", "1"),
    zeta_v=("damping ratio of the spool", "1"),
    r=("spool's over axis' frequency", "1"),
)
def limit_share(X: Array, zeta: Array, zeta_v: Array, r: Array) -> Array:
    """Return the stability limit with the spool's lag over that without, 2 zeta omega_h [-]."""
    return X * ((1.0 - X) * 2.0 * zeta_v / r + 2.0 * zeta * (1.0 - X / r**2)) / (2.0 * zeta)


@formula(
    "X",
    "square of crossing over natural frequency",
    "2/(b + sqrt(b**2 - 4/r**2))",
    "1",
    "smaller root of X^2/r^2 - b X + 1 = 0, where the phase is -180 degrees; exact",
    b=("1 + 1/r^2 + 4 zeta zeta_v/r", "1"),
    r=("spool's over axis' frequency", "1"),
)
def crossing(b: Array, r: Array) -> Array:
    """Return the square of the frequency at -180 degrees over the axis' own [-]."""
    return 2.0 / (b + np.sqrt(b**2 - 4.0 / r**2))


@formula(
    "b",
    "coefficient of the crossing",
    "1 + 1/r**2 + 4*zeta*zeta_v/r",
    "1",
    "real part of the product of both second orders; exact",
    zeta=("damping ratio of the axis", "1"),
    zeta_v=("damping ratio of the spool", "1"),
    r=("spool's over axis' frequency", "1"),
)
def crossing_coefficient(zeta: Array, zeta_v: Array, r: Array) -> Array:
    """Return the middle coefficient of the crossing's quadratic equation [-]."""
    return 1.0 + 1.0 / r**2 + 4.0 * zeta * zeta_v / r


@formula(
    "R_v",
    "part of the spool's response that is in phase, at the axis' natural frequency",
    "(1 - 1/r**2)/((1 - 1/r**2)**2 + (2*zeta_v/r)**2)",
    "1",
    "real part of a second order; exact",
    zeta_v=("damping ratio of the spool", "1"),
    r=("spool's over axis' frequency", "1"),
)
def response_in_phase(zeta_v: Array, r: Array) -> Array:
    """Return the real part of the spool's frequency response at the axis' frequency [-]."""
    left = 1.0 - 1.0 / r**2
    return left / (left**2 + (2.0 * zeta_v / r) ** 2)


@formula(
    "zeta_c",
    "damping ratio to count on",
    "maximum(zeta, feedback/3*minimum(response, 1))",
    "1",
    "own choice: feedback of acceleration or load pressure makes it 1/3, with which the gain at a "
    "margin of 6 dB is omega_h/3 (Esposito, ex. 17-1), as far as the spool follows in phase",
    zeta=("damping ratio of the axis alone", "1"),
    feedback=("1 with stabilising feedback, else 0", "1"),
    response=("part of the spool's response that is in phase", "1"),
)
def counted_damping(zeta: Array, feedback: Array, response: Array) -> Array:
    """Return the damping ratio to count on, with or without stabilising feedback [-]."""
    return np.maximum(zeta, feedback / 3.0 * np.minimum(response, 1.0))


@formula(
    "K_v",
    "loop gain to count on",
    "maximum(2*zeta*omega*share/gain_margin, needed)",
    "1/s",
    "limit 2 zeta omega_h over the gain margin (Wang, ch. 4 problem 1), but what the cycle needs "
    "at least",
    zeta=("damping ratio of the axis", "1"),
    omega=("lowest natural frequency of the axis", "rad/s"),
    share=("share of the stability limit that the spool leaves", "1"),
    gain_margin=("gain margin as a ratio", "1"),
    needed=("velocity gain that the settling time needs", "1/s"),
)
def loop_gain(zeta: Array, omega: Array, share: Array, gain_margin: Array, needed: Array) -> Array:
    """Return the velocity gain of the loop to count on before it is tuned [1/s]."""
    return np.maximum(2.0 * zeta * omega * share / gain_margin, needed)


@formula(
    "e",
    "position error that asks for this command",
    "command*velocity_gain/K_v",
    "m",
    "position loop at rest; Esposito, ex. 17-1 (repeatable error)",
    command=("command", "1"),
    velocity_gain=("velocity over command near null", "m/s"),
    K_v=("loop gain", "1/s"),
)
def error_of(command: Array, velocity_gain: Array, K_v: Array) -> Array:
    """Return the error at which the loop asks for a command [m]."""
    return command * velocity_gain / K_v


@formula(
    "n_w",
    "window over smallest step",
    "2*half_width/step",
    "1",
    "definition: the whole window, from minus to plus half its width",
    half_width=("half the width of the window", "m"),
    step=("smallest step of the table", "m"),
)
def steps_in_window(half_width: Array, step: Array) -> Array:
    """Return how many smallest steps the window holds [-]."""
    return 2.0 * half_width / step


@formula(
    "omega_1",
    "frequency to which the stroke time lets the spool follow",
    "1/(amplitude*stroke_time)",
    "rad/s",
    "largest rate of a sine; definition",
    amplitude=("amplitude over the rated stroke: opening at rapid velocity", "1"),
    stroke_time=("time from closed to full stroke", "s"),
)
def large_signal_frequency(amplitude: Array, stroke_time: Array) -> Array:
    """Return the highest frequency of an amplitude that the spool's speed admits [rad/s]."""
    return 1.0 / (amplitude * stroke_time)


@formula(
    "t_x",
    "time in which the spool opens for rapid velocity",
    "command*stroke_time",
    "s",
    "definition of the stroke time",
    command=("command at rapid velocity", "1"),
    stroke_time=("time from closed to full stroke", "s"),
)
def opening_time(command: Array, stroke_time: Array) -> Array:
    """Return the time in which the spool reaches an opening at its highest speed [s]."""
    return command * stroke_time


@formula(
    "v_port",
    "velocity in the valve's port",
    "4*flow/(pi*diameter**2)",
    "m/s",
    "continuity; 30 m/s as a limit: Sizing of electro-hydraulic drive systems, training notes v3.6",
    flow=("greatest flow of the cycle", "m3/s"),
    diameter=("diameter of the port", "m"),
)
def port_velocity(flow: Array, diameter: Array) -> Array:
    """Return the mean velocity in a port [m/s]."""
    return 4.0 * flow / (np.pi * diameter**2)


@formula(
    "q_0",
    "null leakage at this supply pressure, with the pilot's",
    "lands + pilot",
    "m3/s",
    "land equation of the simulation at the rated leakage; pilot as an orifice",
    lands=("leakage of the lands, warmest oil", "m3/s"),
    pilot=("flow of the pilot stage", "m3/s"),
)
def null_leakage_of(lands: Array, pilot: Array) -> Array:
    """Return the whole null leakage [m3/s]."""
    return lands + pilot


@formula(
    "q_m",
    "mean flow that the motion draws",
    "(A_A*travel_out + A_B*travel_in)/cycle_time",
    "m3/s",
    "continuity",
    A_A=("piston area A", "m2"),
    travel_out=("travel in extension in a cycle", "m"),
    A_B=("piston area B", "m2"),
    travel_in=("travel in retraction in a cycle", "m"),
    cycle_time=("time of a cycle", "s"),
)
def mean_motion_flow(
    A_A: Array, travel_out: Array, A_B: Array, travel_in: Array, cycle_time: Array
) -> Array:
    """Return the mean flow of the cycle's motion [m3/s]."""
    return (A_A * travel_out + A_B * travel_in) / cycle_time
