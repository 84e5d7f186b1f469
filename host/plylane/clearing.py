"""Clearing what stopped a run, step by step: what to make safe, to pull, to check, to cut out.

Each step is confirmed by the person at the machine, or judged from a snapshot and shown with the
number it is judged by. That every step is done says what was looked at. It does not say that the
machine is safe: no software can, and the site's own procedure comes before all of this. What to
pull and to look at is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from plylane.head.registers import ALARMS, Inputs, Status, ZoneMode
from plylane.head.snapshot import Snapshot

TURNED_MM = 5.0
"""So far a wheel's count must move to have been turned: more than a strip springs by itself."""
_AT_REST_MM_S = 0.05
_NO_READING_DEGC = -273.15
BLOCKING = sum(1 << alarm.number for alarm in ALARMS if alarm.reaction != "report")
"""The head's alarms that make it refuse to unhold."""


class Wheel(StrEnum):
    """The wheel to be turned by hand in a check."""

    NONE = ""
    LANE = "lane"
    OUTPUT = "output"


@dataclass(frozen=True, slots=True)
class Guide:
    """What to do about one kind of trouble; `lane` stands for the lane where one is concerned."""

    pull: str
    look: str
    wheel: Wheel = Wheel.NONE
    spoils: bool = True


_GUIDES = {
    "strip_stuck": Guide(
        "Pull the strip of {lane} back out of the guide, against the feed; cut off what buckled.",
        "Guide and wheel of {lane}: no splinter, no hardened adhesive, nothing caught.",
        Wheel.LANE,
    ),
    "strip_out": Guide(
        "Draw out what is left of the strip in {lane}; put the next one in up to the last piece.",
        "The strip of {lane} lies under its wheel and enters the infeed; the others are in place.",
        Wheel.LANE,
    ),
    "head_jam": Guide(
        "Take the strips out between infeed and nip; cut them off where they buckled or stick.",
        "Guide, nip and rollers: no pieces left, no adhesive; every strip slides by hand.",
    ),
    "cord_not_laid": Guide(
        "Take away the cord that came out without being laid.",
        "Robot or gantry stands where the cord ends, and why its permit went is known.",
    ),
    "zone_too_cold": Guide(
        "Pull on the cord at the nozzle: what parts at a glue line is not bonded.",
        "Heater, its plug and its sensor; otherwise a lower feed speed once the run goes on.",
    ),
    "lost_steps": Guide(
        "Take out strip that buckled between infeed and press.",
        "The infeed roller turns freely by hand; its motor and coupling hold.",
    ),
    "lane_wheel_stuck": Guide(
        "Lift the wheel of {lane} and take out what holds it.",
        "The wheel of {lane} turns freely and its spring presses it on the strip.",
        Wheel.LANE,
        spoils=False,
    ),
    "output_wheel_stuck": Guide(
        "Lift the output wheel and take out what holds it.",
        "The output wheel turns freely and its spring presses it on the cord.",
        Wheel.OUTPUT,
        spoils=False,
    ),
    "output_wheel_dirty": Guide(
        "Take adhesive and dirt off the output wheel.",
        "The output wheel turns freely and its spring presses it on the cord.",
        Wheel.OUTPUT,
        spoils=False,
    ),
    "slip_growing": Guide(
        "Take adhesive off the rollers, a cloth on a stick, never a finger near the nip.",
        "No strip begins to stick in the guide; roller pressure is as it was set.",
        spoils=False,
    ),
    "lane_stopped": Guide(
        "Pull the strip of {lane} back out of the guide; if it ran out, put the next one in.",
        "Guide and wheel of {lane}: nothing caught, the wheel presses on the strip.",
        Wheel.LANE,
    ),
}
ALARM_CAUSES = {
    alarm.number: alarm.name for alarm in ALARMS if alarm.name in ("feed_mismatch", "lane_stopped")
}
"""The head's alarms after whose hold there is something to clear."""
_UNDECIDED = Guide(
    "Pull out whatever strip does not slide by hand; cut off buckled ends.",
    "Guide, nip, rollers, lane wheels and output wheel: nothing caught, no adhesive.",
)


