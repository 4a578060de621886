"""What each figure of a move is, in a sentence, and its SI unit."""

from __future__ import annotations

from servosim._figure_spans import FADED, LONG_REST, RINGING

_RING = f"{RINGING:g} s"
# name: SI unit, definition
DEFINITIONS: dict[str, tuple[str, str]] = {
    "settled": (
        "1",
        "1 if the table comes into the window and stays there until the end of the unlocked move, "
        "for half the lock's dwell at least; else 0",
    ),
    "settling_time": (
        "s",
        "from the start of the move to the first sample from which the table stays inside the "
        "window until the end of the unlocked move; with a lock that closes ahead, until thrust or "
        "release",
    ),
    "settling_time_after_reference": (
        "s",
        "settling time less the end of the reference; negative if the window came first",
    ),
    "rise_time": ("s", "from 10 % to 90 % of the way from start to target, at first passage"),
    "overshoot": (
        "m",
        "largest position of the table past the target, in the direction of the move, unlocked",
    ),
    "following_error_peak": (
        "m",
        "largest size of reference less table position while the reference moves, unlocked",
    ),
    "following_error_rms": (
        "m",
        "root of the mean square of reference less table position while it moves, unlocked",
    ),
    "following_error_steady": (
        "m",
        "mean of reference less table position, in the direction of the move, at constant "
        f"reference velocity from {FADED:g}/Kv after its beginning",
    ),
    "following_error_steady_formula": (
        "m",
        "v (1 - k_ff + k_v)/Kv at that velocity, for a loop without integral and an axis with "
        "exactly the nominal velocity gain",
    ),
    "resting_error": (
        "m",
        "target less table position, mean over the last 20 ms before the command to close, or "
        "before the end of an unlocked rest; none if no command came and the table moves by more "
        "than the window in the last dwell",
    ),
    "resting_error_locked": (
        "m",
        f"target less table position, mean over {_RING} from the confirmed lock, less if thrust or "
        "release come before",
    ),
    "lock_time": (
        "s",
        "from the start of the move to the confirmed lock; without a lock, to the end of the dwell",
    ),
    "lock_shift": (
        "m",
        "the same mean position after the confirmed lock, less that at the command to close",
    ),
    "hold_drift": (
        "m",
        "change of position while locked and free of thrust: summed over the parts of the hold "
        f"that begin {_RING} after the confirmed lock or after the thrust",
    ),
    "hold_drift_rate": (
        "m/s",
        "hold drift over the time in which it was measured, if that is 0.3 s at least",
    ),
    "thrust_deflection": (
        "m",
        "mean position over the second half of full thrust, less the position as the thrust begins",
    ),
    "thrust_deflection_peak": (
        "m",
        "departure, with its sign, that is the largest from the beginning to the end of the thrust",
    ),
    "thrust_set": (
        "m",
        f"position {_RING} after the end of the thrust, less the position as the thrust begins",
    ),
    "unlock_bump": (
        "m",
        "departure, with its sign, that is the largest from the position at the command to open, "
        f"until the release dwell after the confirmed opening is over, {_RING} at least",
    ),
    "limit_cycle_amplitude": (
        "m",
        "half the largest swing from peak to peak of the unlocked table at rest, over the last two "
        "of at least three periods that do not fade, in the second half of its rest; zero if it "
        f"never turns there in a rest of {LONG_REST:g}/Kv, or if its swings fade or end; none if "
        "there are too few to tell; swings below a hundredth of the window don't count",
    ),
    "pressure_max": ("Pa", "highest pressure in a chamber, gauge, between the samples too"),
    "pressure_min": ("Pa", "lowest pressure in a chamber, gauge, between the samples too"),
    "supply_pressure_min": ("Pa", "lowest supply pressure at the valve, gauge"),
    "cavitation_time": (
        "s",
        "number of samples with a chamber below the air-release pressure, times the period",
    ),
    "flow_peak": (
        "m3/s",
        "largest mean over a sample of the flow drawn from the supply, with the pilot stage",
    ),
    "flow_mean": ("m3/s", "oil drawn from the supply over the time of the run"),
    "energy": ("J", "energy delivered by the pump over the run"),
    "work": ("J", "work of the oil on the piston over the run"),
    "heat": ("J", "heat given to the oil over the run"),
    "valve_saturation": ("1", "share of the samples at which the command is at its limit"),
}
