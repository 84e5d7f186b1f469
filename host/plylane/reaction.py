"""What the host does about a finding: it may hold the feed, and it leads through the clearing.

The head's guards stay its own and work without any of this. The host comes earlier, and only where
feeding on would spoil more cord. It asks once for each finding, and only while the head feeds: a
head that has held by itself, or was unheld by a person, is left alone until something new is found.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from operator import itemgetter
from typing import TYPE_CHECKING, Protocol

from plylane.clearing import ALARM_CAUSES, Cause, Clearing, Stand, open_steps
from plylane.evidence import share_text
from plylane.head.errors import HeadError, Refused
from plylane.head.registers import Command, State
from plylane.jam.finding import (
    CORD_NOT_LAID,
    HEAD_JAM,
    STRIP_OUT,
    STRIP_STUCK,
    UNKNOWN,
    ZONE_TOO_COLD,
)

if TYPE_CHECKING:
    from plylane.head.client import HeadClient
    from plylane.head.poller import Poller
    from plylane.head.snapshot import Snapshot
    from plylane.jam import Finding
    from plylane.trends import Limits

HOLD_LIKELIHOOD = 0.8
"""A wrong hold costs a mark in the cord and a minute; a missed one, cord up to the head's limit."""
SPOILING = frozenset({STRIP_STUCK, STRIP_OUT, HEAD_JAM, CORD_NOT_LAID, ZONE_TOO_COLD})
"""Kinds of findings with which every further millimetre is bad cord."""
_RECENT_S = 60.0  # a finding that spoils nothing is why the head was held only so soon after it
_SAME_S = 10.0  # within which a decided finding is the last word on an undecided one
_EVERY_S, _KEPT_ROWS = 0.1, 36_000  # an hour of feeding: slow troubles begin long before
_FEEDING = frozenset({State.EXECUTE, State.HOLDING})
_GOES_ON = frozenset({State.UNHOLDING, State.EXECUTE})


class Run(Protocol):
    """What is needed of a live run."""

    poller: Poller
    alarm_instances: dict[int, int]
    limits: Limits

    def say(self, line: str) -> None:
        """Put a line where the user sees it."""

    def note(self, kind: str, text: str, lane: int | None = None) -> None:
        """Keep a line in the journal."""


def spoiling_likelihood(finding: Finding) -> float:
    """How likely it is, 0 to 1, that cord is being spoiled: over all kinds that are not ruled out.

    A finding that was not weighed counts as certain of its kind.
    """
    own = 1.0 if finding.likelihood is None else finding.likelihood
    weighed = {**finding.alternatives, finding.kind: own}
    return min(1.0, sum(share for kind, share in weighed.items() if kind in SPOILING))


