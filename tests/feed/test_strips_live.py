"""The book of a run on the twin: joints where the plant laid them, strips asked for in time."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from plylane.demo import Demo
from plylane.feed.lane_map import LaneMap
from plylane.feed.lanes import LaneBook
from plylane.feed.strip_plan import StripPlan
from plylane.head.client import HeadClient
from plylane.head.poller import Poller
from plylane.head.registers import Inputs, LaneTelemetryRegs, State, Status, TelemetryRegs
from plylane.head.snapshot import Snapshot
from plylane.host_alarms import JOINTS_CLOSE, STRIP_ENDS_SOON, STRIP_OUT, HostAlarms
from plylane.jam import WatchSettings
from plylane.live import LiveRun
from plylane.recording import Recording, watch_settings
from plylane.run_setup import RunSetup, SetupError
from plylane.runlog import Entry, Run
from plylane.strips import STRIP_ENDS, StripWatch, ends_of, ends_text
from plylane.technician import Loader
from plylane_twin import DirectPort, Scenario, Twin

# Strips of 400 mm, the first joints 80 mm apart; the rib's first bend.
SHORT = """
format = "plylane scenario 1"
name = "strips"
[run]
length_mm = 700.0
speed_mm_s = 10.0
setpoints_degC = [25.0, 25.0]
[run.settings]
"zone_settings.band_degC" = [5.0, 5.0]
"guards.settle_time_s" = 0.0
[run.strips]
loaded_mm = [70.0, 150.0, 230.0, 310.0, 390.0]
next_mm = 400.0
wheel_to_nozzle_mm = 150.0
pitch_mm = 0.5
stagger_mm = 60.0
lead_s = 8.0
curve = [{ start_mm = 400.0, radius_mm = 120.0, turn_deg = 90.0 }]
[plant]
strip_length_mm = 400.0
first_joint_mm = 70.0
"""
NEAR_MM = 4.0
"""A forecast's error: a gap of up to 2 mm that closes late, a lane wheel's 0.5 mm and scatter, the
output wheel's run-out and slip."""


class Played:
    """A run to its end, and what the plant knows of it."""

    def __init__(self, folder: Path, text: str = SHORT, *, loader: bool = True) -> None:
        scenario = folder / "strips.toml"
        scenario.write_text(text)
        self.demo = Demo(scenario, 11, "virtual", folder / "runs")
        if not loader:
            there = self.demo.poller.listeners
            self.demo.poller.listeners = [one for one in there if not isinstance(one, Loader)]
        self.plant: Any = self.demo.client._port.twin.plant  # type: ignore[union-attr]
        self.truth: list[tuple[int, float]] = []
        self.alarms: list[tuple[int, int]] = []
        self._under_way = [0] * 8
        self.demo.poller.listeners.append(self)
        self.outcome = self.demo.play(600.0, lambda *_: None)
        self.live = self.demo.run

    def on_snapshot(self, snapshot: Any) -> None:
        host = self.demo.run.host_alarms
        seen = (host.active, host.unacknowledged)
        if not self.alarms or self.alarms[-1] != seen:
            self.alarms.append(seen)
        for lane in range(len(snapshot.lanes)):
            now = self.plant.lane[lane].joint_under_way
            if self._under_way[lane] and not now:  # it has come to where the cord is laid
                self.truth.append((lane + 1, self.plant.cord_mm))
            self._under_way[lane] = now

    def stood(self, number: int) -> bool:
        return any(active >> number & 1 for active, _ in self.alarms)


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Played:
    return Played(tmp_path_factory.mktemp("strips"))


def test_joints_are_told_where_the_plant_laid_them(played: Played) -> None:
    assert played.outcome.state == "Complete", played.outcome.trouble
    told = [(joint.lane + 1, joint.cord_mm) for joint in played.live.strips.joints() if joint.laid]
    assert len(told) >= 6
    assert [lane for lane, _ in told] == [lane for lane, _ in played.truth]
    for (_, mm), (_, true_mm) in zip(told, played.truth, strict=True):
        assert mm == pytest.approx(true_mm, abs=NEAR_MM)


