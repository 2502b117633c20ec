"""Measuring without processes, and what was measured."""

from concurrent.futures import ThreadPoolExecutor

import pytest

from limbward.stages import ingest
from limbward.work import executors


@pytest.fixture
def in_threads(monkeypatch):
    """Measure in threads: starting processes takes seconds and is tested on its own."""
    monkeypatch.setattr(executors, "local_pool", ThreadPoolExecutor)


@pytest.fixture
def measured(monkeypatch):
    """Return a list to which the names of measured files are added."""
    names = []
    genuine = ingest.measure_all

    def counting(tasks, jobs, **more):
        names.extend(task.file.path.name for task in tasks.values())
        return genuine(tasks, jobs, **more)

    monkeypatch.setattr(ingest, "measure_all", counting)
    return names
