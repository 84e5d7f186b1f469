"""The application: Monitor over a live head, Replay over a recorded run."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.app import App
from textual.binding import Binding, BindingType

from plylane.head.registers import Command
from plylane.screens.confirm import confirm_leave
from plylane.screens.decide import run_is_active
from plylane.screens.monitor import Monitor
from plylane.screens.replay import Replay
from plylane.screens.source import LiveHead, Recording
from plylane.screens.theme import DARK, LIGHT

if TYPE_CHECKING:
    from plylane.jam import WatchSettings
    from plylane.plan.plan import CordPlan
    from plylane.screens.calibrate_source import CalibrateWork
    from plylane.screens.tune_source import TuneWork

# classes of a screen by its size in cells; the stylesheet says what they mean
WIDTHS = [(0, "-narrow"), (80, "-usual"), (112, "-wide")]
HEIGHTS = [(0, "-low"), (20, "-short"), (34, "-tall")]

ReplayLoader = Callable[[Path], Recording]
Tuner = Callable[[], "TuneWork"]
Calibrator = Callable[[], "CalibrateWork"]


class PlylaneApp(App[None]):
    """Both screens in one application. Stop and abort work wherever the user is.

    With a live the Monitor comes first and `replay_loader` reads the run logged so far;
    its ValueError and OSError are shown as one line. Without a live, `recording` is shown.
    """

    TITLE = "plylane"
    CSS_PATH = "plylane.tcss"
    ENABLE_COMMAND_PALETTE = False
    HORIZONTAL_BREAKPOINTS = WIDTHS
    VERTICAL_BREAKPOINTS = HEIGHTS

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("t", "now('STOP')", "Stop", id="stop", priority=True),
        Binding("b", "now('ABORT')", "Abort", id="abort", priority=True),
        Binding("p", "replay", "Replay", id="replay"),
        Binding("z", "tune", "Tune a zone", id="tune"),
        Binding("i", "calibrate", "Calibrate the feed", id="calibrate"),
        Binding("n", "plan", "Plan", id="plan"),
        Binding("d", "dark_or_light", "Dark or light", id="dark-or-light"),
        Binding("q,ctrl+q", "leave", "Leave", id="leave"),
    ]

    def __init__(
        self,
        live: LiveHead | None = None,
        recording: Recording | None = None,
        replay_loader: ReplayLoader | None = None,
        tuner: Tuner | None = None,
        calibrator: Calibrator | None = None,
        plan: CordPlan | None = None,
        settings: WatchSettings | None = None,
    ) -> None:
        super().__init__()
        self.register_theme(DARK)
        self.register_theme(LIGHT)
        self.theme = DARK.name
        self.live = live
        self._recording = recording
        self._replay_loader = replay_loader
        self._tuner = tuner
        self._calibrator = calibrator
        self._plan = plan
        self._settings = settings

    def on_mount(self) -> None:
        """The first screen."""
        if self.live is not None:
            self.push_screen(Monitor(self.live))
        elif self._recording is not None:
            self.push_screen(Replay(self._recording, settings=self._settings))
        elif self._plan is not None:
            self._show_plan(self._plan)

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Our own variables, for the moment before a theme of ours is in force."""
        return DARK.variables

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Commands need a head; so does reading back its run."""
        if action == "now":
            return self.live is not None
        if action == "replay":
            return isinstance(self.screen, Monitor) and self._replay_loader is not None
        if action == "tune":
            return isinstance(self.screen, Monitor) and self._tuner is not None
        if action == "calibrate":
            return isinstance(self.screen, Monitor) and self._calibrator is not None
        if action == "plan":
            return isinstance(self.screen, Monitor)
        return True

    def action_now(self, name: str) -> None:
        """Stop or abort, without a question, whatever is on top."""
        if self.live is not None:
            self.live.command(Command[name])

    def action_dark_or_light(self) -> None:
        """The other theme."""
        self.theme = LIGHT.name if self.theme == DARK.name else DARK.name

    def action_replay(self) -> None:
        """Read the run logged so far, off the screen's thread."""
        live, loader = self.live, self._replay_loader
        if live is None or loader is None:
            return
        folder = live.run_folder
        if folder is None:
            self.notify("This run is not being logged.", severity="warning")
            return
        self.run_worker(
            lambda: self._load(loader, folder), thread=True, exclusive=True, group="replay"
        )

    def _load(self, loader: ReplayLoader, folder: Path) -> None:
        try:
            recording = loader(folder)
        except (ValueError, OSError) as fault:
            self.call_from_thread(self.notify, str(fault), severity="error", markup=False)
            return
        self.call_from_thread(self._show_replay, recording)

    def _show_replay(self, recording: Recording) -> None:
        if isinstance(self.screen, Monitor) and self.live is not None:
            self.push_screen(Replay(recording, self.live.limits))

    def action_tune(self) -> None:
        """The Tune screen over the Monitor."""
        live, tuner = self.live, self._tuner
        if live is not None and tuner is not None:
            from plylane.screens.tune import Tune  # brings scipy along: not needed before

            self.push_screen(Tune(live, tuner()))

    def action_calibrate(self) -> None:
        """The Calibrate screen over the Monitor."""
        live, calibrator = self.live, self._calibrator
        if live is not None and calibrator is not None:
            from plylane.screens.calibrate import Calibrate  # brings scipy along, as Tune does

            self.push_screen(Calibrate(live, calibrator()))

    def action_plan(self) -> None:
        """The plan of this run over the Monitor."""
        if self._plan is not None:
            self._show_plan(self._plan)
        else:
            say = "This run has no plan: plylane monitor --plan FILE runs one."
            self.notify(say, severity="warning")

    def _show_plan(self, plan: CordPlan) -> None:
        from plylane.screens.plan import Plan  # brings scipy along: not needed before

        self.push_screen(Plan(plan))

    def action_step_back(self) -> None:
        """From Replay, Tune, Calibrate or Plan to the Monitor, or out when there is none."""
        if self.live is None:
            self.exit()
        elif not isinstance(self.screen, Monitor):
            self.pop_screen()

    async def action_leave(self) -> None:
        """Out; from a run only after a question."""
        if not isinstance(self.screen, Monitor):
            self.action_step_back()
            return
        snapshot = self.live.latest if self.live is not None else None
        now = None if snapshot is None else snapshot.telemetry
        if now is None or not run_is_active(now.state, now.status):
            self.exit()
        else:
            self.push_screen(confirm_leave(now.state), self._leave_answered)

    def _leave_answered(self, yes: bool | None) -> None:
        if yes:
            self.exit()


class MonitorApp(PlylaneApp):
    """Starts on the Monitor."""

    def __init__(
        self,
        live: LiveHead,
        replay_loader: ReplayLoader | None = None,
        tuner: Tuner | None = None,
        calibrator: Calibrator | None = None,
        plan: CordPlan | None = None,
    ) -> None:
        super().__init__(
            live=live, replay_loader=replay_loader, tuner=tuner, calibrator=calibrator, plan=plan
        )


class ReplayApp(PlylaneApp):
    """Starts on a recorded run; with `settings`, judged again with them."""

    def __init__(self, recording: Recording, settings: WatchSettings | None = None) -> None:
        super().__init__(recording=recording, settings=settings)


class PlanApp(PlylaneApp):
    """Starts on a plan."""

    def __init__(self, plan: CordPlan) -> None:
        super().__init__(plan=plan)
