"""What the host itself has to say of a run: strips and joints, who wrote through the gateway."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the host's own journal.

    `time_s` as in snapshots; `kind` a name such as "joint" or "writer_taken"; `lane` from 1, None
    where no one lane is concerned; `text` one readable line.
    """

    time_s: float
    kind: str
    lane: int | None
    text: str

    @property
    def sentence(self) -> str:
        """The line with the lane it is about."""
        return self.text if self.lane is None else f"Lane {self.lane}: {self.text}"
