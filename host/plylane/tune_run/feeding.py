"""Feeding at temperature: feed-forward found and written, a feed step verified, as jobs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from plylane.head.client import HeadClient
from plylane.head.registers import (
    Command,
    FeedSource,
    State,
)
from plylane.tune_errors import EndedByUserError, TuneError
from plylane.tune_run.engine import Engine, Job
from plylane.tune_run.gains import GainsInHead, read_gains, write_gains
from plylane.tune_run.outcome import Checked, ZoneTuning
from plylane.tune_run.parts import (
    Wanted,
    automatic,
    be_idle,
    come_to,
    rest_at,
    standing,
    state_of,
    verdict_text,
)
from plylane.tune_run.record_file import forward_entry, forward_text
from plylane.tuning import (
    Course,
    FeedForward,
    identify_feed_forward,
    load_preview,
    verify_feed_step,
)

START_S = 30.0
FEED_BASELINE_S = 60.0
FEED_LEAST_S, FEED_MOST_S, FEED_LAGS = 120.0, 420.0, 0.8
STAND_S, FEED_AGAIN_S = 30.0, 60.0
"""Strip that has stood so long is hot through, and far from the head's limit of standing."""
FEED_VERIFY_S = 150.0
CREEP, CREEP_S, AT_REST_S = 0.25, 120.0, 2.0


@dataclass(frozen=True, slots=True, eq=False)
class FeedStep:
    """What feeding taught: the feed-forward, gains with it where it was written, the check."""

    found: FeedForward | None
    held: GainsInHead | None = None
    checked: Checked | None = None


def feed_step(
    engine: Engine, tuning: ZoneTuning, speed_mm_s: float, *, apply: bool, check: bool
) -> Job[FeedStep]:
    """Feed from rest at temperature and see how much more output the zone needs; on request write
    that, and check it by a second step, from a creep up to the same speed.

    Strip stands in the hot guide for half a minute before a second start, and else never. Ends in
    Complete.
    """
    return (
        yield from _feeding(
            engine, tuning, speed_mm_s, _inside(engine, tuning, speed_mm_s, apply, check)
        )
    )


def check_feed(engine: Engine, tuning: ZoneTuning, speed_mm_s: float) -> Job[FeedStep]:
    """A feed start from rest at temperature against its preview. Ends in Complete."""
    return (yield from _feeding(engine, tuning, speed_mm_s, _started(engine, tuning, speed_mm_s)))


def _feeding(
    engine: Engine, tuning: ZoneTuning, speed_mm_s: float, inside: Job[FeedStep]
) -> Job[FeedStep]:
    """Bring the zone to rest, start, do what is to be done while feeding, complete, put back.

    Strips have to be threaded up to the guide.
    """
    zone, setpoint = tuning.zone, tuning.target.setpoint_degC
    yield from be_idle(engine)
    wanted = yield from engine.call(partial(Wanted.read, zone=zone))
    feed = yield from engine.call(lambda c: (c.read("feed.source"), c.read("feed.speed_mm_s")))
    try:
        yield from engine.call(partial(automatic, zone=zone, setpoint_degC=setpoint))
        yield from rest_at(engine, zone, setpoint, FEED_BASELINE_S)
        yield from engine.call(partial(_start_feed, speed_mm_s=speed_mm_s))
        yield from come_to(engine, State.EXECUTE, 60.0)
        return (yield from inside)
    except EndedByUserError:
        yield from engine.put_back(lambda c: c.command(Command.STOP))
        raise
    finally:
        yield from engine.put_back(_complete)
        yield from engine.rest(AT_REST_S)
        yield from engine.put_back(partial(_feed_back, feed=feed))
        yield from engine.put_back(partial(wanted.write, zone=zone))


