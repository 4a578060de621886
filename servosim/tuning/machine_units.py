"""Gains in per cent of command and in the signal's own units, as far as the file states them."""

from __future__ import annotations

from dataclasses import dataclass

from servosim.axis import Axis


@dataclass(frozen=True)
class Signal:
    """The signal of the command at full command.

    Attributes
    ----------
    full : float
        Signal at 100 % of command [V or mA], zero if the file states none.
    unit : str
        ``"V"``, ``"mA"`` or "".
    counts : int
        Counts of the controller's output at 100 % of command, zero if the file states none.
    step : float
        One increment of the position reading [m], zero if the file states none.
    """

    full: float
    unit: str
    counts: int
    step: float


def signal_of(axis: Axis) -> Signal:
    """Return what the file states about the signal of its command."""
    f = axis.file
    full, unit = 0.0, ""
    if f.valve.signal == "voltage":
        full, unit = f.valve.rated_voltage, "V"
    elif f.valve.signal == "current":
        full, unit = 1e3 * f.valve.rated_current, "mA"
    return Signal(full, unit, f.controller.output_counts, f.transducer.resolution)


def _number(value: float) -> str:
    return f"{float(f'{value:.3g}'):g}"


def _both(values: tuple[float, float], unit: str) -> str:
    """Return a number with its unit, or one for each direction where they differ."""
    texts = [_number(value) for value in values]
    if texts[0] == texts[1]:
        return f"{texts[0]} {unit}"
    return f"{texts[0]} {unit} extending, {texts[1]} {unit} retracting"


@dataclass(frozen=True)
class Scale:
    """Turns a velocity that the controller wants into command and signal.

    Attributes
    ----------
    gains : tuple of float
        Velocity at full command in extension and retraction [m/s].
    signal : Signal
        The signal at full command.
    """

    gains: tuple[float, float]
    signal: Signal

    def _per(self, velocity: float, full: float) -> tuple[float, float]:
        plus, minus = (velocity / g * full if g > 0.0 else float("nan") for g in self.gains)
        return plus, minus

    def command(self, velocity: float, per: str) -> str:
        """Return a velocity [m/s] per something in per cent of command per that, such as "mm"."""
        return _both(self._per(velocity, 100.0), f"%{per}")

    def signals(self, velocity: float, per: str, per_increment: float = 0.0) -> str:
        """Return the same in the signal's units.

        Parameters
        ----------
        velocity : float
            Velocity per unit of ``per`` [m/s].
        per : str
            Such as ``"/mm"``.
        per_increment : float
            Velocity per increment of the position [m/s], zero if that means nothing.

        Returns
        -------
        str
            Volts or milliamperes, and counts, as far as the file states them.
        """
        s, parts = self.signal, []
        if s.full > 0.0:
            parts.append(_both(self._per(velocity, s.full), f"{s.unit}{per}"))
        if s.counts > 0 and per_increment > 0.0 and s.step > 0.0:
            parts.append(_both(self._per(per_increment, float(s.counts)), "counts/increment"))
        elif s.counts > 0:
            parts.append(_both(self._per(velocity, float(s.counts)), f"counts{per}"))
        return "; ".join(parts)

    def share(self, value: float) -> tuple[str, str]:
        """Return a share of full command in per cent and in the signal's units."""
        s, parts = self.signal, []
        if s.full > 0.0:
            parts.append(f"{_number(value * s.full)} {s.unit}")
        if s.counts > 0:
            parts.append(f"{round(value * s.counts)} counts")
        return f"{_number(100.0 * value)} %", "; ".join(parts)

    def jump(self, plus: float, minus: float) -> tuple[str, str]:
        """Return a jump of the command in each direction in per cent and in the signal's units."""
        s, parts = self.signal, []
        if s.full > 0.0:
            parts.append(_both((plus * s.full, minus * s.full), s.unit))
        if s.counts > 0:
            parts.append(_both((plus * s.counts, minus * s.counts), "counts"))
        return _both((100.0 * plus, 100.0 * minus), "%"), "; ".join(parts)


def scale_of(axis: Axis) -> Scale:
    """Return the scale of an axis at its file's supply pressure and load."""
    p = axis.parameters.controller
    return Scale((p.g_plus, p.g_minus), signal_of(axis))
