"""Calibrating a twin as a technician does: fed, measured, written, undone; refused where unsafe."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from feed_desk import EVEN, GAUGE, NO_JOINTS, Desk
from plylane.calibrate_run import CalibrateRun, read_record, read_records
from plylane.feed.calibration import CalibrationError, RatioFound, SlipFound
from plylane.head.errors import HeadError
from plylane.head.registers import Command, ZoneMode

PRESS = 1


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path / "records")


class TestLengths:
    def test_a_drive_written_recorded_and_undone(self, desk: Desk) -> None:
        before = desk.client.read("drive_settings.pulses_per_m", PRESS)
        desk.measure("drive", PRESS)
        (scale,) = desk.run.found  # type: ignore[misc]
        assert not desk.run.trouble
        true = 1.0 / desk.truth.set.pulses_per_mm
        assert abs(scale.mm_per_count / true - 1.0) < 2.0 * scale.budget.expanded
        desk.do(lambda run: run.write("after a new roller"))
        held = desk.client.read("drive_settings.pulses_per_m", PRESS)
        assert held == pytest.approx(scale.counts_per_m, abs=0.006) and held != before
        path = desk.run.written
        assert path is not None
        form = tomllib.loads(path.read_text())
        assert form["operator"] == "T. Ester" and form["note"] == "after a new roller"
        assert form["written"][0]["instance"] == 2  # drives are counted from 1 in files
        assert form["written"][0]["before"] == before and form["written"][0]["after"] == held
        assert form["found"][0]["expanded_percent"] == pytest.approx(100 * scale.budget.expanded)
        desk.do(lambda run: run.undo())
        assert desk.client.read("drive_settings.pulses_per_m", PRESS) == before
        kinds = [record.kind for _, record in read_records(desk.run.folder)]
        assert kinds == ["drive", "undo"]
        with pytest.raises(CalibrationError, match="nothing to undo"):
            desk.run.undo()

    def test_only_the_drive_that_is_calibrated_moves(self, desk: Desk) -> None:
        desk.measure("drive", PRESS)
        assert [desk.truth.roller[d].pulses > 0 for d in range(3)] == [False, True, False]

    @pytest.mark.parametrize("kind", ["drive", "wheel", "lanes"])
    def test_a_misread_length_is_named_and_not_written(self, desk: Desk, kind: str) -> None:
        desk.measure(kind, off={2: -10.0})
        assert "length 3 (" in desk.run.trouble and "-10" in desk.run.trouble.replace("-9.", "-10.")
        with pytest.raises(CalibrationError, match="length 3"):
            desk.run.write()
        desk.hand.mark()
        desk.do(lambda run: run.feed_again(2))
        desk.run.measured(*desk.read())
        assert not desk.run.trouble
        desk.do(lambda run: run.write())

    def test_or_left_out(self, desk: Desk) -> None:
        desk.measure("wheel", off={4: 10.0})
        desk.run.leave_out(4)
        assert not desk.run.trouble
        with pytest.raises(CalibrationError, match="have to stay"):
            desk.run.leave_out(1)

    def test_every_lane_gets_its_own_scale(self, desk: Desk) -> None:
        desk.measure("lanes")
        assert desk.run.found is not None and len(desk.run.changes) == 5  # type: ignore[arg-type]
        desk.do(lambda run: run.write())
        held = [desk.client.read("lane_settings.mm_per_pulse", k) for k in range(5)]
        assert held == pytest.approx([0.5] * 5, rel=4e-3)

    def test_a_length_for_nothing_fed(self, desk: Desk) -> None:
        with pytest.raises(CalibrationError, match="nothing has been begun"):
            desk.run.measured(100.0)
        desk.do(lambda run: run.begin_lengths("wheel"))
        with pytest.raises(CalibrationError, match="feed first"):
            desk.run.measured(100.0)

    @pytest.mark.parametrize(("wrong", "expected"), [(7.4, "inches"), (-1.0, "none")])
    def test_a_bad_length_leaves_the_feed_waiting(
        self, desk: Desk, wrong: float, expected: str
    ) -> None:
        desk.do(lambda run: run.begin_lengths("wheel"))
        desk.feed()
        with pytest.raises(CalibrationError, match=expected):
            desk.run.measured(wrong)
        desk.run.measured(*desk.read())
        assert desk.run.sitting is not None and len(desk.run.sitting.readings) == 1

    def test_no_such_drive(self, desk: Desk) -> None:
        desk.run.begin_lengths("drive", 5)
        assert "no drive 6" in desk.finish()

    @pytest.mark.parametrize("plan", [(100.0, 200.0), (5.0,) * 6, (900.0,) * 6])
    def test_plans_that_cannot_be_fed(self, desk: Desk, plan: tuple[float, ...]) -> None:
        with pytest.raises(CalibrationError, match="feed"):
            desk.run.begin_lengths("wheel", plan_mm=plan)


class TestRefused:
    def test_hot_blocks(self, desk: Desk) -> None:
        desk.truth.block[0].degC = desk.truth.block[0].sensor_degC = 90.0
        desk.twin.advance(500)
        desk.poller.step()
        desk.run.begin_lengths("wheel", gauge=GAUGE)
        assert "zone 1 is at" in desk.finish() and "cool" in desk.run.status.trouble

    def test_a_zone_that_would_heat(self, desk: Desk) -> None:
        desk.client.write("zone.setpoint_degC", 95.0, 1)
        desk.client.write("zone.mode", ZoneMode.AUTOMATIC, 1)
        desk.poller.step()
        desk.run.sweep_ratio()
        assert "zone 2 is switched on" in desk.finish()

    def test_wrong_state(self, desk: Desk) -> None:
        desk.client.command(Command.ABORT)
        desk.twin.advance(500)
        desk.poller.step()
        desk.run.measure_slip()
        assert "the head is in aborted" in desk.finish()

    def test_stopped_on_the_way(self, desk: Desk) -> None:
        desk.do(lambda run: run.begin_lengths("wheel", gauge=GAUGE))
        desk.run.feed_next()
        for _ in range(60):
            desk.poller.step()
        desk.client.command(Command.STOP)
        assert "the feed was ended" in desk.finish()
        assert desk.run.sitting is not None and not desk.run.sitting.readings

    def test_ended_by_the_user(self, desk: Desk) -> None:
        desk.do(lambda run: run.begin_lengths("wheel", gauge=GAUGE))
        desk.run.feed_next()
        for _ in range(60):
            desk.poller.step()
        desk.run.stop()
        assert "ended" in desk.finish()
        before = desk.truth.roller[0].travel_mm
        for _ in range(60):
            desk.poller.step()
        assert desk.truth.roller[0].travel_mm < before + 5.0  # brakes, then stands
        assert desk.truth.roller[0].speed_mm_s == pytest.approx(0.0, abs=0.01)

    def test_a_sweep_that_is_ended_puts_the_ratio_back(self, desk: Desk) -> None:
        desk.client.write("drive_settings.ratio_ppm", 1234, 0)
        desk.run.sweep_ratio()
        for _ in range(200):
            desk.poller.step()
        assert desk.client.read("drive_settings.ratio_ppm", 0) != 1234
        desk.run.stop()
        desk.finish()
        assert desk.client.read("drive_settings.ratio_ppm", 0) == 1234

    def test_settings_changed_within_a_set(self, desk: Desk) -> None:
        """Counts are told by the head's own scale: they would be of two kinds."""
        desk.measure("wheel")
        desk.do(lambda run: run.write())
        desk.run.feed_again(2)
        assert "begin anew" in desk.finish()

    def test_changed_meanwhile(self, desk: Desk) -> None:
        desk.measure("wheel")
        desk.client.write("machine.output_mm_per_count", 0.06)
        desk.run.write()
        assert "changed meanwhile" in desk.finish()
        assert desk.client.read("machine.output_mm_per_count") == pytest.approx(0.06)
        assert not list(desk.run.folder.glob("*.toml"))

    def test_what_the_head_refuses_is_put_back(self, desk: Desk, monkeypatch) -> None:
        desk.measure("lanes")
        send, seen = desk.client.write, []

        def refuse(name: str, value: float, instance: int = 0) -> None:
            seen.append((name, instance))
            if name == "lane_settings.mm_per_pulse" and instance == 3 and len(seen) < 5:
                raise HeadError("refused")
            send(name, value, instance)

        monkeypatch.setattr(desk.client, "write", refuse)
        desk.run.write()
        assert "nothing was changed" in desk.finish()
        assert [desk.client.read("lane_settings.mm_per_pulse", k) for k in range(5)] == [0.5] * 5

    def test_no_record_no_writing(self, desk: Desk) -> None:
        desk.measure("wheel")
        desk.run.folder.parent.mkdir(exist_ok=True)
        desk.run.folder.write_text("a file, not a folder")
        desk.run.write()
        assert "cannot be written" in desk.finish()
        assert desk.client.read("machine.output_mm_per_count") == pytest.approx(0.05)

    @pytest.mark.parametrize(
        ("text", "expected"),
        [("format = 1", "format"), ("= no", "not valid TOML"), ("", "format")],
    )
    def test_no_record_at_all(self, desk: Desk, text: str, expected: str) -> None:
        desk.run.folder.mkdir(parents=True)
        (desk.run.folder / "x.toml").write_text(text)
        with pytest.raises(CalibrationError, match=expected) as refused:
            desk.run.undo()
        assert "x.toml" in str(refused.value)

    @pytest.mark.parametrize("speed", [0.0, -3.0, float("nan"), 1000.0])
    def test_no_speed(self, desk: Desk, speed: float) -> None:
        begins: list[Callable[[CalibrateRun], None]] = [
            lambda run: run.measure_slip(speed),
            lambda run: run.sweep_ratio(speed),
        ]
        for begin in begins:
            with pytest.raises(CalibrationError, match="mm/s"):
                begin(desk.run)


