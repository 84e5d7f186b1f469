"""Scenario files: what is taken, and what bad ones are told in one line."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane_twin import Scenario, ScenarioError
from plylane_twin.scenario import KINDS, TWIN_KINDS, Fault, LineSettings, Until

HEAD = 'format = "plylane scenario 1"\nname = "bench"\n'


def faulty(*lines: str) -> str:
    return HEAD + "[[fault]]\n" + "\n".join(lines)


JAM = 'kind = "lane_jam"'

# text of a file -> what the one line must name: place, trouble or remedy
BAD = {
    "empty": ("", ["format", "is missing; add it"]),
    "syntax": (HEAD + "[run\n", ["line 3", "correct the file there"]),
    "cut off": (HEAD + 'x = "', ["end of file|line 3", "correct the file"]),
    "other version": (
        HEAD.replace("scenario 1", "scenario 2"),
        ["format", "'plylane scenario 2'", "this version of plylane reads 'plylane scenario 1'"],
    ),
    "other thing": ('format = 3\nname = "x"', ["format", "3", "string"]),
    "no name": ('format = "plylane scenario 1"', ["name", "is missing"]),
    "unknown table": (HEAD + "[plants]\n", ["plants", "check its spelling or take it out"]),
    "unknown plant value": (HEAD + "[plant]\nheat_W = 5.0\n", ["plant.heat_W"]),
    "plant value of no sense": (HEAD + "[plant]\nlanes = 40\n", ["plant.lanes", "8"]),
    "fault is no list": (HEAD + '[fault]\nkind = "lane_jam"', ["fault", "list"]),
    "fault without kind": (faulty("at_s = 1.0"), ["fault 1", "kind", "is missing"]),
    "unknown kind": (faulty('kind = "gremlin"', "at_s = 1.0"), ["fault 1", "gremlin", "lane_jam"]),
    "second fault": (
        faulty('kind = "stop_tripped"', "at_s = 1.0", "[[fault]]", 'kind = "?"'),
        ["fault 2"],
    ),
    "no lane": (faulty(JAM, "at_s = 1.0"), ["fault 1", "lane is missing", "counted from 1"]),
    "lane 0": (faulty(JAM, "lane = 0", "at_s = 1.0"), ["fault 1, lane", "from 1 to 5"]),
    "lane 6 of 5": (faulty(JAM, "lane = 6", "at_s = 1.0"), ["fault 1, lane", "from 1 to 5"]),
    "lane is text": (faulty(JAM, 'lane = "3"', "at_s = 1.0"), ["fault 1, lane", "whole number"]),
    "zone for a jam": (
        faulty(JAM, "lane = 1", "zone = 1", "at_s = 1.0"),
        ["fault 1", "zone does not belong to lane_jam", "it takes", "lane"],
    ),
    "size of another kind": (
        faulty(JAM, "lane = 1", "slip_percent = 1.0", "at_s = 1.0"),
        ["fault 1", "slip_percent does not belong", "drag_N"],
    ),
    "size out of bounds": (
        faulty(JAM, "lane = 1", "drag_N = -1.0", "at_s = 1.0"),
        ["fault 1", "drag_N must be a number from 0 to 1000"],
    ),
    "size is text": (
        faulty(JAM, "lane = 1", 'drag_N = "much"', "at_s = 1.0"),
        ["fault 1", "drag_N must be a number"],
    ),
    "size is nan": (
        faulty(JAM, "lane = 1", "drag_N = nan", "at_s = 1.0"),
        ["fault 1", "drag_N must be a number"],
    ),
    "no start": (faulty(JAM, "lane = 1"), ["fault 1", "at_s", "at_output_mm", "at_state"]),
    "two starts": (
        faulty(JAM, "lane = 1", "at_s = 1.0", "at_output_mm = 2.0"),
        ["fault 1", "give one of at_s"],
    ),
    "two ends": (
        faulty(JAM, "lane = 1", "at_s = 1.0", "for_s = 1.0", 'until = { state = "held" }'),
        ["fault 1", "take one out"],
    ),
    "negative time": (faulty(JAM, "lane = 1", "at_s = -1.0"), ["fault 1, at_s", "-1.0"]),
    "endless time": (faulty(JAM, "lane = 1", "at_s = inf"), ["fault 1, at_s", "finite"]),
    "unknown state": (
        faulty(JAM, "lane = 1", 'at_state = "paused"'),
        ["fault 1, at_state", "'paused'", "held"],
    ),
    "unknown end state": (
        faulty(JAM, "lane = 1", "at_s = 1.0", 'until = { state = "paused" }'),
        ["fault 1, until.state", "'paused'", "held"],
    ),
    "power lost for ever": (
        faulty('kind = "power_lost"', "at_s = 1.0"),
        ["fault 1", "for_s is missing"],
    ),
    "latency upside down": (HEAD + "[line]\nlatency_ms = [4.0, 1.0]", ["line.latency_ms"]),
    "latency of one": (HEAD + "[line]\nlatency_ms = 4.0", ["line.latency_ms", "two numbers"]),
    "every bit wrong": (HEAD + "[line]\nbit_error_rate = 1.0", ["line.bit_error_rate", "0.5"]),
}


def failure(path: Path) -> str:
    with pytest.raises(ScenarioError) as caught:
        Scenario.load(path)
    return str(caught.value)


@pytest.mark.parametrize(("text", "names"), BAD.values(), ids=BAD.keys())
def test_a_bad_file_gets_one_line_with_file_place_and_remedy(
    tmp_path: Path, text: str, names: list[str]
) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    message = failure(path)
    assert message.startswith(str(path))
    assert "\n" not in message
    for name in names:
        assert any(choice in message for choice in name.split("|")), message


def test_a_missing_file(tmp_path: Path) -> None:
    assert "no such file; give the path" in failure(tmp_path / "none.toml")


def test_a_folder(tmp_path: Path) -> None:
    message = failure(tmp_path)
    assert message.startswith(str(tmp_path)) and "cannot be read" in message


def test_not_text(tmp_path: Path) -> None:
    path = tmp_path / "picture.toml"
    path.write_bytes(b"name = '\xff\xfe'")
    assert "byte 8: not UTF-8" in failure(path)


def test_too_large(tmp_path: Path) -> None:
    path = tmp_path / "log.toml"
    path.write_bytes(b"#" * 1_000_001)
    assert "too large" in failure(path)


def test_several_troubles_are_counted(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(HEAD + "a = 1\nb = 2\nc = 3\n", encoding="utf-8")
    assert "(and 2 more to correct)" in failure(path)


@given(st.text() | st.binary().map(lambda data: data.decode("latin-1")))
def test_any_text_is_a_scenario_or_a_scenario_error(text: str) -> None:
    for attempt in (text, HEAD + text):
        try:
            Scenario.parse(attempt)
        except ScenarioError as error:
            assert "\n" not in str(error)


def test_a_file_cut_anywhere_is_taken_or_refused_never_worse() -> None:
    text = (Path(__file__).parent / "../../firmware_sim/plylane_twin/scenarios/demo.toml").resolve()
    whole = text.read_text(encoding="utf-8")
    refused = 0
    for end in range(len(whole)):
        try:
            Scenario.parse(whole[:end])
        except ScenarioError:
            refused += 1
    assert refused > len(whole) / 4


def test_the_demo_is_the_scenario_of_the_design() -> None:
    demo = Scenario.demo()
    (fault,) = demo.faults
    assert (fault.kind, fault.lane, fault.at_output_mm) == ("lane_jam", 3, 1200.0)
    assert fault.until is not None and (fault.until.state, fault.until.for_s) == ("held", 20.0)
    assert demo.run["length_mm"] == 3000.0


def test_every_kind_can_be_asked_for() -> None:
    for kind in KINDS.values():
        lines = [f'kind = "{kind.name}"', "at_s = 1.0", "for_s = 2.0"]
        if kind.part:
            lines.append(f"{kind.part} = 2")
        if kind.size:
            lines.append(f"{kind.size.name} = {kind.size.most}")
        if kind.grows:
            lines.append("over_mm = 100.0")
        (fault,) = Scenario.parse(faulty(*lines)).faults
        assert fault.strength == (kind.size.most if kind.size else 0.0)
        assert fault.part == (2 if kind.part else 0)


def test_sizes_have_the_defaults_of_their_kind() -> None:
    (fault,) = Scenario.parse(faulty(JAM, "lane = 1", "at_s = 0.0")).faults
    size = KINDS["lane_jam"].size
    assert size is not None and fault.strength == size.default


def test_the_run_table_is_left_to_the_host() -> None:
    text = HEAD + "[run]\nanything = [1, 2]\n[run.settings]\nx = 1\n"
    assert Scenario.parse(text).run == {"anything": [1, 2], "settings": {"x": 1}}


def test_the_document_names_every_field_and_every_kind_of_the_twin() -> None:
    text = (Path(__file__).parents[2] / "docs" / "scenarios.md").read_text(encoding="utf-8")
    fields = {*Scenario.model_fields, *LineSettings.model_fields, *Until.model_fields}
    fields |= set(Fault.model_fields) - {"size", "over_mm"}  # those are twin.md's
    missing = [name for name in fields if name not in text]
    missing += [kind.name for kind in TWIN_KINDS if f"| `{kind.name}` |" not in text]
    assert not missing
