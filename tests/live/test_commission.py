"""First power-up, walked through on the twin by a person who does what is asked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from plylane.commission import CHECKS, CommissionError, commission
from plylane.head.client import HeadClient
from plylane.head.registers import State, ZoneMode
from plylane.head.snapshot import Snapshot
from plylane_twin import Scenario, Twin
from plylane_twin._core import lib
from plylane_twin.direct import DirectPort


class Helper:
    """Says yes, works the stop when asked, and can be told to say no to something."""

    def __init__(self, twin: Twin, no_to: str = "nothing") -> None:
        self.twin, self.no_to = twin, no_to
        self.asked: list[str] = []
        self.told: list[str] = []

    def tell(self, line: str) -> None:
        self.told.append(line)

    def agrees(self, question: str) -> bool:
        self.asked.append(question)
        if "hard-wired stop" in question:
            lib.plant_fault(self.twin.plant, lib.PLANT_STOP_TRIPPED, 0, 0.0, 0.0, 1)
        elif "Release the stop" in question:
            lib.plant_fault(self.twin.plant, lib.PLANT_STOP_TRIPPED, 0, 0.0, 0.0, 0)
        return self.no_to not in question


def stand(faults: str = "", plant: str = "") -> tuple[HeadClient, Twin]:
    text = f'format = "plylane scenario 1"\nname = "new"\n[plant]\n{plant}\n{faults}'
    twin = Twin(Scenario.parse(text), seed=2)
    return HeadClient.open("direct", opener=lambda _: DirectPort(twin)), twin


def walk(client: HeadClient, twin: Twin, no_to: str = "nothing") -> Helper:
    helper = Helper(twin, no_to)
    commission(client, helper)
    return helper


def assert_quiet(client: HeadClient, twin: Twin) -> None:
    twin.advance(3_000)
    assert client.snapshot().telemetry.state in (State.STOPPED, State.ABORTED)
    assert [client.read("zone.mode", k) for k in range(2)] == [ZoneMode.OFF] * 2
    assert client.snapshot().telemetry.feed_speed_mm_s == 0.0
    assert twin.heaters == 0


def test_a_good_head_passes_every_check_and_is_left_off() -> None:
    client, twin = stand()
    helper = walk(client, twin)
    assert sum(" of 6: " in line for line in helper.told) == len(CHECKS) == 6
    assert_quiet(client, twin)


BAD: dict[str, tuple[str, str]] = {
    "open sensor": ('kind = "sensor_open"\nzone = 2\nat_s = 0.0', "zone 2"),
    "shorted sensor": ('kind = "sensor_shorted"\nzone = 1\nat_s = 0.0', "zone 1"),
    "dead heater": ('kind = "heater_open"\nzone = 1\nat_s = 0.0', "did not warm"),
    "lane wheel": ('kind = "lane_wheel_stuck"\nlane = 4\nat_s = 0.0', "lane 4"),
    "output wheel": ('kind = "output_wheel_stuck"\nat_s = 0.0', "output wheel"),
    "no permit": ('kind = "permit_lost"\nat_s = 0.0', "permit"),
}


@pytest.mark.parametrize("name", BAD)
def test_what_is_missing_ends_the_walk(name: str) -> None:
    fault, expected = BAD[name]
    client, twin = stand(f"[[fault]]\n{fault}\n")
    with pytest.raises(CommissionError, match=expected) as error:
        walk(client, twin)
    assert "\n" not in str(error.value)
    assert_quiet(client, twin)


def test_a_stop_contact_that_does_not_read_ends_the_walk() -> None:
    client, twin = stand()
    helper = Helper(twin)
    helper.agrees = lambda question: True  # type: ignore[method-assign]
    with pytest.raises(CommissionError, match="stop contact reads not tripped"):
        commission(client, helper)
    assert not any("heated" in question for question in helper.asked)


def crossed(how: Callable[[Snapshot], Snapshot], client: HeadClient) -> HeadClient:
    """The same head with something plugged in the wrong way."""
    plain = client.snapshot
    client.snapshot = lambda: how(plain())  # type: ignore[method-assign]
    return client


def test_crossed_sensors_are_found_by_the_first_heater() -> None:
    client, twin = stand()
    crossed(lambda s: replace(s, zones=(s.zones[1], s.zones[0])), client)
    with pytest.raises(CommissionError, match="crossed"):
        walk(client, twin)
    assert_quiet(client, twin)
    assert max(twin.plant.block[k].degC for k in range(2)) < 40.0


def test_an_output_wheel_that_counts_backwards_is_found() -> None:
    client, twin = stand()
    client.write("machine.output_reversed", 1)
    with pytest.raises(CommissionError, match="backwards"):
        walk(client, twin)
    assert_quiet(client, twin)


@pytest.mark.parametrize(
    "question", ["Is all of this so", "press roller turn, that", "guide empty"]
)
def test_a_no_ends_the_walk_with_what_to_do(question: str) -> None:
    client, twin = stand()
    with pytest.raises(CommissionError, match="begin again"):
        walk(client, twin, no_to=question)
    assert_quiet(client, twin)
