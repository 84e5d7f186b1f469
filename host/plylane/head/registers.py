"""Registers of the head, typed.

Generated from firmware_sim/registers.toml by firmware_sim/generate.py; do not edit.
"""

# ruff: noqa: E501
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import Self

from plylane.head.wire import Alarm, Block, Register, read_words, write_words

MAP_HASH = 0x84275C85
FIRMWARE_VERSION = (0, 1, 0)
FIFO_ADDRESS = 768
VENDOR = "plylane"
PRODUCT = "press head controller"
ZONES = 3
DRIVES = 3
LANES = 8


class State(IntEnum):
    """Machine states of ISA-TR88.00.02; the numbers are its state numbers (memory)."""

    CLEARING = 1
    STOPPED = 2
    STARTING = 3
    IDLE = 4
    EXECUTE = 6
    STOPPING = 7
    ABORTING = 8
    ABORTED = 9
    HOLDING = 10
    HELD = 11
    UNHOLDING = 12
    RESETTING = 15
    COMPLETING = 16
    COMPLETE = 17


class Command(IntEnum):
    """Commands of ISA-TR88.00.02; the numbers are its command numbers (memory)."""

    NONE = 0
    RESET = 1
    START = 2
    STOP = 3
    HOLD = 4
    UNHOLD = 5
    ABORT = 8
    CLEAR = 9
    COMPLETE = 10


class ZoneMode(IntEnum):
    """What sets the output of a zone."""

    OFF = 0
    MANUAL = 1
    AUTOMATIC = 2
    EXPERIMENT = 3


class ExperimentKind(IntEnum):
    """How an experiment moves the output of its zone."""

    NONE = 0
    RELAY = 1
    STEP = 2
    DOUBLET = 3


class ExperimentEnd(IntEnum):
    """How the last experiment stands or ended."""

    NONE = 0
    RUNNING = 1
    FINISHED = 2
    STOPPED = 3
    TOO_HOT = 4
    OUT_OF_TIME = 5
    LINK_SILENT = 6
    SENSOR_FAILED = 7
    STATE_LEFT = 8


class SensorKind(IntEnum):
    """Temperature sensor of a zone."""

    NTC = 0
    PT1000 = 1


class FeedSource(IntEnum):
    """Where the master feed takes its speed from."""

    SET_SPEED = 0
    LENGTH = 1
    PATH = 2
    PATH_POSITION = 3


class TrimMode(IntEnum):
    """What sets the trim of the master feed: nothing, trim_ppm, or the output wheel."""

    OFF = 0
    FIXED = 1
    AUTOMATIC = 2


class TrimState(IntEnum):
    """What the trim does, or why automatic trim is frozen: output wheel against feed, or against the lane wheels."""

    OFF = 0
    FIXED = 1
    AUTOMATIC = 2
    WHEEL_SLIPS = 3
    WHEEL_DRIFTS = 4


class StoreAction(IntEnum):
    """What to do with the stored settings."""

    NONE = 0
    SAVE = 1
    RELOAD = 2
    DEFAULTS = 3


class SettingsOrigin(IntEnum):
    """Where the settings in force came from at the last reset."""

    DEFAULTS = 0
    FIRST_COPY = 1
    SECOND_COPY = 2
    DAMAGED = 3
    OTHER_FIRMWARE = 4


class Board(IntEnum):
    """What the core runs on."""

    ATMEGA328P = 1
    TWIN = 2


class Reaction(IntEnum):
    """What a guard makes the head do."""

    REPORT = 0
    HOLD = 1
    STOP = 2
    ABORT = 3


class Refusal(IntEnum):
    """Why the head changed nothing on the last refused write."""

    NONE = 0
    OUT_OF_RANGE = 1
    WRONG_STATE = 2
    HALF_OF_PAIR = 3
    READ_ONLY = 4
    BUSY_SAVING = 5
    NO_SUCH_TRANSITION = 6
    NOT_FITTED = 7
    ALARM_STANDING = 8
    NOT_SUPPORTED = 9
    SETPOINT_ABOVE_LIMIT = 10
    NO_SUCH_ADDRESS = 11
    ZONES_OFF = 12


class EventCode(IntEnum):
    """What an event in the queue tells. Arguments: reset cause; state; of alarms 256 x alarm + zone, drive or lane from 0; number of the save; origin of settings; length in mm; 256 x zone + mode; events lost; address of the register; 256 x zone + ExperimentEnd."""

    HEAD_RESET = 1
    STATE_ENTERED = 2
    ALARM_RAISED = 3
    ALARM_CLEARED = 4
    ALARM_ACKNOWLEDGED = 5
    SETTINGS_SAVED = 6
    SETTINGS_LOADED = 7
    SETTINGS_FAILED = 8
    SHEAR_FIRED = 9
    LENGTH_REACHED = 10
    ZONE_MODE = 11
    EVENTS_LOST = 12
    WRITE_REFUSED = 13
    EXPERIMENT_ENDED = 14


class Inputs(IntFlag):
    """Switch inputs, as read."""

    STOP_TRIPPED = 1
    PERMIT_GIVEN = 2


class Status(IntFlag):
    """What the head is doing."""

    AT_TEMPERATURE = 1
    MOVING = 2
    HEATERS_ENABLED = 4
    DRIVES_ENABLED = 8
    PATH_FRESH = 16
    SAVING = 32
    SHEAR_ARMED = 64
    JOGGING = 128


class ResetCause(IntFlag):
    """Why the head last reset."""

    POWER_ON = 1
    EXTERNAL = 2
    BROWN_OUT = 4
    WATCHDOG = 8


