"""The demo: a whole run on the twin, from cold to Complete, with a jam on the way."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from plylane.head.client import HeadClient
from plylane.head.poller import Poller
from plylane.jam import Finding
from plylane.live import LiveRun, new_folder
from plylane.reaction import HOLD_LIKELIHOOD
from plylane.run_setup import RunSetup, SetupError
from plylane.technician import Loader, Technician
from plylane.twin_door import check_scenario, twin_url

Progress = Callable[[str, float], None]  # state in words, share of the length


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a demo ended. `cord_mm` is the cord laid, `time_s` the head's time that passed."""

    run: Path
    state: str
    cord_mm: float
    time_s: float
    findings: list[Finding]
    trouble: str

    def to_json(self) -> dict[str, Any]:
        """A dict that `json.dumps` takes."""
        found = [finding.to_json() for finding in self.findings]
        return {
            "run": str(self.run),
            "state": self.state,
            "cord_mm": self.cord_mm,
            "time_s": self.time_s,
            "trouble": self.trouble,
            "findings": found,
        }


class Demo:
    """A twin, a live run on it and a technician who works it."""

    def __init__(
        self,
        scenario: Path,
        seed: int,
        pace: str,
        out: Path,
        board: Path | None = None,
        *,
        hold_at: float | None = HOLD_LIKELIHOOD,
    ) -> None:
        """`hold_at`: see LiveRun. Raises TwinError, SetupError, RunError or the client's errors."""
        self.setup = RunSetup.load(scenario)
        if self.setup.source != "length":
            raise SetupError(
                f'{scenario}: run.source: nothing leads the head in the demo; give "length"'
            )
        title = check_scenario(scenario)
        self.client = HeadClient.open(twin_url(scenario, seed, pace, board))
        self.setup.write_settings(self.client)  # before they are read and kept with the log
        self.poller = Poller(self.client)
        speed = 1.0 if pace in ("virtual", "wall") else float(pace)
        self.run = LiveRun(
            self.client, self.poller, title=title, pace=speed, setup=self.setup, hold_at=hold_at
        )
        plan = self.setup.model_dump()
        folder = new_folder(out, title)
        self.run.record(folder, live=pace != "virtual", plan=plan, seed=seed, started=started(pace))
        self.technician = Technician(self.setup, self.poller, self.run)
        self.poller.listeners.append(self.technician)
        if self.setup.strips:
            self.poller.listeners.append(Loader(self.run, self.setup.strips.next_mm))

    def play(self, seconds: float, progress: Progress) -> Outcome:
        """Play in this thread until the run has ended or `seconds` of the head's time are over."""
        try:
            while not self.technician.done and self.time_s < seconds:
                self.poller.step()
                if self.run.latest is not None:
                    now = self.run.latest.telemetry
                    share = now.output_position_mm / self.setup.length_mm
                    progress(words(now.state.name), min(1.0, max(0.0, share)))
        finally:
            self.close()
        return self.outcome()

    @property
    def time_s(self) -> float:
        """The head's time since the demo began."""
        return self.run.latest.time_s if self.run.latest else 0.0

    def outcome(self) -> Outcome:
        """How it stands now."""
        folder, latest = self.run.run_folder, self.run.latest
        if folder is None or latest is None:
            raise RuntimeError("the demo has not begun")
        now = latest.telemetry
        return Outcome(
            run=folder,
            state=words(now.state.name),
            cord_mm=now.output_position_mm,
            time_s=latest.time_s,
            findings=list(self.run.findings),
            trouble=self.technician.trouble,
        )

    def close(self) -> None:
        """End the log and close the port."""
        self.run.close()
        self.client.close()


def started(pace: str) -> str:
    """When the run began; nothing in virtual time, where the same run gives the same bytes."""
    return "" if pace == "virtual" else datetime.now(UTC).isoformat(timespec="seconds")


def words(name: str) -> str:
    """A state's name as a person writes it."""
    return name.replace("_", " ").capitalize()
