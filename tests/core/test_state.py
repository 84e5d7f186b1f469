"""Machine states: every state x every command x every guard."""

from __future__ import annotations

import pytest

from plylane.head.registers import (
    ALARMS,
    TRANSITIONS,
    WHEN_DONE,
    Command,
    FeedRegs,
    MachineRegs,
    Refusal,
    State,
)
from plylane_twin._core import lib

CALM_ONLY = {Command.RESET, Command.START, Command.UNHOLD, Command.CLEAR}
ACTING_SOON = [State.RESETTING, State.ABORTING, State.CLEARING]
COMMAND_ADDRESS = 0


def put(bare, state: State) -> None:
    bare.head.live.zone[0].mode = lib.ZONE_MODE_AUTOMATIC  # else nothing would be there to start
    bare.head.machine.state = state
    bare.head.machine.entered_ms = bare.head.ms


def command(bare, word: int) -> bool:
    """Write the command register; True when it was taken."""
    answer = bare.ask(bytes([6, 0, COMMAND_ADDRESS, word >> 8, word & 0xFF]))
    assert answer in (bytes([6, 0, COMMAND_ADDRESS, word >> 8, word & 0xFF]), b"\x86\x04")
    return answer[0] == 6


@pytest.mark.parametrize("state", State)
@pytest.mark.parametrize("word", Command)
def test_command_leads_where_the_table_says(bare, state: State, word: Command) -> None:
    put(bare, state)
    taken = command(bare, word)
    target = TRANSITIONS.get((state, word), state)
    assert bare.head.machine.state == target
    assert taken == (word == Command.NONE or (state, word) in TRANSITIONS)
    if not taken:
        assert bare.head.refusal.reason == Refusal.NO_SUCH_TRANSITION


@pytest.mark.parametrize("state", State)
@pytest.mark.parametrize("word", Command)
def test_standing_alarm_bars_only_what_leads_to_heat_and_motion(bare, state, word) -> None:
    for alarm in ALARMS:
        for other in ALARMS:
            bare.head.alarms.instances[other.number] = other is alarm
        put(bare, state)
        taken = command(bare, word)
        known = word == Command.NONE or (state, word) in TRANSITIONS
        barred = word in CALM_ONLY and alarm.reaction != "report"
        assert taken == (known and not barred), alarm.name
        if known and barred:
            assert bare.head.refusal.reason == Refusal.ALARM_STANDING
            assert bare.head.machine.state == state


@pytest.mark.parametrize("state", State)
@pytest.mark.parametrize("alarm", ALARMS, ids=lambda a: a.name)
def test_guard_makes_the_head_react(bare, state: State, alarm) -> None:
    put(bare, state)
    reaction = {"hold": Command.HOLD, "stop": Command.STOP, "abort": Command.ABORT}.get(
        alarm.reaction, Command.NONE
    )
    lib.alarm_set(bare.head, alarm.number, 1, True)
    assert bare.head.machine.state == TRANSITIONS.get((state, reaction), state)
    assert lib.alarms_active(bare.head) >> alarm.number & 1
    assert bare.head.alarms.unacknowledged >> alarm.number & 1


@pytest.mark.parametrize("alarm", ALARMS, ids=lambda a: a.name)
@pytest.mark.parametrize("state", [State.HELD, State.EXECUTE])
def test_acknowledge_drops_latched_alarms_once_the_head_stands(bare, alarm, state) -> None:
    put(bare, State.STOPPED)
    lib.alarm_set(bare.head, alarm.number, 1, True)
    put(bare, state)
    lib.alarm_acknowledge(bare.head, 1 << alarm.number)
    assert not bare.head.alarms.unacknowledged
    stays = not alarm.latched or state == State.EXECUTE
    assert bool(lib.alarms_active(bare.head) >> alarm.number & 1) == stays


@pytest.mark.parametrize("number", [6, 7, *range(11, 20), 254, 255, 256, *range(257, 65536, 257)])
def test_numbers_that_are_no_command_are_refused(bare, number: int) -> None:
    if number in set(Command):
        return
    assert not command(bare, number)
    assert bare.head.machine.state == State.STOPPED


@pytest.mark.parametrize("state", ACTING_SOON)
def test_passing_states_pass(bare, state: State) -> None:
    put(bare, state)
    bare.tick(99)
    assert bare.head.machine.state == state
    bare.tick(2)
    assert bare.head.machine.state == WHEN_DONE[state]


def test_waiting_states_wait(bare) -> None:
    for state in (State.STOPPED, State.IDLE, State.HELD, State.COMPLETE, State.ABORTED):
        put(bare, state)
        bare.tick(300)
        assert bare.head.machine.state == state


@pytest.mark.parametrize("state", State)
def test_heaters_never_work_on_the_stop_and_abort_side(bare, state: State) -> None:
    dead = {State.STOPPED, State.STOPPING, State.ABORTING, State.ABORTED, State.CLEARING}
    for (start, word), end in TRANSITIONS.items():
        if end == state:
            put(bare, start)
            assert command(bare, word)
            assert bare.head.zones.enabled == (state not in dead)


def test_every_state_entered_is_told_as_an_event(bare) -> None:
    bare.head.events.count = 0
    assert command(bare, Command.RESET)
    bare.tick(150)
    queue = bare.head.events
    told = [queue.queue[(queue.first + i) % len(queue.queue)] for i in range(queue.count)]
    assert [(e.code, e.argument) for e in told] == [
        (lib.EVENT_CODE_STATE_ENTERED, State.RESETTING),
        (lib.EVENT_CODE_STATE_ENTERED, State.IDLE),
    ]


def test_refused_writes_leave_room_for_what_alarms_have_to_tell(bare) -> None:
    for _ in range(50):
        assert not command(bare, Command.UNHOLD)
    assert bare.head.events.count <= 8
    lib.alarm_set(bare.head, lib.ALARM_STOP_INPUT, 1, True)
    queue = bare.head.events
    told = [queue.queue[(queue.first + i) % len(queue.queue)].code for i in range(queue.count)]
    assert lib.EVENT_CODE_ALARM_RAISED in told
    assert queue.lost == 0


def test_what_must_not_change_in_motion_waits_for_the_end_of_a_jog(bare) -> None:
    put(bare, State.IDLE)
    length = FeedRegs.BLOCK.register("jog_length_mm")
    acceleration = MachineRegs.BLOCK.register("acceleration_mm_s2").address
    assert bare.write(length.address, length.encode(20.0)) == 0
    bare.tick(200)
    assert bare.write(acceleration, [50]) == 4
    assert bare.head.refusal.reason == Refusal.WRONG_STATE
    assert bare.write(length.address, length.encode(5.0)) == 4
    assert bare.write(length.address, length.encode(0.0)) == 0
    bare.tick(1000)
    assert bare.write(acceleration, [50]) == 0
