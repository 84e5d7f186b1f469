"""The runner on the twin, in virtual time: what it finds, how it ends, what it leaves behind.

Truth is the plant's own: heat balance of the two blocks with the design's values.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from plylane.head.registers import (
    Command,
    ExperimentStatusRegs,
    State,
    StoreAction,
    ZoneMode,
)
from plylane.tune_errors import TuneError
from plylane.tune_run import GainsInHead, TuningRecord, ZoneNow, default_experiment, read_tuning
from plylane.tune_run.record_file import FILE
from plylane.tune_run.rests import gain_of_rests
from tune_rig import PLAIN, SETPOINTS, TuneRig

LOSS = np.array([[0.35 + 0.15, -0.15], [-0.15, 0.25 + 0.15]])  # W/K, design
POWER = np.array([0.60, 0.40])  # W/%, design
HEAT = np.array([180.0, 90.0]) * 0.897  # J/K, design; aluminium 0.897 J/(g K) (memory)
SUPPLY = 0.10  # +-5 % of voltage, twice that of power
OTHER = 0.10  # the other block warms along, which a single lag cannot show


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("record")


@pytest.fixture(scope="module")
def tuned(folder: Path) -> TuneRig:
    """Both zones tuned by a relay from cold, the nip first; nothing applied."""
    rig = TuneRig(folder=folder)
    for zone in (1, 0):
        rig.tune(zone)
    return rig


class TestWhatItFinds:
    @pytest.mark.parametrize("zone", [0, 1])
    def test_relay_finds_the_heat_capacity(self, tuned: TuneRig, zone: int) -> None:
        """Gain over time constant is power over heat capacity, whatever the losses are."""
        model = tuned.run.tunings[zone].found.model
        slope = model.gain_degC_per_percent / model.time_constant_s
        assert slope == pytest.approx(POWER[zone] / HEAT[zone], rel=SUPPLY + OTHER)
        assert 0.0 <= model.dead_time_s < 3.0  # the plant has none; window and loop 0.6 s

    def test_all_rules_are_there_and_the_suggested_one_is_sound(self, tuned: TuneRig) -> None:
        tuning = tuned.run.tunings[0]
        names = [view.name for view in tuning.views]
        assert {"simc", "amigo", "ziegler_nichols", "tyreus_luyben", "optimum"} <= set(names)
        suggested = tuning.view(tuning.suggestion.name)
        assert not suggested.faults and suggested.rule.margins.ms < 1.8
        assert tuning.suggestion.name in tuning.suggestion.reason

    def test_calmer_is_calmer(self, tuned: TuneRig) -> None:
        even = tuned.run.tunings[0].view("simc")
        tuned.do(lambda run: run.turn_knob(0, 3.0))
        calm = tuned.run.tunings[0].view("simc")
        assert calm.gains.kp < even.gains.kp
        assert calm.rule.margins.ms < even.rule.margins.ms
        tuned.do(lambda run: run.turn_knob(0, 1.5))
        assert tuned.run.tunings[0].view("simc").gains.kp == pytest.approx(even.gains.kp)

    def test_the_zone_is_off_again_and_nothing_was_written(self, tuned: TuneRig) -> None:
        for zone in (0, 1):
            assert tuned.read("zone.mode", zone) == ZoneMode.OFF
            assert tuned.read("zone_settings.kp_percent_per_degC", zone) == 6.0  # preset

    @pytest.mark.parametrize("kind", ["step", "doublet"])
    def test_step_and_doublet_about_a_zone_at_rest(self, kind: str) -> None:
        rig = TuneRig(seed=3)
        rig.idle()
        for zone, setpoint in enumerate(SETPOINTS):
            rig.write("zone_settings.kp_percent_per_degC", 20.0, zone)
            rig.automatic(zone, setpoint)
        rig.go(600.0)
        tuning = rig.tune(0, kind)
        model = tuning.found.model
        slope = model.gain_degC_per_percent / model.time_constant_s
        assert slope == pytest.approx(POWER[0] / HEAT[0], rel=SUPPLY + 0.15)
        assert rig.read("zone.mode") == ZoneMode.AUTOMATIC
        assert tuning.record.pv_degC.max() < SETPOINTS[0] + 20.0


class TestDefaults:
    def zone(self, **changes: float) -> ZoneNow:
        values = {
            "zone": 0, "pv_degC": 22.0, "op_percent": 0.0, "mode": ZoneMode.OFF,
            "setpoint_degC": 110.0, "setpoint_max_degC": 140.0, "over_temperature_degC": 160.0,
        } | changes  # fmt: skip
        return ZoneNow(**values)  # type: ignore[arg-type]

    @pytest.mark.parametrize("pv", [22.0, 60.0, 95.0, 110.0, 125.0, 138.0])
    @pytest.mark.parametrize("setpoint", [0.0, 60.0, 110.0, 140.0])
    @pytest.mark.parametrize("kind", ["relay", "step", "doublet"])
    def test_never_beyond_what_the_head_guards(self, kind: str, setpoint: float, pv: float) -> None:
        now = self.zone(pv_degC=pv, setpoint_degC=setpoint, op_percent=50.0)
        made = default_experiment(kind, now)
        assert pv < made.ceiling_degC <= now.over_temperature_degC - 10.0
        assert made.switch_degC <= now.setpoint_max_degC
        assert made.switch_degC < made.ceiling_degC
        assert 0.0 <= made.op_low_percent < made.op_high_percent <= 100.0
        assert made.time_limit_s <= 3600

    def test_an_unset_zone_is_tuned_at_three_quarters_of_its_highest_setpoint(self) -> None:
        assert default_experiment("relay", self.zone(setpoint_degC=0.0)).switch_degC == 105.0

    @pytest.mark.parametrize(
        ("changes", "expected"),
        [({"ceiling_degC": 170.0}, "guard"), ({"ceiling_degC": 20.0}, "cool")],
    )
    def test_a_ceiling_that_makes_no_sense(self, changes: dict[str, float], expected: str) -> None:
        with pytest.raises(TuneError, match=expected):
            default_experiment("relay", self.zone(), **changes)


class TestGains:
    def test_written_rounded_read_back_and_undone(self, tuned: TuneRig) -> None:
        before = GainsInHead(6.0, 120.0, 4.0, 2.0, 0.0)
        for rule in ("simc", "simc_pid"):
            tuned.do(lambda run, rule=rule: run.apply(0, rule))
            gains = tuned.run.tunings[0].view(rule).gains
            held = tuned.run.tunings[0].held
            assert held is not None
            assert tuned.read("zone_settings.kp_percent_per_degC") == round(gains.kp, 2)
            assert tuned.read("zone_settings.ti_s") == pytest.approx(round(gains.ti_s, 1))
            assert held.td_s == pytest.approx(round(gains.td_s, 1))
        assert tuned.run.previous[0][0] == before
        tuned.do(lambda run: run.undo(0))
        simc = tuned.run.tunings[0].view("simc").gains
        assert tuned.read("zone_settings.ti_s") == pytest.approx(simc.ti_s, abs=0.06)
        tuned.do(lambda run: run.undo(0))
        assert tuned.run.tunings[0].held == before
        with pytest.raises(TuneError, match="nothing to undo"):
            tuned.run.undo(0)

    def test_what_does_not_fit_is_refused_and_nothing_changes(self) -> None:
        rig = TuneRig()
        rig.tune(1, switchings=6)
        tuning = rig.run.tunings[1]
        huge = tuning.view("simc").gains
        object.__setattr__(huge, "kp", 5000.0)  # 655.35 is the register's highest
        rig.run.apply(1, "simc")
        assert "does not fit" in rig.finish()
        assert rig.read("zone_settings.kp_percent_per_degC", 1) == 6.0

    def test_a_head_that_keeps_another_value_is_found_out(self, monkeypatch) -> None:
        """Somebody else's firmware that clamps silently: the read-back shows it."""
        rig = TuneRig()
        rig.tune(1, switchings=6)
        honest = type(rig.client).write

        def clamps(client, name: str, value: float, instance: int = 0) -> None:
            honest(client, name, min(value, 50.0) if name.endswith("ti_s") else value, instance)

        rig.run.apply(1, "optimum_pi")
        gains = rig.run.tunings[1].view("optimum_pi").gains
        monkeypatch.setattr(type(rig.client), "write", clamps)
        object.__setattr__(gains, "ti_s", 80.0)
        trouble = rig.finish()
        assert "ti_s 50" in trouble and "80" in trouble
        assert rig.read("zone_settings.kp_percent_per_degC", 1) == 6.0
        assert not rig.run.previous.get(1)

    def test_a_refused_write_leaves_the_gains_before(self, monkeypatch) -> None:
        rig = TuneRig()
        rig.tune(1, switchings=6)
        honest = type(rig.client).write

        def refuses(client, name: str, value: float, instance: int = 0) -> None:
            honest(client, name, 70000.0 if (name, value) == forbidden else value, instance)

        gains = rig.run.tunings[1].view("simc").gains
        forbidden = ("zone_settings.ti_s", pytest.approx(gains.ti_s, abs=0.06))
        monkeypatch.setattr(type(rig.client), "write", refuses)
        rig.run.apply(1, "simc")
        assert "not changed" in rig.finish()
        monkeypatch.undo()
        assert rig.read("zone_settings.kp_percent_per_degC", 1) == 6.0

    def test_saved_only_when_asked(self, tuned: TuneRig) -> None:
        tuned.do(lambda run: run.apply(0, "simc"))
        kp = tuned.read("zone_settings.kp_percent_per_degC")
        tuned.client.store(StoreAction.RELOAD)
        tuned.go(1.0)
        assert tuned.read("zone_settings.kp_percent_per_degC") == 6.0
        tuned.write("zone_settings.kp_percent_per_degC", kp)
        tuned.do(lambda run: run.save())
        tuned.client.store(StoreAction.RELOAD)
        tuned.go(1.0)
        assert tuned.read("zone_settings.kp_percent_per_degC") == kp

    def test_unstable_rules_and_unknown_ones_are_not_applied(self, tuned: TuneRig) -> None:
        with pytest.raises(TuneError, match="no rule 'mine'"):
            tuned.run.apply(0, "mine")


