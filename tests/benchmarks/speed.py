"""How fast things are, as ratios measured in this one run.

    python tests/benchmarks/speed.py [--seconds 120]

- twin through the in-process door: virtual seconds a wall second, one telemetry read every 20 ms
- the same polls taken inside the core, as the study takes them
- twin through the typed client, framed and checked by pymodbus, over the virtual line: the same
- polls a second of the client in real time on the twin's line against what the wire allows
- rows a second in replay (read and judge) against reading the same file with pyarrow alone
- a run of ten hours, the same: processor time of reading and judging it against reading it with
  pyarrow and one numpy pass over the columns that are judged; and the most memory that took
"""

from __future__ import annotations

import argparse
import resource
import shutil
import tempfile
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.ipc
from pymodbus.framer import FramerRTU

from plylane.demo import Demo
from plylane.head.client import HeadClient
from plylane.head.poller import Poller
from plylane.head.registers import Command, State
from plylane.head.snapshot import FIRST_WORD, Fitted
from plylane.jam import columns_used
from plylane.recording import Recording
from plylane.run_setup import RunSetup
from plylane.twin_door import demo_scenario, twin_url
from plylane_twin import DEMO_SCENARIO, Scenario, Twin
from plylane_twin.direct import DirectPort

POLL_MS = 20
TEN_HOURS_ROWS = 10 * 3600 * 50
BATCH_ROWS = 50  # what the recorder writes in a second
CHARACTER_S = 11 / 115_200  # MODBUS over Serial Line V1.02, 2.5.1: 11 bits a character
SILENCE_S = 1.75e-3  # the same, above 19200 baud
FITTED = Fitted(zones=2, drives=3, lanes=5)


def request() -> bytes:
    """The read of one whole snapshot from unit 1."""
    body = bytes([1, 4, 0, FIRST_WORD, 0, FITTED.words])
    return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")


def feeding() -> Twin:
    """A twin that feeds: the dearest state to compute."""
    text = DEMO_SCENARIO.read_text(encoding="utf-8").split("[[fault]]")[0]
    twin = Twin(Scenario.parse(text), seed=7)
    client = HeadClient.open("direct", opener=lambda _: DirectPort(twin))
    setup = RunSetup(length_mm=1_000_000, speed_mm_s=14, setpoints_degC=[40, 40])
    client.command(Command.RESET)
    twin.advance(500)
    setup.start(client)
    while client.snapshot().telemetry.state != State.EXECUTE:
        twin.advance(POLL_MS)
    return twin


def in_process(seconds: float) -> float:
    """Virtual seconds a wall second through `Twin.exchange`, feeding."""
    twin, frame = feeding(), request()
    begin = time.perf_counter()
    for _ in range(round(seconds * 1000 / POLL_MS)):
        twin.advance(POLL_MS)
        answer = twin.exchange(frame)
    assert len(answer) == 5 + 2 * FITTED.words
    return seconds / (time.perf_counter() - begin)


def recorded(seconds: float) -> float:
    """Virtual seconds a wall second through `Twin.record`, feeding."""
    twin, frame = feeding(), request()
    HeadClient.open("direct", opener=lambda _: DirectPort(twin)).take_events()  # none shall wait
    into = bytearray(round(seconds * 1000 / POLL_MS) * 2 * FITTED.words)
    begin = time.perf_counter()
    rows = twin.record(frame, into, 2 * FITTED.words, POLL_MS)
    assert rows * 2 * FITTED.words == len(into)
    return seconds / (time.perf_counter() - begin)


def through_client(seconds: float) -> float:
    """Virtual seconds a wall second through poller, client, pymodbus and the twin's line."""
    client = HeadClient.open(twin_url(demo_scenario(), 7, "virtual"))
    poller = Poller(client)
    begin = time.perf_counter()
    for _ in range(round(seconds * 1000 / POLL_MS)):
        poller.step()
    return seconds / (time.perf_counter() - begin)


def polls_against_the_wire(seconds: float) -> tuple[float, float]:
    """Polls a second back to back in real time, and the most the wire allows without latency."""
    client = HeadClient.open(twin_url(demo_scenario(), 7, "wall"))
    begin_s, polls = client.clock.now(), 0
    while client.clock.now() - begin_s < seconds:
        client.snapshot()
        polls += 1
    wire_s = (8 + 5 + 2 * FITTED.words) * CHARACTER_S + SILENCE_S
    return polls / seconds, 1 / wire_s


