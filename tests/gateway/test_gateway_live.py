"""The gateway before a twin in real time: what independent clients get, and what they must not."""

from __future__ import annotations

import contextlib
import dataclasses
import shutil
import socket
import struct
import subprocess
import threading
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cell_rig import (
    BUSY,
    FAILURE,
    HEAD_MS,
    ILLEGAL_ADDRESS,
    ILLEGAL_FUNCTION,
    LOOPBACK,
    NO_ANSWER,
    PATH_SPEED,
    SPEED,
    Cell,
    Knock,
    read,
    robot,
    until,
    write_many,
    write_one,
)
from plylane.gateway import GatewayError
from plylane.head.registers import (
    MAP_HASH,
    Command,
    FeedRegs,
    FeedSource,
    GuardsRegs,
    LaneTelemetryRegs,
    Refusal,
    RefusalRegs,
    State,
    Status,
    ZoneSettingsRegs,
)
from plylane.head.snapshot import Fitted
from plylane.runlog import Run

WORDS = Fitted(zones=2, drives=3, lanes=5).words
TELEMETRY = read(4, HEAD_MS, WORDS)
LANES_AT = LaneTelemetryRegs.BLOCK.address - HEAD_MS
FEED = (FeedRegs.BLOCK.address, FeedRegs.BLOCK.words)
SHEAR = FeedRegs.BLOCK.register("shear_at_mm").address
REASON = RefusalRegs.BLOCK.address
ZONE_SETTINGS = ZoneSettingsRegs.BLOCK.address
LINK_TIMEOUT = GuardsRegs.BLOCK.register("link_timeout_ms").address
MBPOLL = shutil.which("mbpoll")


@pytest.fixture
def open_door(cell: Cell):
    """A gateway at which this computer may write."""
    gateway = cell.gateway(writers=LOOPBACK)
    gateway.start()
    yield gateway
    gateway.stop()


class TestReading:
    def test_pymodbus_reads_what_the_head_says(self, cell: Cell, open_door) -> None:
        client = robot(open_door)
        identity = client.read_input_registers(0, count=2).registers
        assert identity[0] << 16 | identity[1] == MAP_HASH
        before = cell.ask(lambda head: head.read_registers("input", HEAD_MS, WORDS))
        words = client.read_input_registers(HEAD_MS, count=WORDS).registers
        after = cell.ask(lambda head: head.read_registers("input", HEAD_MS, WORDS))
        first, got, last = (all_[0] << 16 | all_[1] for all_ in (before, words, after))
        assert first - 250 <= got <= last  # no older than the gateway says
        assert words[2] == State.STOPPED
        assert words[LANES_AT:] == list(before[LANES_AT:])  # the lanes stand
        limit = client.read_holding_registers(LINK_TIMEOUT, count=1).registers
        assert limit == [cell.ask(lambda head: int(head.read("guards.link_timeout_ms")))]
        client.close()

    @pytest.mark.parametrize("unit", [0, 1, 255])
    def test_the_one_device_answers_to_its_unit_and_to_none(self, open_door, unit: int) -> None:
        with Knock(open_door) as knock:
            assert knock.ask(TELEMETRY, unit=unit)[:2] == bytes([4, 2 * WORDS])
            assert knock.ask(TELEMETRY, unit=2 + unit % 2) == bytes([0x84, NO_ANSWER])

    def test_a_hole_in_the_map_gets_the_heads_own_exception(self, open_door) -> None:
        with Knock(open_door) as knock:
            assert knock.ask(read(4, 60000, 1)) == bytes([0x84, ILLEGAL_ADDRESS])
            assert knock.ask(read(3, 60000, 1)) == bytes([0x83, ILLEGAL_ADDRESS])

    def test_requests_sent_in_one_piece_are_all_answered_in_order(self, open_door) -> None:
        frames = b"".join(
            struct.pack(">HHHB", k, 0, 6, 1) + read(4, HEAD_MS + k, 1) for k in range(12)
        )
        with Knock(open_door) as knock:
            knock.socket.sendall(frames)
            assert [knock.receive()[0] for _ in range(12)] == list(range(12))

    def test_a_held_up_poller_makes_no_old_number_look_new(self, cell: Cell, open_door) -> None:
        with Knock(open_door) as knock:
            assert knock.ask(TELEMETRY)[0] == 4
            go_on = cell.hold_poller()
            time.sleep(0.3)
            assert knock.ask(TELEMETRY) == bytes([0x84, NO_ANSWER])
            go_on.set()
            until(lambda: knock.ask(TELEMETRY)[0] == 4)

    @pytest.mark.skipif(MBPOLL is None, reason="mbpoll (Debian: apt install mbpoll) is missing")
    def test_mbpoll_reads_and_writes(self, cell: Cell, open_door) -> None:
        done = mbpoll(open_door.port, "-t", "3", "-r", str(HEAD_MS), "-c", str(WORDS))
        assert done.returncode == 0 and f"[{HEAD_MS + 2}]: \t2" in done.stdout, done.stdout
        done = mbpoll(open_door.port, "-t", "4", "-r", str(PATH_SPEED), value="1234")
        assert done.returncode == 0, done.stderr
        assert cell.ask(lambda head: head.read("feed.path_speed_mm_s")) == 12.34
        done = mbpoll(open_door.port, "-t", "4", "-r", str(SPEED), value="1")
        assert done.returncode != 0 and "Illegal data address" in done.stderr + done.stdout


