"""Feeding a length by jog, and what was counted meanwhile, as jobs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from plylane.feed.calibration import CalibrationError
from plylane.head.client import HeadClient
from plylane.head.registers import Command, State, Status, ZoneMode
from plylane.head.snapshot import Snapshot, spaced
from plylane.tune_run.engine import Engine, Job
from plylane.tune_run.parts import come_to, standing, state_of

COOL_DEGC = 45.0
"""Above this nobody works at the rollers: skin burns from about 60 degC metal on within seconds
(memory); wood and adhesive stay far below theirs."""
NO_READING_DEGC = -50.0
REST_S = 6.5
"""Standing this long, the strips have given back their slack."""
BEGINS_S = 1.0
ENDS_EARLY = 0.01
JOG_MOST_MM = 500.0


@dataclass(frozen=True, slots=True)
class InForce:
    """The head's settings that a calibration looks at; instances from 0."""

    pulses_per_m: tuple[float, ...]
    ratios_ppm: tuple[float, ...]
    output_mm_per_count: float
    lanes_mm_per_pulse: tuple[float, ...]
    slip: float
    acceleration_mm_s2: float
    speed_max_mm_s: float

    @classmethod
    def read(cls, client: HeadClient) -> InForce:
        """What is in force. Raises the client's errors."""
        fitted = client.fitted

        def each(name: str, count: int) -> tuple[float, ...]:
            return tuple(client.read(name, k) for k in range(count))

        return cls(
            pulses_per_m=each("drive_settings.pulses_per_m", fitted.drives),
            ratios_ppm=each("drive_settings.ratio_ppm", fitted.drives),
            output_mm_per_count=client.read("machine.output_mm_per_count"),
            lanes_mm_per_pulse=each("lane_settings.mm_per_pulse", fitted.lanes),
            slip=client.read("machine.expected_slip_percent") / 100.0,
            acceleration_mm_s2=client.read("machine.acceleration_mm_s2"),
            speed_max_mm_s=client.read("machine.speed_max_mm_s"),
        )


@dataclass(frozen=True, slots=True)
class Fed:
    """One feed: what was asked for, and what was counted from rest to rest. Lanes: pulses
    forwards less those that came back at rest; `back_mm` what came back.
    """

    length_mm: float
    speed_mm_s: float
    pulses: tuple[int, ...]
    output_counts: int
    lane_pulses: tuple[int, ...]
    back_mm: tuple[float, ...]


def ready(engine: Engine) -> Job[None]:
    """Cool, zones off, Idle (by a reset where that is the way). Raises CalibrationError."""
    state = state_of(engine)
    for number, zone in enumerate(engine.latest.zones if engine.latest else (), 1):
        if zone.mode is not ZoneMode.OFF:
            raise CalibrationError(
                f"zone {number} is switched on: switch the zones off, people work at the rollers"
            )
        if zone.pv_degC > COOL_DEGC:
            raise CalibrationError(
                f"zone {number} is at {zone.pv_degC:.0f} degC: let it cool below {COOL_DEGC:.0f}"
                " degC, strip that stands there scorches and people work beside it"
            )
        if zone.pv_degC < NO_READING_DEGC:
            raise CalibrationError(
                f"the sensor of zone {number} cannot be read, the block may be hot: mend it first"
            )
    if state in (State.STOPPED, State.COMPLETE):
        yield from engine.call(lambda client: client.command(Command.RESET))
        yield from come_to(engine, State.IDLE)
    elif state is not State.IDLE:
        raise CalibrationError(
            f"the head is in {spaced(state.name)}: bring it to Idle to calibrate its feed"
        )


def feed(
    engine: Engine,
    in_force: InForce,
    length_mm: float,
    drives: Sequence[int],
    speed_mm_s: float,
    what: str,
) -> Job[Fed]:
    """Jog those drives (from 0) over a length and let strips come to rest. Raises
    CalibrationError where the head does not do it to the end.
    """
    yield from ready(engine)
    yield
    before = _seen(engine)
    mask = sum(1 << drive for drive in drives)
    begin = partial(_jog, length_mm=length_mm, mask=mask, speed_mm_s=speed_mm_s)
    try:
        yield from engine.call(begin)
        began_s = engine.log.now_s
        while not _moving(_seen(engine)) and engine.log.now_s < began_s + BEGINS_S:
            yield
        expected_s = length_mm / speed_mm_s + speed_mm_s / in_force.acceleration_mm_s2
        while _moving(_seen(engine)):
            gone_s = engine.log.now_s - began_s
            engine.tell(f"{what}.", gone_s, None, min(1.0, gone_s / (expected_s + REST_S)))
            yield
        stopped = _seen(engine)
        yield from engine.pause(REST_S)
    finally:
        yield from engine.put_back(lambda client: client.write("feed.jog_length_mm", 0.0))
    found = _counted(in_force, length_mm, speed_mm_s, before, stopped, _seen(engine))
    for drive in drives:
        ratio = 1.0 + 1e-6 * in_force.ratios_ppm[drive]
        wanted = length_mm / 1000.0 * in_force.pulses_per_m[drive] * ratio
        if abs(found.pulses[drive] - wanted) > ENDS_EARLY * wanted + 2.0:
            raise CalibrationError(f"the feed did not go to its end: {standing(engine)}")
    return found


def _jog(client: HeadClient, length_mm: float, mask: int, speed_mm_s: float) -> None:
    client.write("feed.jog_drives", mask)
    client.write("feed.jog_speed_mm_s", speed_mm_s)
    client.write("feed.jog_length_mm", length_mm)


def _seen(engine: Engine) -> Snapshot:
    """The newest snapshot, the head still in Idle."""
    if state_of(engine) is not State.IDLE or engine.latest is None:
        raise CalibrationError(f"the feed was ended: {standing(engine)}")
    return engine.latest


def _moving(seen: Snapshot) -> bool:
    now = seen.telemetry
    return Status.JOGGING in now.status or now.feed_speed_mm_s != 0.0


def _counted(
    in_force: InForce,
    length_mm: float,
    speed_mm_s: float,
    before: Snapshot,
    stopped: Snapshot,
    after: Snapshot,
) -> Fed:
    laid = after.telemetry.output_position_mm - before.telemetry.output_position_mm
    lanes, back = [], []
    for per_pulse, *seen in zip(
        in_force.lanes_mm_per_pulse, before.lanes, stopped.lanes, after.lanes, strict=True
    ):
        first, second, third = (round(lane.position_mm / per_pulse) for lane in seen)
        lanes.append(second - first - (third - second))
        back.append((third - second) * per_pulse)
    return Fed(
        length_mm=length_mm,
        speed_mm_s=speed_mm_s,
        pulses=tuple(b.pulses - a.pulses for a, b in zip(before.drives, after.drives, strict=True)),
        output_counts=round(laid / in_force.output_mm_per_count),
        lane_pulses=tuple(lanes),
        back_mm=tuple(back),
    )
