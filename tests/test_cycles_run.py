"""A list of positions run as one: conservation, what is carried, where the time goes."""

import csv
import json
import math

import numpy as np
import pytest

import servosim
from servosim.cycles import Position, PositionList, read_positions
from servosim.cycles.carry import shifted
from servosim.cycles.cycle import run_cycle
from servosim.cycles.orders import with_overruns
from servosim.cycles.result import COLUMNS, PARTS, TOTALS, TRACES
from servosim.motion import plan_s_curve
from servosim.result import Standing

FILE = "params/tube_sheet_table.toml"
QUIET = {"transducer.noise": "0 um", "transducer.pressure_noise": "0 bar"}
EXACT = QUIET | {"transducer.resolution": "0 um", "transducer.pressure_resolution": "0 bar"}


def _axis(**more):
    return servosim.read_axis(FILE, more)


def _list(*positions):
    return PositionList(tuple(positions))


def _drilled(line, target, **more):
    made = {"thrust_along": 100.0, "thrust_normal": 2500.0, "feed_time": 0.4, "dwell": 0.29}
    return Position(line, target, **(made | more))


@pytest.fixture(scope="module")
def short():
    """Four positions: drilled, with a tool change, from the other side, and with nothing to do."""
    return run_cycle(
        _axis(),
        _list(
            _drilled(2, 0.3),
            _drilled(3, 0.33, auxiliary=(("tool change", 1.5), ("coolant", 0.5))),
            _drilled(4, 0.31, approach="+"),
            Position(5, 0.35),
        ),
        traces=1e-3,
    )


def test_a_cycle_of_one_position_is_the_move():
    """The file's own move, with the hold and the thrust of the file: the same numbers, bit by bit.

    Its hold of 0.9 s is delay 0.15 s, two ramps of 0.03 s, feed 0.4 s and a dwell of 0.29 s.
    """
    axis = _axis()
    cycle = run_cycle(axis, _list(_drilled(1, 0.4)))
    run = servosim.simulate(axis)
    figures = servosim.metrics(run)
    row = {name: values[0] for name, values in cycle.table.items()}
    for column, name in {
        "move_time": "lock_time",
        "settling_time": "settling_time",
        "error_before_lock": "resting_error",
        "error_locked": "resting_error_locked",
        "lock_shift": "lock_shift",
        "deflection": "thrust_deflection",
        "drift": "hold_drift",
        "flow_peak": "flow_peak",
        "pressure_max": "pressure_max",
        "overshoot": "overshoot",
    }.items():
        assert row[column] == figures[name].value, column
    k = round(row["time"] / 1e-3)
    for name in ("supplied_energy", "mechanical_work", "heat"):
        column = {"supplied_energy": "energy", "mechanical_work": "work"}.get(name, name)
        assert row[column] == run.state(name)[k]
    assert row["tank_temperature"] == run.state("tank_temperature")[k]
    # under thrust: mean over its second half, 0.13 to 0.4 s of 0.43 s after the delay
    x, t = run.state("table_position"), run.time
    push = figures["lock_time"].value + 0.15
    half = (t >= push + 0.03 + 0.2 - 1e-9) & (t <= push + 0.03 + 0.4 + 1e-9)
    assert row["error_under_thrust"] == pytest.approx(0.4 - x[half].mean(), abs=1e-12)
    opens = t >= figures["lock_time"].value + 0.9 - 1e-9
    away = x[opens & (t <= row["time"] + 1e-9)] - x[opens][0]
    assert row["unlock_bump"] == away[np.argmax(np.abs(away))]


def test_energy_over_parts_is_that_of_one_run():
    """A run cut three times by ``shifted``, at last while it locks, adds up to the run in one."""
    axis = _axis(**QUIET)
    move, r = axis.move, axis.file.reference
    whole = servosim.simulate(axis)
    standing, begin, sums = None, 0.0, np.zeros(3)
    names = ("supplied_energy", "heat", "drawn_volume")
    for end in (0.9, 1.7, 2.345, move.duration):
        profile = plan_s_curve(
            move.start, move.target, r.velocity, r.acceleration, r.deceleration, r.jerk, -begin
        )
        part = move._replace(duration=end - begin, profile=profile)
        run = servosim.simulate(axis, part, begin_from=standing, goes_on=True)
        sums += [run.state(name)[-1] for name in names]
        length = float(run.time[-1])
        begin += length
        standing = run.standing and shifted(run.standing, length)
    k = round(begin / 1e-3)
    np.testing.assert_allclose(sums, [whole.state(n)[k] for n in names], rtol=1e-8)


