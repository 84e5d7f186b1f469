"""Measure the board's program in the simulator: ``python -m plylane_twin.measure --board ELF``.

Every figure is read off the pins, the interrupts and the memory of the simulated chip, none from
the program's own account. What libsimavr gets right is tried first against the data sheet.
"""

from __future__ import annotations

import argparse
import random
import subprocess
import sys
import time
from bisect import bisect
from collections.abc import Callable, Iterator, Sequence
from itertools import cycle
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plylane.head.client import HeadClient
from plylane.head.errors import HeadError
from plylane.head.registers import (
    ALARMS,
    Command,
    FeedSource,
    IdentityRegs,
    SettingsOrigin,
    State,
    StoreAction,
    TrimMode,
    ZoneMode,
)
from plylane_twin.board import BUILT, CLOCK_HZ, Board, BoardError, BoardUnavailable
from plylane_twin.core import TwinUnavailable
from plylane_twin.direct import DirectPort
from plylane_twin.motion import HeadDoor, MotionSource
from plylane_twin.path_file import Piece, RobotPath
from plylane_twin.scenario import Scenario

PULSE, ADC, RX, TX, UDRE, INT0, INT1 = 11, 21, 18, 20, 19, 1, 2  # vectors, from 0 = reset
VECTOR_NAMES = {
    PULSE: "pulse (timer 1)",
    ADC: "converter",
    RX: "character in",
    UDRE: "character out",
    TX: "answer out",
    INT0: "wheel A",
    INT1: "wheel B",
}
PERIOD = 1000  # cycles: 16 kHz
TICK = 16_000
PAINT = 0xA5  # startup.c
RAM_FIRST = 0x100
POLL_MS = 20
PULSES_PER_TURN = 12_300  # in the plant, so that 40 mm/s and 2 % ask for 7987 pulses a second
PULSES_PER_MM = PULSES_PER_TURN / (20.0 * np.pi)
FULL_MM_S = 40.0
FULL_TRIM = 0.02
KIB = 1024
ENDED = (State.COMPLETE, State.HELD, State.STOPPED, State.ABORTED)

NOT_MODELLED = """\
What libsimavr 1.6 does not model, so that nothing here speaks of it: parity and framing faults and
a mismatch of baud rates (a character is a whole byte), the two-byte receive buffer (it keeps 64;
the wait of a received character is measured instead), analog settling and offset of the
converter, brown-out. What it leaves out and the bench adds: four cycles of interrupt response, EEPE
for 3.4 ms, speed bits written after UBRR, the converter's code at the moment of sampling."""


class Bench:
    """A board, its client, and the polls of a host."""

    def __init__(self, elf: Path, plant: str = "", seed: int = 7) -> None:
        text = 'format = "plylane scenario 1"\nname = "measured"\n[line]\nbit_error_rate = 0.0\n'
        self.board = Board(elf, Scenario.parse(f"{text}[plant]\n{plant}\n"), seed)
        self.board.advance(300)
        self.client = HeadClient.open("board", opener=lambda _: DirectPort(self.board))

    @property
    def probe(self) -> Any:
        """What has been measured since forget(): a live cffi `struct bench_probe`."""
        return self.board.bench.probe

    def forget(self) -> None:
        """Measure from here on."""
        self.board._lib.bench_measure(self.board.bench)

    def poll(self, ms: int, until: Callable[[], bool] = lambda: False) -> bool:
        """Poll every 20 ms for that long; True as soon as `until` is."""
        end = self.board.time_ms + ms
        while self.board.time_ms < end:
            due = self.board.time_ms + POLL_MS
            self.client.snapshot()
            self.client.take_events()
            self.board.advance(max(0, due - self.board.time_ms))
            if until():
                return True
        return False

    def reach(self, state: State, ms: int = 5_000) -> None:
        """Poll until the machine is in that state. Raises HeadError."""
        if not self.poll(ms, lambda: self.board.peek("machine.state") == state):
            raise HeadError(f"not {state.name} within {ms} ms; it is {self.standing()}")

    def standing(self) -> str:
        """State and alarms of the head, in words."""
        telemetry = self.client.snapshot().telemetry
        active = [a.name for a in ALARMS if telemetry.alarms_active >> a.number & 1]
        return f"{telemetry.state.name} {' '.join(active)}".strip()


