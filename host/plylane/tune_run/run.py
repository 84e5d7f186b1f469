"""TuneRun: what a person or a script does to tune a head, one job at a time."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from plylane.technician import Caller
from plylane.tune_errors import TuneError
from plylane.tune_run.analyse import analyse
from plylane.tune_run.engine import Engine, Job
from plylane.tune_run.feeding import check_feed, feed_step, worth_it
from plylane.tune_run.gains import GainsInHead, read_gains, write_gains
from plylane.tune_run.jobs import check_setpoint, tune_zone
from plylane.tune_run.outcome import Checked, ZoneTuning
from plylane.tune_run.record_file import FILE, write_tuning
from plylane.tune_run.rests import find_interaction
from plylane.tuning import EVEN, OP_NOISE_MOST_PERCENT, Interaction, Model


class TuneRun(Engine):
    """Tunes the zones of a head. Zones count from 0.

    Listens to a poller (`poller.listeners.append(run)`). Every method that begins a job returns at
    once and raises TuneError when it cannot begin; how it goes is in `status`, what it found in
    `zones` and `interaction`. `stop` ends the job under way at any time. Without a thread:
    ``while run.busy: poller.step()``.
    """

    def __init__(
        self,
        caller: Caller,
        zones: int,
        *,
        compute: Executor | None = None,
        folder: Callable[[], Path | None] = lambda: None,
        head: str = "",
    ) -> None:
        """`folder` says where the tuning record goes (None: nowhere); `head` who it is."""
        super().__init__(caller, zones, compute)
        self.tunings: dict[int, ZoneTuning] = {}
        """By zone; replaced, never changed in place."""
        self.interaction: Interaction | None = None
        self.previous: dict[int, tuple[GainsInHead, ...]] = {}
        """Gains that undo goes back to, oldest first."""
        self._folder = folder
        self._head = head

    # ------------------------------------------------------------------------------- experiments

    def experiment(
        self,
        zone: int,
        kind: str = "relay",
        *,
        knob: float = EVEN,
        rule: str | None = None,
        op_noise_percent: float = OP_NOISE_MOST_PERCENT,
        guide_empty: bool = False,
        **changes: float,
    ) -> None:
        """Do an experiment, identify, try all rules. `changes` overrides fields of Experiment.

        `guide_empty`: somebody has looked, and no strip is in the guide.
        """
        self._fitted(zone)
        wishes = {"knob": knob, "rule": rule, "op_noise_percent": op_noise_percent}
        job = self._tune(zone, kind, changes, wishes)
        self.begin(kind, zone, self._emptied(job, guide_empty))

    def turn_knob(self, zone: int, knob: float) -> None:
        """SIMC anew, calmer or brisker, on the model that is there."""
        self.begin("rules", zone, self._turn(self._tuned(zone), knob))

    def find_interaction(self, setpoints_degC: list[float], *, guide_empty: bool = False) -> None:
        """How far the zones disturb each other at those temperatures; every zone needs a model."""
        models = [self._tuned(zone).found.model for zone in range(self.zones)]
        job = self._interact(setpoints_degC, models)
        self.begin("interaction", 0, self._emptied(job, guide_empty))

    def stop(self) -> None:
        """End the job under way; the zone gets back its mode."""
        if self.busy and self.latest is not None:
            self.caller.call(lambda client: client.write("experiment.run", 0))
        self.end()

    # ------------------------------------------------------------------------------------- gains

    def apply(self, zone: int, rule: str) -> None:
        """Write that rule's gains, read them back."""
        tuning = self._tuned(zone)
        if rule not in {view.name for view in tuning.views}:
            raise TuneError(
                f"no rule {rule!r}: there are {', '.join(v.name for v in tuning.views)}"
            )
        if not tuning.view(rule).rule.margins.stable:
            raise TuneError(f"{rule} makes this loop unstable: take another rule")
        gains = tuning.view(rule).gains
        self.begin("gains", zone, self._apply(zone, lambda held: held.with_gains(gains), rule))

    def apply_feed_forward(self, zone: int) -> None:
        """Write the feed-forward that was found."""
        found = self._tuned(zone).feed_forward
        if found is None:
            raise TuneError("no feed-forward has been found yet: do a feed step first")
        if not worth_it(found):
            raise TuneError(
                f"how far feeding cools zone {zone + 1} is lost in drift"
                f" ({found.percent_per_mm_s:.2f} ± {found.total_se:.2f} %/(mm/s)):"
                " feed for longer, or leave it"
            )
        self.begin("gains", zone, self._apply(zone, lambda held: held.with_feed_forward(found)))

    def undo(self, zone: int) -> None:
        """The gains before the last change."""
        if not self.previous.get(zone):
            raise TuneError(f"the gains of zone {zone + 1} have not been changed: nothing to undo")
        self.begin("undo", zone, self._undo(zone))

    def save(self) -> None:
        """Have the head keep its settings over a power cut."""
        self.begin("save", 0, self.save_settings())

    # ---------------------------------------------------------------------------------- verifying

    def check_setpoint(self, zone: int, *, guide_empty: bool = False) -> None:
        """A setpoint step in Idle, measured against predicted."""
        job = self._check_setpoint(zone, self._tuned(zone))
        self.begin("setpoint step", zone, self._emptied(job, guide_empty))

    def feed_step(
        self,
        zone: int,
        speed_mm_s: float,
        *,
        apply: bool = True,
        check: bool = True,
        guide_empty: bool = False,
    ) -> None:
        """Feed strips from rest at temperature: feed-forward found, written, checked; rollers
        turn.
        """
        job = self._feed_step(zone, self._tuned(zone), speed_mm_s, apply, check)
        self.begin("feed step", zone, self._emptied(job, guide_empty))

    def check_feed(self, zone: int, speed_mm_s: float, *, guide_empty: bool = False) -> None:
        """A feed start from rest, measured against predicted; rollers turn."""
        job = self._check_feed(zone, self._tuned(zone), speed_mm_s)
        self.begin("feed check", zone, self._emptied(job, guide_empty))

    def guide_is_empty(self) -> None:
        """Tell the head what the user has seen: no strip in the guide."""
        self.begin("strips", 0, self._empty())

    # --------------------------------------------------------------------------------------- jobs

    def _emptied(self, job: Job[None], guide_empty: bool) -> Job[None]:
        """Tell the head that the guide is empty, where somebody has looked, then the job."""
        if guide_empty:
            yield from self._empty()
        yield from job

    def _tune(
        self, zone: int, kind: str, changes: dict[str, float], wishes: dict[str, Any]
    ) -> Job[None]:
        found = yield from tune_zone(self, zone, kind, changes, wishes)
        self._keep(found)

    def _turn(self, old: ZoneTuning, knob: float) -> Job[None]:
        self.tell("Trying the rules again.")
        new = yield from self.work(
            lambda: analyse(
                old.zone,
                old.record,
                old.instrument,
                setpoint_degC=old.target.setpoint_degC,
                limits=old.target.limits,
                knob=knob,
                experiment=old.experiment,
            )
        )
        fresh = (new.result, new.views, new.suggestion, new.knob)
        result, views, suggestion, knob = fresh
        self._keep(replace(old, result=result, views=views, suggestion=suggestion, knob=knob))
        self.tell(suggestion.reason)

    def _interact(self, setpoints_degC: list[float], models: list[Model]) -> Job[None]:
        self.interaction = yield from find_interaction(self, setpoints_degC, models)
        self._write()

    def _apply(
        self, zone: int, change: Callable[[GainsInHead], GainsInHead], rule: str | None = None
    ) -> Job[None]:
        before = yield from self.call(partial(read_gains, zone=zone))
        wanted = change(before)
        held = yield from self.call(lambda client: write_gains(client, zone, wanted))
        self.previous = {**self.previous, zone: (*self.previous.get(zone, ()), before)}
        tuning = self.tunings[zone]
        self._keep(replace(tuning, held=held, chosen=rule or tuning.chosen))
        self.tell(f"In force: {held.text}.{_how_rounded(wanted, held)}")

    def _undo(self, zone: int) -> Job[None]:
        *older, last = self.previous[zone]
        held = yield from self.call(lambda client: write_gains(client, zone, last))
        self.previous = {**self.previous, zone: tuple(older)}
        if zone in self.tunings:
            self._keep(replace(self.tunings[zone], held=held, chosen=None))
        self.tell(f"Back in force: {held.text}.")

    def _check_setpoint(self, zone: int, tuning: ZoneTuning) -> Job[None]:
        self._checked(zone, (yield from check_setpoint(self, tuning)))

    def _feed_step(
        self, zone: int, tuning: ZoneTuning, speed_mm_s: float, apply: bool, check: bool
    ) -> Job[None]:
        before = yield from self.call(partial(read_gains, zone=zone))
        done = yield from feed_step(self, tuning, speed_mm_s, apply=apply, check=check)
        if done.held is not None and done.held != before:
            self.previous = {**self.previous, zone: (*self.previous.get(zone, ()), before)}
        held = done.held or tuning.held
        self._keep(replace(self.tunings[zone], feed_forward=done.found, held=held))
        if done.checked is not None:
            self._checked(zone, done.checked)

    def _check_feed(self, zone: int, tuning: ZoneTuning, speed_mm_s: float) -> Job[None]:
        done = yield from check_feed(self, tuning, speed_mm_s)
        if done.checked is not None:
            self._checked(zone, done.checked)

    def _empty(self) -> Job[None]:
        yield from self.call(lambda client: client.write("feed.strip_in", 0))
        self.tell("Noted: the guide is empty.")

    # -------------------------------------------------------------------------------------- keeping

    def _checked(self, zone: int, check: Checked) -> None:
        tuning = self.tunings[zone]
        self._keep(replace(tuning, checks=(*tuning.checks, check)))

    def _keep(self, tuning: ZoneTuning) -> None:
        self.tunings = {**self.tunings, tuning.zone: tuning}
        self._write()

    def _write(self) -> None:
        folder = self._folder()
        if folder is not None:
            write_tuning(folder / FILE, self._head, self.tunings, self.interaction)

    def _tuned(self, zone: int) -> ZoneTuning:
        if zone not in self.tunings:
            raise TuneError(f"zone {zone + 1} has no model yet: do an experiment first")
        return self.tunings[zone]

    def _fitted(self, zone: int) -> None:
        if not 0 <= zone < self.zones:
            raise TuneError(f"no zone {zone + 1}: this head has {self.zones}")


def _how_rounded(wanted: GainsInHead, held: GainsInHead) -> str:
    """What the registers' resolution made of it, where it shows."""
    changed = [
        f"{name} {value:.4g}"
        for (name, value), (_, kept) in zip(wanted.named(), held.named(), strict=True)
        if abs(value - kept) > 0.005 * max(abs(value), 0.01)
    ]
    return f" Rounded from {', '.join(changed)}." if changed else ""
