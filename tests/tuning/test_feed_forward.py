"""How much output moving strips need."""

from __future__ import annotations

import numpy as np
import pytest

from plylane.tuning import PLAIN, Gains, Model, Record, RecordError, identify_feed_forward
from plylane.tuning.preview import _Controller, _Plant
from plylane.tuning.process import Process

# the demo's guide block: 13 W carried off at 14 mm/s of 60 W is 21.7 % of output
NEEDED = 13.0 / 60.0 * 100.0 / 14.0
PROCESS = Process.of(1.2, 320.0, 4.0, dead_time_s=2.0)


def model(gain_se: float = 0.01) -> Model:
    return Model("fopdt", 1.2, 320.0, 2.0, gain_se, 3.0, 0.1, 22.0, 0.2, sensor_lag_s=4.0)


def feed_record(
    seed: int, *, automatic: bool, after_s: float = 600.0, late_s: float = 6.0
) -> Record:
    """14 mm/s after 60 s at 110 degC, felt `late_s` later than an output without dead time."""
    rng = np.random.default_rng(seed)
    start = (110.0 - 22.0) / 1.2
    plant, controller = (
        _Plant(PROCESS, start, 0.1),
        _Controller(Gains(8.0, 90.0), 110.0, start, (0.0, 100.0)),
    )
    pv, rows, op = 110.0, [], start
    for number in range(int((60.0 + after_s) / 0.1)):
        now = 0.1 * number
        feed = 14.0 if now >= 60.0 else 0.0
        felt = NEEDED * 14.0 if now >= 60.0 + late_s else 0.0
        read = round((pv + rng.normal(0.0, 0.05)) / 0.16) * 0.16
        if automatic:
            op = controller.step(read, 0.0, 0.1)
        if number % 5 == 0:
            rows.append((now, op, read, feed))
        pv = 22.0 + plant.step(op - felt)
    return Record.of(*np.array(rows).T)


@pytest.mark.parametrize("automatic", [True, False])
def test_needed_output_is_found(automatic: bool) -> None:
    """In automatic, where the PV hardly moves and the output tells, and in manual, the reverse."""
    got = identify_feed_forward(feed_record(1, automatic=automatic), model())
    assert got.percent_per_mm_s == pytest.approx(NEEDED, rel=0.03)
    assert got.lag_s == pytest.approx(8.0, abs=2.5)
    assert 0.0 < got.se < got.total_se < 0.05 * NEEDED


FIRST, LATER, AFTER_MM = -0.14, 0.18, 84.0
"""%/(mm/s), as the demo's nip: the guide's hot strip, 80 mm, heats it first."""
NIP = Process.of(1.0, 200.0, 4.0, dead_time_s=0.1)


def two_starts(seed: int, speed_mm_s: float, after_mm: float = AFTER_MM) -> Record:
    """In automatic at 95 degC, the supply wandering by 4 %: 160 s of feed, half a minute standing,
    60 s of feed. What is in the zone at a stop warms up with a time constant of 6 s.
    """
    rng = np.random.default_rng(seed)
    start = (95.0 - 22.0) / 1.0
    plant = _Plant(NIP, start, 0.1)
    controller = _Controller(Gains(25.0, 30.0), 95.0, start, (0.0, 100.0))
    pv, rows, op, fed_mm, felt, wander = 95.0, [], start, 0.0, 0.0, 0.0
    for number in range(3100):
        now = 0.1 * number
        feed = speed_mm_s if 60.0 <= now < 220.0 or now >= 250.0 else 0.0
        fed_mm = fed_mm + 0.1 * feed if feed else 0.0
        share = FIRST if fed_mm < after_mm else LATER
        felt = share * feed if feed else felt * np.exp(-0.1 / 6.0)
        wander += -wander * 0.1 / 600.0 + 0.04 * np.sqrt(0.2 / 600.0) * rng.normal()
        read = round((pv + rng.normal(0.0, 0.01)) / 0.01) * 0.01
        op = controller.step(read, 0.0, 0.1)
        rows.append((now, op, read, feed))
        pv = 22.0 + plant.step(op * (1.0 + wander) - felt)
    return Record.of(*np.array(rows).T)


def nip() -> Model:
    return Model("fopdt", 1.0, 200.0, 0.1, 1e-6, 1.0, 0.05, 22.0, 0.2, sensor_lag_s=4.0)


def test_a_need_in_two_parts_is_told_from_a_wandering_supply() -> None:
    """The wandering hides 0.1 %/(mm/s) between two means of the output; a way is found by speed."""
    found = [identify_feed_forward(two_starts(seed, 14.0), nip(), PLAIN, 4.0) for seed in range(6)]
    for got in found:
        assert got.after_mm == pytest.approx(AFTER_MM, abs=8.0)
    later = np.array([(got.percent_per_mm_s, got.se, LATER) for got in found])
    first = np.array([(got.first_percent_per_mm_s, got.first_se, FIRST) for got in found])
    apart = later - first  # values and truths; the two errors are of one fit, not independent
    apart[:, 1] = [got.apart_se for got in found]
    for value, error, truth in (later.T, first.T, apart.T):
        assert np.sqrt(np.mean((value - truth) ** 2)) < 0.03
        assert np.mean(np.abs(value - truth) <= 2.0 * error) >= 0.8
        assert error.max() < 0.04


def test_the_way_does_not_depend_on_the_speed() -> None:
    got = identify_feed_forward(two_starts(3, 20.0), nip(), PLAIN, 4.0)
    assert got.after_mm == pytest.approx(AFTER_MM, abs=8.0)


def test_one_part_is_enough_where_the_need_is_there_at_once() -> None:
    record = two_starts(4, 14.0, after_mm=0.0)
    got = identify_feed_forward(record, nip(), PLAIN, 4.0)
    assert got.after_mm == got.first_percent_per_mm_s == 0.0
    assert got.percent_per_mm_s == pytest.approx(LATER, abs=0.05)


def test_truth_lies_within_two_standard_errors() -> None:
    scores = []
    for seed in range(30):
        got = identify_feed_forward(feed_record(seed, automatic=False), model(1e-6))
        scores.append((got.percent_per_mm_s - NEEDED) / got.se)
    assert np.mean(np.abs(scores) <= 2.0) >= 0.8
    assert np.mean(np.abs(scores) <= 1.0) <= 0.95


def test_direction_of_feed_does_not_matter() -> None:
    record = feed_record(2, automatic=False)
    assert record.feed_mm_s is not None
    back = Record.of(record.time_s, record.op_percent, record.pv_degC, -record.feed_mm_s)
    one, other = (identify_feed_forward(each, model()) for each in (record, back))
    assert one.percent_per_mm_s == other.percent_per_mm_s


def test_bad_records_are_refused() -> None:
    record = feed_record(3, automatic=False)
    columns = record.time_s, record.op_percent, record.pv_degC
    with pytest.raises(RecordError, match="no column feed_mm_s"):
        identify_feed_forward(Record.of(*columns), model())
    with pytest.raises(RecordError, match="does not change"):
        identify_feed_forward(Record.of(*columns, np.full(len(record.time_s), 14.0)), model())
    with pytest.raises(RecordError, match="ends 90 s after"):
        identify_feed_forward(record.part(0.0, 150.0), model())