def full_rate(elf: Path) -> Bench:
    """A board with plant and settings for the highest pulse rate, in Idle."""
    bench = Bench(elf, f"pulses_per_turn = {PULSES_PER_TURN}")
    for drive in range(3):
        bench.client.write("drive_settings.pulses_per_m", round(PULSES_PER_MM * 1e5) / 100, drive)
    bench.client.write("guards.mismatch_limit_mm", 300.0)
    bench.client.write("machine.trim_max_percent", 100.0 * FULL_TRIM)
    bench.client.write("feed.trim_ppm", 1e6 * FULL_TRIM)
    bench.client.command(Command.RESET)
    bench.reach(State.IDLE)
    return bench


def feed_length(bench: Bench, length_mm: float) -> None:
    """Begin to feed at full rate."""
    bench.client.write("feed.length_mm", length_mm)
    bench.client.write("feed.speed_mm_s", FULL_MM_S)
    start(bench, FeedSource.LENGTH)


def start(bench: Bench, source: FeedSource) -> None:
    """Start a run with both loops at work and content where they are."""
    bench.client.write("guards.settle_time_s", 0)
    for zone in range(2):
        bench.client.write("zone_settings.band_degC", 5.0, zone)
        bench.client.write("zone.setpoint_degC", 24.0, zone)
        bench.client.write("zone.mode", ZoneMode.AUTOMATIC, zone)
    bench.client.write("feed.source", source)
    bench.client.command(Command.START)


# ---- the single measurements; each yields lines


def timing(elf: Path) -> Iterator[str]:
    """What the simulator's cycles are worth: known times against the data sheet."""
    bench = Bench(elf)
    bench.forget()
    bench.client.snapshot()
    began_s = time.perf_counter()
    bench.board.advance(5000)
    took_s = time.perf_counter() - began_s
    yield f"simulated {5.0 / took_s:.1f} times as fast as real time, idle"
    pulse, out = bench.probe.vector[PULSE], bench.probe.vector[UDRE]
    mean = (bench.board.cycle - bench.probe.since) / pulse.count
    span = f"{pulse.apart_min} to {pulse.apart_max}"
    words = f"timer 1, CTC, OCR1A = 999: every {mean:.2f} cycles, {span}"
    yield verdict(words, abs(mean - 1000.0) < 0.2, "OCR1A + 1 = 1000, give or take an instruction")
    words = f"USART, 8E1, U2X, UBRR = 16: a character every {out.apart_min} cycles at least"
    yield verdict(words, abs(out.apart_min - 1496) <= 8, "11 bits x 8 x (UBRR + 1) = 1496")


def sizes(elf: Path) -> Iterator[str]:
    """Flash, static memory, and the stack by its paint after everything has been asked for."""
    bench = Bench(elf)
    exercise(bench)
    flash, static = bench.board.bench.flash_bytes, bench.board.bench.static_bytes
    stack = deepest_stack(bench.board)
    yield verdict(f"flash {flash} bytes", flash <= 28 * KIB, "at most 28 KiB")
    total = static + stack
    words = f"static memory {static} + deepest stack {stack} = {total} bytes"
    yield verdict(words, total <= 1792, "at most 1.75 KiB")


def exercise(bench: Bench) -> None:
    """Ask for everything once: states, heat, feed, jog, save, events, identification, refusals."""
    client = bench.client
    client.command(Command.RESET)
    bench.reach(State.IDLE)
    for zone in range(2):
        client.write("zone.setpoint_degC", 30.0, zone)
        client.write("zone.mode", ZoneMode.AUTOMATIC, zone)
    client.write("feed.jog_drives", 7)
    client.write("feed.jog_speed_mm_s", 20.0)
    client.write("feed.jog_length_mm", -5.0)
    bench.poll(2_000)
    client.store(StoreAction.SAVE)
    bench.poll(3_000)
    feed_length(bench, 40.0)
    bench.poll(3_000)
    client.store(StoreAction.RELOAD)
    bench.poll(500)
    rough(bench.board)
    client.command(Command.ABORT)
    bench.poll(1_000)


def rough(board: Board) -> None:
    """Garbage, the longest frames, unknown functions."""
    noise = random.Random(1)
    for count in (3, 300, 256, 9):
        board.line.write(noise.randbytes(count))
        board.advance(60)
    board.line.reset_input()


