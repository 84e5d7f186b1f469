"""Evidence of findings in words: all of it is said, and none as a program's name."""

from __future__ import annotations

import pytest

from plylane.evidence import evidence_text, share_text
from plylane.jam.finding import Finding

CREEP = {
    "onset_s": 372.0,
    "rate_percent": 3.1,
    "usual_percent": 1.5,
    "cord_rate_percent": 3.12,
    "lanes_rate_percent": -0.24,
    "fed_mm": 412.0,
    "statistic_mm": 9.4,
    "threshold_mm": 8.0,
    "changed_s": 355.25,
    "change_percent": 2.75,
    "change_sd_percent": 0.42,
}
STUCK = {
    "onset_s": 409.32,
    "fed_mm": 1.68,
    "cord_lost_mm": 0.88,
    "lane1_lost_mm": 0.68,
    "lane2_lost_mm": 1.68,
    "likelihood": 0.97,
    "likelihood_lane_wheel_stuck": 0.02,
    "beyond_end_mm": -3.25,
    "end_uncertain_mm": 6.5,
}
COLD = {
    "onset_s": 12.0,
    "zone": 2.0,
    "pv_degC": 88.14,
    "sp_degC": 95.0,
    "op_percent": 100.0,
    "feed_mm_s": 14.0,
}


def words(evidence: dict[str, float], *, likelihoods: bool = True) -> str:
    return evidence_text(Finding("unknown", 1.0, None, 1.0, evidence), likelihoods=likelihoods)


@pytest.mark.parametrize("evidence", [CREEP, STUCK, COLD])
def test_every_number_is_said_and_no_name_of_a_program(evidence: dict[str, float]) -> None:
    said = words(evidence)
    assert "_" not in said and "degC" not in said and "mm s" not in said
    for name, value in evidence.items():
        forms = [f"{value:.2f}", f"{value:.1f}", f"{value:g}", f"{100 * value:.0f} %"]
        assert any(form in said for form in forms), name


def test_a_change_stands_with_its_error() -> None:
    assert "changed likeliest at 355.25 s, by 2.75 ± 0.42 %" in words(CREEP)


def test_lanes_stand_together_from_one_on() -> None:
    assert "lanes 1 to 2 lost 0.68 / 1.68 mm" in words(STUCK)
    assert "lane 1 lost 0.70 mm" in words({"lane1_lost_mm": 0.7})


def test_where_a_strip_ends_stands_with_how_well_it_is_known() -> None:
    assert "-3.2 ± 6.5 mm past the strip's end" in words(STUCK)


def test_likelihoods_in_percent_or_apart() -> None:
    assert "likelihood 97 %, perhaps lane wheel stuck 2 %" in words(STUCK)
    assert "stuck" not in words(STUCK, likelihoods=False)


def test_zone_with_its_values() -> None:
    assert words(COLD) == "since 12.00 s, zone 2, PV 88.1 °C, SP 95.0 °C, OP 100 %, feed 14.00 mm/s"


def test_nothing_is_quite_sure() -> None:
    assert [share_text(p) for p in (0.83, 0.99, 0.9988, 1.0)] == [
        "83 %", "99 %", "over 99 %", "over 99 %",
    ]  # fmt: skip
