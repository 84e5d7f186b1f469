"""Findings as JSON and as a sentence."""

from __future__ import annotations

import json

from hypothesis import given
from hypothesis import strategies as st

from plylane.jam import Finding

NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
FINDINGS = st.builds(
    Finding,
    st.sampled_from(["strip_stuck", "head_jam", "slip_growing", "unknown", "feed_mismatch"]),
    NUMBERS,
    st.none() | st.integers(1, 8),
    NUMBERS,
    st.dictionaries(st.text(min_size=1), NUMBERS),
)


@given(FINDINGS)
def test_json_has_all_of_a_finding(finding: Finding) -> None:
    form = json.loads(json.dumps(finding.to_json(), allow_nan=False))
    assert list(form) == ["kind", "time_s", "lane", "lost_mm", "evidence"]
    assert Finding(**form) == finding


def test_the_sentence_names_time_lane_loss_and_what_to_do() -> None:
    found = Finding("strip_stuck", 12.34, 3, 5.26, {"onset_s": 11.96})
    assert found.text == (
        "At 12.3 s: the strip in lane 3 sticks since 12.0 s, 5.3 mm lost: "
        "pull it free and look into the guide."
    )


def test_what_is_not_decided_says_what_it_may_be() -> None:
    evidence = {"likelihood_lane_wheel_stuck": 0.4, "likelihood_strip_out": 0.5}
    found = Finding("unknown", 12.34, 2, 3.3, evidence)
    assert found.likelihood is None
    assert list(found.alternatives) == ["strip_out", "lane_wheel_stuck"]
    assert found.text == (
        "At 12.3 s: lengths do not agree in lane 2, 3.3 mm lost: "
        "look at whether strip still enters and whether the wheel turns freely."
    )


def test_a_kind_of_an_older_log_still_reads() -> None:
    assert Finding("feed_mismatch", 1.0, None, 7.0).text == (
        "At 1.0 s: feed mismatch, 7.0 mm lost."
    )


@given(FINDINGS)
def test_every_finding_is_one_sentence_on_one_line(finding: Finding) -> None:
    assert "\n" not in finding.text and finding.text.endswith(".")
    assert " mm lost" in finding.text
