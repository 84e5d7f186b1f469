"""Build the C modules, bound with cffi: `_core` (head, plant, twin) and `_bench` (board bench).

``python firmware_sim/plylane_twin/build_core.py`` builds them beside this file; setup.py builds the
same extensions at install. What Python sees is read from the C headers themselves, so there is no
second copy of a struct to keep in step. `_bench` needs libsimavr; without it only `_core` is built.
"""

from __future__ import annotations

import os
import re
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
CORE = Path("firmware_sim/core")
TWIN = Path("firmware_sim/plylane_twin")
NOT_FOR_PYTHON = {"flash.h"}  # AVR memory attributes: nothing to call
BENCH_PARTS = ("characters", "plant", "bench")
GCC_FLAGS = ["-O3", "-std=c11", "-ffp-contract=off", "-fvisibility=hidden"]
MSVC_FLAGS = ["/O2", "/std:c11", "/fp:precise"]
BENCH_FLAGS = ["-std=gnu11"]  # libsimavr's headers are not plain C11
BENCH_REMEDY = (
    "the board bench needs libsimavr: install it (Debian: apt install libsimavr-dev) and install "
    "plylane again"
)

_COMMENT = re.compile(r"/\*.*?\*/|//[^\n]*", re.S)
_INCLUDE = re.compile(r'^\s*#\s*include\s+"([^"]+)"', re.M)
_DEFINE = re.compile(r"^\s*#\s*define\s+(\w+)(\(?)[ \t]*(.*)$")
_SUFFIX = re.compile(r"\b(0[xX][0-9a-fA-F]+|\d+)[uUlL]+\b")
_CAST = re.compile(r"\(\s*u?int\d+_t\s*\)")
_INTEGER = re.compile(r"[\d\sa-fA-FxX()+\-*/<>|&~]+")
_NAME = re.compile(r"\b[A-Za-z_]\w*\b")


def core_sources() -> list[Path]:
    """Every C file of `_core`, relative to the project root."""
    return [
        path.relative_to(ROOT)
        for folder in (CORE, TWIN)
        for path in sorted((ROOT / folder).glob("*.c"))
        if path.stem != "bench"
    ]


def core_headers() -> list[Path]:
    """Every header of `_core`, each after those it includes; absolute paths."""
    folders = (ROOT / CORE, ROOT / TWIN)
    found: dict[Path, None] = {}

    def visit(path: Path) -> None:
        if path in found or path.name in NOT_FOR_PYTHON:
            return
        for name in _INCLUDE.findall(path.read_text(encoding="utf-8")):
            for folder in folders:
                if (folder / name).exists():
                    visit(folder / name)
        found[path] = None

    for folder in folders:
        for path in sorted(folder.glob("*.h")):
            if path.stem != "bench":
                visit(path)
    return list(found)


def _integer(text: str, known: dict[str, int]) -> int | None:
    """Value of a constant expression of integers and earlier constants, None if it is not one."""
    text = _SUFFIX.sub(r"\1", _CAST.sub("", text))
    text = _NAME.sub(lambda m: str(known.get(m[0], m[0])), text)
    if not _INTEGER.fullmatch(text):
        return None
    try:
        value = eval(text.replace("/", "//"), {"__builtins__": {}})
    except (SyntaxError, NameError, TypeError, ZeroDivisionError):
        return None
    return value if isinstance(value, int) else None


def _constant(line: str, known: dict[str, int]) -> str:
    """What cffi is told about one #define: an integer, a text, or nothing."""
    match = _DEFINE.match(line)
    if match is None or match[2]:
        return ""
    name, body = match[1], match[3].strip()
    if body.startswith('"'):
        return f"static char *const {name};"
    value = _integer(body, known)
    if value is None:
        return ""
    known[name] = value
    return f"#define {name} {value}" if value >= 0 else f"#define {name} ..."