@dataclass(frozen=True, slots=True)
class Cause:
    """What is to be cleared: `kind` of a finding or name of the head's alarm; `lane` from 1.

    `onset_s`: when it began, where that is known.
    """

    kind: str
    lane: int | None
    lost_mm: float
    text: str
    onset_s: float | None = None

    @property
    def guide(self) -> Guide:
        """What to do about it; where nothing special is known, look at everything."""
        guide = _GUIDES.get(self.kind, _UNDECIDED)
        # without its lane the advice would name none
        return _UNDECIDED if guide.wheel is Wheel.LANE and self.lane is None else guide


@dataclass(frozen=True, slots=True)
class Stand:
    """How the head came to rest: positions then, and the cord laid since the trouble began, mm."""

    cause: Cause
    since_s: float
    cord_from_mm: float
    cord_to_mm: float
    lanes_mm: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Step:
    """One step. `reading` is the number it is judged by or that helps; empty where there is none.

    A `judged` step follows the snapshot alone; the others the person's word (`confirmed`), and a
    wheel to be turned also its count.
    """

    name: str
    label: str
    what: str
    reading: str
    judged: bool
    confirmed: bool
    done: bool


@dataclass(frozen=True, slots=True)
class Clearing:
    """A clearing under way. Never changed in place: other threads read it."""

    stand: Stand
    confirmed: frozenset[str] = frozenset()

    def steps(self, now: Snapshot, *, fresh: bool = True) -> tuple[Step, ...]:
        """The steps in order as they stand now; nothing is judged done from an old snapshot."""
        return tuple(_Judge(self, now, fresh).steps())


def ready(steps: tuple[Step, ...]) -> bool:
    """Whether nothing is open."""
    return not open_steps(steps)


def open_steps(steps: tuple[Step, ...]) -> tuple[Step, ...]:
    """The steps still to be done."""
    return tuple(step for step in steps if not step.done)


