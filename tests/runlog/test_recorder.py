"""Recording: what goes in comes out, the same rows give the same bytes, no disk stalls a run."""

from __future__ import annotations

import io
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

import made_run as made
from plylane.head.registers import State
from plylane.runlog import Recorder, Run, RunError, recorder, schema

STREAMS = ("telemetry.arrows", "events.arrows", "findings.arrows", "journal.arrows")


def test_what_is_recorded_is_read_back(tmp_path: Path) -> None:
    made.record(tmp_path / "run", made.FIVE_LANES, rows=130).close(State.COMPLETE)
    run = Run.open(tmp_path / "run")
    assert run.torn is None
    assert run.info.end is not None and run.info.end.state == "complete"
    assert run.info.model_copy(update={"end": None}) == made.FIVE_LANES
    wanted = [schema.row(made.snapshot(made.FIVE_LANES, number)) for number in range(130)]
    assert list(run.telemetry_rows()) == wanted
    assert list(run.telemetry_rows(60, 65)) == wanted[60:65]
    texts = ["State execute", "Alarm lane stopped: lane 3"]
    assert run.events.column("text").to_pylist() == texts
    assert run.recorded_findings() == [finding.to_json() for finding in made.FINDINGS]


def test_a_plan_with_things_not_set_is_kept_without_them(tmp_path: Path) -> None:
    plan = {"cut_at_mm": None, "lanes": [1, None], "stagger": {"least_mm": 300.0, "seed": None}}
    info = made.SMALL.model_copy(
        update={"plan": {**plan, "file": Path("rib.toml"), "ends": (1, 2)}}
    )
    made.record(tmp_path / "run", info).close("complete")
    kept = {"lanes": [1], "stagger": {"least_mm": 300.0}, "file": "rib.toml", "ends": [1, 2]}
    assert Run.open(tmp_path / "run").info.plan == kept


def test_every_column_says_its_unit_and_scale() -> None:
    columns = schema.telemetry_schema(2, 3, 5)
    assert tuple(columns.names) == schema.columns(2, 3, 5)
    assert columns.field("lane3_position_mm").metadata[b"unit"] == b"mm"
    assert columns.field("zone1_pv_degC").metadata[b"scale"] == b"0.01"
    assert columns.field("trim_ppm").metadata[b"unit"] == b"ppm"
    for field in (*columns, *schema.EVENT_SCHEMA, *schema.FINDING_SCHEMA):
        assert b"unit" in field.metadata
        # the name agrees with the unit where it carries one
        for ending, unit in {"_mm": b"mm", "_mm_s": b"mm/s", "_degC": b"degC", "_s": b"s"}.items():
            if field.name.endswith(ending) and not field.name.endswith("_mm_s"):
                assert field.metadata[b"unit"] == unit, field.name


@pytest.mark.parametrize("fitted", [(0, 3, 5), (2, 4, 5), (2, 3, 9)])
def test_a_head_that_cannot_be_has_no_columns(fitted: tuple[int, int, int]) -> None:
    with pytest.raises(ValueError, match="is outside 1 to"):
        schema.columns(*fitted)


