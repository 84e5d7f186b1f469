"""The command line."""

from __future__ import annotations

import json
import logging
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from cyclopts import App, CycloptsError, Parameter
from cyclopts.validators import Number
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from plylane.calibrate_command import calibrate
from plylane.commission import CommissionError
from plylane.gateway_command import GatewayError, GatewaySettings, gateway, served
from plylane.head.errors import HeadError
from plylane.options import Logged, Names, Unit
from plylane.plan_command import plan as plan_a_cord
from plylane.plan_errors import PlanError
from plylane.reaction import HOLD_LIKELIHOOD
from plylane.report_command import report
from plylane.run_plan import departure_lines, departures_of, given
from plylane.run_setup import SetupError
from plylane.runlog import RunError
from plylane.study_command import progress, replay_table, study
from plylane.study_errors import ParallelError, StudyError
from plylane.tune_command import tune
from plylane.tune_errors import JobError
from plylane.twin_door import TwinError
from plylane.watch_fields import WatchSettingsError, changes_of, with_changes

if TYPE_CHECKING:
    from plylane.demo import Outcome
    from plylane.head.client import HeadClient
    from plylane.head.snapshot import Snapshot
    from plylane.live import LiveRun
    from plylane.plan.plan import CordPlan
    from plylane.runlog import Run
    from plylane.screens import MonitorApp

RUNS = Path("runs")
CAUTION = (
    "Hot parts, moving rollers, fumes. Software is not a safety function: "
    "the hard-wired stop and the thermal cut-out come first."
)
USER_ERRORS = (
    CommissionError,
    GatewayError,
    HeadError,
    JobError,
    ParallelError,
    PlanError,
    RunError,
    SetupError,
    StudyError,
    TwinError,
    WatchSettingsError,
)

Positive = Annotated[float, Parameter(validator=Number(gt=0, lte=1e9))]
Pace = Annotated[float, Parameter(validator=Number(gt=0, lte=1000))]
Late = Annotated[int, Parameter(validator=Number(gte=0, lte=1000))]
Share = Annotated[float, Parameter(validator=Number(gt=0, lte=1))]
Seed = Annotated[int, Parameter(validator=Number(gte=0, lt=2**64))]
# the file may be left out, which only a list can say
BoardFile = Annotated[list[Path] | None, Parameter(consume_multiple=True)]
HoldOnFinding = Annotated[bool, Parameter(negative="--no-hold-on-finding")]
PACE = 10.0

app = App(
    name="plylane",
    version=version("plylane"),
    default_parameter=Parameter(negative=()),  # what is on from the start says how it is put off
    help="Control and monitor a heated press head that bonds coated wood strips into a cord. "
    + CAUTION,
)
app.command(study)
app.command(tune)
app.command(gateway)
app.command(calibrate)
app.command(plan_a_cord, name="plan")
app.command(report)
errors = Console(stderr=True)


@app.command
def demo(
    *,
    headless: bool = False,
    seconds: Positive = 3600.0,
    seed: Seed = 7,
    scenario: Path | None = None,
    out: Path = RUNS,
    pace: Pace | None = None,
    board: BoardFile = None,
    hold_on_finding: HoldOnFinding = True,
    json: bool = False,
) -> None:
    """Play a whole run on the twin: heat up, feed, jam, hold, clear, go on, finish.

    Parameters
    ----------
    headless
        No screen: play in virtual time as fast as the machine allows.
    seconds
        Longest time to play, in seconds of the head's time.
    seed
        Seed of everything random in the twin; the same seed gives the same run.
    scenario
        Scenario file; the built-in one when left out.
    out
        Folder for the run log.
    pace
        Times real time, with the screen; 10 when left out.
    board
        Play it on the board's own program (ELF file; the one built in place when none is named).
    hold_on_finding
        Whether the host holds the feed on a finding, before the head's own limit does.
    json
        Print the outcome as one JSON object.
    """
    from plylane.demo import Demo
    from plylane.twin_door import demo_scenario

    if headless and pace is not None:
        raise TwinError("--headless plays as fast as it can: leave out --pace, or --headless")
    chosen = scenario or demo_scenario()
    hold_at = HOLD_LIKELIHOOD if hold_on_finding else None
    speed = "virtual" if headless else f"{pace or PACE:g}"
    play = Demo(chosen, seed, speed, out, _board_file(board), hold_at=hold_at)
    if headless:
        with _progress(play.setup.length_mm) as show:
            outcome = play.play(seconds, show)
    else:
        _show(play.run, play.client, seconds)
        outcome = play.outcome()
    if json:
        _print_json(outcome.to_json())
    else:
        _print_outcome(outcome)
    if outcome.trouble and outcome.state != "Complete":
        _fail(outcome.trouble)


