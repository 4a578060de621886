"""The duty cycle: published forces, motion integrated anew, forces by the axis' own equations.

"Esposito" is A. Esposito, *Fluid Power with Applications*. Everything else is derived here in
another way than in the package: profiles of the references sampled densely, the lag of the loop
integrated, friction and counterbalance by the equations of the simulation.
"""

import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import integrate

from servosim.components.load import (
    GRAVITY,
    counterbalance_force,
    load_parameters,
    way_levels,
)
from servosim.errors import ParameterError
from servosim.motion import corners, plan_s_curve, plan_trapezoid, profile_at, square_root_velocity
from servosim.sizing.calculation import Calculation
from servosim.sizing.duty import duty_of
from servosim.sizing.kinematics import run_in_time
from servosim.sizing.loads import held_force_of, way_friction
from servosim.sizing.pattern import pattern_of
from servosim.sizing.requirement import read_requirement

PARAMS = Path(__file__).parent.parent / "params"
TABLE, SLIDE = PARAMS / "tube_sheet_requirement.toml", PARAMS / "vertical_slide_requirement.toml"
POUND, POUND_FORCE = 0.45359237, 4.4482216152605

SMOOTH = {"reference.kind": "s_curve", "reference.jerk": "4 m/s3"}
LINEAR = {"reference.kind": "trapezoid"}


def asked(path=TABLE, **overrides):
    """Return a requirement with some keys changed; a double underscore stands for the dot."""
    changes = {key.replace("__", "."): value for key, value in overrides.items()}
    return read_requirement(path, changes)


def duty(requirement):
    return duty_of(requirement, Calculation())[0]


def trapezoid(path=TABLE, **overrides):
    """Return a requirement whose reference has constant rates."""
    requirement = asked(path, **overrides)
    r = requirement.reference
    return requirement.model_copy(
        update={"reference": r.replace(kind="trapezoid", deceleration=r.deceleration)}
    )


# --- published forces --------------------------------------------------------------------------


def test_weight_on_a_slope():
    """Esposito, ex. 6-3: 6000 lb at 30 degrees: 3000 lb."""
    found = held_force_of(M=6000.0 * POUND, g=GRAVITY, theta=math.radians(30.0), F_cb=0.0, F_L=0.0)
    assert found / POUND_FORCE == pytest.approx(3000.0, rel=1e-9)


def test_friction_of_a_horizontal_load():
    """Esposito, ex. 6-2: 6000 lb with a coefficient of 0.14: 840 lb."""
    found = way_friction(mu=0.14, M=6000.0 * POUND, g=GRAVITY, theta=0.0, N_0=0.0, n_T=0.0, F_N=0.0)
    assert found / POUND_FORCE == pytest.approx(840.0, rel=1e-9)


# --- motion ------------------------------------------------------------------------------------

rates = st.floats(0.05, 3.0)


@settings(max_examples=40)
@example(v=0.5, a=1.75, d=0.05, j=16.5, s=0.515625)
@given(v=st.floats(0.02, 0.5), a=rates, d=rates, j=st.floats(1.0, 60.0), s=st.floats(0.005, 0.6))
def test_phases_of_a_smooth_move_are_those_of_its_profile(v, a, d, j, s):
    requirement = asked(work__distances=[f"{s} m"], work__start="0 mm", work__stroke="700 mm",
                        accuracy__settling_time="60 s", reference__velocity=f"{v} m/s",
                        reference__acceleration=f"{a} m/s2", reference__deceleration=f"{d} m/s2",
                        reference__jerk=f"{j} m/s3")  # fmt: skip
    move = pattern_of(requirement, Calculation()).moves[0]
    profile = plan_s_curve(0.0, s, v, a, d, j, 0.0)
    assert corners(profile)[-1] == pytest.approx(move.reference_time, rel=1e-9)
    t = np.linspace(0.0, move.reference_time, 4001)
    states = np.array([profile_at(one, profile) for one in t])
    speed, rate = states[:, 1], states[:, 2]
    assert states[-1, 0] == pytest.approx(s, rel=1e-9)
    step = t[1]
    # the peak lies between two samples: there the speed falls by j t^2/2 at most
    assert speed.max() == pytest.approx(move.peak, rel=1e-9, abs=0.5 * j * step**2)
    assert np.sum(rate > 1e-9) * step == pytest.approx(move.accelerating, abs=3 * step)
    assert np.sum(rate < -1e-9) * step == pytest.approx(move.decelerating, abs=3 * step)


