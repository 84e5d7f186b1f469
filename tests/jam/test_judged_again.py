"""Findings before and after, and the settings that a person changes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from made_feed import Jam, run
from plylane.findings_compared import NEAR_S, compare, time_of
from plylane.jam import FeedWatch, Finding, WatchSettings
from plylane.watch_fields import (
    FIELDS,
    WatchSettingsError,
    changes_of,
    differing,
    number_text,
    with_changes,
)

KINDS = st.sampled_from(["strip_stuck", "unknown"])
FINDINGS = st.lists(
    st.builds(
        lambda kind, time_s, lane: Finding(kind, time_s, lane, 1.0),
        KINDS,
        st.floats(0.0, 100.0),
        st.sampled_from([None, 1, 2]),
    ),
    max_size=12,
)

# where the strips of a run end is known, not chosen
NUMBERS = [name for name in WatchSettings.model_fields if name != "strip_ends"]


@given(FINDINGS, FINDINGS)
def test_every_finding_is_told_once_and_partners_are_alike_and_near(
    before: list[Finding], after: list[Finding]
) -> None:
    rows = compare(before, after)
    assert sorted(r.before for r in rows if r.before is not None) == list(range(len(before)))
    assert sorted(r.after for r in rows if r.after is not None) == list(range(len(after)))
    times = [time_of(row, before, after) for row in rows]
    assert times == sorted(times)
    for row in rows:
        if row.change == "same":
            one, other = before[row.before or 0], after[row.after or 0]
            assert (one.kind, one.lane) == (other.kind, other.lane)
            assert abs(one.time_s - other.time_s) <= NEAR_S
        else:
            assert (row.change == "gone") == (row.after is None)


@given(FINDINGS)
def test_a_list_beside_itself_is_the_same(found: list[Finding]) -> None:
    assert {row.change for row in compare(found, found)} <= {"same"}


def test_the_nearest_belong_together() -> None:
    before = [Finding("unknown", t, 1, 1.0) for t in (10.0, 14.0)]
    after = [Finding("unknown", 14.5, 1, 1.0)]
    assert [(r.change, r.before) for r in compare(before, after)] == [("gone", 0), ("same", 1)]


# -------------------------------------------------------------------------- settings


def test_every_setting_has_words_a_unit_where_its_name_has_one_and_a_meaning() -> None:
    assert [field.name for field in FIELDS] == NUMBERS
    for field in FIELDS:
        assert field.meaning.endswith(".")
        assert "_" not in field.words
        assert bool(field.unit) == field.name.endswith(("_mm", "_mm_s", "_degC", "_hours"))


@given(st.floats(0.001, 20.0), st.floats(0.501, 0.999))
def test_changes_come_through_as_text_exactly(patience_mm: float, confidence: float) -> None:
    told = [f"patience_mm={number_text(patience_mm)}", f"confidence = {confidence!r}"]
    changed = with_changes(WatchSettings(), changes_of(told))
    assert changed == WatchSettings(patience_mm=patience_mm, confidence=confidence)
    assert with_changes(changed, {}) == changed
    assert differing(changed, changed) == {}


@pytest.mark.parametrize(
    ("told", "words"),
    [
        (["patience=3"], "no setting 'patience'; near it: patience_mm"),
        (["zz=3"], "there are: false_alarm_hours, confidence"),
        (["patience_mm"], "'patience_mm': give it as NAME=VALUE"),
        (["patience_mm=soon"], "patience_mm is 'soon', it must be a number above 0, at most 20 mm"),
        (["step_mm=nan"], "step_mm is 'nan'"),
        (["nominal_speed_mm_s=inf"], "nominal_speed_mm_s is 'inf'"),
        (["confidence=1"], "confidence is '1', it must be a number above 0.5, below 1"),
    ],
)
def test_what_cannot_be_is_told_in_a_line_with_the_range_or_near_names(
    told: list[str], words: str
) -> None:
    with pytest.raises(WatchSettingsError) as caught:
        with_changes(WatchSettings(), changes_of(told))
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_all_that_cannot_be_is_told_at_once() -> None:
    with pytest.raises(WatchSettingsError) as caught:
        with_changes(WatchSettings(), {"patience_mm": "99", "step_mm": "x", "cold_degC": "4"})
    assert set(caught.value.problems) == {"patience_mm", "step_mm"}


@pytest.mark.parametrize("name", NUMBERS)
@pytest.mark.parametrize("end", [0, 1], ids=["least", "most"])
def test_whatever_a_setting_may_be_the_run_is_judged(name: str, end: int) -> None:
    """At either end of its range, or well beyond what is usual where it has none."""
    info = WatchSettings.model_fields[name]
    columns = run(4, 700.0, jam=Jam(3, 500.0))
    for value in _ends(name, float(info.default))[end]:
        FeedWatch(with_changes(WatchSettings(), {name: value})).judge(columns)


def _ends(name: str, default: float) -> tuple[list[str], list[str]]:
    """The last values that are taken on either side."""

    def taken(value: float) -> bool:
        try:
            with_changes(WatchSettings(), {name: repr(value)})
        except WatchSettingsError:
            return False
        return True

    low = [v for v in (0.0, 0.001, 0.5001, 1.0, 50.0) if v < default and taken(v)]
    high = [v for v in (1e6, 1e4, 100.0, 20.0, 5.0, 0.999, 0.89, 0.499) if v > default and taken(v)]
    return [repr(v) for v in low[:1]], [repr(v) for v in high[:1]]