def test_they_were_forecast_before(tmp_path: Path) -> None:
    """At the start, from lengths alone, as near as when they were laid."""
    plan = RunSetup.from_table(tomllib.loads(SHORT)["run"], "strips").strips
    played = Played(tmp_path)
    assert plan is not None
    forecast = LaneBook(plan, 700.0).joints()
    first = dict(reversed(played.truth))
    for joint in forecast:
        assert joint.cord_mm == pytest.approx(first[joint.lane + 1], abs=NEAR_MM)


def test_strips_are_asked_for_in_time_and_the_alarm_goes_when_they_are_in(played: Played) -> None:
    assert played.stood(STRIP_ENDS_SOON)
    assert not played.stood(STRIP_OUT)
    assert not played.stood(JOINTS_CLOSE)
    assert not played.live.host_alarms.active
    assert played.live.host_alarms.unacknowledged == 0


def test_loads_and_joints_are_in_the_run_log(played: Played) -> None:
    entries = Run.open(played.outcome.run).journal_entries()
    told = [entry for entry in entries if entry.kind == STRIP_ENDS]
    assert [entry for entry in entries if entry.kind != STRIP_ENDS] == played.live.journal
    assert [entry.lane for entry in told][:5] == [1, 2, 3, 4, 5]
    loads = [entry.lane for entry in entries if entry.kind == "strip_loaded"]
    joints = [entry.lane for entry in entries if entry.kind == "joint"]
    asked = [entry.lane for entry in entries if entry.kind == "alarm"]
    assert asked == loads
    assert joints == [lane for lane, _ in played.truth]
    assert set(joints) <= set(loads)


def test_a_replay_knows_where_strips_end_as_the_live_run_did(played: Played) -> None:
    """Told before the first row and after each load, and true for what the book still has."""
    run = Run.open(played.outcome.run)
    known = watch_settings(run).strip_ends
    loads = [entry.lane for entry in played.live.journal if entry.kind == "strip_loaded"]
    first_s = run.columns(["time_s"])["time_s"][0]
    assert [ends.lane for ends in known if ends.from_s <= first_s] == [1, 2, 3, 4, 5]
    assert sorted(ends.lane for ends in known if ends.from_s > first_s + 5.0) == sorted(loads)
    for lane in range(5):
        *_, last = (ends for ends in known if ends.lane == lane + 1)
        in_book = played.live.strips.ends_mm(lane)
        assert last.ends_mm[-len(in_book) :] == pytest.approx(in_book, abs=0.05)
    assert Recording.open(played.outcome.run).findings == played.live.findings