def lag_after(profile, end, gain, times):
    """Return the distance left of a first-order lag behind a profile, integrated."""

    def rate(t, y):
        return [gain * (profile_at(min(t, end), profile)[0] - y[0])]

    found = integrate.solve_ivp(rate, (0.0, times[-1]), [0.0], t_eval=times, rtol=1e-9, atol=1e-12,
                                max_step=end / 200.0)  # fmt: skip
    return profile_at(end, profile)[0] - found.y[0]


@pytest.mark.parametrize("kind", ["s_curve", "trapezoid"])
def test_a_lag_with_the_needed_gain_is_in_the_window_in_time(kind):
    """The bound of the distance left is safe, and not far from what the lag really has."""
    requirement = asked() if kind == "s_curve" else trapezoid()
    r, w = requirement.reference, requirement.accuracy.half_width
    pattern = pattern_of(requirement, Calculation())
    s, gain = pattern.longest.distance, pattern.velocity_gain
    if kind == "s_curve":
        profile = plan_s_curve(0.0, s, r.velocity, r.acceleration, r.deceleration, r.jerk, 0.0)
    else:
        profile = plan_trapezoid(0.0, s, r.velocity, r.acceleration, r.deceleration, 0.0)
    settling = requirement.accuracy.settling_time
    assert pattern.longest.time == pytest.approx(settling, rel=1e-9)
    end = pattern.longest.reference_time
    left = lag_after(profile, end, gain, np.array([end, settling]))
    assert 0.0 < left[1] <= w
    # by at most a fifth of its time constants too slow would be a poor bound
    assert math.log(w / left[1]) / gain < 0.25 * (settling - end)
    # a slower loop really is too late
    slower = lag_after(profile, end, 0.7 * gain, np.array([end, settling]))
    assert slower[1] > w


def test_needed_gain_of_the_square_root_schedule():
    """Exact: the table follows the schedule; its velocity is integrated down to the window."""
    requirement = asked(SLIDE)
    r, w = requirement.reference, requirement.accuracy.half_width
    pattern = pattern_of(requirement, Calculation())
    gain, s = pattern.velocity_gain, pattern.longest.distance
    step, t, x, v = 1e-4, 0.0, 0.0, 0.0
    while s - x > w:
        v = min(square_root_velocity(s - x, r.deceleration, gain, r.velocity),
                v + r.acceleration * step)  # fmt: skip
        x, t = x + v * step, t + step
    assert t == pytest.approx(requirement.accuracy.settling_time, abs=2e-3)


@pytest.mark.parametrize(
    "path, kind",
    [(TABLE, "s_curve"), (TABLE, "trapezoid"), (SLIDE, "square_root"), (SLIDE, "exponential")],
)
def test_the_sheet_ends_with_the_settling_time_by_a_formula(path, kind):
    """The time that the sheet adds up is the one for which the gain was looked for."""
    requirement = asked(path)
    if kind in ("trapezoid", "exponential"):
        reference = requirement.reference.replace(kind=kind)
        requirement = requirement.model_copy(update={"reference": reference})
    calc = Calculation(records=True)
    pattern_of(requirement, calc)
    last = calc.steps[-1]
    assert last.symbol == "t_s" and last.text
    assert last.value == pytest.approx(requirement.accuracy.settling_time, rel=1e-9)


@given(st.floats(1.0, 100.0), st.floats(1e-6, 1e-2), st.floats(1e-6, 1e-4))
def test_run_in_is_the_decay_of_a_lag(gain, left, window):
    time = float(run_in_time(e_0=left, w=window, K_v=gain))
    assert left * math.exp(-gain * time) <= window * (1.0 + 1e-9)
    assert time == 0.0 or left * math.exp(-gain * time) == pytest.approx(window)


@given(st.floats(1.8, 6.0), st.floats(1.05, 3.0))
@settings(max_examples=20)
def test_less_time_needs_more_gain(time, factor):
    less, more = (
        pattern_of(asked(accuracy__settling_time=f"{one} s"), Calculation()).velocity_gain
        for one in (time, factor * time)
    )
    assert less > more > 0.0


# --- forces ------------------------------------------------------------------------------------


