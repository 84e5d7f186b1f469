"""The machine state, and how far a run is."""

from __future__ import annotations

from dataclasses import dataclass

from plylane.head.registers import State, Status, TelemetryRegs
from plylane.screens.decide.kinds import Kind
from plylane.words import duration

AT_REST = frozenset({State.STOPPED, State.IDLE, State.COMPLETE, State.ABORTED})

_SENTENCES = {
    State.CLEARING: "Clearing what made the head abort.",
    State.STOPPED: "At rest. Reset makes the head ready for a run.",
    State.STARTING: "Heating to the setpoints; feeding follows by itself.",
    State.IDLE: "Ready; zones heat by their modes. Start feeds.",
    State.EXECUTE: "Feeding.",
    State.STOPPING: "Bringing the feed to rest to end the run.",
    State.ABORTING: "Aborting: feed and heat go off.",
    State.ABORTED: "Aborted. Find the cause, make safe, then clear.",
    State.HOLDING: "Bringing the feed to rest.",
    State.HELD: "Feed at rest, zones at standby. Unhold to go on.",
    State.UNHOLDING: "Back to the setpoints; feeding follows by itself.",
    State.RESETTING: "Getting ready.",
    State.COMPLETING: "Length reached; coming to rest.",
    State.COMPLETE: "Complete. Reset makes the head ready for the next.",
}

_STATE_KINDS = {
    State.HOLDING: Kind.MEDIUM,
    State.HELD: Kind.MEDIUM,
    State.ABORTING: Kind.HIGH,
    State.ABORTED: Kind.HIGH,
}

_WAYS = (
    (State.IDLE, State.STARTING, State.EXECUTE, State.COMPLETING, State.COMPLETE),
    (State.EXECUTE, State.HOLDING, State.HELD, State.UNHOLDING, State.EXECUTE),
    (State.STOPPING, State.STOPPED, State.RESETTING, State.IDLE),
    (State.ABORTING, State.ABORTED, State.CLEARING, State.STOPPED),
)


def state_word(state: State) -> str:
    """The state's name, e.g. "Execute"."""
    return state.name.capitalize()


def spaced(word: str) -> str:
    """Capitals set wide, to be read from afar."""
    return " ".join(word.upper())


def state_kind(state: State) -> Kind:
    """Held and Aborted are abnormal, the rest is not."""
    return _STATE_KINDS.get(state, Kind.NORMAL)


def state_sentence(state: State) -> str:
    """What the head is doing and what comes next, in one sentence."""
    return _SENTENCES[state]


def state_way(state: State) -> list[tuple[str, bool]]:
    """The leg of the state model that the head is on: names, and which one is now."""
    way = next(way for way in _WAYS if state in way)
    here = way.index(state)
    return [(state_word(s), k == here) for k, s in enumerate(way)]


NOTHING = Status(0)


def run_is_active(state: State | None, status: Status = NOTHING) -> bool:
    """Whether somebody who leaves now would leave a run or heat behind."""
    if state is None:
        return False
    return state not in AT_REST or Status.HEATERS_ENABLED in status


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a run is: `share` 0 to 1, or None where no length was set."""

    laid_mm: float
    to_go_mm: float | None
    share: float | None
    left: str


def progress(now: TelemetryRegs) -> Progress:
    """Cord laid and length to go."""
    laid, to_go = now.output_position_mm, now.length_to_go_mm
    whole = now.feed_position_mm + to_go
    if to_go <= 0.0 and now.state is not State.COMPLETE:
        return Progress(laid, None, None, "")
    share = 1.0 if whole <= 0.0 else min(1.0, max(0.0, now.feed_position_mm / whole))
    return Progress(laid, to_go, share, _time_left(now))


def _time_left(now: TelemetryRegs) -> str:
    if now.state is not State.EXECUTE or now.feed_speed_mm_s < 0.1:
        return ""
    return f"{duration(now.length_to_go_mm / now.feed_speed_mm_s)} left"


def bar(share: float, width: int) -> str:
    """A progress bar of `width` characters."""
    full = round(min(1.0, max(0.0, share)) * width)
    return "━" * full + "┄" * (width - full)


def progress_line(done: Progress, width: int) -> str:
    """Laid, bar and to go in `width` characters."""
    laid = f"laid {done.laid_mm:.1f} mm"
    if done.share is None or done.to_go_mm is None:
        return laid
    tail = f"{100 * done.share:.0f} %  to go {done.to_go_mm:.1f} mm"
    if done.left and len(laid) + len(tail) + len(done.left) + 16 <= width:
        tail = f"{tail}, {done.left}"
    room = width - len(laid) - len(tail) - 4
    return f"{laid}  {bar(done.share, room)}  {tail}" if room >= 4 else f"{laid}, {tail}"