ALARMS: tuple[Alarm, ...] = (
    Alarm(0, "over_temperature", "zone", "high", "abort", False, "PV above the zone's limit.", "Keep hands off, let the block cool. Look for a shorted heater switch or a loose sensor before clearing."),
    Alarm(1, "sensor_open", "zone", "high", "abort", False, "The sensor reads as an open circuit.", "Check plug and cable of the zone's sensor; measure its resistance with the supply off."),
    Alarm(2, "sensor_shorted", "zone", "high", "abort", False, "The sensor reads as a short circuit.", "Check the sensor cable for a pinched spot; measure its resistance with the supply off."),
    Alarm(3, "sensor_stuck", "zone", "high", "abort", True, "The reading has not moved by one step while the output was at work.", "Check the sensor and its converter channel; a real block never stands perfectly still."),
    Alarm(4, "sensor_detached", "zone", "high", "abort", True, "The reading falls faster than the block can cool.", "The sensor has probably come out of its seat. The block may be hotter than shown: let it cool, reseat the sensor."),
    Alarm(5, "heating_without_effect", "zone", "high", "abort", True, "High output for long without a rise.", "Check heater, its fuse, thermal cut-out and supply; check that the sensor sits in its own block."),
    Alarm(6, "heat_without_command", "zone", "high", "abort", True, "The zone warms although its output is zero.", "Cut the heater supply by hand: the switch of this zone may be shorted."),
    Alarm(7, "under_temperature", "zone", "medium", "hold", True, "PV below the setpoint band while feeding: the glue line may not bond.", "Lower the speed or check the loop; inspect the cord laid since the alarm."),
    Alarm(8, "start_timeout", "zone", "medium", "stop", True, "A zone did not come to its band in time.", "Check heater power and gains; allow more time in guards.start_timeout_s."),
    Alarm(9, "link_silent", "none", "medium", "hold", False, "No request from the host for longer than the limit while feeding.", "Check cable and host program; unhold when the link is back."),
    Alarm(10, "feed_mismatch", "none", "high", "hold", True, "Fed and laid length differ by more than the hard limit.", "Look for strips stuck in the head or rollers slipping; clear before going on."),
    Alarm(11, "lane_stopped", "lane", "high", "hold", True, "A lane's wheel stands while strips are fed and others turn.", "Look at that lane: stuck strip, strip run out, or wheel lifted off."),
    Alarm(12, "strip_dwell", "none", "high", "stop", False, "Strip has stood or crept in the hot guide for too long; wood held hot can char and ignite.", "Let the guide cool, pull the strips back and look for scorching before going on."),
    Alarm(13, "stop_input", "none", "high", "abort", False, "The hard-wired stop is tripped; the contact is read to inform, the wiring itself must cut power.", "Find out why it was pressed, make the machine safe, release it, then clear."),
    Alarm(14, "permit_lost", "none", "medium", "hold", False, "The motion system withdrew its permit while feeding.", "See why the robot stopped; unhold when the permit is back."),
    Alarm(15, "pulse_overrun", "drive", "medium", "hold", True, "More pulses were asked for than the head can give in one period.", "Lower the speed or the pulses per metre of that drive."),
    Alarm(16, "watchdog_reset", "none", "high", "report", True, "The head was reset by its watchdog.", "Note what was running; a repeat means a defect in firmware or supply."),
    Alarm(17, "brown_out_reset", "none", "high", "report", True, "The supply of the head dipped and reset it.", "Check the supply and its wiring, above all when heaters switch on."),
    Alarm(18, "settings_damaged", "none", "high", "stop", False, "No stored copy of the settings can be used (damaged, or of other firmware); defaults are in force and the head will not start.", "Check every setting, sensor kinds and limits first, write what is missing and save."),
    Alarm(19, "wheel_slips", "none", "medium", "report", False, "Output wheel and feed disagree at once: the wheel slips, sticks or is lifted, or the rollers slip. The automatic trim is frozen.", "Look at the output wheel and its spring; if the wheel turns well, look for a jam or dirt on the rollers."),
    Alarm(20, "wheel_drifts", "none", "medium", "report", False, "Output wheel and lane wheels drift apart: dirt on a wheel, or a wrong calibration. The automatic trim is frozen.", "Clean the output wheel at the next stop and check its calibration and that of the lane wheels."),
    Alarm(21, "length_off", "none", "medium", "report", False, "With automatic trim, laid length and wanted length are further apart than guards.path_limit_mm: the trim does not manage.", "Look for rollers slipping; the cord laid since the alarm is too short or too long. Raise machine.trim_max_percent only for a known cause."),
    Alarm(22, "path_stale", "none", "medium", "hold", False, "No new reference of the path for longer than guards.path_timeout_ms while feeding. A reference with the stamp of the one before is not new.", "Check the robot cell and its link; unhold when the reference is back."),
    Alarm(23, "path_reversed", "none", "medium", "hold", False, "The path position has gone back behind what is fed by more than guards.path_limit_mm. The cord cannot be pulled back.", "Bring the robot forward to where the cord ends, or stop and start a new run."),
    Alarm(24, "path_too_fast", "none", "medium", "hold", False, "The feed has fallen behind the path position by more than guards.path_limit_mm: the robot goes faster or accelerates harder than the head can.", "Lower the robot's speed or acceleration; the cord since the alarm is too short or torn."),
)

# state and command that is taken there -> acting state it leads to
TRANSITIONS: dict[tuple[State, Command], State] = {
    (State.STOPPED, Command.RESET): State.RESETTING,
    (State.COMPLETE, Command.RESET): State.RESETTING,
    (State.IDLE, Command.START): State.STARTING,
    (State.EXECUTE, Command.HOLD): State.HOLDING,
    (State.UNHOLDING, Command.HOLD): State.HOLDING,
    (State.HELD, Command.UNHOLD): State.UNHOLDING,
    (State.EXECUTE, Command.COMPLETE): State.COMPLETING,
    (State.RESETTING, Command.STOP): State.STOPPING,
    (State.IDLE, Command.STOP): State.STOPPING,
    (State.STARTING, Command.STOP): State.STOPPING,
    (State.EXECUTE, Command.STOP): State.STOPPING,
    (State.HOLDING, Command.STOP): State.STOPPING,
    (State.HELD, Command.STOP): State.STOPPING,
    (State.UNHOLDING, Command.STOP): State.STOPPING,
    (State.COMPLETING, Command.STOP): State.STOPPING,
    (State.COMPLETE, Command.STOP): State.STOPPING,
    (State.CLEARING, Command.ABORT): State.ABORTING,
    (State.STOPPED, Command.ABORT): State.ABORTING,
    (State.RESETTING, Command.ABORT): State.ABORTING,
    (State.IDLE, Command.ABORT): State.ABORTING,
    (State.STARTING, Command.ABORT): State.ABORTING,
    (State.EXECUTE, Command.ABORT): State.ABORTING,
    (State.HOLDING, Command.ABORT): State.ABORTING,
    (State.HELD, Command.ABORT): State.ABORTING,
    (State.UNHOLDING, Command.ABORT): State.ABORTING,
    (State.COMPLETING, Command.ABORT): State.ABORTING,
    (State.COMPLETE, Command.ABORT): State.ABORTING,
    (State.STOPPING, Command.ABORT): State.ABORTING,
    (State.ABORTED, Command.CLEAR): State.CLEARING,
}

# acting state -> where it goes by itself when its work is done
WHEN_DONE: dict[State, State] = {
    State.RESETTING: State.IDLE,
    State.STARTING: State.EXECUTE,
    State.EXECUTE: State.COMPLETING,
    State.HOLDING: State.HELD,
    State.UNHOLDING: State.EXECUTE,
    State.COMPLETING: State.COMPLETE,
    State.STOPPING: State.STOPPED,
    State.ABORTING: State.ABORTED,
    State.CLEARING: State.STOPPED,
}