class TestSlip:
    def test_against_the_true_slip_of_the_same_metres(self, desk: Desk) -> None:
        """What the plant's press roller turned and what cord came out, feed by feed."""
        true: list[tuple[float, float]] = []
        last = [0.0, 0.0]

        class Look:
            def on_snapshot(self, snapshot: object) -> None:
                if desk.run.status.text.startswith("Slip, feed"):
                    number = int(desk.run.status.text.split()[2])
                    if number > len(true) + 1:
                        note()

        def note() -> None:
            now = [desk.truth.roller[PRESS].travel_mm, desk.truth.cord_mm]
            true.append((now[0] - last[0], now[1] - last[1]))
            last[:] = now

        desk.poller.listeners.append(Look())
        desk.do(lambda run: run.measure_slip())
        note()
        found = desk.run.found
        assert isinstance(found, SlipFound)
        slips = np.array([1.0 - cord / roller for roller, cord in true])
        speed = found.fit.x
        kept = [k for k in range(15) if k not in found.left_out]
        per, at = np.polyfit(speed, slips[kept], 1)
        assert len(slips) == len(speed) + len(found.left_out) == 15
        assert abs(found.slip - at) < found.slip_u
        assert abs(found.per_mm_s - per) < found.per_mm_s_u
        assert found.per_mm_s > found.per_mm_s_u  # faster slips more, and that is seen
        assert any("no record" in remark for remark in found.remarks)

    def test_records_of_the_scales_make_it_sharper(self, desk: Desk) -> None:
        desk.measure("drive", PRESS)
        desk.do(lambda run: run.write())
        desk.measure("wheel")
        desk.do(lambda run: run.write())
        desk.do(lambda run: run.measure_slip())
        found = desk.run.found
        assert isinstance(found, SlipFound)
        assert found.slip_u < 0.003
        assert not any("no record" in remark for remark in found.remarks)
        desk.do(lambda run: run.write())
        held = desk.client.read("machine.expected_slip_percent")
        assert held == pytest.approx(100.0 * found.slip, abs=0.006)


