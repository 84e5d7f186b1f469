"""Findings as JSON and as a sentence."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane.jam import Finding

NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
FINDINGS = st.builds(
    Finding,
    st.sampled_from(["strip_stuck", "head_jam", "feed_mismatch"]),
    NUMBERS,
    st.none() | st.integers(1, 8),
    NUMBERS,
    st.dictionaries(st.text(min_size=1), NUMBERS),
)


@given(FINDINGS)
def test_json_brings_back_the_same_finding(finding: Finding) -> None:
    text = json.dumps(finding.to_json(), allow_nan=False)
    assert Finding.from_json(json.loads(text)) == finding
    assert list(json.loads(text)) == ["kind", "time_s", "lane", "lost_mm", "evidence"]


def test_a_form_with_a_part_missing_is_refused() -> None:
    form = Finding("head_jam", 1.0, None, 4.0).to_json()
    for part in form:
        with pytest.raises(KeyError):
            Finding.from_json({name: value for name, value in form.items() if name != part})


def test_the_sentence_names_time_lane_and_loss() -> None:
    found = Finding("strip_stuck", 12.34, 3, 5.26, {"onset_s": 11.96})
    assert found.text == "At 12.3 s: lane 3 fell behind the other lanes since 12.0 s, 5.3 mm lost."


@given(FINDINGS)
def test_every_finding_is_one_sentence_on_one_line(finding: Finding) -> None:
    assert "\n" not in finding.text and finding.text.endswith(" mm lost.")
