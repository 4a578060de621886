"""The errors servosim raises: few classes, each also a built-in, and what they say."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any


class ServosimError(Exception):
    """Base of every error that servosim raises on purpose."""


@dataclass(frozen=True)
class Fault:
    """One thing wrong in a parameter file or in a set of parameters.

    Parameters
    ----------
    file : str
        File as the user named it, ``--set`` for a value given on the command line, or "".
    table : str
        Name of the table, or "" for the file as a whole.
    key : str
        Name of the key, or "" for the table as a whole.
    what : str
        What is wrong, with the value and its unit.
    expected : str
        What would do instead.
    nearest : str
        Closest known name, if a name was not known.
    """

    file: str = ""
    table: str = ""
    key: str = ""
    what: str = ""
    expected: str = ""
    nearest: str = ""

    def __str__(self) -> str:
        table = f"[{self.table}]" if self.table else ""
        place = " ".join(part for part in (self.file, table, self.key) if part)
        text = f"{place}: {self.what}" if place else self.what
        if self.expected:
            text += f"; expected {self.expected}"
        if self.nearest:
            text += f"; nearest name '{self.nearest}'"
        return text


class ParameterError(ServosimError, ValueError):
    """Parameters that cannot be used; carries every fault found, the message has one a line.

    Parameters
    ----------
    faults : Fault or str or iterable of Fault
        What is wrong. A text is taken as a fault without a place.
    """

    faults: tuple[Fault, ...]

    def __init__(self, faults: Fault | str | Iterable[Fault]) -> None:
        if isinstance(faults, str):
            faults = Fault(what=faults)
        self.faults = (faults,) if isinstance(faults, Fault) else tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))

    def __reduce__(self) -> tuple[Any, ...]:
        return (type(self), (self.faults,))


class SimulationError(ServosimError, RuntimeError):
    """A simulation that did not reach its end.

    Parameters
    ----------
    message : str
        What happened, where, the likely cause and what to try.
    run : servosim.result.Run, optional
        The part of the run that was computed.
    """

    def __init__(self, message: str, run: Any = None) -> None:
        super().__init__(message)
        self.run = run

    def __reduce__(self) -> tuple[Any, ...]:
        return (type(self), (str(self), self.run))


class UnitError(ServosimError, ValueError):
    """A text that is not a number with an accepted unit of the right dimension."""


class StudyError(ServosimError, RuntimeError):
    """A study that stopped before its end; what was finished is kept in its store."""
