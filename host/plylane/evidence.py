"""What speaks for a finding, in words that a technician reads."""

from __future__ import annotations

import re
from collections.abc import Iterator

from plylane.jam.finding import Finding
from plylane.words import quantity

_SAYS = {
    "onset_s": "since {:.2f} s",
    "fed_mm": "over {:.2f} mm of feed",
    "cord_lost_mm": "cord lost {:.2f} mm",
    "rate_percent": "lost {:.2f} % of the feed",
    "usual_percent": "usual {:.2f} %",
    "cord_rate_percent": "cord {:+.2f} % to the usual",
    "lanes_rate_percent": "median lane {:+.2f} % to the usual",
    "statistic_mm": "test value {:.2f} mm",
    "threshold_mm": "told from {:.2f} mm on",
    "changed_s": "changed likeliest at {:.2f} s",
    "pv_degC": "PV {:.1f} °C",
    "sp_degC": "SP {:.1f} °C",
    "op_percent": "OP {:.0f} %",
}
_WITH_ERROR = {
    "change_percent": ("change_sd_percent", "by {:.2f} ± {:.2f} %"),
    "beyond_end_mm": ("end_uncertain_mm", "{:+.1f} ± {:.1f} mm past the strip's end"),
}
_ERRORS = {error for error, _ in _WITH_ERROR.values()}
_LANE = re.compile(r"lane\d+_lost_mm")
_LIKELY = "likelihood"


def evidence_text(finding: Finding, *, likelihoods: bool = True) -> str:
    """The numbers that speak for a finding; without `likelihoods`, those apart."""
    return ", ".join(_said(finding.evidence, likelihoods))


def share_text(likelihood: float) -> str:
    """A likelihood in percent; never quite sure."""
    return "over 99 %" if likelihood > 0.99 else f"{100 * likelihood:.0f} %"


def _said(evidence: dict[str, float], likelihoods: bool) -> Iterator[str]:
    lanes = [value for name, value in evidence.items() if _LANE.fullmatch(name)]
    for name, value in evidence.items():
        if name.startswith(_LIKELY):
            if likelihoods:
                yield f"{_which(name)} {share_text(value)}"
        elif _LANE.fullmatch(name):
            if lanes:
                yield _lanes_text(lanes)
            lanes = []
        elif name in _WITH_ERROR and _WITH_ERROR[name][0] in evidence:
            error, says = _WITH_ERROR[name]
            yield says.format(value, evidence[error])
        elif name not in _ERRORS:
            yield _SAYS[name].format(value) if name in _SAYS else quantity(name, value)


def _which(name: str) -> str:
    other = name.removeprefix(_LIKELY).strip("_")
    return f"perhaps {other.replace('_', ' ')}" if other else _LIKELY


def _lanes_text(lost_mm: list[float]) -> str:
    """In the order of the lanes, from 1."""
    which = f"lanes 1 to {len(lost_mm)}" if len(lost_mm) > 1 else "lane 1"
    return f"{which} lost {' / '.join(f'{mm:.2f}' for mm in lost_mm)} mm"