@dataclass(frozen=True, slots=True)
class IdentityRegs:
    """Who answers."""

    map_hash: int
    version_major: int
    version_minor: int
    version_patch: int
    board: Board
    reset_cause: ResetCause
    settings_origin: SettingsOrigin
    settings_sequence: int

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 9 registers of one instance."""
        v0, v1, v2, v3, v4, v5, v6, v7 = read_words(cls.BLOCK, words)
        return cls(v0, v1, v2, v3, Board(v4), ResetCause(v5), SettingsOrigin(v6), v7)

    def to_words(self) -> list[int]:
        """Encode as the 9 registers of one instance."""
        return write_words(self.BLOCK, [self.map_hash, self.version_major, self.version_minor, self.version_patch, self.board, self.reset_cause, self.settings_origin, self.settings_sequence])

    BLOCK = Block("identity", "input", 0, 1, False, (
        Register("map_hash", "identity", "input", 0, "u32", "", 1, 0, 2147483647, 0, "never", "First 32 bits of the SHA-256 of the register map."),
        Register("version_major", "identity", "input", 2, "u16", "", 1, 0, 65535, 0, "never", "Firmware version."),
        Register("version_minor", "identity", "input", 3, "u16", "", 1, 0, 65535, 0, "never", "Firmware version."),
        Register("version_patch", "identity", "input", 4, "u16", "", 1, 0, 65535, 0, "never", "Firmware version."),
        Register("board", "identity", "input", 5, "u16", "", 1, 0, 65535, 0, "never", "What the core runs on."),
        Register("reset_cause", "identity", "input", 6, "u16", "", 1, 0, 65535, 0, "never", "Why the head last reset."),
        Register("settings_origin", "identity", "input", 7, "u16", "", 1, 0, 65535, 0, "never", "Where the settings came from."),
        Register("settings_sequence", "identity", "input", 8, "u16", "", 1, 0, 65535, 0, "never", "Number of the last good save."),
    ))


@dataclass(frozen=True, slots=True)
class TelemetryRegs:
    """One coherent snapshot. Read it together with the drive, zone and lane blocks that follow it."""

    head_ms: int
    state: State
    inputs: Inputs
    status: Status
    alarms_active: int
    alarms_unacknowledged: int
    events_waiting: int
    events_lost: int
    refused_count: int
    feed_position_mm: float
    feed_speed_mm_s: float
    feed_target_mm_s: float
    length_to_go_mm: float
    output_position_mm: float
    output_speed_mm_s: float
    mismatch_mm: float
    trim_ppm: int
    pulse_overruns: int
    laid_mm: float
    length_error_mm: float
    trim_state: TrimState

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 29 registers of one instance."""
        v0, v1, v2, v3, v4, v5, v6, v7, v8, v9, v10, v11, v12, v13, v14, v15, v16, v17, v18, v19, v20 = read_words(cls.BLOCK, words)
        return cls(v0, State(v1), Inputs(v2), Status(v3), v4, v5, v6, v7, v8, v9 / 1000, v10 / 100, v11 / 100, v12 / 1000, v13 / 1000, v14 / 100, v15 / 100, v16, v17, v18 / 1000, v19 / 100, TrimState(v20))

    def to_words(self) -> list[int]:
        """Encode as the 29 registers of one instance."""
        return write_words(self.BLOCK, [self.head_ms, self.state, self.inputs, self.status, self.alarms_active, self.alarms_unacknowledged, self.events_waiting, self.events_lost, self.refused_count, round(self.feed_position_mm * 1000), round(self.feed_speed_mm_s * 100), round(self.feed_target_mm_s * 100), round(self.length_to_go_mm * 1000), round(self.output_position_mm * 1000), round(self.output_speed_mm_s * 100), round(self.mismatch_mm * 100), self.trim_ppm, self.pulse_overruns, round(self.laid_mm * 1000), round(self.length_error_mm * 100), self.trim_state])

    BLOCK = Block("telemetry", "input", 100, 1, False, (
        Register("head_ms", "telemetry", "input", 100, "u32", "ms", 1, 0, 2147483647, 0, "never", "The head's clock since reset; wraps after 49.7 days."),
        Register("state", "telemetry", "input", 102, "u16", "", 1, 0, 65535, 0, "never", "Machine state."),
        Register("inputs", "telemetry", "input", 103, "u16", "", 1, 0, 65535, 0, "never", "Switch inputs."),
        Register("status", "telemetry", "input", 104, "u16", "", 1, 0, 65535, 0, "never", "What the head is doing."),
        Register("alarms_active", "telemetry", "input", 105, "u32", "", 1, 0, 2147483647, 0, "never", "A bit an alarm whose condition stands."),
        Register("alarms_unacknowledged", "telemetry", "input", 107, "u32", "", 1, 0, 2147483647, 0, "never", "A bit an alarm nobody has acknowledged yet."),
        Register("events_waiting", "telemetry", "input", 109, "u16", "", 1, 0, 65535, 0, "never", "Events in the queue."),
        Register("events_lost", "telemetry", "input", 110, "u16", "", 1, 0, 65535, 0, "never", "Events that found the queue full since reset."),
        Register("refused_count", "telemetry", "input", 111, "u16", "", 1, 0, 65535, 0, "never", "Writes refused since reset; wraps."),
        Register("feed_position_mm", "telemetry", "input", 112, "i32", "mm", 0.001, -2147483648, 2147483647, 0, "never", "Master feed since the run started."),
        Register("feed_speed_mm_s", "telemetry", "input", 114, "i16", "mm/s", 0.01, -32768, 32767, 0, "never", "Master feed speed now."),
        Register("feed_target_mm_s", "telemetry", "input", 115, "i16", "mm/s", 0.01, -32768, 32767, 0, "never", "Speed that the master feed is heading for."),
        Register("length_to_go_mm", "telemetry", "input", 116, "i32", "mm", 0.001, -2147483648, 2147483647, 0, "never", "What is left of a length to go; 0 for other sources."),
        Register("output_position_mm", "telemetry", "input", 118, "i32", "mm", 0.001, -2147483648, 2147483647, 0, "never", "Output wheel since the run started: cord laid."),
        Register("output_speed_mm_s", "telemetry", "input", 120, "i16", "mm/s", 0.01, -32768, 32767, 0, "never", "Output wheel speed over the last 100 ms."),
        Register("mismatch_mm", "telemetry", "input", 121, "i16", "mm", 0.01, -32768, 32767, 0, "never", "Feed less expected slip less output, over the mismatch window."),
        Register("trim_ppm", "telemetry", "input", 122, "i32", "ppm", 1, -2147483648, 2147483647, 0, "never", "Trim of the master feed in force."),
        Register("pulse_overruns", "telemetry", "input", 124, "u16", "", 1, 0, 65535, 0, "never", "Pulse periods that came too late since reset; wraps."),
        Register("laid_mm", "telemetry", "input", 125, "i32", "mm", 0.001, -2147483648, 2147483647, 0, "never", "Cord laid since the run started, as the head believes: the output wheel, corrected where it was in doubt."),
        Register("length_error_mm", "telemetry", "input", 127, "i16", "mm", 0.01, -32768, 32767, 0, "never", "Length wanted (path position, or the master feed) less length laid."),
        Register("trim_state", "telemetry", "input", 128, "u16", "", 1, 0, 65535, 0, "never", "What the trim does, or why it is frozen."),
    ))


