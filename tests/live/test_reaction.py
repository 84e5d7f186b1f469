"""The host's hold and the clearing on the twin, and whatever order things come in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane.demo import Demo
from plylane.head.client import HeadClient
from plylane.head.errors import NotAHead
from plylane.head.poller import Poller
from plylane.head.registers import (
    ALARMS,
    Command,
    EventCode,
    Inputs,
    LaneTelemetryRegs,
    State,
    Status,
    TelemetryRegs,
)
from plylane.head.snapshot import Snapshot
from plylane.jam import Finding
from plylane.live import LiveRun
from plylane.reaction import Reaction, spoiling_likelihood
from plylane.run_setup import RunSetup
from plylane.runlog import Run
from plylane.trends import Limits
from plylane_twin import Scenario, Twin
from plylane_twin.direct import DirectPort

LANE_STOPPED = next(a.number for a in ALARMS if a.name == "lane_stopped")
STRIP_DWELL = next(a.number for a in ALARMS if a.name == "strip_dwell")
STANDBY_DEGC = 28.0
JAM = """
format = "plylane scenario 1"
name = "reaction"
[[fault]]
kind = "lane_jam"
lane = 3
at_output_mm = 120.0
"""
FREED = JAM + 'until = { state = "held", for_s = 2.0 }\n'
SETUP = RunSetup(length_mm=300.0, speed_mm_s=14.0, setpoints_degC=[35.0, 32.0])


class Jammed:
    """A live run on the twin, started, on its way into a jam in lane 3."""

    def __init__(self, hold_at: float | None, scenario: str = FREED, log: Path | None = None):
        self.twin = Twin(Scenario.parse(scenario), seed=5)
        self.client = HeadClient.open("direct", opener=lambda _: DirectPort(self.twin))
        self.client.write("guards.settle_time_s", 0)
        for zone in range(2):
            self.client.write("zone_settings.band_degC", 5.0, zone)
            self.client.write("zone_settings.standby_degC", STANDBY_DEGC, zone)
        self.poller = Poller(self.client)
        self.live = LiveRun(self.client, self.poller, title="jam", setup=SETUP, hold_at=hold_at)
        if log:
            self.live.record(log, live=False, plan={})
        self.run(0.1)
        self.live.command(Command.RESET)
        self.run_until(State.IDLE, 1.0)
        self.live.command(Command.START)
        self.run_until(State.EXECUTE, 200.0)

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds * 50)):
            self.poller.step()

    @property
    def now(self) -> Snapshot:
        assert self.live.latest is not None
        return self.live.latest

    def run_until(self, state: State, most_s: float) -> None:
        for _ in range(round(most_s * 50)):
            self.poller.step()
            if self.now.telemetry.state == state:
                return
        raise AssertionError((self.live.messages, self.now.telemetry.state))

    def alarms(self) -> list[int]:
        events = self.live.events
        return [e.argument >> 8 for e in events if e.code == EventCode.ALARM_RAISED]

    def told(self, kind: str) -> list[str]:
        return [entry.text for entry in self.live.journal if entry.kind == kind]

    def confirm_all(self) -> None:
        assert self.live.clearing is not None
        for step in self.live.clearing.steps(self.now):
            if not step.judged:
                self.live.confirm_step(step.name)
        self.run(0.1)


def test_the_host_holds_before_the_head_has_to_and_the_zones_go_to_standby() -> None:
    bench = Jammed(0.8)
    assert all(zone.sp_degC > STANDBY_DEGC for zone in bench.now.zones)
    bench.run_until(State.HELD, 60.0)
    bench.run(0.2)
    assert bench.alarms() == []
    (why,) = bench.told("hold")
    assert "because" in why and bench.live.findings[0].text in why
    assert bench.live.findings[0].lane == 3
    assert all(zone.sp_degC == pytest.approx(STANDBY_DEGC) for zone in bench.now.zones)
    clearing = bench.live.clearing
    assert clearing is not None and clearing.stand.cause.lane == 3


def test_without_the_host_s_hold_the_head_s_guard_holds_and_is_cleared_alike() -> None:
    bench = Jammed(None)
    bench.run_until(State.HELD, 60.0)
    bench.run(0.2)
    assert bench.alarms() == [LANE_STOPPED]
    assert bench.told("hold") == []
    clearing = bench.live.clearing
    assert clearing is not None
    bench.confirm_all()
    assert [s.name for s in bench.live.clearing.steps(bench.now) if not s.done] == ["alarms"]  # type: ignore[union-attr]
    bench.live.acknowledge(None)
    bench.run(0.1)
    assert all(step.done for step in bench.live.clearing.steps(bench.now))  # type: ignore[union-attr]


def test_the_cord_to_be_cut_out_holds_the_place_where_the_plant_jammed() -> None:
    """The fault begins at 120 mm; the onset is an estimate and may lie a little early."""
    bench = Jammed(0.8)
    bench.run_until(State.HELD, 60.0)
    bench.run(0.1)
    assert bench.live.clearing is not None
    stand = bench.live.clearing.stand
    assert 100.0 < stand.cord_from_mm < 122.0
    assert stand.cord_to_mm == pytest.approx(bench.now.telemetry.output_position_mm, abs=0.2)


def test_unheld_it_goes_on_until_something_new_is_found(tmp_path: Path) -> None:
    bench = Jammed(0.8, log=tmp_path / "run")
    bench.run_until(State.HELD, 60.0)
    bench.run(3.0)
    bench.live.confirm_step("pull")
    bench.run(0.1)
    bench.live.confirm_step("pull", False)
    bench.run(0.1)
    bench.confirm_all()
    bench.live.command(Command.UNHOLD)
    bench.run_until(State.COMPLETE, 200.0)
    assert len(bench.told("hold")) == len(bench.told("clearing")) == 1
    assert bench.told("clearing_end") == ["unheld, every step done"]
    steps = bench.told("clearing_step")
    assert steps[0].startswith("confirmed: jam taken out")
    assert steps[1].startswith("taken back: jam taken out")
    assert len(steps) == 10
    bench.live.close()
    assert Run.open(tmp_path / "run").journal_entries() == bench.live.journal


def test_a_jam_that_was_not_cleared_is_held_again_and_what_was_open_is_told() -> None:
    bench = Jammed(0.8, JAM)
    for time in (1, 2):
        bench.run_until(State.HELD, 60.0)
        bench.run(0.1)
        assert len(bench.told("hold")) == time
        bench.live.acknowledge(None)
        bench.live.command(Command.UNHOLD)
        bench.run_until(State.EXECUTE, 100.0)
    assert "open: drives and heaters isolated" in bench.told("clearing_end")[0]


def test_where_the_hold_does_not_get_through_the_head_holds_by_itself() -> None:
    bench = Jammed(0.8)

    def silent(_: Command) -> None:
        raise NotAHead("The head does not answer.")

    bench.client.command = silent  # type: ignore[method-assign]
    bench.run_until(State.HELD, 60.0)
    assert bench.alarms() == [LANE_STOPPED]
    assert bench.told("hold") == []
    assert any("whose guards stand" in line for line in bench.live.messages)


def test_a_step_that_is_none_is_refused_in_a_line() -> None:
    bench = Jammed(0.8)
    bench.live.confirm_step("pull")
    bench.run_until(State.HELD, 60.0)
    bench.live.confirm_step("rollers")
    bench.run(0.1)
    assert "Nothing is being cleared" in bench.live.messages[0]
    assert "'rollers'" in bench.live.messages[-1]
    assert bench.told("clearing_step") == []


DESIGN = """
format = "plylane scenario 1"
name = "long clearing"
[run]
length_mm = 150.0
speed_mm_s = 14.0
setpoints_degC = [110.0, 95.0]
clearing_s = 200.0
[run.settings]
"zone_settings.band_degC" = [3.0, 3.0]
[[fault]]
kind = "lane_jam"
lane = 3
at_output_mm = 80.0
until = { state = "held", for_s = 60.0 }
"""


def test_a_clearing_of_three_minutes_at_the_design_s_temperatures_scorches_nothing(
    tmp_path: Path,
) -> None:
    """Standby takes the guide below the temperature from which standing counts in time."""
    (tmp_path / "long.toml").write_text(DESIGN)
    demo = Demo(tmp_path / "long.toml", 7, "virtual", tmp_path / "runs")
    guide_degC: list[float] = []

    class Ear:
        def on_snapshot(self, snapshot: Snapshot) -> None:
            if snapshot.telemetry.state == State.HELD:
                guide_degC.append(snapshot.zones[0].pv_degC)

    demo.poller.listeners.append(Ear())
    outcome = demo.play(2000.0, lambda *_: None)
    assert outcome.state == "Complete", outcome.trouble
    raised = [e.argument >> 8 for e in demo.run.events if e.code == EventCode.ALARM_RAISED]
    assert STRIP_DWELL not in raised
    assert guide_degC[0] > 100.0
    assert guide_degC[-1] < 77.0  # guards.dwell_temperature_degC as the map presets it
    assert [e.text for e in demo.run.journal if e.kind == "clearing_end"] == [
        "unheld, every step done"
    ]


# ------------------------------------------------------------------------- in whatever order


@dataclass
class FakeRun:
    """Notes what it is asked for; `due` holds the calls that the poller would serve next."""

    alarm_instances: dict[int, int] = field(default_factory=dict)
    limits: Limits = field(default_factory=Limits)
    due: list[Callable[[Any], None]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    commands: list[Command] = field(default_factory=list)

    @property
    def poller(self) -> FakeRun:
        return self

    def call(self, fn: Callable[[Any], None]) -> None:
        self.due.append(fn)

    def serve(self) -> None:
        due, self.due = self.due, []
        for fn in due:
            fn(self)

    def command(self, command: Command) -> None:
        self.commands.append(command)

    def say(self, line: str) -> None:
        pass

    def note(self, kind: str, text: str, lane: int | None = None) -> None:
        self.notes.append(kind)


def shot(time_s: float, state: State, active: int = 0) -> Snapshot:
    values = {register.name: 0 for register in TelemetryRegs.BLOCK.registers}
    values |= {"state": state, "inputs": Inputs.PERMIT_GIVEN, "status": Status(0)}
    values |= {"output_position_mm": 14.0 * time_s, "alarms_active": active}
    return Snapshot(time_s, TelemetryRegs(**values), (), (), (LaneTelemetryRegs(0.0),) * 5)


def finding(time_s: float, kind: str = "strip_stuck", **likelihoods: float) -> Finding:
    return Finding(kind, time_s, 3, 4.0, {"onset_s": time_s - 0.3, **likelihoods})


RUNNING = [State.EXECUTE, State.HOLDING, State.HELD, State.UNHOLDING, State.STOPPED]
STEPS = st.lists(st.tuples(st.sampled_from(RUNNING), st.booleans()), max_size=40)


@given(STEPS)
def test_it_asks_only_a_feeding_head_and_once_a_finding(steps: list[tuple[State, bool]]) -> None:
    run = FakeRun()
    reaction = Reaction(run, 0.8)  # type: ignore[arg-type]
    wanted = 0
    for k, (state, found) in enumerate(steps):
        before = len(run.commands)
        reaction.on_snapshot(shot(float(k), state), [finding(float(k))] if found else [])
        wanted += found and state == State.EXECUTE
        run.serve()
        assert len(run.commands) - before == (found and state == State.EXECUTE)
        assert (reaction.clearing is not None) <= (state == State.HELD)
    assert run.commands == [Command.HOLD] * wanted
    assert run.notes.count("hold") == wanted


@given(STEPS)
def test_told_not_to_it_never_asks(steps: list[tuple[State, bool]]) -> None:
    run = FakeRun()
    reaction = Reaction(run, None)  # type: ignore[arg-type]
    for k, (state, found) in enumerate(steps):
        reaction.on_snapshot(shot(float(k), state), [finding(float(k))] if found else [])
    assert run.due == []


@pytest.mark.parametrize(
    ("found", "share"),
    [
        (finding(9.0), 1.0),
        (finding(9.0, likelihood=0.6), 0.6),
        (finding(9.0, likelihood=0.6, likelihood_strip_out=0.3), 0.9),
        (finding(9.0, "unknown", likelihood_strip_out=0.5, likelihood_lane_wheel_stuck=0.5), 0.5),
        (finding(9.0, "unknown"), 0.0),
        (finding(9.0, "lane_wheel_stuck", likelihood=0.9, likelihood_strip_stuck=0.1), 0.1),
        (finding(9.0, "slip_growing"), 0.0),
    ],
)
def test_how_likely_cord_is_spoiled_counts_over_kinds(found: Finding, share: float) -> None:
    assert spoiling_likelihood(found) == pytest.approx(share)
    for hold_at in (0.2, 0.55, 0.95):
        run = FakeRun()
        reaction = Reaction(run, hold_at)  # type: ignore[arg-type]
        reaction.on_snapshot(shot(9.0, State.EXECUTE), [found])
        assert bool(run.due) == (share >= hold_at)


def test_the_head_s_alarm_alone_is_cleared_too_and_gets_its_lane_when_that_is_known() -> None:
    run = FakeRun()
    reaction = Reaction(run, 0.8)  # type: ignore[arg-type]
    reaction.on_snapshot(shot(10.0, State.EXECUTE), [])
    reaction.on_snapshot(shot(20.0, State.HOLDING, 1 << LANE_STOPPED), [])
    reaction.on_snapshot(shot(20.5, State.HELD, 1 << LANE_STOPPED), [])
    assert reaction.clearing is not None
    assert reaction.clearing.stand.cause.lane is None
    run.alarm_instances[LANE_STOPPED] = 1 << 3
    reaction.on_snapshot(shot(21.0, State.HELD), [])
    stand = reaction.clearing.stand
    assert (stand.cause.kind, stand.cause.lane) == ("lane_stopped", 4)
    assert stand.cord_to_mm - stand.cord_from_mm == pytest.approx(Limits().lane_stall_mm)


def test_what_was_found_long_before_and_spoils_nothing_is_not_why_it_was_held() -> None:
    for age_s, cleared in ((20.0, True), (600.0, False)):
        run = FakeRun()
        reaction = Reaction(run, 0.8)  # type: ignore[arg-type]
        reaction.on_snapshot(shot(1000.0 - age_s, State.EXECUTE), [])
        reaction.on_snapshot(
            shot(1000.0 - age_s, State.EXECUTE), [finding(1000.0 - age_s, "slip_growing")]
        )
        reaction.on_snapshot(shot(1000.0, State.HELD), [])
        assert (reaction.clearing is not None) == cleared


def test_the_cause_is_the_last_word_on_what_was_undecided_when_it_was_held() -> None:
    run = FakeRun()
    reaction = Reaction(run, 0.8)  # type: ignore[arg-type]
    reaction.on_snapshot(shot(9.0, State.EXECUTE), [])
    weighed = {"likelihood_strip_out": 0.6, "likelihood_strip_stuck": 0.4}
    reaction.on_snapshot(shot(10.0, State.EXECUTE), [finding(10.0, "unknown", **weighed)])
    assert run.due
    decided = finding(10.2, "strip_out", likelihood=0.96, likelihood_strip_stuck=0.02)
    reaction.on_snapshot(shot(10.2, State.HOLDING), [decided])
    reaction.on_snapshot(shot(10.5, State.HELD), [])
    assert reaction.clearing is not None
    assert reaction.clearing.stand.cause.kind == "strip_out"


@pytest.mark.parametrize(
    ("first", "second", "cause"),
    [
        (3, 5, ("unknown", 3)),
        (3, 3, ("lane_wheel_stuck", 3)),
        (None, 5, ("lane_wheel_stuck", 5)),
        (3, None, ("lane_wheel_stuck", None)),
    ],
)
def test_what_is_decided_of_another_lane_is_no_last_word(
    first: int | None, second: int | None, cause: tuple[str, int | None]
) -> None:
    reaction = Reaction(FakeRun(), 0.8)  # type: ignore[arg-type]
    reaction.on_snapshot(shot(9.0, State.EXECUTE), [])
    weighed = {"likelihood_strip_out": 0.6, "likelihood_strip_stuck": 0.4}
    undecided = replace(finding(10.0, "unknown", **weighed), lane=first)
    decided = replace(finding(10.2, "lane_wheel_stuck", likelihood=0.96), lane=second)
    reaction.on_snapshot(shot(10.2, State.HOLDING), [undecided, decided])
    reaction.on_snapshot(shot(10.5, State.HELD), [])
    assert reaction.clearing is not None
    found = reaction.clearing.stand.cause
    assert (found.kind, found.lane) == cause


def test_held_by_a_person_there_is_nothing_to_clear() -> None:
    run = FakeRun()
    reaction = Reaction(run, 0.8)  # type: ignore[arg-type]
    for k, state in enumerate([State.EXECUTE, State.HOLDING, State.HELD]):
        reaction.on_snapshot(shot(float(k), state), [])
    assert reaction.clearing is None
    assert run.notes == []
