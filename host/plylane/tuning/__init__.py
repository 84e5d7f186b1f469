"""Tuning a heater zone: arrays and values in, values out (`csv_reader` alone opens files).

record -> identify -> rules, margins, preview -> verify; see docs/tuning.md.
"""

from plylane.tuning.csv_reader import read_record_csv
from plylane.tuning.feed_forward import FeedForward, identify_feed_forward
from plylane.tuning.figures import Figures, figures
from plylane.tuning.gains import Gains
from plylane.tuning.identify import Identification, identify
from plylane.tuning.interaction import Interaction, cross_gain, interaction, relative_gains
from plylane.tuning.margins import LoopTiming, Margins, loop_margins
from plylane.tuning.model import HEAD_SENSOR_LAG_S, PLAIN, Instrument, Model
from plylane.tuning.preview import Course, Preview, load_preview, setpoint_preview
from plylane.tuning.process import Process
from plylane.tuning.record import Record, RecordError
from plylane.tuning.relay import Cycle, measure_cycle, process_from_cycle
from plylane.tuning.result import OP_NOISE_MOST_PERCENT, RULE_NAMES, RuleResult, TuningResult, tune
from plylane.tuning.rules import BRISK, CALM, EVEN
from plylane.tuning.verify import Limits, Verdict, verify_feed_step, verify_setpoint_step

__all__ = [
    "BRISK",
    "CALM",
    "EVEN",
    "HEAD_SENSOR_LAG_S",
    "OP_NOISE_MOST_PERCENT",
    "PLAIN",
    "RULE_NAMES",
    "Course",
    "Cycle",
    "FeedForward",
    "Figures",
    "Gains",
    "Identification",
    "Instrument",
    "Interaction",
    "Limits",
    "LoopTiming",
    "Margins",
    "Model",
    "Preview",
    "Process",
    "Record",
    "RecordError",
    "RuleResult",
    "TuningResult",
    "Verdict",
    "cross_gain",
    "figures",
    "identify",
    "identify_feed_forward",
    "interaction",
    "load_preview",
    "loop_margins",
    "measure_cycle",
    "process_from_cycle",
    "read_record_csv",
    "relative_gains",
    "setpoint_preview",
    "tune",
    "verify_feed_step",
    "verify_setpoint_step",
]
