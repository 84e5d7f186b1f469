"""Tune: experiments on a zone, the rules side by side, gains in and out of the head."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.screen import Screen
from textual.widgets import Button, OptionList, Static

from plylane.screens.confirm import Confirm
from plylane.screens.decide import Kind, Said, link_says, zone_row
from plylane.screens.decide.tuning import (
    CHECK_POINTS,
    FEED_POINTS,
    TUNE_CAUTION,
    TUNE_KEYS_SHOWN,
    held_line,
    job_line,
    keys_now,
    model_line,
    rule_rows,
    said_line,
    turned,
)
from plylane.screens.entry import NumberEntry
from plylane.screens.help import TUNE_KEYS, Help
from plylane.screens.source import LiveHead
from plylane.screens.start_experiment import StartExperiment
from plylane.screens.tune_pictures import LIVE_S, Plotted, found_picture, live_picture
from plylane.screens.tune_source import TuneWork
from plylane.screens.widgets.commands import key_label
from plylane.screens.widgets.heading import Heading
from plylane.screens.widgets.plot import Plot
from plylane.screens.widgets.rules import RuleTable
from plylane.screens.widgets.text import left, line, right
from plylane.tune_errors import TuneError
from plylane.tune_run.outcome import ZoneTuning
from plylane.tune_run.rules import RuleView
from plylane.tune_run.status import TuneStatus
from plylane.tuning import EVEN
from plylane.words import zone_name

TICKS_PER_S = 4.0
PLOTS_EVERY = 2
REFUSED_TICKS = round(8 * TICKS_PER_S)
FEED_MM_S = 14.0
FEED_LEAST_MM_S = 4.0


class TunePlot(Plot):
    """One picture of the tuning."""

    def __init__(self, plotted: Plotted, *, id: str) -> None:
        super().__init__(id=id)
        self.plotted = plotted


class Tune(Screen[None]):
    """Looks at the live and the tuning at a low rate; asks the tuning for what keys want."""

    BINDINGS: ClassVar[list[BindingType]] = [
        *(Binding(str(k + 1), f"zone({k})", f"Zone {k + 1}") for k in range(3)),
        *(Binding(each.key, each.action, each.word) for each in TUNE_KEYS_SHOWN),
        Binding("plus,equals_sign", "knob(True)", "Brisker"),
        Binding("minus", "knob(False)", "Calmer"),
        Binding("v", "next_picture", "Next picture"),
        Binding("question_mark", "help", "Help"),
        Binding("escape", "app.step_back", "Back"),
    ]

    def __init__(self, live: LiveHead, tuning: TuneWork) -> None:
        super().__init__()
        self.live, self.tuning = live, tuning
        self.zone = 0
        self.knob = EVEN
        self._ticks = 0
        self._refusal, self._refused_tick = "", 0
        self._was_busy = tuning.status.busy

    def compose(self) -> ComposeResult:
        """From the top: who, zone, job, pictures, model, rules, what was said, keys, caution."""
        yield Heading()
        yield Static(id="tune-zone")
        yield Static(id="tune-job")
        with Horizontal(id="tune-plots", classes="-bare"):
            with Vertical(id="tune-left"):
                yield TunePlot(Plotted.RECORD, id="tune-chosen")
                yield TunePlot(Plotted.OUTPUT, id="tune-output")
            with Vertical(id="tune-right"):
                yield TunePlot(Plotted.RESPONSE, id="tune-response")
                yield TunePlot(Plotted.RESIDUAL, id="tune-residual")
        yield Static(id="tune-model")
        yield RuleTable()
        yield Static(id="tune-held")
        yield Static(id="tune-said")
        with Horizontal(id="tune-keys"):
            for each in TUNE_KEYS_SHOWN:
                button = Button(
                    key_label(each.key, each.word), id=f"tune-{each.action}", compact=True
                )
                button.can_focus = False
                yield button
            stop = Button(key_label("t", "Stop"), id="tune-stop", compact=True)
            stop.can_focus = False
            yield stop
        yield Static(TUNE_CAUTION, id="caution", markup=False)

    def on_mount(self) -> None:
        """Start looking."""
        self.query_one(OptionList).focus()
        self.tick()
        self.set_interval(1.0 / TICKS_PER_S, self.tick)

    @property
    def found(self) -> ZoneTuning | None:
        """What is known of the zone shown."""
        return self.tuning.tunings.get(self.zone)

    @property
    def picked(self) -> RuleView | None:
        """The picked rule."""
        found, at = self.found, self.query_one(RuleTable).picked
        return None if found is None or at is None else found.views[at]

    # ------------------------------------------------------------------- what is shown

    def tick(self) -> None:
        """One look."""
        self._show_heading()
        self._show_zone()
        status, found = self.tuning.status, self.found
        self._say("#tune-job", job_line(status, found))
        self._say("#tune-model", model_line(found))
        self._say("#tune-held", held_line(found))
        self._say("#tune-said", self._last_said())
        self.query_one(RuleTable).rows = rule_rows(found)
        self._show_keys()
        self._make_room(found is not None)
        if self._ticks % PLOTS_EVERY == 0 or status.busy != self._was_busy:
            self.draw_plots()
        self._was_busy = status.busy
        self._ticks += 1

    def _say(self, where: str, said: Said) -> None:
        self.query_one(where, Static).update(line(said))

    def _make_room(self, found: bool) -> None:
        """For the pictures of what was found, once something was; they are drawn when laid out."""
        plots = self.query_one("#tune-plots")
        if plots.has_class("-bare") is found:
            plots.set_class(not found, "-bare")
            self.call_after_refresh(self.draw_plots)

    def on_resize(self) -> None:
        """Pictures for the new size."""
        self.call_after_refresh(self.draw_plots)

    def _last_said(self) -> Said:
        """A refusal for a while, else what the last job said."""
        if self._refusal and self._ticks - self._refused_tick < REFUSED_TICKS:
            return said_line(TuneStatus(trouble=self._refusal))
        return said_line(self.tuning.status)

    def _show_heading(self) -> None:
        heading, live = self.query_one(Heading), self.live
        heading.title, heading.detail = "Tune", live.title
        link = link_says(live.link, live.pace)
        heading.status = Said(f"{link.text}   ? keys", link.kind)

    def _show_zone(self) -> None:
        snapshot = self.live.latest
        if snapshot is None or self.zone >= len(snapshot.zones):
            return
        stale = not self.live.link.connected
        row = zone_row(self.zone, snapshot.zones[self.zone], self.live.limits, stale)
        others = [zone_name(k) for k in range(len(snapshot.zones)) if k != self.zone]
        text = line(
            left(Said(f"zone {row.name}", Kind.STRONG), 14),
            "PV ", right(row.pv, 6), " °C   SP ", right(row.sp, 6), " °C   OP ",
            right(row.op, 4), " %   ", left(row.word, 13),
            Said("   ".join(f"[{name}]" for name in others), Kind.QUIET),
        )  # fmt: skip
        self.query_one("#tune-zone", Static).update(text)

    def _show_keys(self) -> None:
        tuned = set(self.tuning.tunings)
        now = keys_now(
            self.tuning.status,
            self.zone in tuned,
            bool(self.tuning.previous.get(self.zone)),
            len(tuned) == self.tuning.zones > 1,
        )
        for each in TUNE_KEYS_SHOWN:
            self.query_one(f"#tune-{each.action}").set_class(each not in now, "-hidden")

    def draw_plots(self) -> None:
        """Draw what there is room for."""
        for plot in self.query(TunePlot):
            if plot.display and plot.curves.size:
                self._draw(plot)

    def _draw(self, plot: TunePlot) -> None:
        columns, rows = 2 * plot.curves.columns, plot.curves.rows
        tuning, found, plotted = self.tuning, self.found, plot.plotted
        mine = tuning.status.busy and tuning.status.zone == self.zone
        growing = plotted in (Plotted.RECORD, Plotted.OUTPUT) and (mine or found is None)
        if growing:
            since_s = tuning.began_s if mine else tuning.log.now_s - LIVE_S
            trace = tuning.log.trace(min(since_s, tuning.log.now_s - LIVE_S))
            plot.show(live_picture(plotted, trace, self.zone, columns, rows))
        elif found is not None:
            plot.show(found_picture(plotted, found, self.picked, columns, rows))

    def on_option_list_option_highlighted(self) -> None:
        """Another rule is picked: its response is drawn."""
        self.draw_plots()

    # ---------------------------------------------------------------- what is asked for

    def _ask(self, work: Callable[[], None]) -> None:
        try:
            work()
        except TuneError as error:
            self._refuse(str(error))
        self.tick()

    def _refuse(self, why: str) -> None:
        self._refusal, self._refused_tick = why, self._ticks

    def action_zone(self, zone: int) -> None:
        """Look at another zone."""
        if zone < self.tuning.zones:
            self.zone = zone
            self.tick()
            self.draw_plots()

    def action_experiment(self) -> None:
        """Ask which, then begin."""
        if self.tuning.status.busy:
            self._refuse("something is under way: x ends it")
            return
        self.app.push_screen(StartExperiment(zone_name(self.zone)), self._experiment_chosen)

    def _experiment_chosen(self, kind: str | None) -> None:
        if kind is not None:
            self._ask(
                partial(self.tuning.experiment, self.zone, kind, knob=self.knob, guide_empty=True)
            )

    def action_end(self) -> None:
        """End what is under way."""
        self.tuning.stop()

    def action_apply(self) -> None:
        """The picked rule's gains into the head."""
        if (picked := self.picked) is not None:
            self._ask(partial(self.tuning.apply, self.zone, picked.name))

    def action_undo(self) -> None:
        """The gains before."""
        self._ask(partial(self.tuning.undo, self.zone))

    def action_save(self) -> None:
        """Settings kept over a power cut."""
        self._ask(self.tuning.save)

    def action_knob(self, brisker: bool) -> None:
        """SIMC brisker or calmer."""
        knob = turned(self.knob, brisker)
        if knob == self.knob or self.tuning.status.busy:
            return
        self.knob = knob
        if self.found is not None:
            self._ask(partial(self.tuning.turn_knob, self.zone, knob))

    def action_check(self) -> None:
        """A setpoint step, after a question."""
        if self.found is not None:
            ask = Confirm("Measure a setpoint step?", CHECK_POINTS, "Yes, heat", "No")
            begin = partial(self.tuning.check_setpoint, self.zone, guide_empty=True)
            self.app.push_screen(ask, partial(self._begin_if, begin))

    def action_interaction(self) -> None:
        """Rest points of all zones, after a question."""
        points = ("Every zone heats to where it works, then rests 20 °C lower in turn.",)
        ask = Confirm("Measure how the zones disturb each other?",
                      (*points, *CHECK_POINTS[1:]), "Yes, heat", "No")  # fmt: skip
        found = self.tuning.tunings
        goals = [found[zone].target.setpoint_degC for zone in sorted(found)]
        begin = partial(self.tuning.find_interaction, goals, guide_empty=True)
        self.app.push_screen(ask, partial(self._begin_if, begin))

    def _begin_if(self, begin: Callable[[], None], yes: bool | None) -> None:
        if yes:
            self._ask(begin)

    def action_feed(self) -> None:
        """A feed step: the speed, then a question."""
        if self.found is None:
            return
        high = self.live.limits.speed_max_mm_s
        entry = NumberEntry("Feed step up to, mm/s", FEED_MM_S, FEED_LEAST_MM_S, high, "mm/s")
        self.app.push_screen(entry, self._feed_given)

    def _feed_given(self, speed_mm_s: float | None) -> None:
        if speed_mm_s is None:
            return
        title = f"Feed strips at {speed_mm_s:g} mm/s?"
        ask = Confirm(title, FEED_POINTS, "Yes, heat and feed", "No")
        begin = partial(self.tuning.feed_step, self.zone, speed_mm_s, guide_empty=True)
        self.app.push_screen(ask, partial(self._begin_if, begin))

    def action_next_picture(self) -> None:
        """The first plot shows the next picture."""
        chosen = self.query_one("#tune-chosen", TunePlot)
        order = list(Plotted)
        chosen.plotted = order[(order.index(chosen.plotted) + 1) % len(order)]
        self.draw_plots()

    def action_help(self) -> None:
        """The keys."""
        self.app.push_screen(Help(TUNE_KEYS))

    def on_button_pressed(self, event: Button.Pressed) -> None:
        """A key by mouse."""
        name = str(event.button.id).removeprefix("tune-")
        if name == "stop":
            self.app.action_now("STOP")  # type: ignore[attr-defined]
        else:
            getattr(self, f"action_{name}")()
