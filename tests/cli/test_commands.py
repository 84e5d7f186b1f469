"""The commands as a user gives them, each in a process of its own."""

from __future__ import annotations

import fcntl
import json
import os
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
import tomllib
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.ipc
import pyarrow.parquet as pq
import pytest
from pymodbus.client import ModbusTcpClient

from plylane.head.registers import FeedRegs

PATH_SPEED = FeedRegs.BLOCK.register("path_speed_mm_s").address
SHORT = """
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
[[fault]]
kind = "lane_jam"
lane = 2
at_output_mm = 200.0
until = { state = "held", for_s = 3.0 }
"""


def plylane(*arguments: object, cwd: Path, check: bool = False) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "plylane.cli", *map(str, arguments)]
    return subprocess.run(
        command, cwd=cwd, check=check, capture_output=True, text=True, timeout=300
    )


def last_json(text: str) -> dict[str, Any]:
    """The last thing on standard output is one JSON object."""
    return json.loads(text.strip().splitlines()[-1])


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    """The demo as the README gives it."""
    folder = tmp_path_factory.mktemp("demo")
    done = plylane("demo", "--headless", "--seed", 7, "--json", cwd=folder)
    assert done.returncode == 0, done.stderr
    return folder, last_json(done.stdout)


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A short run with a jam: the scenario and the run folder."""
    folder = tmp_path_factory.mktemp("short")
    scenario = folder / "short.toml"
    scenario.write_text(SHORT)
    done = plylane("demo", "--headless", "--scenario", scenario, "--json", cwd=folder, check=True)
    form = last_json(done.stdout)
    assert form["state"] == "Complete"
    return scenario, folder / form["run"]


def test_demo_ends_complete_with_the_jam_found_in_its_lane(demo) -> None:
    folder, form = demo
    assert form["state"] == "Complete"
    assert 2900 < form["cord_mm"] < 3000
    assert [(f["kind"], f["lane"]) for f in form["findings"]] == [("strip_stuck", 3)]
    assert (folder / form["run"]).is_dir()


def told_by(run: Path, table: str) -> list[str]:
    """The texts of a run's events or journal."""
    with pa.OSFile(str(run / f"{table}.arrows")) as file:
        return pa.ipc.open_stream(file).read_all().column("text").to_pylist()


def test_the_host_holds_the_demo_s_jam_before_the_head_has_to_and_nothing_else_raises_an_alarm(
    demo,
) -> None:
    folder, form = demo
    assert [text for text in told_by(folder / form["run"], "events") if "larm" in text] == []
    journal = told_by(folder / form["run"], "journal")
    assert len([text for text in journal if text.startswith("held by the host")]) == 1
    assert "unheld, every step done" in journal


def test_told_not_to_hold_the_host_leaves_the_jam_to_the_head_s_own_guard(
    short, tmp_path: Path
) -> None:
    scenario, _ = short
    arguments = ("demo", "--headless", "--scenario", scenario, "--json", "--no-hold-on-finding")
    form = last_json(plylane(*arguments, cwd=tmp_path, check=True).stdout)
    assert form["state"] == "Complete"
    assert [text for text in told_by(tmp_path / form["run"], "events") if "larm" in text] == [
        "Alarm lane stopped: lane 2",
        "Alarm acknowledged: lane stopped: lane 2",
        "Alarm over: lane stopped: lane 2",
    ]
    journal = told_by(tmp_path / form["run"], "journal")
    assert not any(text.startswith("held by the host") for text in journal)
    assert "unheld, every step done" in journal


def test_replay_finds_what_the_live_run_found(demo) -> None:
    folder, form = demo
    again = last_json(plylane("replay", form["run"], "--json", cwd=folder, check=True).stdout)
    assert again["findings"] == form["findings"]
    assert again["rows"] > 25_000
    assert again["torn"] is None
    for finding in again["findings"]:
        assert set(finding) == {"kind", "time_s", "lane", "lost_mm", "evidence"}


def test_replay_with_other_settings_tells_findings_before_and_after(demo) -> None:
    folder, form = demo
    arguments = ("replay", form["run"], "--json", "--set", "patience_mm=1.5")
    again = plylane(*arguments, "--set", "confidence=0.9999999", cwd=folder, check=True)
    told = last_json(again.stdout)
    assert told["set"] == {"patience_mm": 1.5, "confidence": 0.9999999}
    assert told["findings"] == told["findings_recorded"] == form["findings"]
    assert [f["kind"] for f in told["findings_after"]] == ["unknown"]
    assert [row["change"] for row in told["compared"]] == ["gone", "new"]
    same = last_json(plylane(*arguments[:3], "--set", "cold_degC=6", cwd=folder, check=True).stdout)
    assert same["findings_after"] == same["findings"]
    assert [row["change"] for row in same["compared"]] == ["same"]


