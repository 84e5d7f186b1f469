"""`plylane calibrate` as a user gives it: in a process of its own, and with a technician's tape."""

from __future__ import annotations

import builtins
import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import serial

from plylane import cli
from plylane_twin.tape import Technician

COUNTS = [9600, 22400, 9600, 22400, 16000, 16000]
READ = [188.5, 439.5, 188.5, 440.0, 314.0, 314.5]
PLAIN = 'format = "plylane scenario 1"\nname = "calibration"\n'


def calibrate(*arguments: object, cwd: Path, said: str = "") -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "plylane.cli", "calibrate", *map(str, arguments)]
    return subprocess.run(command, cwd=cwd, capture_output=True, text=True, timeout=300, input=said)


def last_line(done: subprocess.CompletedProcess[str]) -> str:
    assert done.returncode == 2, done.stdout
    assert "Traceback" not in done.stderr
    line = done.stderr.strip().splitlines()[-1]
    assert line.startswith("plylane: ")
    return line


def pairs(lengths: list[float], counts: list[int] = COUNTS) -> list[object]:
    return ["--counts", *counts, "--measured", *lengths]


class TestWithoutHead:
    def test_as_json(self, tmp_path: Path) -> None:
        done = calibrate("drive", *pairs(READ), "--json", cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        (scale,) = json.loads(done.stdout)["found"]
        assert scale["counts_per_m"] == pytest.approx(50930.0, rel=5e-4)
        assert 0.05 < scale["expanded_percent"] < 0.3
        assert {part["kind"] for part in scale["uncertainty"]["parts"]} == {"A", "B"}

    def test_as_tables_a_person_can_read(self, tmp_path: Path) -> None:
        done = calibrate("wheel", *pairs([188.5, 440.0] * 3, [3770, 8800] * 3), cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        for word in ("mm a count", "95 %", "less fit mm", "limit of error", "scatter by"):
            assert word in done.stdout

    def test_misread_length_is_named_then_left_out(self, tmp_path: Path) -> None:
        wrong = [*READ[:3], READ[3] - 10.0, *READ[4:]]
        line = last_line(calibrate("drive", *pairs(wrong), cwd=tmp_path))
        assert "length 4 (430 mm)" in line and re.search(r"-(9\.[5-9]|10\.\d) mm off", line)
        done = calibrate("drive", *pairs(wrong), "--leave-out", 4, cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        assert "misread" not in done.stdout

    @pytest.mark.parametrize(
        ("arguments", "expected"),
        [
            (["drive"], "--counts"),
            (["drive", *pairs(READ), "--apply"], "--port"),
            (["drive", *pairs(READ), "--save"], "--apply"),
            (["drive", *pairs([-1.0, *READ[1:]])], "length 1"),
            (["drive", *pairs(READ[:4])], "4 lengths for 6 feeds"),
            (["drive", *pairs(READ[:3], COUNTS[:3])], "too few"),
            (["drive", *pairs([188.5] * 6, [9600] * 6)], "all about"),
            (["drive", *pairs(READ), "--resolution", 0], "smallest step"),
            (["drive", "--counts", 1, 2, "--measured", "long"], "long"),
            (["lanes", *pairs(READ)], "--port"),
            (["slip", "--port", "none", "--speed", 0], "--speed"),
            (["undo", "--port", "twin://plain.toml?pace=virtual"], "nothing to undo"),
            (["drive", "--port", "none", "--feed", "x"], "x"),
        ],
    )
    def test_bad_input_ends_in_one_line(
        self, tmp_path: Path, arguments: list[object], expected: str
    ) -> None:
        (tmp_path / "plain.toml").write_text(PLAIN)
        assert expected in last_line(calibrate(*arguments, cwd=tmp_path))

    def test_no_records_to_list(self, tmp_path: Path) -> None:
        assert "No calibration record" in calibrate("list", cwd=tmp_path).stdout

    def test_a_file_where_the_folder_should_be(self, tmp_path: Path) -> None:
        (tmp_path / "one.toml").write_text("")
        told = last_line(calibrate("list", "--out", "one.toml", cwd=tmp_path))
        assert "one.toml is not a folder: give the folder of the records" in told


@pytest.fixture
def typed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., int]:
    """Run `plylane calibrate ARGUMENTS` here, on one twin, with somebody who measures.

    The technician has a cable of their own to the twin, marks before each feed and reads after.
    """
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plain.toml").write_text(PLAIN)
    url = f"twin://plain.toml?pace=virtual&seed=7&keep={tmp_path.name}"
    monkeypatch.setattr(serial, "protocol_handler_packages", ["plylane_twin"])
    own = serial.serial_for_url(url)
    hand = Technician(own.twin, 3)

    def run(
        *arguments: object, read: Callable[[Technician], str], answers: tuple[str, ...] = ()
    ) -> int:
        left = list(answers)

        def answer(question: str) -> str:
            print(question)
            if "Measured" not in question:
                return left.pop(0)
            said = read(hand)
            hand.mark()
            return said

        monkeypatch.setattr(builtins, "input", answer)
        monkeypatch.setattr(
            sys, "argv", ["plylane", "calibrate", *map(str, arguments), "--port", url]
        )
        hand.mark()
        try:
            cli.main()
        except SystemExit as done:
            return int(done.code or 0)
        return 0

    return run


class TestWithTape:
    def test_wheel_measured_written_listed_undone(
        self, typed: Any, capsys: pytest.CaptureFixture[str], tmp_path: Path
    ) -> None:
        note = "wheel cleaned"
        done = typed("wheel", "--note", note, read=lambda h: f"{h.cord():g}", answers=("y",))
        assert done == 0, capsys.readouterr().err
        shown = capsys.readouterr().out
        assert "Written: machine output_mm_per_count: 0.05 →" in shown
        (path,) = (tmp_path / "calibrations").iterdir()
        assert note in path.read_text() and path.name in shown
        assert typed("undo", read=lambda h: "") == 0
        assert "Back in force" in capsys.readouterr().out
        done = calibrate("list", "--json", cwd=tmp_path)
        records = json.loads(done.stdout)["records"]
        assert [record["kind"] for record in records] == ["wheel", "undo"]
        assert records[1]["undoes"] == path.name

    def test_asking_leaves_standard_output_to_the_json(
        self, typed: Any, capsys: pytest.CaptureFixture[str]
    ) -> None:
        done = typed("wheel", "--json", read=lambda h: f"{h.cord():g}", answers=("n",))
        shown = capsys.readouterr()
        assert done == 0, shown.err
        assert json.loads(shown.out)["found"]
        for piece in ("Fed length 1", "Measured, mm", "Write this into the head?"):
            assert piece in shown.err

    def test_misread_measured_again_and_slips_of_the_finger_asked_again(
        self, typed: Any, capsys: pytest.CaptureFixture[str]
    ) -> None:
        lengths: list[float] = []
        said = iter(["hello", "-3", "7.4"])

        def read(hand: Technician) -> str:
            if len(lengths) == 2 and (word := next(said, None)):
                hand.mark = lambda: None  # type: ignore[method-assign]
                return word
            hand.__dict__.pop("mark", None)
            lengths.append(hand.cord())
            return f"{lengths[-1] + (10.0 if len(lengths) == 4 else 0.0):g}"

        assert typed("wheel", read=read, answers=("4", "y")) == 0
        shown = "".join(capsys.readouterr())
        assert "Length 4 (" in shown and "off what the others say" in shown
        for word in ("A number in mm", "-3 mm is none", "looks like inches", "Written:"):
            assert word in shown

    def test_lanes_with_a_length_each(self, typed: Any, capsys: pytest.CaptureFixture[str]) -> None:
        strips = lambda h: " ".join(f"{h.strip(k):g}" for k in range(5))  # noqa: E731
        assert typed("lanes", read=strips, answers=("n",)) == 0
        shown = capsys.readouterr().out
        assert "Lane 5" in shown and "Not written (add --apply)" in shown

    def test_nobody_answers(self, tmp_path: Path) -> None:
        (tmp_path / "plain.toml").write_text(PLAIN)
        port = "twin://plain.toml?pace=virtual"
        line = last_line(calibrate("wheel", "--port", port, cwd=tmp_path, said="188\n"))
        assert "no length was given" in line

    def test_lengths_that_do_not_go_round(self, tmp_path: Path) -> None:
        (tmp_path / "plain.toml").write_text(PLAIN)
        port = "twin://plain.toml?pace=virtual"
        done = calibrate("wheel", "--port", port, "--measured", 1, 2, 3, cwd=tmp_path)
        assert "3 lengths, the plan 6 feeds" in last_line(done)

    def test_a_head_that_is_hot_refuses(self, tmp_path: Path) -> None:
        (tmp_path / "plain.toml").write_text(PLAIN + "[plant]\nair_mean_degC = 48.0\n")
        port = "twin://plain.toml?pace=virtual"
        line = last_line(calibrate("slip", "--port", port, cwd=tmp_path))
        assert "let it cool" in line
