"""CalibrateRun: what a person or a script does to calibrate the feed, one job at a time."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from plylane.calibrate_run.feeding import JOG_MOST_MM, Fed, InForce, feed, ready
from plylane.calibrate_run.record_file import (
    FOLDER,
    CalibrationRecord,
    last_to_undo,
    read_record,
    read_records,
    write_record,
)
from plylane.calibrate_run.settings import Change, write
from plylane.calibrate_run.sitting import (
    Found,
    Kind,
    Sitting,
    check_plan,
    found_json,
    plan,
    ratio_changes,
    slip_changes,
    turn_mm,
)
from plylane.commission import DRIVE_NAMES
from plylane.feed.calibration import (
    CalibrationError,
    Gauge,
    SlipFound,
    find_ratio,
    find_slip,
    mean_speed,
)
from plylane.head.client import HeadClient
from plylane.technician import Caller
from plylane.tune_run.engine import Engine, Job

FEED_MM_S = 15.0
WORKING_MM_S = 14.0
SLIP_SHARES = (0.35, 1.0, 1.65, 0.65, 1.35)
"""Speeds over the working speed, fast and slow in turn so that drift does not look like speed."""
SLIP_ROUNDS = 3
SLIP_TURNS = 4
UNKNOWN_SCALE_U = 0.003
"""Relative standard uncertainty of a scale that no record speaks of: half a percent either way."""
SWEEP_PPM = tuple(range(-48_000, 36_001, 6_000))
SWEEP_ROUNDS = 4
SWEEP_MM = 100.0
SWEEP_ALL_MM = SWEEP_MM * len(SWEEP_PPM) * SWEEP_ROUNDS
ROOM_SHARE = 1.05
"""Strip that a feed may take over its length: ratio, slack, and how well a strip's end is known."""
NextJoint = Callable[[], tuple[int, float] | None]
"""The lane (from 0) whose strip ends next and how much is left of it, mm; None: nobody knows."""