def _inside(
    engine: Engine, tuning: ZoneTuning, speed_mm_s: float, apply: bool, check: bool
) -> Job[FeedStep]:
    zone, model = tuning.zone, tuning.found.model
    began_s = engine.log.now_s
    feed_s = float(np.clip(FEED_LAGS * model.time_constant_s, FEED_LEAST_S, FEED_MOST_S))
    yield from _keep_feeding(engine, feed_s, f"Feeding at {speed_mm_s:.1f} mm/s")
    yield from engine.call(lambda c: c.write("feed.speed_mm_s", 0.0))
    yield from _keep_feeding(engine, STAND_S, "Standing, for a second start")
    yield from engine.call(lambda c: c.write("feed.speed_mm_s", speed_mm_s))
    yield from _keep_feeding(engine, FEED_AGAIN_S, f"Feeding at {speed_mm_s:.1f} mm/s again")
    record = engine.log.trace(began_s - FEED_BASELINE_S).record(zone)
    instrument = replace(tuning.instrument, window_start_s=engine.windows.start_s[zone])
    wander_percent = tuning.found.wander_percent
    found = yield from engine.work(
        lambda: identify_feed_forward(record, model, instrument, wander_percent)
    )
    held = yield from engine.call(partial(read_gains, zone=zone))
    if apply and worth_it(found):
        better = held.with_feed_forward(found)
        held = yield from engine.call(lambda c: write_gains(c, zone, better))
    if not check:
        engine.tell(feed_forward_text(found))
        return FeedStep(found, held)
    creep = CREEP * speed_mm_s
    yield from engine.call(lambda c: c.write("feed.speed_mm_s", creep))
    yield from _keep_feeding(engine, CREEP_S, f"Creeping at {creep:.1f} mm/s")
    yield from engine.call(lambda c: c.write("feed.speed_mm_s", speed_mm_s))
    again_s = engine.log.now_s
    yield from _keep_feeding(engine, FEED_VERIFY_S, f"Checking at {speed_mm_s:.1f} mm/s")
    faster_mm_s = speed_mm_s - creep
    forward = held.forward(faster_mm_s, from_rest=False)
    load = Course(-found.percent_per_mm_s * faster_mm_s)
    checked = yield from _judge(engine, tuning, held, again_s, load, forward)
    text = verdict_text(checked.verdict.passed, checked.verdict.reasons)
    engine.tell(f"{feed_forward_text(found)} {text}")
    return FeedStep(found, held, checked)


def _started(engine: Engine, tuning: ZoneTuning, speed_mm_s: float) -> Job[FeedStep]:
    began_s = engine.log.now_s
    held = yield from engine.call(partial(read_gains, zone=tuning.zone))
    yield from _keep_feeding(engine, FEED_VERIFY_S, f"Checking at {speed_mm_s:.1f} mm/s")
    load = _load_from_rest(tuning.feed_forward, speed_mm_s)
    forward = held.forward(speed_mm_s, from_rest=True)
    checked = yield from _judge(engine, tuning, held, began_s, load, forward)
    engine.tell(verdict_text(checked.verdict.passed, checked.verdict.reasons))
    return FeedStep(None, None, checked)


def _load_from_rest(found: FeedForward | None, speed_mm_s: float) -> Course:
    """What a start at that speed takes away, as far as it is known."""
    if found is None:
        return Course(0.0)
    first = found.first_percent_per_mm_s * speed_mm_s
    return Course(-found.percent_per_mm_s * speed_mm_s, -first, found.after_mm / speed_mm_s)


def _judge(
    engine: Engine,
    tuning: ZoneTuning,
    held: GainsInHead,
    began_s: float,
    load: Course,
    forward: Course,
) -> Job[Checked]:
    """What was measured since `began_s`, when the feed got faster, against its preview."""
    zone = tuning.zone
    seen = engine.log.trace(began_s - START_S)
    before = seen.time_s < began_s
    predicted = yield from engine.work(
        lambda: load_preview(
            tuning.result.seen,
            held.gains,
            setpoint_degC=tuning.target.setpoint_degC,
            start_percent=float(seen.op_percent[zone][before].mean()),
            load_percent=load,
            forward_percent=forward,
            limits=tuning.target.limits,
            span_s=FEED_VERIFY_S,
        )
    )
    time_s, pv = seen.time_s[~before] - began_s, seen.pv_degC[zone][~before]
    return Checked(verify_feed_step(time_s, pv, predicted), time_s, pv, predicted)


def _keep_feeding(engine: Engine, seconds: float, what: str) -> Job[None]:
    """Let it feed. Raises TuneError when the head leaves Execute."""
    began_s = engine.log.now_s
    while engine.log.now_s < began_s + seconds:
        yield
        if state_of(engine) is not State.EXECUTE:
            raise TuneError(f"the head did not go on feeding: {standing(engine)}")
        gone_s = engine.log.now_s - began_s
        engine.tell(f"{what}.", gone_s, seconds - gone_s, gone_s / seconds)


def _start_feed(client: HeadClient, speed_mm_s: float) -> None:
    client.write("feed.source", FeedSource.SET_SPEED)
    client.write("feed.speed_mm_s", speed_mm_s)
    client.command(Command.START)


def _complete(client: HeadClient) -> None:
    if client.snapshot().telemetry.state is State.EXECUTE:
        client.command(Command.COMPLETE)


def _feed_back(client: HeadClient, feed: tuple[float, float]) -> None:
    client.write("feed.source", feed[0])
    client.write("feed.speed_mm_s", feed[1])


def worth_it(found: FeedForward) -> bool:
    """Whether feeding was seen to cool the zone at all."""
    return found.percent_per_mm_s > 2.0 * found.total_se


def feed_forward_text(found: FeedForward) -> str:
    """One line."""
    return f"Feed-forward {forward_text(forward_entry(found))}."
