"""Decoding of telemetry and of events."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane.head.errors import NonsenseAnswer
from plylane.head.names import find, holding_at, label_at
from plylane.head.registers import (
    ALARMS,
    BLOCKS,
    DriveTelemetryRegs,
    EventCode,
    LaneTelemetryRegs,
    State,
    TelemetryRegs,
    ZoneMode,
    ZoneTelemetryRegs,
)
from plylane.head.snapshot import FIRST_WORD, Event, Fitted, decode, decode_events

wide = st.integers(-(2**31), 2**31 - 1)
narrow = st.integers(-(2**15), 2**15 - 1)
count = st.integers(0, 0xFFFF)


def set_words(words: list[int], address: int, values: list[int]) -> None:
    words[address - FIRST_WORD : address - FIRST_WORD + len(values)] = values


@given(
    fitted=st.builds(Fitted, st.integers(1, 3), st.integers(1, 3), st.integers(1, 8)),
    lanes=st.lists(wide, min_size=8, max_size=8),
    drives=st.lists(wide, min_size=3, max_size=3),
    zones=st.lists(
        st.tuples(narrow, narrow, count, st.sampled_from(ZoneMode)), min_size=3, max_size=3
    ),
    state=st.sampled_from(State),
    head_ms=st.integers(0, 2**32 - 1),
)
def test_what_was_put_in_comes_out(
    fitted: Fitted,
    lanes: list[int],
    drives: list[int],
    zones: list[tuple[int, int, int, ZoneMode]],
    state: State,
    head_ms: int,
) -> None:
    """Words laid out by the map's addresses; only what is fitted is told."""
    words = [0] * 63
    set_words(words, 100, [head_ms >> 16, head_ms & 0xFFFF, state])
    for k, pulses in enumerate(drives):
        set_words(words, 129 + 2 * k, DriveTelemetryRegs(pulses).to_words())
    for k, (pv, sp, op, mode) in enumerate(zones):
        set_words(words, 135 + 4 * k, [pv & 0xFFFF, sp & 0xFFFF, op, mode])
    for k, um in enumerate(lanes):
        set_words(words, 147 + 2 * k, [um >> 16 & 0xFFFF, um & 0xFFFF])
    snapshot = decode(words[: fitted.words], fitted, 1.5)
    assert (snapshot.time_s, snapshot.telemetry.head_ms) == (1.5, head_ms)
    assert snapshot.telemetry.state is state
    assert [d.pulses for d in snapshot.drives] == drives[: fitted.drives]
    assert [z.pv_degC for z in snapshot.zones] == [z[0] / 100 for z in zones[: fitted.zones]]
    assert [z.mode for z in snapshot.zones] == [z[3] for z in zones[: fitted.zones]]
    assert [lane.position_mm for lane in snapshot.lanes] == [
        um / 1000 for um in lanes[: fitted.lanes]
    ]


def test_one_read_holds_it_all() -> None:
    """The blocks follow one another and fit into one answer (at most 125 registers)."""
    assert Fitted(3, 3, 8).words == 63
    assert Fitted(2, 3, 5).words == 57
    blocks = [
        r.BLOCK for r in (TelemetryRegs, DriveTelemetryRegs, ZoneTelemetryRegs, LaneTelemetryRegs)
    ]
    for block, following in itertools.pairwise(blocks):
        assert block.address + block.words * block.instances == following.address


def test_a_state_that_is_none_is_nonsense() -> None:
    with pytest.raises(NonsenseAnswer, match="makes no sense: 99"):
        decode([0, 0, 99] + [0] * 55, Fitted(3, 3, 8), 0.0)


@given(events=st.lists(st.tuples(count, count, count, st.integers(0, 2**32 - 1)), max_size=6))
def test_events_come_out_of_the_queue_as_they_went_in(
    events: list[tuple[int, int, int, int]],
) -> None:
    words = [w for s, c, a, ms in events for w in (s, c, a, ms >> 16, ms & 0xFFFF)]
    assert [(e.sequence, e.code, e.argument, e.head_ms) for e in decode_events(words)] == events


@pytest.mark.parametrize("extra", [1, 2, 3, 4])
def test_a_queue_that_does_not_divide_is_nonsense(extra: int) -> None:
    with pytest.raises(NonsenseAnswer):
        decode_events([0] * (10 + extra))


@pytest.mark.parametrize(
    ("code", "argument", "text"),
    [
        (EventCode.ALARM_RAISED, 11 << 8 | 2, "Alarm lane stopped: lane 3"),
        (EventCode.ALARM_CLEARED, 9 << 8, "Alarm over: link silent"),
        (EventCode.ALARM_ACKNOWLEDGED, 0 << 8 | 1, "Alarm acknowledged: over temperature: zone 2"),
        (EventCode.ALARM_RAISED, 200 << 8, "Alarm number 200"),
        (EventCode.HEAD_RESET, 4, "Head reset: brown out"),
        (EventCode.HEAD_RESET, 0, "Head reset: unknown cause"),
        (EventCode.STATE_ENTERED, 6, "State execute"),
        (EventCode.STATE_ENTERED, 99, "State 99"),
        (EventCode.ZONE_MODE, 1 << 8 | 2, "Zone 2 mode automatic"),
        (EventCode.SETTINGS_SAVED, 12, "Settings saved, number 12"),
        (EventCode.EVENTS_LOST, 3, "3 events lost: the head's queue was full"),
        (EventCode.WRITE_REFUSED, 44, "Write refused: zone 2 setpoint_degC"),
        (EventCode.WRITE_REFUSED, 9999, "Write refused: holding register 9999"),
    ],
)
def test_events_read_well(code: EventCode, argument: int, text: str) -> None:
    assert Event(1, code, argument, 0, 0.0).text == text


@given(code=st.sampled_from(EventCode), argument=count)
def test_every_event_has_a_line(code: EventCode, argument: int) -> None:
    text = Event(1, code, argument, 0, 0.0).text
    assert text
    assert "\n" not in text


def test_alarm_events_name_every_alarm() -> None:
    for alarm in ALARMS:
        text = Event(1, EventCode.ALARM_RAISED, alarm.number << 8, 0, 0.0).text
        assert alarm.name.replace("_", " ") in text
        assert text.endswith(f": {alarm.each} 1") == (alarm.each != "none")


def test_every_holding_address_belongs_to_its_register() -> None:
    for block in BLOCKS.values():
        for k in range(block.instances if block.space == "holding" else 0):
            for register in block.registers:
                for word in range(register.words):
                    address = register.address + k * block.words + word
                    assert holding_at(address) == (block, register, k)


def test_names_count_from_one_before_people() -> None:
    assert find("zone.setpoint_degC")[1].address == 41
    assert label_at(44) == "zone 2 setpoint_degC"
    assert label_at(300) == "guards link_timeout_ms"