def test_two_positions_at_one_place_are_one_longer_hold():
    """Without a lock the second position finds the table in place and adds only its dwells."""
    axis = _axis(**QUIET, **{"lock.kind": "none"})
    cycle = run_cycle(axis, _list(Position(1, 0.4, dwell=1.0), Position(2, 0.4, dwell=0.7)))
    move = axis.plan(duration=10.0, hold_time=1.0 + 0.15 + 0.7)
    thrustless = axis.replace({"thrust.mode": "none"}).plan(duration=10.0, hold_time=move.hold_time)
    whole = servosim.simulate(axis, thrustless, goes_on=True)
    assert cycle.totals["cycle_time"] == pytest.approx(whole.time[-1], abs=1e-9)
    for total, state in (("energy", "supplied_energy"), ("heat", "heat"), ("work", None)):
        name = state or "mechanical_work"
        assert cycle.totals[total] == pytest.approx(whole.state(name)[-1], rel=1e-7)
    last = cycle.table["tank_temperature"][-1]
    assert last == pytest.approx(whole.state("tank_temperature")[-1], abs=1e-9)


def test_the_tank_keeps_the_heat_that_it_is_given(short):
    """C_T dT = heat - hA integral (T - T_a) dt over the whole cycle, whatever the parts."""
    supply = short.axis.file.supply
    time, tank = short.traces["time"], short.traces["tank_temperature"]
    end = short.totals["tank_temperature_end"]
    time, tank = np.append(time, short.totals["cycle_time"]), np.append(tank, end)
    lost = supply.cooling * np.trapezoid(tank - supply.ambient_temperature, time)
    kept = supply.tank_heat_capacity * (end - short.totals["tank_temperature_begin"])
    assert short.totals["heat"] - lost == pytest.approx(kept, rel=1e-6)


def test_nothing_jumps_from_part_to_part(short):
    """Between samples at most what velocity, pump and lock can do in 1 ms."""
    traces = short.traces
    assert np.ptp(np.diff(traces["time"])) < 1e-9
    assert np.abs(np.diff(traces["position"])).max() < 0.0847 * 1.1e-3
    assert np.abs(np.diff(traces["supply_pressure"])).max() < 1e5
    assert np.abs(np.diff(traces["tank_temperature"])).max() < 1e-4
    # a line of 60 cm3 and a chamber 20 times as large mix when the lock opens
    assert np.abs(np.diff(traces["pressure_a"])).max() < 5e5
    start, target = short.table["start"], short.table["target"]
    assert np.abs(start[1:] - target[:-1]).max() < 12e-6  # locked in the window, then released


def test_time_is_shared_out(short):
    table = short.table
    whole = table["overrun"] == 0.0
    np.testing.assert_allclose(sum(table[part][whole] for part in PARTS), table["time"][whole])
    assert table["begin"] == pytest.approx(np.cumsum(np.append(0.0, table["time"][:-1])))
    assert table["time_auxiliary"][1] == 2.0
    np.testing.assert_allclose(table["time_feed"][whole], [0.61, 0.61, 0.61, 0.0])
    # opening 30 ms and release dwell 50 ms; closing delay 10 ms and closing 20 ms
    np.testing.assert_allclose(table["time_release"][whole], 0.08, atol=1.1e-3)
    np.testing.assert_allclose(table["time_locking"][whole], 0.03, atol=1e-9)
    # 50 mm by the S-curve of 84.7 mm/s, 0.4 and 0.3 m/s2, 4 m/s3: L/v and half of both ramps
    v, a, d, j = 0.0847, 0.4, 0.3, 4.0
    time = 0.05 / v + 0.5 * (v / a + a / j + v / d + d / j)
    assert table["time_moving"][0] == pytest.approx(time, rel=1e-9)
    totals = short.totals
    parts = sum(totals[part] for part in PARTS) + totals["time_overruns"]
    assert parts == pytest.approx(totals["cycle_time"], abs=1e-9)
    assert totals["rate"] == 4 / totals["cycle_time"]
    assert set(totals) == set(TOTALS) and set(table) == set(COLUMNS)