@dataclass(frozen=True, slots=True)
class DriveTelemetryRegs:
    """A drive."""

    pulses: int

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 2 registers of one instance."""
        v0, = read_words(cls.BLOCK, words)
        return cls(v0)

    def to_words(self) -> list[int]:
        """Encode as the 2 registers of one instance."""
        return write_words(self.BLOCK, [self.pulses])

    BLOCK = Block("drive_telemetry", "input", 129, 3, False, (
        Register("pulses", "drive_telemetry", "input", 129, "i32", "", 1, -2147483648, 2147483647, 0, "never", "Net pulses since reset, forward positive."),
    ))


@dataclass(frozen=True, slots=True)
class ZoneTelemetryRegs:
    """A zone."""

    pv_degC: float
    sp_degC: float
    op_percent: float
    mode: ZoneMode

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 4 registers of one instance."""
        v0, v1, v2, v3 = read_words(cls.BLOCK, words)
        return cls(v0 / 100, v1 / 100, v2 / 100, ZoneMode(v3))

    def to_words(self) -> list[int]:
        """Encode as the 4 registers of one instance."""
        return write_words(self.BLOCK, [round(self.pv_degC * 100), round(self.sp_degC * 100), round(self.op_percent * 100), self.mode])

    BLOCK = Block("zone_telemetry", "input", 135, 3, False, (
        Register("pv_degC", "zone_telemetry", "input", 135, "i16", "degC", 0.01, -32768, 32767, 0, "never", "Process value. -300 where the sensor cannot be read."),
        Register("sp_degC", "zone_telemetry", "input", 136, "i16", "degC", 0.01, -32768, 32767, 0, "never", "Setpoint in force (standby while held)."),
        Register("op_percent", "zone_telemetry", "input", 137, "u16", "%", 0.01, 0, 65535, 0, "never", "Output."),
        Register("mode", "zone_telemetry", "input", 138, "u16", "", 1, 0, 65535, 0, "never", "Mode in force."),
    ))


@dataclass(frozen=True, slots=True)
class LaneTelemetryRegs:
    """A lane."""

    position_mm: float

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 2 registers of one instance."""
        v0, = read_words(cls.BLOCK, words)
        return cls(v0 / 1000)

    def to_words(self) -> list[int]:
        """Encode as the 2 registers of one instance."""
        return write_words(self.BLOCK, [round(self.position_mm * 1000)])

    BLOCK = Block("lane_telemetry", "input", 147, 8, False, (
        Register("position_mm", "lane_telemetry", "input", 147, "i32", "mm", 0.001, -2147483648, 2147483647, 0, "never", "Lane wheel since the run started."),
    ))


@dataclass(frozen=True, slots=True)
class AlarmDetailRegs:
    """Which zones, drives or lanes an alarm concerns, in the order of the alarm table."""

    instances: int

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 1 registers of one instance."""
        v0, = read_words(cls.BLOCK, words)
        return cls(v0)

    def to_words(self) -> list[int]:
        """Encode as the 1 registers of one instance."""
        return write_words(self.BLOCK, [self.instances])

    BLOCK = Block("alarm_detail", "input", 200, 25, False, (
        Register("instances", "alarm_detail", "input", 200, "u16", "", 1, 0, 65535, 0, "never", "A bit a zone, drive or lane; bit 0 where the alarm has no instances."),
    ))


@dataclass(frozen=True, slots=True)
class RefusalRegs:
    """The last refused write."""

    reason: Refusal
    address: int
    value: int

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 4 registers of one instance."""
        v0, v1, v2 = read_words(cls.BLOCK, words)
        return cls(Refusal(v0), v1, v2)

    def to_words(self) -> list[int]:
        """Encode as the 4 registers of one instance."""
        return write_words(self.BLOCK, [self.reason, self.address, self.value])

    BLOCK = Block("refusal", "input", 240, 1, False, (
        Register("reason", "refusal", "input", 240, "u16", "", 1, 0, 65535, 0, "never", "Why nothing was changed."),
        Register("address", "refusal", "input", 241, "u16", "", 1, 0, 65535, 0, "never", "First register at fault."),
        Register("value", "refusal", "input", 242, "i32", "", 1, -2147483648, 2147483647, 0, "never", "What was asked for."),
    ))


@dataclass(frozen=True, slots=True)
class LinkCountersRegs:
    """Counts since reset; they wrap."""

    frames_good: int
    frames_bad: int
    exceptions_sent: int
    bytes_lost: int
    edges_missed: int

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 5 registers of one instance."""
        v0, v1, v2, v3, v4 = read_words(cls.BLOCK, words)
        return cls(v0, v1, v2, v3, v4)

    def to_words(self) -> list[int]:
        """Encode as the 5 registers of one instance."""
        return write_words(self.BLOCK, [self.frames_good, self.frames_bad, self.exceptions_sent, self.bytes_lost, self.edges_missed])

    BLOCK = Block("link_counters", "input", 250, 1, False, (
        Register("frames_good", "link_counters", "input", 250, "u16", "", 1, 0, 65535, 0, "never", "Frames with a right CRC, for any unit."),
        Register("frames_bad", "link_counters", "input", 251, "u16", "", 1, 0, 65535, 0, "never", "Frames with a wrong CRC or length."),
        Register("exceptions_sent", "link_counters", "input", 252, "u16", "", 1, 0, 65535, 0, "never", "Exception responses."),
        Register("bytes_lost", "link_counters", "input", 253, "u16", "", 1, 0, 65535, 0, "never", "Bytes that came while the head could not take them."),
        Register("edges_missed", "link_counters", "input", 254, "u16", "", 1, 0, 65535, 0, "never", "Times that both pins of the output wheel had changed at once."),
    ))


@dataclass(frozen=True, slots=True)
class ExperimentStatusRegs:
    """The experiment under way, or the last one."""

    end: ExperimentEnd
    zone: int
    elapsed_s: int
    switches: int

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 4 registers of one instance."""
        v0, v1, v2, v3 = read_words(cls.BLOCK, words)
        return cls(ExperimentEnd(v0), v1, v2, v3)

    def to_words(self) -> list[int]:
        """Encode as the 4 registers of one instance."""
        return write_words(self.BLOCK, [self.end, self.zone, self.elapsed_s, self.switches])

    BLOCK = Block("experiment_status", "input", 260, 1, False, (
        Register("end", "experiment_status", "input", 260, "u16", "", 1, 0, 65535, 0, "never", "How it stands or ended."),
        Register("zone", "experiment_status", "input", 261, "u16", "", 1, 0, 65535, 0, "never", "Its zone, from 0."),
        Register("elapsed_s", "experiment_status", "input", 262, "u16", "s", 1, 0, 65535, 0, "never", "How long it has run."),
        Register("switches", "experiment_status", "input", 263, "u16", "", 1, 0, 65535, 0, "never", "How often the output has changed."),
    ))


@dataclass(frozen=True, slots=True)
class CommandRegs:
    """Commands. Each acts when written and reads back as last accepted."""

    command: Command
    acknowledge: int
    events_taken: int
    store: StoreAction

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 5 registers of one instance."""
        v0, v1, v2, v3 = read_words(cls.BLOCK, words)
        return cls(Command(v0), v1, v2, StoreAction(v3))

    def to_words(self) -> list[int]:
        """Encode as the 5 registers of one instance."""
        return write_words(self.BLOCK, [self.command, self.acknowledge, self.events_taken, self.store])

    BLOCK = Block("command", "holding", 0, 1, False, (
        Register("command", "command", "holding", 0, "u16", "", 1, 0, 10, 0, "any", "State command."),
        Register("acknowledge", "command", "holding", 1, "u32", "", 1, 0, 2147483647, 0, "any", "Acknowledges the alarms whose bits are set."),
        Register("events_taken", "command", "holding", 3, "u16", "", 1, 0, 65535, 0, "any", "Sequence number of the last event the host has; the head drops events up to it."),
        Register("store", "command", "holding", 4, "u16", "", 1, 0, 3, 0, "still", "Save the settings, load them again, or go back to defaults (in memory only)."),
    ))


