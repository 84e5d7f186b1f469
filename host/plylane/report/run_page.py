"""A run as a page to hand over: one HTML file with everything in it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from plylane.curves import Band
from plylane.evidence import evidence_text, share_text
from plylane.head.registers import BLOCKS, EventCode, GuardsRegs
from plylane.head.snapshot import spaced
from plylane.head.wire import Register
from plylane.host_alarms import alarm_event
from plylane.jam import Finding
from plylane.recording import Recording
from plylane.report.figure_style import to_svg
from plylane.report.page import inline, render
from plylane.report.run_figures import ALARM_ROWS, STANDING, RunFigures
from plylane.report.run_story import NEAR_S, AlarmSpan, Story, alarm_spans
from plylane.runlog import Entry, RunInfo
from plylane.words import clock, duration

if TYPE_CHECKING:
    from plylane.report.plan_of_run import Drawn, PlanPicture
    from plylane.tune_run.record_file import KeptLines

CAUTION = "Blocks, strips and cord are hot, rollers draw in fingers, fumes may burn."
FIGURES_MOST, ROWS_MOST = 12, 200
"""More would not be read; a page stays small enough to be sent."""
JOINT = "joint"
_PRIORITIES = {"high": "▲ high", "medium": "◆ medium", "low": "▽ low"}
_IN_TABLES = {
    EventCode.STATE_ENTERED,
    EventCode.ALARM_RAISED,
    EventCode.ALARM_CLEARED,
    EventCode.ALARM_ACKNOWLEDGED,
}
T = TypeVar("T")


@dataclass(frozen=True)
class KeptPlan:
    """A run held against its plan: what departed in sentences, and the journal's lines that say
    so; `remark` where there is more to say of that; the run laid over the plan's figures.
    """

    departures: Sequence[str]
    lines: Sequence[Entry] = ()
    remark: str = ""
    picture: PlanPicture | None = None


@dataclass(frozen=True)
class KeptTuning:
    """What a run's tuning record says; `trouble` where it cannot be read.

    `zones` has an entry a zone.
    """

    zones: Sequence[KeptLines] = ()
    trouble: str = ""


@dataclass(frozen=True)
class Table(Generic[T]):
    """Rows that are shown, and how many are not."""

    shown: Sequence[T]
    more: int = 0

    @classmethod
    def of(cls, rows: Sequence[T]) -> Table[T]:
        """As many of the rows as a page shows."""
        return cls(rows[:ROWS_MOST], max(0, len(rows) - ROWS_MOST))


def run_page(
    recording: Recording,
    plan: KeptPlan | None = None,
    tuning: KeptTuning | None = None,
) -> str:
    """The page. `plan` None: the run had no plan; `tuning` None: nobody tuned.

    The same run gives the same page. Raises RunError where the log cannot be read.
    """
    story = Story.of(recording.run, recording.breaks)
    entries = recording.run.journal_entries()
    events = (*recording.events, *filter(None, map(alarm_event, entries)))
    spans = alarm_spans(sorted(events, key=lambda event: event.time_s))
    figures = RunFigures(story, recording.findings[:ROWS_MOST], recording.breaks)
    joints = [entry for entry in entries if entry.kind == JOINT]
    picture = plan.picture if plan else None
    return render(
        "run_page.html.j2",
        filters={"clock": clock},
        name=recording.name,
        verdict=_verdict(recording, story),
        remarks=_remarks(recording),
        facts=_facts(recording),
        outcome=_outcome(recording, story, spans),
        plan=plan,
        plan_figures=[_plan_figure(one) for one in picture.figures] if picture else [],
        plan_remarks=picture.remarks if picture else (),
        figures=list(_figures(recording, figures, spans[:ROWS_MOST])) if story.rows else [],
        bands=Table.of([_band_row(band) for band in story.bands]),
        findings=Table(
            list(_finding_rows(recording, figures)), max(0, len(recording.findings) - ROWS_MOST)
        ),
        judged=_judged(recording),
        alarms=Table.of([_alarm_row(span) for span in spans]),
        joints=Table.of(joints),
        notes=Table.of(_notes(recording, plan.lines if plan else ())),
        tuning=tuning,
        settings=list(_settings(recording)),
        caution=CAUTION,
    )


# ---- what was run, how it ended ----


def _verdict(recording: Recording, story: Story) -> dict[str, Any]:
    state = _last_state(recording, story)
    laid = f"{story.laid_mm:.1f} mm of cord in {duration(story.last_s - story.first_s)}"
    found = _count(len(recording.findings), "finding")
    text = f"{state}, {laid}, {found}." if story.rows else "Nothing was recorded."
    return {"text": text, "abnormal": state != "Complete" or bool(recording.remarks)}


def _last_state(recording: Recording, story: Story) -> str:
    """How the run ended, or where the log stops."""
    end = recording.run.info.end
    if end is not None:
        return spaced(end.state).capitalize()
    last = spaced(story.bands[-1].state.name).capitalize() if story.bands else "no state"
    return f"Cut off in {last}"


def _remarks(recording: Recording) -> list[str]:
    end = recording.run.info.end
    lost = end.rows_lost if end else 0
    told = [f"{_count(lost, 'row')} could not be written to the log"] if lost else []
    return [*recording.remarks, *told]


def _facts(recording: Recording) -> list[tuple[str, str]]:
    info = recording.run.info
    rows = [
        ("run", info.name),
        ("folder", recording.run.folder.resolve().name),
        ("started", info.started or "not told, as in virtual time"),
        *((f"head: {spaced(what)}", str(value)) for what, value in info.head.items()),
        ("fitted", ", ".join(_count(n, what) for what, n in _fitted(info).items())),
        *((f"version of {part}", number) for part, number in info.versions.items()),
    ]
    if info.seed is not None:
        rows.append(("seed of the twin", str(info.seed)))
    return rows + list(_asked(info.plan))


def _asked(plan: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """What the run was to do, as far as a person reads it at a glance."""
    for name, what, unit in (
        ("length_mm", "length asked for", "mm"),
        ("speed_mm_s", "speed asked for", "mm/s"),
        ("setpoints_degC", "setpoints asked for", "°C"),
    ):
        if plan.get(name):  # a length of 0 is one that nobody knew
            yield what, f"{_plain(plan[name])} {unit}"


def _outcome(
    recording: Recording, story: Story, spans: Sequence[AlarmSpan]
) -> list[tuple[str, str]]:
    by_state: dict[str, float] = {}
    for band in story.bands:
        word = spaced(band.state.name).capitalize()
        by_state[word] = by_state.get(word, 0.0) + band.end_s - band.start_s
    return [
        ("state at the end", _last_state(recording, story)),
        ("time", duration(story.last_s - story.first_s)),
        ("cord, by the output wheel", f"{story.laid_mm:.1f} mm"),
        ("strip fed", f"{story.fed_mm:.1f} mm"),
        *((f"in {word}", duration(s)) for word, s in by_state.items() if s >= 1.0),
        ("findings", str(len(recording.findings))),
        *((f"alarms of the {by}", str(_raised_by(by, spans))) for by in ("head", "host")),
        ("rows of telemetry", str(story.rows)),
    ]


def _raised_by(by: str, spans: Sequence[AlarmSpan]) -> int:
    return sum(span.by == by for span in spans)


def _band_row(band: Band) -> dict[str, Any]:
    return {
        "start_s": band.start_s,
        "word": spaced(band.state.name).capitalize(),
        "lasted": _lasted(band.end_s - band.start_s),
        "abnormal": band.state in STANDING,
    }


def _lasted(seconds: float) -> str:
    return f"{seconds:.1f} s" if seconds < 10.0 else duration(seconds)


# ---- figures and findings ----


def _figures(
    recording: Recording, draw: RunFigures, spans: Sequence[AlarmSpan]
) -> Iterator[dict[str, Any]]:
    info = recording.run.info
    first = f" (the first {ROWS_MOST})" if len(recording.findings) > ROWS_MOST else ""
    marks = f"Orange with ◆ and number: findings{first}. Shaded: held or aborted; hatched: no rows."
    drawn = [
        ("timeline", "Time line", draw.timeline(spans), f"{_alarms_drawn(spans)} {marks}"),
        ("heat", "Temperatures", draw.heat(info.zones), f"PV, SP and OP of the zones. {marks}"),
        ("feed", "Feed and output", draw.feed(_limit_mm(info.settings)), marks),
    ]
    if info.lanes > 1:
        what = (
            "How far each lane's wheel is before (+) or behind (-) the median lane, mm; in a curve"
            " the outer lanes run ahead."
        )
        drawn.append(("lanes", "Lanes", draw.lanes(info.lanes), f"{what} {marks}"))
    for name, title, figure, caption in drawn:
        yield {"title": title, "caption": caption, "svg": inline(to_svg(figure), name)}


def _plan_figure(one: Drawn) -> dict[str, str]:
    svg = inline(to_svg(one.figure), one.name)
    return {"title": one.title, "caption": one.caption, "svg": svg}


def _alarms_drawn(spans: Sequence[AlarmSpan]) -> str:
    names = len({span.text for span in spans})
    which = f"the first {ALARM_ROWS} of {names} alarms" if names > ALARM_ROWS else "alarms"
    return f"States, and {which} from ▲ on."


def _limit_mm(settings: Mapping[str, Any]) -> float | None:
    """The head's hard limit of feed against output; None where the log does not have it."""
    value = settings.get(f"{GuardsRegs.BLOCK.name}.mismatch_limit_mm")
    return float(value) if isinstance(value, int | float) else None


