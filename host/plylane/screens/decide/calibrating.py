"""Calibration in words: the next step, the lengths, the result and its uncertainty."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from plylane.calibrate_run.settings import Change
from plylane.calibrate_run.sitting import Found, Kind, Sitting
from plylane.feed.calibration import Budget, RatioFound, Scale, SlipFound
from plylane.screens.decide.kinds import Kind as Set
from plylane.screens.decide.kinds import Said, WorkKey
from plylane.screens.decide.state import bar
from plylane.tune_run.status import TuneStatus
from plylane.words import duration

CALIBRATE_CAUTION = "Caution: rollers turn and draw in. Hands clear, blocks cold, guards closed."

_HANDS = (
    "Rollers draw in fingers, hair and sleeves: hands clear whenever something is fed.",
    "Blocks are cold, zones are off. The hard-wired stop is tested.",
)


class Task(NamedTuple):
    """Something to calibrate: key, name, kind, drive, what to see to first."""

    key: str
    name: str
    kind: Kind
    number: int
    points: tuple[str, ...]

    @property
    def short(self) -> str:
        """The name where there is little room."""
        return self.name.replace(" wheels", "s").removesuffix(" wheel")


_STRIP = (
    "Strips are out of this drive; a test strip lies under its roller, held by nothing else.",
    "After each feed measure on the strip how far its mark has gone, then press m.",
)
TASKS = (
    Task("1", "infeed", "drive", 0, (*_STRIP, *_HANDS)),
    Task("2", "press", "drive", 1, (*_STRIP, *_HANDS)),
    Task("3", "outfeed", "drive", 2, (*_STRIP, *_HANDS)),
    Task(
        "4", "output wheel", "wheel", 0,
        ("Strips are threaded, cord comes out straight and has room to lie.",
         "After each feed measure on the cord how far its mark has gone, then press m.", *_HANDS),
    ),
    Task(
        "5", "lane wheels", "lanes", 0,
        ("Strips are threaded, cord comes out straight; no joint passes meanwhile.",
         "After each feed measure on the strips how far their marks have gone, then press m.",
         *_HANDS),
    ),
    Task(
        "6", "slip", "slip", 0,
        ("Press drive and output wheel are calibrated; strips are threaded, 4 m and more.",
         "The head feeds by itself at five speeds, some six minutes.", *_HANDS),
    ),
    Task(
        "7", "ratio", "ratio", 0,
        ("Strips are threaded, 6 m and more, cord comes out straight; no joint passes meanwhile.",
         "The head feeds and stops by itself, a quarter of an hour.", *_HANDS),
    ),
)  # fmt: skip
NOTES = (("1", "routine"), ("2", "cleaned"), ("3", "new part"), ("4", "first time"))
"""Reasons to choose from: letters are keys of the screens, so that stop works everywhere."""


FEED = WorkKey("f", "Feed", "feed")
MEASURED = WorkKey("m", "Measured", "measured")
AGAIN = WorkKey("n", "Again", "again")
OUT = WorkKey("o", "Leave out", "leave_out")
LANE = WorkKey("v", "Lane", "lane")
WRITE = WorkKey("w", "Write", "write")
UNDO = WorkKey("u", "Undo", "undo")
KEEP = WorkKey("k", "Keep", "save")
END = WorkKey("x", "End it", "end")
CAL_KEYS = (FEED, MEASURED, AGAIN, OUT, LANE, WRITE, UNDO, KEEP, END)


def keys_now(
    status: TuneStatus, sitting: Sitting | None, writable: bool, written: bool
) -> set[WorkKey]:
    """What may be asked for now."""
    if status.busy:
        return {END}
    keys = {UNDO}
    if sitting is not None:
        if sitting.waiting is not None:
            keys |= {MEASURED, AGAIN}
        elif sitting.next_mm is not None:
            keys.add(FEED)
        if sitting.readings and sitting.waiting is None:
            keys |= {AGAIN, OUT}
        if sitting.kind == "lanes" and sitting.complete:
            keys.add(LANE)
    if writable and not written:
        keys.add(WRITE)
    if written:
        keys.add(KEEP)
    return keys


def task_words(sitting: Sitting | None, found: Found | None) -> tuple[Said, ...]:
    """What there is to calibrate, the one under way set off and marked."""
    kind = "slip" if isinstance(found, SlipFound) else "ratio"
    now = (kind, 0) if found is not None else ("", 0)
    if sitting is not None:
        now = (sitting.kind, sitting.number if sitting.kind == "drive" else 0)
    words = []
    for task in TASKS:
        mine = (task.kind, task.number) == now
        mark, set_off = ("›", Set.STRONG) if mine else (" ", Set.QUIET)
        words.append(Said(f"{mark}{task.key} {task.short} ", set_off))
    return tuple(words)


def step_line(
    status: TuneStatus, sitting: Sitting | None, trouble: str, found: Found | None, written: bool
) -> Said:
    """What to do next."""
    if status.busy:
        done = "" if status.share is None else f"{bar(status.share, 14)} "
        return Said(f"{done}{duration(status.elapsed_s)}", Set.STRONG)
    if written:
        return Said("In force in the head. k keeps it over a power cut, u undoes it.", Set.STRONG)
    if trouble:
        mend = " Pick it: n feeds it again, o leaves it out." if sitting is not None else ""
        return Said(f"Not to be written.{mend}", Set.STRONG)
    if found is not None:
        return Said("Look at residuals and uncertainty, then w writes it.", Set.STRONG)
    if sitting is None:
        return Said(
            "Choose by 1 to 7, best in this order: slip and ratio need the others.", Set.STRONG
        )
    number = (len(sitting.readings) if sitting.again is None else sitting.again) + 1
    of = f"length {number} of {len(sitting.plan_mm)}"
    if sitting.waiting is not None:
        about = f"{sitting.waiting.length_mm:.0f} mm"
        return Said(f"{sitting.name}: measure {of}, about {about}, and press m.", Set.STRONG)
    feeds = f"{sitting.name}: put a mark, then f feeds {of}, {sitting.next_mm:.1f} mm."
    return Said(feeds, Set.STRONG)


def said_line(status: TuneStatus, trouble: str) -> Said:
    """The last thing said; trouble stands out."""
    if status.trouble or trouble:
        return Said(f"▲ {status.trouble or trouble}", Set.MEDIUM)
    return Said(status.text, Set.NORMAL)


class LengthRow(NamedTuple):
    """A length as shown: number, fed, counted, measured, less fit, a word."""

    cells: tuple[str, str, str, str, str]
    word: Said


LENGTH_HEADS = ("length", "fed mm", "counted", "measured", "less fit")


def length_rows(sitting: Sitting | None, found: Found | None, lane: int) -> tuple[LengthRow, ...]:
    """A row a length; of the lane shown (from 0) where there are several."""
    if sitting is None:
        return ()
    scale = shown_scale(found, lane)
    places = {number: at for at, (number, _) in enumerate(sitting.used)}
    rows = []
    for number, reading in enumerate(sitting.readings):
        at = places.get(number)
        length = reading.lengths_mm[lane if len(reading.lengths_mm) > 1 else 0]
        fitted = scale is not None and at is not None
        residual = f"{scale.fit.residuals[at]:+.2f}" if scale is not None and fitted else "-"
        counted = f"{scale.fit.x[at]:.0f}" if scale is not None and fitted else "-"
        cells = (str(number + 1), f"{reading.fed.length_mm:.1f}", counted, f"{length:g}", residual)
        rows.append(LengthRow(cells, _length_word(scale, at, reading.left_out)))
    return tuple(rows)


def _length_word(scale: Scale | None, at: int | None, left_out: bool) -> Said:
    if left_out:
        return Said("left out", Set.QUIET)
    if scale is not None and scale.misread is not None and scale.misread.number == at:
        return Said("▲ misread?", Set.MEDIUM)
    return Said("")


def shown_scale(found: Found | None, lane: int) -> Scale | None:
    """The scale of the lane shown, or the only one."""
    if not isinstance(found, tuple):
        return None
    return found[lane] if len(found) > 1 else found[0]


def result_lines(found: Found | None, lane: int) -> tuple[Said, ...]:
    """Value, expanded uncertainty, repeat test, remarks."""
    if isinstance(found, SlipFound):
        first = (
            f"slip {100 * found.slip:.2f} ± {100 * found.slip_u:.2f} % at {found.at_mm_s:g} mm/s,"
            f" {1000 * found.per_mm_s:+.2f} ± {1000 * found.per_mm_s_u:.2f} % for 10 mm/s more"
        )
        return (Said(first, Set.STRONG), *(Said(f"△ {r}", Set.QUIET) for r in found.remarks))
    if isinstance(found, RatioFound):
        drag, buckle, middle = (
            f"{corner.ppm / 1e4:+.2f} ± {corner.u_ppm / 1e4:.2f} %"
            for corner in (found.drag, found.buckle, found.middle)
        )
        return (
            Said(f"infeed {middle}: press over infeed {found.press_to_infeed:.4f}", Set.STRONG),
            Said(f"dragged below {drag}, pushed solid above {buckle}"),
        )
    scale = shown_scale(found, lane)
    if scale is None or not isinstance(found, tuple):
        return ()
    where = f"lane {lane + 1}: " if len(found) > 1 else ""
    first = (
        f"{where}{scale.mm_per_count:.6g} mm a {scale.counter.name.split(' of ')[0]},"
        f" {scale.counts_per_m:.2f} a metre ± {100 * scale.budget.expanded:.3f} %"
        f" (95 %, k {scale.budget.k:.2f})"
    )
    return (Said(first, Set.STRONG), *_repeat(scale), *(Said(f"△ {r}") for r in scale.remarks))


def _repeat(scale: Scale) -> tuple[Said, ...]:
    if scale.repeat_mm is None:
        return ()
    word, kind = ("✓ repeats", Set.NORMAL) if scale.repeats else ("△ does not repeat", Set.MEDIUM)
    limit = scale.repeat_limit_mm or 0.0
    return (Said(f"{word}: {scale.repeat_mm:.2f} mm where up to {limit:.2f} is likely", kind),)


class BudgetRow(NamedTuple):
    """A part of the uncertainty: name, type, u in percent; quiet where contained elsewhere."""

    name: str
    kind: str
    u: str
    quiet: bool


def budget_rows(found: Found | None, lane: int) -> tuple[BudgetRow, ...]:
    """The parts that count first, largest first."""
    budget: Budget | None = found.budget if isinstance(found, SlipFound) else None
    if (scale := shown_scale(found, lane)) is not None:
        budget = scale.budget
    if budget is None:
        return ()
    parts = sorted(budget.parts, key=lambda part: (not part.counted, -part.u))
    return tuple(
        BudgetRow(part.name, part.kind, f"{100 * part.u:.4f}", not part.counted) for part in parts
    )


def misread_row(sitting: Sitting | None, found: Found | None) -> int | None:
    """Number (from 0) of the length that is most likely misread."""
    if sitting is None or not isinstance(found, tuple):
        return None
    worst = sitting.worst(found)
    return None if worst is None else worst[1]


def change_line(changes: tuple[Change, ...], trouble: str, written: Path | None) -> Said:
    """What would be written, or was."""
    if not changes or trouble:
        return Said("")
    text = "; ".join(change.text for change in changes[:2])
    more = f"; and {len(changes) - 2} more" if len(changes) > 2 else ""
    head = "would write" if written is None else f"written ({written.name})"
    return Said(f"{head}: {text}{more}")
