"""Is a zone too cold for the speed? While feeding, PV far below SP, and not on its way up.

The moving stack carries heat off; a heater that cannot keep up falls behind for as long as that
speed lasts. A setpoint that was raised looks the same but for PV rising.
"""

from __future__ import annotations

import numpy as np

from plylane.jam.finding import ZONE_TOO_COLD, Finding
from plylane.jam.lengths import Steps
from plylane.jam.settings import WatchSettings

_GRID_UM = 10_000
_NO_READING_DEGC = -100.0
_WINDOW = 20  # grid points: 200 mm
_RISES_DEGC = 0.3  # two steps of a 10-bit converter at 110 degC
_OVER_DEGC = 1.0  # what a zone must have caught up before it is told again


class Cold:
    """Looks at every zone once in ten millimetres of feed."""

    def __init__(self, settings: WatchSettings) -> None:
        self._cold_degC = settings.cold_degC
        self._told: set[int] = set()

    def begin(self, first: Steps) -> None:
        """A new stretch of feeding."""
        self._points = first

    def take(self, steps: Steps) -> list[Finding]:
        """Go on with these steps of the stretch; what is decided in them."""
        lines = steps.fed_um // _GRID_UM
        new = steps[np.flatnonzero(np.diff(lines, prepend=self._points.fed_um[-1] // _GRID_UM))]
        if not len(new):
            return []
        points = new.after(self._points)
        before = len(self._points)
        found = [
            finding
            for zone in range(len(points.zones) // 3)
            for finding in self._look(points, before, zone)
        ]
        self._points = points[-_WINDOW - 1 :]
        return sorted(found, key=lambda finding: finding.time_s)

    def _look(self, points: Steps, before: int, zone: int) -> list[Finding]:
        pv, sp = points.zones[3 * zone], points.zones[3 * zone + 1]
        short = sp - pv
        found: list[Finding] = []
        # a zone that is off has no setpoint, and one without a reading is not known to be cold
        cold = (short >= self._cold_degC) & (sp > 0.0) & (pv > _NO_READING_DEGC)
        if zone not in self._told and not cold[before:].any():
            return found
        for at in range(before, len(points)):
            if zone in self._told:
                if short[at] < self._cold_degC - _OVER_DEGC:
                    self._told.remove(zone)
            elif cold[at] and self._lasts(points, pv, at):
                self._told.add(zone)
                found.append(self._finding(points, cold, zone, at))
        return found

    @staticmethod
    def _lasts(points: Steps, pv: np.ndarray, at: int) -> bool:
        """Whether PV did not rise over the window before."""
        return at >= _WINDOW and bool(pv[at] < pv[at - _WINDOW] + _RISES_DEGC)

    def _finding(self, points: Steps, cold: np.ndarray, zone: int, at: int) -> Finding:
        warm = np.flatnonzero(~cold[at - _WINDOW : at + 1])
        start = at - _WINDOW + (int(warm[-1]) + 1 if len(warm) else 0)
        pv, sp, op = points.zones[3 * zone : 3 * zone + 3, at].tolist()
        moved = points.um[0, at] - points.um[0, start]
        seconds = float(points.time_s[at] - points.time_s[at - _WINDOW])
        window = points.um[0, at] - points.um[0, at - _WINDOW]
        evidence = {
            "onset_s": float(points.time_s[start]),
            "zone": float(zone + 1),
            "pv_degC": pv,
            "sp_degC": sp,
            "op_percent": op,
            "feed_mm_s": float(window) / 1000.0 / seconds if seconds > 0.0 else 0.0,
        }
        return Finding(ZONE_TOO_COLD, float(points.time_s[at]), None, moved / 1000.0, evidence)
