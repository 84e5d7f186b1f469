"""`plylane tune`: a zone of a head, or a record of one, from the command line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from cyclopts import Parameter
from cyclopts.validators import Number
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from plylane.tune_errors import TuneError

if TYPE_CHECKING:
    from plylane.head.client import HeadClient
    from plylane.head.poller import Poller
    from plylane.tune_run import RuleView, TuneRun, ZoneTuning

RUNS = Path("runs")
VIRTUAL_PERIOD_S = 0.1
"""In virtual time a poll for every loop of the head is all there is to see."""
CAUTION = (
    "The block gets hot without strips: keep hands off, keep the guide empty, stay with the"
    " machine. Ctrl-C ends the experiment; the hard-wired stop comes first."
)
FEED_CAUTION = "Rollers will turn and draw in strips: hands clear, guards closed."

Positive = Annotated[float, Parameter(validator=Number(gt=0))]
Knob = Annotated[float, Parameter(validator=Number(gte=0.5, lte=10))]
Flag = Annotated[bool, Parameter(negative="")]
errors = Console(stderr=True)


def tune(
    *,
    port: str | None = None,
    zone: Annotated[int, Parameter(validator=Number(gte=1, lte=3))] = 1,
    rule: str | None = None,
    experiment: Literal["relay", "step", "doublet"] = "relay",
    knob: Knob = 1.5,
    setpoint: Positive | None = None,
    ceiling: Positive | None = None,
    apply: Flag = False,
    verify: Flag = False,
    feed: Positive | None = None,
    save: Flag = False,
    guide_empty: Flag = False,
    from_: Annotated[Path | None, Parameter(name="--from")] = None,
    unit: int = 1,
    out: Path = RUNS,
    as_json: Annotated[bool, Parameter(name="--json", negative="")] = False,
) -> None:
    """Tune a heater zone: by an experiment on a head, or from a record of one.

    Parameters
    ----------
    port
        Serial port of the head, or twin://FILE.toml?pace=virtual.
    zone
        Zone, from 1.
    rule
        Rule to take: simc, simc_pid, amigo, ziegler_nichols, tyreus_luyben, optimum ...; the
        suggested one when left out.
    experiment
        How the output is moved.
    knob
        SIMC's closed-loop time constant in effective dead times: 1 brisk, 1.5 even, 3 calm.
    setpoint
        Temperature at which the zone is to work, degC; the head's setpoint when left out.
    ceiling
        Temperature at which the experiment ends at once, degC.
    apply
        Write the gains into the head, read them back.
    verify
        After that, measure a setpoint step against the predicted one.
    feed
        After that, feed strips at this speed, mm/s: identify the feed-forward (and write it with
        --apply); with --verify step up from a creep to that speed and judge it.
    save
        Have the head keep the gains over a power cut.
    guide_empty
        You have looked: no strip is in the guide.
    from_
        No head: a CSV file with columns time_s, op_percent, pv_degC, a tuning record or a run
        folder.
    unit
        Modbus address of the head.
    out
        Folder for the run log, where the tuning record goes.
    as_json
        Print model and rules as one JSON object.
    """
    _check_rule(rule)
    if (port is None) == (from_ is None):
        raise TuneError("give either --port for a head or --from for a record")
    if from_ is not None:
        if apply or verify or feed or save:
            raise TuneError("--from has no head to write to: leave out --apply, --verify, --feed")
        _show(_from_record(from_, zone - 1, knob, rule, setpoint), as_json, {})
        return
    if (verify or save) and not apply:
        raise TuneError("--verify and --save look at gains in the head: add --apply")
    sitting = _Sitting(str(port), unit, out, zone - 1)
    try:
        if guide_empty:
            sitting.do(lambda run: run.guide_is_empty())
        sitting.tune(experiment, knob, rule, setpoint, ceiling)
        if apply:
            sitting.do(lambda run: run.apply(zone - 1, sitting.tuning.suggestion.name))
        if verify:
            sitting.do(lambda run: run.check_setpoint(zone - 1))
        if feed:
            sitting.feed(feed, apply, verify)
        if save:
            sitting.do(lambda run: run.save())
    except TuneError:
        if not as_json and sitting.zone in sitting.run.tunings:
            _show(sitting.tuning, False, {"run": str(sitting.folder)})
        raise
    finally:
        sitting.close()
    _show(sitting.tuning, as_json, {"run": str(sitting.folder), "checks": sitting.verdicts()})
    if not all(check.verdict.passed for check in sitting.tuning.checks):
        raise SystemExit(1)


def _check_rule(rule: str | None) -> None:
    from plylane.tuning import RULE_NAMES

    if rule is not None and rule not in RULE_NAMES:
        raise TuneError(f"no rule {rule!r}: there are {', '.join(RULE_NAMES)}")


# ------------------------------------------------------------------------------------ with a head


class _Sitting:
    """A head, its poller, a log of it all, and the tuning of one zone."""

    def __init__(self, port: str, unit: int, out: Path, zone: int) -> None:
        from plylane.head.client import HeadClient
        from plylane.head.poller import Poller
        from plylane.live import LiveRun, new_folder

        self.zone = zone
        errors.print(CAUTION, style="dim", soft_wrap=True)
        self.client: HeadClient = HeadClient.open(port, unit=unit)
        virtual = "pace=virtual" in port
        period_s = VIRTUAL_PERIOD_S if virtual else 0.02
        self.poller: Poller = Poller(self.client, period_s)
        self.live = LiveRun(self.client, self.poller, title=f"tuning zone {zone + 1}")
        self.folder = new_folder(out, self.live.title)
        self.live.record(self.folder, live=not virtual, plan={})
        self.run: TuneRun = _tune_run(self.live, self.poller, self.client)
        self.poller.step()

    @property
    def tuning(self) -> ZoneTuning:
        """What is known of the zone."""
        return self.run.tunings[self.zone]

    def tune(
        self,
        kind: str,
        knob: float,
        rule: str | None,
        setpoint_degC: float | None,
        ceiling_degC: float | None,
    ) -> None:
        """The experiment, and what follows from it."""
        if setpoint_degC is not None:
            self.client.write("zone.setpoint_degC", setpoint_degC, self.zone)
        changes = {} if ceiling_degC is None else {"ceiling_degC": ceiling_degC}
        self.do(lambda run: run.experiment(self.zone, kind, knob=knob, rule=rule, **changes))

    def feed(self, speed_mm_s: float, apply: bool, verify: bool) -> None:
        """Feed-forward found, applied, checked."""
        errors.print(FEED_CAUTION, style="bold")
        self.do(lambda run: run.feed_step(self.zone, speed_mm_s, apply=apply, check=verify))

    def do(self, begin: Any) -> None:
        """Begin a job and see it through. Raises TuneError with its trouble."""
        begin(self.run)
        with _progress() as show:
            try:
                while self.run.busy:
                    self.poller.step()
                    show(self.run)
            except KeyboardInterrupt:
                self.run.stop()
                while self.run.busy:
                    self.poller.step()
                raise
        if self.run.status.trouble:
            raise TuneError(self.run.status.trouble)
        text = self.run.status.text
        errors.print(text, style="dim", markup=False, highlight=False, soft_wrap=True)

    def verdicts(self) -> list[dict[str, Any]]:
        """Of all checks."""
        return [check.verdict.to_json() for check in self.tuning.checks]

    def close(self) -> None:
        """End the log, close the port."""
        self.live.close()
        self.client.close()


def _tune_run(live: Any, poller: Poller, client: HeadClient) -> TuneRun:
    from plylane.tune_run import TuneRun

    run = TuneRun(poller, client.fitted.zones, folder=lambda: live.run_folder, head=live.identity)
    poller.listeners.append(run)
    return run


def _progress() -> Any:
    from contextlib import contextmanager

    @contextmanager
    def showing() -> Any:
        bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(bar_width=24),
            TimeElapsedColumn(),
            console=errors,
            transient=True,
        )
        with bar:
            task = bar.add_task("", total=1.0)

            def show(run: TuneRun) -> None:
                status = run.status
                bar.update(task, description=status.text, completed=status.share or 0.0)

            yield show

    return showing()


# --------------------------------------------------------------------------------- from a record


def _from_record(
    source: Path, zone: int, knob: float, rule: str | None, setpoint_degC: float | None
) -> ZoneTuning:
    from plylane.tune_run.analyse import analyse
    from plylane.tune_run.sources import read_source
    from plylane.tuning import RecordError

    try:
        found = read_source(source, zone)
        return analyse(
            zone,
            found.record,
            found.instrument,
            setpoint_degC=setpoint_degC or found.setpoint_degC,
            limits=found.limits_percent,
            knob=knob,
            rule=rule,
        )
    except RecordError as error:
        where = "" if str(source) in str(error) else f"{source}: "
        raise TuneError(f"{where}{error}") from error


# ---------------------------------------------------------------------------------------- showing


def _show(tuning: ZoneTuning, as_json: bool, more: dict[str, Any]) -> None:
    if as_json:
        print(json.dumps(tuning.to_json() | more))
        return
    _say(_model_line(tuning))
    Console().print(_rules(tuning))
    against = [f"{view.name} ({', '.join(view.faults)})" for view in tuning.views if view.faults]
    if against:
        _say(f"Against: {'; '.join(against)}")
    _say(f"Suggested: {tuning.suggestion.reason}")
    if tuning.held is not None and tuning.chosen is not None:
        _say(f"In the head: {tuning.held.text}")
    for check in tuning.checks:
        word = "passed" if check.verdict.passed else "FAILED"
        _say(f"{check.verdict.kind.capitalize()} {word}: {'; '.join(check.verdict.reasons)}")
    if "run" in more:
        _say(f"Log and tuning record: {more['run']}")


def _say(line: str) -> None:
    Console().print(line, highlight=False, markup=False, soft_wrap=True)


def _model_line(tuning: ZoneTuning) -> str:
    model = tuning.result.model
    order = "first" if model.kind == "fopdt" else "second"
    second = (
        f", second time constant {model.second_time_constant_s:.1f}"
        f" ± {model.second_time_constant_se:.1f} s"
        if model.second_time_constant_s
        else ""
    )
    return (
        f"Zone {tuning.zone + 1}: {order} order, gain {model.gain_degC_per_percent:.3f}"
        f" ± {model.gain_se:.3f} degC/%, time constant {model.time_constant_s:.0f}"
        f" ± {model.time_constant_se:.0f} s{second}, dead time {model.dead_time_s:.1f}"
        f" ± {model.dead_time_se:.1f} s, residual {tuning.found.rms_degC:.2f} degC"
    )


def _rules(tuning: ZoneTuning) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("rule", no_wrap=True, min_width=23)
    for name in ("kp", "ti s", "td s", "Ms", "GM", "PM deg", "over", "settles"):
        table.add_column(name, justify="right", no_wrap=True)
    for view in tuning.views:
        table.add_row(*_row(view), style="bold" if view.name == tuning.suggestion.name else None)
    return table


def _row(view: RuleView) -> list[str]:
    margins, figures, gains = view.rule.margins, view.preview.figures, view.gains
    return [
        view.name,
        f"{gains.kp:.2f}",
        f"{gains.ti_s:.1f}",
        f"{gains.td_s:.2f}",
        f"{margins.ms:.2f}",
        f"{margins.gain_margin:.1f}",
        f"{margins.phase_margin_deg:.0f}",
        f"{figures.overshoot_degC:.1f}",
        "-" if figures.settling_s is None else f"{figures.settling_s:.0f} s",
    ]
