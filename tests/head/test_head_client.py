"""The typed client against the fake head, in a clock that stands still by itself."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fake_head import FakeClock, FakeHead, FakePort, Fault
from plylane.head.client import HeadClient
from plylane.head.errors import (
    HeadException,
    NoAnswer,
    NonsenseAnswer,
    NotAHead,
    OutOfRange,
    PortLost,
    Refused,
    UnknownRegister,
    WrongMap,
)
from plylane.head.registers import (
    MAP_HASH,
    AlarmDetailRegs,
    Command,
    EventCode,
    FeedRegs,
    GuardsRegs,
    IdentityRegs,
    Refusal,
    ResetCause,
    State,
    StoreAction,
    ZoneSettingsRegs,
)


class Bench:
    """A head, its port, and a client when it was opened."""

    def __init__(self) -> None:
        self.clock = FakeClock()
        self.head = FakeHead(self.clock)
        self.port = FakePort(self.head, self.clock)
        self.opened = 0

    def opener(self, url: str) -> FakePort:
        self.opened += 1
        self.port.closed = False
        return self.port

    def open(self) -> HeadClient:
        return HeadClient.open("COM7", opener=self.opener)

    def refuse(self, reason: Refusal, code: int = 4) -> None:
        self.head.refuse = lambda address, words: (reason, code)


@pytest.fixture
def bench() -> Bench:
    return Bench()


# -------------------------------------------------------------------- opening


def test_opening_learns_who_answers(bench: Bench) -> None:
    bench.head.set("machine.lanes_fitted", 3)
    with bench.open() as client:
        assert client.identity.map_hash == MAP_HASH
        assert client.identity.version == "0.1.0"
        assert client.identity.revision == f"0.1.0+{MAP_HASH:08x}"
        assert (client.fitted.zones, client.fitted.drives, client.fitted.lanes) == (2, 3, 3)
        assert not client.attach_reset
        assert len(client.snapshot().lanes) == 3
    assert bench.port.closed


@pytest.mark.parametrize("boot_s", [0.1, 1.0, 2.0, 3.0, 5.0])
@pytest.mark.parametrize("cause", [ResetCause.EXTERNAL, ResetCause(0)])
def test_a_board_that_resets_on_opening_is_waited_for(
    bench: Bench, boot_s: float, cause: ResetCause
) -> None:
    bench.port.wakes_s = bench.clock.now() + boot_s
    bench.head.reset(cause, age_s=-boot_s)
    client = bench.open()
    assert client.attach_reset
    assert bench.clock.now() - 100.0 < boot_s + 3.6  # the longest gap, and the greeting


@pytest.mark.parametrize("wait_s", [0.5, 1.0, 2.0, 3.0])
def test_a_boot_loader_that_waits_on_with_every_byte_is_outwaited(
    bench: Bench, wait_s: float
) -> None:
    bench.port.wakes_s = bench.clock.now() + wait_s
    bench.port.boot_wait_s = wait_s
    bench.head.reset(ResetCause.EXTERNAL)
    assert bench.open().attach_reset


def test_a_head_that_was_on_already_was_not_reset(bench: Bench) -> None:
    bench.head.reset(ResetCause.EXTERNAL, age_s=30.0)
    assert not bench.open().attach_reset


def test_power_that_came_with_the_plug_is_no_attach_reset(bench: Bench) -> None:
    bench.head.reset(ResetCause.POWER_ON)
    assert not bench.open().attach_reset


def test_nobody_there(bench: Bench) -> None:
    bench.port.wakes_s = 1e9
    with pytest.raises(NoAnswer, match=r"No answer from unit 1 on COM7 .* check supply"):
        bench.open()
    assert bench.port.closed
    assert bench.clock.now() - 100.0 < 10.0


def test_another_device_is_told_from_a_head(bench: Bench) -> None:
    bench.head.functions -= {8, 43}
    with pytest.raises(NotAHead, match="does not identify itself"):
        bench.open()
    bench.head.functions |= {43}
    bench.head.texts[1] = "flow meter"
    with pytest.raises(NotAHead, match="flow meter"):
        bench.open()


def test_another_map_is_refused_with_both_versions(bench: Bench) -> None:
    bench.head.map_hash = 0x12345678
    bench.head.reset(ResetCause.POWER_ON)
    with pytest.raises(WrongMap, match=f"0.1.0.* 12345678.* 0.1.0.* {MAP_HASH:08x}"):
        bench.open()


def test_a_noisy_line_still_opens(bench: Bench) -> None:
    """A third of all answers damaged."""
    bad = Fault(corrupt=lambda frame: frame[:-1] + bytes([frame[-1] ^ 1]))
    bench.port.inject([bad, Fault(), Fault()] * 20)
    assert bench.open().identity.version == "0.1.0"


# -------------------------------------------------------------------- values


@given(setpoint_degC=st.integers(0, 25000).map(lambda raw: raw / 100), zone=st.integers(0, 1))
@settings(max_examples=30, deadline=None)
def test_what_is_written_reads_back(setpoint_degC: float, zone: int) -> None:
    client = Bench().open()
    client.write("zone.setpoint_degC", setpoint_degC, zone)
    assert client.read("zone.setpoint_degC", zone) == setpoint_degC


@given(raw=st.integers(-(2**31), 2**31 - 1))
@settings(max_examples=30, deadline=None)
def test_both_ways_of_reading_agree_to_the_bit(raw: int) -> None:
    bench = Bench()
    bench.head.set("telemetry.output_position_mm", raw)
    client = bench.open()
    snapshot = client.snapshot()
    assert client.read("telemetry.output_position_mm") == snapshot.telemetry.output_position_mm


def test_blocks_are_read_and_written_whole(bench: Bench) -> None:
    client = bench.open()
    guards = client.read_block(GuardsRegs)
    assert guards.link_timeout_ms == 2000
    client.write_block(guards)
    assert bench.head.writes[-1] == (300, guards.to_words())
    assert len(client.read_blocks(ZoneSettingsRegs)) == 3
    assert len(client.read_blocks(AlarmDetailRegs)) == 25


def test_blocks_that_act_are_not_written_whole(bench: Bench) -> None:
    """Writing all of feed would arm the shear and start a jog."""
    client = bench.open()
    with pytest.raises(ValueError, match="feed cannot be written as a whole"):
        client.write_block(client.read_block(FeedRegs))
    with pytest.raises(ValueError, match="identity cannot"):
        client.write_block(client.read_block(IdentityRegs))


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -0.1, 250.1])
def test_a_value_that_cannot_be_is_not_sent(bench: Bench, value: float) -> None:
    client = bench.open()
    with pytest.raises(OutOfRange, match=r"zone 2 setpoint_degC cannot be .* 0 to 250 degC"):
        client.write("zone.setpoint_degC", value, 1)
    assert bench.head.writes == []


def test_names_and_instances_that_do_not_exist(bench: Bench) -> None:
    client = bench.open()
    with pytest.raises(UnknownRegister, match="No registers 'zones'"):
        client.read("zones.mode")
    with pytest.raises(UnknownRegister, match="No register 'setpoint' in zone"):
        client.read("zone.setpoint")
    with pytest.raises(UnknownRegister, match="No zone 4: the map has 3"):
        client.write("zone.mode", 0, 3)
    with pytest.raises(OutOfRange, match="can only be read"):
        client.write("telemetry.state", 1)


def test_fitting_more_lanes_widens_the_snapshot(bench: Bench) -> None:
    client = bench.open()
    client.write("machine.lanes_fitted", 8)
    assert len(client.snapshot().lanes) == 8


def test_nonsense_from_the_head_is_one_line(bench: Bench) -> None:
    client = bench.open()
    bench.head.set("telemetry.state", 99)
    with pytest.raises(NonsenseAnswer):
        client.snapshot()


def test_a_closed_client_says_so(bench: Bench) -> None:
    client = bench.open()
    client.close()
    client.close()
    with pytest.raises(PortLost, match="COM7 went away"):
        client.snapshot()


# -------------------------------------------------------------------- refusals


@pytest.mark.parametrize(
    ("reason", "code", "name", "value", "says"),
    [
        (
            Refusal.OUT_OF_RANGE,
            4,
            "guards.settle_time_s",
            6,
            "The head refused 6 s for guards settle_time_s: out of range, it takes 0 to 65 s.",
        ),
        (
            Refusal.OUT_OF_RANGE,
            4,
            "feed.speed_mm_s",
            50.0,
            "The head refused 50 mm/s for feed speed_mm_s: out of range, "
            "it takes up to machine.speed_max_mm_s, 40 mm/s.",
        ),
        (
            Refusal.WRONG_STATE,
            4,
            "machine.lanes_fitted",
            5,
            "The head refused 5 for machine lanes_fitted: not in state execute, "
            "only in stopped, idle, held, complete or aborted.",
        ),
        (
            Refusal.WRONG_STATE,
            4,
            "feed.jog_length_mm",
            5.0,
            "The head refused 5 mm for feed jog_length_mm: not in state execute, "
            "only in idle or held.",
        ),
        (
            Refusal.SETPOINT_ABOVE_LIMIT,
            4,
            "zone.setpoint_degC",
            150.0,
            "The head refused 150 degC for zone 1 setpoint_degC: above the zone's "
            "setpoint_max_degC of 140 degC, ask for less.",
        ),
        (
            Refusal.BUSY_SAVING,
            6,
            "guards.dwell_time_s",
            60,
            "The head refused 60 s for guards dwell_time_s: it is saving its settings, "
            "try again in a second.",
        ),
        (
            Refusal.NOT_FITTED,
            4,
            "zone.mode",
            2,
            "The head refused 2 for zone 1 mode: zone 1 mode is not fitted, see machine settings.",
        ),
        (
            Refusal.NOT_SUPPORTED,
            4,
            "zone.mode",
            3,
            "The head refused 3 for zone 1 mode: not supported.",
        ),
    ],
)
def test_a_refusal_names_what_why_and_what_would_do(
    bench: Bench, reason: Refusal, code: int, name: str, value: float, says: str
) -> None:
    client = bench.open()
    bench.head.set("telemetry.state", State.EXECUTE)
    bench.refuse(reason, code)
    with pytest.raises(Refused) as caught:
        client.write(name, value)
    assert str(caught.value) == says
    assert (caught.value.reason, caught.value.code) == (reason, code)


def test_a_command_that_leads_nowhere(bench: Bench) -> None:
    client = bench.open()
    bench.refuse(Refusal.NO_SUCH_TRANSITION)
    with pytest.raises(Refused) as caught:
        client.command(Command.START)
    assert str(caught.value) == (
        "The head refused the command start: state stopped knows no such command, "
        "it goes from idle."
    )


def test_an_exception_without_a_refusal_stays_one(bench: Bench) -> None:
    client = bench.open()
    bench.port.inject([Fault(exception=4)])
    with pytest.raises(HeadException, match="exception 04"):
        client.write("zone.setpoint_degC", 20.0)


# -------------------------------------------------------------------- what acts


def test_hold_is_sent_until_it_is_heard(bench: Bench) -> None:
    """The answer is lost after the head acted; the second hold finds it holding already."""
    client = bench.open()
    bench.port.inject([Fault(mute=True)])
    bench.head.refuse = lambda address, words: (
        (Refusal.NO_SUCH_TRANSITION, 4)
        if address == 0 and bench.head.get("telemetry.state") == State.HOLDING
        else None
    )
    client.command(Command.HOLD)
    assert bench.head.writes == [(0, [Command.HOLD])]


@pytest.mark.parametrize(
    "act",
    [
        lambda client: client.command(Command.START),
        lambda client: client.command(Command.UNHOLD),
        lambda client: client.acknowledge(4),
        lambda client: client.store(StoreAction.SAVE),
        lambda client: client.write("feed.jog_length_mm", 5.0),
        lambda client: client.write("feed.shear_at_mm", 500.0),
    ],
)
def test_what_sets_something_off_is_sent_once(bench: Bench, act) -> None:
    client = bench.open()
    bench.port.inject([Fault(mute=True)])
    with pytest.raises(NoAnswer, match="not known whether the head acted"):
        act(client)
    assert len(bench.head.writes) == 1


def test_a_setpoint_is_sent_again(bench: Bench) -> None:
    client = bench.open()
    bench.port.inject([Fault(mute=True)])
    client.write("zone.setpoint_degC", 95.0)
    assert bench.head.writes == [(41, [9500]), (41, [9500])]


# -------------------------------------------------------------------- events


@given(
    bursts=st.lists(st.integers(0, 14), min_size=1, max_size=12),
    faults=st.lists(
        st.sampled_from(
            [Fault(), Fault(), Fault(mute=True), Fault(silent=True), Fault(late_s=0.4)]
        ),
        max_size=60,
    ),
    first=st.sampled_from([0, 65530]),
)
@settings(max_examples=150, deadline=None)
def test_every_event_comes_once_and_in_order(
    bursts: list[int], faults: list[Fault], first: int
) -> None:
    """Whatever the line does to reads and confirmations; sequence numbers skip 0."""
    bench = Bench()
    client = bench.open()
    client.take_events()
    bench.head.sequence = first
    client._last_event = None
    bench.port.inject(faults)
    told: list[int] = []
    made: list[int] = []
    for burst in bursts:
        for _ in range(burst):
            if len(bench.head.events) < 16:
                bench.head.happen(EventCode.SHEAR_FIRED, len(made))
                made.append(bench.head.sequence)
        try:
            told += [event.sequence for event in client.take_events()]
        except NoAnswer:
            assert faults
    bench.port.inject([])
    told += [event.sequence for event in client.take_events()]
    assert told == made
    assert client.events_missed == 0
    assert bench.head.events == []


def test_a_lost_confirmation_tells_nothing_twice(bench: Bench) -> None:
    """Every try at confirming is lost on its way out, so the head shows the same events again."""
    client = bench.open()
    client.take_events()
    bench.head.happen(EventCode.SHEAR_FIRED, 7)
    bench.port.inject([Fault(), *[Fault(silent=True)] * 6])
    assert [event.argument for event in client.take_events()] == [7]
    assert len(bench.head.events) == 1
    bench.port.inject([])
    bench.head.happen(EventCode.SHEAR_FIRED, 8)
    assert [event.argument for event in client.take_events()] == [8]
    assert bench.head.events == []


def test_events_taken_before_the_line_failed_are_not_lost(bench: Bench) -> None:
    """The first six are read and confirmed, the next read fails."""
    client = bench.open()
    client.take_events()
    for number in range(8):
        bench.head.happen(EventCode.SHEAR_FIRED, number)
    bench.port.inject([Fault(), Fault(), *[Fault(silent=True)] * 6])
    told = client.take_events()
    bench.port.inject([])
    told += client.take_events()
    assert [event.argument for event in told] == list(range(8))


def test_a_reset_after_a_lost_confirmation_is_told_again(bench: Bench) -> None:
    """Two lives begin with the same event, the first of them not confirmed."""
    client = bench.open()
    client.take_events()
    bench.clock.sleep(5.0)
    bench.head.reset(ResetCause.WATCHDOG)
    client.snapshot()
    bench.port.inject([Fault(), *[Fault(silent=True)] * 6])
    assert len(client.take_events()) == 1
    bench.port.inject([])
    bench.clock.sleep(5.0)
    bench.head.reset(ResetCause.WATCHDOG)
    client.snapshot()
    assert [event.text for event in client.take_events()] == ["Head reset: watchdog"]


def test_numbers_of_another_life_are_not_compared(bench: Bench) -> None:
    """Another client took the first events of the new life."""
    client = bench.open()
    client.take_events()
    bench.clock.sleep(5.0)
    bench.head.reset(ResetCause.WATCHDOG)
    bench.head.events.clear()
    bench.head.sequence = 30
    bench.head.happen(EventCode.SHEAR_FIRED)
    client.snapshot()
    assert len(client.take_events()) == 1
    assert client.events_missed == 0


def test_lost_events_are_counted(bench: Bench) -> None:
    client = bench.open()
    assert [event.code for event in client.take_events()] == [EventCode.HEAD_RESET]
    for number in range(20):  # the queue keeps 16
        bench.head.happen(EventCode.SHEAR_FIRED, number)
    assert len(client.take_events()) == 16
    bench.head.happen(EventCode.SHEAR_FIRED, 99)
    assert [event.argument for event in client.take_events()] == [99]
    assert client.events_missed == 4


def test_a_reset_begins_the_numbers_anew(bench: Bench) -> None:
    """The head's first event after each reset looks the same; it is told each time."""
    client = bench.open()
    client.take_events()
    for life in (1, 2):
        bench.clock.sleep(5.0)
        bench.head.reset(ResetCause.WATCHDOG)
        bench.clock.sleep(0.01)
        client.snapshot()
        assert client.head_resets == life
        assert client.identity.reset_cause == ResetCause.WATCHDOG
        assert [event.text for event in client.take_events()] == ["Head reset: watchdog"]
    assert client.events_missed == 0


def test_events_stand_on_the_hosts_time(bench: Bench) -> None:
    client = bench.open()
    client.take_events()
    bench.clock.sleep(2.0)
    happened_s = bench.clock.now() - client.origin_s
    bench.head.happen(EventCode.LENGTH_REACHED)
    bench.clock.sleep(3.0)
    client.snapshot()
    (event,) = client.take_events()
    assert event.time_s == pytest.approx(happened_s, abs=0.002)
