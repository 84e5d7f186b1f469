"""The compiled core, or a clear word about why it is not there."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any


class TwinUnavailable(RuntimeError):  # noqa: N818  (an absence, not a fault)
    """The twin's C core is not part of this install; the message says what to do."""


def load() -> tuple[Any, Any]:
    """cffi's `ffi` and `lib` of the core. Raises TwinUnavailable."""
    try:
        from plylane_twin._core import ffi, lib
    except ImportError as error:
        raise TwinUnavailable(
            "the twin needs its C core, which was not built when plylane was installed: install "
            "a C compiler (Debian: apt install build-essential python3-dev) and install plylane "
            f"again; a real head works without it ({error})"
        ) from error
    return ffi, lib


def mark() -> str:
    """Changes with the compiled core and the plant's values. Raises TwinUnavailable."""
    load()
    from plylane_twin import _core

    files = (Path(_core.__file__), Path(__file__).with_name("plant.toml"))
    return hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()