def _finding_rows(recording: Recording, draw: RunFigures) -> Iterator[dict[str, Any]]:
    run = recording.run
    for number, finding in enumerate(draw.findings, 1):
        svg = ""
        near = draw.story.near(run, finding.time_s) if number <= FIGURES_MOST else {}
        if near:
            figure = draw.close_up(finding, near, run.info.lanes)
            svg = inline(to_svg(figure), f"finding{number}")
        yield {
            "number": number,
            "title": f"{clock(finding.time_s)} {_kind(finding.kind)}{_where(finding)}",
            "text": finding.text,
            "weighed": _weighed(finding),
            "evidence": evidence_text(finding, likelihoods=False),
            "caption": f"{NEAR_S:.0f} s before and after. Shaded: held or aborted.",
            "svg": svg,
        }


def _weighed(finding: Finding) -> str:
    """How likely it is, and what else it may have been; empty where nothing was weighed."""
    others = (f"{_kind(kind)} {share_text(p)}" for kind, p in finding.alternatives.items())
    told = ", ".join(others)
    if finding.likelihood is None:
        return f"Undecided: {told}." if told else ""
    return f"Likelihood {share_text(finding.likelihood)}." + (
        f" Not ruled out: {told}" * bool(told)
    )


def _kind(kind: str) -> str:
    return kind.replace("_", " ")


