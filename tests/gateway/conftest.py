"""One head for all tests of the gateway."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from cell_rig import Cell


@pytest.fixture(scope="module")
def cell(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cell]:
    cell = Cell(tmp_path_factory.mktemp("cell"))
    yield cell
    cell.close()