def test_the_table_with_other_settings_says_what_changed(demo) -> None:
    folder, _ = demo
    arguments = ("replay", "runs", "--table", "--set", "confidence=0.9999999")
    text = plylane(*arguments, "--set", "patience_mm=1.5", cwd=folder, check=True).stdout
    assert "change" in text
    assert [word for word in text.split() if word in ("same", "gone", "new")] == ["gone", "new"]
    table = last_json(plylane(*arguments, "--json", cwd=folder, check=True).stdout)
    # the run was held before anything could be that sure
    assert [(f["change"], f["kind"]) for f in table["findings"]] == [("gone", "strip_stuck")]


@pytest.mark.parametrize("more", [["--json"], ["--table"], []])
def test_a_setting_that_cannot_be_is_one_line_with_near_names(demo, more: list[str]) -> None:
    folder, form = demo
    for told, words in (
        ("patience=3", "no setting 'patience'; near it: patience_mm"),
        ("step_mm=9", "step_mm is '9', it must be a number above 0, at most 5 mm"),
    ):
        done = plylane("replay", form["run"], *more, "--set", told, cwd=folder)
        assert done.returncode == 2
        assert words in done.stderr
        assert len(done.stderr.strip().splitlines()) == 1


def test_the_same_seed_gives_the_same_run_to_the_bit(short, tmp_path: Path) -> None:
    scenario, run = short
    arguments = ("demo", "--headless", "--scenario", scenario, "--json", "--seed")
    again = last_json(plylane(*arguments, 7, cwd=tmp_path, check=True).stdout)["run"]
    other = last_json(plylane(*arguments, 8, cwd=tmp_path, check=True).stdout)["run"]
    for name in ("telemetry.arrows", "events.arrows", "findings.arrows", "journal.arrows"):
        assert (run / name).read_bytes() == (tmp_path / again / name).read_bytes()
    first, second = (run / "telemetry.arrows", tmp_path / other / "telemetry.arrows")
    assert first.read_bytes() != second.read_bytes()


def test_the_log_opens_in_plain_pyarrow_and_its_parquet_too(short, tmp_path: Path) -> None:
    _, run = short
    with pa.OSFile(str(run / "telemetry.arrows")) as file:
        table = pa.ipc.open_stream(file).read_all()
    assert table.schema.field("zone1_pv_degC").metadata[b"unit"] == b"degC"
    plylane("export", run, "--to", "parquet", "--out", tmp_path, cwd=tmp_path, check=True)
    exported = pq.read_table(tmp_path / "telemetry.parquet")
    assert exported.num_rows == table.num_rows
    assert exported.column("output_position_mm").equals(table.column("output_position_mm"))


def test_export_does_not_write_over_files_unasked(short, tmp_path: Path) -> None:
    _, run = short
    arguments = ("export", run, "--to", "csv", "--out", tmp_path)
    assert plylane(*arguments, cwd=tmp_path).returncode == 0
    refused = plylane(*arguments, cwd=tmp_path)
    assert refused.returncode == 2
    assert "is there already" in refused.stderr
    assert plylane(*arguments, "--overwrite", cwd=tmp_path).returncode == 0


def test_killed_at_any_moment_the_log_is_readable_and_misses_at_most_a_second(
    tmp_path: Path,
) -> None:
    """A second of the head's time, that is: in virtual time it passes in far less."""
    scenario = tmp_path / "short.toml"
    scenario.write_text(SHORT.replace("length_mm = 400.0", "length_mm = 100000.0"))
    script = (
        "import sys, time; from pathlib import Path; from plylane.demo import Demo\n"
        "d = Demo(Path(sys.argv[1]), 7, 'virtual', Path('.'))\n"
        "while True:\n"
        "    d.poller.step()\n"
        "    if d.run.latest is not None: print(d.run.latest.time_s, flush=True)\n"
    )
    for polls in (150, 1234):
        command = [sys.executable, "-c", script, str(scenario)]
        with subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            seen = [process.stdout.readline() for _ in range(polls)]
            process.send_signal(signal.SIGKILL)
            seen += process.stdout.read().splitlines(keepends=True)
        last_s = max(float(line) for line in seen if line.endswith("\n"))
        (run,) = [p for p in tmp_path.iterdir() if p.is_dir()]
        with pa.OSFile(str(run / "telemetry.arrows")) as file:
            times = _whole_batches(pa.ipc.open_stream(file))
        assert last_s - times[-1] <= 1.0
        told = last_json(plylane("replay", run, "--json", cwd=tmp_path, check=True).stdout)
        assert told["rows"] == len(times)
        assert told["torn"]
        for file in run.iterdir():
            file.unlink()
        run.rmdir()


