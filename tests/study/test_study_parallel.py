"""The map that keeps its results: cut off anywhere, it goes on and comes to the same."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane import parallel
from plylane.parallel import Spread, spread_map
from plylane.study_errors import ParallelError

CHUNKS = {f"chunk {number}": number for number in range(7)}
ONE = Spread(jobs=1)
calls: list[int] = []


def third(number: int) -> dict[str, Any]:
    """A result that does not survive careless rounding."""
    calls.append(number)
    return {"number": number, "third": number / 3.0, "text": 'a "line"\nand more'}


def fails_at_four(number: int) -> dict[str, Any]:
    if number == 4:
        raise ParallelError("four")
    return third(number)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, str]:
    """The file and the results of a run in one go."""
    path = tmp_path_factory.mktemp("whole") / "kept.jsonl"
    results = spread_map(third, CHUNKS, path, ONE)
    return path.read_bytes(), json.dumps(results)


@given(data=st.data())
def test_a_file_cut_off_at_any_byte_is_gone_on_with(
    whole: tuple[bytes, str], tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    kept, results = whole
    cut = data.draw(st.integers(0, len(kept)))
    path = tmp_path_factory.mktemp("cut") / "kept.jsonl"
    path.write_bytes(kept[:cut])
    calls.clear()
    again = spread_map(third, CHUNKS, path, ONE)
    assert json.dumps(again) == results
    assert calls == list(CHUNKS.values())[kept[:cut].count(b"\n") :]  # only what was missing
    assert path.read_bytes() == kept


def test_what_was_finished_before_an_error_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "new" / "kept.jsonl"
    with pytest.raises(ParallelError, match="four"):
        spread_map(fails_at_four, CHUNKS, path, ONE)
    calls.clear()
    results = spread_map(third, CHUNKS, path, ONE)
    assert calls == [4, 5, 6]
    assert results == [json.loads(json.dumps(third(number))) for number in CHUNKS.values()]


def ends_its_process(number: int) -> dict[str, Any]:
    os._exit(number)


def test_workers_that_are_ended_are_said(cluster: str, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ParallelError, match="workers were lost"):
        spread_map(ends_its_process, CHUNKS, None, Spread(jobs=2))
    monkeypatch.setattr(parallel, "SILENCE_S", 2.0)
    with pytest.raises(ParallelError, match="workers were lost"):
        spread_map(ends_its_process, CHUNKS, None, Spread(cluster=cluster))


class Unportable(Exception):  # noqa: N818
    def __init__(self, what: str, why: str) -> None:
        super().__init__(f"{what}, {why}")


def fails_unportably(number: int) -> dict[str, Any]:
    raise Unportable("late", "tired")


def test_an_error_that_cannot_travel_is_told_in_words() -> None:
    with pytest.raises(ParallelError, match="Unportable: late, tired"):
        spread_map(fails_unportably, CHUNKS, None, Spread(jobs=2))


@pytest.mark.parametrize("where", ["processes", "cluster"])
def test_what_a_worker_raises_comes_back(where: str, cluster: str) -> None:
    spread = Spread(jobs=2) if where == "processes" else Spread(cluster=cluster)
    with pytest.raises(ParallelError, match="four"):
        spread_map(fails_at_four, CHUNKS, None, spread)


def test_another_key_is_other_work(tmp_path: Path) -> None:
    path = tmp_path / "kept.jsonl"
    spread_map(third, {"mark 1": 1}, path, ONE)
    told: list[tuple[int, int]] = []
    chunks = {"mark 2": 2, "mark 1": 1}
    results = spread_map(third, chunks, path, ONE, lambda *now: told.append(now))
    assert [result["number"] for result in results] == [2, 1]
    assert told == [(1, 2), (2, 2)]


def test_processes_give_the_order_of_the_chunks() -> None:
    results = spread_map(third, CHUNKS, None, Spread(jobs=2))
    assert [result["number"] for result in results] == list(CHUNKS.values())


def test_a_folder_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(ParallelError, match="give another folder"):
        spread_map(third, CHUNKS, tmp_path / "file" / "kept.jsonl", ONE)


def test_no_scheduler_is_said(tmp_path: Path) -> None:
    with pytest.raises(ParallelError, match="No Dask scheduler"):
        spread_map(third, CHUNKS, tmp_path / "kept" / "file", Spread(cluster="not an address"))
    assert not list(tmp_path.iterdir())  # nothing came of it, so nothing is left behind