def _print_outcome(outcome: Outcome) -> None:
    print(f"{outcome.state} after {outcome.time_s:.0f} s, {outcome.cord_mm:.1f} mm of cord.")
    for finding in outcome.findings:
        print(finding.text)
    print(f"Log: {outcome.run}   (look at it: plylane replay {outcome.run})")


@app.command
def monitor(
    *,
    port: str,
    unit: Unit = 1,
    run: Path | None = None,
    plan: Path | None = None,
    out: Path = RUNS,
    log: Logged = True,
    hold_on_finding: HoldOnFinding = True,
    hold_likelihood: Share | None = None,
    gateway: str | None = None,
    writer: Names = None,
    writable: Names = None,
) -> None:
    """Watch and command a head; every run is logged.

    Without --run, give each zone its setpoint and the feed its speed on the screen.

    Parameters
    ----------
    port
        Serial port of the head (`plylane ports` lists them) or twin://FILE.toml.
    unit
        Modbus address of the head.
    run
        TOML file with a [run] table: settings are written at once (the head must stand), setpoints,
        speed and length at Start.
    plan
        Plan file instead: it is worked out, run, and shown on the Plan screen.
    out
        Folder for the run log.
    log
        Keep a log.
    hold_on_finding
        Whether the host holds the feed when it finds that cord is being spoiled (a jam, a strip run
        out), before the head's own limit does. The head's guards work either way.
    hold_likelihood
        How likely that must be, above 0 to 1; 0.8 when left out.
    gateway
        ADDRESS:PORT at which to serve the head to its cell meanwhile, see plylane gateway.
    writer
        With --gateway: addresses that may write.
    writable
        With --gateway: registers they may write; the references of the path when left out.
    """
    from plylane.demo import started
    from plylane.head.client import HeadClient
    from plylane.head.poller import Poller
    from plylane.live import LiveRun, new_folder

    if hold_likelihood is not None and not hold_on_finding:
        raise SetupError("--no-hold-on-finding holds at no likelihood: drop one of the two")
    told = given(run, plan)
    setup = told.setup
    if (writer or writable) and not gateway:
        option = "--writer" if writer else "--writable"
        raise GatewayError(f"{option} opens nothing without --gateway ADDRESS:PORT: add it")
    door = GatewaySettings.of(gateway, writer or (), writable or (), unit) if gateway else None
    errors.print(f"Connecting to {port} ...", style="dim")
    client = HeadClient.open(port, unit=unit)
    if setup:
        setup.write_settings(client)
    hold_at = (hold_likelihood or HOLD_LIKELIHOOD) if hold_on_finding else None
    title = f"head on {port}"
    live = LiveRun(client, Poller(client), title=title, setup=setup, hold_at=hold_at)
    if client.attach_reset:
        live.say("Opening the port reset the head: see docs/wiring.md for the remedy.")
    with served(live, door):
        if log:
            live.record(new_folder(out, "run"), live=True, plan=told.kept, started=started("wall"))
        _show(live, client, plan=told.plan)
    if live.run_folder:
        print(f"Log: {live.run_folder}")
        for line in departure_lines(live.run_folder):
            print(line)


@app.command
def ports() -> None:
    """List the serial ports of this computer."""
    from plylane.head.port import list_ports

    found = list_ports()
    if not found:
        print("No serial port is there: plug the head in, or serve a twin with plylane twin --pty.")
        return
    table = Table("port", "what it is", "can be opened", box=None)
    for port in found:
        table.add_row(port.device, port.description, "yes" if port.usable else port.note)
    Console().print(table)


