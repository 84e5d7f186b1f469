"""Turn registers.toml into the C table, the Python module and the register document.

``python firmware_sim/generate.py`` writes the files, ``--check`` only compares them and exits 1
when one is stale. Needs nothing but the standard library.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from register_map.c_code import c_header, c_table
from register_map.document import document
from register_map.model import Map, load
from register_map.python_code import python_module

ROOT = Path(__file__).resolve().parents[1]


def outputs(m: Map, root: Path = ROOT) -> dict[Path, str]:
    """What each generated file should hold."""
    return {
        root / "firmware_sim/core/registers.h": c_header(m),
        root / "firmware_sim/core/register_table.c": c_table(m),
        root / "host/plylane/head/registers.py": python_module(m),
        root / "docs/registers.md": document(m),
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="compare only")
    check = parser.parse_args().check
    stale = []
    for path, text in outputs(load()).items():
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            stale.append(path)
            if not check:
                path.write_text(text, encoding="utf-8")
    for path in stale:
        print(f"{'stale' if check else 'written'}: {path.relative_to(ROOT)}")
    return 1 if check and stale else 0


if __name__ == "__main__":
    sys.exit(main())