def test_actions_come_before_the_feed(short):
    """Tool change and coolant, 2 s, then the tool's delay of 0.15 s, then thrust for 0.46 s."""
    here = short.traces["place"] == 1
    time, thrust = short.traces["time"][here], short.traces["thrust"][here]
    locked = short.table["begin"][1] + short.table["move_time"][1]
    pushed = time[thrust > 0.0]
    assert pushed[0] == pytest.approx(locked + 2.15, abs=2e-3)
    assert pushed[-1] == pytest.approx(locked + 2.15 + 0.46, abs=2e-3)
    assert np.all(short.traces["lock_phase"][here][thrust > 0.0] == 2.0)


def test_a_target_asked_for_from_below_is_run_past_first(short):
    assert [one.overrun for one in short.positions.positions] == [False, False, True, False, False]
    table, traces = short.table, short.traces
    assert table["target"][2] == pytest.approx(0.31 - 1e-3)
    through, back = traces["place"] == 2, traces["place"] == 3
    assert np.all(traces["lock_phase"][through] == 0.0)
    assert traces["position"][through | back].min() < 0.309 + 5e-6
    assert np.diff(traces["position"][back & (traces["lock_phase"] == 0.0)]).min() > -1e-6
    assert math.isnan(table["move_time"][2]) and table["overrun"][2] == 1.0
    assert short.totals["positions"] == 4 and short.totals["overruns"] == 1
    assert short.message.startswith("All 4 positions were done")
    assert not short.warnings


def test_speed_override_scales_the_rapid_velocity():
    """A trapezoid takes L/v + v/2 (1/a + 1/d)."""
    axis = _axis(**{"reference.kind": "trapezoid"})
    slow, fast = 0.5, 1.2
    positions = _list(Position(1, 0.35, speed=slow), Position(2, 0.25, speed=fast))
    cycle = run_cycle(axis, positions)
    for k, share in enumerate((slow, fast)):
        v, way = 0.0847 * share, abs(cycle.table["target"][k] - cycle.table["start"][k])
        time = way / v + 0.5 * v * (1 / 0.4 + 1 / 0.3)
        assert cycle.table["time_moving"][k] == pytest.approx(time, rel=1e-9)


def test_the_oil_follows_the_tank():
    """A small tank without cooling: it warms up, and the axis computes with warmer oil."""
    axis = _axis(**{"supply.tank_heat_capacity": "4 kJ/K", "supply.cooling": "0 W/K"})
    targets = [0.3, 0.25, 0.3, 0.25, 0.3]
    cycle = run_cycle(axis, _list(*(_drilled(k, x) for k, x in enumerate(targets, 1))))
    tank, oil = cycle.table["tank_temperature"], cycle.table["oil_temperature"]
    assert tank[-1] - axis.file.oil.temperature == pytest.approx(
        cycle.totals["heat"] / 4e3, rel=1e-9
    )
    assert oil[0] == axis.file.oil.temperature
    for k in range(1, len(oil)):
        moved = abs(tank[k - 1] - oil[k - 1]) >= 0.1
        assert oil[k] == (tank[k - 1] if moved else oil[k - 1])
    assert oil[-1] > oil[0] + 0.3


def test_the_same_seed_gives_the_same_bits(short):
    positions = _list(_drilled(2, 0.3), _drilled(3, 0.33))
    one, two = run_cycle(_axis(), positions), run_cycle(_axis(), positions)
    for name in COLUMNS:
        np.testing.assert_array_equal(one.table[name], two.table[name])
    for name in TRACES:
        np.testing.assert_array_equal(one.traces[name], two.traces[name])
    other = run_cycle(_axis(), positions, seed=2)
    assert not np.array_equal(other.table["energy"], one.table["energy"])
    # the first positions of a longer list are not changed by what comes after them
    np.testing.assert_array_equal(
        one.table["energy"], [*short.table["energy"][:1], *one.table["energy"][1:]]
    )


