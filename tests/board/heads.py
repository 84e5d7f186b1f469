"""Scenarios for board tests, and the type of what makes a head."""

from __future__ import annotations

from collections.abc import Callable

from plylane_twin import Scenario
from plylane_twin.stand import Stand

Make = Callable[..., Stand]


def scenario(*tables: str, plant: str = "") -> Scenario:
    """A scenario with a clean line, plant overrides, and faults (bodies of [[fault]] tables)."""
    faults = "".join(f"[[fault]]\n{table}\n" for table in tables)
    text = 'format = "plylane scenario 1"\nname = "board"\n[line]\nbit_error_rate = 0.0\n'
    return Scenario.parse(f"{text}[plant]\n{plant}\n{faults}")
