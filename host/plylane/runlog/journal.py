"""What the host itself has to say of a run: strips and joints, who wrote through the gateway."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the host's own journal.

    `time_s` as in snapshots; `kind` a name such as "joint" or "writer_taken"; `lane` from 1, None
    where no one lane is concerned; `text` one readable line; `numbers` what programs are to read
    of it, as `json.dumps` takes it.
    """

    time_s: float
    kind: str
    lane: int | None
    text: str
    numbers: dict[str, Any] | None = None

    @property
    def sentence(self) -> str:
        """The line with the lane it is about."""
        return self.text if self.lane is None else f"Lane {self.lane}: {self.text}"
