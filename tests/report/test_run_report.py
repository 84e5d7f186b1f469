"""The page of a run: what stands on it is what the log holds; nothing comes from outside."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser
from itertools import groupby
from pathlib import Path

import numpy as np
import pytest

from made_run import FIVE_LANES, SMALL, record, snapshot
from plylane.demo import Demo
from plylane.head.registers import EventCode, State
from plylane.jam import Finding
from plylane.recording import Recording
from plylane.report.run_page import FIGURES_MOST, ROWS_MOST, KeptPlan, run_page
from plylane.report_command import PAGE, report
from plylane.run_plan import WORKED_OUT, departures_of
from plylane.runlog import Entry, Recorder, RunError, RunInfo
from plylane.words import clock

SCENARIO = """
format = "plylane scenario 1"
name = "short"
[run]
length_mm = 400.0
speed_mm_s = 20.0
setpoints_degC = [40.0, 36.0]
clearing_s = 4.0
[run.settings]
"zone_settings.band_degC" = [5.0, 5.0]
"guards.settle_time_s" = 0.0
[run.strips]
loaded_mm = [300.0, 500.0, 700.0, 900.0, 1100.0]
next_mm = 2400.0
wheel_to_nozzle_mm = 50.0
pitch_mm = 0.5
stagger_mm = 100.0
[[fault]]
kind = "lane_jam"
lane = 2
at_output_mm = 200.0
until = { state = "held", for_s = 3.0 }
"""


@dataclass
class Page(HTMLParser):
    """A page taken apart: tables by the id of what holds them, text, and whatever is referred to.

    `section` maps an id to the text within the element that has it.
    """

    text: str
    rows: dict[str, list[list[str]]] = field(default_factory=dict)
    ids: list[str] = field(default_factory=list)
    references: list[str] = field(default_factory=list)
    tags: set[str] = field(default_factory=set)
    words: str = ""

    def __post_init__(self) -> None:
        super().__init__()
        self._table, self._cell, self._hidden = "", False, ""
        self.feed(self.text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = {name: value or "" for name, value in attrs}
        self.tags.add(tag)
        self.ids += [told["id"]] if "id" in told else []
        for name, value in told.items():
            if name in ("src", "href", "xlink:href", "data", "action"):
                self.references.append(value)
            self.references += re.findall(r"url\(([^)]*)\)", value)
        if tag == "table":
            self._table = told.get("id", "")
            self.rows[self._table] = []
        elif tag == "tr":
            self.rows[self._table].append([])
        elif tag in ("td", "th"):
            self.rows[self._table][-1].append("")
        self._cell = tag in ("td", "th") or (self._cell and tag not in ("tr", "table"))
        self._hidden = tag if tag in ("style", "svg") else self._hidden

    def handle_endtag(self, tag: str) -> None:
        self._cell = self._cell and tag not in ("td", "th")
        self._hidden = "" if tag == self._hidden else self._hidden

    def handle_data(self, data: str) -> None:
        if self._hidden:
            return
        self.words += data
        if self._cell:
            self.rows[self._table][-1][-1] += data

    def table(self, name: str) -> list[list[str]]:
        """Rows of a table with headings, without them."""
        return self.rows[name][1:]

    def fact(self, table: str, what: str) -> str:
        """The second cell of the row that begins so."""
        return next(row[1] for row in self.rows[table] if row[0] == what)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run on the twin with a jam, a hold, strips and their joints."""
    out = tmp_path_factory.mktemp("runs")
    scenario = out / "short.toml"
    scenario.write_text(SCENARIO, encoding="utf-8")
    # held by the head's own guard, so that there is an alarm to tell of
    outcome = Demo(scenario, 7, "virtual", out, hold_at=None).play(900.0, lambda *_: None)
    assert outcome.state == "Complete"
    return outcome.run


@pytest.fixture(scope="module")
def recording(folder: Path) -> Recording:
    return Recording.open(folder)


@pytest.fixture(scope="module")
def page(recording: Recording) -> Page:
    return Page(run_page(recording))


def of_seconds(words: str) -> float:
    """Seconds of a time in minutes and seconds."""
    minutes, seconds = words.split(":")
    return 60.0 * int(minutes) + int(seconds)


