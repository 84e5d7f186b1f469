"""Twin and board play the same script from the same seed; their telemetry is laid side by side.

What must be equal to the last digit of the wire: states, alarms, events, setpoints, modes, what a
length and a jog come to in pulses and in feed position, what a zone in manual gives.

What cannot be, and why:

- `head_ms`: a board reads its settings before its clock starts, a twin has no such time.
- anything that moves, while it moves: the board's millisecond begins some cycles after the
  bench's, and its main loop takes the pulses over up to a millisecond later. At v mm/s that is
  0.001 v mm; at rest nothing of it is left.
- wheels at rest: the plant gets the same pulses, but cut into milliseconds at other places, and its
  slip and its wheels answer to that in the last digits; a count (0.05 mm, 0.5 mm a lane) may fall
  on either side.
- PV: the board's converter samples at its own moments, so it draws other noise. Both means of
  20 readings of 64 samples lie within a few hundredths of a kelvin of each other; without noise in
  the plant they differ by as much as the quantiser's stairs.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from bare_head import frame, unwords, words
from heads import scenario
from plylane.head.names import address_of, find
from plylane.head.registers import (
    FIFO_ADDRESS,
    Command,
    DriveTelemetryRegs,
    FeedSource,
    LaneTelemetryRegs,
    State,
    TelemetryRegs,
    ZoneMode,
    ZoneTelemetryRegs,
)
from plylane_twin import Board, Twin
from plylane_twin.stand import Stand

LENGTH_MM = 60.0
SPEED_MM_S = 20.0
FIRST, LATER, AFTER_MM = 0.5, 2.0, 30.0  # feed-forward, %/(mm/s)


@dataclass(frozen=True)
class Sample:
    telemetry: TelemetryRegs
    drives: list[DriveTelemetryRegs]
    zones: list[ZoneTelemetryRegs]
    lanes: list[LaneTelemetryRegs]


class Script:
    """Writes frames at fixed times, whatever the head makes of them, and keeps what comes back."""

    def __init__(self, stand: Stand) -> None:
        self.stand = stand
        self.samples: dict[int, Sample] = {}
        self.events: list[tuple[int, int]] = []

    def ask(self, at_ms: int, pdu: bytes) -> bytes:
        self.stand.advance(at_ms - self.stand.time_ms)
        self.stand.line.write(frame(1, pdu))
        self.stand.advance(30)
        answer = self.stand.line.read(300)
        assert answer == frame(1, answer[1:-2]), f"at {at_ms} ms: {answer.hex(' ')}"
        assert answer[1] == pdu[0], f"at {at_ms} ms refused: {answer.hex(' ')}"
        return answer[1:-2]

    def write(self, at_ms: int, name: str, value: float, instance: int = 0) -> None:
        wire = find(name)[1].encode(value)
        start = address_of(name, instance)
        pdu = b"\x10" + words([start, len(wire)]) + bytes([2 * len(wire)]) + words(wire)
        self.ask(at_ms, pdu)

    def look(self, at_ms: int) -> None:
        raw = unwords(self.ask(at_ms, b"\x04" + words([100, 63]))[2:])
        self.samples[at_ms] = Sample(
            TelemetryRegs.from_words(raw[:29]),
            [DriveTelemetryRegs.from_words(raw[29 + 2 * k : 31 + 2 * k]) for k in range(3)],
            [ZoneTelemetryRegs.from_words(raw[35 + 4 * k : 39 + 4 * k]) for k in range(3)],
            [LaneTelemetryRegs.from_words(raw[47 + 2 * k : 49 + 2 * k]) for k in range(8)],
        )

    def take_events(self, at_ms: int) -> None:
        queue = unwords(self.ask(at_ms, b"\x18" + words([FIFO_ADDRESS]))[5:])
        self.events += list(zip(queue[1::5], queue[2::5], strict=True))
        if queue:
            self.ask(at_ms + 40, b"\x06" + words([address_of("command.events_taken"), queue[-5]]))


def play(stand: Stand) -> Script:
    """Heat a little, feed a length, look on the way and at rest, jog back, look again."""
    script = Script(stand)
    script.write(200, "command.command", Command.RESET)
    script.write(440, "guards.settle_time_s", 0)  # a start that has nothing to wait for
    script.write(520, "zone_settings.band_degC", 5.0, 0)
    script.write(560, "zone_settings.feed_forward_first_percent_per_mm_s", FIRST, 0)
    script.write(600, "zone_settings.feed_forward_percent_per_mm_s", LATER, 0)
    script.write(640, "zone_settings.feed_forward_after_mm", AFTER_MM, 0)
    script.write(680, "zone.setpoint_degC", 25.0, 0)
    script.write(720, "zone.mode", ZoneMode.AUTOMATIC, 0)
    script.write(760, "zone.manual_op_percent", 12.5, 1)
    script.write(800, "zone.mode", ZoneMode.MANUAL, 1)
    script.look(860)
    script.write(940, "feed.source", FeedSource.LENGTH)
    script.write(980, "feed.length_mm", LENGTH_MM)
    script.write(1020, "feed.speed_mm_s", SPEED_MM_S)
    script.write(1100, "command.command", Command.START)
    for at_ms in (2000, 3000):
        script.look(at_ms)
    script.take_events(3100)
    script.look(4500)  # or the link would be silent too long
    script.look(6000)  # at rest
    script.write(6100, "command.command", Command.RESET)
    script.write(6500, "feed.jog_drives", 7)
    script.write(6540, "feed.jog_speed_mm_s", SPEED_MM_S)
    script.write(6580, "feed.jog_length_mm", -LENGTH_MM / 2)
    script.look(10_000)
    script.take_events(10_100)
    return script


@pytest.fixture(scope="module")
def both(elf: Path) -> tuple[Script, Script]:
    chosen = scenario()
    return play(Twin(chosen, 11)), play(Board(elf, chosen, 11))


AT_REST = (860, 6000, 10_000)


@pytest.mark.parametrize("at_ms", AT_REST)
def test_at_rest_all_that_is_exact_is_equal(both: tuple[Script, Script], at_ms: int) -> None:
    twin, board = (script.samples[at_ms] for script in both)
    for name in (
        "state",
        "inputs",
        "status",
        "alarms_active",
        "alarms_unacknowledged",
        "events_lost",
        "refused_count",
        "feed_position_mm",
        "feed_speed_mm_s",
        "feed_target_mm_s",
        "length_to_go_mm",
        "trim_ppm",
        "pulse_overruns",
    ):
        assert getattr(board.telemetry, name) == getattr(twin.telemetry, name), name
    assert board.drives == twin.drives
    for ours, theirs in zip(board.zones, twin.zones, strict=True):
        assert (ours.sp_degC, ours.mode) == (theirs.sp_degC, theirs.mode)
    assert board.zones[1].op_percent == twin.zones[1].op_percent


def test_states_and_alarms_come_in_the_same_order(both: tuple[Script, Script]) -> None:
    twin, board = both
    assert board.events == twin.events
    assert len(board.events) > 8


@pytest.mark.parametrize("at_ms", AT_REST)
def test_wheels_at_rest_agree_to_a_count(both: tuple[Script, Script], at_ms: int) -> None:
    twin, board = (script.samples[at_ms] for script in both)
    output = board.telemetry.output_position_mm
    assert output == pytest.approx(twin.telemetry.output_position_mm, abs=2 * 0.05 + 0.001)
    for ours, theirs in zip(board.lanes, twin.lanes, strict=True):
        assert ours.position_mm == pytest.approx(theirs.position_mm, abs=0.5 + 0.001)
    assert abs(twin.telemetry.mismatch_mm - board.telemetry.mismatch_mm) <= 0.11


@pytest.mark.parametrize("at_ms", (2000, 3000))
def test_on_the_way_they_are_two_milliseconds_apart_at_most(
    both: tuple[Script, Script], at_ms: int
) -> None:
    twin, board = (script.samples[at_ms].telemetry for script in both)
    assert board.state is twin.state is State.EXECUTE
    apart = 0.002 * SPEED_MM_S
    assert board.feed_position_mm == pytest.approx(twin.feed_position_mm, abs=apart)
    assert board.length_to_go_mm == pytest.approx(twin.length_to_go_mm, abs=apart)
    assert board.feed_speed_mm_s == twin.feed_speed_mm_s == SPEED_MM_S


@pytest.mark.parametrize("at_ms", (860, 2000, 3000, 6000, 10_000))
def test_process_values_agree_within_the_noise(both: tuple[Script, Script], at_ms: int) -> None:
    twin, board = (script.samples[at_ms].zones for script in both)
    for zone in range(2):
        assert board[zone].pv_degC == pytest.approx(twin[zone].pv_degC, abs=0.1)


def test_both_go_over_to_the_later_feed_forward(both: tuple[Script, Script]) -> None:
    """6 %/degC on PVs that agree within 0.1 degC, and the integral of that."""
    early, late = ([script.samples[at_ms] for script in both] for at_ms in (2000, 3000))
    assert all(each.telemetry.feed_position_mm < AFTER_MM for each in early)
    assert all(each.telemetry.feed_position_mm > AFTER_MM for each in late)
    for ours, theirs in (early, late):
        assert ours.zones[0].op_percent == pytest.approx(theirs.zones[0].op_percent, abs=1.5)
    for before, after in zip(early, late, strict=True):
        more = after.zones[0].op_percent - before.zones[0].op_percent
        assert more == pytest.approx((LATER - FIRST) * SPEED_MM_S, abs=3.0)


def test_feeding_ends_in_complete(both: tuple[Script, Script]) -> None:
    for script in both:
        at_rest = script.samples[6000].telemetry
        assert at_rest.state is State.COMPLETE
        assert at_rest.feed_position_mm == LENGTH_MM
        assert at_rest.length_to_go_mm == 0.0