class TestHowItEnds:
    def begun(self, **changes: float) -> TuneRig:
        rig = TuneRig()
        rig.write("zone.setpoint_degC", 110.0)
        rig.run.experiment(0, "relay", **changes)
        rig.go(40.0)
        assert rig.client.snapshot().zones[0].mode == ZoneMode.EXPERIMENT
        return rig

    def after(self, rig: TuneRig) -> None:
        rig.go(1.0)
        zone = rig.client.snapshot().zones[0]
        assert (zone.mode, zone.op_percent) == (ZoneMode.OFF, 0.0)
        assert 0 not in rig.run.tunings
        assert not rig.run.busy

    def test_stopped_at_any_time(self) -> None:
        rig = self.begun()
        rig.run.stop()
        assert "ended" in rig.finish(5.0)
        self.after(rig)

    def test_one_job_at_a_time(self) -> None:
        rig = self.begun()
        with pytest.raises(TuneError, match="under way"):
            rig.run.experiment(1, "relay")
        with pytest.raises(TuneError, match="no zone 3"):
            rig.run.experiment(2, "relay")

    def test_ceiling(self) -> None:
        rig = self.begun(ceiling_degC=45.0)
        assert "ceiling" in rig.finish()
        self.after(rig)

    def test_time_over(self) -> None:
        rig = self.begun(time_limit_s=60)
        assert "time ran out" in rig.finish()
        self.after(rig)

    def test_stop_command_of_somebody_else(self) -> None:
        rig = self.begun()
        rig.client.command(Command.STOP)
        assert "left Idle" in rig.finish()
        self.after(rig)

    def test_link_lost_for_a_while_is_told_and_the_head_ended_it_itself(self) -> None:
        rig = self.begun()
        rig.port.cut = True
        rig.go(8.0)
        assert rig.client.port_open and not rig.poller.status.connected
        assert rig.twin.head.zones.switches == 0
        rig.port.cut = False
        assert "heard nothing" in rig.finish()
        self.after(rig)

    def test_link_lost_for_good_ends_the_job_too(self) -> None:
        rig = self.begun()
        rig.port.cut = True
        trouble = rig.finish(200.0)
        assert "given up" in trouble and "No answer" in trouble
        assert rig.twin.head.zones.switches == 0
        assert not rig.run.busy

    def test_head_that_restarts(self) -> None:
        rig = self.begun()
        rig.twin.reset()
        assert "restarted" in rig.finish(60.0)
        self.after(rig)

    def test_sensor_that_opens(self) -> None:
        fault = '[[fault]]\nkind = "sensor_open"\nzone = 1\nat_s = 60.0\n'
        rig = TuneRig(scenario=PLAIN + fault)
        rig.write("zone.setpoint_degC", 110.0)
        rig.run.experiment(0, "relay")
        assert "sensor" in rig.finish()
        assert 0 not in rig.run.tunings

    def test_strip_in_the_guide_first(self) -> None:
        rig = TuneRig()
        rig.write("feed.strip_in", 1)
        rig.run.experiment(0, "relay")
        assert "pull the strips out" in rig.finish()
        assert rig.client.read_block(ExperimentStatusRegs).switches == 0

    def test_another_zone_on_its_way_would_disturb(self) -> None:
        rig = TuneRig()
        rig.idle()
        rig.automatic(1, 95.0)
        rig.go(5.0)
        rig.run.experiment(0, "relay")
        assert "zone 2" in rig.finish()

    def test_only_in_idle(self) -> None:
        rig = TuneRig()
        rig.client.command(Command.ABORT)
        rig.go(1.0)
        rig.run.experiment(0, "relay")
        assert "Idle" in rig.finish()

    def test_checks_need_a_model(self) -> None:
        rig = TuneRig()
        for ask in (rig.run.check_setpoint, rig.run.undo):
            with pytest.raises(TuneError):
                ask(0)
        with pytest.raises(TuneError, match="no model"):
            rig.run.feed_step(0, 14.0)