@dataclass(frozen=True, slots=True)
class FeedRegs:
    """Master feed, not stored."""

    source: FeedSource
    speed_mm_s: float
    length_mm: float
    path_speed_mm_s: float
    trim_ppm: int
    shear_at_mm: float
    jog_drives: int
    jog_speed_mm_s: float
    jog_length_mm: float
    strip_in: int
    trim_mode: TrimMode

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 14 registers of one instance."""
        v0, v1, v2, v3, v4, v5, v6, v7, v8, v9, v10 = read_words(cls.BLOCK, words)
        return cls(FeedSource(v0), v1 / 100, v2 / 1000, v3 / 100, v4, v5 / 1000, v6, v7 / 100, v8 / 1000, v9, TrimMode(v10))

    def to_words(self) -> list[int]:
        """Encode as the 14 registers of one instance."""
        return write_words(self.BLOCK, [self.source, round(self.speed_mm_s * 100), round(self.length_mm * 1000), round(self.path_speed_mm_s * 100), self.trim_ppm, round(self.shear_at_mm * 1000), self.jog_drives, round(self.jog_speed_mm_s * 100), round(self.jog_length_mm * 1000), self.strip_in, self.trim_mode])

    BLOCK = Block("feed", "holding", 20, 1, False, (
        Register("source", "feed", "holding", 20, "u16", "", 1, 0, 3, 0, "still", "Where the speed comes from."),
        Register("speed_mm_s", "feed", "holding", 21, "i16", "mm/s", 0.01, -10000, 10000, 0, "any", "Set speed; also the cruising speed of a length to go. Negative feeds back, for set_speed and jog only."),
        Register("length_mm", "feed", "holding", 22, "i32", "mm", 0.001, 0, 2000000000, 0, "still", "Length to go of a run; with path_position the length of the path, 0 where it is not known."),
        Register("path_speed_mm_s", "feed", "holding", 24, "i16", "mm/s", 0.01, 0, 10000, 0, "any", "Path-speed reference; each write keeps it fresh."),
        Register("trim_ppm", "feed", "holding", 25, "i16", "ppm", 1, -20000, 20000, 0, "any", "Trim of the master feed with trim_mode fixed; where automatic trim begins."),
        Register("shear_at_mm", "feed", "holding", 26, "i32", "mm", 0.001, 0, 2000000000, 0, "any", "Length of the cord at which the cut shall lie; 0 never. The shear fires machine.shear_to_nozzle_mm before. Each write arms it once."),
        Register("jog_drives", "feed", "holding", 28, "u16", "", 1, 0, 7, 7, "still", "A bit a drive that a jog moves."),
        Register("jog_speed_mm_s", "feed", "holding", 29, "i16", "mm/s", 0.01, 1, 10000, 500, "still", "Speed of a jog."),
        Register("jog_length_mm", "feed", "holding", 30, "i32", "mm", 0.001, -500000, 500000, 0, "still", "Starts a jog over this length, negative backwards; Idle and Held only."),
        Register("strip_in", "feed", "holding", 32, "u16", "", 1, 0, 1, 1, "any", "1 while strip may be in the guide. The head sets it at reset and when it feeds; write 0 once you have seen that the guide is empty."),
        Register("trim_mode", "feed", "holding", 33, "u16", "", 1, 0, 2, 1, "any", "What sets the trim."),
    ))


@dataclass(frozen=True, slots=True)
class PathReferenceRegs:
    """Where the robot is on its path, for source path_position. Write all three in one request: the speed, last, makes them count. A stamp not newer than the last one is ignored."""

    stamp_ms: int
    position_mm: float
    speed_mm_s: float

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 4 registers of one instance."""
        v0, v1, v2 = read_words(cls.BLOCK, words)
        return cls(v0, v1 / 1000, v2 / 100)

    def to_words(self) -> list[int]:
        """Encode as the 4 registers of one instance."""
        return write_words(self.BLOCK, [self.stamp_ms, round(self.position_mm * 1000), round(self.speed_mm_s * 100)])

    BLOCK = Block("path_reference", "holding", 80, 1, False, (
        Register("stamp_ms", "path_reference", "holding", 80, "u16", "ms", 1, 0, 65535, 0, "any", "The robot's own millisecond clock when this was so, lowest 16 bits."),
        Register("position_mm", "path_reference", "holding", 81, "i32", "mm", 0.001, -2000000000, 2000000000, 0, "any", "Arc length along the path; 0 where the run's cord begins."),
        Register("speed_mm_s", "path_reference", "holding", 83, "i16", "mm/s", 0.01, -10000, 10000, 0, "any", "Speed along the path."),
    ))


