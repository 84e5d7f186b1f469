"""Settings into the head and back: written, read again, held against what was written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from plylane.feed.calibration import CalibrationError
from plylane.head.client import HeadClient
from plylane.head.errors import HeadError
from plylane.head.names import find, label, span


@dataclass(frozen=True, slots=True)
class Change:
    """A register, its instance from 0, the value before and after, in the register's unit."""

    register: str
    instance: int
    before: float
    after: float

    @property
    def text(self) -> str:
        """One line."""
        block, register = find(self.register)
        unit = "" if register.unit == "-" else f" {register.unit}"
        return f"{label(block, register, self.instance)}: {self.before:g} → {self.after:g}{unit}"

    @property
    def back(self) -> Change:
        """What undoes it."""
        return Change(self.register, self.instance, self.after, self.before)


def change(register: str, instance: int, before: float, wanted: float) -> Change:
    """To `wanted` as the register can hold it. Raises CalibrationError where it cannot."""
    known = find(register)[1]
    wire = round(wanted / known.scale)
    if not known.min <= wire <= known.max:
        raise CalibrationError(
            f"{register} {wanted:g} does not fit into the head ({span(known)}): look at the lengths"
        )
    return Change(register, instance, before, float(known.in_unit(wire)))


def write(client: HeadClient, changes: Sequence[Change]) -> None:
    """Write and read back. Where the head refuses one or holds another value, what stood there
    before is put back and CalibrationError says which. Raises CalibrationError too where the head
    does not hold what the changes go out from.
    """
    for one in changes:
        held = client.read(one.register, one.instance)
        if not same(one.register, held, one.before):
            raise CalibrationError(
                f"{one.register} of {one.instance + 1} is {held:g} in the head, not {one.before:g}:"
                " it was changed meanwhile, so nothing was written; calibrate again"
            )
    try:
        for one in changes:
            client.write(one.register, one.after, one.instance)
            held = client.read(one.register, one.instance)
            if not same(one.register, held, one.after):
                raise CalibrationError(
                    f"the head holds {one.register} {held:g} where {one.after:g} was written; the"
                    " values before are in force again: look at the head's firmware"
                )
    except (HeadError, CalibrationError) as error:
        for one in changes:
            client.write(one.register, one.before, one.instance)
        if isinstance(error, CalibrationError):
            raise
        raise CalibrationError(f"nothing was changed: {error}") from error


def same(register: str, one: float, other: float) -> bool:
    """Whether two values are the same on the wire."""
    return abs(one - other) <= 0.5 * find(register)[1].scale