def test_a_position_that_never_settles_ends_the_cycle():
    """A null bias that nothing trims leaves the table outside a lock's window of 1 um."""
    axis = _axis(**{"controller.null_trim": "0 %", "valve.null_bias": "2 %", "lock.window": "1 um"})
    cycle = run_cycle(axis, _list(Position(7, 0.3), Position(8, 0.31)), patience=1.0)
    assert cycle.status == "stopped" and cycle.done == 0
    assert (
        "line 7" in cycle.message and "0 of 2" in cycle.message and "never closed" in cycle.message
    )
    assert cycle.last is not None and cycle.totals["positions"] == 0
    assert math.isnan(cycle.totals["rate"])
    json.dumps(cycle.as_dict(), allow_nan=False)


def test_points_that_are_run_through_are_no_positions_done():
    """The null is trimmed for targets in extension alone: the way back from beyond misses its."""
    wide = {"valve.hysteresis": "2 %", "controller.null_trim": "-1.3 %", "lock.kind": "none"}
    positions = _list(Position(1, 0.3), Position(2, 0.33, approach="-"))
    cycle = run_cycle(_axis(**wide), positions, patience=2.0)
    assert cycle.done == 2 and cycle.totals["overruns"] == 1
    assert "with 1 of 2 positions done" in cycle.message
    made = with_overruns(positions, overrun=1e-3, start=0.25, stroke=0.7)
    assert run_cycle(_axis(**wide), made, patience=2.0).message == cycle.message
    # "the reading is 90.12 um off", not all the digits of a binary number
    size = cycle.message.partition("the reading is ")[2].partition(" um")[0]
    assert 0 < len(size.replace(".", "")) <= 4


def test_what_was_done_before_is_kept():
    """The null is trimmed for targets in extension, by the bias and half a loop of 2 %.

    In retraction the whole loop is missing: 2 % of some 100 mm/s over 22 1/s are 90 um.
    """
    wide = {"valve.hysteresis": "2 %", "controller.null_trim": "-1.3 %", "lock.kind": "none"}
    positions = _list(Position(1, 0.3), Position(2, 0.33), Position(3, 0.31), Position(4, 0.34))
    cycle = run_cycle(_axis(**wide), positions, patience=2.0)
    assert cycle.status == "stopped" and cycle.done == 2
    assert "line 3" in cycle.message and "did not settle" in cycle.message
    assert cycle.totals["positions"] == 2 and cycle.traces["time"][-1] < cycle.totals["cycle_time"]
    assert cycle.last is not None and cycle.last.move.target == 0.31


def test_an_interrupt_keeps_what_is_done():
    seen = []

    def progress(done, n):
        seen.append((done, n))
        if done == 2:
            raise KeyboardInterrupt

    positions = _list(*(Position(k, 0.3 + 0.01 * k) for k in range(1, 5)))
    cycle = run_cycle(_axis(), positions, progress=progress)
    assert cycle.interrupted and cycle.done == 2 and seen == [(1, 4), (2, 4)]
    assert "2 of 4" in cycle.message
    assert set(np.unique(cycle.traces["place"])) == {0.0, 1.0}
    assert cycle.totals["cycle_time"] == cycle.table["time"].sum()


def test_the_tube_sheet():
    """All 199 holes: the list's own times are in the sums, and the traces stay small."""
    axis = _axis()
    positions = read_positions("params/tube_sheet_positions.csv")
    cycle = run_cycle(axis, positions)
    assert cycle.status == "complete" and cycle.done == 199
    totals = cycle.totals
    assert totals["time_auxiliary"] == pytest.approx(95.5)  # control totals of the worksheet
    assert totals["time_dwell"] == pytest.approx(59.7)
    assert totals["time_feed"] == pytest.approx(477.6 + 199 * (0.15 + 2 * 0.03))
    assert len(cycle.traces["time"]) <= 40_000
    assert totals["energy"] == pytest.approx(totals["power_mean"] * totals["cycle_time"])
    volume = (cycle.traces["supply_flow"] * cycle.interval).sum()
    assert volume == pytest.approx(totals["drawn_volume"], rel=1e-3)
    # what the pump gives works or heats, but for what oil and gas store, which goes round
    assert totals["work"] + totals["heat"] == pytest.approx(totals["energy"], rel=2e-3)