def test_counterbalance_and_friction_are_those_of_the_equations_of_motion():
    """The block of the table, with its positions from the retracted end."""
    requirement = asked(SLIDE)
    calc = Calculation(records=True)
    found, _ = duty_of(requirement, calc)
    begin = requirement.travel_begins
    moved = requirement.table.replace(
        counterbalance_position=requirement.table.counterbalance_position + begin
    )
    p = load_parameters(moved, requirement.structure, 0.0, 0.0)
    steps = [step for step in calc.steps if step.symbol == "F_cb"]
    assert steps[0].value == pytest.approx(counterbalance_force(found.highest_position, p))
    assert steps[1].value == pytest.approx(counterbalance_force(found.lowest_position, p))
    for workpiece in requirement.conditions.workpiece_mass:
        p = load_parameters(
            moved.replace(workpiece_mass=workpiece), requirement.structure, 0.0, 0.0
        )
        sliding, static = way_levels(0.0, p)
        values = [step.value for step in calc.steps if step.symbol == "F_c"]
        assert min(abs(one - sliding) for one in values) < 1e-9
        assert min(abs(one - static) for one in values) < 1e-9


def sampled_forces(requirement, piston):
    """Return the greatest and least force over every move, sampled, all corners of what varies."""
    r, t = requirement.reference, requirement.table
    work, most, least = requirement.work, -np.inf, np.inf
    places = np.cumsum([work.start, *work.distances])
    places = np.append(places, work.start)
    for start, target in itertools.pairwise(places):
        if abs(target - start) < 1e-9:
            continue
        if r.kind == "s_curve":
            profile = plan_s_curve(start, target, r.velocity, r.acceleration, r.deceleration,
                                   r.jerk, 0.0)  # fmt: skip
        else:
            profile = plan_trapezoid(start, target, r.velocity, r.acceleration, r.deceleration, 0.0)
        s = math.copysign(1.0, target - start)
        for time in np.linspace(0.0, 20.0, 8001)[1:]:
            x, v, a = profile_at(time, profile)[:3]
            if s * v <= 0.0:
                continue
            for workpiece in requirement.conditions.workpiece_mass:
                M = t.mass + workpiece
                p = load_parameters(t.replace(workpiece_mass=workpiece), requirement.structure,
                                    0.0, 0.0)  # fmt: skip
                sliding, _ = way_levels(0.0, p)
                force = s * (sliding + t.viscous_friction * abs(v)) + (M + piston) * a
                force += M * GRAVITY * math.sin(t.inclination) - counterbalance_force(x, p)
                most, least = max(most, force), min(least, force)
    return most, least


@pytest.mark.parametrize("path, kind", [(TABLE, "s_curve"), (TABLE, "trapezoid"),
                                        (SLIDE, "trapezoid")])  # fmt: skip
def test_no_moment_of_the_cycle_needs_more_than_its_corners(path, kind):
    """Sliding friction alone is sampled: the corners' static friction may only be more."""
    requirement = asked(path) if kind == "s_curve" else trapezoid(path)
    found, piston = duty(requirement), 20.0
    force = found.external_force + (found.table_mass + piston) * found.acceleration
    most, least = sampled_forces(requirement, piston)
    moving = np.array([phase not in ("starting", "creeping") for phase in found.phase])
    # between the bends of a limited jerk the force may pass its corners by this much
    slack = 0.01 * (most - least)
    assert force[moving].max() >= most - slack
    assert force[moving].min() <= least + slack
    # the worst counterbalance counts wherever it may come, not only where the move has it
    apart = 52.0 if path == SLIDE else 0.0  # 1223 N fully out, 1274 N fully in
    assert force[moving].max() <= most + slack + apart
    assert force[moving].min() >= least - slack - apart


def test_times_of_the_phases_add_up():
    for requirement in (asked(), asked(SLIDE), trapezoid()):
        found = duty(requirement)
        for variant in np.unique(found.variant):
            total = found.duration[found.variant == variant].sum()
            assert total == pytest.approx(found.moving_time, rel=1e-9)