def _without_bodies(text: str) -> str:
    """Inline functions become prototypes."""
    pattern = re.compile(r"static\s+inline\s+([^;{}]+?\))\s*\{")
    while match := pattern.search(text):
        depth, end = 1, match.end()
        while depth:
            depth += {"{": 1, "}": -1}.get(text[end], 0)
            end += 1
        text = text[: match.start()] + match[1] + ";" + text[end:]
    return text


def _declarations(header: str, known: dict[str, int]) -> Iterator[str]:
    text = _COMMENT.sub(" ", header).replace("\\\n", " ")
    text = re.sub(r"_Static_assert\s*\([^;]*;", "", _without_bodies(text))
    packed = False
    for line in re.sub(r"\bFLASH\b", "", text).splitlines():
        if line.startswith("#pragma pack"):
            packed = "push" in line
        if line.lstrip().startswith("#"):
            line = _constant(line, known)
        elif packed:  # the compiler tells where the fields lie
            line = line.replace("};", "...; };")
        if line.strip():
            yield line


def declarations(headers: Sequence[Path]) -> str:
    """The cdef: all these headers in one text that cffi can parse."""
    known: dict[str, int] = {}
    texts = [path.read_text(encoding="utf-8") for path in headers]
    return "\n".join(line for text in texts for line in _declarations(text, known))


def _extension(
    module: str,
    folder: str,
    headers: Sequence[Path],
    sources: Sequence[Path],
    flags: Sequence[str] = (),
    libraries: Sequence[str] = (),
) -> Any:
    from cffi import FFI

    ffi = FFI()
    ffi.cdef(declarations(headers))
    windows = sys.platform == "win32"
    ffi.set_source(
        module,
        "".join(f'#include "{path.name}"\n' for path in headers),
        sources=[path.as_posix() for path in sources],
        include_dirs=[CORE.as_posix(), TWIN.as_posix()],
        extra_compile_args=MSVC_FLAGS if windows else [*GCC_FLAGS, *flags],
        libraries=list(libraries),
        depends=[path.relative_to(ROOT).as_posix() for path in headers],
    )
    return ffi.distutils_extension(tmpdir=folder, verbose=False)


def core_extension(folder: str) -> Any:
    """setuptools' extension of `_core`; its generated C goes to `folder`. Run from the root."""
    return _extension("plylane_twin._core", folder, core_headers(), core_sources())


def bench_extension(folder: str) -> Any:
    """setuptools' extension of `_bench`; compiles where libsimavr's headers are found."""
    headers = [ROOT / TWIN / f"{part}.h" for part in BENCH_PARTS]
    sources = [TWIN / f"{part}.c" for part in BENCH_PARTS]
    return _extension("plylane_twin._bench", folder, headers, sources, BENCH_FLAGS, ["simavr"])


def build_in_place(make: Callable[[str], Any]) -> Path:
    """Compile one extension and put the module beside this file; returns its path."""
    from setuptools import Distribution

    os.chdir(ROOT)
    with tempfile.TemporaryDirectory(prefix="plylane_core_") as folder:
        command = Distribution({"ext_modules": [make(folder)]}).get_command_obj("build_ext")
        command.build_temp, command.build_lib = folder, folder
        command.ensure_finalized()
        command.run()
        built = Path(command.get_outputs()[0])
        # replaced in one step: a process that has the old module loaded keeps it
        fresh = ROOT / TWIN / f"{built.name}.{os.getpid()}"
        fresh.write_bytes(built.read_bytes())
        return fresh.replace(ROOT / TWIN / built.name)


def main() -> None:
    """Build both; a missing libsimavr is said in one line, after the compiler's own words."""
    from setuptools.errors import BaseError, CCompilerError

    print(build_in_place(core_extension))
    try:
        print(build_in_place(bench_extension))
    except (BaseError, CCompilerError) as error:
        sys.exit(f"plylane: {BENCH_REMEDY} ({error})")


if __name__ == "__main__":
    main()