def _whole_batches(reader: pa.ipc.RecordBatchStreamReader) -> list[float]:
    times: list[float] = []
    try:
        for batch in reader:
            times += batch.column("time_s").to_pylist()
    except (pa.ArrowInvalid, OSError):
        pass
    return times


BAD = {
    "missing": (None, "no such file"),
    "empty": ("", "run"),
    "not toml": ("length = = 3", "line 1"),
    "other version": (SHORT.replace("scenario 1", "scenario 9"), "scenario 9"),
    "no run": (SHORT.split("[run]")[0], "[run]"),
    "negative length": (SHORT.replace("400.0", "-4.0"), "run.length_mm"),
    "a path": (SHORT.replace("[run]", '[run]\nsource = "path_position"'), "run.source"),
    "unknown field": (SHORT.replace("speed_mm_s", "sped_mm_s"), "sped_mm_s"),
    "unknown register": (SHORT.replace("settle_time_s", "settle_tme_s"), "settle_tme_s"),
    "value out of range": (SHORT.replace("[5.0, 5.0]", "[500.0, 5.0]"), "band_degC"),
    "too many values": (SHORT.replace("[5.0, 5.0]", "[5.0, 5.0, 5.0, 5.0]"), "band_degC"),
    "unknown fault": (SHORT.replace("lane_jam", "gremlin"), "gremlin"),
    "lane too high": (SHORT.replace("lane = 2", "lane = 9"), "lane"),
    "a register that acts": (
        SHORT.replace('"guards.settle_time_s" = 0.0', '"command.store" = 1.0'),
        "command.store",
    ),
    "binary": ("\x00\x01\x02", "line 1"),
    "truncated": (SHORT[:60], "line"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_scenario_is_one_line_that_names_file_place_and_remedy(
    name: str, tmp_path: Path
) -> None:
    text, expected = BAD[name]
    scenario = tmp_path / "bad.toml"
    if text is not None:
        scenario.write_text(text)
    done = plylane("demo", "--headless", "--scenario", scenario, cwd=tmp_path)
    assert_one_line(done)
    assert "bad.toml" in done.stderr
    assert expected in done.stderr
    assert not (tmp_path / "runs").exists()


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("replay", "nowhere"), "nowhere"),
        (("replay",), "RUN"),
        (("export", "nowhere", "--to", "csv"), "nowhere"),
        (("export", "nowhere", "--to", "xls"), "xls"),
        (("monitor", "--port", "/dev/no-such-port"), "/dev/no-such-port"),
        (("demo", "--headless", "--seconds", "-3"), "seconds"),
        (("demo", "--headless", "--seed", "x"), "seed"),
        (("demo", "--headless", "--seed", "-1"), "seed"),
        (("demo", "--headless", "--seed", str(2**64)), "seed"),
        (("twin", "--pty", "link", "--pace", "inf"), "pace"),
        (("monitor", "--port", "twin://demo", "--run", "nowhere.toml"), "nowhere.toml"),
        (("twin", "--pty", "no/such/folder/link"), "no/such/folder"),
        (("twin", "--pty", "link", "--path", "nowhere.csv"), "nowhere.csv"),
        (("twin", "--pty", "link", "--path", __file__), "correct the file"),
        (("twin", "--pty", "link", "--path", "robot.csv", "--board"), "drop --board"),
        (("twin", "--pty", "link", "--reference-jitter-ms", "5"), "--path FILE"),
        (("commission", "--port", "/dev/no-such-port"), "/dev/no-such-port"),
        (("commission", "--port", "twin://demo?pace=virtual"), "begin again"),  # nobody answers
        (("gateway", "--port", "twin://demo", "--listen", "here"), "here"),
        (("gateway", "--port", "twin://demo", "--writer", "robot"), "robot"),
        (("gateway", "--port", "twin://demo", "--listen", "192.0.2.1:1502"), "192.0.2.1:1502"),
        (("monitor", "--port", "twin://demo", "--gateway", "1502"), "1502"),
        (("monitor", "--port", "twin://demo", "--writable", "feed.speed_mm_s"), "--gateway"),
        (
            ("monitor", "--port", "x", "--no-hold-on-finding", "--hold-likelihood", "0.9"),
            "drop one",
        ),
        (("demo", "--headless", "--pace", "5"), "--pace"),
        (("demo", "--no-headless"), "--no-headless"),
        (("replay", "nowhere", "--cluster", "tcp://127.0.0.1:1"), "--table"),
        (("study", "--jobs", "2", "--cluster", "tcp://127.0.0.1:1"), "--jobs"),
        (("report", "nowhere", "--no-overwrite"), "--no-overwrite"),
        (("monitor", "--port", "twin://demo", "--unit", "999"), "plylane monitor --help"),
        (("commission", "--port", "twin://demo", "--unit", "0"), "--unit"),
        (("monitor", "--port", "twin://demo", "--run", "."), "name a text file"),
        (("monitor", "--port", "."), "plylane ports"),
        (("monitor", "--port", __file__), "it is a file"),
        (("demo", "--headless", "--board", __file__), "ELF file"),
        (("sing",), "sing"),
    ],
)
def test_bad_command_lines(arguments: tuple[str, ...], expected: str, tmp_path: Path) -> None:
    done = plylane(*arguments, cwd=tmp_path)
    assert_one_line(done)
    assert expected in done.stderr


