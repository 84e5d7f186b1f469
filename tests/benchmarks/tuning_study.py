"""Study of identification and tuning on random plants; prints its tables.

    python tests/benchmarks/tuning_study.py [--plants 200] [--seed 4]

Plants: gain 0.3..3 degC/%, lag 30..300 s, dead time 2..20 s (each log-uniform over its decade),
two thirds of them with a second lag of 5..50 % of the first, all behind a sensor of 4 s lag.
Records: rows every 0.5 s, output in a time-proportioned window of 1 s whose start is known, noise
of 0.05 K before a converter whose step is 0.15..0.30 K (the head's NTC between 110 and 25 degC on
10 bits; the head averages twenty readings and is finer).

The plants are simulated here with the matrix exponential, apart from what the package does.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass
from operator import mul

import numpy as np
from scipy.linalg import expm

from plylane.tuning import (
    OP_NOISE_MOST_PERCENT,
    Gains,
    Identification,
    Instrument,
    LoopTiming,
    Process,
    Record,
    identify,
    loop_margins,
    tune,
)
from plylane.tuning.optimum import MS_MOST, Bounds, load_iae, optimum_pi, optimum_pid

STEP_S, ROW_S, WINDOW_S = 0.1, 0.5, 1.0
SENSOR_LAG_S, NOISE_K, AMBIENT_DEGC = 4.0, 0.05, 22.0
REST_S = 20.0
PI_RULES = ("simc", "amigo_pi", "ziegler_nichols_pi", "tyreus_luyben_pi", "optimum_pi")
PID_RULES = ("simc_pid", "amigo", "ziegler_nichols", "tyreus_luyben", "optimum")
RULES = PI_RULES + PID_RULES
LIMITED = "optimum, noise limit"
"""The optimum as `tune` gives it to a technician: among gains that noise lets tremble by 10 %."""

Command = Callable[[float, float], float]
"""Time (s), PV (degC) -> output (%)."""


@dataclass(frozen=True)
class Plant:
    gain: float
    lag_s: float
    second_s: float
    dead_s: float
    resolution_K: float

    @property
    def process(self) -> Process:
        lags = self.lag_s, self.second_s, SENSOR_LAG_S
        return Process.of(self.gain, *lags, dead_time_s=self.dead_s)


def decade(rng: np.random.Generator, low: float) -> float:
    return float(low * 10.0 ** rng.uniform())


def draw(rng: np.random.Generator) -> Plant:
    gain, lag, dead = decade(rng, 0.3), decade(rng, 30.0), decade(rng, 2.0)
    second = 0.0 if rng.uniform() < 1.0 / 3.0 else 0.5 * lag * 10.0 ** -rng.uniform()
    return Plant(gain, lag, second, dead, float(rng.uniform(0.15, 0.30)))


# ------------------------------------------------------------------------------------- experiments


class Manual:
    """Levels (%) from given times (s) on."""

    def __init__(self, *levels: tuple[float, float]) -> None:
        self.levels = levels

    def __call__(self, time_s: float, pv_degC: float) -> float:
        return [level for since, level in self.levels if time_s >= since][-1]


class Relay:
    """A relay with hysteresis, from rest up to the setpoint and then in cycles."""

    def __init__(self, setpoint: float, low: float, high: float, hysteresis: float) -> None:
        self.setpoint, self.low, self.high, self.hysteresis = setpoint, low, high, hysteresis
        self.on = True

    def __call__(self, time_s: float, pv_degC: float) -> float:
        if time_s < REST_S:
            return 0.0
        if pv_degC > self.setpoint + self.hysteresis:
            self.on = False
        elif pv_degC < self.setpoint - self.hysteresis:
            self.on = True
        return self.high if self.on else self.low


def step_experiment(plant: Plant) -> tuple[Command, float]:
    level = min(50.0, 60.0 / plant.gain)
    span_s = REST_S + 5.0 * plant.lag_s + 3.0 * plant.second_s + 2.0 * plant.dead_s
    return Manual((0.0, 0.0), (REST_S, level)), span_s


def relay_experiment(plant: Plant) -> tuple[Command, float]:
    high = min(100.0, 120.0 / plant.gain)
    setpoint = AMBIENT_DEGC + 0.45 * plant.gain * high
    cycles_s = 8.0 * (3.0 * plant.dead_s + plant.second_s + 8.0)
    return Relay(setpoint, 0.1 * high, high, 0.5), REST_S + 3.0 * plant.lag_s + cycles_s


def doublet_experiment(plant: Plant) -> tuple[Command, float]:
    """Up and down about a working point, each for one lag."""
    half = min(30.0, 40.0 / plant.gain)
    first, second = REST_S + plant.lag_s, REST_S + 2.0 * plant.lag_s
    levels = (0.0, half), (REST_S, 2.0 * half), (first, 0.0), (second, half)
    return Manual(*levels), REST_S + 4.0 * plant.lag_s + 2.0 * plant.dead_s


EXPERIMENTS = {
    "step": step_experiment,
    "relay": relay_experiment,
    "doublet": doublet_experiment,
}


# -------------------------------------------------------------------------------------- simulation


def transition(lags: list[float], span_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Exact transition of lags in series over a span with constant input."""
    count = len(lags)
    system = np.zeros((count + 1, count + 1))
    for number, lag in enumerate(lags):
        system[number, number] = -1.0 / lag
        system[number, number - 1 if number else count] = 1.0 / lag
    power = expm(system * span_s)
    return power[:count, :count], power[:count, count]