@app.command
def commission(*, port: str, unit: Unit = 1) -> None:
    """Walk through the first power-up of a head: contacts, sensors, drives, wheels, heaters.

    It ends where something is missing or crossed, and leaves the head off.

    Parameters
    ----------
    port
        Serial port of the head (`plylane ports` lists them).
    unit
        Modbus address of the head.
    """
    from plylane.commission import commission as walk
    from plylane.head.client import HeadClient

    errors.print(f"Connecting to {port} ...", style="dim")
    with HeadClient.open(port, unit=unit) as client:
        walk(client, _AtTheTerminal())
    print("Every check has passed. The head is stopped, its zones are off.")


class _AtTheTerminal:
    """The technician, asked in the terminal."""

    def tell(self, line: str) -> None:
        print(line)

    def agrees(self, question: str) -> bool:
        try:
            return input(f"  {question} [y/n] ").strip().lower() in ("y", "yes")
        except EOFError:
            return False


@app.command
def twin(
    *,
    pty: Path,
    scenario: Path | None = None,
    seed: Seed = 7,
    pace: Pace = 1.0,
    board: BoardFile = None,
    path: Path | None = None,
    reference_period_ms: Annotated[int, Parameter(validator=Number(gte=1, lte=1000))] | None = None,
    reference_delay_ms: Late | None = None,
    reference_jitter_ms: Late | None = None,
) -> None:
    """Serve the twin to any Modbus client, paced to the wall clock. Ends with Ctrl-C.

    Parameters
    ----------
    pty
        Name under which the serial port appears.
    scenario
        Scenario file; the built-in one when left out.
    seed
        Seed of everything random in the twin.
    pace
        Times real time.
    board
        Serve the board's own program (ELF file; the one built in place when none is named).
    path
        Path file that a robot travels beside the twin once it feeds (source "path_position").
    reference_period_ms
        With --path: how often the robot says where it is; 20 when left out.
    reference_delay_ms
        With --path: how late that comes at least; 2 when left out.
    reference_jitter_ms
        With --path: how much later it may come, by chance; 30 when left out.
    """
    from plylane.twin_door import check_scenario, demo_scenario, robot_beside, serve

    told = {
        "period_ms": reference_period_ms,
        "delay_ms": reference_delay_ms,
        "jitter_ms": reference_jitter_ms,
    }
    known = {name: ms for name, ms in told.items() if ms is not None}
    if path is None and known:
        option = f"--reference-{next(iter(known)).replace('_', '-')}"
        raise TwinError(f"{option} says how a robot tells: add --path FILE, or drop it")
    if path is not None and board is not None:
        raise TwinError("--path is played beside the twin only: drop --board")
    robot = robot_beside(path, known) if path is not None else None
    chosen = scenario or demo_scenario()
    name = check_scenario(chosen)
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    program = _board_file(board)
    what = "Board" if program else "Twin"
    print(f"{what} of '{name}' at {pty}, 115200 baud 8E1, unit 1. Ctrl-C ends it.", flush=True)
    serve(pty, chosen, seed, pace, stop, program, robot)


@app.command
def replay(
    run: Path,
    /,
    *,
    table: bool = False,
    cluster: str | None = None,
    set_: Annotated[list[str] | None, Parameter(name="--set")] = None,
    json: bool = False,
) -> None:
    """Look at a logged run again and judge it anew.

    Parameters
    ----------
    run
        Folder of the run; with --table also a folder of runs.
    table
        No screen: judge every run there and print all findings.
    cluster
        With --table: address of a Dask scheduler, whose workers judge.
    set_
        NAME=VALUE: judge again with this setting of the detectors, findings before and after side
        by side. May be given several times.
    json
        No screen: print rows and findings as one JSON object.
    """
    changes = changes_of(set_ or ())
    if cluster is not None and not table:
        raise ParallelError("--cluster shares out many runs: add --table, or drop it")
    if table:
        replay_table(run, cluster, json, changes)
        return
    from plylane.recording import Recording

    with progress("Reading") as show:
        recording = Recording.open(run, show)
    settings = with_changes(recording.settings, changes) if changes else None
    if json:
        again = recording.judged_again(settings) if settings else {}
        _print_json(recording.to_json() | _departures_json(recording.run) | again)
        return
    from plylane.screens import ReplayApp

    ReplayApp(recording, settings).run()
    for line in departure_lines(run):
        print(line)


