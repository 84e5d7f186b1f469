"""First power-up of a head: is every sensor, drive, wheel and heater where it should be?

Each check looks at one thing, moves or heats as little as shows it, and ends the walk where
something is missing, crossed or turns the wrong way: nothing that comes after could be trusted.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from plylane.head.client import HeadClient
from plylane.head.registers import Command, Inputs, State, ZoneMode
from plylane.head.snapshot import Snapshot

CAUTIONS = (
    "Read docs/safety.md and docs/wiring.md first. Local codes and licensed practice rule.",
    "Software is not a safety function: hard-wired stop, fuses and thermal cut-outs are in place.",
    "Blocks are cold, the head is empty, guards are closed, nobody reaches in.",
)
DRIVE_NAMES = ("infeed", "press", "outfeed")
ZONE_NAMES = ("guide", "nip", "third zone")

COLD_DEGC = (5.0, 45.0)
APART_K = 4.0  # cold blocks in one room: seating error and tolerance of two sensors
JOG_MM = 20.0
JOG_SPEED_MM_S = 5.0
JOG_SHARE = 0.25  # slip, slack of 0.8 mm and a wheel pulse of 0.5 mm on 20 mm leave much room
HEAT_PERCENT = 40.0
HEAT_LIMIT_S = 90.0
RISE_K = 2.0
OTHER_SHARE = 0.6  # a neighbour warms by conduction, later and less
STEP_S = 0.2
POLL_S = 0.5


class CommissionError(Exception):
    """The walk ends here. One line: what is wrong and what to do."""


class Person(Protocol):
    """The technician at the machine."""

    def tell(self, line: str) -> None:
        """Show a line."""

    def agrees(self, question: str) -> bool:
        """Ask a question that is answered with yes or no."""


@dataclass(frozen=True, slots=True)
class Check:
    """One check: its title, and what it does with head and person."""

    title: str
    run: Callable[[HeadClient, Person], None]


def commission(client: HeadClient, person: Person) -> None:
    """Walk through all checks, then leave the head stopped with everything off.

    Raises CommissionError at the first one that fails, or the client's errors.
    """
    for line in CAUTIONS:
        person.tell(line)
    _wanted(person, "Is all of this so?", "see to it first")
    try:
        for number, check in enumerate(CHECKS, 1):
            person.tell(f"{number} of {len(CHECKS)}: {check.title}")
            check.run(client, person)
    finally:
        make_quiet(client)


def make_quiet(client: HeadClient) -> None:
    """Zones off, drives at rest, state Stopped where it can be reached."""
    client.write("feed.jog_length_mm", 0.0)
    for zone in range(client.fitted.zones):
        client.write("zone.mode", ZoneMode.OFF, zone)
    if client.snapshot().telemetry.state not in (State.STOPPED, State.ABORTED):
        client.command(Command.STOP)


def _wanted(person: Person, question: str, remedy: str) -> None:
    if not person.agrees(question):
        raise CommissionError(f"Answered no to '{question}': {remedy}, then begin again.")


# --------------------------------------------------------------------------------------- checks


def check_contacts(client: HeadClient, person: Person) -> None:
    """Stop contact and permit read as they are operated."""
    for pressed in (True, False):
        doing = "Press and hold the hard-wired stop" if pressed else "Release the stop again"
        _wanted(person, f"{doing}. Done?", "the stop must be tried")
        tripped = Inputs.STOP_TRIPPED in _look(client).telemetry.inputs
        if tripped != pressed:
            seen = "tripped" if tripped else "not tripped"
            raise CommissionError(f"The stop contact reads {seen}: check its wiring and its sense.")
    if Inputs.PERMIT_GIVEN not in _look(client).telemetry.inputs:
        raise CommissionError("No permit is read: check the permit contact or its bridge.")


def check_sensors(client: HeadClient, person: Person) -> None:
    """Every zone reads a temperature that a cold block in a room can have."""
    pvs = [zone.pv_degC for zone in _look(client).zones]
    for zone, pv in enumerate(pvs):
        low, high = COLD_DEGC
        if not low <= pv <= high:
            raise CommissionError(
                f"{_zone(zone)} reads {pv:.1f} degC: cold blocks read {low:g} to {high:g}; "
                "check plug, kind of sensor and divider_ohm."
            )
    if max(pvs) - min(pvs) > APART_K:
        shown = ", ".join(f"{pv:.1f}" for pv in pvs)
        raise CommissionError(
            f"The zones read {shown} degC, more than {APART_K:g} K apart: let the blocks cool, "
            "or check sensor kinds and dividers."
        )
    person.tell("Read " + ", ".join(f"{_zone(k)} {pv:.1f} degC" for k, pv in enumerate(pvs)) + ".")


def make_idle(client: HeadClient, person: Person) -> None:
    """Bring the head to Idle, from where it may jog and heat."""
    if client.snapshot().telemetry.state == State.ABORTED:
        client.acknowledge(client.snapshot().telemetry.alarms_active)
        client.command(Command.CLEAR)
        _wait(client, State.STOPPED)
    if client.snapshot().telemetry.state == State.STOPPED:
        _wanted(person, "Reset readies drives and heaters. Hands clear?", "clear the head")
        client.command(Command.RESET)
    _wait(client, State.IDLE)


def check_drives(client: HeadClient, person: Person) -> None:
    """Each drive alone turns its own roller, towards the nozzle."""
    for drive in range(client.fitted.drives):
        name = DRIVE_NAMES[drive]
        _wanted(person, f"The {name} roller will turn slowly. Hands clear?", "clear the head")
        _jog(client, JOG_MM, 1 << drive)
        _wanted(
            person,
            f"Did the {name} roller turn, that one only, moving strip towards the nozzle?",
            f"swap one winding pair of the {name} motor, set drive_settings.reversed, "
            "or put the motors' plugs right",
        )


def check_wheels(client: HeadClient, person: Person) -> None:
    """With strips in, all drives together: output wheel forwards, every lane wheel counts."""
    _wanted(
        person, "Thread a strip through every lane up to the nozzle, cold. Done?", "thread them"
    )
    before = _look(client)
    _jog(client, JOG_MM, (1 << client.fitted.drives) - 1)
    after = _look(client)
    laid_mm = after.telemetry.output_position_mm - before.telemetry.output_position_mm
    _check_length("The output wheel", laid_mm, "output_reversed or its plugs A and B")
    for lane, (then, now) in enumerate(zip(before.lanes, after.lanes, strict=True), 1):
        moved_mm = abs(now.position_mm - then.position_mm)
        _check_length(f"The wheel of lane {lane}", moved_mm, "its plug and its order in the chain")


def _check_length(what: str, measured_mm: float, where: str) -> None:
    if measured_mm < 0:
        raise CommissionError(f"{what} counts backwards: check {where}.")
    if abs(measured_mm - JOG_MM) > JOG_SHARE * JOG_MM:
        raise CommissionError(
            f"{what} counted {measured_mm:.1f} mm where {JOG_MM:g} mm were fed: check {where}, "
            "and its length a pulse."
        )


def check_heaters(client: HeadClient, person: Person) -> None:
    """Each heater warms its own zone, and that one most."""
    _wanted(person, "Take the strips out again. Is the guide empty?", "empty it")
    client.write("feed.strip_in", 0)
    for zone in range(client.fitted.zones):
        _wanted(person, f"{_zone(zone)} will be heated a little. Hands off?", "keep off")
        rises = _heat(client, zone)
        warmest = max(range(len(rises)), key=rises.__getitem__)
        if rises[zone] < RISE_K and rises[warmest] < RISE_K:
            raise CommissionError(
                f"{_zone(zone)} did not warm in {HEAT_LIMIT_S:g} s: check heater, fuse, thermal "
                "cut-out and supply, with the supply off."
            )
        others = max((rise for k, rise in enumerate(rises) if k != zone), default=0.0)
        if warmest != zone or others > OTHER_SHARE * rises[zone]:
            shown = ", ".join(f"{_zone(k)} {rise:.1f}" for k, rise in enumerate(rises))
            raise CommissionError(
                f"The heater of {_zone(zone)} warmed others (K: {shown}): heaters or sensors are "
                "crossed; put the plugs right with the supply off."
            )
        person.tell(f"{_zone(zone)} rose by {rises[zone]:.1f} K, others by {others:.1f} at most.")


CHECKS: Sequence[Check] = (
    Check("hard-wired stop and permit", check_contacts),
    Check("sensors", check_sensors),
    Check("ready", make_idle),
    Check("drives, one by one, without strips", check_drives),
    Check("wheels, with strips", check_wheels),
    Check("heaters, one by one, without strips", check_heaters),
)


# -------------------------------------------------------------------------------------- helpers


def _zone(zone: int) -> str:
    return f"zone {zone + 1} ({ZONE_NAMES[zone]})"


def _look(client: HeadClient) -> Snapshot:
    """A snapshot that shows what has just been done."""
    client.clock.sleep(POLL_S)
    return client.snapshot()


def _wait(client: HeadClient, state: State, most_s: float = 5.0) -> None:
    for _ in range(round(most_s / STEP_S)):
        if client.snapshot().telemetry.state == state:
            return
        client.clock.sleep(STEP_S)
    now = client.snapshot().telemetry.state.name.lower()
    raise CommissionError(f"The head is {now}, not {state.name.lower()}: look at its alarms.")


def _jog(client: HeadClient, length_mm: float, drives: int) -> None:
    client.write("feed.jog_drives", drives)
    client.write("feed.jog_speed_mm_s", JOG_SPEED_MM_S)
    client.write("feed.jog_length_mm", length_mm)
    for _ in range(round(length_mm / JOG_SPEED_MM_S / STEP_S) + 10):
        client.clock.sleep(STEP_S)
        client.snapshot()  # a silent host would end it


def _heat(client: HeadClient, zone: int) -> list[float]:
    """Rises of all zones once this one's, or another's, is plain, K."""
    start = [z.pv_degC for z in _look(client).zones]
    client.write("zone.manual_op_percent", HEAT_PERCENT, zone)
    client.write("zone.mode", ZoneMode.MANUAL, zone)
    try:
        for _ in range(round(HEAT_LIMIT_S / POLL_S)):
            rises = [z.pv_degC - then for z, then in zip(_look(client).zones, start, strict=True)]
            if max(rises) >= RISE_K:
                break
        return rises
    finally:
        client.write("zone.mode", ZoneMode.OFF, zone)