@pytest.mark.parametrize("words", ["", "strips end at once", "strips end at x mm of the lane"])
def test_a_journal_that_says_nothing_of_ends_is_refused(words: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        ends_of(words)
    assert ends_of(ends_text((12.5, 2412.5))) == (12.5, 2412.5)


def test_a_lane_whose_strip_has_run_out_is_told(tmp_path: Path) -> None:
    played = Played(tmp_path, loader=False)
    assert played.stood(STRIP_OUT) and played.stood(STRIP_ENDS_SOON)
    assert played.live.host_alarms.instances[STRIP_OUT] == 0b11111
    assert played.live.host_alarms.unacknowledged >> STRIP_OUT & 1


def test_joints_too_close_are_told_with_their_distance(tmp_path: Path) -> None:
    played = Played(tmp_path, SHORT.replace("stagger_mm = 60.0", "stagger_mm = 100.0"))
    assert played.stood(JOINTS_CLOSE)
    texts = [entry.text for entry in played.live.journal if entry.kind == "joints_close"]
    assert any("lanes 1 and 2" in text and "rule 100 mm" in text for text in texts)
    assert len(texts) == len(set(texts))


def alarms_of(entries: list[Entry]) -> list[tuple[str, int | None]]:
    """Kind and lane of what is told of joints that are close."""
    return [(e.kind, e.lane) for e in entries if e.text.startswith("joints close")]


def planned(apart_mm: float, nearer_mm: float) -> str:
    """A run whose joints lie as far apart in the cord as the rule wants, lane by lane as a plan
    cuts its strips; but for lane 3, `nearer_mm` nearer to lane 2."""
    plan = RunSetup.from_table(tomllib.loads(SHORT)["run"], "strips").strips
    assert plan is not None
    loaded = []
    for lane, offset_mm in enumerate(plan.offsets_mm):
        cord_mm = 220.0 + lane * apart_mm - (nearer_mm if lane == 2 else 0.0)
        end_mm = float(LaneMap.of_bends(plan.curve, offset_mm).to_lane(cord_mm))
        loaded.append(round(end_mm - plan.wheel_to_nozzle_mm, 1))
    text = SHORT.replace("stagger_mm = 60.0", f"stagger_mm = {apart_mm}")
    return text.replace("70.0, 150.0, 230.0, 310.0, 390.0", str(loaded)[1:-1])


def test_joints_planned_as_near_as_the_rule_allows_are_no_alarm(tmp_path: Path) -> None:
    """The wheels' counts scatter about the rule; the alarm came and went with them."""
    played = Played(tmp_path, planned(80.0, 0.0))
    assert played.outcome.state == "Complete", played.outcome.trouble
    assert [joint.lane for joint in played.live.strips.joints() if joint.laid][:5] == [*range(5)]
    entries = Run.open(played.outcome.run).journal_entries()
    assert alarms_of(entries) == []
    assert not any(entry.kind == "joints_close" for entry in entries)


def test_a_pair_20_mm_nearer_than_the_rule_is_one_alarm(tmp_path: Path) -> None:
    """Raised once and over once, for either lane of the pair; told with its distance once."""
    played = Played(tmp_path, planned(80.0, 20.0))
    entries = Run.open(played.outcome.run).journal_entries()
    (text,) = [entry.text for entry in entries if entry.kind == "joints_close"]
    assert text == "Joints of lanes 2 and 3 60 mm apart at 300 mm (rule 80 mm)"
    told = alarms_of(entries)
    assert told == [("alarm", 2), ("alarm", 3), ("alarm_over", 2), ("alarm_over", 3)]


class Bench:
    """Two lanes whose strips end `apart_mm` apart, rule 100 mm, ends known to 3 mm."""

    def __init__(self, first_mm: float, apart_mm: float, length_mm: float, share: float = 0.0):
        plan = StripPlan(
            loaded_mm=[first_mm, first_mm + apart_mm],
            next_mm=500.0,
            wheel_to_nozzle_mm=0.0,
            stagger_mm=100.0,
        )
        self.entries: list[Entry] = []
        note = self._note
        known = WatchSettings(strip_end_mm=3.0, strip_end_share=share)
        self.watch = StripWatch(
            plan, length_mm, 10.0, HostAlarms(note), note, end_sd_mm=known.end_sd_mm
        )
        self._s = 0.0

    def _note(self, kind: str, text: str, lane: int | None) -> None:
        self.entries.append(Entry(self._s, kind, lane, text))

    def at(self, *lanes_mm: float) -> list[tuple[str, int | None]]:
        """The wheels have counted so much, the cord is as long as lane 1; what that tells of."""
        before, self._s = len(self.entries), self._s + 1.0
        self.watch.on_snapshot(
            lamp_snapshot(self._s, State.EXECUTE, lanes_mm[0], more_mm=lanes_mm[1:])
        )
        return alarms_of(self.entries[before:])


RAISED = [("alarm", 1), ("alarm", 2)]
OVER = [("alarm_over", 1), ("alarm_over", 2)]


def test_what_scatters_about_the_limit_is_told_once_and_over_once() -> None:
    """Ends known to 3 mm, two of them to 8.5 mm (k = 2, GUM 6.3.3): raised below 91.5 mm, over
    from 95.8 mm on. A lane that has counted more has its joint nearer."""
    bench = Bench(1000.0, 100.0, 5000.0)
    assert bench.at(100.0, 108.0) == []  # 92 mm
    assert bench.at(110.0, 119.0) == RAISED  # 91 mm
    for k in range(20):
        assert bench.at(120.0 + k, 124.5 + k + 4.0 * (k % 2)) == []  # 95.5 and 91.5 mm
    assert bench.at(150.0, 154.0) == OVER  # 96 mm
    for k in range(20):
        assert bench.at(160.0 + k, 160.0 + k + 8.0 * (k % 2)) == []  # 100 and 92 mm


def test_another_strip_ends_the_alarm_at_once() -> None:
    bench = Bench(1000.0, 1400.0, 5000.0)
    bench.watch.load(0, 1350.0)
    assert bench.at(0.0, 0.0) == RAISED  # 50 mm
    bench.watch.load(0, 0.0)
    bench.watch.load(0, 1300.0)
    assert bench.at(10.0, 10.0) == OVER


def test_a_strip_that_ends_about_the_cords_end_makes_no_alarm_that_flips() -> None:
    bench = Bench(950.0, 50.0, 1000.0)
    for k in range(20):
        assert bench.at(float(k), k + (-1.0) ** k) == []
    assert Bench(900.0, 50.0, 1000.0).at(0.0, 0.0) == RAISED


def test_far_down_a_long_cord_more_is_put_down_to_the_wheels() -> None:
    """0.2 % of a lane: by 8 mm at 2 m, by 16.3 mm for two lanes; half the rule at most."""
    assert Bench(2000.0, 88.0, 9000.0).at(0.0, 0.0) == RAISED
    assert Bench(2000.0, 88.0, 9000.0, share=0.002).at(0.0, 0.0) == []
    assert Bench(2000.0, 80.0, 9000.0, share=0.002).at(0.0, 0.0) == RAISED
    assert Bench(90_000.0, 51.0, 99_000.0, share=0.002).at(0.0, 0.0) == []
    assert Bench(90_000.0, 49.0, 99_000.0, share=0.002).at(0.0, 0.0) == RAISED


def test_what_an_earlier_run_fed_is_not_taken_off(tmp_path: Path) -> None:
    """A head first seen after a run still shows its lengths; the strips told of are for the next.

    Two runs follow: the second begins with what the first has left.
    """
    plan = StripPlan(loaded_mm=[900.0], next_mm=500.0, wheel_to_nozzle_mm=150.0)
    notes: list[tuple[str, str, int | None]] = []
    watch = StripWatch(
        plan, 600.0, 10.0, HostAlarms(), lambda *note: notes.append(note), end_sd_mm=exactly
    )
    steps = [
        (State.COMPLETE, 3000.0),
        (State.STARTING, 0.0),
        (State.EXECUTE, 400.0),
        (State.COMPLETE, 600.0),
        (State.STARTING, 0.0),
        (State.EXECUTE, 100.0),
    ]
    left = []
    for k, (state, lane_mm) in enumerate(steps):
        watch.on_snapshot(lamp_snapshot(float(k), state, lane_mm))
        left.append(watch.book.remaining_mm(0))
    assert left == [900.0, 900.0, 500.0, 300.0, 300.0, 200.0]
    watch.on_snapshot(lamp_snapshot(6.0, State.STOPPED, 0.0, head_ms=1))  # the head was reset
    assert watch.book.remaining_mm(0) == 200.0


def test_a_lane_asks_until_it_gets_its_strip_however_slow_the_feed_becomes() -> None:
    plan = StripPlan(loaded_mm=[300.0], next_mm=500.0, wheel_to_nozzle_mm=0.0, lead_s=10.0)
    notes: list[tuple[str, str, int | None]] = []
    alarms = HostAlarms(lambda *note: notes.append(note))
    watch = StripWatch(plan, 600.0, 10.0, alarms, lambda *_: None, end_sd_mm=exactly)
    speeds = [10.0, 25.0, 5.0, 0.0, 25.0]
    for k, speed in enumerate(speeds):
        watch.on_snapshot(lamp_snapshot(float(k), State.EXECUTE, 100.0 + k, speed=speed))
    assert notes == [("alarm", "strip ends soon", 1)]
    watch.load(0, 500.0)
    watch.on_snapshot(lamp_snapshot(9.0, State.EXECUTE, 110.0, speed=25.0))
    assert alarms.active == 0
    assert notes[1:] == [("alarm_over", "strip ends soon: over", 1)]
    alarms.acknowledge(1 << STRIP_ENDS_SOON)
    alarms.acknowledge(1 << STRIP_ENDS_SOON)
    assert notes[2:] == [("alarm_acknowledged", "strip ends soon: acknowledged", 1)]
    watch.load(0, 0.0)
    watch.on_snapshot(lamp_snapshot(10.0, State.EXECUTE, 111.0, speed=25.0))
    assert alarms.active == 1 << STRIP_ENDS_SOON


def test_an_acknowledgement_counts_for_every_lane_that_waits_for_it() -> None:
    """One that has got its strip meanwhile as well, and none a second time."""
    notes: list[tuple[str, str, int | None]] = []
    alarms = HostAlarms(lambda *note: notes.append(note))
    alarms.show({STRIP_OUT: 0b11})
    alarms.show({STRIP_OUT: 0b10})
    alarms.acknowledge(1 << STRIP_OUT)
    said = [(kind, lane) for kind, _, lane in notes]
    assert said[3:] == [("alarm_acknowledged", 1), ("alarm_acknowledged", 2)]
    alarms.show({STRIP_OUT: 0b110})
    alarms.acknowledge(1 << STRIP_OUT)
    said = [(kind, lane) for kind, _, lane in notes]
    assert said[5:] == [("alarm", 3), ("alarm_acknowledged", 3)]


def exactly(_at_mm: float) -> float:
    """No doubt where strips end."""
    return 0.0


def lamp_snapshot(
    time_s: float,
    state: State,
    lane_mm: float,
    *,
    speed: float = 10.0,
    head_ms: int | None = None,
    more_mm: tuple[float, ...] = (),
) -> Snapshot:
    """One lane, cord and lane alike; and perhaps more lanes."""
    ms = round(1000.0 * time_s) + 1000 if head_ms is None else head_ms
    values = {register.name: 0 for register in TelemetryRegs.BLOCK.registers}
    values |= {"head_ms": ms, "state": state, "output_position_mm": lane_mm}
    values |= {"feed_target_mm_s": speed, "inputs": Inputs(0), "status": Status(0)}
    lanes = tuple(LaneTelemetryRegs(mm) for mm in (lane_mm, *more_mm))
    return Snapshot(time_s, TelemetryRegs(**values), (), (), lanes)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("70.0, 150.0, 230.0, 310.0, 390.0", "70.0, 150.0", "the head has 5"),
        ("next_mm = 400.0", "next_mm = 0.0", "run.strips.next_mm"),
        ("next_mm = 400.0", "", "run.strips.next_mm"),
        ("radius_mm = 120.0", "radius_mm = 0.5", "sharper than the lane"),
        ("pitch_mm", "pitch", "run.strips.pitch"),
    ],
)
def test_strips_that_cannot_be_are_refused_in_a_line(
    tmp_path: Path, old: str, new: str, words: str
) -> None:
    scenario = tmp_path / "bad.toml"
    scenario.write_text(SHORT.replace(old, new))
    with pytest.raises(SetupError, match=words) as caught:
        Demo(scenario, 1, "virtual", tmp_path / "runs")
    assert "\n" not in str(caught.value)


def test_where_nobody_knows_the_length_strips_are_asked_for_all_the_same(tmp_path: Path) -> None:
    """A path whose length is left out goes on for longer than any strips that are there."""
    file = tmp_path / "run.toml"
    file.write_text(SHORT.replace("length_mm = 700.0", 'source = "path_position"', 1))
    client = HeadClient.open("direct", opener=lambda _: DirectPort(Twin(Scenario.demo(), 7)))
    live = LiveRun(client, Poller(client), title="path", setup=RunSetup.load(file))
    book = live.strips
    assert book is not None
    assert all(book.wanted_mm(lane) > 0.0 for lane in range(book.lanes))
    assert len(book.joints()) == book.lanes
    client.close()
