"""`plylane tune`: a zone of a head, or a record of one, from the command line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from cyclopts import Parameter
from cyclopts.validators import Number
from rich.console import Console
from rich.table import Table

from plylane.options import Unit, see_through
from plylane.tune_errors import JobError, TuneError

if TYPE_CHECKING:
    from plylane.head.client import HeadClient
    from plylane.head.poller import Poller
    from plylane.tune_run import TuneRun, ZoneTuning
    from plylane.tune_run.record_file import InteractionEntry, ZoneEntry

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
    apply: bool = False,
    verify: bool = False,
    feed: Positive | None = None,
    feed_start: Positive | None = None,
    interaction: bool = False,
    op_noise: Annotated[float, Parameter(validator=Number(gt=0, lte=100))] = 10.0,
    save: bool = False,
    guide_empty: bool = False,
    from_: Annotated[Path | None, Parameter(name="--from")] = None,
    show: Path | None = None,
    unit: Unit = 1,
    out: Path = RUNS,
    as_json: Annotated[bool, Parameter(name="--json")] = False,
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
    feed_start
        After that, start feeding from rest at this speed, mm/s, and judge it against the predicted.
    interaction
        After that, tune the other zones too (--apply: write their gains) and find how far the zones
        disturb each other, and in which order to tune them.
    op_noise
        How far noise may throw the output with the optimum's gains, %, standard deviation.
    save
        Have the head keep the gains over a power cut.
    guide_empty
        You have looked: no strip is in the guide.
    from_
        No head: a CSV file with columns time_s, op_percent, pv_degC, a tuning record or a run
        folder.
    show
        No head: a tuning record or a run folder that has one, shown as it was kept.
    unit
        Modbus address of the head.
    out
        Folder for the run log, where the tuning record goes.
    as_json
        Print model and rules as one JSON object.
    """
    _check_rule(rule)
    if [port, from_, show].count(None) != 2:
        raise TuneError(
            "give one of --port for a head, --from for a record, --show for its results"
        )
    if port is None and (apply or verify or feed or feed_start or interaction or save):
        raise TuneError(
            "without --port there is no head to write to: leave out --apply, --verify, --feed,"
            " --feed-start, --interaction, --save"
        )
    if show is not None:
        _show_record(show, as_json)
        return
    wishes = {"knob": knob, "rule": rule, "op_noise_percent": op_noise}
    if from_ is not None:
        _show(_from_record(from_, zone - 1, setpoint, wishes), as_json, {})
        return
    if (verify or save) and not apply:
        raise TuneError("--verify and --save look at gains in the head: add --apply")
    sitting = _Sitting(str(port), unit, out, zone - 1)
    try:
        if guide_empty:
            sitting.do(lambda run: run.guide_is_empty())
        sitting.tune(zone - 1, experiment, setpoint, ceiling, apply, wishes)
        if verify:
            sitting.do(lambda run: run.check_setpoint(zone - 1))
        if feed:
            sitting.feed(feed, apply, verify)
        if feed_start:
            sitting.start_feed(feed_start, guide_empty)
        if interaction:
            sitting.interaction(experiment, apply, guide_empty, wishes)
        if save:
            sitting.do(lambda run: run.save())
    except JobError:
        if not as_json and sitting.zone in sitting.run.tunings:
            _show(sitting.tuning, False, {"run": str(sitting.folder)})
        raise
    finally:
        sitting.close()
    _show(sitting.tuning, as_json, sitting.more())
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
        zone: int,
        kind: str,
        setpoint_degC: float | None,
        ceiling_degC: float | None,
        apply: bool,
        wishes: dict[str, Any],
    ) -> None:
        """The experiment, and what follows from it; gains written on request."""
        if setpoint_degC is not None:
            self.client.write("zone.setpoint_degC", setpoint_degC, zone)
        changes = {} if ceiling_degC is None else {"ceiling_degC": ceiling_degC}
        self.do(lambda run: run.experiment(zone, kind, **wishes, **changes))
        if apply:
            self.do(lambda run: run.apply(zone, run.tunings[zone].suggestion.name))

    def feed(self, speed_mm_s: float, apply: bool, verify: bool) -> None:
        """Feed-forward found, applied, checked."""
        errors.print(FEED_CAUTION, style="bold")
        self.do(lambda run: run.feed_step(self.zone, speed_mm_s, apply=apply, check=verify))

    def start_feed(self, speed_mm_s: float, guide_empty: bool) -> None:
        """A feed start judged."""
        errors.print(FEED_CAUTION, style="bold")
        self.do(lambda run: run.check_feed(self.zone, speed_mm_s, guide_empty=guide_empty))

    def interaction(
        self, kind: str, apply: bool, guide_empty: bool, wishes: dict[str, Any]
    ) -> None:
        """The other zones tuned, then all let rest in turn."""
        if guide_empty:
            self.do(lambda run: run.guide_is_empty())
        for zone in range(self.run.zones):
            if zone != self.zone:
                self.tune(zone, kind, None, None, apply, wishes)
        goals = [self.run.tunings[zone].target.setpoint_degC for zone in range(self.run.zones)]
        self.do(lambda run: run.find_interaction(goals))

    def do(self, begin: Any) -> None:
        """Begin a job and see it through. Raises JobError with its trouble."""
        text = see_through(self.run, self.poller, begin)
        errors.print(text, style="dim", markup=False, highlight=False, soft_wrap=True)

    def more(self) -> dict[str, Any]:
        """Folder, verdicts and interaction, for showing."""
        from plylane.tune_run.record_file import interaction_entry

        checks = [check.verdict.to_json() for check in self.tuning.checks]
        found = self.run.interaction
        entry = {"interaction": interaction_entry(found).model_dump()} if found else {}
        return {"run": str(self.folder), "checks": checks, **entry}

    def close(self) -> None:
        """End the log, close the port."""
        self.live.close()
        self.client.close()