def test_only_what_is_on_from_the_start_has_an_option_that_puts_it_off(tmp_path: Path) -> None:
    names = [("demo",), ("monitor",), ("replay",), ("export",), ("report",), ("study",), ("tune",)]
    names += [("gateway",), ("twin",), ("plan",), ("calibrate", "wheel"), ("calibrate", "undo")]
    shown = "".join(plylane(*name, "--help", cwd=tmp_path, check=True).stdout for name in names)
    assert set(re.findall(r"--no-[a-z-]+", shown)) == {"--no-log", "--no-hold-on-finding"}
    assert "--empty-" not in shown


def test_out_that_cannot_be_written(tmp_path: Path) -> None:
    scenario = tmp_path / "short.toml"
    scenario.write_text(SHORT)
    (tmp_path / "file").write_text("in the way")
    done = plylane("demo", "--headless", "--scenario", scenario, "--out", "file", cwd=tmp_path)
    assert_one_line(done)
    assert "file" in done.stderr


@pytest.mark.parametrize("damage", ["run.toml", "telemetry.arrows"])
def test_damaged_run_folder(short, tmp_path: Path, damage: str) -> None:
    _, run = short
    copy = tmp_path / "run"
    copy.mkdir()
    for file in run.iterdir():
        (copy / file.name).write_bytes(file.read_bytes())
    (copy / damage).write_bytes(b"nonsense")
    done = plylane("replay", copy, "--json", cwd=tmp_path)
    assert_one_line(done)
    assert damage in done.stderr


def test_what_the_head_refuses_ends_the_demo_with_the_reason(tmp_path: Path) -> None:
    scenario = tmp_path / "hot.toml"
    scenario.write_text(SHORT.replace("[40.0, 36.0]", "[200.0, 36.0]"))
    done = plylane("demo", "--headless", "--scenario", scenario, "--json", cwd=tmp_path)
    assert_one_line(done)
    assert "140" in done.stderr  # the zone's highest setpoint
    form = last_json(done.stdout)
    assert form["state"] == "Idle"
    assert form["trouble"] in done.stderr
    assert form["time_s"] < 10.0


@pytest.mark.parametrize("slip", ['"x"', "[1.0]", "99.0"])
def test_nonsense_among_recorded_settings(short, tmp_path: Path, slip: str) -> None:
    _, run = short
    copy = tmp_path / "run"
    copy.mkdir()
    for file in run.iterdir():
        (copy / file.name).write_bytes(file.read_bytes())
    text = (copy / "run.toml").read_text()
    old = '"machine.expected_slip_percent" = 1.5'
    assert old in text
    (copy / "run.toml").write_text(text.replace(old, f'"machine.expected_slip_percent" = {slip}'))
    done = plylane("replay", copy, "--json", cwd=tmp_path)
    assert_one_line(done)
    assert "expected_slip_percent" in done.stderr


def test_the_log_tells_the_settings_in_force(short) -> None:
    _, run = short
    settings = tomllib.loads((run / "run.toml").read_text())["settings"]
    assert settings["guards.settle_time_s"] == 0.0
    assert settings["zone_settings.band_degC"] == [5.0, 5.0, 1.0]