def test_the_same_rows_give_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        made.record(tmp_path / name, made.FIVE_LANES).close("complete")
    for name in (*STREAMS, "run.toml"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_the_journal_reads_as_it_was_told(tmp_path: Path) -> None:
    made.record(tmp_path / "run").close("complete")
    assert Run.open(tmp_path / "run").journal_entries() == made.JOURNAL


def test_a_live_recorder_keeps_the_same_rows(tmp_path: Path) -> None:
    for name, live in (("inline", False), ("live", True)):
        made.record(tmp_path / name, live=live).close("stopped")
    inline, live_run = Run.open(tmp_path / "inline"), Run.open(tmp_path / "live")
    for table in ("telemetry", "events", "findings", "journal"):
        assert getattr(inline, table).equals(getattr(live_run, table))
    assert live_run.torn is None and live_run.info == inline.info


def test_plain_pyarrow_opens_the_log(tmp_path: Path) -> None:
    """In a process of its own that never sees plylane."""
    made.record(tmp_path / "run", made.FIVE_LANES, rows=130).close("complete")
    snippet = (
        "import pyarrow.ipc, sys\n"
        "table = pyarrow.ipc.open_stream(sys.argv[1]).read_all()\n"
        "field = table.schema.field('feed_position_mm')\n"
        "unit = field.metadata[b'unit'].decode()\n"
        "print(table.num_rows, field.type, unit, 'plylane' in sys.modules)"
    )
    file = str(tmp_path / "run" / "telemetry.arrows")
    done = subprocess.run(
        [sys.executable, "-I", "-c", snippet, file], capture_output=True, text=True, check=True
    )
    assert done.stdout.split() == ["130", "double", "mm", "False"]


def test_telemetry_is_on_disk_within_a_second(tmp_path: Path) -> None:
    recorder_ = Recorder(tmp_path / "run", made.SMALL)
    for number in range(500):
        recorder_.on_snapshot(made.snapshot(made.SMALL, number))
        if number % 10 == 0:
            rows = Run.open(tmp_path / "run").rows
            assert number - rows < 50  # fifty a second


def test_events_and_findings_are_on_disk_at_once(tmp_path: Path) -> None:
    recorder_ = Recorder(tmp_path / "run", made.SMALL)
    recorder_.on_snapshot(made.snapshot(made.SMALL, 0))
    recorder_.on_events(made.EVENTS)
    recorder_.on_findings(made.FINDINGS)
    run = Run.open(tmp_path / "run")
    assert (run.events.num_rows, run.findings.num_rows) == (2, 2)


def test_a_recorded_run_is_never_written_over(tmp_path: Path) -> None:
    made.record(tmp_path / "run").close("complete")
    before = {file: file.read_bytes() for file in (tmp_path / "run").iterdir()}
    with pytest.raises(RunError, match=r"holds something already; give a new folder"):
        Recorder(tmp_path / "run", made.SMALL)
    assert before == {file: file.read_bytes() for file in (tmp_path / "run").iterdir()}


# ------------------------------------------------------------------ trouble with the disk


def test_no_run_log_where_none_can_be(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(RunError, match="give another folder"):
        Recorder(tmp_path / "file" / "run", made.SMALL)


def full_device(path: Path) -> io.FileIO:
    return io.FileIO("/dev/full", "wb")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no /dev/full")
def test_a_device_without_room_is_told_before_the_run(tmp_path: Path) -> None:
    with pytest.raises(RunError, match="No space left on device"):
        Recorder(tmp_path / "run", made.SMALL, opener=full_device)


@pytest.mark.parametrize("left", [0, 1, 700, 3000, 7001])
def test_a_full_disk_raises_one_alarm_and_the_run_goes_on(tmp_path: Path, left: int) -> None:
    alarms: list[str] = []
    made.FullDisk.left = 10**9
    full = Recorder(tmp_path / "run", made.SMALL, alarm=alarms.append, opener=made.FullDisk)
    for number in range(100):
        full.on_snapshot(made.snapshot(made.SMALL, number))
    made.FullDisk.left = left
    for number in range(100, 400):
        full.on_snapshot(made.snapshot(made.SMALL, number))
    assert len(alarms) == 1 and "No space left on device" in alarms[0]
    # whatever got onto the disk before is whole
    rows = list(Run.open(tmp_path / "run").telemetry_rows())
    assert rows == [schema.row(made.snapshot(made.SMALL, n)) for n in range(len(rows))]

    made.FullDisk.left = 10**9  # somebody made room: nothing of the last minute is lost
    for number in range(400, 500):
        full.on_snapshot(made.snapshot(made.SMALL, number))
    full.close("complete")
    assert len(alarms) == 2 and "written again; 0 rows were lost" in alarms[1]
    run = Run.open(tmp_path / "run")
    assert run.torn is None
    assert list(run.telemetry_rows()) == [
        schema.row(made.snapshot(made.SMALL, n)) for n in range(500)
    ]


def test_a_disk_that_stays_full_costs_rows_and_says_how_many(tmp_path: Path) -> None:
    alarms: list[str] = []
    made.FullDisk.left = 10**9
    full = Recorder(tmp_path / "run", made.SMALL, alarm=alarms.append, opener=made.FullDisk)
    made.FullDisk.left = 0
    for number in range(4000):
        full.on_snapshot(made.snapshot(made.SMALL, number))
    made.FullDisk.left = 10**9
    full.close("aborted")
    run = Run.open(tmp_path / "run")
    assert run.info.end is not None
    assert run.info.end.rows_lost == 4000 - run.rows > 0
    assert run.rows >= 3000  # a minute
    assert len(alarms) == 2


def test_a_file_size_limit_of_the_system_is_survived(tmp_path: Path) -> None:
    """A real refusal by the kernel (RLIMIT_FSIZE), in a process of its own."""
    resource = pytest.importorskip("resource")
    assert resource.RLIMIT_FSIZE >= 0
    script = (
        "import resource, sys\n"
        "sys.path.insert(0, sys.argv[2])\n"
        "import made_run as made\n"
        "alarms = []\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (25000, 25000))\n"
        "made.record(sys.argv[1], rows=1000, alarm=alarms.append).close('complete')\n"
        "print(len(alarms), alarms[0])"
    )
    command = [sys.executable, "-c", script, str(tmp_path / "run"), str(Path(__file__).parent)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert "File too large" in done.stdout and "make room" in done.stdout
    run = Run.open(tmp_path / "run")
    assert 50 < run.rows < 1000
    assert run.info.end is not None and run.info.end.rows_lost == 1000 - run.rows


def test_a_disk_that_hangs_stalls_nobody(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recorder, "MOST_ROWS_WAITING", 20)
    monkeypatch.setattr(recorder, "CLOSING_TIME_S", 0.05)
    answers, alarms = threading.Event(), []
    answers.set()

    class Hanging(made.FullDisk):
        def write(self, data: object, /) -> int:
            answers.wait()
            return super().write(data)

    made.FullDisk.left = 10**9
    hung = Recorder(tmp_path / "run", made.SMALL, alarm=alarms.append, live=True, opener=Hanging)
    answers.clear()
    started = time.monotonic()
    for number in range(2000):
        hung.on_snapshot(made.snapshot(made.SMALL, number))
    hung.close("aborted")
    took_s = time.monotonic() - started
    answers.set()
    assert took_s < 2.0  # 40 s of run
    assert any("too slow" in alarm for alarm in alarms)
    assert any("does not answer" in alarm for alarm in alarms)
    assert Run.open(tmp_path / "run").torn is not None


def test_a_value_that_fits_no_column_costs_its_rows_not_the_run(tmp_path: Path) -> None:
    alarms: list[str] = []
    odd = Recorder(tmp_path / "run", made.SMALL, alarm=alarms.append)
    two_lanes = made.SMALL.model_copy(update={"lanes": 2})
    odd.on_snapshot(made.snapshot(two_lanes, 0))
    odd.on_snapshot(made.snapshot(made.SMALL, 100))
    for number in range(101, 200):
        odd.on_snapshot(made.snapshot(made.SMALL, number))
    odd.close("complete")
    run = Run.open(tmp_path / "run")
    assert run.torn is None and run.rows == 99
    assert run.info.end is not None and run.info.end.rows_lost == 2
    assert len(alarms) == 2


def test_killing_the_recording_process_loses_at_most_a_second(tmp_path: Path) -> None:
    script = (
        "import sys, time\n"
        "sys.path.insert(0, sys.argv[2])\n"
        "import made_run as made\n"
        "recorder = made.record(sys.argv[1], rows=0, live=True)\n"
        "begun = time.monotonic()\n"
        "for number in range(10_000):\n"
        "    time.sleep(max(0.0, begun + 0.02 * number - time.monotonic()))\n"
        "    recorder.on_snapshot(made.snapshot(made.SMALL, number))\n"
        "    print(number, flush=True)\n"
    )
    command = [sys.executable, "-c", script, str(tmp_path / "run"), str(Path(__file__).parent)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        for line in child.stdout:
            if int(line) >= 95:
                child.kill()
                break
        last = int(([line, *child.stdout.read().split()])[-1])
    run = Run.open(tmp_path / "run")
    assert run.torn is not None and run.info.end is None
    assert last - run.rows < 50  # fifty rows a second
    kept = [schema.row(made.snapshot(made.SMALL, number)) for number in range(run.rows)]
    assert list(run.telemetry_rows()) == kept