class TestVerifying:
    def test_a_zone_tuned_well_passes_and_gets_back_what_it_had(self, tuned: TuneRig) -> None:
        tuned.do(lambda run: run.apply(1, "simc"))
        tuned.do(lambda run: run.check_setpoint(1))
        check = tuned.run.tunings[1].checks[-1]
        assert check.verdict.passed, check.verdict.reasons
        assert check.verdict.measured.overshoot_degC < 1.5
        assert tuned.read("zone.mode", 1) == ZoneMode.OFF
        assert tuned.read("zone.setpoint_degC", 1) == SETPOINTS[1]

    def test_a_zone_that_lost_half_its_heater_fails(self, tuned: TuneRig) -> None:
        """The model is of a sound zone; the plant then gets half the power."""
        power = tuned.twin.plant.set.heater_W
        whole = power[1]
        power[1] = 0.55 * whole
        try:
            tuned.run.check_setpoint(1)
            text = tuned.finish()
        finally:
            power[1] = whole
        assert text.startswith("Failed")
        assert not tuned.run.tunings[1].checks[-1].verdict.passed

    def test_a_feed_start_without_feed_forward_fails_and_with_it_passes(self) -> None:
        """The guide, calm gains: 13 W carried off move it by more than its band."""
        rig = TuneRig(seed=5)
        rig.tune(0, knob=3.0)
        rig.do(lambda run: run.apply(0, "simc"))
        rig.automatic(1, SETPOINTS[1])
        rig.go(400.0)
        rig.do(lambda run: run.feed_step(0, 14.0, apply=False, check=False))
        for passes in (False, True):
            if passes:
                rig.do(lambda run: run.apply_feed_forward(0))
            rig.write("feed.strip_in", 0)
            rig.do(lambda run: run.check_feed(0, 14.0))
            verdict = rig.run.tunings[0].checks[-1].verdict
            assert verdict.passed is passes, verdict.reasons
        rig.do(lambda run: run.undo(0))
        assert rig.read("zone_settings.feed_forward_percent_per_mm_s") == 0.0

    def test_a_feed_step_stopped_half_way_leaves_the_zone_off(self, tuned: TuneRig) -> None:
        tuned.automatic(0, SETPOINTS[0])
        tuned.automatic(1, SETPOINTS[1])
        tuned.run.feed_step(0, 14.0)
        while "Feeding" not in tuned.run.status.text:
            assert tuned.run.busy, tuned.run.status.trouble
            tuned.poller.step()
        tuned.run.stop()
        assert "ended" in tuned.finish(60.0)
        tuned.go(3.0)
        assert tuned.client.snapshot().telemetry.state == State.STOPPED
        assert tuned.twin.head.zones.switches == 0
        assert tuned.read("zone.mode") == ZoneMode.OFF
        assert tuned.read("feed.speed_mm_s") == 0.0
        tuned.write("zone.mode", ZoneMode.OFF, 1)
        tuned.write("feed.strip_in", 0)
        tuned.idle()


