"""A long history that all tests of a file look at: loaded once, and rolled back after the last of them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from django.db import connection, transaction

from trace.management.benchmark.history import History
from trace.management.benchmark.load import gather_statistics, load_history


@contextmanager
def loaded(boards: int, blocker: Any) -> Iterator[History]:
    """The history of so many boards, with the statistics that a database has of it in time."""
    history = History(boards)
    with blocker.unblock(), transaction.atomic():
        load_history(history)
        connection.check_constraints()  # else each test's end checks every row anew on PostgreSQL
        gather_statistics()
        yield history
        transaction.set_rollback(True)