class TestRatio:
    @pytest.mark.parametrize("seed", [3, 7])
    def test_even_strips_against_the_balance_of_forces(self, tmp_path: Path, seed: int) -> None:
        """docs/twin.md: in step, infeed and press slip s F / F_nominal each, the cord is drawn by
        press and outfeed. With push p a lane, magazine 0.5, drag 3.5 + 0.036 v, laying 2 N:
        ratio = s ((p + 0.5)/2.5 - (5 (drag - p) + 2)/12). Taut: p = 0; room full: p = 2 N.
        """
        desk = Desk(tmp_path, seed, EVEN)
        desk.do(lambda run: run.sweep_ratio(14.0))
        found = desk.run.found
        assert isinstance(found, RatioFound)
        drag_N = 3.5 + 0.036 * 14.0
        dragged, solid = (
            1e6 * 0.015 * ((p + 0.5) / 2.5 - (5.0 * (drag_N - p) + 2.0) / 12.0) for p in (0.0, 2.0)
        )
        # U holds 95 times of 100; a single sweep may be out, but not by half as much again
        assert abs(found.drag.ppm - dragged) < 1.5 * found.drag.u_ppm
        assert abs(found.buckle.ppm - solid) < 1.5 * found.buckle.u_ppm
        assert abs(found.middle.ppm - 0.5 * (dragged + solid)) < 1.5 * found.middle.u_ppm
        assert found.middle.u_ppm < 8000.0
        rooms = [desk.truth.lane[k].room_mm for k in range(5)]
        assert found.room_mm == pytest.approx(float(np.mean(rooms)), rel=0.25)

    def test_written_strips_stand_neither_taut_nor_solid(self, tmp_path: Path) -> None:
        desk = Desk(tmp_path, 5, NO_JOINTS)
        desk.do(lambda run: run.sweep_ratio(14.0))
        desk.do(lambda run: run.write())
        assert desk.client.read("drive_settings.ratio_ppm", 0) < 0.0
        desk.client.write("feed.jog_speed_mm_s", 14.0)
        desk.client.write("feed.jog_drives", 7)
        desk.client.write("feed.jog_length_mm", 300.0)
        shares = []
        for step in range(300):
            desk.poller.step()
            if step > 160:
                lanes = [desk.truth.lane[k] for k in range(5)]
                shares.append(np.mean([lane.slack_mm / lane.room_mm for lane in lanes]))
        assert 0.1 < float(np.mean(shares)) < 0.9

    @pytest.mark.parametrize(
        ("kind", "left_mm", "words"),
        [
            ("ratio", 6200.0, "lane 3 has 6200 mm of strip left, this feeds 6.0 m"),
            ("ratio", -80.0, "lane 3 has a joint inside"),
            ("lanes", 500.0, "lane 3 has 500 mm of strip left, this feeds"),
        ],
    )
    def test_a_joint_that_is_known_to_come_is_refused_before_anything_moves(
        self, tmp_path: Path, kind: str, left_mm: float, words: str
    ) -> None:
        desk = Desk(tmp_path, next_joint=lambda: (2, left_mm))
        if kind == "ratio":
            desk.run.sweep_ratio(14.0)
        else:
            desk.run.begin_lengths("lanes")
        assert words in desk.finish()
        assert desk.truth.roller[0].travel_mm == 0.0

    def test_joints_or_no_strips_tell_nothing(self, desk: Desk) -> None:
        for lane in range(5):
            desk.twin._lib.plant_fault(desk.truth, 3, lane, 0.0, 0.0, 1)  # lane wheels stuck
        desk.run.sweep_ratio(14.0)
        assert "lane wheels" in desk.finish()
        assert desk.run.found is None


def test_a_record_can_be_undone_by_name(desk: Desk) -> None:
    desk.measure("wheel")
    desk.do(lambda run: run.write())
    first = desk.run.written
    desk.measure("drive")
    desk.do(lambda run: run.write())
    assert first is not None
    desk.do(lambda run: run.undo(first, "wrong tape"))
    assert desk.client.read("machine.output_mm_per_count") == pytest.approx(0.05)
    last = read_records(desk.run.folder)[-1][1]
    assert last.undoes == first.name and last.note == "wrong tape"
    assert read_record(first).written
