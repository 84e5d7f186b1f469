"""Text files that people name on a command line or in another file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path


def read_text(
    path: Path, fault: Callable[[str], Exception], remedy: str, size_max: int | None = None
) -> str:
    """The file's text, UTF-8, of at most `size_max` bytes where that is given.

    Raises what `fault` makes of one line that names the file, what is wrong and the remedy.
    """
    try:
        if size_max is not None and path.stat().st_size > size_max:
            raise fault(f"{path}: too large; {remedy}")
        return path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise fault(f"{path}: no such file; check the name") from error
    except UnicodeDecodeError as error:
        raise fault(f"{path}, byte {error.start}: not UTF-8 text; {remedy}") from error
    except OSError as error:
        raise fault(f"{path}: cannot be read ({error.strerror}); {remedy}") from error