@dataclass(frozen=True, slots=True)
class ZoneRegs:
    """A zone, not stored: a head comes up with its zones off, and stop and abort switch them off."""

    mode: ZoneMode
    setpoint_degC: float
    manual_op_percent: float

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 3 registers of one instance."""
        v0, v1, v2 = read_words(cls.BLOCK, words)
        return cls(ZoneMode(v0), v1 / 100, v2 / 100)

    def to_words(self) -> list[int]:
        """Encode as the 3 registers of one instance."""
        return write_words(self.BLOCK, [self.mode, round(self.setpoint_degC * 100), round(self.manual_op_percent * 100)])

    BLOCK = Block("zone", "holding", 40, 3, False, (
        Register("mode", "zone", "holding", 40, "u16", "", 1, 0, 3, 0, "any", "Wanted mode."),
        Register("setpoint_degC", "zone", "holding", 41, "i16", "degC", 0.01, 0, 25000, 0, "any", "Wanted temperature; not above the zone's setpoint_max_degC."),
        Register("manual_op_percent", "zone", "holding", 42, "u16", "%", 0.01, 0, 10000, 0, "any", "Output in manual; 0 is given while the zones are at standby."),
    ))


@dataclass(frozen=True, slots=True)
class ExperimentRegs:
    """An experiment moves a zone's output to learn how the zone answers, then gives the zone back to its mode. It ends by itself when the zone gets too hot, time is over, the link falls silent or the machine leaves Idle and Execute."""

    kind: ExperimentKind
    zone: int
    op_low_percent: float
    op_high_percent: float
    switch_degC: float
    hysteresis_degC: float
    interval_s: int
    switchings: int
    ceiling_degC: float
    time_limit_s: int
    run: int

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 11 registers of one instance."""
        v0, v1, v2, v3, v4, v5, v6, v7, v8, v9, v10 = read_words(cls.BLOCK, words)
        return cls(ExperimentKind(v0), v1, v2 / 100, v3 / 100, v4 / 100, v5 / 100, v6, v7, v8 / 100, v9, v10)

    def to_words(self) -> list[int]:
        """Encode as the 11 registers of one instance."""
        return write_words(self.BLOCK, [self.kind, self.zone, round(self.op_low_percent * 100), round(self.op_high_percent * 100), round(self.switch_degC * 100), round(self.hysteresis_degC * 100), self.interval_s, self.switchings, round(self.ceiling_degC * 100), self.time_limit_s, self.run])

    BLOCK = Block("experiment", "holding", 60, 1, False, (
        Register("kind", "experiment", "holding", 60, "u16", "", 1, 0, 3, 0, "any", "What to do: relay about switch_degC; step from low to high after one interval; doublet middle, high, low, middle, an interval each."),
        Register("zone", "experiment", "holding", 61, "u16", "", 1, 0, 2, 0, "any", "Which zone, from 0."),
        Register("op_low_percent", "experiment", "holding", 62, "u16", "%", 0.01, 0, 10000, 0, "any", "Lower output."),
        Register("op_high_percent", "experiment", "holding", 63, "u16", "%", 0.01, 0, 10000, 10000, "any", "Upper output. Levels that do not lie evenly about the steady output make a biased relay."),
        Register("switch_degC", "experiment", "holding", 64, "i16", "degC", 0.01, 0, 25000, 0, "any", "Relay: temperature it switches about; not above the zone's setpoint_max_degC."),
        Register("hysteresis_degC", "experiment", "holding", 65, "u16", "degC", 0.01, 0, 2000, 30, "any", "Relay: how far PV must pass switch_degC before it switches."),
        Register("interval_s", "experiment", "holding", 66, "u16", "s", 1, 1, 3600, 60, "any", "Step and doublet: length of one level."),
        Register("switchings", "experiment", "holding", 67, "u16", "", 1, 2, 1000, 10, "any", "Relay: finished after so many switchings."),
        Register("ceiling_degC", "experiment", "holding", 68, "i16", "degC", 0.01, 0, 30000, 12000, "any", "PV at which it ends at once."),
        Register("time_limit_s", "experiment", "holding", 69, "u16", "s", 1, 10, 36000, 1800, "any", "Longest time it may take."),
        Register("run", "experiment", "holding", 70, "u16", "", 1, 0, 1, 0, "any", "1 starts it (Idle or Execute, zone fitted and its sensor good), 0 stops it."),
    ))


@dataclass(frozen=True, slots=True)
class MachineRegs:
    """What is fitted."""

    unit_address: int
    zones_fitted: int
    drives_fitted: int
    lanes_fitted: int
    speed_max_mm_s: float
    acceleration_mm_s2: int
    output_mm_per_count: float
    output_reversed: int
    expected_slip_percent: float
    trim_max_percent: float
    shear_to_nozzle_mm: float
    path_delay_ms: int

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 13 registers of one instance."""
        v0, v1, v2, v3, v4, v5, v6, v7, v8, v9, v10, v11 = read_words(cls.BLOCK, words)
        return cls(v0, v1, v2, v3, v4 / 100, v5, v6 / 1000000, v7, v8 / 100, v9 / 100, v10 / 100, v11)

    def to_words(self) -> list[int]:
        """Encode as the 13 registers of one instance."""
        return write_words(self.BLOCK, [self.unit_address, self.zones_fitted, self.drives_fitted, self.lanes_fitted, round(self.speed_max_mm_s * 100), self.acceleration_mm_s2, round(self.output_mm_per_count * 1000000), self.output_reversed, round(self.expected_slip_percent * 100), round(self.trim_max_percent * 100), round(self.shear_to_nozzle_mm * 100), self.path_delay_ms])

    BLOCK = Block("machine", "holding", 100, 1, True, (
        Register("unit_address", "machine", "holding", 100, "u16", "", 1, 1, 247, 1, "still", "Modbus address; takes effect at the next reset."),
        Register("zones_fitted", "machine", "holding", 101, "u16", "", 1, 1, 3, 2, "still", "Zones in use."),
        Register("drives_fitted", "machine", "holding", 102, "u16", "", 1, 1, 3, 3, "still", "Drives in use."),
        Register("lanes_fitted", "machine", "holding", 103, "u16", "", 1, 1, 8, 5, "still", "Lanes in use."),
        Register("speed_max_mm_s", "machine", "holding", 104, "u16", "mm/s", 0.01, 10, 10000, 4000, "still", "Highest speed the head accepts."),
        Register("acceleration_mm_s2", "machine", "holding", 105, "u16", "mm/s2", 1, 2, 2000, 40, "still", "Limit for speeding up and slowing down."),
        Register("output_mm_per_count", "machine", "holding", 106, "u32", "mm", 1e-06, 1000, 10000000, 50000, "still", "Cord length a count of the output wheel."),
        Register("output_reversed", "machine", "holding", 108, "u16", "", 1, 0, 1, 0, "still", "1 where the output wheel counts backwards."),
        Register("expected_slip_percent", "machine", "holding", 109, "u16", "%", 0.01, 0, 2000, 150, "still", "Slip of the rollers under nominal load, taken off the feed before it is held against the output."),
        Register("trim_max_percent", "machine", "holding", 110, "u16", "%", 0.01, 0, 1000, 800, "still", "Furthest that automatic trim may go, either way."),
        Register("shear_to_nozzle_mm", "machine", "holding", 111, "u16", "mm", 0.01, 0, 50000, 0, "still", "Cord between the shear and the nozzle, where laid length counts."),
        Register("path_delay_ms", "machine", "holding", 112, "u16", "ms", 1, 0, 500, 0, "still", "Age of a path reference that comes without delay beyond the usual: the position is carried forward by so much."),
    ))


