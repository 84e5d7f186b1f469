"""Tuning a head's zones: experiments, gains, verification, driven through the poller."""

from plylane.tune_errors import TuneError
from plylane.tune_run.experiment import Experiment, ZoneNow, default_experiment
from plylane.tune_run.gains import GainsInHead
from plylane.tune_run.outcome import Checked, ZoneTuning
from plylane.tune_run.record_file import TuningRecord, read_tuning, write_tuning
from plylane.tune_run.rules import RuleView, Suggestion, Target, compare, suggest
from plylane.tune_run.run import TuneRun
from plylane.tune_run.status import TuneStatus

__all__ = [
    "Checked",
    "Experiment",
    "GainsInHead",
    "RuleView",
    "Suggestion",
    "Target",
    "TuneError",
    "TuneRun",
    "TuneStatus",
    "TuningRecord",
    "ZoneNow",
    "ZoneTuning",
    "compare",
    "default_experiment",
    "read_tuning",
    "suggest",
    "write_tuning",
]