class CalibrateRun(Engine):
    """Calibrates the feed of a head. Drives and lanes count from 0.

    Listens to a poller (`poller.listeners.append(run)`). Every method that begins a job returns at
    once and raises CalibrationError (or TuneError while another job is under way) when it cannot
    begin; how it goes is in `status`. Without a thread: ``while run.busy: poller.step()``.
    """

    def __init__(
        self,
        caller: Caller,
        zones: int,
        *,
        folder: Path = FOLDER,
        head: str = "",
        operator: str = "",
        next_joint: NextJoint = lambda: None,
    ) -> None:
        """`folder` takes the records; `head` and `operator` are noted in them. `next_joint` as it
        stands when asked: what a joint would spoil is then refused.
        """
        super().__init__(caller, zones)
        self.folder, self.head, self.operator = folder, head, operator
        self._next_joint = next_joint
        self.sitting: Sitting | None = None
        """Lengths being measured; replaced, never changed in place."""
        self.found: Found | None = None
        self.trouble = ""
        """Why what was found must not be written; "" where it may."""
        self.changes: tuple[Change, ...] = ()
        """What writing would change."""
        self.written: Path | None = None
        """Record of the last writing of what is in `found`."""

    # ------------------------------------------------------------------------- measured lengths

    def begin_lengths(
        self,
        kind: Kind,
        number: int = 0,
        *,
        gauge: Gauge | None = None,
        plan_mm: Sequence[float] = (),
        offset: bool = False,
    ) -> None:
        """Start anew on a drive, the output wheel or the lane wheels; `plan_mm` in place of whole
        turns.
        """
        if plan_mm:
            check_plan(tuple(plan_mm))
        job = self._begin_lengths(kind, number, gauge or Gauge(), tuple(plan_mm), offset)
        self.begin("set-up", 0, job)

    def feed_next(self) -> None:
        """Feed the next length; its measured length is then waited for."""
        sitting = self._sitting()
        if sitting.waiting is not None:
            raise CalibrationError("a length waits to be given: give it, or feed it again")
        if sitting.next_mm is None:
            raise CalibrationError("all lengths are measured: measure one again, or write")
        self.begin("feed", 0, self._feed_next(sitting))

    def feed_again(self, number: int | None = None) -> None:
        """Feed that length (from 0) again, or the one that waits."""
        sitting = self._sitting()
        if number is None:
            again = sitting.again
        elif 0 <= number < len(sitting.readings):
            again = number
        else:
            raise CalibrationError(f"no length {number + 1}: there are {len(sitting.readings)}")
        self.begin("feed", 0, self._feed_next(replace(sitting, waiting=None, again=again)))

    def measured(self, *lengths_mm: float) -> None:
        """The length of what was fed: one, or one a lane. Raises CalibrationError."""
        self.sitting = self._sitting().measured(*lengths_mm)
        self._judge()

    def leave_out(self, number: int) -> None:
        """Leave that length (from 0) out, or take it in again. Raises CalibrationError."""
        self.sitting = self._sitting().leave_out(number)
        self._judge()

    def _judge(self) -> None:
        sitting = self._sitting()
        self.found, self.trouble, self.changes, self.written = None, "", (), None
        if not sitting.complete:
            return
        try:
            scales = sitting.find()
            self.found = scales
            self.trouble = sitting.misread(scales)
            self.changes = sitting.changes(scales)
        except CalibrationError as error:
            self.trouble = str(error)

    # ------------------------------------------------------------------ measured by the wheels

    def measure_slip(self, speed_mm_s: float = WORKING_MM_S) -> None:
        """Slip against speed, about a working speed, by the output wheel; rollers turn."""
        if not (math.isfinite(speed_mm_s) and 1.0 <= speed_mm_s <= 100.0):
            raise CalibrationError(f"a working speed of {speed_mm_s:g} mm/s: give 1 to 100 mm/s")
        self._forget()
        self.begin("slip", 0, self._slip(speed_mm_s))

    def sweep_ratio(self, speed_mm_s: float = WORKING_MM_S) -> None:
        """Where strips begin to drag and to buckle, over the infeed's ratio; rollers turn."""
        if not (math.isfinite(speed_mm_s) and 1.0 <= speed_mm_s <= 100.0):
            raise CalibrationError(f"a working speed of {speed_mm_s:g} mm/s: give 1 to 100 mm/s")
        self._forget()
        self.begin("ratio", 0, self._ratio(speed_mm_s))

    def _forget(self) -> None:
        if not self.busy:
            self.sitting, self.found, self.trouble = None, None, ""
            self.changes, self.written = (), None

    # --------------------------------------------------------------------------- into the head

    def write(self, note: str = "") -> None:
        """Write what was found into the head, read it back, keep a record."""
        if self.found is None or self.trouble:
            raise CalibrationError(self.trouble or "nothing has been found yet: measure first")
        if self.written is not None:
            raise CalibrationError(f"this is in the head already: {self.written.name}")
        self.begin("write", 0, self._write(self.changes, note))

    def undo(self, record: Path | None = None, note: str = "") -> None:
        """Write back what stood there before a record, the newest one not undone where none is
        named. Raises CalibrationError.
        """
        if record is None:
            path, found = last_to_undo(read_records(self.folder))
        else:
            path, found = record, read_record(record)
            if not found.written:
                raise CalibrationError(f"{record.name} has written nothing: nothing to undo")
        self.begin("undo", 0, self._undo(path, found, note))

    def save(self) -> None:
        """Have the head keep its settings over a power cut."""
        self.begin("save", 0, self.save_settings())

    def stop(self) -> None:
        """End the job under way; rollers stop."""
        self.end()

    # -------------------------------------------------------------------------------------- jobs

    def _begin_lengths(
        self, kind: Kind, number: int, gauge: Gauge, plan_mm: tuple[float, ...], offset: bool
    ) -> Job[None]:
        in_force = yield from self.call(InForce.read)
        if kind == "drive" and not 0 <= number < len(in_force.pulses_per_m):
            raise CalibrationError(
                f"no drive {number + 1}: this head has {len(in_force.pulses_per_m)}"
            )
        yield from ready(self)
        lengths = plan_mm or plan(kind, number, in_force)
        if kind == "lanes":
            self._without_joint(sum(lengths))
        self.sitting = Sitting(kind, number, gauge, in_force, lengths, offset)
        self.found, self.trouble, self.changes, self.written = None, "", (), None
        self.tell(f"Ready for {len(lengths)} lengths of the {self.sitting.name}.")

    def _feed_next(self, sitting: Sitting) -> Job[None]:
        if (yield from self.call(InForce.read)) != sitting.in_force:
            raise CalibrationError(
                "the head's settings have changed since these lengths were begun: begin anew"
            )
        length = sitting.next_mm or 0.0
        at = len(sitting.readings) if sitting.again is None else sitting.again
        number = f"length {at + 1} of {len(sitting.plan_mm)}"
        fed = yield from feed(
            self,
            sitting.in_force,
            length,
            sitting.drives,
            min(FEED_MM_S, sitting.in_force.speed_max_mm_s),
            f"Feeding {number}, {length:.1f} mm",
        )
        self.sitting = replace(sitting, waiting=fed)
        self.tell(f"Fed {number}: measure it, about {length:.0f} mm.")

    def _slip(self, speed_mm_s: float) -> Job[None]:
        in_force = yield from self.call(InForce.read)
        length = min(SLIP_TURNS * turn_mm("wheel", 0, in_force), JOG_MOST_MM)
        speeds = [
            min(speed_mm_s * share, in_force.speed_max_mm_s)
            for _ in range(SLIP_ROUNDS)
            for share in SLIP_SHARES
        ]
        fed = []
        for number, speed in enumerate(speeds, 1):
            what = f"Slip, feed {number} of {len(speeds)} at {speed:.1f} mm/s"
            fed.append((yield from self._all(in_force, length, speed, what)))
        drive = min(1, len(in_force.pulses_per_m) - 1)
        per_mm = in_force.pulses_per_m[drive] / 1000.0
        u, told = self._scales_u(drive)
        found = find_slip(
            [mean_speed(f.speed_mm_s, length, in_force.acceleration_mm_s2) for f in fed],
            [f.pulses[drive] / per_mm for f in fed],
            [f.output_counts * in_force.output_mm_per_count for f in fed],
            at_mm_s=speed_mm_s,
            mm_per_count=in_force.output_mm_per_count,
            scale_u=u,
        )
        self.found = replace(found, remarks=(*told, *found.remarks))
        self.changes = slip_changes(in_force, found)
        if found.misread is not None:
            one = found.misread
            self.trouble = (
                f"feed {one.number + 1} slipped {100 * one.off_by:+.2f} % beside the others"
                f" (t = {one.t:.1f}, limit {one.limit:.1f}): look at the output wheel, then measure"
                " again"
            )
        self.tell(
            f"Slip {100 * found.slip:.2f} ± {100 * found.slip_u:.2f} % at {speed_mm_s:g} mm/s,"
            f" {1000 * found.per_mm_s:+.2f} ± {1000 * found.per_mm_s_u:.2f} % for 10 mm/s more."
        )

    def _scales_u(self, drive: int) -> tuple[float, tuple[str, ...]]:
        """Standard uncertainty of the output wheel's scale against that drive's, from the newest
        records of both; what is missing, in words.
        """
        known: dict[str, float] = {}
        names = {"wheel": "output wheel", "drive": f"drive {drive + 1} ({DRIVE_NAMES[drive]})"}
        for _, record in read_records(self.folder):
            if record.found and names.get(record.kind) == record.what:
                known[record.kind] = record.found[0]["uncertainty"]["u_percent"] / 100.0
        missing = tuple(
            f"no record of the {name} here: its scale is taken to be good to half a percent"
            for kind, name in names.items()
            if kind not in known
        )
        return math.hypot(*(known.get(kind, UNKNOWN_SCALE_U) for kind in names)), missing

    def _ratio(self, speed_mm_s: float) -> Job[None]:
        in_force = yield from self.call(InForce.read)
        yield from ready(self)
        self._without_joint(SWEEP_ALL_MM)
        before = in_force.ratios_ppm[0]
        steps = [
            ppm
            for number in range(SWEEP_ROUNDS)
            for ppm in (SWEEP_PPM if number % 2 == 0 else reversed(SWEEP_PPM))
        ]
        ratios, slacks = [], []
        try:
            for number, ppm in enumerate(steps, 1):
                yield from self.call(_set_ratio(ppm))
                now = replace(in_force, ratios_ppm=(float(ppm), *in_force.ratios_ppm[1:]))
                # a pulse more or less each time: or every stop would see the same part of the wheel
                length = SWEEP_MM + max(in_force.lanes_mm_per_pulse) * ((0.618 * number) % 1.0)
                what = f"Sweep, stop {number} of {len(steps)} at {ppm / 10_000:+.1f} %"
                fed = yield from self._all(now, length, speed_mm_s, what)
                ratios.append(float(ppm))
                slacks.append(sum(fed.back_mm) / len(fed.back_mm))
        finally:
            yield from self.put_back(_set_ratio(before))
        found = find_ratio(ratios, slacks)
        self.found, self.changes = found, ratio_changes(in_force, found)
        self.tell(
            f"Dragged below {found.drag.ppm / 1e4:+.1f} ± {found.drag.u_ppm / 1e4:.1f} %, solid"
            f" above {found.buckle.ppm / 1e4:+.1f} ± {found.buckle.u_ppm / 1e4:.1f} %; between:"
            f" {found.middle.ppm / 1e4:+.2f} ± {found.middle.u_ppm / 1e4:.2f} %."
        )

    def _without_joint(self, length_mm: float) -> None:
        """Raise CalibrationError where strips are known to end within that length."""
        known = self._next_joint()
        if known is not None and known[1] < ROOM_SHARE * length_mm:
            lane, left_mm = known
            where = f"has {left_mm:.0f} mm of strip left" if left_mm > 0.0 else "has a joint inside"
            raise CalibrationError(
                f"lane {lane + 1} {where}, this feeds {length_mm / 1000.0:.1f} m and a joint would"
                " spoil it: thread longer strips and start from a run file that tells of them"
            )

    def _all(self, in_force: InForce, length: float, speed: float, what: str) -> Job[Fed]:
        drives = range(len(in_force.pulses_per_m))
        return (yield from feed(self, in_force, length, drives, speed, what))

    def _write(self, changes: tuple[Change, ...], note: str) -> Job[None]:
        found = self.found
        if found is None:
            raise CalibrationError("nothing has been found yet: measure first")
        kind: str = self.sitting.kind if self.sitting else _kind(found)
        yield from self.call(lambda client: write(client, changes))
        try:
            self.written = write_record(
                self.folder,
                kind=kind,
                what=self.sitting.name if self.sitting else kind,
                operator=self.operator,
                note=note,
                head=self.head,
                found=found_json(found),
                changes=changes,
            )
        except CalibrationError:  # without a record there is no undo: leave the head as it was
            yield from self.call(lambda client: write(client, [one.back for one in changes]))
            raise
        self.tell(f"In force: {'; '.join(one.text for one in changes)}.")

    def _undo(self, path: Path, record: CalibrationRecord, note: str) -> Job[None]:
        back = [one.back for one in record.changes]
        yield from self.call(lambda client: write(client, back))
        write_record(
            self.folder,
            kind="undo",
            what=f"undo {record.what}",
            operator=self.operator,
            note=note,
            head=self.head,
            found=[],
            changes=back,
            undoes=path.name,
        )
        if self.written == path:
            self.written = None
        self.tell(f"Back in force: {'; '.join(one.text for one in back)}.")

    def _sitting(self) -> Sitting:
        if self.sitting is None:
            raise CalibrationError("nothing has been begun: choose a drive or a wheel first")
        return self.sitting


def _kind(found: Found) -> str:
    return "slip" if isinstance(found, SlipFound) else "ratio"


def _set_ratio(ppm: float) -> Callable[[HeadClient], None]:
    def send(client: HeadClient) -> None:
        client.write("drive_settings.ratio_ppm", ppm, 0)

    return send