@dataclass(frozen=True, slots=True)
class ZoneSettingsRegs:
    """A zone."""

    sensor: SensorKind
    divider_ohm: int
    ntc_r25_ohm: int
    ntc_a_per_K: float
    ntc_b_per_K: float
    ntc_c_per_K: float
    ntc_d_per_K: float
    sensor_offset_degC: float
    kp_percent_per_degC: float
    ti_s: float
    td_s: float
    td_filter_s: float
    op_min_percent: float
    op_max_percent: float
    feed_forward_percent_per_mm_s: float
    window_ms: int
    setpoint_max_degC: float
    standby_degC: float
    band_degC: float
    over_temperature_degC: float
    under_temperature_degC: float
    effect_op_percent: float
    effect_rise_degC: float
    effect_time_s: int
    uncommanded_rise_degC: float
    uncommanded_time_s: int
    fall_rate_degC_s: float
    stuck_time_s: int
    rail_codes: int
    feed_forward_first_percent_per_mm_s: float
    feed_forward_after_mm: int

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 37 registers of one instance."""
        v0, v1, v2, v3, v4, v5, v6, v7, v8, v9, v10, v11, v12, v13, v14, v15, v16, v17, v18, v19, v20, v21, v22, v23, v24, v25, v26, v27, v28, v29, v30 = read_words(cls.BLOCK, words)
        return cls(SensorKind(v0), v1, v2, v3 / 100000000000, v4 / 100000000000, v5 / 100000000000, v6 / 100000000000, v7 / 100, v8 / 100, v9 / 10, v10 / 10, v11 / 10, v12 / 100, v13 / 100, v14 / 100, v15, v16 / 100, v17 / 100, v18 / 100, v19 / 100, v20 / 100, v21 / 100, v22 / 100, v23, v24 / 100, v25, v26 / 100, v27, v28, v29 / 100, v30)

    def to_words(self) -> list[int]:
        """Encode as the 37 registers of one instance."""
        return write_words(self.BLOCK, [self.sensor, self.divider_ohm, self.ntc_r25_ohm, round(self.ntc_a_per_K * 100000000000), round(self.ntc_b_per_K * 100000000000), round(self.ntc_c_per_K * 100000000000), round(self.ntc_d_per_K * 100000000000), round(self.sensor_offset_degC * 100), round(self.kp_percent_per_degC * 100), round(self.ti_s * 10), round(self.td_s * 10), round(self.td_filter_s * 10), round(self.op_min_percent * 100), round(self.op_max_percent * 100), round(self.feed_forward_percent_per_mm_s * 100), self.window_ms, round(self.setpoint_max_degC * 100), round(self.standby_degC * 100), round(self.band_degC * 100), round(self.over_temperature_degC * 100), round(self.under_temperature_degC * 100), round(self.effect_op_percent * 100), round(self.effect_rise_degC * 100), self.effect_time_s, round(self.uncommanded_rise_degC * 100), self.uncommanded_time_s, round(self.fall_rate_degC_s * 100), self.stuck_time_s, self.rail_codes, round(self.feed_forward_first_percent_per_mm_s * 100), self.feed_forward_after_mm])

    BLOCK = Block("zone_settings", "holding", 120, 3, True, (
        Register("sensor", "zone_settings", "holding", 120, "u16", "", 1, 0, 1, 0, "still", "Kind of sensor."),
        Register("divider_ohm", "zone_settings", "holding", 121, "u32", "ohm", 1, 100, 1000000, 1000, "still", "Fixed resistor from reference voltage to the sensor; the sensor goes to ground."),
        Register("ntc_r25_ohm", "zone_settings", "holding", 123, "u32", "ohm", 1, 100, 1000000, 10000, "still", "NTC resistance at 25 degC."),
        Register("ntc_a_per_K", "zone_settings", "holding", 125, "i32", "1/K", 1e-11, 0, 2000000000, 335394380, "still", "1/T = a + b ln r + c (ln r)^2 + d (ln r)^3, r = R/R25."),
        Register("ntc_b_per_K", "zone_settings", "holding", 127, "i32", "1/K", 1e-11, 0, 2000000000, 25646095, "still", "As a."),
        Register("ntc_c_per_K", "zone_settings", "holding", 129, "i32", "1/K", 1e-11, -100000000, 100000000, 251582, "still", "As a."),
        Register("ntc_d_per_K", "zone_settings", "holding", 131, "i32", "1/K", 1e-11, -100000000, 100000000, 10503, "still", "As a."),
        Register("sensor_offset_degC", "zone_settings", "holding", 133, "i16", "degC", 0.01, -2000, 2000, 0, "still", "Added to the reading."),
        Register("kp_percent_per_degC", "zone_settings", "holding", 134, "u16", "%/degC", 0.01, 0, 65535, 600, "any", "Proportional gain."),
        Register("ti_s", "zone_settings", "holding", 135, "u16", "s", 0.1, 0, 65535, 1200, "any", "Integral time; 0 switches the integral off."),
        Register("td_s", "zone_settings", "holding", 136, "u16", "s", 0.1, 0, 10000, 40, "any", "Derivative time, on the measurement."),
        Register("td_filter_s", "zone_settings", "holding", 137, "u16", "s", 0.1, 0, 1000, 20, "any", "First-order filter on the derivative; 0 none."),
        Register("op_min_percent", "zone_settings", "holding", 138, "u16", "%", 0.01, 0, 10000, 0, "still", "Lower output limit in automatic. At this output a zone counts as not heated."),
        Register("op_max_percent", "zone_settings", "holding", 139, "u16", "%", 0.01, 0, 10000, 10000, "still", "Upper output limit in automatic."),
        Register("feed_forward_percent_per_mm_s", "zone_settings", "holding", 140, "u16", "%/(mm/s)", 0.01, 0, 5000, 0, "any", "Output added for each mm/s of feed, once feed_forward_after_mm has been fed."),
        Register("window_ms", "zone_settings", "holding", 141, "u16", "ms", 1, 100, 10000, 1000, "still", "Period of the time-proportioned output."),
        Register("setpoint_max_degC", "zone_settings", "holding", 142, "i16", "degC", 0.01, 0, 25000, 14000, "still", "Highest setpoint accepted."),
        Register("standby_degC", "zone_settings", "holding", 143, "i16", "degC", 0.01, 0, 25000, 6000, "any", "Setpoint while Held, Complete, or with the link silent and nothing fed; the lower of this and the setpoint counts."),
        Register("band_degC", "zone_settings", "holding", 144, "u16", "degC", 0.01, 10, 2000, 100, "still", "A zone within this of its setpoint is at temperature."),
        Register("over_temperature_degC", "zone_settings", "holding", 145, "i16", "degC", 0.01, 3000, 30000, 16000, "still", "Guard: highest PV."),
        Register("under_temperature_degC", "zone_settings", "holding", 146, "u16", "degC", 0.01, 100, 10000, 800, "still", "Guard: how far below setpoint a zone may fall while feeding."),
        Register("effect_op_percent", "zone_settings", "holding", 147, "u16", "%", 0.01, 1000, 10000, 6000, "still", "Guard: output from which a rise is expected."),
        Register("effect_rise_degC", "zone_settings", "holding", 148, "u16", "degC", 0.01, 10, 2000, 150, "still", "Guard: rise expected within effect_time_s."),
        Register("effect_time_s", "zone_settings", "holding", 149, "u16", "s", 1, 5, 600, 45, "still", "Guard: time for that rise."),
        Register("uncommanded_rise_degC", "zone_settings", "holding", 150, "u16", "degC", 0.01, 50, 5000, 400, "still", "Guard: rise that must not come within uncommanded_time_s of zero output."),
        Register("uncommanded_time_s", "zone_settings", "holding", 151, "u16", "s", 1, 5, 600, 30, "still", "Guard: time that the output has been zero before a rise counts."),
        Register("fall_rate_degC_s", "zone_settings", "holding", 152, "u16", "degC/s", 0.01, 10, 5000, 150, "still", "Guard: fastest fall a block can show; faster means the sensor came off."),
        Register("stuck_time_s", "zone_settings", "holding", 153, "u16", "s", 1, 5, 3600, 30, "still", "Guard: longest time without any change of the reading while the output works."),
        Register("rail_codes", "zone_settings", "holding", 154, "u16", "", 1, 66, 3276, 328, "still", "Guard: a reading of the converter, 0 to 65535, nearer than this to either end is an open or a shorted sensor; 328 is half a percent."),
        Register("feed_forward_first_percent_per_mm_s", "zone_settings", "holding", 155, "i16", "%/(mm/s)", 0.01, -5000, 5000, 0, "any", "What stands in for feed_forward_percent_per_mm_s over the first feed_forward_after_mm: strip that stood in the zones comes hot."),
        Register("feed_forward_after_mm", "zone_settings", "holding", 156, "u16", "mm", 1, 0, 10000, 0, "any", "How far strips are fed from a standstill until feed_forward_percent_per_mm_s takes over from the first one; 0 at once."),
    ))


@dataclass(frozen=True, slots=True)
class DriveSettingsRegs:
    """A drive: infeed, press, outfeed, in this order."""

    pulses_per_m: float
    ratio_ppm: int
    reversed: int

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 5 registers of one instance."""
        v0, v1, v2 = read_words(cls.BLOCK, words)
        return cls(v0 / 100, v1, v2)

    def to_words(self) -> list[int]:
        """Encode as the 5 registers of one instance."""
        return write_words(self.BLOCK, [round(self.pulses_per_m * 100), self.ratio_ppm, self.reversed])

    BLOCK = Block("drive_settings", "holding", 260, 3, True, (
        Register("pulses_per_m", "drive_settings", "holding", 260, "u32", "1/m", 0.01, 100000, 99800000, 5092958, "still", "Pulses a metre of strip."),
        Register("ratio_ppm", "drive_settings", "holding", 262, "i32", "ppm", 1, -50000, 50000, 0, "still", "Deviation of this drive from the master feed."),
        Register("reversed", "drive_settings", "holding", 264, "u16", "", 1, 0, 1, 0, "still", "1 where the motor turns the wrong way."),
    ))