def mbpoll(port: int, *options: str, value: str = "") -> subprocess.CompletedProcess[str]:
    command = [str(MBPOLL), "-m", "tcp", "-a", "1", "-p", str(port), "-0", "-1", *options]
    values = [value] if value else []
    return subprocess.run(
        [*command, "127.0.0.1", *values], capture_output=True, text=True, timeout=30, check=False
    )


class TestWriting:
    def test_it_is_read_only_unless_told_otherwise(self, cell: Cell) -> None:
        gateway = cell.gateway()
        gateway.start()
        before = cell.ask(lambda head: head.read("feed.path_speed_mm_s"))
        with Knock(gateway) as knock:
            for pdu in (write_one(PATH_SPEED, 777), write_many(PATH_SPEED, 777)):
                assert knock.ask(pdu) == bytes([pdu[0] | 0x80, ILLEGAL_FUNCTION])
        gateway.stop()
        assert cell.ask(lambda head: head.read("feed.path_speed_mm_s")) == before
        assert len([t for t in cell.told("writer_refused") if "not listed" in t]) == 1

    def test_only_listed_registers(self, cell: Cell, open_door) -> None:
        before = cell.ask(lambda head: head.read_registers("holding", *FEED))
        beside = write_many(PATH_SPEED, 500, 0)  # the next register is not listed
        with Knock(open_door) as knock:
            for pdu in (write_one(SPEED, 1), beside, write_one(0, 2), write_one(60000, 1)):
                assert knock.ask(pdu) == bytes([pdu[0] | 0x80, ILLEGAL_ADDRESS])
        assert cell.ask(lambda head: head.read_registers("holding", *FEED)) == before

    def test_other_registers_can_be_listed(self, cell: Cell) -> None:
        gateway = cell.gateway(writers=LOOPBACK, writable=("feed.speed_mm_s", "feed.shear_at_mm"))
        gateway.start()
        with Knock(gateway) as knock:
            assert knock.ask(write_one(SPEED, 850))[0] == 6
            assert knock.ask(write_one(PATH_SPEED, 850))[0] == 0x86
            shear = write_many(SHEAR, 0, 50)
            assert knock.ask(shear) == shear[:5]
            assert knock.ask(write_one(SHEAR, 0)) == bytes([0x86, ILLEGAL_ADDRESS])  # half a value
        gateway.stop()
        assert cell.ask(lambda head: head.read("feed.speed_mm_s")) == 8.5
        assert cell.ask(lambda head: head.read("feed.shear_at_mm")) == 0.05
        cell.ask(lambda head: head.write("feed.shear_at_mm", 0.0))

    @pytest.mark.parametrize("value", [10001, 0x8000, 0xFFFF])
    def test_out_of_range_is_refused_with_a_reason_and_changes_nothing(
        self, cell: Cell, open_door, value: int
    ) -> None:
        with Knock(open_door) as knock:
            assert knock.ask(write_one(PATH_SPEED, 700))[0] == 6
            assert knock.ask(write_one(PATH_SPEED, value)) == bytes([0x86, FAILURE])
            reason, address = struct.unpack(">HH", knock.ask(read(4, REASON, 2))[2:])
        assert (reason, address) == (Refusal.OUT_OF_RANGE, PATH_SPEED)
        assert cell.ask(lambda head: head.read("feed.path_speed_mm_s")) == 7.0

    def test_a_second_writer_waits_until_the_first_is_silent(self, cell: Cell, open_door) -> None:
        with Knock(open_door) as first, Knock(open_door) as second:
            cell.silence_s = 30.0
            assert first.ask(write_one(PATH_SPEED, 100))[0] == 6
            for _ in range(3):
                assert second.ask(write_one(PATH_SPEED, 200)) == bytes([0x86, BUSY])
            assert cell.ask(lambda head: head.read("feed.path_speed_mm_s")) == 1.0
            assert second.ask(TELEMETRY)[0] == 4  # reading is free
            cell.silence_s = 0.25
            until(lambda: second.ask(write_one(PATH_SPEED, 200))[0] == 6)
            name = f"port {first.socket.getsockname()[1]}"
            assert any(name in t and "silent" in t for t in cell.told("writer_lost"))
        told = [t for t in cell.told("writer_refused") if "another writes" in t]
        assert len(told) == 1  # once a connection

    def test_a_writer_that_goes_makes_room_at_once(self, cell: Cell, open_door) -> None:
        cell.silence_s = 30.0
        with Knock(open_door) as first:
            assert first.ask(write_one(PATH_SPEED, 100))[0] == 6
        with Knock(open_door) as second:
            until(lambda: second.ask(write_one(PATH_SPEED, 200))[0] == 6)
        cell.silence_s = 0.25

    def test_what_has_waited_too_long_is_never_written(self, cell: Cell, open_door) -> None:
        with Knock(open_door) as knock:
            assert knock.ask(write_one(PATH_SPEED, 100))[0] == 6
            go_on = cell.hold_poller()
            knock.send(write_one(PATH_SPEED, 4000))
            time.sleep(0.4)
            go_on.set()
            assert knock.receive()[1] == bytes([0x86, NO_ANSWER])
        assert cell.ask(lambda head: head.read("feed.path_speed_mm_s")) == 1.0

    def test_a_robot_leads_the_head_and_its_silence_stops_it(self, cell: Cell, open_door) -> None:
        def begin(head) -> None:
            for zone in range(2):
                head.write("zone_settings.band_degC", 20.0, zone)
                head.write("zone.setpoint_degC", 25.0, zone)
                head.write("zone.mode", 2, zone)
            head.write("guards.settle_time_s", 0)
            head.write("feed.source", FeedSource.PATH)
            head.command(Command.RESET)

        cell.ask(begin)
        until(lambda: cell.live.latest.telemetry.state == State.IDLE)
        for zone in range(2):
            cell.ask(lambda head, zone=zone: head.write("zone.setpoint_degC", 25.0, zone))
            cell.ask(lambda head, zone=zone: head.write("zone.mode", 2, zone))
        client = robot(open_door)
        cell.ask(lambda head: head.command(Command.START))
        until(lambda: cell.live.latest.telemetry.state == State.EXECUTE)
        for _ in range(50):
            assert not client.write_register(PATH_SPEED, 800).isError()
        now = cell.live.latest.telemetry
        assert now.feed_speed_mm_s == pytest.approx(8.0) and Status.PATH_FRESH in now.status
        until(lambda: cell.live.latest.telemetry.feed_speed_mm_s == 0.0)
        assert cell.live.latest.telemetry.feed_position_mm > 1.0
        assert Status.PATH_FRESH not in cell.live.latest.telemetry.status
        client.close()
        cell.ask(lambda head: head.command(Command.STOP))
        until(lambda: cell.live.latest.telemetry.state == State.STOPPED)