@dataclass(frozen=True, slots=True)
class _Judge:
    clearing: Clearing
    now: Snapshot
    fresh: bool

    def steps(self) -> Iterator[Step]:
        yield self._asked("isolate", "drives and heaters isolated", _ISOLATE)
        yield self._rollers()
        yield self._asked("heat", "hot blocks cooled or guarded", _HEAT, self._temperatures())
        yield from self._what_the_cause_wants()
        yield self._asked("strips", "strips not scorched", _SCORCH, self._stood())
        yield self._asked("hands_out", "hands and tools out, guards shut", _HANDS_OUT)
        yield self._alarms()
        yield self._inputs()
        yield self._zones()

    def _asked(self, name: str, label: str, what: str, reading: str = "") -> Step:
        given = name in self.clearing.confirmed
        return Step(name, label, what, reading, False, given, given)

    def _judged(self, name: str, label: str, what: str, reading: str, holds: bool) -> Step:
        return Step(name, label, what, reading, True, False, holds and self.fresh)

    # ------------------------------------------------------------------ what the cause wants

    def _what_the_cause_wants(self) -> Iterator[Step]:
        cause = self.clearing.stand.cause
        guide, lane = cause.guide, f"lane {cause.lane}"
        lost = f"{cause.lost_mm:.1f} mm not passed"
        yield self._asked("pull", "jam taken out", guide.pull.format(lane=lane), lost)
        yield self._asked("look", "place looked at", guide.look.format(lane=lane))
        if guide.wheel is not Wheel.NONE:
            yield self._wheel(guide.wheel, cause.lane)
        yield self._cord(guide.spoils)

    def _wheel(self, wheel: Wheel, lane: int | None) -> Step:
        """Done by its count, or on the word of a person where the count cannot tell."""
        moved_mm = abs(self._moved_mm(wheel, lane))
        name = f"lane {lane}'s wheel" if wheel is Wheel.LANE else "output wheel"
        step = self._asked(
            "wheel",
            f"{name} turned by hand",
            f"Turn {name} by hand: its count must move. Confirm only if you saw to it otherwise.",
            f"moved {moved_mm:.1f} of {TURNED_MM:g} mm",
        )
        turned = moved_mm >= TURNED_MM and self.fresh
        return Step(
            step.name, step.label, step.what, step.reading, False, step.done, step.done or turned
        )

    def _moved_mm(self, wheel: Wheel, lane: int | None) -> float:
        stand, now = self.clearing.stand, self.now
        if wheel is Wheel.OUTPUT:
            return now.telemetry.output_position_mm - stand.cord_to_mm
        at = (lane or 0) - 1
        if not 0 <= at < min(len(stand.lanes_mm), len(now.lanes)):
            return 0.0
        return now.lanes[at].position_mm - stand.lanes_mm[at]

    def _cord(self, spoils: bool) -> Step:
        stand = self.clearing.stand
        from_mm, to_mm = stand.cord_from_mm, stand.cord_to_mm
        length = f"{to_mm - from_mm:.0f} mm"
        where = f"from {from_mm:.0f} to {to_mm:.0f} mm of its length, the last {length} laid"
        if not spoils:
            return self._asked("cord", "cord looked at", f"Look at the cord {where}.", length)
        what = (
            f"Cut out or mark the cord {where}, and what lies between guide and nozzle with it;"
            " numbers are estimates, go by what you see."
        )
        return self._asked("cord", "bad cord cut out or marked", what, f"at least {length}")

    # ------------------------------------------------------------------ what a snapshot tells

    def _temperatures(self) -> str:
        names = ("guide", "nip")
        told = [
            f"{names[k] if k < 2 else f'zone {k + 1}'} {_reading(zone.pv_degC)}"
            for k, zone in enumerate(self.now.zones)
        ]
        return ", ".join(told)

    def _stood(self) -> str:
        return f"stood {max(0.0, self.now.time_s - self.clearing.stand.since_s):.0f} s"

    def _rollers(self) -> Step:
        now = self.now.telemetry
        rest = abs(now.feed_speed_mm_s) <= _AT_REST_MM_S and Status.MOVING not in now.status
        reading = f"feed {now.feed_speed_mm_s:.2f} mm/s"
        return self._judged("rollers", "rollers stand", _ROLLERS, reading, rest)

    def _alarms(self) -> Step:
        now = self.now.telemetry
        standing, waiting = now.alarms_active & BLOCKING, now.alarms_unacknowledged
        reading = f"{standing.bit_count()} standing, {waiting.bit_count()} unack."
        return self._judged(
            "alarms", "alarms acknowledged", _ALARMS, reading, not standing | waiting
        )

    def _inputs(self) -> Step:
        inputs = self.now.telemetry.inputs
        permit, tripped = Inputs.PERMIT_GIVEN in inputs, Inputs.STOP_TRIPPED in inputs
        reading = f"permit {'given' if permit else 'away'}, stop {'tripped' if tripped else 'free'}"
        return self._judged(
            "inputs", "permit given, stop free", _INPUTS, reading, permit and not tripped
        )

    def _zones(self) -> Step:
        zones = self.now.zones
        regulated = [
            zone.mode is ZoneMode.AUTOMATIC and zone.pv_degC > _NO_READING_DEGC for zone in zones
        ]
        reading = f"{sum(regulated)} of {len(zones)} regulate"
        return self._judged("zones", "zones ready to heat", _ZONES, reading, all(regulated))


def _reading(pv_degC: float) -> str:
    return f"{pv_degC:.0f} °C" if pv_degC > _NO_READING_DEGC else "no reading"


_ISOLATE = (
    "Isolate and lock out drives and heaters by your site's procedure; Held is not isolated. If"
    " that trips the stop input the head aborts and the run is over: never go without to save one."
)
_ROLLERS = "Rollers stand still. A reading does not keep them still: only isolation does."
_HEAT = (
    "Metal above about 65 °C burns within a second; standby is hot too. Let it cool or use tools"
    " and gloves. A sensor out of its seat shows a cool block."
)
_SCORCH = (
    "Look at the strips that stood in the guide, and smell: cut back what is brown or chars."
    " Strip that stands too long in a hot guide makes the head stop the run."
)
_HANDS_OUT = (
    "Hands, tools and people are out, guards are shut, whoever isolated has taken it off again,"
    " the hard-wired stop is in reach and was tested."
)
_ALARMS = "Acknowledge the head's alarms (A), having read each; the head refuses to unhold before."
_INPUTS = "The motion system gives its permit and the stop input is not tripped."
_ZONES = (
    "Every zone has a reading and regulates. After unhold the head heats to its setpoints first and"
    " feeds by itself once they are reached."
)
