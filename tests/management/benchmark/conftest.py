"""A small invented history, in the database of the tests."""

from __future__ import annotations

import pytest

from trace.management.benchmark.history import History
from trace.management.benchmark.load import load_history


@pytest.fixture(scope="module")
def history() -> History:
    """Of so many boards that reels are changed, some by splicing, and that some products are nested deep."""
    return History(900, seed=3)


@pytest.fixture
def loaded(history: History, db) -> History:
    load_history(history)
    return history