def test_warnings_count_positions():
    """Full speed on a valve of half the size: its command is at its limit at every position."""
    axis = _axis(**{"valve.rated_flow": "8 L/min"})
    cycle = run_cycle(axis, _list(*(Position(10 + k, 0.3 + 0.1 * (k % 2)) for k in range(4))))
    warned = {one.kind: one for one in cycle.warnings}
    assert warned["valve_saturation"].count == 4 - (cycle.table["valve_saturation"] == 0.0).sum()
    first = int(np.argmax(cycle.table["valve_saturation"] > 0.0))
    assert warned["valve_saturation"].line == 10 + first
    begin, end = (
        cycle.table["begin"][first],
        cycle.table["begin"][first] + cycle.table["time"][first],
    )
    assert begin <= warned["valve_saturation"].time <= end


def test_table_is_written_and_read_back(short, tmp_path):
    path = tmp_path / "cycle.csv"
    short.write_csv(path)
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.reader(stream))
    assert rows[0][0] == "line [1]" and "error_locked [m]" in rows[0] and len(rows) == 6
    column = rows[0].index("energy [J]")
    assert [float(row[column]) for row in rows[1:]] == short.table["energy"].tolist()
    assert rows[3][rows[0].index("error_locked [m]")] == ""
    said = json.loads(json.dumps(short.as_dict(), allow_nan=False))
    assert said["positions"][1]["time_auxiliary"] == 2.0
    assert said["positions"][2]["error_locked"] is None
    assert said["totals"]["positions"] == 4


def test_data_are_written_and_read_back(short, tmp_path):
    xarray = pytest.importorskip("xarray")
    path = tmp_path / "cycle.nc"
    short.write_netcdf(path)
    with xarray.open_dataset(path, engine="h5netcdf") as data:
        np.testing.assert_array_equal(data["energy"], short.table["energy"])
        np.testing.assert_array_equal(data["trace_position"], short.traces["position"])
        assert data["energy"].attrs["units"] == "J"
        assert data.attrs["total_cycle_time"] == short.totals["cycle_time"]


@pytest.mark.parametrize(
    ("overrides", "positions"),
    [
        ({"lock.kind": "none"}, None),
        ({"lock.kind": "none", "controller.kind": "continuous", **EXACT}, None),
        ({"lock.release_dwell": "0 ms"}, None),
        ({"supply.accumulator": "none", "reference.kind": "square_root"}, None),
    ],
)
def test_other_axes_go_through(overrides, positions):
    axis = _axis(**overrides)
    cycle = run_cycle(
        axis, _list(_drilled(1, 0.3), _drilled(2, 0.28), Position(3, 0.31, approach="-"))
    )
    assert cycle.status == "complete", cycle.message
    assert math.isnan(cycle.table["gas_temperature"][0]) == ("supply.accumulator" in overrides)
    whole = cycle.table["overrun"] == 0.0
    np.testing.assert_allclose(
        sum(cycle.table[part][whole] for part in PARTS), cycle.table["time"][whole]
    )
    assert np.nanmax(np.abs(cycle.table["error_before_lock"][whole])) < 6e-6


@pytest.mark.parametrize(
    ("positions", "options", "said"),
    [
        ([Position(9, 0.8)], {}, "line 9"),
        ([Position(1, 0.3)], {"start": -0.1}, "start"),
        ([Position(1, 0.3)], {"seed": -1}, "seed"),
        ([Position(1, 0.3)], {"seed": 1.5}, "seed"),
        ([Position(1, 0.3)], {"traces": 0.0}, "traces"),
        ([Position(1, 0.3)], {"patience": math.nan}, "patience"),
        ([], {}, "no positions"),
        (
            [Position(1, 0.3), Position(8, 0.31, dwell=1000.5)],
            {},
            r"line 8: 1000.5 s in position are 1000500 samples of 1 ms.* expected 1000 s at most",
        ),
        ([Position(1, 0.3, dwell=900.0, auxiliary=(("pause", 101.0),))], {}, "1001000 samples"),
        ([Position(1, 0.7, approach="-")], {"start": 0.2}, "stroke"),
    ],
)
def test_what_cannot_be_run_is_refused(positions, options, said):
    with pytest.raises(servosim.errors.ParameterError, match=said):
        run_cycle(_axis(), _list(*positions), **options)


def test_a_standing_is_not_changed_by_what_is_made_from_it():
    memory = np.arange(27.0)
    standing = Standing(np.zeros(3), memory.copy())
    assert shifted(standing, 1.0).memory[1] == 0.0
    np.testing.assert_array_equal(standing.memory, memory)
