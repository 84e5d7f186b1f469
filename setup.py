"""The compiled parts of the install: twin and board bench. Everything else is in pyproject.toml.

The host serves a real head without the core, so a computer without a C compiler must still be
able to install it: then the extension is left out with one warning. So is the board bench, which
wants libsimavr, where that is missing.
"""

import os
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

from setuptools import Extension, setup
from setuptools.command.build_ext import build_ext
from setuptools.errors import BaseError, CCompilerError, CompileError, LinkError

ROOT = Path(__file__).resolve().parent
os.chdir(ROOT)

# loaded by its path: the package itself cannot be imported before it is installed
_spec = spec_from_file_location("build_core", ROOT / "firmware_sim/plylane_twin/build_core.py")
assert _spec is not None and _spec.loader is not None
build_core = module_from_spec(_spec)
_spec.loader.exec_module(build_core)

CORE_REMEDY = (
    "plylane: the twin's C core could not be built, so this install serves a real head only.\n"
    "To have the twin too, install a C compiler (Debian: apt install build-essential python3-dev)"
    " and install plylane again.\n"
)
BENCH_REMEDY = (
    "plylane: the board bench could not be built; everything else works without it.\n"
    f"For those who work on the firmware: {build_core.BENCH_REMEDY}.\n"
)
REMEDIES = {"plylane_twin._core": CORE_REMEDY, "plylane_twin._bench": BENCH_REMEDY}


class build_ext_if_possible(build_ext):  # noqa: N801  (setuptools names commands in lower case)
    """build_ext that leaves out what cannot be compiled here."""

    def build_extension(self, ext: Extension) -> None:
        """Compile, or warn and go on."""
        try:
            super().build_extension(ext)
        except (BaseError, CCompilerError, CompileError, LinkError, OSError) as error:
            self.warn(f"{REMEDIES[ext.name]}The compiler said: {error}")


Path("build").mkdir(exist_ok=True)
extensions = [build_core.core_extension("build"), build_core.bench_extension("build")]
for extension in extensions:
    extension.optional = True  # an editable install must not look for what was left out
setup(ext_modules=extensions, cmdclass={"build_ext": build_ext_if_possible})
