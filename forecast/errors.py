"""What goes wrong, said once, with the remedy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong, where it stands, and what would do instead.

    Parameters
    ----------
    problem
        What is wrong, as a sentence without its full stop.
    remedy
        What would do instead.
    table
        File, sheet or value in which the fault stands; empty if there is none.
    row
        Row as a spreadsheet numbers it (the header is row 1), if there is one.
    column
        Column or field, if there is one.
    value
        What stands there, as it was written.
    """

    problem: str
    remedy: str
    table: str = ""
    row: int | None = None
    column: str = ""
    value: Any = None

    def __str__(self) -> str:
        place = [self.table] if self.table else []
        if self.row is not None:
            place.append(f"row {self.row}")
        if self.column:
            place.append(f"column {self.column}" if self.row is not None else self.column)
        if self.value is not None:
            shown = repr(self.value) if isinstance(self.value, str) else str(self.value)
            place.append(shown if len(shown) <= 80 else shown[:77] + "...")
        where = ", ".join(place)
        return f"{where}: {self.problem}. {self.remedy}" if where else f"{self.problem}. {self.remedy}"


class ForecastError(ValueError):
    """Any refusal of this package; its message is meant for the grower."""


class Refused(ForecastError):
    """Input that cannot be used; ``faults`` lists every fault found, not only the first.

    Parameters
    ----------
    faults
        At least one fault.
    """

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class OutOfReach(ForecastError):
    """No lawful answer meets what was asked; ``best`` is the nearest one found.

    Parameters
    ----------
    message
        Why nothing meets it and what would.
    best
        The nearest answer, of the kind the call would have returned; None if there is none at all.
    """

    def __init__(self, message: str, best: Any = None) -> None:
        self.best = best
        super().__init__(message)


def refuse(field: str, value: object, problem: str, remedy: str) -> Refused:
    """Make the error for one refused value of one field."""
    return Refused([Fault(problem, remedy, column=field, value=value)])
