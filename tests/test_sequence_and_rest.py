"""What lock, brake, thrust, integral and state of rest must do at their edges."""

from pathlib import Path

import numpy as np
import pytest

import servosim
from servosim._equations import STATES, axis_rhs, nothing_held
from servosim._equilibrium import initial_state
from servosim._record import record
from servosim._sequence import T_FREE, T_LOCKED
from servosim.components.controller import opening_command
from servosim.program import thrust_at

PARAMS = Path(__file__).parent.parent / "params"


def axis(name, **changes):
    found = servosim.read_axis(PARAMS / f"{name}.toml")
    return found.replace({key.replace("__", "."): value for key, value in changes.items()})


def values(run):
    return {name: metric.value for name, metric in servosim.metrics(run).items()}


class TestThrust:
    def test_ends_at_its_corners_whatever_the_rounding(self):
        # sums and differences of decimal times are rounded: the corner itself must decide
        ramp = 1e-9
        times = 0.15 + np.cumsum([0.0, ramp, 0.4, ramp])
        force = np.array([0.0, 100.0, 100.0, 0.0])
        for k in range(500, 4000):
            begin = k * 1e-3
            assert thrust_at(begin + times[3], begin, force, times) == (0.0, 0.0)
            F, slope = thrust_at(begin + times[1], begin, force, times)
            assert (F, slope) == (100.0, 0.0)

    @pytest.mark.parametrize("delay", [150, 151, 154])
    def test_a_step_while_locked_is_a_step(self, delay):
        found = axis("tube_sheet_table", thrust__ramp="0 ms", thrust__delay=f"{delay} ms")
        run = servosim.simulate(found)
        # 100 N on some 25 N/um of locked oil and the bristles
        assert -4e-6 < values(run)["thrust_deflection_peak"] < 0.0
        assert values(run)["pressure_max"] < 100e5


class TestBrake:
    def test_slips_and_holds_where_it_slipped_to(self):
        strong = {"thrust__along": "20 kN", "thrust__ramp": "50 ms"}
        found = axis("screw_table", lock__brake_force="2 kN", **strong)
        run = servosim.simulate(found)
        assert any(event.kind == "brake_slip" for event in run.events)
        anchor = run.record[:, servosim_column("brake_position")]
        engaged = run.record[:, servosim_column("brake")] == 1.0
        x = run.state("table_position")
        reach = 2000.0 / found.parameters.load.k_b
        # the spring is never stretched beyond its holding force, so its anchor has moved
        assert np.abs(x - anchor)[engaged].max() <= reach + 1e-6
        assert np.ptp(anchor[engaged]) > 10e-6


def servosim_column(name):
    from servosim._samples import RECORD

    return RECORD.index(name)


class TestUnderlap:
    def test_compensation_jumps_no_underlap(self):
        lands = {f"valve__overlap_{land}": "-2 %" for land in ("pa", "bt", "pb", "at")}
        found = axis("tube_sheet_table", valve__null_leakage="1.5 L/min", **lands)
        assert any("underlap" in str(fault) for fault in found.file.warnings())
        p = found.record.controller
        commands = [opening_command(v, 0.0, p) for v in np.linspace(-5e-3, 5e-3, 101)]
        assert np.all(np.diff(commands) > 0.0)


LANDS = {f"valve__overlap_{land}": "3 %" for land in ("pa", "bt", "pb", "at")}


class TestSpoolLock:
    def test_is_confirmed_inside_the_overlap(self):
        found = axis(
            "tube_sheet_table",
            lock__kind="spool",
            lock__trigger="ahead",
            lock__ahead_distance="2 mm",
            lock__release_dwell="0 ms",
            valve__stroke_time="200 ms",
            **LANDS,
        )
        run = servosim.simulate(found)
        k = round(run.memory[T_LOCKED] / 1e-3)
        spool = run.state("spool")
        assert abs(spool[k]) < 0.03
        assert abs(spool[k - 1]) >= 0.03

    def test_refuses_a_null_outside_the_overlap(self):
        with pytest.raises(servosim.ParameterError, match="outside its overlap"):
            axis(
                "tube_sheet_table",
                lock__kind="spool",
                lock__release_dwell="0 ms",
                controller__null_trim="4 %",
                **LANDS,
            )


class TestIntegral:
    def test_does_not_wind_up_under_a_schedule(self):
        changes = {"reference__kind": "square_root", "controller__integral_limit": "5 mm/s"}
        plain = axis("tube_sheet_table", **changes)
        helped = axis("tube_sheet_table", controller__integral_gain="20 1/s2", **changes)
        run = servosim.simulate(helped)
        assert values(run)["settled"] == 1.0
        gathered = run.record[:, servosim_column("sampled_integral")]
        at = run.state("table_position")
        way = (at > run.move.start + 1e-3) & (at < run.move.target - 2e-3)
        assert np.ptp(gathered[way]) == 0.0
        assert values(run)["overshoot"] < values(servosim.simulate(plain))["overshoot"] + 30e-6

    def test_rests_while_the_lock_closes(self):
        found = axis(
            "tube_sheet_table",
            controller__integral_gain="100 1/s2",
            controller__integral_dead_zone="0 um",
            lock__closing_time="300 ms",
        )
        run = servosim.simulate(found)
        phase = run.record[:, servosim_column("lock_phase")]
        gathered = run.record[phase == 1.0, servosim_column("sampled_integral")]
        assert len(gathered) > 100
        assert np.ptp(gathered) == 0.0