def pulse(level: float, since_s: float) -> float:
    """Mean power over the next step of a window that began `since_s` ago."""
    on_s = level / 100.0 * WINDOW_S
    return 100.0 * min(max((on_s - since_s) / STEP_S, 0.0), 1.0)


def simulate(plant: Plant, command: Command, span_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Outputs commanded and true sensor temperatures, every STEP_S."""
    lags = [lag for lag in (plant.lag_s, plant.second_s, SENSOR_LAG_S) if lag > 0.0]
    whole = int(plant.dead_s // STEP_S)
    late = plant.dead_s - whole * STEP_S
    keep, _ = transition(lags, STEP_S)
    after, new = transition(lags, STEP_S - late)
    _, before = transition(lags, late)
    old = after @ before
    rows = [tuple(row) for row in np.column_stack([keep, old, new]).tolist()]
    first = command(0.0, AMBIENT_DEGC)
    state = [first] * len(lags)
    powers = [first] * (whole + 1)
    ops, pvs = [], []
    windows = round(WINDOW_S / STEP_S)
    level = first
    for number in range(int(span_s / STEP_S)):
        pv = AMBIENT_DEGC + plant.gain * state[-1]
        op = command(number * STEP_S, pv)
        if number % windows == 0:
            level = op
        powers.append(pulse(level, number % windows * STEP_S))
        ops.append(op)
        pvs.append(pv)
        now = (*state, powers[number], powers[number + 1])
        state = [sum(map(mul, row, now)) for row in rows]
    return np.array(ops), np.array(pvs)


def make_record(rng: np.random.Generator, plant: Plant, experiment: str) -> Record:
    """What a technician would have on file."""
    ops, pvs = simulate(plant, *EXPERIMENTS[experiment](plant))
    every = round(ROW_S / STEP_S)
    pv = pvs[::every] + rng.normal(0.0, NOISE_K, len(pvs[::every]))
    rounded = np.round(pv / plant.resolution_K) * plant.resolution_K
    return Record.of(np.arange(len(pv)) * ROW_S, ops[::every], rounded)


# ------------------------------------------------------------------------------------------- study


@dataclass(frozen=True)
class Outcome:
    """One plant: relative errors and errors over standard error of gain, lag, dead time."""

    errors: tuple[float, float, float]
    scores: tuple[float, float, float]
    seconds: float
    ratios: dict[str, Ratio]


@dataclass(frozen=True)
class Ratio:
    """Load IAE on the true plant over that of the best there at the same Ms: `pid` of all PIDs,
    `like` of those that keep to the same restriction (PI; the same limit on noise).
    """

    pid: float
    like: float


def iae_ratios(
    plant: Plant, found: Identification, timing: LoopTiming, names: tuple[str, ...]
) -> dict[str, Ratio]:
    """Of each rule on the model alone, so that noise does not limit the optimum; and of LIMITED."""
    true = plant.process.delayed(timing.extra_delay_s)
    result = tune(found.model, timing)
    ratios = {name: ratio(true, result.rules[name].gains) for name in names}
    limited = tune(found, timing).rules["optimum"].gains
    return {**ratios, LIMITED: ratio(true, limited, OP_NOISE_MOST_PERCENT / found.noise_degC)}


def ratio(true: Process, gains: Gains, fast_gain: float = float("inf")) -> Ratio:
    margins = loop_margins(true, gains)
    if not margins.stable:
        return Ratio(float("inf"), float("inf"))
    own, best = load_iae(true, gains), load_iae(true, optimum_pid(true, Bounds(margins.ms)))
    like = best
    if gains.td_s == 0.0:
        like = load_iae(true, optimum_pi(true, Bounds(margins.ms)))
    elif np.isfinite(fast_gain):
        # the same Ms or less: where noise limits the gain, Ms is what comes of it
        like = load_iae(true, optimum_pid(true, Bounds(max(margins.ms, MS_MOST), fast_gain)))
    return Ratio(own / best, own / like)


def study_one(
    rng: np.random.Generator, plant: Plant, experiment: str, rules: tuple[str, ...]
) -> Outcome:
    record = make_record(rng, plant, experiment)
    began = time.process_time()
    found = identify(record, Instrument(SENSOR_LAG_S, WINDOW_S, 0.0))
    seconds = time.process_time() - began
    model = found.model
    true = plant.gain, plant.lag_s, plant.dead_s
    value = model.gain_degC_per_percent, model.time_constant_s, model.dead_time_s
    error = model.gain_se, model.time_constant_se, model.dead_time_se
    return Outcome(
        tuple(abs(v / t - 1.0) for v, t in zip(value, true, strict=True)),
        tuple(abs(v - t) / e for v, t, e in zip(value, true, error, strict=True)),
        seconds,
        iae_ratios(plant, found, LoopTiming(), rules) if rules else {},
    )


def study(count: int, seed: int, experiment: str, rules: tuple[str, ...] = RULES) -> list[Outcome]:
    """Outcomes of `count` random plants."""
    rng = np.random.default_rng(seed)
    return [study_one(rng, draw(rng), experiment, rules) for _ in range(count)]


def percentiles(values: np.ndarray) -> tuple[float, float, float]:
    return tuple(float(np.percentile(values, share)) for share in (50, 90, 95))


def print_identification(name: str, outcomes: list[Outcome]) -> None:
    errors = np.array([outcome.errors for outcome in outcomes])
    scores = np.array([outcome.scores for outcome in outcomes])
    for number, what in enumerate(("gain", "lag", "dead time")):
        median, _, most = percentiles(100.0 * errors[:, number])
        covered = 100.0 * float(np.mean(scores[:, number] <= 2.0))
        print(f"{name:9} {what:10} {median:8.2f} {most:8.2f} {covered:12.1f}")


def print_loops(outcomes: list[Outcome]) -> None:
    for rule in (*RULES, LIMITED):
        ratios = [outcome.ratios[rule] for outcome in outcomes]
        sound = [one for one in ratios if np.isfinite(one.pid)]
        columns = []
        for values in ([one.pid for one in sound], [one.like for one in sound]):
            columns += percentiles(100.0 * (np.array(values) - 1.0))[:2]
        figures = " ".join(f"{value:9.2f}" for value in columns)
        print(f"{rule:21}{figures} {len(ratios) - len(sound):9d}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plants", type=int, default=200)
    parser.add_argument("--seed", type=int, default=4)
    wanted = parser.parse_args()
    print(f"{wanted.plants} plants, seed {wanted.seed}")
    print("experiment parameter   median %    95th %  within 2 SE %")
    seconds, loops = [], []
    for name in EXPERIMENTS:
        rules = RULES if name == "relay" else ()
        outcomes = study(wanted.plants, wanted.seed, name, rules)
        print_identification(name, outcomes)
        seconds += [outcome.seconds for outcome in outcomes]
        loops = outcomes if rules else loops
    median, _, most = percentiles(1e3 * np.array(seconds))
    print(f"identification: {median:.0f} ms of processor time (median), {most:.0f} ms (95th %)")
    print(
        "\nload IAE above that of the best at the same Ms (from relay records), %: of all PIDs, and"
    )
    print("of the best PI for a PI, of the best PID within the same noise for the limited one")
    print("rule                    PID 50th      90th like 50th      90th  unstable")
    print_loops(loops)


if __name__ == "__main__":
    main()
