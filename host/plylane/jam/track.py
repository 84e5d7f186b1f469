"""One residual followed along the feed: slow drift is learnt, what goes beyond is summed up."""

from __future__ import annotations

from plylane.jam.settings import WatchSettings


class Track:
    """A residual in the length domain, its drift taken off, and a cumulative sum test on the rest.

    The test is Page's (E.S. Page, Continuous inspection schemes, Biometrika 41 (1954)) for an
    upward shift: sum = max(0, sum + x - allowance * length fed), where x is what the residual grew
    by beyond its drift. The drift is an exponential mean of the residual's rate over `baseline_mm`
    of feed, never more than `baseline_limit` either way.

    Once heard, the track stays silent until the sum has run back to zero; meanwhile the sum is
    capped at the threshold, so that this does not take for ever.
    """

    __slots__ = (
        "_allowance",
        "_fed_mm",
        "_limit",
        "_onset_fed_mm",
        "_onset_mm",
        "_window_mm",
        "drift",
        "onset_s",
        "residual_mm",
        "silent",
        "sum_mm",
        "threshold_mm",
    )

    def __init__(
        self, settings: WatchSettings, allowance: float, threshold_mm: float, time_s: float
    ) -> None:
        """Begins at `time_s` with nothing fed and no residual."""
        self._allowance = allowance
        self._limit = settings.baseline_limit
        self._window_mm = settings.baseline_mm
        self.threshold_mm = threshold_mm
        self.onset_s = time_s
        self._fed_mm = self._onset_fed_mm = 0.0
        self.residual_mm = self._onset_mm = 0.0
        self.drift = 0.0
        self.sum_mm = 0.0
        self.silent = False

    def push(self, time_s: float, fed_mm: float, residual_mm: float) -> bool:
        """Take the residual at a length fed; True when the sum is at the threshold, not yet heard.

        Called for every step of every track: written out, without helpers, for speed.
        """
        fed = fed_mm - self._fed_mm
        unexpected = residual_mm - self.residual_mm - self.drift * fed
        self._fed_mm = fed_mm
        self.residual_mm = residual_mm
        drift = self.drift + unexpected / (self._window_mm if fed < self._window_mm else fed)
        limit = self._limit
        self.drift = limit if drift > limit else -limit if drift < -limit else drift
        total = self.sum_mm + unexpected - self._allowance * fed
        if total <= 0.0:
            # where the sum last stood at zero is Page's estimate of where the change began
            self.onset_s, self._onset_fed_mm, self._onset_mm = time_s, fed_mm, residual_mm
            self.sum_mm, self.silent = 0.0, False
            return False
        if self.silent:
            self.sum_mm = min(total, self.threshold_mm)
            return False
        self.sum_mm = total
        return total >= self.threshold_mm

    def hear(self) -> None:
        """Take notice: it is silent until the sum is back at zero."""
        self.silent = True

    @property
    def lost_mm(self) -> float:
        """Length lost since the onset, drift taken off."""
        drifted_mm = self.drift * (self._fed_mm - self._onset_fed_mm)
        return self.residual_mm - self._onset_mm - drifted_mm
