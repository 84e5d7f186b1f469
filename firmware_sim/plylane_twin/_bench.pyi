"""The compiled board bench. Its names come from the C headers, which type checkers do not read."""

from typing import Any

ffi: Any
lib: Any
