"""What a detector has to say."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

STRIP_STUCK = "strip_stuck"
HEAD_JAM = "head_jam"
STRIP_OUT = "strip_out"
LANE_WHEEL_STUCK = "lane_wheel_stuck"
LOST_STEPS = "lost_steps"
OUTPUT_WHEEL_STUCK = "output_wheel_stuck"
OUTPUT_WHEEL_DIRTY = "output_wheel_dirty"
SLIP_GROWING = "slip_growing"
CORD_NOT_LAID = "cord_not_laid"
ZONE_TOO_COLD = "zone_too_cold"
UNKNOWN = "unknown"

_WORDS = {
    STRIP_STUCK: ("the strip in lane {lane} sticks", "pull it free and look into the guide"),
    HEAD_JAM: ("every strip stopped following the feed", "look into guide and nip"),
    STRIP_OUT: ("the strip in lane {lane} ran out, or none followed at a joint", "feed a new one"),
    LANE_WHEEL_STUCK: ("the wheel of lane {lane} stands, its strip does not", "free the wheel"),
    LOST_STEPS: ("the infeed lost steps", "look for what holds the roller, or feed slower"),
    OUTPUT_WHEEL_STUCK: ("the output wheel stands, the cord does not", "free the wheel"),
    OUTPUT_WHEEL_DIRTY: (
        "the output wheel counts {percent:.1f} % short of lanes and feed",
        "clean it and see that it presses on the cord",
    ),
    SLIP_GROWING: (
        "all lanes and the cord fall behind the feed by {percent:.1f} % more than before, as where"
        " film builds up or a jam begins",
        "look for adhesive on the rollers and for a strip that begins to stick",
    ),
    CORD_NOT_LAID: ("cord came out that was not laid", "cut it out before going on"),
    ZONE_TOO_COLD: ("zone {zone} is too cold for this speed", "feed slower or look at its heater"),
    UNKNOWN: ("lengths do not agree{where}", "look at {looks}"),
}
_PLACES = {
    STRIP_STUCK: "a sticking strip",
    HEAD_JAM: "guide and nip",
    STRIP_OUT: "whether strip still enters",
    LANE_WHEEL_STUCK: "whether the wheel turns freely",
    LOST_STEPS: "the infeed roller",
    OUTPUT_WHEEL_STUCK: "the output wheel",
}
_IF = "likelihood_"


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding.

    `kind` is a name of this module, such as `strip_stuck`; `unknown` where the evidence does not
    decide. `time_s` is when the detector decided; `lane` from 1, None where no one lane is
    concerned; `lost_mm` length that should have passed since the change and did not, estimated: of
    the strip that is concerned, else of the cord; `evidence` named numbers. Among them `onset_s`
    (when the change began), `likelihood` (of this kind, given what is known) and
    `likelihood_<kind>` of every other kind that is not ruled out.
    """

    kind: str
    time_s: float
    lane: int | None
    lost_mm: float
    evidence: dict[str, float] = field(default_factory=dict)

    @property
    def likelihood(self) -> float | None:
        """How likely the kind is, 0 to 1; None where it was not weighed against others."""
        return self.evidence.get("likelihood")

    @property
    def alternatives(self) -> dict[str, float]:
        """The other kinds that are not ruled out, with their likelihoods, likeliest first."""
        found = {n.removeprefix(_IF): p for n, p in self.evidence.items() if n.startswith(_IF)}
        return dict(sorted(found.items(), key=lambda pair: -pair[1]))

    @property
    def text(self) -> str:
        """The finding in one sentence: when told, what, since when, how much, what to look at."""
        return f"At {self.time_s:.1f} s: {self.says}"

    @property
    def says(self) -> str:
        """The same for a place where the time stands beside it."""
        what, remedy = _WORDS.get(self.kind, (self.kind.replace("_", " "), ""))
        since = f" since {self.evidence['onset_s']:.1f} s" if "onset_s" in self.evidence else ""
        said = f"{what}{since}, {self.lost_mm:.1f} mm lost"
        return self._fill(f"{said}: {remedy}." if remedy else f"{said}.")

    def _fill(self, words: str) -> str:
        looks = [_PLACES[kind] for kind in self.alternatives if kind in _PLACES]
        return words.format(
            lane=self.lane,
            zone=round(self.evidence.get("zone", 0.0)),
            percent=self.evidence.get("rate_percent", 0.0),
            where=f" in lane {self.lane}" if self.lane is not None else "",
            looks=" and ".join(looks) or "strips, rollers and wheels",
        )

    def to_json(self) -> dict[str, Any]:
        """A dict that `json.dumps` takes: kind, time_s, lane, lost_mm, evidence."""
        return {
            "kind": self.kind,
            "time_s": self.time_s,
            "lane": self.lane,
            "lost_mm": self.lost_mm,
            "evidence": dict(self.evidence),
        }
