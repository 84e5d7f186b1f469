"""`plylane calibrate`: drives, wheels, slip and ratio of a head's feed, from the command line."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from contextlib import redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import App, Parameter
from cyclopts.validators import Number
from rich.console import Console
from rich.table import Table

from plylane.calibrate_show import result_json, show_found, show_scale
from plylane.feed.errors import CalibrationError
from plylane.options import Unit, see_through
from plylane.tune_errors import JobError

if TYPE_CHECKING:
    from plylane.calibrate_run import CalibrateRun, Kind
    from plylane.feed.calibration import Gauge

RECORDS = Path("calibrations")
VIRTUAL_PERIOD_S = 0.05
CAUTION = (
    "Rollers turn and draw in strips, fingers, hair and sleeves: hands away while they turn, guards"
    " closed, blocks cold. Ctrl-C ends a feed; the hard-wired stop comes first."
)
SWEEP = (
    "Feeds 6 m in a quarter of an hour: cord laid straight, strips so long that no joint passes"
    " meanwhile. A joint or a bend spoils the sweep, and nobody sees it in the result."
)
errors = Console(stderr=True)

calibrate = App(
    name="calibrate",
    help="Calibrate drives, wheels, slip and ratio of a head's feed: uncertainty, record, undo.",
)

Lengths = Annotated[list[float] | None, Parameter(consume_multiple=True)]
Numbers = Annotated[list[int] | None, Parameter(consume_multiple=True)]
Speed = Annotated[float, Parameter(validator=Number(gte=1, lte=100))]
Drive = Annotated[int, Parameter(validator=Number(gte=1, lte=3))]


@Parameter(name="*")
@dataclass(frozen=True)
class Measured:
    """How lengths are measured.

    Parameters
    ----------
    measured
        The measured lengths, mm, in order; asked for one by one when left out.
    counts
        Pulses or counts of each feed, where there is no --port.
    feed
        Lengths to feed, mm; whole turns, each twice, when left out.
    leave_out
        Numbers of lengths that shall not count.
    resolution
        Smallest step that is read off the tape or calliper, mm.
    limit
        Its stated limit of error, mm.
    limit_per_m
        What that limit grows by with each metre, mm.
    offset
        Fit an offset that all lengths share: a worn hook, an edge that is not square.
    """

    measured: Lengths = None
    counts: Numbers = None
    feed: Lengths = None
    leave_out: Numbers = None
    resolution: float = 0.5
    limit: float = 0.3
    limit_per_m: float = 0.2
    offset: bool = False

    @property
    def gauge(self) -> Gauge:
        """Raises CalibrationError."""
        from plylane.feed.calibration import Gauge

        return Gauge(self.resolution, self.limit, self.limit_per_m)


@Parameter(name="*")
@dataclass(frozen=True)
class Kept:
    """What becomes of the result.

    Parameters
    ----------
    apply
        Write the result into the head, read it back, keep a record.
    save
        Have the head keep it over a power cut.
    note
        Goes into the record.
    operator
        Who measured; the user's name when left out.
    unit
        Modbus address of the head.
    out
        Folder of the calibration records.
    as_json
        Print the result as one JSON object.
    """

    apply: bool = False
    save: bool = False
    note: str = ""
    operator: str = ""
    unit: Unit = 1
    out: Path = RECORDS
    as_json: Annotated[bool, Parameter(name="--json")] = False

    def __post_init__(self) -> None:
        if self.save and not self.apply:
            raise CalibrationError("--save keeps what is in the head: add --apply")


@calibrate.command
def drive(
    *,
    port: str | None = None,
    drive: Drive = 1,
    how: Measured = Measured(),
    kept: Kept = Kept(),
) -> None:
    """Pulses a metre of a drive, from lengths of a free test strip that its roller moves.

    Take the strips out of that drive and lay a test strip under its roller that nothing else holds
    or pulls. Mark it; after each feed measure how far the mark has gone.

    Parameters
    ----------
    port
        Serial port of the head, or twin://FILE.toml; without one, --counts are judged.
    drive
        Drive, from 1: infeed, press, outfeed.
    """
    _lengths("drive", drive - 1, port, how, kept)


@calibrate.command
def wheel(
    *,
    port: str | None = None,
    how: Measured = Measured(),
    kept: Kept = Kept(),
) -> None:
    """Millimetres a count of the output wheel, from lengths of cord.

    Thread strips and let cord come out straight, blocks cold. Mark the cord at the nozzle; after
    each feed measure how far the mark has gone.

    Parameters
    ----------
    port
        Serial port of the head, or twin://FILE.toml; without one, --counts are judged.
    """
    _lengths("wheel", 0, port, how, kept)


@calibrate.command
def lanes(
    *,
    port: str | None = None,
    how: Measured = Measured(),
    kept: Kept = Kept(),
) -> None:
    """Millimetres a pulse of every lane wheel, from lengths of strip drawn in.

    Mark the strips where they enter; after each feed measure how far the marks have gone: one
    length for all lanes, or one a lane (so many for each feed, lane 1 first). Let no joint pass.

    Parameters
    ----------
    port
        Serial port of the head, or twin://FILE.toml.
    """
    if port is None:
        raise CalibrationError("lane wheels count both ways, which only the head tells: add --port")
    _lengths("lanes", 0, port, how, kept)


@calibrate.command
def slip(
    *,
    port: str,
    speed: Speed = 14.0,
    kept: Kept = Kept(),
) -> None:
    """Slip against speed, by the output wheel: some 4 m of cord at five speeds.

    Calibrate the press drive and the output wheel first.

    Parameters
    ----------
    port
        Serial port of the head, or twin://FILE.toml.
    speed
        Working speed, mm/s.
    """
    _by_wheels(port, kept, lambda run: run.measure_slip(speed))


@calibrate.command
def ratio(
    *,
    port: str,
    speed: Speed = 14.0,
    kept: Kept = Kept(),
) -> None:
    """Press-to-infeed ratio: sweep the infeed to find where strips drag and where they buckle.

    Some 6 m of straight cord in 60 stops, a quarter of an hour; let no joint pass meanwhile.

    Parameters
    ----------
    port
        Serial port of the head, or twin://FILE.toml.
    speed
        Working speed, mm/s.
    """
    errors.print(SWEEP, style="dim", soft_wrap=True)
    _by_wheels(port, kept, lambda run: run.sweep_ratio(speed))


@calibrate.command
def undo(
    record: Path | None = None,
    /,
    *,
    port: str,
    save: bool = False,
    note: str = "",
    operator: str = "",
    unit: Unit = 1,
    out: Path = RECORDS,
) -> None:
    """Write back what stood in the head before a calibration.

    Parameters
    ----------
    record
        Calibration record; the newest one that was written and not undone when left out.
    port
        Serial port of the head, or twin://FILE.toml.
    save
        Have the head keep it over a power cut.
    note
        Goes into the record.
    operator
        Who does it; the user's name when left out.
    unit
        Modbus address of the head.
    out
        Folder of the calibration records.
    """
    with _Desk(port, Kept(operator=operator, unit=unit, out=out)) as desk:
        print(desk.do(lambda run: run.undo(record, note)))
        if save:
            desk.do(lambda run: run.save())


@calibrate.command(name="list")
def list_records(
    *, out: Path = RECORDS, as_json: Annotated[bool, Parameter(name="--json")] = False
) -> None:
    """List the calibration records of a folder, oldest first.

    Parameters
    ----------
    out
        Folder of the calibration records.
    as_json
        Print them as one JSON object.
    """
    from plylane.calibrate_run import read_records

    records = read_records(out)
    if as_json:
        forms = [record.model_dump(mode="json") | {"file": str(path)} for path, record in records]
        print(json.dumps({"records": forms}))
        return
    if not records:
        print(f"No calibration record in {out}.")
        return
    table = Table("date", "what", "result", "operator", "note", "file", box=None)
    for path, record in records:
        when = f"{record.date:%Y-%m-%d %H:%M}"
        table.add_row(when, record.what, record.result, record.operator, record.note, path.name)
    Console().print(table)


# ------------------------------------------------------------------------------------ with a head


class _Desk:
    """A head, its poller and a CalibrateRun."""

    def __init__(self, port: str, kept: Kept) -> None:
        from plylane.calibrate_run import CalibrateRun
        from plylane.head.client import HeadClient
        from plylane.head.poller import Poller
        from plylane.live import describe, who_is_there

        errors.print(CAUTION, style="dim", soft_wrap=True)
        self.client = HeadClient.open(port, unit=kept.unit)
        self.poller = Poller(self.client, VIRTUAL_PERIOD_S if "pace=virtual" in port else 0.02)
        self.run: CalibrateRun = CalibrateRun(
            self.poller,
            self.client.fitted.zones,
            folder=kept.out,
            head=describe(self.client),
            operator=kept.operator or who_is_there(),
        )
        self.poller.listeners.append(self.run)
        self.poller.step()

    def __enter__(self) -> _Desk:
        return self

    def __exit__(self, *_: object) -> None:
        self.client.close()

    def do(self, begin: Callable[[CalibrateRun], None]) -> str:
        """Begin a job, see it through, give its last words. Raises JobError."""
        return see_through(self.run, self.poller, begin)

    def end(self, kept: Kept, ask: bool = False) -> None:
        """Show what was found; write it where that is wanted. Raises CalibrationError where it must
        not be written.
        """
        run = self.run
        found, changes = run.found, [one.text for one in run.changes]
        if found is not None and not kept.as_json:
            show_found(found, run)
        if run.trouble or found is None:
            raise CalibrationError(f"{run.trouble}: nothing was written")
        if kept.apply or (ask and _agrees("Write this into the head?")):
            self.do(lambda run: run.write(kept.note))
            if kept.save:
                self.do(lambda run: run.save())
        if kept.as_json:
            print(json.dumps(result_json(found, changes, str(run.written or ""))))
        elif run.written is not None:
            print(f"Written: {'; '.join(changes)}. Record: {run.written}")
        else:
            print(f"Not written (add --apply): {'; '.join(changes)}")


def _by_wheels(port: str, kept: Kept, begin: Callable[[CalibrateRun], None]) -> None:
    with _Desk(port, kept) as desk:
        desk.do(begin)
        desk.end(kept)


def _lengths(kind: Kind, number: int, port: str | None, how: Measured, kept: Kept) -> None:
    if (port is None) == (how.counts is None):
        raise CalibrationError("give either --port for a head or --counts with --measured")
    if port is None:
        _without_head(kind, how, kept)
        return
    with _Desk(port, kept) as desk:
        plan = how.feed or ()
        desk.do(
            lambda run: run.begin_lengths(
                kind, number, gauge=how.gauge, plan_mm=plan, offset=how.offset
            )
        )
        given = _Given(how.measured)
        sitting = desk.run.sitting
        assert sitting is not None
        given.check(len(sitting.plan_mm), len(sitting.in_force.lanes_mm_per_pulse), kind)
        _check_left_out(how.leave_out, len(sitting.plan_mm))
        for _ in sitting.plan_mm:
            said = desk.do(lambda run: run.feed_next())
            given.give(desk.run, said)
        for one in how.leave_out or ():
            desk.run.leave_out(one - 1)
        while desk.run.trouble and how.measured is None:
            _tell(f"{desk.run.trouble[:1].upper()}{desk.run.trouble[1:]}.")
            again = _number_asked("Number of the length to measure again (Enter for none): ")
            if again is None:
                break
            try:
                said = desk.do(lambda run, at=again - 1: run.feed_again(at))  # type: ignore[misc]
            except JobError as error:  # what has been measured is kept
                _tell(f"  {error}")
                continue
            given.give(desk.run, said)
        desk.end(kept, ask=how.measured is None)


class _Given:
    """Measured lengths, from the command line or asked for."""

    def __init__(self, measured: list[float] | None) -> None:
        self._left = None if measured is None else list(measured)
        self._at_once = 1

    def check(self, feeds: int, lanes: int, kind: str) -> None:
        """Raise CalibrationError where the numbers do not go round."""
        if self._left is None:
            return
        if kind == "lanes" and len(self._left) == feeds * lanes:
            self._at_once = lanes
        elif len(self._left) != feeds:
            more = f" or {feeds * lanes}, one a lane" if kind == "lanes" else ""
            raise CalibrationError(
                f"--measured has {len(self._left)} lengths, the plan {feeds} feeds{more}:"
                " give one a feed"
            )

    def give(self, run: CalibrateRun, said: str) -> None:
        """The length of what was just fed. Raises CalibrationError."""
        if self._left is not None:
            run.measured(*(self._left.pop(0) for _ in range(self._at_once)))
            return
        _tell(said)
        while True:
            lengths = _numbers_asked("  Measured, mm: ")
            try:
                run.measured(*lengths)
                return
            except CalibrationError as error:
                _tell(f"  {error}")


def _tell(line: str) -> None:
    """To the person who measures; standard output is for what comes of it."""
    print(line, file=sys.stderr)


def _asked(question: str) -> str:
    try:
        with redirect_stdout(sys.stderr):
            return input(question).strip()
    except EOFError:
        _tell("")  # end the question's line
        raise CalibrationError("no length was given: nothing was written") from None


def _numbers_asked(question: str) -> list[float]:
    while True:
        words = _asked(question).replace(",", ".").split()
        try:
            numbers = [float(word) for word in words]
        except ValueError:
            numbers = []
        if numbers:
            return numbers
        _tell("  A number in mm is wanted, such as 188.5.")


def _number_asked(question: str) -> int | None:
    word = _asked(question)
    return int(word) if word.isdecimal() else None


def _agrees(question: str) -> bool:
    return _asked(f"{question} [y/n] ").lower() in ("y", "yes")


# -------------------------------------------------------------------------------- without a head


def _check_left_out(numbers: list[int] | None, lengths: int) -> None:
    """Raises CalibrationError for a number no length has."""
    for number in numbers or ():
        if not 1 <= number <= lengths:
            raise CalibrationError(f"--leave-out {number}: there are lengths 1 to {lengths}")


def _without_head(kind: Kind, how: Measured, kept: Kept) -> None:
    from plylane.feed.calibration import DRIVE, OUTPUT_WHEEL, find_scale, misread_text

    if kept.apply:
        raise CalibrationError("--apply needs a head: add --port")
    counts, lengths = list(how.counts or ()), list(how.measured or ())
    _check_left_out(how.leave_out, max(len(counts), len(lengths)))
    out = {one - 1 for one in how.leave_out or ()}
    numbers = [k for k in range(max(len(counts), len(lengths))) if k not in out]
    scale = find_scale(
        DRIVE if kind == "drive" else OUTPUT_WHEEL,
        [counts[k] for k in numbers if k < len(counts)],
        [lengths[k] for k in numbers if k < len(lengths)],
        how.gauge,
        expected_mm_per_count=None,
        offset=how.offset,
    )
    if kept.as_json and scale.misread is None:
        print(json.dumps(result_json((scale,), [], "")))
    elif not kept.as_json:
        show_scale(scale, numbers)
    if scale.misread is not None:
        number = numbers[scale.misread.number]
        raise CalibrationError(misread_text(scale.misread, scale.fit.y.tolist(), number))
