"""The tuning record: what was measured, found, applied and verified, in one JSON file."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from plylane.tune_errors import TuneError
from plylane.tune_run.gains import GainsInHead
from plylane.tune_run.outcome import ZoneTuning
from plylane.tuning import FeedForward, Instrument, Interaction, Record, RecordError

FILE = "tuning.json"
FORMAT = "plylane tuning 1"
SAMPLES_MOST = 6000
PRICE_TOLD = 1.02


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Samples(_Strict):
    """Columns of the experiment's record, one number a sample."""

    time_s: list[float]
    op_percent: list[float]
    pv_degC: list[float]
    feed_mm_s: list[float] | None = None
    others_degC: list[list[float]] = []


class Known(_Strict):
    """The Instrument the model was fitted with."""

    sensor_lag_s: float = Field(ge=0)
    window_s: float = Field(ge=0)
    window_start_s: float | None


class ZoneEntry(_Strict):
    """A zone, counted from 1. Dicts are as `plylane tune --json` and Verdict.to_json give them."""

    zone: int = Field(ge=1)
    experiment: dict[str, Any] | None
    samples: Samples
    instrument: Known
    setpoint_degC: float
    limits_percent: tuple[float, float]
    knob: float
    noise_price: float = 1.0
    model: dict[str, Any]
    rms_degC: float | None = None
    rules: dict[str, dict[str, Any]]
    suggested: str
    reason: str
    chosen: str | None
    gains_before: dict[str, float] | None
    gains_held: dict[str, float] | None
    feed_forward: dict[str, float] | None
    checks: list[dict[str, Any]]

    @property
    def record(self) -> Record:
        """The experiment's record. Raises RecordError."""
        columns = self.samples
        return Record.of(
            columns.time_s,
            columns.op_percent,
            columns.pv_degC,
            columns.feed_mm_s,
            columns.others_degC,
        )

    @property
    def known(self) -> Instrument:
        """What stood between command and record."""
        known = self.instrument
        return Instrument(known.sensor_lag_s, known.window_s, known.window_start_s)


class InteractionEntry(_Strict):
    """Gain matrix (degC/%) and relative gains, rows PV, columns output; order from zone 1."""

    gain_degC_per_percent: list[list[float]]
    relative: list[list[float]]
    order: list[int]
    remarks: list[str]


class TuningRecord(_Strict):
    """A whole file."""

    format: Literal["plylane tuning 1"]
    head: str
    zones: list[ZoneEntry]
    interaction: InteractionEntry | None = None

    def zone(self, zone: int) -> ZoneEntry | None:
        """The entry of a zone (from 0); None where it has not been tuned."""
        return next((entry for entry in self.zones if entry.zone == zone + 1), None)


def read_tuning(file: Path) -> TuningRecord:
    """Read a tuning record. Raises RecordError naming the file and the place."""
    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not a text file"
        raise RecordError(f"{file}: {reason}", "give a tuning record") from error
    try:
        return TuningRecord.model_validate_json(text, strict=False)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        where = f"{file}: {place}" if place else str(file)
        raise RecordError(
            f"{where}: {first['msg']}", f"give a file of format '{FORMAT}', whole and unchanged"
        ) from error


def write_tuning(
    file: Path, head: str, tunings: Mapping[int, ZoneTuning], found: Interaction | None
) -> None:
    """Write it beside and put it in place at once. Raises TuneError where it cannot be written."""
    form = {
        "format": FORMAT,
        "head": head,
        "zones": [entry_of(tunings[zone]).model_dump() for zone in sorted(tunings)],
        "interaction": None if found is None else interaction_entry(found).model_dump(),
    }
    beside = file.with_suffix(".new")
    try:
        beside.write_text(json.dumps(form, allow_nan=False), encoding="utf-8")
        beside.replace(file)
    except OSError as error:
        raise TuneError(
            f"{file}: the tuning record cannot be written ({error.strerror}): make room for it"
        ) from error


def entry_of(tuning: ZoneTuning) -> ZoneEntry:
    """What is kept of a zone's tuning."""
    known = tuning.instrument
    more = {
        "experiment": None if tuning.experiment is None else tuning.experiment.to_json(),
        "samples": _samples(tuning.record),
        "instrument": {
            "sensor_lag_s": known.sensor_lag_s,
            "window_s": known.window_s,
            "window_start_s": known.window_start_s,
        },
        "setpoint_degC": tuning.target.setpoint_degC,
        "limits_percent": list(tuning.target.limits),
        "chosen": tuning.chosen,
        "gains_before": _gains(tuning.before),
        "gains_held": _gains(tuning.held),
        "feed_forward": None if tuning.feed_forward is None else forward_entry(tuning.feed_forward),
        "checks": [check.to_json() for check in tuning.checks],
    }
    return ZoneEntry.model_validate(tuning.to_json() | more)


