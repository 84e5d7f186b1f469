"""Reading what a crash left: cut at every byte, and filled with rubbish."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import made_run as made
from plylane.runlog import Run, RunError

TABLES = {"telemetry.arrows": "telemetry", "events.arrows": "events", "findings.arrows": "findings"}
TABLES["journal.arrows"] = "journal"


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("whole") / "run"
    made.record(folder).close("complete")
    return folder


@pytest.fixture
def copy(whole: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(whole, tmp_path / "run"))


def batch_ends(file: Path) -> list[tuple[int, int]]:
    """(byte, rows so far) at the end of the header and of every batch, by pyarrow alone."""
    source = pa.BufferReader(file.read_bytes())
    reader = pa.ipc.open_stream(source)
    ends = [(source.tell(), 0)]
    for batch in reader:
        ends.append((source.tell(), ends[-1][1] + batch.num_rows))
    return ends


@pytest.mark.parametrize("name", TABLES)
def test_cut_at_every_byte_every_whole_batch_is_read_and_the_tear_told(
    tmp_path: Path, name: str
) -> None:
    copy = tmp_path / "run"
    made.record(copy, rows=45).close("complete")  # two batches: every byte of more takes long
    whole_run = Run.open(copy)
    assert whole_run.torn is None
    table = getattr(whole_run, TABLES[name])
    ends, file = batch_ends(copy / name), copy / name
    assert len(ends) >= 3
    for size in range(file.stat().st_size - 1, -1, -1):
        with file.open("r+b") as stream:
            stream.truncate(size)
        run = Run.open(copy)
        rows = max((rows for end, rows in ends if end <= size), default=0)
        got = getattr(run, TABLES[name])
        assert got.num_rows == rows, size
        assert run.torn is not None and name in run.torn, size
        if size in {end for end, _ in ends}:
            assert got.equals(table.slice(0, rows))
            assert "no end mark" in run.torn


def test_a_missing_end_is_told_although_all_streams_are_whole(copy: Path) -> None:
    text = (copy / "run.toml").read_text()
    (copy / "run.toml").write_text(text[: text.index("[end]")])
    run = Run.open(copy)
    assert run.torn == "run.toml has no [end]" and run.rows == 125


def test_a_log_from_before_there_was_a_journal_is_whole(copy: Path) -> None:
    (copy / "journal.arrows").unlink()
    edit("journal_rows = 2\n", "")(copy)
    run = Run.open(copy)
    assert run.torn is None and run.journal_entries() == []


def test_a_journal_from_before_there_were_numbers_is_whole(copy: Path) -> None:
    table = Run.open(copy).journal.drop_columns(["numbers"])
    with pa.ipc.new_stream(copy / "journal.arrows", table.schema) as out:
        out.write_table(table)
    run = Run.open(copy)
    assert run.torn is None and run.journal_entries() == made.JOURNAL


def test_a_journal_that_has_gone_is_told(copy: Path) -> None:
    (copy / "journal.arrows").unlink()
    with pytest.raises(RunError, match=r"journal.arrows: is missing"):
        Run.open(copy)


def test_rows_that_are_missing_before_a_whole_end_are_told(copy: Path) -> None:
    file = copy / "telemetry.arrows"
    ends, data = batch_ends(file), file.read_bytes()
    file.write_bytes(data[: ends[1][0]] + data[ends[2][0] :])
    run = Run.open(copy)
    assert run.torn is not None and "rows of 125" in run.torn


@pytest.mark.parametrize(
    "rubbish", [b"\0", b"\0" * 4096, b"\xff" * 64, b"\xff\xff\xff\xff\0\0\0\0"]
)
def test_rubbish_behind_the_end_is_left_out_and_told(copy: Path, rubbish: bytes) -> None:
    """A file system may leave zeros behind after a power cut."""
    with (copy / "telemetry.arrows").open("ab") as stream:
        stream.write(rubbish)
    run = Run.open(copy)
    assert run.rows == 125 and run.torn is not None


@pytest.mark.parametrize("name", TABLES)
@given(data=st.data())
@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_damage_anywhere_is_read_around_or_refused_in_one_line(
    whole: Path, tmp_path: Path, name: str, data: st.DataObject
) -> None:
    shutil.copytree(whole, tmp_path / "run", dirs_exist_ok=True)
    file = tmp_path / "run" / name
    content = bytearray(file.read_bytes())
    at = data.draw(st.integers(0, len(content) - 1))
    damage = data.draw(st.binary(min_size=1, max_size=12))
    content[at : at + len(damage)] = damage
    file.write_bytes(content)
    try:
        run = Run.open(tmp_path / "run")
        run.telemetry.to_pylist(), run.events.to_pylist()
    except RunError as error:
        assert str(file) in str(error) and "\n" not in str(error)


# ------------------------------------------------------------------ bad run folders


def write(name: str, text: str | bytes) -> Callable[[Path], None]:
    data = text if isinstance(text, bytes) else text.encode()
    return lambda folder: (folder / name).write_bytes(data) and None


def edit(old: str, new: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        text = (folder / "run.toml").read_text()
        assert old in text
        (folder / "run.toml").write_text(text.replace(old, new))

    return change


BAD = {
    "no folder": (shutil.rmtree, "no such run folder"),
    "no run.toml": (lambda f: (f / "run.toml").unlink(), "run.toml: is missing"),
    "no telemetry": (lambda f: (f / "telemetry.arrows").unlink(), "telemetry.arrows: is missing"),
    "empty run.toml": (write("run.toml", ""), "format is None"),
    "not TOML": (write("run.toml", "format = "), "is not TOML"),
    "binary": (write("run.toml", b"\xff\xfe\0"), "not UTF-8"),
    "later format": (edit("run 1", "run 2"), "format is 'plylane run 2', this program reads"),
    "other format": (write("run.toml", 'format = "plylane scenario 1"'), "format is 'plylane scen"),
    "too many lanes": (edit("lanes = 1", "lanes = 9"), "lanes: Input should be less than or equal"),
    "lanes in words": (
        edit("lanes = 1", 'lanes = "one"'),
        "lanes: Input should be a valid integer",
    ),
    "no lanes": (edit("lanes = 1\n", ""), "lanes: Field required"),
    "unknown key": (edit("lanes = 1", "lanes = 1\nlane = 2"), "lane: Extra inputs"),
    "other lanes": (edit("lanes = 1", "lanes = 2"), "telemetry.arrows: holds other columns"),
    "not Arrow": (
        write("events.arrows", b"time_s,code\n" * 9),
        "does not begin as an Arrow stream",
    ),
    "other stream": (
        lambda f: shutil.copy(f / "events.arrows", f / "findings.arrows"),
        "findings.arrows: holds other columns",
    ),
    "folder for a file": (
        lambda f: [(f / "events.arrows").unlink(), (f / "events.arrows").mkdir()],
        "events.arrows: cannot be read",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_a_bad_run_folder_gets_one_line_with_file_place_and_remedy(copy: Path, case: str) -> None:
    spoil, message = BAD[case]
    spoil(copy)
    with pytest.raises(RunError) as caught:
        Run.open(copy)
    text = str(caught.value)
    assert message in text
    assert text.startswith(str(copy)) and "; " in text and "\n" not in text


def test_the_version_that_wrote_a_later_format_is_named(tmp_path: Path) -> None:
    made.record(tmp_path / "run", made.FIVE_LANES).close("complete")
    edit("run 1", "run 9")(tmp_path / "run")
    with pytest.raises(RunError, match=r"open it with plylane 0\.1\.0"):
        Run.open(tmp_path / "run")


def test_a_column_a_run_has_not_is_named(copy: Path) -> None:
    run = Run.open(copy)
    assert run.columns(["time_s"])["time_s"].shape == (125,)
    with pytest.raises(RunError, match="has no column lane7_position_mm"):
        run.columns(["lane7_position_mm"])