class TestBadClients:
    @given(st.lists(st.binary(min_size=1, max_size=40), max_size=4), st.booleans())
    @settings(
        max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
    )
    def test_rubbish_never_writes_and_others_are_served(
        self, cell: Cell, open_door, rubbish: list[bytes], header: bool
    ) -> None:
        before = cell.ask(lambda head: head.read_registers("holding", *FEED))
        # it may hang up on this
        with Knock(open_door) as bad, contextlib.suppress(ConnectionError):
            for data in rubbish:
                bad.socket.sendall((b"\0\1\0\0\0" if header else b"") + data)
        with Knock(open_door) as good:
            assert good.ask(TELEMETRY)[0] == 4
        assert cell.ask(lambda head: head.read_registers("holding", *FEED)) == before

    def test_a_stream_out_of_step_is_closed(self, open_door) -> None:
        for start in (b"\0\1\0\1\0\6\1\4\0\x64\0\1", b"\0\1\0\0\0\1\1", b"\0\1\0\0\xff\xff\1"):
            with Knock(open_door) as knock:
                knock.socket.sendall(start)
                assert knock.closed()

    def test_half_a_frame_and_a_silent_connection_are_let_go(self, cell: Cell) -> None:
        gateway = cell.gateway(writers=LOOPBACK, frame_s=0.2, idle_s=0.4)
        gateway.start()
        with Knock(gateway) as half, Knock(gateway) as silent, Knock(gateway) as good:
            half.socket.sendall(b"\0\1\0")
            assert half.closed() and silent.closed()
            with Knock(gateway) as late:
                assert late.ask(TELEMETRY)[0] == 4
            del good
        gateway.stop()

    def test_no_more_connections_than_it_can_bear_and_always_one_for_a_writer(
        self, cell: Cell
    ) -> None:
        other = frozenset({next(iter(LOOPBACK)) + 1})  # 127.0.0.2
        gateway = cell.gateway(writers=other, connections=3)
        gateway.start()
        with Knock(gateway) as a, Knock(gateway) as b:
            assert a.ask(TELEMETRY)[0] == b.ask(TELEMETRY)[0] == 4
            with Knock(gateway) as third:
                assert third.closed()
            assert a.ask(TELEMETRY)[0] == b.ask(TELEMETRY)[0] == 4
            writer = socket.create_connection(
                ("127.0.0.1", gateway.port), 10.0, source_address=("127.0.0.2", 0)
            )
            writer.sendall(struct.pack(">HHHB", 1, 0, 6, 1) + write_one(PATH_SPEED, 300))
            assert writer.recv(100)[7] == 6
            writer.close()
        gateway.stop()

    def test_a_flood_is_bounded_and_polling_goes_on(self, cell: Cell) -> None:
        gateway = cell.gateway(writers=LOOPBACK, requests_per_s=50.0)
        gateway.start()
        answers, stop = [0] * 4, threading.Event()

        def flood(number: int) -> None:
            # every second one asks for what costs time on the line
            pdu = TELEMETRY if number % 2 else read(3, ZONE_SETTINGS, 60)
            with Knock(gateway) as knock:
                while not stop.is_set():
                    for _ in range(6):
                        knock.send(pdu)
                    for _ in range(6):
                        knock.receive()
                        answers[number] += 1

        polls, begin_s = cell.poller.status.polls, time.monotonic()
        threads = [threading.Thread(target=flood, args=(k,)) for k in range(4)]
        for thread in threads:
            thread.start()
        with Knock(gateway) as writer:
            while time.monotonic() - begin_s < 1.5:
                assert writer.ask(write_one(PATH_SPEED, 100))[0] == 6
        took_s = time.monotonic() - begin_s
        polled = cell.poller.status.polls - polls
        stop.set()
        for thread in threads:
            thread.join()
        all_s = time.monotonic() - begin_s
        gateway.stop()
        assert all(count <= 10 + 50.0 * all_s + 1 for count in answers)
        assert polled >= 15 * took_s  # of 50; the head's own limit is two seconds of silence
        assert cell.poller.status.connected


class TestItself:
    def test_a_place_in_use_is_told_in_a_line(self, cell: Cell, open_door) -> None:
        second = cell.gateway()
        second._settings = dataclasses.replace(second._settings, port=open_door.port)
        with pytest.raises(GatewayError, match="choose another port") as caught:
            second.start()
        assert "\n" not in str(caught.value)

    def test_who_wrote_is_in_the_run_log(self, cell: Cell, open_door) -> None:
        with Knock(open_door) as knock:
            assert knock.ask(write_one(PATH_SPEED, 100))[0] == 6
            name = f"127.0.0.1 port {knock.socket.getsockname()[1]}"
        until(lambda: f"{name} writes no more: gone" in cell.told("writer_lost"))

        def logged() -> bool:
            entries = Run.open(cell.live.run_folder).journal_entries()
            mine = [(entry.kind, entry.text) for entry in entries if name in entry.text]
            return mine == [
                ("writer_taken", f"{name} writes"),
                ("writer_lost", f"{name} writes no more: gone"),
            ]

        until(logged)
