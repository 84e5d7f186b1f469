"""The strips of a live run: the lanes' book kept from the snapshots, told and asked for in time."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from plylane.feed.lanes import Close, LaneBook
from plylane.feed.strip_plan import StripPlan
from plylane.head.registers import State
from plylane.host_alarms import JOINTS_CLOSE, STRIP_ENDS_SOON, STRIP_OUT, HostAlarms, Note

if TYPE_CHECKING:
    from plylane.head.snapshot import Snapshot

Ends = tuple[float, ...]
_Pair = tuple[tuple[int, int], tuple[int, int]]  # lane and number of two joints, the lower first
STRIP_ENDS = "strip_ends"
"""Kind of the journal's lines that tell where a lane's strips end, as the detectors were told."""
_ENDS = "strips end at {} mm of the lane"
_CREEP_MM_S = 0.5  # below this the planned speed says when a strip will end
_LOOK_S = 0.2
_COVERAGE = 2.0
"""Standard deviations to which a distance counts as known: for some 95 % (GUM 6.3.3)."""
UNDER_WAY = frozenset(
    {State.STARTING, State.EXECUTE, State.HOLDING, State.HELD, State.UNHOLDING, State.COMPLETING}
)


class StripWatch:
    """Keeps the book of a run's strips. All in the poller's thread; others may read `book`.

    `length_mm` and `speed_mm_s` are those of the run that is planned; infinite where the robot's
    path has a length that nobody knows. `end_sd_mm` gives the standard deviation, mm, of where a
    strip ends by how much of its lane has gone before.
    """

    def __init__(
        self,
        plan: StripPlan,
        length_mm: float,
        speed_mm_s: float,
        alarms: HostAlarms,
        note: Note,
        *,
        end_sd_mm: Callable[[float], float],
    ) -> None:
        self.book = LaneBook(plan, length_mm)
        self._speed_mm_s = speed_mm_s
        self._alarms, self._note = alarms, note
        self._end_sd_mm = end_sd_mm
        self._before: Snapshot | None = None
        self._base_mm: list[float] = [0.0] * self.book.lanes
        self._base_cord_mm = 0.0
        self._looked_s = float("-inf")
        self._asked: set[int] = set()
        self._fresh = set(range(self.book.lanes))  # lanes whose ends are other than was told
        self._close: set[_Pair] = set()  # pairs of joints that are told of

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Follow the lanes, tell of joints, raise and clear alarms."""
        self._follow_zero(snapshot)
        if 0.0 <= snapshot.time_s - self._looked_s < _LOOK_S:
            return
        self._looked_s = snapshot.time_s
        now = snapshot.telemetry
        lanes_mm = [
            lane.position_mm - base_mm
            for lane, base_mm in zip(snapshot.lanes, self._base_mm, strict=True)
        ]
        for joint in self.book.advance(lanes_mm, now.output_position_mm - self._base_cord_mm):
            self._note("joint", f"joint in the cord at {joint.cord_mm:.0f} mm", joint.lane + 1)
        if now.feed_target_mm_s > _CREEP_MM_S:
            self._speed_mm_s = now.feed_target_mm_s
        self._judge()

    def news(self) -> dict[int, Ends]:
        """For each lane (from 0) whose strips end elsewhere than was last told: where they end.

        Lengths as the head counts them, to the tenth of a millimetre, so that they can be written.
        """
        news = {
            lane: tuple(round(self._base_mm[lane] + mm, 1) for mm in self.book.ends_mm(lane))
            for lane in sorted(self._fresh)
        }
        self._fresh.clear()
        return news

    def load(self, lane: int, length_mm: float) -> None:
        """A strip has been put in, `lane` from 0; with 0 mm the last that waits was taken out.

        Raises ValueError for a length that is none, and where no strip waits.
        """
        if length_mm == 0.0:
            gone_mm = self.book.take_out(lane)
            self._fresh.add(lane)
            self._note("strip_taken_out", f"strip of {gone_mm:g} mm taken out again", lane + 1)
            return
        left_mm = self.book.remaining_mm(lane)
        self.book.load(lane, length_mm)
        self._asked.discard(lane)
        self._fresh.add(lane)
        text = f"strip of {length_mm:g} mm put in behind {left_mm:.0f} mm"
        self._note("strip_loaded", text, lane + 1)

    def _follow_zero(self, snapshot: Snapshot) -> None:
        """The head counts from zero when a run starts and after a reset.

        What it shows of an earlier run when it is first seen does not count.
        """
        now, before = snapshot.telemetry, self._before
        self._before = snapshot
        if before is None:
            if now.state not in UNDER_WAY:
                self._base_mm = [lane.position_mm for lane in snapshot.lanes]
                self._base_cord_mm = now.output_position_mm
            return
        starts = now.state == State.STARTING and before.telemetry.state != State.STARTING
        if starts or now.head_ms < before.telemetry.head_ms:
            self.book.begin_run()
            self._fresh = set(range(self.book.lanes))
            self._base_mm, self._base_cord_mm = [0.0] * self.book.lanes, 0.0

    # ------------------------------------------------------------------ alarms

    def _judge(self) -> None:
        soon, out = self._ending()
        close = [pair for pair in self.book.close_joints() if self._is_close(pair)]
        pairs = _mask(joint.lane for pair in close for joint in (pair.first, pair.second))
        self._alarms.show({STRIP_ENDS_SOON: soon & ~out, STRIP_OUT: out, JOINTS_CLOSE: pairs})
        for pair in close:
            if _key(pair) not in self._close:
                self._tell(pair)
        self._close = {_key(pair) for pair in close}

    def _is_close(self, pair: Close) -> bool:
        """Whether two joints are nearer than the rule by more than the book may be wrong.

        A plan puts joints as near as the rule allows, and the wheels' counts scatter about that. A
        pair once told of is told of until half of that margin is made good, so that nothing flips.
        The same holds at the cord's end: a strip that ends about there leaves no joint for certain.
        """
        book, rule_mm = self.book, self.book.plan.stagger_mm
        first_mm, second_mm = (  # how far a lane had to come is near enough how far the cord had
            _COVERAGE * self._end_sd_mm(joint.cord_mm) for joint in (pair.first, pair.second)
        )
        # far down a long cord a lane wheel's scale alone may take up all of a rule
        slack_mm = min(math.hypot(first_mm, second_mm), 0.5 * rule_mm)
        share = 0.5 if _key(pair) in self._close else 1.0
        inside = pair.second.cord_mm < book.length_mm - share * second_mm
        return inside and pair.apart_mm < rule_mm - share * slack_mm

    def _ending(self) -> tuple[int, int]:
        """Masks of the lanes whose strips end within the lead time, and of those run out.

        A lane once asked for asks on until it gets its strip, however slow the feed becomes.
        """
        book = self.book
        wanted = {lane for lane in range(book.lanes) if book.wanted_mm(lane) > 0.0}
        lead_mm = self._speed_mm_s * book.plan.lead_s
        self._asked |= {lane for lane in wanted if book.remaining_mm(lane) <= lead_mm}
        self._asked &= wanted
        return _mask(self._asked), _mask(lane for lane in wanted if book.remaining_mm(lane) <= 0.0)

    def _tell(self, pair: Close) -> None:
        """Say how close two joints would come."""
        first, second = pair.first, pair.second
        self._note(
            "joints_close",
            f"Joints of lanes {first.lane + 1} and {second.lane + 1} {pair.apart_mm:.0f} mm"
            f" apart at {first.cord_mm:.0f} mm (rule {self.book.plan.stagger_mm:g} mm)",
            None,
        )


def _key(pair: Close) -> _Pair:
    first, second = sorted((joint.lane, joint.number) for joint in (pair.first, pair.second))
    return first, second


def ends_text(ends_mm: Ends) -> str:
    """The journal's words for where strips end."""
    return _ENDS.format(", ".join(f"{mm:.1f}" for mm in ends_mm))


def ends_of(text: str) -> Ends:
    """What such words say. Raises ValueError where they are others."""
    before, after = _ENDS.split("{}")
    if not (text.startswith(before) and text.endswith(after)):
        raise ValueError(f"{text!r} does not say where strips end")
    return tuple(float(mm) for mm in text.removeprefix(before).removesuffix(after).split(","))


def _mask(lanes: Iterable[int]) -> int:
    mask = 0
    for lane in lanes:
        mask |= 1 << lane
    return mask