def replay(folder: Path) -> tuple[float, float]:
    """Rows a second of reading and judging a run, and of reading its telemetry with pyarrow."""
    best = []
    for work in (lambda: Recording.open(folder).run.rows, lambda: plain_rows(folder)):
        times = []
        for _ in range(5):
            begin = time.perf_counter()
            rows = work()
            times.append(time.perf_counter() - begin)
        best.append(rows / min(times))
    return best[0], best[1]


def plain_rows(folder: Path) -> int:
    """Read every column with pyarrow alone."""
    with pa.OSFile(str(folder / "telemetry.arrows")) as file:
        return int(pa.ipc.open_stream(file).read_all().num_rows)


def lengthened(folder: Path, into: Path, rows: int = TEN_HOURS_ROWS) -> Path:
    """A run over and over until it has so many rows; each time feeding begins afresh."""
    shutil.copytree(folder, into)
    with pa.OSFile(str(folder / "telemetry.arrows")) as file:
        table = pa.ipc.open_stream(file).read_all().combine_chunks()
    times = -(-rows // table.num_rows)
    at = table.schema.get_field_index("time_s")
    first, length_s = table["time_s"][0].as_py(), table["time_s"][-1].as_py()
    with (
        pa.OSFile(str(into / "telemetry.arrows"), "wb") as sink,
        pa.ipc.new_stream(sink, table.schema) as writer,
    ):
        for number in range(times):
            later = np.asarray(table["time_s"]) + number * (length_s - first + 0.02)
            part = table.set_column(at, table.schema.field(at), pa.array(later))
            writer.write_table(part, max_chunksize=BATCH_ROWS)
    return into


def ten_hours(folder: Path) -> tuple[float, float, int]:
    """Processor seconds of replay and of pyarrow with one pass; the rows. Least of three each."""
    used = columns_used(FITTED.lanes, FITTED.zones)

    def plain() -> int:
        with pa.OSFile(str(folder / "telemetry.arrows")) as file:
            table = pa.ipc.open_stream(file).read_all()
        for name in used:
            for chunk in table[name].chunks:
                np.sum(chunk.to_numpy())
        return int(table.num_rows)

    least = []
    for work in (lambda: Recording.open(folder).run.rows, plain):
        times = []
        for _ in range(3):
            begin = time.process_time()
            rows = work()
            times.append(time.process_time() - begin)
        least.append(min(times))
        if not least[1:]:  # pyarrow alone holds the whole file
            memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
            print(f"replay of ten hours       {memory / 1024:8.0f} MiB at most")
    return least[0], least[1], rows


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--seconds", type=float, default=120.0, help="virtual seconds a measurement"
    )
    seconds = parser.parse_args().seconds
    print(f"in-process door           {in_process(seconds):8.0f} x real time   (aim: over 500)")
    print(f"polls inside the core     {recorded(seconds):8.0f} x real time")
    print(f"client over virtual line  {through_client(seconds):8.1f} x real time   (aim: over 15)")
    polls, most = polls_against_the_wire(min(seconds, 20.0))
    share = f"of {most:.1f} that the wire allows: {polls / most:.0%}"
    print(f"polls a second            {polls:8.1f} {share}")
    with tempfile.TemporaryDirectory() as folder:
        demo = Demo(demo_scenario(), 7, "virtual", Path(folder))
        outcome = demo.play(3600.0, lambda state, share: None)
        judged, plain = replay(outcome.run)
        share = f"= {judged / plain:.0%} of pyarrow alone ({plain:.0f})"
        print(f"replay, rows a second     {judged:8.0f} {share}")
        long_s, plain_s, rows = ten_hours(lengthened(outcome.run, Path(folder) / "long"))
        print(f"replay of ten hours       {long_s / plain_s:8.2f} x pyarrow and one pass (aim: 2)")
        print(f"                          {rows} rows: {long_s:.2f} s and {plain_s:.2f} s")


if __name__ == "__main__":
    main()
