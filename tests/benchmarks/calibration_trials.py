"""Calibrations of the twin by a technician with a tape, against the plant's true values.

    python tests/benchmarks/calibration_trials.py [--trials 200] [--first 0] [--jobs 2]

Each trial is a fresh demo plant (its own slip, wheels, joints, curves) and a fresh tape (its own
error within its stated limit, rounding, an unsteady hand). All drives feed six lengths; what a
roller moved, the cord and every strip are read. Then one length is misread by 10 mm. Printed: how
often the truth lies within the stated uncertainty, how often the misread length was named, how
often a good set was blamed.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))  # run as a script: helpers of the tests

from feed.feed_desk import GAUGE, Desk
from plylane.calibrate_run.sitting import Reading, Sitting
from plylane.feed.calibration import Scale

MISREAD_MM = 10.0


@dataclass(frozen=True, slots=True)
class Outcome:
    """One scale of one trial. `error` and uncertainties relative; `blamed`: a good set's length was
    taken to be misread (and left out); `named`, `off_mm`: what was said of the one truly misread.
    """

    kind: str
    error: float
    u: float
    expanded: float
    blamed: bool
    named: bool
    off_mm: float
    birge: float


def trial(seed: int) -> list[Outcome]:
    """A drive, the output wheel and five lane wheels of one plant."""
    with tempfile.TemporaryDirectory() as folder:
        desk = Desk(Path(folder), seed)
        desk.do(lambda run: run.begin_lengths("wheel", gauge=GAUGE))
        sitting = desk.run.sitting
        assert sitting is not None
        rows: dict[str, list[tuple[float, ...]]] = {"drive": [], "wheel": [], "lanes": []}
        for _ in sitting.plan_mm:
            desk.feed()
            rows["drive"].append((desk.hand.test_strip(0),))
            rows["wheel"].append((desk.hand.cord(),))
            rows["lanes"].append(tuple(desk.hand.strip(lane) for lane in range(5)))
            desk.run.measured(*rows["wheel"][-1])
        done = desk.run.sitting
        assert done is not None
    rng = np.random.default_rng([seed, 1])
    truth = {
        "drive": 1.0 / desk.truth.set.pulses_per_mm,
        "wheel": desk.truth.set.output_mm_per_count * (1.0 + desk.truth.dirt),
        "lanes": desk.truth.set.lane_mm_per_pulse,
    }
    found: list[Outcome] = []
    for kind, lengths in rows.items():
        readings = tuple(
            Reading(one.fed, read) for one, read in zip(done.readings, lengths, strict=True)
        )
        found += _judge(replace(done, kind=kind, readings=readings), truth[kind], rng)  # type: ignore[arg-type]
    return found


def _judge(sitting: Sitting, true: float, rng: np.random.Generator) -> list[Outcome]:
    number, sign = int(rng.integers(6)), float(rng.choice([-1.0, 1.0]))
    wrong = list(sitting.readings)
    lengths = tuple(length + sign * MISREAD_MM for length in wrong[number].lengths_mm)
    wrong[number] = replace(wrong[number], lengths_mm=lengths)
    spoilt = replace(sitting, readings=tuple(wrong)).find()
    outcomes = []
    for at, scale in enumerate(sitting.find()):
        good = _without_blamed(sitting, at, scale)
        bad = spoilt[at].misread
        outcomes.append(
            Outcome(
                kind=sitting.kind,
                error=good.mm_per_count / true - 1.0,
                u=good.budget.u,
                expanded=good.budget.expanded,
                blamed=scale.misread is not None,
                named=bad is not None and bad.number == number,
                off_mm=sign * bad.off_by if bad is not None else 0.0,
                birge=good.fit.birge,
            )
        )
    return outcomes


def _without_blamed(sitting: Sitting, at: int, scale: Scale) -> Scale:
    """As a technician who leaves out what was named."""
    if scale.misread is None:
        return scale
    return sitting.leave_out(scale.misread.number).find()[at]


def trials(first: int, count: int, jobs: int = 1) -> list[Outcome]:
    """Trials with neighbouring seeds."""
    seeds = range(first, first + count)
    if jobs == 1:
        return [one for seed in seeds for one in trial(seed)]
    with ProcessPoolExecutor(jobs) as pool:
        return [one for found in pool.map(trial, seeds, chunksize=4) for one in found]


def show(outcomes: list[Outcome]) -> None:
    """A line a kind."""
    print("kind    sets  within U  rms error/u  mean U %  good set blamed  misread named")
    for kind in ("drive", "wheel", "lanes"):
        mine = [one for one in outcomes if one.kind == kind]
        within = np.mean([abs(one.error) <= one.expanded for one in mine])
        rms = np.sqrt(np.mean([(one.error / one.u) ** 2 for one in mine]))
        expanded = 100.0 * np.mean([one.expanded for one in mine])
        blamed, named = (
            np.mean([getattr(one, name) for one in mine]) for name in ("blamed", "named")
        )
        print(
            f"{kind:6} {len(mine):5d} {100 * within:8.1f}% {rms:12.2f} {expanded:9.3f}"
            f" {100 * blamed:15.1f}% {100 * named:13.1f}%"
        )


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description="Calibrations of the twin against the truth.")
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    show(trials(given.first, given.trials, given.jobs))


if __name__ == "__main__":
    main()
