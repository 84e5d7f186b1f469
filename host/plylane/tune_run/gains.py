"""Gains into the head and back: written, read again, and held against what was written."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

from plylane.head.client import HeadClient
from plylane.head.errors import HeadError
from plylane.head.names import find
from plylane.tune_errors import TuneError
from plylane.tuning import Course, FeedForward, Gains

BLOCK = "zone_settings"


@dataclass(frozen=True, slots=True)
class GainsInHead:
    """The registers of one zone's loop, by their names."""

    kp_percent_per_degC: float
    ti_s: float
    td_s: float
    td_filter_s: float
    feed_forward_percent_per_mm_s: float
    feed_forward_first_percent_per_mm_s: float = 0.0
    feed_forward_after_mm: float = 0.0

    @property
    def gains(self) -> Gains:
        """As the rules give them."""
        return Gains(self.kp_percent_per_degC, self.ti_s, self.td_s, self.td_filter_s)

    def with_gains(self, gains: Gains) -> GainsInHead:
        """Those gains, the feed-forward as it is."""
        return replace(
            self,
            kp_percent_per_degC=gains.kp,
            ti_s=gains.ti_s,
            td_s=gains.td_s,
            td_filter_s=gains.td_filter_s,
        )

    def with_feed_forward(self, found: FeedForward) -> GainsInHead:
        """That feed-forward, the gains as they are."""
        return replace(
            self,
            feed_forward_percent_per_mm_s=found.percent_per_mm_s,
            feed_forward_first_percent_per_mm_s=found.first_percent_per_mm_s,
            feed_forward_after_mm=found.after_mm,
        )

    def forward(self, faster_mm_s: float, *, from_rest: bool) -> Course:
        """What the head adds as the feed gets so much faster."""
        percent = self.feed_forward_percent_per_mm_s * faster_mm_s
        if not from_rest:
            return Course(percent)
        first = self.feed_forward_first_percent_per_mm_s * faster_mm_s
        return Course(percent, first, self.feed_forward_after_mm / faster_mm_s)

    def rounded(self) -> GainsInHead:
        """As the registers can hold them. Raises TuneError for what does not fit in."""
        return GainsInHead(*(_rounded(name, value) for name, value in self.named()))

    def named(self) -> Iterator[tuple[str, float]]:
        """Register names and values."""
        for field in fields(self):
            yield field.name, float(getattr(self, field.name))

    @property
    def text(self) -> str:
        """One line."""
        return (
            f"kp {self.kp_percent_per_degC:.2f} %/degC, ti {self.ti_s:.1f} s,"
            f" td {self.td_s:.1f} s (filter {self.td_filter_s:.1f} s),"
            f" feed-forward {self.forward_text} %/(mm/s)"
        )

    @property
    def forward_text(self) -> str:
        """The feed-forward without its unit."""
        later = f"{self.feed_forward_percent_per_mm_s:.2f}"
        if self.feed_forward_after_mm == 0.0:
            return later
        first = f"{self.feed_forward_first_percent_per_mm_s:.2f}"
        return f"{first} for {self.feed_forward_after_mm:.0f} mm, then {later}"


def _rounded(name: str, value: float) -> float:
    register = find(f"{BLOCK}.{name}")[1]
    wire = round(value / register.scale)
    if not register.min <= wire <= register.max:
        low, high = register.in_unit(register.min), register.in_unit(register.max)
        raise TuneError(
            f"{name} {value:g} does not fit into the head ({low:g} to {high:g}):"
            " take another rule or a calmer one"
        )
    return float(register.in_unit(wire))


def read_gains(client: HeadClient, zone: int) -> GainsInHead:
    """What is in force. Raises the client's errors."""
    names = [field.name for field in fields(GainsInHead)]
    return GainsInHead(*(client.read(f"{BLOCK}.{name}", zone) for name in names))


def write_gains(client: HeadClient, zone: int, wanted: GainsInHead) -> GainsInHead:
    """Write, read back, give what the head holds now: `wanted` rounded to the registers.

    Where the head refuses one of them or holds another value than was written, what stood there
    before is put back and TuneError says which.
    """
    rounded, before = wanted.rounded(), read_gains(client, zone)
    try:
        for name, value in rounded.named():
            client.write(f"{BLOCK}.{name}", value, zone)
        _compare(rounded, read_gains(client, zone))
    except HeadError as error:
        _put_back(client, zone, before)
        raise TuneError(f"gains of zone {zone + 1} not changed: {error}") from error
    except TuneError:
        _put_back(client, zone, before)
        raise
    return rounded


def _compare(wanted: GainsInHead, held: GainsInHead) -> None:
    for (name, value), (_, found) in zip(wanted.named(), held.named(), strict=True):
        if abs(found - value) > 0.5 * find(f"{BLOCK}.{name}")[1].scale:
            raise TuneError(
                f"the head holds {name} {found:g} where {value:g} was written; the gains before"
                " are in force again: look at the head's limits and firmware"
            )


def _put_back(client: HeadClient, zone: int, before: GainsInHead) -> None:
    for name, value in before.named():
        client.write(f"{BLOCK}.{name}", value, zone)