class TestInteraction:
    def test_gains_of_rests_are_the_inverse_of_the_heat_balance(self) -> None:
        """Rest points computed from the balance give back its gain matrix exactly."""
        gain = np.linalg.inv(LOSS) * POWER
        pvs = np.array([[88.0, 73.0], [78.0, 73.0], [88.0, 73.0], [88.0, 63.0], [88.0, 73.0]])
        ops = np.linalg.solve(gain, pvs.T).T
        rests = np.stack([pvs, ops], axis=1)
        assert gain_of_rests(rests) == pytest.approx(gain)
        drift = np.arange(5.0)[:, None]  # a slow drift of the supply falls out
        assert gain_of_rests(np.stack([pvs, ops + drift], axis=1)) == pytest.approx(gain)

    def test_on_the_twin(self) -> None:
        """Relative gain of the plant: 1 / (1 - 0.15^2 / (0.50 x 0.40)) = 1.127. The supply drifts
        while the zones come to rest: 1.08 to 1.22 on eight seeds.
        """
        rig = TuneRig(seed=5)
        for zone in (1, 0):
            rig.tune(zone)
            rig.do(lambda run, zone=zone: run.apply(zone, "simc"))
        rig.do(lambda run: run.find_interaction(list(SETPOINTS)))
        found = rig.run.interaction
        assert found is not None
        assert found.relative[0, 0] == pytest.approx(1.127, abs=0.1)
        assert found.gain.shape == (2, 2) and (found.gain > 0.0).all()
        assert found.order == (1, 0)