class Reaction:
    """Listens along with a live run. All in the poller's thread; others may read `clearing`.

    `hold_at`: likelihood from which a finding holds the feed; None: no finding does.
    """

    def __init__(self, run: Run, hold_at: float | None) -> None:
        self.clearing: Clearing | None = None
        self._run, self._hold_at = run, hold_at
        self._state: State | None = None
        self._leg: list[Finding] = []  # since the feed last began
        self._alarms = 0
        self._laid: deque[tuple[float, float]] = deque(maxlen=_KEPT_ROWS)  # time s, cord mm
        self._due: Finding | None = None
        self._asking = False
        self._before: Snapshot | None = None

    def on_snapshot(self, snapshot: Snapshot, found: Sequence[Finding]) -> None:
        """Follow the head's state, hold where a finding wants it, begin and end the clearing."""
        state, before = snapshot.telemetry.state, self._state
        self._state = state
        if state == State.EXECUTE and before != State.EXECUTE:
            self._leg, self._alarms = [], 0
            self._laid.clear()
        self._leg += found
        if state in _FEEDING:
            self._keep_laid(snapshot)
        if state in (State.HOLDING, State.HELD):
            self._alarms |= snapshot.telemetry.alarms_active
        self._react(state, found)
        if state == State.HELD:
            self._follow_clearing(snapshot)
        elif self.clearing is not None:
            self._end(self.clearing, state)
        self._before = snapshot

    def _keep_laid(self, snapshot: Snapshot) -> None:
        if not self._laid or snapshot.time_s - self._laid[-1][0] >= _EVERY_S:
            self._laid.append((snapshot.time_s, snapshot.telemetry.output_position_mm))

    # ------------------------------------------------------------------------------- holding

    def _react(self, state: State, found: Sequence[Finding]) -> None:
        if state != State.EXECUTE or self._hold_at is None:
            self._due = None  # the head's guard or a person was first
            return
        for finding in found:
            if self._due is None and spoiling_likelihood(finding) >= self._hold_at:
                self._due = finding
        if self._due is not None and not self._asking:
            self._asking = True
            self._run.poller.call(partial(self._hold, self._due))

    def _hold(self, finding: Finding, client: HeadClient) -> None:
        """Ask for the hold; where the line fails, the next snapshot that still feeds asks again."""
        self._asking = False
        try:
            client.command(Command.HOLD)
        except Refused:
            self._due = None  # it feeds no more
        except HeadError as fault:
            self._run.say(f"The host's hold did not reach the head, whose guards stand: {fault}")
        else:
            self._due = None
            share = share_text(spoiling_likelihood(finding))
            self._run.note("hold", f"held by the host ({share}) because: {finding.text}")
            self._run.say(f"Held by the host. {finding.text}")

    # ------------------------------------------------------------------------------- clearing

    def confirm(self, name: str, given: bool) -> None:
        """A person says that a step is done, or takes that back. Raises ValueError for no step."""
        clearing, now = self.clearing, self._before
        if clearing is None or now is None:
            raise ValueError("Nothing is being cleared: the head is not held after a finding.")
        step = next((s for s in clearing.steps(now) if s.name == name and not s.judged), None)
        if step is None:
            raise ValueError(f"No step of this clearing is confirmed as {name!r}.")
        if step.confirmed == given:
            return
        names = clearing.confirmed | {name} if given else clearing.confirmed - {name}
        self.clearing = replace(clearing, confirmed=names)
        word = "confirmed" if given else "taken back"
        reading = f" ({step.reading})" if step.reading else ""
        self._run.note("clearing_step", f"{word}: {step.label}{reading}", clearing.stand.cause.lane)

    def _follow_clearing(self, snapshot: Snapshot) -> None:
        """Begin once the head has come to rest; what is found or named later still counts."""
        cause = self._cause(snapshot.time_s)
        if cause is None:
            return
        clearing = self.clearing
        if clearing is None:
            stand = self._stand(cause, snapshot)
            self.clearing = Clearing(stand)
            where = f"cord from {stand.cord_from_mm:.0f} to {stand.cord_to_mm:.0f} mm"
            self._run.note("clearing", f"held to be cleared: {cause.text}; {where}", cause.lane)
        elif clearing.stand.cause.lane is None and cause.lane is not None:
            self.clearing = replace(clearing, stand=replace(clearing.stand, cause=cause))

    def _cause(self, now_s: float) -> Cause | None:
        """The finding that counts most of those since the feed began, else the head's own alarm."""
        begun_s = self.clearing.stand.since_s if self.clearing else now_s
        weighed = [
            (spoiling_likelihood(found), found.time_s, found)
            for found in _last_words(self._leg)
            if spoiling_likelihood(found) > 0.0 or begun_s - found.time_s < _RECENT_S
        ]
        if weighed:
            worst = max(weighed, key=itemgetter(0, 1))[2]
            onset_s = worst.evidence.get("onset_s")
            return Cause(worst.kind, worst.lane, worst.lost_mm, worst.text, onset_s)
        limits = self._run.limits
        lost_mm = {"lane_stopped": limits.lane_stall_mm, "feed_mismatch": limits.mismatch_mm}
        for number, name in ALARM_CAUSES.items():
            if self._alarms >> number & 1:
                lane = _only_lane(self._run.alarm_instances, number)
                lane = lane if name == "lane_stopped" else None
                return Cause(name, lane, lost_mm[name], f"alarm {name.replace('_', ' ')}")
        return None

    def _stand(self, cause: Cause, snapshot: Snapshot) -> Stand:
        now_mm = snapshot.telemetry.output_position_mm
        lanes_mm = tuple(lane.position_mm for lane in snapshot.lanes)
        return Stand(cause, snapshot.time_s, self._onset_mm(cause, now_mm), now_mm, lanes_mm)

    def _onset_mm(self, cause: Cause, now_mm: float) -> float:
        """The cord's length when the trouble began; where that is not known, by what was lost."""
        if cause.onset_s is None:
            return max(0.0, now_mm - cause.lost_mm)
        since = (mm for time_s, mm in self._laid if time_s >= cause.onset_s)
        return min(next(since, now_mm), now_mm)

    def _end(self, clearing: Clearing, state: State) -> None:
        """The head has left Held: keep what was open then."""
        self.clearing = None
        if self._before is None:
            return
        ended = "unheld" if state in _GOES_ON else f"ended by {state.name.lower()}"
        still = open_steps(clearing.steps(self._before))
        told = "; ".join(f"{step.label} ({step.reading or 'not confirmed'})" for step in still)
        text = f"{ended}, open: {told}" if told else f"{ended}, every step done"
        self._run.note("clearing_end", text, clearing.stand.cause.lane)


def _last_words(findings: Sequence[Finding]) -> list[Finding]:
    """The findings without those undecided ones that a decided one soon followed."""
    decided = [one for one in findings if one.likelihood is not None]
    return [
        one
        for one in findings
        if one.kind != UNKNOWN or not any(_same_fault(one, last) for last in decided)
    ]


def _same_fault(first: Finding, last: Finding) -> bool:
    """Whether one soon follows the other and may be of the same lane."""
    lanes = {first.lane, last.lane} - {None}
    return 0.0 < last.time_s - first.time_s < _SAME_S and len(lanes) < 2


def _only_lane(instances: Mapping[int, int], number: int) -> int | None:
    """The lane, from 1, that an alarm concerns; None where it is not one."""
    lanes = instances.get(number, 0)
    return lanes.bit_length() if lanes.bit_count() == 1 else None
