"""Fixtures for all tests. Being here puts tests/ on the path, so that they can import bare_head."""

from __future__ import annotations

import pytest
from hypothesis import settings

from bare_head import Bare

# a busy machine is no defect: how long an example takes is for tests/benchmarks
settings.register_profile("plylane", deadline=None)
settings.load_profile("plylane")


@pytest.fixture
def bare() -> Bare:
    """A head just reset, on a port made of plain values."""
    return Bare()


@pytest.fixture
def bare_factory() -> type[Bare]:
    """For tests that need several heads, or one with a prepared port."""
    return Bare
