"""An invented tuning for the Tune screen: a block of one lag with dead time, no head, no twin."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import numpy as np

from lamp_run import snapshot_at
from plylane.head.registers import State
from plylane.tune_errors import TuneError
from plylane.tune_run import GainsInHead, TuneStatus, ZoneTuning
from plylane.tune_run.analyse import analyse
from plylane.tune_run.log import Log
from plylane.tune_run.outcome import Checked
from plylane.tune_run.rules import step_preview
from plylane.tuning import Instrument, Interaction, Record, verify_setpoint_step

GAIN, LAG_S, DEAD_S, AIR = 1.4, 380.0, 3.0, 22.0
PRESET = GainsInHead(6.0, 120.0, 4.0, 2.0, 0.0)


@cache
def invented_record() -> Record:
    """Heated at full output to 110 degC, then switched about it by a relay, 2 samples a second."""
    rng = np.random.default_rng(4)
    dt, pv, high = 0.5, AIR, True
    rows: list[tuple[float, float, float]] = []
    delay = [0.0] * int(DEAD_S / dt)
    for k in range(1100):
        seen = pv + rng.normal(0.0, 0.05)
        if k >= 20:
            high = seen < 109.5 if high is False else seen <= 110.5
        op = 0.0 if k < 20 else (100.0 if high else 10.0)
        rows.append((k * dt, op, round(seen, 2)))
        delay.append(op)
        pv += dt / LAG_S * (AIR + GAIN * delay.pop(0) - pv)
    return Record.of(*np.array(rows).T)


@cache
def tuned(knob: float = 1.5) -> ZoneTuning:
    """That record, identified, with all rules."""
    found = analyse(0, invented_record(), Instrument(0.0, 1.0), setpoint_degC=110.0, knob=knob)
    return replace(found, held=PRESET, before=PRESET)


@cache
def applied() -> ZoneTuning:
    """SIMC in force and verified."""
    found = tuned()
    gains = found.view("simc").gains
    predicted = step_preview(found.result, gains, found.target, 200.0)
    wave = 0.1 * np.sin(predicted.time_s / 9.0)
    verdict = verify_setpoint_step(predicted.time_s, predicted.pv_degC + wave, predicted)
    check = Checked(verdict, predicted.time_s, predicted.pv_degC + wave, predicted)
    held = PRESET.with_gains(gains).rounded()
    return replace(found, chosen="simc", held=held, checks=(check,))


def warming_log() -> Log:
    """The zones as they warm up in the invented run."""
    log = Log(2)
    for k in range(400):
        log.add(snapshot_at(0.5 * k, state=State.IDLE))
    return log


@dataclass
class FakeTuning:
    """Notes down what it is asked for; refuses when told to."""

    zones: int = 2
    status: TuneStatus = field(default_factory=TuneStatus)
    began_s: float = 0.0
    log: Log = field(default_factory=warming_log)
    tunings: Mapping[int, ZoneTuning] = field(default_factory=dict)
    previous: Mapping[int, tuple[GainsInHead, ...]] = field(default_factory=dict)
    interaction: Interaction | None = None
    refusal: str = ""
    asked: list[tuple[Any, ...]] = field(default_factory=list)

    def _note(self, *what: Any) -> None:
        if self.refusal:
            raise TuneError(self.refusal)
        self.asked.append(what)

    def experiment(self, zone: int, kind: str, *, knob: float, guide_empty: bool) -> None:
        self._note("experiment", zone, kind, knob, guide_empty)

    def turn_knob(self, zone: int, knob: float) -> None:
        self._note("knob", zone, knob)

    def stop(self) -> None:
        self._note("stop")

    def apply(self, zone: int, rule: str) -> None:
        self._note("apply", zone, rule)

    def undo(self, zone: int) -> None:
        self._note("undo", zone)

    def save(self) -> None:
        self._note("save")

    def check_setpoint(self, zone: int, *, guide_empty: bool) -> None:
        self._note("check", zone, guide_empty)

    def feed_step(self, zone: int, speed_mm_s: float, *, guide_empty: bool) -> None:
        self._note("feed", zone, speed_mm_s, guide_empty)

    def find_interaction(self, setpoints_degC: list[float], *, guide_empty: bool) -> None:
        self._note("interaction", setpoints_degC, guide_empty)


def fresh() -> FakeTuning:
    """Nothing done yet."""
    return FakeTuning()


def under_way() -> FakeTuning:
    """A relay experiment half through."""
    text = "Relay about 110.0 degC: 5 of 12 switchings."
    return FakeTuning(status=TuneStatus("relay", 0, text, 190.0, 1610.0, 5 / 12))


def with_model() -> FakeTuning:
    """Identified, nothing applied."""
    found = tuned()
    return FakeTuning(tunings={0: found}, status=TuneStatus(text=found.suggestion.reason))


def with_gains() -> FakeTuning:
    """Applied and verified."""
    text = "Passed: overshoot, settling, IAE and band as predicted."
    return FakeTuning(tunings={0: applied()}, previous={0: (PRESET,)}, status=TuneStatus(text=text))