@pytest.mark.skipif(os.name == "nt", reason="pseudo terminals are POSIX")
def test_the_demo_shows_its_first_screen_within_ten_seconds(tmp_path: Path) -> None:
    ours, theirs = os.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    command = [sys.executable, "-m", "plylane.cli", "demo"]
    begin = time.monotonic()
    with subprocess.Popen(
        command, cwd=tmp_path, stdin=theirs, stdout=theirs, stderr=theirs, close_fds=True
    ) as process:
        os.close(theirs)
        seen = b""
        while b"pendant lamp rib" not in seen or b"guide" not in seen:
            assert time.monotonic() - begin < 10.0, seen[-300:]
            if select.select([ours], [], [], 0.5)[0]:
                seen += os.read(ours, 65536)
        process.kill()
    os.close(ours)


def assert_one_line(done: subprocess.CompletedProcess[str]) -> None:
    lines = [line for line in done.stderr.splitlines() if not line.startswith("Connecting")]
    assert done.returncode == 2, (done.stdout, done.stderr)
    assert len(lines) == 1, done.stderr
    assert lines[0].startswith("plylane: ")
    assert "Traceback" not in done.stderr


def test_seconds_end_a_demo_early(tmp_path: Path) -> None:
    done = plylane("demo", "--headless", "--seconds", 5, "--json", cwd=tmp_path, check=True)
    form = last_json(done.stdout)
    assert form["state"] == "Starting"
    assert 5.0 <= form["time_s"] < 5.2


def test_ports_lists_or_says_that_there_are_none(tmp_path: Path) -> None:
    done = plylane("ports", cwd=tmp_path, check=True)
    assert done.stdout.strip()


@pytest.mark.skipif(os.name == "nt", reason="SIGTERM is POSIX")
def test_the_gateway_serves_tells_who_writes_and_ends_cleanly(short, tmp_path: Path) -> None:
    scenario, _ = short
    command = [sys.executable, "-m", "plylane.cli", "gateway", "--port", f"twin://{scenario}"]
    command += ["--listen", "127.0.0.1:0", "--writer", "127.0.0.1"]
    with subprocess.Popen(
        command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        try:
            assert process.stdout is not None and process.stderr is not None
            assert "Connecting" in process.stderr.readline()
            served = process.stderr.readline()
            assert "127.0.0.1 may write" in served
            port = int(served.split(";")[0].rpartition(":")[2])
            client = ModbusTcpClient("127.0.0.1", port=port, timeout=5.0)
            assert client.connect()
            tries = (client.write_register(PATH_SPEED, 900).isError() for _ in range(20))
            assert not all(tries)  # on a busy machine one may come too late to be sent on
            client.close()
            lines = [process.stdout.readline() for _ in range(3)]
            # the gateway's own line may come after that of a writer who was quick
            told = [line for line in lines if " writes" in line]
            assert " writes\n" in told[0] and "writes no more" in told[1], lines
            process.send_signal(signal.SIGTERM)
            out, _ = process.communicate(timeout=20)
            assert process.returncode == 0
        finally:
            process.kill()  # a served port must not outlive a failed test
    (run,) = (tmp_path / "runs").iterdir()
    assert str(run.relative_to(tmp_path)) in out
    with pa.OSFile(str(run / "journal.arrows")) as file:
        kinds = pa.ipc.open_stream(file).read_all().column("kind").to_pylist()
    assert sorted(kinds) == ["gateway", "writer_lost", "writer_taken"]


def test_the_demos_journal_tells_of_every_strip_and_joint(demo) -> None:
    folder, form = demo
    with pa.OSFile(str(folder / form["run"] / "journal.arrows")) as file:
        told = pa.ipc.open_stream(file).read_all().to_pylist()
    joints = [entry["lane"] for entry in told if entry["kind"] == "joint"]
    assert joints == [1, 2, 3, 4, 5, 1]  # strips of 2.4 m, the first ones cut 0.48 m apart
    assert [entry["lane"] for entry in told if entry["kind"] == "strip_loaded"] == joints
    assert not any(entry["kind"] == "joints_close" for entry in told)


@pytest.mark.skipif(os.name == "nt", reason="pseudo terminals are POSIX")
def test_twin_on_a_pty_ends_cleanly_on_sigterm(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "plylane.cli", "twin", "--pty", "head"]
    with subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert "pendant lamp rib" in process.stdout.readline()
        for _ in range(100):
            if (tmp_path / "head").is_symlink():
                break
            time.sleep(0.05)
        assert (tmp_path / "head").exists()
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0
    assert not (tmp_path / "head").is_symlink()