class TestRecord:
    def test_round_trip(self, tuned: TuneRig, folder: Path) -> None:
        kept = read_tuning(folder / FILE)
        assert isinstance(kept, TuningRecord)
        assert [entry.zone for entry in kept.zones] == [1, 2]
        entry, tuning = kept.zone(0), tuned.run.tunings[0]
        assert entry is not None
        assert entry.record.pv_degC == pytest.approx(tuning.record.pv_degC, abs=0.006)
        assert entry.known == tuning.instrument
        gain = entry.model["gain_degC_per_percent"]
        assert gain == pytest.approx(tuning.found.model.gain_degC_per_percent)
        assert entry.gains_held == dict(tuning.held.named())  # type: ignore[union-attr]

    def test_identified_again_it_gives_the_same_model(self, folder: Path, tuned: TuneRig) -> None:
        from plylane.tuning import identify

        entry = read_tuning(folder / FILE).zone(1)
        assert entry is not None
        again = identify(entry.record, entry.known).model
        model = tuned.run.tunings[1].found.model
        assert again.gain_degC_per_percent == pytest.approx(model.gain_degC_per_percent, rel=0.01)

    @pytest.mark.parametrize("damage", ["cut", "format", "extra", "missing", "binary", "empty"])
    def test_damaged_files_are_refused_in_one_line(
        self, folder: Path, tuned: TuneRig, tmp_path: Path, damage: str
    ) -> None:
        text = (folder / FILE).read_bytes()
        damaged = {
            "cut": text[: len(text) // 2],
            "format": text.replace(b"plylane tuning 1", b"plylane tuning 9"),
            "extra": text.replace(b'"knob"', b'"nob"'),
            "missing": text.replace(b'"head"', b'"tail"'),
            "binary": b"\xff\xfe\x00" + text,
            "empty": b"",
        }[damage]
        assert damaged != text
        file = tmp_path / "broken.json"
        file.write_bytes(damaged)
        with pytest.raises(ValueError, match=r"broken\.json") as refused:
            read_tuning(file)
        assert "\n" not in str(refused.value)

    def test_a_record_that_cannot_be_written_is_told(self, tmp_path: Path) -> None:
        rig = TuneRig(folder=tmp_path / "not there")
        rig.write("zone.setpoint_degC", 95.0, 1)
        rig.run.experiment(1, "relay", switchings=6)
        assert "cannot be written" in rig.finish()
        assert 1 in rig.run.tunings  # found all the same


def test_state_is_idle_at_the_end_of_it_all(tuned: TuneRig) -> None:
    assert tuned.client.snapshot().telemetry.state == State.IDLE