@pytest.mark.parametrize("path", [TABLE, SLIDE])
def test_mirrored_axis_has_mirrored_forces(path):
    """Turned by half a turn, out is in: with slope, thrust and pattern reversed, forces too.

    The counterbalance keeps its direction, so it is left out.
    """
    one = asked(path, table__inclination="25 deg" if path == TABLE else "90 deg")
    table = one.table.replace(counterbalance="none")
    one = one.model_copy(update={"table": table})
    work = one.work
    other = one.model_copy(
        update={
            "table": table.replace(inclination=-table.inclination),
            "work": work.replace(
                start=work.stroke - work.start, distances=tuple(-x for x in work.distances)
            ),
        }
    )
    first, second = duty(one), duty(other)
    forward = dict(zip(first.words, first.external_force, strict=True))
    swap = {"out": "in", "in": "out"}
    for words, force in zip(second.words, second.external_force, strict=True):
        phase, way, *rest = words.split(", ")
        assert force == pytest.approx(-forward[", ".join([phase, swap[way], *rest])])


def test_thrust_in_time_counts_in_motion_and_thrust_when_locked_does_not():
    locked = duty(asked())
    timed = duty(asked(thrust__mode="time"))
    assert not any("thrust" in words for words in locked.words)
    assert len(timed.words) == 2 * len(locked.words)
    with_it = np.array(["with thrust" in words for words in timed.words])
    extra = timed.external_force[with_it] - timed.external_force[~with_it].reshape(-1)
    # 100 N along, and 2500 N across on the ways with the factor 1 of the file
    t = asked().table
    static = np.array([p in ("starting", "creeping") for p in timed.phase])[with_it]
    friction = np.where(static, t.static_coefficient, t.coulomb_coefficient) * 2500.0
    assert sorted(extra) == pytest.approx(sorted(100.0 + timed.direction[with_it] * friction))


def test_heavier_workpiece_and_steeper_slope_load_more():
    light, heavy = duty(asked()), duty(asked(conditions__workpiece_mass=["0 kg", "900 kg"]))
    assert heavy.heaviest == light.heaviest + 400.0
    assert heavy.external_force.max() > light.external_force.max()
    assert heavy.external_force.min() < light.external_force.min()
    steep = duty(asked(table__inclination="30 deg"))
    assert steep.held_force.max() == pytest.approx(1150.0 * GRAVITY / 2.0 + 100.0)


# --- rules -------------------------------------------------------------------------------------


def test_rules_of_the_cycle():
    """Times by hand: the moves, three dwells of 1.5 s, and the lock three times."""
    requirement = asked()
    found, checks = duty_of(requirement, Calculation())
    rules = {one.name: one for one in checks}
    lock = 0.150 + 0.010 + 0.020 + 0.030 + 0.050
    # 150 mm out, 32 mm out, 32 mm back, and home
    assert rules["cycle_time"].value[0] == pytest.approx(found.moving_time + 4 * (1.5 + lock))
    assert rules["cycle_time"].limit[0] == pytest.approx(18.0)
    assert rules["travel"].value[0] == pytest.approx(0.432)
    assert found.longest_start == pytest.approx(0.010 + 0.250)
    assert (found.travel_out, found.travel_in) == pytest.approx((0.182, 0.182))
    # v = 0.12 m/s: ramps 0.12/0.4 + 0.4/4 and 0.12/0.3 + 0.3/4
    assert rules["reference_time"].value[0] == pytest.approx(
        0.150 / 0.12 + 0.5 * (0.4 + 0.475), rel=1e-12
    )
    assert all(one.kept[0] for one in checks)


def test_too_many_cycles_break_the_rule():
    _, checks = duty_of(asked(work__cycles_per_hour="250"), Calculation())
    assert [one.name for one in checks if not one.kept[0]] == ["cycle_time"]


def test_frequency_of_the_motion():
    """Half a period of the quickest change of velocity, or the gain that a short time needs."""
    found = duty(asked())
    pattern = pattern_of(asked(), Calculation())
    quickest = min(min(one.accelerating, one.decelerating) for one in pattern.moves)
    assert found.motion_frequency == pytest.approx(math.pi / quickest)
    soon = duty(asked(accuracy__settling_time="1.95 s"))
    assert soon.motion_frequency == pytest.approx(soon.velocity_gain_needed)
    assert soon.velocity_gain_needed > math.pi / quickest


def test_a_step_is_refused_with_its_reason():
    requirement = asked()
    stepped = requirement.model_copy(
        update={"reference": requirement.reference.replace(kind="step")}
    )
    with pytest.raises(ParameterError, match="step states neither velocity nor acceleration"):
        duty_of(stepped, Calculation())