def _tune_run(live: Any, poller: Poller, client: HeadClient) -> TuneRun:
    from plylane.tune_run import TuneRun

    run = TuneRun(poller, client.fitted.zones, folder=lambda: live.run_folder, head=live.identity)
    poller.listeners.append(run)
    return run


# --------------------------------------------------------------------------------- from a record


def _from_record(
    source: Path, zone: int, setpoint_degC: float | None, wishes: dict[str, Any]
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
            **wishes,
        )
    except RecordError as error:
        where = "" if str(source) in str(error) else f"{source}: "
        raise TuneError(f"{where}{error}") from error


# ---------------------------------------------------------------------------------------- showing


def _show_record(path: Path, as_json: bool) -> None:
    """A tuning record as it was kept, without the samples."""
    from plylane.tune_run.record_file import FILE, read_tuning
    from plylane.tuning import RecordError

    try:
        kept = read_tuning(path / FILE if path.is_dir() else path)
    except RecordError as error:
        raise TuneError(str(error)) from error
    if as_json:
        print(json.dumps(kept.model_dump(exclude={"zones": {"__all__": {"samples"}}})))
        return
    _say(kept.head)
    for entry in kept.zones:
        _print_zone(entry)
    if kept.interaction is not None:
        _print_interaction(kept.interaction)


def _show(tuning: ZoneTuning, as_json: bool, more: dict[str, Any]) -> None:
    from plylane.tune_run.record_file import InteractionEntry, entry_of

    if as_json:
        print(json.dumps(tuning.to_json() | more))
        return
    _print_zone(entry_of(tuning))
    if "interaction" in more:
        _print_interaction(InteractionEntry.model_validate(more["interaction"]))
    if "run" in more:
        _say(f"Log and tuning record: {more['run']}")


def _print_zone(entry: ZoneEntry) -> None:
    from plylane.tune_run.record_file import kept_lines

    lines = kept_lines(entry)
    _say(lines.model)
    Console().print(_rules(entry))
    for line in lines.rest:
        _say(line)


def _print_interaction(found: InteractionEntry) -> None:
    table = Table(box=None, pad_edge=False)
    table.add_column("", no_wrap=True)
    for number in range(1, len(found.relative) + 1):
        table.add_column(f"OP {number}", justify="right", no_wrap=True)
    gains = zip(found.gain_degC_per_percent, found.relative, strict=True)
    for number, (gain, relative) in enumerate(gains, 1):
        table.add_row(f"PV {number} gain degC/%", *(f"{value:.3f}" for value in gain))
        table.add_row(f"PV {number} relative gain", *(f"{value:.2f}" for value in relative))
    Console().print(table)
    _say(f"Tune zone {', then '.join(map(str, found.order))}.")
    for remark in found.remarks:
        _say(remark)


def _say(line: str) -> None:
    Console().print(line, highlight=False, markup=False, soft_wrap=True)


def _rules(entry: ZoneEntry) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("rule", no_wrap=True, min_width=23)
    for name in ("kp", "ti s", "td s", "Ms", "GM", "PM deg", "over", "settles"):
        table.add_column(name, justify="right", no_wrap=True)
    for name, rule in entry.rules.items():
        table.add_row(name, *_row(rule), style="bold" if name == entry.suggested else None)
    return table


def _row(rule: dict[str, Any]) -> list[str]:
    columns = {
        "kp": ".2f", "ti_s": ".1f", "td_s": ".2f", "ms": ".2f", "gain_margin": ".1f",
        "phase_margin_deg": ".0f", "overshoot_degC": ".1f", "settling_s": ".0f",
    }  # fmt: skip
    return ["-" if rule[name] is None else f"{rule[name]:{form}}" for name, form in columns.items()]