def _samples(record: Record) -> dict[str, Any]:
    """Telemetry has two decimals, its clock three."""
    every = -(-len(record.time_s) // SAMPLES_MOST)
    feed = record.feed_mm_s if record.feed_mm_s is not None and record.feed_mm_s.any() else None
    return {
        "time_s": np.round(record.time_s[::every], 3).tolist(),
        "op_percent": np.round(record.op_percent[::every], 2).tolist(),
        "pv_degC": np.round(record.pv_degC[::every], 2).tolist(),
        "feed_mm_s": None if feed is None else np.round(feed[::every], 2).tolist(),
        "others_degC": [np.round(other[::every], 2).tolist() for other in record.others_degC],
    }


def _gains(held: GainsInHead | None) -> dict[str, float] | None:
    return None if held is None else dict(held.named())


def forward_entry(found: FeedForward) -> dict[str, float]:
    """What is kept of a feed-forward."""
    return {
        "percent_per_mm_s": found.percent_per_mm_s,
        "standard_error": found.total_se,
        "lag_s": found.lag_s,
        "first_percent_per_mm_s": found.first_percent_per_mm_s,
        "first_standard_error": found.first_total_se,
        "after_mm": found.after_mm,
        "after_standard_error_mm": found.after_se,
    }


def interaction_entry(found: Interaction) -> InteractionEntry:
    """What is kept of an interaction."""
    return InteractionEntry(
        gain_degC_per_percent=found.gain.tolist(),
        relative=found.relative.tolist(),
        order=[zone + 1 for zone in found.order],
        remarks=list(found.remarks),
    )


# -------------------------------------------------------------------------------------- in words


@dataclass(frozen=True, slots=True)
class KeptLines:
    """A zone's tuning in words: its model in one line, then one line for all that followed."""

    model: str
    rest: tuple[str, ...]


def kept_lines(entry: ZoneEntry) -> KeptLines:
    """What a person wants to read of it, the table of rules apart."""
    rest = [*_against(entry), f"Suggested: {entry.reason}", *_price(entry)]
    if entry.gains_held is not None and entry.chosen is not None:
        rest.append(f"In the head by {entry.chosen}: {GainsInHead(**entry.gains_held).text}")
    if entry.feed_forward is not None:
        rest.append(f"Feed-forward {forward_text(entry.feed_forward)}")
    for check in entry.checks:
        word = "passed" if check["passed"] else "FAILED"
        rest.append(f"{check['kind'].capitalize()} {word}: {'; '.join(check['reasons'])}")
    return KeptLines(_model_line(entry), tuple(rest))


def forward_text(found: dict[str, float]) -> str:
    """A feed-forward as it is kept, in words. Old records have none but the later part."""
    later = f"{found['percent_per_mm_s']:.2f} ± {found['standard_error']:.2f} %/(mm/s)"
    if not found.get("after_mm"):
        return f"{later}, felt after {found['lag_s']:.0f} s"
    first = f"{found['first_percent_per_mm_s']:.2f} ± {found['first_standard_error']:.2f}"
    way = f"{found['after_mm']:.0f} ± {found['after_standard_error_mm']:.0f} mm"
    return f"{first} for {way}, then {later}"


def _model_line(entry: ZoneEntry) -> str:
    model, errors = entry.model, entry.model["standard_errors"]

    def value(name: str, decimals: int) -> str:
        return f"{model[name]:.{decimals}f} ± {errors[name]:.{decimals}f}"

    second = ""
    if "second_time_constant_s" in model:
        second = f", second time constant {value('second_time_constant_s', 1)} s"
    residual = "" if entry.rms_degC is None else f", residual {entry.rms_degC:.2f} degC"
    return (
        f"Zone {entry.zone}: {'first' if model['kind'] == 'fopdt' else 'second'} order, gain"
        f" {value('gain_degC_per_percent', 3)} degC/%, time constant"
        f" {value('time_constant_s', 0)} s{second}, dead time {value('dead_time_s', 1)} s{residual}"
    )


def _against(entry: ZoneEntry) -> list[str]:
    found = [
        f"{name} ({', '.join(rule['against'])})"
        for name, rule in entry.rules.items()
        if rule.get("against")
    ]
    return [f"Against: {'; '.join(found)}"] if found else []


def _price(entry: ZoneEntry) -> list[str]:
    if entry.noise_price < PRICE_TOLD:
        return []
    more = 100.0 * (entry.noise_price - 1.0)
    return [
        f"The noise limit makes the optimum's load error {more:.0f} % larger than it could be"
        " (--op-noise)"
    ]
