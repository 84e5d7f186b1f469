"""The zones."""

from __future__ import annotations

from dataclasses import dataclass

from plylane.head.registers import ZoneMode, ZoneTelemetryRegs
from plylane.screens.decide.kinds import Kind, Said, stale_kind
from plylane.trends import NO_READING_DEGC, Limits
from plylane.words import zone_name


@dataclass(frozen=True, slots=True)
class ZoneRow:
    """A zone as shown."""

    name: str
    pv: Said
    sp: Said
    op: Said
    word: Said


def of_zone(numbers: tuple[float, ...], zone: int) -> float:
    """The number for that zone (from 0); the last one for zones beyond the end."""
    return numbers[min(zone, len(numbers) - 1)]


def zone_row(zone: int, regs: ZoneTelemetryRegs, limits: Limits, stale: bool = False) -> ZoneRow:
    """PV, SP, OP of a zone and a word on how it does; `zone` from 0."""
    word = zone_word(zone, regs, limits)
    kind = Kind.STALE if stale else (word.kind if word.kind is Kind.HIGH else Kind.NORMAL)
    readable = regs.pv_degC > NO_READING_DEGC
    off = regs.mode is ZoneMode.OFF
    sp = Said("-", Kind.QUIET) if off else Said(f"{regs.sp_degC:.1f}", stale_kind(stale))
    return ZoneRow(
        name=zone_name(zone),
        pv=Said(f"{regs.pv_degC:.1f}" if readable else "?", kind),
        sp=sp,
        op=Said(f"{regs.op_percent:.0f}", stale_kind(stale)),
        word=Said(word.text, Kind.STALE) if stale else word,
    )


def zone_word(zone: int, regs: ZoneTelemetryRegs, limits: Limits) -> Said:
    """One word on how a zone does."""
    if regs.pv_degC <= NO_READING_DEGC:
        return Said("✕ no reading", Kind.HIGH)
    if regs.pv_degC >= of_zone(limits.over_degC, zone):
        return Said("▲ too hot", Kind.HIGH)
    if regs.mode is not ZoneMode.AUTOMATIC:
        return Said(regs.mode.name.lower(), Kind.QUIET)
    away = regs.pv_degC - regs.sp_degC
    if abs(away) <= of_zone(limits.band_degC, zone):
        return Said("at setpoint", Kind.QUIET)
    return Said("warming" if away < 0 else "cooling")