def _departures_json(run: Run) -> dict[str, Any]:
    """`departures_logged`: whether the log says so itself; null where there was no plan."""
    try:
        told = departures_of(run)
    except RunError as error:  # the rest is worth having
        told = None
        errors.print(f"The run cannot be held against its plan: {error}", style="dim")
    return {
        "departures": [one.to_json() for one in told.found] if told else [],
        "departures_logged": told.logged if told else None,
    }


@app.command
def export(
    run: Path, /, *, to: Literal["parquet", "csv"], out: Path | None = None, overwrite: bool = False
) -> None:
    """Turn a run log into Parquet or CSV files.

    Parameters
    ----------
    run
        Folder of the run.
    to
        parquet or csv.
    out
        Folder for the files; the run's own when left out.
    overwrite
        Replace files that are there already.
    """
    from plylane.runlog import export as export_run

    for path in export_run(run, to, out or run, overwrite=overwrite):
        print(path)


def _board_file(given: list[Path] | None) -> Path | None:
    """The board's program that an option names: one file, the one built in place, or none."""
    from plylane.twin_door import built_board

    if given is None:
        return None
    if len(given) > 1:
        raise TwinError(f"--board takes one file, not {len(given)}.")
    return given[0] if given else built_board()


def _show(
    run: LiveRun,
    client: HeadClient,
    seconds: float | None = None,
    plan: CordPlan | None = None,
) -> None:
    """The Monitor on a running poller; ends the log and closes the port afterwards."""
    from plylane.recording import Recording
    from plylane.screens import MonitorApp

    screen = MonitorApp(run, Recording.while_logged, run.tuner, run.calibrator, plan)
    told = _Told(run)
    logging.getLogger("plylane").addHandler(told)
    if seconds is not None:
        run.poller.listeners.append(_Until(seconds, screen))
    run.poller.start()
    try:
        screen.run()
    finally:
        logging.getLogger("plylane").removeHandler(told)
        run.leave_tuning()
        run.poller.stop()
        run.close()
        client.close()


class _Told(logging.Handler):
    """Log messages become lines on the screen instead of text across it."""

    def __init__(self, run: LiveRun) -> None:
        super().__init__(logging.WARNING)
        self.run = run

    def emit(self, record: logging.LogRecord) -> None:
        self.run.say(record.getMessage())


class _Until:
    """Closes the screen once so much of the head's time has passed."""

    def __init__(self, seconds: float, screen: MonitorApp) -> None:
        self.seconds, self.screen, self.asked = seconds, screen, False

    def on_snapshot(self, snapshot: Snapshot) -> None:
        if snapshot.time_s >= self.seconds and not self.asked:
            self.asked = True
            self.screen.call_from_thread(self.screen.exit)


@contextmanager
def _progress(length_mm: float) -> Iterator[Any]:
    bar = Progress(
        TextColumn("{task.description:<10}"),
        BarColumn(),
        TextColumn("{task.fields[laid]}"),
        TimeElapsedColumn(),
        console=errors,
        transient=True,
        disable=not errors.is_terminal,
    )
    with bar:
        task = bar.add_task("Starting", total=1.0, laid="")

        def show(state: str, share: float) -> None:
            laid = f"{share * length_mm:.0f} of {length_mm:.0f} mm"
            bar.update(task, description=state, completed=share, laid=laid)

        yield show


def _print_json(form: dict[str, Any]) -> None:
    print(json.dumps(form))


def main() -> None:
    """Entry point. Anything the user can mend ends in one line and exit status 2."""
    try:
        app(exit_on_error=False, print_error=False)
    except USER_ERRORS as error:
        _fail(str(error))
    except CycloptsError as error:
        command = " ".join(("plylane", *(error.command_chain or ())))
        _fail(f"{error} ({command} --help tells more)")
    except KeyboardInterrupt:
        _fail("interrupted")
    except BrokenPipeError:
        sys.exit(0)


def _fail(line: str) -> None:
    print(f"plylane: {' '.join(line.split())}", file=sys.stderr)
    sys.exit(2)


if __name__ == "__main__":
    main()
