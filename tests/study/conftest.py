"""A cluster for all tests of this folder."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from dask.distributed import LocalCluster


@pytest.fixture(scope="session")
def cluster() -> Iterator[str]:
    """Address of a Dask scheduler with two workers, processes of this machine.

    Test modules lie on the workers' path, as they do on pytest's own.
    """
    before = os.environ.get("PYTHONPATH")
    here = str(Path(__file__).parent)
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, [here, before]))
    try:
        with LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
        ) as started:
            yield started.scheduler_address
    finally:
        if before is None:
            del os.environ["PYTHONPATH"]
        else:
            os.environ["PYTHONPATH"] = before
