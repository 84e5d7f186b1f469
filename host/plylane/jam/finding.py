"""What a detector has to say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Self

STRIP_STUCK = "strip_stuck"
HEAD_JAM = "head_jam"
FEED_MISMATCH = "feed_mismatch"

_SENTENCES = {
    STRIP_STUCK: "lane {lane} fell behind the other lanes",
    HEAD_JAM: "the strips stopped following the feed",
    FEED_MISMATCH: "cord laid fell behind strip fed while the lanes went on",
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding.

    `kind` is `strip_stuck` (one lane), `head_jam` (all lanes) or `feed_mismatch` (undecided);
    `time_s` when the detector decided; `lane` from 1, None where no one lane is concerned;
    `lost_mm` length that should have passed since the change and did not, estimated: of the strip
    that is stuck, else of the cord; `evidence` named numbers, among them `onset_s` (when the change
    began), `statistic_mm` and `threshold_mm`.
    """

    kind: str
    time_s: float
    lane: int | None
    lost_mm: float
    evidence: dict[str, float] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """The finding in one sentence."""
        what = _SENTENCES.get(self.kind, self.kind.replace("_", " ")).format(lane=self.lane)
        since = f" since {self.evidence['onset_s']:.1f} s" if "onset_s" in self.evidence else ""
        return f"At {self.time_s:.1f} s: {what}{since}, {self.lost_mm:.1f} mm lost."

    def to_json(self) -> dict[str, Any]:
        """A dict that `json.dumps` takes: kind, time_s, lane, lost_mm, evidence."""
        return {
            "kind": self.kind,
            "time_s": self.time_s,
            "lane": self.lane,
            "lost_mm": self.lost_mm,
            "evidence": dict(self.evidence),
        }

    @classmethod
    def from_json(cls, form: Mapping[str, Any]) -> Self:
        """The finding of a `to_json` form. Raises KeyError where a part is missing."""
        evidence = {name: float(number) for name, number in form["evidence"].items()}
        parts = form["kind"], float(form["time_s"]), form["lane"], float(form["lost_mm"])
        return cls(*parts, evidence)
