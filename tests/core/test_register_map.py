"""The register map and what is generated from it."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "firmware_sim"))

from generate import outputs  # noqa: E402
from plylane.head import registers  # noqa: E402
from plylane_twin._core import lib  # noqa: E402
from register_map.model import SOURCE, MapError, load  # noqa: E402


@pytest.mark.parametrize("path", outputs(load()), ids=lambda p: p.name)
def test_generated_file_is_fresh(path: Path) -> None:
    text = outputs(load())[path]
    assert path.read_text(encoding="utf-8") == text, "run: python firmware_sim/generate.py"


def test_core_and_host_know_the_same_map() -> None:
    assert load().hash == registers.MAP_HASH == lib.REG_MAP_HASH


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("address = 129", "address = 125", "telemetry ends at 129"),
        ("max = 10, default = 0, doc", "max = 10, default = 11, doc", "command.command"),
        ('enum = "State"', 'enum = "Stat"', "no such enumeration Stat"),
        ('to = "resetting"', 'to = "resettling"', "resettling"),
        ('from = ["idle"]', 'from = ["idle", "idler"]', "idler"),
    ],
)
def test_contradictions_are_refused(tmp_path: Path, old: str, new: str, expected: str) -> None:
    text = SOURCE.read_text(encoding="utf-8")
    assert old in text
    changed = tmp_path / "registers.toml"
    changed.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(MapError, match=expected):
        load(changed)


def test_words_about_a_register_do_not_change_the_hash_but_its_range_does(tmp_path: Path) -> None:
    text = SOURCE.read_text(encoding="utf-8")
    changed = tmp_path / "registers.toml"
    changed.write_text(text.replace("Proportional gain.", "Gain."), encoding="utf-8")
    assert load(changed).hash == registers.MAP_HASH
    changed.write_text(text.replace("default = 600", "default = 601"), encoding="utf-8")
    assert load(changed).hash != registers.MAP_HASH


def test_every_register_has_a_meaning_and_units_stand_in_names() -> None:
    for block in registers.BLOCKS.values():
        for register in block.registers:
            assert register.doc.endswith("."), register
            if register.unit in ("mm", "mm/s", "degC", "s", "%", "ms"):
                unit = {"mm/s": "mm_s", "%": "percent"}.get(register.unit, register.unit)
                assert unit in register.name, register
