"""Findings of a run before and after other settings, as the Replay screen says it.

Plain functions and values; none needs a screen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from plylane.evidence import evidence_text
from plylane.findings_compared import GONE, NEW, SAME, Compared, compare
from plylane.jam import WatchSettings
from plylane.jam.finding import Finding
from plylane.screens.decide import bar
from plylane.screens.timeline import finding_title
from plylane.watch_fields import FIELDS, differing, number_text
from plylane.words import clock, count_text

_MARKS = {SAME: "= same", GONE: "− gone", NEW: "+ new"}
_MARK = 7  # cells


@dataclass(frozen=True, slots=True)
class Judged:
    """What was found with the settings of the run, and with those now in force.

    `rows` pairs the two, in order of time.
    """

    run_settings: WatchSettings
    settings: WatchSettings
    before: tuple[Finding, ...]
    after: tuple[Finding, ...]
    rows: tuple[Compared, ...]

    @classmethod
    def of(
        cls,
        run_settings: WatchSettings,
        before: Sequence[Finding],
        settings: WatchSettings | None = None,
        after: Sequence[Finding] = (),
    ) -> Judged:
        """A run as it was judged, and once judged again with other settings."""
        if settings is None or settings == run_settings:
            settings, after = run_settings, before
        rows = tuple(compare(before, after))
        return cls(run_settings, settings, tuple(before), tuple(after), rows)

    @property
    def again(self) -> bool:
        """Whether other settings are in force than those of the run."""
        return self.settings != self.run_settings

    @property
    def shown(self) -> tuple[Finding, ...]:
        """The finding each row is about: after, else before."""
        return tuple(
            self.after[row.after] if row.after is not None else self.before[row.before or 0]
            for row in self.rows
        )

    @property
    def gone(self) -> tuple[Finding, ...]:
        """Findings that other settings do not give any more."""
        return tuple(self.before[row.before or 0] for row in self.rows if row.change == GONE)


def row_text(judged: Judged, row: Compared, width: int) -> str:
    """A row of the list: the finding, or before and after side by side in `width` cells."""
    if not judged.again:
        number = row.after or 0
        return finding_title(number + 1, judged.after[number])
    half = _half(width)
    before = _short(row.before, judged.before, half)
    after = _short(row.after, judged.after, half)
    return f"{_MARKS[row.change]:<{_MARK}}{before} │ {after}".rstrip()


def heads_text(judged: Judged, width: int) -> str:
    """What was changed, and what stands over the two columns."""
    half = _half(width)
    heads = (
        _fit(f"{when}: {count_text(len(found))}", half)
        for when, found in (("before", judged.before), ("after", judged.after))
    )
    changed = _fit(f"With {changes_text(judged)}", width - 21).rstrip()
    return f"{changed}   u: as the run was\n{'':<{_MARK}}{' │ '.join(heads)}".rstrip()


def changes_text(judged: Judged) -> str:
    """The settings that differ from those of the run, with both values."""
    base = judged.run_settings.model_dump()
    changed = differing(judged.settings, judged.run_settings)
    return ", ".join(
        f"{field.words} {number_text(changed[field.name])} {field.unit}".rstrip()
        + f" (was {number_text(base[field.name])})"
        for field in FIELDS
        if field.name in changed
    )


def row_evidence(judged: Judged, row: Compared) -> str:
    """The numbers that speak for a row's finding; before and after where both are to be told."""
    if not judged.again or row.change == SAME:
        assert row.after is not None  # as it is told now
        moved = _moved(judged, row) if judged.again else ""
        return f"{moved}Evidence: {evidence_text(judged.after[row.after])}"
    which = judged.before[row.before or 0] if row.after is None else judged.after[row.after]
    when = "Before" if row.after is None else "Only after"
    return f"{when}: {evidence_text(which)}"


def judging_text(share: float, width: int) -> str:
    """While the run is judged again."""
    return f"Judging again  {bar(share, max(4, width - 40))}  {100 * share:3.0f} %   x ends it"


def _moved(judged: Judged, row: Compared) -> str:
    assert row.before is not None and row.after is not None
    later_s = judged.after[row.after].time_s - judged.before[row.before].time_s
    if abs(later_s) < 0.005:
        return ""
    return f"Told {abs(later_s):.2f} s {'later' if later_s > 0 else 'sooner'}. "


def _half(width: int) -> int:
    return max(8, (width - _MARK - 3) // 2)


def _short(number: int | None, findings: Sequence[Finding], width: int) -> str:
    if number is None:
        return _fit("–", width)
    one = findings[number]
    where = f" lane {one.lane}" if one.lane is not None else ""
    what = one.kind.replace("_", " ")
    text = f"◆{number + 1} {clock(one.time_s)} {what}{where}, {one.lost_mm:.1f} mm"
    return _fit(text, width)


def _fit(text: str, width: int) -> str:
    return text.ljust(width) if len(text) <= width else text[: width - 1] + "…"