def deepest_stack(board: Board) -> int:
    """Bytes from the top of memory down to the lowest that has lost its paint."""
    end, top = board.symbol("_end"), int(board.bench.ram_top)
    memory = board.memory(end, top + 1 - end)
    painted = len(memory) - len(memory.lstrip(bytes([PAINT])))
    return len(memory) - painted


def pulse_interrupt(elf: Path) -> Iterator[str]:
    """The pulse interrupt at full rate of three drives while a host polls."""
    bench = full_rate(elf)
    feed_length(bench, 400.0)
    bench.poll(1_000)
    bench.forget()
    stopped = bench.poll(4_000, lambda: bench.board.peek("machine.state") != State.EXECUTE)
    probe, cycles = bench.probe, bench.board.cycle - bench.probe.since
    rate = sum(probe.steps) / 3.0 / (cycles / CLOCK_HZ)
    pulse = probe.vector[PULSE]
    yield f"{rate:.0f} pulses a second on each of three drives, polled every {POLL_MS} ms"
    share = pulse.worst / PERIOD
    words = (
        f"pulse interrupt {pulse.worst} cycles at worst, {pulse.total / pulse.count:.0f} on average"
    )
    holds = share <= 0.4 and rate > 7_900.0
    yield verdict(f"{words}: {share:.1%} of its period", holds, "at most 40 % at full rate")
    yield f"it waits {pulse.worst_wait} cycles at worst"
    yield f"step pins stay high {probe.step_high_min} cycles at least"
    yield from others(probe)
    yield f"processor busy {probe.busy / cycles:.1%}"
    if stopped:
        yield f"NOT HELD the head did not go on feeding: {bench.standing()}"


def others(probe: Any) -> Iterator[str]:
    """The other interrupts: how often, how long, how long they wait."""
    for number, name in VECTOR_NAMES.items():
        vector = probe.vector[number]
        if number == PULSE or not vector.count:
            continue
        # what is to be sent waits with its interrupt shut: that wait means nothing
        waits = "" if number in (UDRE, TX) else f", waits {vector.worst_wait} at worst"
        yield f"    {name}: {vector.count} times, {vector.worst} cycles at worst{waits}"


def jitter(elf: Path) -> Iterator[str]:
    """Rising edges of a drive against an even train of pulses, at an ordinary and an odd speed."""
    for speed_mm_s in (14.0, 31.7):
        bench = Bench(elf)
        bench.client.command(Command.RESET)
        bench.reach(State.IDLE)
        feed_length(bench, 200.0)
        bench.client.write("feed.speed_mm_s", speed_mm_s)
        bench.poll(2_000)
        edges = note_edges(bench, 3_000)
        away = off_the_train(edges)
        worst = float(np.abs(away).max()) if away.size else float("nan")
        found = f"{edges.size} pulses lie within {worst:.0f} cycles of an even train"
        words = f"at {speed_mm_s} mm/s {found}"
        yield verdict(words, worst <= PERIOD, "at most one period, 1000 cycles")


def note_edges(bench: Bench, ms: int) -> NDArray[np.float64]:
    """Cycles of the press drive's rising edges while it feeds and the host polls."""
    room = 200_000
    ffi, c = bench.board._ffi, bench.board.bench
    noted = ffi.new("uint64_t[]", room)
    c.edge_cycles, c.edge_room, c.edge_count, c.edge_drive = noted, room, 0, 1
    bench.poll(ms, lambda: bench.board.peek("machine.state") != State.EXECUTE)
    count = c.edge_count
    c.edge_room = 0
    c.edge_cycles = ffi.NULL
    return np.frombuffer(ffi.buffer(noted, 8 * count), dtype=np.uint64).astype(np.float64)