def _where(finding: Finding) -> str:
    return f", lane {finding.lane}" if finding.lane is not None else ""


def _judged(recording: Recording) -> str:
    told = len(recording.run.findings)
    return (
        "Found by judging the log anew with the detectors of the program that made this page;"
        f" while it ran, {_count(told, 'finding')} {'was' if told == 1 else 'were'} told."
    )


# ---- alarms, notes, settings ----


def _alarm_row(span: AlarmSpan) -> dict[str, str]:
    alarm, head = span.alarm, span.by == "head"
    return {
        "priority": _PRIORITIES[alarm.priority] if alarm else "?",
        "by": span.by,
        "text": span.text,
        "raised": "before the log" if span.raised_s is None else clock(span.raised_s),
        "over": "not in the log" if span.over_s is None else clock(span.over_s),
        "acknowledged": "never" if span.acknowledged_s is None else clock(span.acknowledged_s),
        "meaning": alarm.doc if alarm else "",
        "reaction": f"Reaction of the head: {alarm.reaction}." if alarm and head else "",
        "remedy": alarm.remedy if alarm else "",
    }


def _notes(recording: Recording, shown: Sequence[Entry]) -> list[dict[str, Any]]:
    """Events and journal that no other table shows, nor the plan's section, oldest first."""
    notes = [
        {"time_s": event.time_s, "by": "head", "text": event.text}
        for event in recording.events
        if event.code not in _IN_TABLES
    ]
    notes += [
        {"time_s": entry.time_s, "by": f"host, {_kind(entry.kind)}", "text": entry.sentence}
        for entry in recording.run.journal_entries()
        if entry.kind != JOINT and alarm_event(entry) is None and entry not in shown
    ]
    return sorted(notes, key=lambda note: float(str(note["time_s"])))


def _settings(recording: Recording) -> Iterator[dict[str, Any]]:
    info = recording.run.info
    for name, value in info.settings.items():
        register = _register(name)
        fitted = _fitted(info).get(name.partition("_")[0])  # the rest of a list is of no use
        shown = value[:fitted] if isinstance(value, list) else value
        yield {
            "name": name,
            "value": _plain(shown),
            "unit": register.unit if register else "",
            "changed": register is not None and _changed(register, shown),
        }


def _fitted(info: RunInfo) -> dict[str, int]:
    """How many of each are in use."""
    return dict(zip(("zone", "drive", "lane"), info.fitted, strict=True))


def _register(name: str) -> Register | None:
    block, _, register = name.partition(".")
    known = {one.name: one for one in BLOCKS[block].registers} if block in BLOCKS else {}
    return known.get(register)


def _changed(register: Register, value: Any) -> bool:
    default = register.in_unit(register.default)
    values = value if isinstance(value, list) else [value]
    step = register.scale / 2.0
    return any(isinstance(one, int | float) and abs(one - default) > step for one in values)


def _plain(value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(_plain(one) for one in value)
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
