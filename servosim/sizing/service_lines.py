"""Lines from lock to valve: bore, oil, walls and hoses.

Sources. Geometry; walls as thick tubes.
"""

from __future__ import annotations

import numpy as np

from servosim.sizing.bodies import Bodies
from servosim.sizing.body_forms import POISSON, tube_modulus
from servosim.sizing.calculation import Calculation, formula
from servosim.sizing.combinations import Array
from servosim.sizing.duty import Duty
from servosim.sizing.lines import bore_for, least_bore
from servosim.sizing.requirement import RequirementFile

_PASSAGES = 1e-6  # oil of a block without lines, m3


@formula(
    "V_l",
    "oil of the line from lock to valve",
    "maximum(pi/4*d**2*l, V_0)",
    "m3",
    "geometry; at least the passages of a block (own choice)",
    d=("bore of the line", "m"),
    l=("length of pipe and hose", "m"),
    V_0=("oil of the passages", "m3"),
)
def line_volume_of(d: Array, l: Array, V_0: Array) -> Array:  # noqa: E741
    """Return the oil of a line [m3]."""
    return np.maximum(np.pi / 4.0 * d**2 * l, V_0)


@formula(
    "q_l",
    "greatest flow of a side",
    "A*v",
    "m3/s",
    "continuity",
    A=("larger area", "m2"),
    v=("highest velocity", "m/s"),
)
def service_flow(A: Array, v: Array) -> Array:
    """Return the greatest flow in the lines to the valve [m3/s]."""
    return A * v


def service_lines(
    requirement: RequirementFile, duty: Duty, bodies: Bodies, calc: Calculation
) -> dict[str, Array]:
    """Return bore and oil of the lines from lock to valve, and the walls of all that is locked.

    Parameters
    ----------
    requirement : RequirementFile
        Lines at hand, or an existing cylinder with its own.
    duty : Duty
        Highest velocities.
    bodies : Bodies
        Areas.
    calc : Calculation
        Keeps the steps.

    Returns
    -------
    dict of str to ndarray
        ``service_bore``, ``line_volume_a`` and ``_b``, ``hose_volume_a`` and ``_b``,
        ``hose_modulus``, ``wall_modulus``, as in ``actuators.Actuators``.
    """
    lines, kept, n = requirement.lines, requirement.cylinder, len(bodies.area_a)
    with calc.section("Actuator: lines to the valve"):
        flow = calc.of(
            service_flow,
            A=np.maximum(bodies.area_a, bodies.area_b),
            v=max(duty.peak_out, duty.peak_in),
        )
        calc.of(least_bore, flow=flow, velocity=lines.pressure_velocity)
        bore = bore_for(flow, lines.pressure_velocity, lines.bores)
        calc.given(
            "d_l",
            "bore of the lines to the valve",
            bore,
            "m",
            "smallest of the series that keeps the velocity of pressure lines",
        )
        if kept is not None:
            hoses = kept.hose == "flexible"
            return {
                "service_bore": bore,
                "line_volume_a": np.full(n, kept.line_volume_a),
                "line_volume_b": np.full(n, kept.line_volume_b),
                "hose_volume_a": np.full(n, kept.hose_volume_a if hoses else 0.0),
                "hose_volume_b": np.full(n, kept.hose_volume_b if hoses else 0.0),
                "hose_modulus": np.full(n, kept.hose_modulus if hoses else lines.hose_modulus),
                "wall_modulus": bodies.tube_modulus,
            }
        length = lines.service_length + lines.hose_length
        volume = calc.of(line_volume_of, d=bore, l=length, V_0=_PASSAGES)
        hose = calc.of(line_volume_of, "hose", d=bore, l=lines.hose_length, V_0=0.0)
        pipe = calc.of(tube_modulus, "pipe", E=lines.elasticity, s=lines.wall / bore, nu=POISSON)
        wall = calc.given(
            "K_w",
            "modulus of the walls, the softer of tube and pipe",
            np.minimum(bodies.tube_modulus, pipe),
            "Pa",
            "safe side",
        )
    return {
        "service_bore": bore,
        "line_volume_a": volume,
        "line_volume_b": volume,
        "hose_volume_a": hose,
        "hose_volume_b": hose,
        "hose_modulus": np.full(n, lines.hose_modulus),
        "wall_modulus": wall,
    }  # fmt: skip