class TestWholeRun:
    def test_outcome_is_the_logs(self, page: Page, recording: Recording) -> None:
        columns = recording.run.columns(["output_position_mm", "time_s", "state"])
        assert page.fact("outcome", "state at the end") == "Complete"
        cord = page.fact("outcome", "cord, by the output wheel")
        assert float(cord.removesuffix(" mm")) == pytest.approx(
            columns["output_position_mm"][-1], abs=0.1
        )
        assert page.fact("outcome", "rows of telemetry") == str(recording.run.rows)
        held = float(np.sum(np.diff(columns["time_s"])[columns["state"][:-1] == 11]))
        assert page.fact("outcome", "in Held") == f"{held:.0f} s"

    def test_names_what_was_run(self, page: Page, recording: Recording) -> None:
        info = recording.run.info
        assert page.fact("facts", "run") == "short"
        assert page.fact("facts", "head: identity") == info.head["identity"]
        assert page.fact("facts", "head: map hash") == info.head["map_hash"]
        assert page.fact("facts", "version of plylane") == info.versions["plylane"]
        assert page.fact("facts", "setpoints asked for") == "40, 36 °C"
        assert page.fact("facts", "fitted") == "2 zones, 3 drives, 5 lanes"

    def test_states_follow_as_in_the_telemetry(self, page: Page, recording: Recording) -> None:
        columns = recording.run.columns(["time_s", "state"])
        wanted = [State(int(k)).name.capitalize() for k, _ in groupby(columns["state"])]
        assert [row[1].removeprefix("◆ ") for row in page.table("states")] == wanted
        assert [row[1] for row in page.table("states") if row[1].startswith("◆")] == [
            "◆ Holding",
            "◆ Held",
        ]
        began = [of_seconds(row[0]) for row in page.table("states")]
        turns = np.flatnonzero(np.diff(columns["state"])) + 1
        assert began[1:] == pytest.approx(columns["time_s"][turns], abs=0.51)

    def test_findings_with_evidence_and_figure(self, page: Page, recording: Recording) -> None:
        assert recording.findings
        for number, one in enumerate(recording.findings, 1):
            assert one.text in page.words
            assert f"since {one.evidence['onset_s']:.2f} s" in page.words
            assert any(name.startswith(f"finding{number}-") for name in page.ids)
        assert f"{len(recording.findings)} finding" in page.words

    def test_alarms_with_times_and_remedy(self, page: Page, recording: Recording) -> None:
        raised, over, acknowledged = (
            [clock(event.time_s) for event in recording.events if event.code is code]
            for code in (
                EventCode.ALARM_RAISED,
                EventCode.ALARM_CLEARED,
                EventCode.ALARM_ACKNOWLEDGED,
            )
        )
        rows = [row for row in page.table("alarms") if row[1] == "head"]
        assert raised
        assert [row[3] for row in rows] == raised
        assert [row[4] for row in rows] == over
        assert [row[5] for row in rows] == acknowledged
        assert rows[0][:2] == ["▲ high", "head"]
        assert "lane stopped: lane 2" in rows[0][2]
        assert "stuck strip, strip run out, or wheel lifted off" in rows[0][2]

    def test_joints_and_notes_are_the_journals(self, page: Page, recording: Recording) -> None:
        entries = recording.run.journal_entries()
        joints = [entry.sentence for entry in entries if entry.kind == "joint"]
        assert joints
        assert [row[1] for row in page.table("joints")] == joints
        notes = [row[2] for row in page.table("notes")]
        for entry in entries:
            elsewhere = entry.kind == "joint" or entry.kind.startswith("alarm")
            assert (entry.sentence in notes) != elsewhere
        assert "Length reached" in notes

    def test_settings_marked_where_not_the_default(self, page: Page, recording: Recording) -> None:
        rows = {row[1]: row for row in page.table("settings")}
        assert rows["zone_settings.band_degC"] == ["≠", "zone_settings.band_degC", "5, 5", "degC"]
        assert rows["guards.mismatch_limit_mm"][0] == ""
        assert set(rows) == set(recording.run.info.settings)

    def test_says_what_there_is_not(self, page: Page) -> None:
        assert "The run was not made from a plan." in page.words
        assert "Tuning" not in page.words

    def test_cautions(self, page: Page) -> None:
        assert "Software is not a safety function" in page.words
        assert "hot" in page.words

    def test_nothing_comes_from_outside(self, page: Page) -> None:
        assert page.references
        assert all(one.startswith("#") for one in page.references)
        assert not page.tags & {"script", "link", "iframe", "img", "object", "base"}
        assert "@import" not in page.text
        assert not re.findall(r"https?://(?!www\.w3\.org/)", page.text)

    def test_ids_are_unique_and_referred_to(self, page: Page) -> None:
        assert len(page.ids) == len(set(page.ids))
        assert {one.removeprefix("#") for one in page.references} <= set(page.ids)

    def test_same_bytes_from_a_process_of_its_own(
        self, page: Page, folder: Path, tmp_path: Path
    ) -> None:
        out = tmp_path / "pages" / "page.html"
        command = [sys.executable, "-m", "plylane.cli", "report", str(folder), "--out", str(out)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
        assert done.stdout.strip() == str(out)
        assert done.stderr == ""
        assert out.read_text(encoding="utf-8") == page.text
        assert [one.name for one in out.parent.iterdir()] == ["page.html"]


def test_alarms_of_the_host_stand_beside_the_heads(tmp_path: Path) -> None:
    recorder = record(tmp_path / "run", replace_info())
    told = [(1.0, "alarm", 2, ""), (1.2, "alarm", 4, ""), (2.0, "alarm_over", 2, ": over")]
    told += [(2.5, "alarm_acknowledged", 2, ": acknowledged"), (3.0, "alarm", 2, "")]
    recorder.on_journal(
        [Entry(at, kind, lane, f"strip ends soon{behind}") for at, kind, lane, behind in told]
    )
    recorder.on_journal([Entry(1.3, "alarm", 2, "of a later version")])
    recorder.close("complete")
    page = Page(run_page(Recording.open(tmp_path / "run")))
    rows = [row for row in page.table("alarms") if row[1] == "host"]
    assert [row[0:2] for row in rows] == [["◆ medium", "host"]] * 3
    assert ["Put the next strip in" in row[2] for row in rows] == [True] * 3
    assert [row[2].partition("The")[0] for row in rows] == [
        f"strip ends soon: lane {lane}" for lane in (2, 4, 2)
    ]
    times = [[clock(1.0), clock(2.0), clock(2.5)], [clock(1.2), "not in the log", "never"]]
    assert [row[3:] for row in rows] == [*times, [clock(3.0), "not in the log", "never"]]
    assert page.fact("outcome", "alarms of the host") == "3"
    assert [row[2] for row in page.table("notes")][-1] == "Lane 2: of a later version"


class TestWhatPeopleTyped:
    def test_is_text_never_markup(self, tmp_path: Path) -> None:
        nasty = "<script>alert(1)</script>"
        info = replace_info(
            name=nasty,
            head={nasty: nasty},
            versions={nasty: nasty},
            settings={nasty: nasty, "machine.x": [nasty]},
            plan={"length_mm": nasty},
        )
        recorder = record(tmp_path / "run", info)
        recorder.on_journal([Entry(1.0, nasty, None, nasty), Entry(1.1, "joint", 1, nasty)])
        recorder.close("complete")
        text = run_page(Recording.open(tmp_path / "run"), KeptPlan([nasty], remark=nasty))
        assert "script" not in Page(text).tags
        assert Page(text).fact("facts", "run") == nasty
        assert Page(text).table("joints")[-1][1] == f"Lane 1: {nasty}"
        assert text.count("&lt;script&gt;") >= 10


def replace_info(**changes: object) -> RunInfo:
    return SMALL.model_copy(update=changes)


class TestTornAndEmpty:
    def test_torn_run(self, tmp_path: Path) -> None:
        record(tmp_path / "run", FIVE_LANES, rows=200)  # never closed: killed
        stream = tmp_path / "run" / "telemetry.arrows"
        cut_short(stream)
        recording = Recording.open(tmp_path / "run")
        page = Page(run_page(recording))
        assert recording.run.torn
        assert f"The run goes on still, or its log is torn: {recording.run.torn}" in page.words
        assert page.fact("outcome", "state at the end") == "Cut off in Execute"
        assert page.fact("outcome", "rows of telemetry") == str(recording.run.rows)

    def test_run_without_rows(self, tmp_path: Path) -> None:
        recorder = Recorder(tmp_path / "run", SMALL)
        recorder.close("stopped")
        page = Page(run_page(Recording.open(tmp_path / "run")))
        assert "svg" not in page.tags
        for words in (
            "Nothing was recorded.",
            "The log has no rows",
            "The detectors found nothing.",
            "No alarm was raised.",
            "The log tells of no joints.",
            "The log holds no settings.",
        ):
            assert words in page.words

    def test_run_of_one_row(self, tmp_path: Path) -> None:
        recorder = record(tmp_path / "run", SMALL, rows=1)
        recorder.close("complete")
        page = Page(run_page(Recording.open(tmp_path / "run")))
        assert page.fact("outcome", "rows of telemetry") == "1"

    def test_rows_that_could_not_be_written(self, tmp_path: Path) -> None:
        recorder = record(tmp_path / "run", SMALL)
        recorder.close("complete")
        file = tmp_path / "run" / "run.toml"
        text = file.read_text(encoding="utf-8")
        file.write_text(text.replace("rows_lost = 0", "rows_lost = 31"), encoding="utf-8")
        page = Page(run_page(Recording.open(tmp_path / "run")))
        assert "31 rows could not be written to the log" in page.words

    def test_gap_is_told(self, tmp_path: Path) -> None:
        recorder = Recorder(tmp_path / "run", SMALL)
        for number in (*range(100), *range(300, 400)):
            recorder.on_snapshot(snapshot(SMALL, number))
        recorder.close("complete")
        page = Page(run_page(Recording.open(tmp_path / "run")))
        assert "No rows for 4.0 s after 2.0 s" in page.words


def cut_short(stream: Path) -> None:
    """Take the last bytes off a stream."""
    whole = stream.read_bytes()
    stream.write_bytes(whole[: len(whole) - 50])


class TestFindings:
    def test_likelihood_and_what_else_it_may_be(self, recording: Recording) -> None:
        weighed = {"onset_s": 1.0, "likelihood": 0.83, "likelihood_head_jam": 0.04}
        weighed["likelihood_lane_wheel_stuck"] = 0.11
        finding = Finding("strip_stuck", 2.0, 4, 3.0, weighed)
        page = Page(run_page(replace(recording, findings=[finding])))
        assert "Likelihood 83 %. Not ruled out: lane wheel stuck 11 %, head jam 4 %" in page.words
        assert "Evidence: since 1.00 s\n" in page.words

    def test_what_an_undecided_one_may_be(self, recording: Recording) -> None:
        weighed = {"likelihood_strip_out": 0.48, "likelihood_lane_wheel_stuck": 0.47}
        finding = Finding("unknown", 2.0, 4, 3.0, weighed)
        page = Page(run_page(replace(recording, findings=[finding])))
        assert "Undecided: strip out 48 %, lane wheel stuck 47 %." in page.words
        nothing_weighed = Finding("slip_growing", 2.0, None, 3.0)
        page = Page(run_page(replace(recording, findings=[nothing_weighed])))
        assert "Undecided" not in page.words

    def test_only_the_first_have_figures(self, recording: Recording) -> None:
        many = [Finding("head_jam", 1.0 + k, None, 1.0) for k in range(FIGURES_MOST + 2)]
        page = Page(run_page(replace(recording, findings=many)))
        assert all(one.text in page.words for one in many)
        drawn = {name.partition("-")[0] for name in page.ids if name.startswith("finding")}
        assert drawn - {"findings"} == {f"finding{k}" for k in range(1, FIGURES_MOST + 1)}

    def test_more_than_a_page_holds(self, recording: Recording) -> None:
        many = [Finding("head_jam", 1e6 + k, None, 1.0) for k in range(30_000)]
        page = Page(run_page(replace(recording, findings=many)))
        assert f"and {30_000 - ROWS_MOST} more; plylane replay shows all" in page.words
        assert f"findings (the first {ROWS_MOST})" in page.words
        assert len(page.text) < 2_000_000
        assert many[ROWS_MOST - 1].text in page.words
        assert many[ROWS_MOST].text not in page.words

    def test_one_beyond_the_log_has_no_figure(self, recording: Recording) -> None:
        late = Finding("head_jam", 1e6, None, 1.0)
        page = Page(run_page(replace(recording, findings=[late])))
        assert late.text in page.words
        assert not any(name.startswith("finding1-") for name in page.ids)


CORD = {
    "speed_mm_s": 14.0,
    "setpoints_degC": [110.0],
    "tolerance_K": 5.0,
    "length_mm": 500.0,
    "stagger_mm": 200.0,
    "joints": [],
}


@pytest.fixture
def planned(tmp_path: Path) -> Iterator[Path]:
    """A run from a plan, cut short."""
    recorder = record(tmp_path / "run", replace_info(plan={"cord": CORD}))
    recorder.close("stopped")
    yield tmp_path / "run"


class TestCommand:
    def test_departures_from_the_plan(self, planned: Path) -> None:
        report(planned)
        page = Page((planned / PAGE).read_text(encoding="utf-8"))
        held = departures_of(Recording.open(planned).run)
        assert held is not None and not held.logged
        assert WORKED_OUT in page.words
        told = [one.text for one in held.found]
        assert any("shorter than planned" in one for one in told)
        for one in told:
            assert f"◆ {one}" in page.words

    def test_a_plan_that_makes_no_sense_costs_only_its_section(self, planned: Path) -> None:
        file = planned / "run.toml"
        text = file.read_text(encoding="utf-8")
        file.write_text(text.replace("tolerance_K = 5.0", 'tolerance_K = "x"'), encoding="utf-8")
        report(planned)
        words = Page((planned / PAGE).read_text(encoding="utf-8")).words
        assert "cannot be held against its plan" in words and "plan.cord.tolerance_K" in words

    def test_tuning_record_beside_the_log(self, planned: Path) -> None:
        (planned / "tuning.json").write_text(json.dumps(TUNING), encoding="utf-8")
        report(planned)
        words = Page((planned / PAGE).read_text(encoding="utf-8")).words
        assert "Zone 1: first order, gain 2.100 ± 0.010 degC/%" in words
        assert "Suggested: fits best" in words

    def test_tuning_record_that_is_damaged(self, planned: Path) -> None:
        (planned / "tuning.json").write_text('{"format": 3}', encoding="utf-8")
        report(planned)
        words = Page((planned / PAGE).read_text(encoding="utf-8")).words
        assert "tuning.json: " in words and "whole and unchanged" in words

    def test_a_page_that_is_there_stays(self, planned: Path) -> None:
        page = planned / PAGE
        page.write_text("signed by hand", encoding="utf-8")
        with pytest.raises(RunError, match="is there already; give --overwrite"):
            report(planned)
        assert page.read_text(encoding="utf-8") == "signed by hand"
        report(planned, overwrite=True)
        assert page.read_text(encoding="utf-8").startswith("<!doctype html>")

    def test_no_run_and_no_place(self, planned: Path, tmp_path: Path) -> None:
        with pytest.raises(RunError, match="no such run folder"):
            report(tmp_path / "nowhere")
        (tmp_path / "file").touch()
        with pytest.raises(RunError, match="cannot be written"):
            report(planned, out=tmp_path / "file" / "page.html")

    def test_a_folder_gets_the_page_under_its_usual_name(
        self, planned: Path, tmp_path: Path
    ) -> None:
        report(planned, out=tmp_path / "pages")
        assert [one.name for one in (tmp_path / "pages").iterdir()] == ["report.html"]


TUNING = {
    "format": "plylane tuning 1",
    "head": "twin",
    "zones": [
        {
            "zone": 1,
            "experiment": None,
            "samples": {"time_s": [0.0], "op_percent": [0.0], "pv_degC": [20.0]},
            "instrument": {"sensor_lag_s": 4.0, "window_s": 1.0, "window_start_s": None},
            "setpoint_degC": 110.0,
            "limits_percent": [0.0, 100.0],
            "knob": 1.5,
            "model": {
                "kind": "fopdt",
                "gain_degC_per_percent": 2.1,
                "time_constant_s": 300.0,
                "dead_time_s": 6.0,
                "standard_errors": {
                    "gain_degC_per_percent": 0.01,
                    "time_constant_s": 4.0,
                    "dead_time_s": 0.2,
                },
            },
            "rules": {},
            "suggested": "simc",
            "reason": "fits best",
            "chosen": None,
            "gains_before": None,
            "gains_held": None,
            "feed_forward": None,
            "checks": [],
        }
    ],
}