@dataclass(frozen=True, slots=True)
class LaneSettingsRegs:
    """A lane."""

    mm_per_pulse: float

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 2 registers of one instance."""
        v0, = read_words(cls.BLOCK, words)
        return cls(v0 / 1000000)

    def to_words(self) -> list[int]:
        """Encode as the 2 registers of one instance."""
        return write_words(self.BLOCK, [round(self.mm_per_pulse * 1000000)])

    BLOCK = Block("lane_settings", "holding", 280, 8, True, (
        Register("mm_per_pulse", "lane_settings", "holding", 280, "u32", "mm", 1e-06, 10000, 20000000, 500000, "still", "Strip length a pulse of the lane wheel."),
    ))


@dataclass(frozen=True, slots=True)
class GuardsRegs:
    """Limits of the guards that are not a zone's."""

    link_timeout_ms: int
    mismatch_limit_mm: float
    mismatch_window_mm: int
    lane_stall_mm: float
    dwell_time_s: int
    dwell_temperature_degC: float
    permit_delay_ms: int
    path_timeout_ms: int
    start_timeout_s: int
    guide_length_mm: int
    settle_time_s: int
    path_limit_mm: float
    wheel_limit_mm: float

    @classmethod
    def from_words(cls, words: Sequence[int]) -> Self:
        """Decode the 13 registers of one instance."""
        v0, v1, v2, v3, v4, v5, v6, v7, v8, v9, v10, v11, v12 = read_words(cls.BLOCK, words)
        return cls(v0, v1 / 100, v2, v3 / 100, v4, v5 / 100, v6, v7, v8, v9, v10, v11 / 100, v12 / 100)

    def to_words(self) -> list[int]:
        """Encode as the 13 registers of one instance."""
        return write_words(self.BLOCK, [self.link_timeout_ms, round(self.mismatch_limit_mm * 100), self.mismatch_window_mm, round(self.lane_stall_mm * 100), self.dwell_time_s, round(self.dwell_temperature_degC * 100), self.permit_delay_ms, self.path_timeout_ms, self.start_timeout_s, self.guide_length_mm, self.settle_time_s, round(self.path_limit_mm * 100), round(self.wheel_limit_mm * 100)])

    BLOCK = Block("guards", "holding", 300, 1, True, (
        Register("link_timeout_ms", "guards", "holding", 300, "u16", "ms", 1, 200, 60000, 2000, "still", "Longest silence of the host while feeding."),
        Register("mismatch_limit_mm", "guards", "holding", 301, "u16", "mm", 0.01, 100, 30000, 1500, "still", "Hard limit of feed against output; never more than half the window counts."),
        Register("mismatch_window_mm", "guards", "holding", 302, "u16", "mm", 1, 20, 2000, 150, "still", "Length over which a mismatch is remembered."),
        Register("lane_stall_mm", "guards", "holding", 303, "u16", "mm", 0.01, 200, 10000, 1200, "still", "Feed without a pulse of a lane's wheel."),
        Register("dwell_time_s", "guards", "holding", 304, "u16", "s", 1, 5, 3600, 240, "still", "Longest time that strip may stay in a guide above dwell_temperature_degC: without the feed having gone on by guide_length_mm."),
        Register("dwell_temperature_degC", "guards", "holding", 305, "i16", "degC", 0.01, 3000, 20000, 7700, "still", "Guide temperature from which standing counts."),
        Register("permit_delay_ms", "guards", "holding", 306, "u16", "ms", 1, 1, 5000, 50, "still", "How long the permit may be away while feeding."),
        Register("path_timeout_ms", "guards", "holding", 307, "u16", "ms", 1, 20, 5000, 250, "still", "Age at which a path-speed reference is stale: the feed is brought to rest."),
        Register("start_timeout_s", "guards", "holding", 308, "u16", "s", 1, 10, 7200, 900, "still", "Longest time for all zones to come to temperature."),
        Register("guide_length_mm", "guards", "holding", 309, "u16", "mm", 1, 5, 1000, 80, "still", "Heated length of the guide: feed by so much brings fresh strip."),
        Register("settle_time_s", "guards", "holding", 310, "u16", "s", 1, 0, 65, 5, "still", "How long all zones must stay in their band before feeding."),
        Register("path_limit_mm", "guards", "holding", 311, "u16", "mm", 0.01, 50, 10000, 300, "still", "Furthest that feed and path position, or with automatic trim laid and wanted length, may be apart."),
        Register("wheel_limit_mm", "guards", "holding", 312, "u16", "mm", 0.01, 20, 10000, 120, "still", "Furthest that laid length and the lane wheels may drift apart (0.4 mm more where the lane wheels show too little) before automatic trim is frozen."),
    ))


BLOCKS: dict[str, Block] = {
    "identity": IdentityRegs.BLOCK,
    "telemetry": TelemetryRegs.BLOCK,
    "drive_telemetry": DriveTelemetryRegs.BLOCK,
    "zone_telemetry": ZoneTelemetryRegs.BLOCK,
    "lane_telemetry": LaneTelemetryRegs.BLOCK,
    "alarm_detail": AlarmDetailRegs.BLOCK,
    "refusal": RefusalRegs.BLOCK,
    "link_counters": LinkCountersRegs.BLOCK,
    "experiment_status": ExperimentStatusRegs.BLOCK,
    "command": CommandRegs.BLOCK,
    "feed": FeedRegs.BLOCK,
    "path_reference": PathReferenceRegs.BLOCK,
    "zone": ZoneRegs.BLOCK,
    "experiment": ExperimentRegs.BLOCK,
    "machine": MachineRegs.BLOCK,
    "zone_settings": ZoneSettingsRegs.BLOCK,
    "drive_settings": DriveSettingsRegs.BLOCK,
    "lane_settings": LaneSettingsRegs.BLOCK,
    "guards": GuardsRegs.BLOCK,
}
