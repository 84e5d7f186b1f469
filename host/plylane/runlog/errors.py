"""What can be wrong with a run folder."""

from __future__ import annotations

from pathlib import Path


class RunError(ValueError):
    """A run folder that cannot be written or used.

    One line: the file, the place in it and the remedy.
    """

    def __init__(self, file: Path, place: str, remedy: str) -> None:
        self.file, self.place, self.remedy = file, place, remedy
        super().__init__(" ".join(f"{file}: {place}; {remedy}".split()))