class TestRestOfTheSupply:
    @pytest.mark.parametrize(
        "changes",
        [
            {"supply__pump_flow": "0.3 L/min"},
            {
                "supply__kind": "fixed_pump",
                "supply__pump_flow": "0.3 L/min",
                "supply__relief_gradient": "0.1 L/min/bar",
            },
        ],
    )
    def test_a_pump_too_small_rests_at_the_pressure_it_can_feed(self, changes):
        found = axis("tube_sheet_table", supply__accumulator="none", **changes)
        x, *_ = initial_state(found.move.start, True, found.record)
        i, dx = found.parameters.index, np.zeros(len(STATES))
        w = nothing_held()._replace(spool_command=x[i.spool])
        axis_rhs(0.0, x, record(w), found.record, record(found.move), dx)
        assert x[i.pump_flow] <= found.parameters.supply.q_max * (1.0 + 1e-9)
        assert x[i.supply_pressure] < 0.95 * found.parameters.supply.p_set
        assert abs(dx[i.supply_pressure]) < 1e3  # against 1e9 Pa/s of a real imbalance
        assert abs(dx[i.pressure_a]) < 1e-3


class TestChecks:
    def test_each_opens_by_its_own_pressures(self):
        found = axis(
            "vertical_slide",
            lock__pilot_ratio=1.0,
            lock__cracking_pressure="20 bar",
            thrust__along="8 kN",
            thrust__feed_time="3 s",
        )
        run = servosim.simulate(found)
        a = run.record[-1, servosim_column("merged_a")]
        b = run.record[-1, servosim_column("merged_b")]
        assert (a, b) == (0.0, 1.0)
        assert np.isnan(run.memory[T_FREE])
        assert any(event.kind == "check_stays_shut" for event in run.events)


class TestFileChecks:
    @pytest.mark.parametrize(
        ("name", "changes", "words"),
        [
            (
                "tube_sheet_table",
                {"valve__dither_amplitude": "1 %", "valve__dither_frequency": "500 Hz"},
                "can't be sampled",
            ),
            (
                "vertical_slide",
                {"table__counterbalance_gas_volume": "0.1 L"},
                "gone before the table is down",
            ),
            ("teaching_rig", {"transducer__pressure": "both_ports"}, "missing"),
        ],
    )
    def test_faults(self, name, changes, words):
        with pytest.raises(servosim.ParameterError, match=words):
            axis(name, **changes)

    def test_warnings(self):
        found = axis("screw_table", reference__velocity=2.0)
        assert any("faster than valve" in str(fault) for fault in found.file.warnings())
        small = axis("tube_sheet_table", supply__pump_flow="2 L/min", supply__accumulator="none")
        assert any("pump alone" in str(fault) for fault in small.file.warnings())
        short = axis("tube_sheet_table", transducer__pressure_range="50 bar")
        assert any("pressure_range" in str(fault) for fault in short.file.warnings())


class TestEvents:
    @pytest.mark.parametrize(
        ("changes", "kind", "words"),
        [
            ({"controller__velocity_gain": "200 1/s"}, "lock_never_closed", "take less gain"),
            ({"move__duration": "1 s"}, "lock_never_closed", "give the move more time"),
            ({"lock__displaced_volume": "100 cm3"}, "pressure_too_high", "hold to 400 bar"),
            (
                {"supply__accumulator": "none", "supply__pump_flow": "5 L/min"},
                "supply_sags",
                "More pump flow",
            ),
            (
                {"lock__window": "80 um", "lock__dwell": "0 ms"},
                "locked_outside_window",
                "smaller lock window",
            ),
            ({"thrust__feed_time": "2 s"}, "opened_under_thrust", "hold longer"),
        ],
    )
    def test_say_what_happened_and_what_to_try(self, changes, kind, words):
        run = servosim.simulate(axis("tube_sheet_table", **changes))
        (event,) = [event for event in run.events if event.kind == kind][:1]
        assert words in event.sentence

    def test_the_demonstration_move_has_none(self):
        for target, start in (("400 mm", "250 mm"), ("670 mm", "520 mm"), ("180 mm", "30 mm")):
            run = servosim.simulate(
                axis("tube_sheet_table", move__start=start, move__target=target)
            )
            assert run.events == ()

    @pytest.mark.parametrize(
        ("changes", "words"),
        [
            ({"lock__window": "0.1 um"}, "one step of the transducer"),
            ({"oil__viscosity_1": "1 mm2/s"}, "thicker as it warms"),
            (
                {
                    "move__duration": "3600 s",
                    "controller__period": "0.05 ms",
                    "controller__computing_delay": "0.05 ms",
                },
                "more than memory holds",
            ),
        ],
    )
    def test_contradictions_are_faults(self, changes, words):
        with pytest.raises(servosim.ParameterError, match=words):
            axis("tube_sheet_table", **changes)

    def test_a_seed_is_a_whole_number(self):
        with pytest.raises(servosim.ParameterError, match="seed"):
            servosim.simulate(axis("tube_sheet_table"), seed=-1)


def test_line_piloted_checks_move_under_a_continuous_loop_too():
    found = axis(
        "vertical_slide",
        controller__kind="continuous",
        transducer__resolution=0.0,
        transducer__noise=0.0,
        transducer__pressure_noise=0.0,
        transducer__pressure_resolution=0.0,
        lock__pilot="opposite_line",
        valve__overlap_pa="2 %",
        valve__overlap_pb="2 %",
        valve__overlap_at="-1 %",
        valve__overlap_bt="-1 %",
        valve__null_leakage="2 L/min",
        move__duration="0.3 s",
    )
    run = servosim.simulate(found)
    # at rest the vented centre leaves both lines low: the checks shut, and stay open for no command
    for name in ("lock_area_a", "lock_area_b"):
        assert run.record[:, servosim_column(name)].min() < 1.0
