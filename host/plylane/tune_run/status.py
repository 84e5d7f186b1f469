"""What a job is at, for screens and progress bars."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class TuneStatus:
    """`job` in a word or two, empty when nothing runs; `zone` from 0; `text` one line;
    `left_s` at most; `share` done (0 to 1) where known; `trouble` why the last job failed.
    """

    job: str = ""
    zone: int = 0
    text: str = ""
    elapsed_s: float = 0.0
    left_s: float | None = None
    share: float | None = None
    trouble: str = ""

    @property
    def busy(self) -> bool:
        """Whether a job is under way."""
        return bool(self.job)
