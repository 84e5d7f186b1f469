"""Columns of telemetry from the registers of many polls: `schema.row` for whole arrays."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from plylane.head.registers import (
    DriveTelemetryRegs,
    LaneTelemetryRegs,
    TelemetryRegs,
    ZoneTelemetryRegs,
)
from plylane.head.snapshot import FIRST_WORD, Fitted
from plylane.head.wire import Register


@cache
def places(fitted: Fitted) -> dict[str, tuple[int, Register]]:
    """Every column but `time_s`: the word of a poll at which its register begins, and that."""
    found: dict[str, tuple[int, Register]] = {}
    for regs, prefix, count in (
        (TelemetryRegs, "", 1),
        (DriveTelemetryRegs, "drive{}_", fitted.drives),
        (ZoneTelemetryRegs, "zone{}_", fitted.zones),
        (LaneTelemetryRegs, "lane{}_", fitted.lanes),
    ):
        for instance in range(count):
            at = regs.BLOCK.address_of(instance) - FIRST_WORD
            for register in regs.BLOCK.registers:
                found[prefix.format(instance + 1) + register.name] = at, register
                at += register.words
    return found


def columns_of(
    words: NDArray[np.uint16], fitted: Fitted, names: Iterable[str]
) -> dict[str, NDArray[Any]]:
    """Named columns of polls, each value as `schema.row` has it.

    `words`: shape (polls, `fitted.words`), registers from `FIRST_WORD` on. Arrays of shape
    (polls,) come back. Raises KeyError for a name that no register has.
    """
    at = places(fitted)
    return {name: _column(words, *at[name]) for name in names}


def _column(words: NDArray[np.uint16], at: int, register: Register) -> NDArray[Any]:
    raw: NDArray[Any] = words[:, at]
    if register.words == 2:
        raw = raw.astype(np.uint32) << 16 | words[:, at + 1]
    raw = raw.view(f"{register.type[0]}{register.words * 2}")
    return raw if register.scale == 1 else raw / round(1.0 / register.scale)