def off_the_train(edges: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance of each edge from the straight line through all (least squares), cycles."""
    if edges.size < 3:
        return np.empty(0)
    index = np.arange(edges.size, dtype=np.float64)
    slope, start = np.polyfit(index, edges - edges[0], 1)
    distance: NDArray[np.float64] = edges - edges[0] - (slope * index + start)
    return distance


def count_pulses(elf: Path, pulses: int) -> Iterator[str]:
    """A length worth that many pulses a drive, counted at the pins while a host polls."""
    bench = full_rate(elf)
    length_mm = round(pulses / PULSES_PER_MM / (1.0 + FULL_TRIM), 3)
    bench.forget()
    feed_length(bench, length_mm)
    most_ms = round(1000.0 * length_mm / FULL_MM_S) + 10_000
    bench.poll(most_ms, lambda: bench.board.peek("machine.state") in ENDED)
    counted, edges = list(bench.probe.net_steps), list(bench.probe.steps)
    told = [drive.pulses for drive in bench.client.snapshot().drives]
    wanted = length_mm * (1.0 + FULL_TRIM) * round(PULSES_PER_MM * 1e5) / 1e5
    yield f"a length of {wanted:.2f} pulses: pins {counted}, head says {told}, {bench.standing()}"
    yield f"rising edges {edges}: what a late tick ran too far at the end comes back"
    exact = all(abs(count - wanted) <= 1.0 for count in counted) and counted == told
    yield verdict("pulses lost or added", exact, "none, to the pulse")
    whole = bench.board.peek("machine.state") == State.COMPLETE
    yield verdict("the length was fed without a break", whole, "Complete, no alarm")


def answers(elf: Path, requests: int) -> Iterator[str]:
    """From the end of a request to the start of its answer, over mixed requests while feeding."""
    bench = Bench(elf)
    bench.client.command(Command.RESET)
    bench.reach(State.IDLE)
    feed_length(bench, 20_000.0)
    bench.client.write("feed.speed_mm_s", 14.0)
    bench.forget()
    chance = random.Random(3)
    worst: dict[str, int] = {}
    bins = np.zeros(int(bench.board._lib.BENCH_BINS), dtype=np.int64)
    for number in range(requests):
        name, request = REQUESTS[number % len(REQUESTS)]
        bench.forget()
        request(bench.client)
        worst[name] = max(worst.get(name, 0), bench.probe.answer_max)
        bins += np.array(list(bench.probe.answer_bins))
        bench.board.advance(chance.randrange(1, 9))
    yield f"while feeding at 14 mm/s; afterwards {bench.standing()}"
    for name, cycles in worst.items():
        yield f"    {name}: {cycles / TICK:.2f} ms at worst"
    most = max(worst.values()) / TICK
    yield verdict(f"{requests} requests, {most:.2f} ms at worst", most <= 3.0, "at most 3 ms")
    yield from histogram(bins, 0.1, "ms to the answer")


REQUESTS: Sequence[tuple[str, Callable[[HeadClient], object]]] = (
    ("63 words of telemetry", lambda client: client.snapshot()),
    ("event queue", lambda client: client._line.read_fifo(768)),
    ("a setpoint written", lambda client: client.write("zone.setpoint_degC", 24.0, 1)),
    ("one setting read", lambda client: client.read("guards.mismatch_limit_mm")),
)


def ticks(elf: Path) -> Iterator[str]:
    """The loop's period, from one load of the shift registers to the next, over ten seconds."""
    bench = Bench(elf)
    bench.client.command(Command.RESET)
    bench.reach(State.IDLE)
    feed_length(bench, 400.0)
    bench.client.write("feed.speed_mm_s", 14.0)
    bench.poll(500)
    bench.forget()
    start_ms = bench.board.time_ms
    bench.poll(10_000)
    probe, passed_ms = bench.probe, bench.board.time_ms - start_ms
    span = f"{probe.tick_min / TICK:.3f} to {probe.tick_max / TICK:.3f} ms apart"
    words = f"{probe.ticks} ticks in {passed_ms} ms, {span}"
    yield verdict(words, abs(probe.ticks - passed_ms) <= 2, "none lost")
    yield f"machine afterwards: {bench.standing()}"
    yield from histogram(np.array(list(probe.tick_bins)), 0.025, "ms between two ticks")


FOLLOW_PLANT = """\
output_burst_slip_percent = 0.0
output_dirt_percent_per_m = 0.0
[[fault]]
kind = "film"
slip_percent = 3.0
over_mm = {over_mm}
at_s = 0.5
"""
FOLLOW_PIECES = (  # length mm, radius mm (0 straight), pause s
    (400.0, 0.0, 0.0),
    (94.25, 45.0, 0.0),
    (300.0, 0.0, 1.5),
    (250.0, -60.0, 3.0),
)
FOLLOW_MM_S = 14.0


def follow(elf: Path, length_mm: float) -> Iterator[str]:
    """Automatic trim follows a robot: stops, bends, slip growing by 3 %, 30 ms of jitter."""
    bench = Bench(elf, FOLLOW_PLANT.format(over_mm=length_mm))
    bench.client.write("machine.acceleration_mm_s2", 60.0)
    bench.client.command(Command.RESET)
    bench.reach(State.IDLE)
    bench.client.write("feed.trim_mode", TrimMode.AUTOMATIC)
    start(bench, FeedSource.PATH_POSITION)
    bench.reach(State.EXECUTE)
    laid_from_mm = bench.board.plant.cord_mm
    robot = MotionSource(bench.board, follow_path(length_mm), HeadDoor(bench.client))
    robot.go()
    errors = []
    while not robot.done and bench.board.peek("machine.state") == State.EXECUTE:
        robot.advance(POLL_MS)
        if robot.position_mm > 200.0:  # the first hand's breadths teach it the slip
            errors.append(bench.board.plant.cord_mm - laid_from_mm - robot.position_mm)
    yield f"robot at {robot.position_mm:.0f} mm of {length_mm:.0f}, {bench.standing()}"
    far = float(np.abs(errors).max()) if errors else float("nan")
    words = f"laid length and path length part by {far:.2f} mm at most"
    yield verdict(words, robot.done and far <= 0.5, "at most 0.5 mm, to the end")


def follow_path(length_mm: float) -> RobotPath:
    """Straights, bends down to the smallest radius (slower) and stops, over and over."""
    pieces, at_mm = [], 0.0
    for length, radius_mm, pause_s in cycle(FOLLOW_PIECES):
        to_mm = min(length_mm, at_mm + length)
        bend, speed_mm_s = (1.0 / radius_mm, 0.8 * FOLLOW_MM_S) if radius_mm else (0.0, FOLLOW_MM_S)
        pieces.append(Piece(at_mm, to_mm, speed_mm_s, bend, pause_s))
        at_mm = to_mm
        if at_mm >= length_mm:
            break
    return RobotPath(tuple(pieces))


CUT_REGISTER = "guards.mismatch_limit_mm"


def save(bench: Bench) -> int:
    """Save the settings, or begin to until the supply fails. Bytes written since power-on."""
    bench.client.store(StoreAction.SAVE)
    bench.board.advance(5)
    while bench.board.powered and bench.board.peek("store.saving"):
        bench.board.advance(5)
    bench.board.advance(5)  # the last byte is still being written
    return int(bench.board.bench.writes)


def cut_in_save(bench: Bench, write: int, wanted: float) -> tuple[float, str]:
    """Save another value with the supply failing in byte `write` of the save, then power on again.

    Returns the value that stands then and what is wrong with the settings ("" if nothing).
    """
    bench.client.write(CUT_REGISTER, wanted)
    bench.board.cut_power_at_write(write)
    save(bench)
    if bench.board.powered:
        return wanted, "the supply never failed: the save has fewer bytes"
    bench.board.advance(20)
    bench.board.restore_power()
    bench.board.advance(300)
    bench.client = HeadClient.open("board", opener=lambda _: DirectPort(bench.board))
    origin = bench.client.read_block(IdentityRegs).settings_origin
    whole = origin in (SettingsOrigin.FIRST_COPY, SettingsOrigin.SECOND_COPY)
    return bench.client.read(CUT_REGISTER), "" if whole else f"origin {origin.name}"


def every_byte(elf: Path) -> Iterator[str]:
    """The supply fails in each byte of a save in turn; the old set or the new must stand."""
    bench = Bench(elf)
    last = save(bench)
    stands = bench.client.read(CUT_REGISTER)
    outcomes = {"old": 0, "new": 0}
    for write in range(1, last + 1):
        wanted = 7.25 if stands != 7.25 else 8.5
        now, fault = cut_in_save(bench, write, wanted)
        if fault or now not in (stands, wanted):
            yield f"NOT HELD byte {write}: {now} where {stands} or {wanted} must stand; {fault}"
        outcomes["new" if now == wanted else "old"] += 1
        stands = now
    words = f"{last} bytes: {outcomes['old']} times the old set, {outcomes['new']} times the new"
    yield verdict(words, sum(outcomes.values()) == last, "never neither")


def profile(elf: Path) -> Iterator[str]:
    """Where the time goes while feeding, by function; functions the compiler joined are one."""
    bench = Bench(elf)
    bench.client.command(Command.RESET)
    bench.reach(State.IDLE)
    feed_length(bench, 400.0)
    bench.client.write("feed.speed_mm_s", 14.0)
    bench.poll(500)
    words = int(bench.board._lib.BENCH_PROFILE_WORDS)
    counts = bench.board._ffi.new("uint32_t[]", words)
    bench.forget()
    bench.board.bench.profile = counts
    bench.poll(3_000)
    bench.board.bench.profile = bench.board._ffi.NULL
    busy = bench.probe.busy / (bench.board.cycle - bench.probe.since)
    yield f"busy {busy:.1%}, {bench.standing()}"
    found = by_function(elf, np.array(bench.board._ffi.unpack(counts, words)))
    for name, share in sorted(found.items(), key=lambda item: -item[1])[:30]:
        yield f"    {share * busy:6.1%} {name}"


def by_function(elf: Path, counts: NDArray[np.int64]) -> dict[str, float]:
    """Share of the samples in each function, by avr-nm's addresses."""
    command = ["avr-nm", "-n", "--defined-only", str(elf)]
    listed = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    symbols = [line.split() for line in listed.splitlines()]
    code = [(int(at, 16), name) for at, kind, name in symbols if kind in "tTW" and len(at) == 8]
    places = [at for at, _ in code if at < 0x800000]
    found: dict[str, float] = {}
    for word in np.flatnonzero(counts):
        name = code[max(0, bisect(places, 2 * int(word)) - 1)][1]
        found[name] = found.get(name, 0.0) + float(counts[word] / counts.sum())
    return found


# ---- printing


def verdict(words: str, holds: bool, wanted: str) -> str:
    """A figure, what it must be, and whether it is."""
    return f"{'holds   ' if holds else 'NOT HELD'} {words} (wanted: {wanted})"


def histogram(bins: NDArray[np.int64], width: float, unit: str) -> Iterator[str]:
    """Text bars of the bins that are not empty; the longest is 50 characters."""
    yield f"    {unit}; the last bin takes all above"
    for at in np.flatnonzero(bins):
        bar = "#" * max(1, round(50 * int(bins[at]) / int(bins.max())))
        yield f"    {at * width:6.3f} {int(bins[at]):8d} {bar}"


def report(elf: Path, pulses: int, requests: int) -> Iterator[tuple[str, Iterator[str]]]:
    """All measurements with their headings."""
    yield "Timing against the data sheet", timing(elf)
    yield "Memory", sizes(elf)
    yield "Pulse interrupt at full rate", pulse_interrupt(elf)
    yield "Pulse jitter", jitter(elf)
    yield "Pulses counted", count_pulses(elf, pulses)
    yield "Answers", answers(elf, requests)
    yield "Loop", ticks(elf)


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the figures; 1 where one does not hold, 2 where nothing could be measured."""
    parser = argparse.ArgumentParser(prog="plylane_twin.measure", description=__doc__)
    parser.add_argument(
        "--board", type=Path, default=BUILT, help="the board's program, an ELF file"
    )
    parser.add_argument(
        "--pulses", type=int, default=1_000_000, help="pulses of each drive to count"
    )
    parser.add_argument("--requests", type=int, default=10_000, help="requests to time")
    parser.add_argument("--profile", action="store_true", help="only: where the time goes")
    parser.add_argument(
        "--every-byte", action="store_true", help="only: the supply cut in every byte of a save"
    )
    parser.add_argument(
        "--follow", type=float, metavar="MM", help="only: follow a robot along a path that long"
    )
    chosen = parser.parse_args(arguments)
    try:
        if chosen.profile:
            return show([("Profile", profile(chosen.board))])
        if chosen.follow:
            return show([("Following a robot", follow(chosen.board, chosen.follow))])
        if chosen.every_byte:
            return show([("Supply cut in a save", every_byte(chosen.board))])
        failed = show(report(chosen.board, chosen.pulses, chosen.requests))
    except (BoardError, BoardUnavailable, TwinUnavailable) as error:
        print(f"plylane_twin.measure: {error}", file=sys.stderr)
        return 2
    print(f"\n{NOT_MODELLED}")
    return failed


def show(parts: Iterator[tuple[str, Iterator[str]]] | Sequence[tuple[str, Iterator[str]]]) -> int:
    """Print each part as it comes; 1 if a figure does not hold."""
    failed = 0
    for heading, lines in parts:
        print(f"\n{heading}", flush=True)
        try:
            for line in lines:
                failed |= line.startswith("NOT HELD")
                print(f"  {line}", flush=True)
        except HeadError as error:
            failed = 1
            print(f"  NOT HELD could not be measured: {error}", flush=True)
    return failed


if __name__ == "__main__":
    sys.exit(main())
