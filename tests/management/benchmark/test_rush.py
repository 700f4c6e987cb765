"""A rush in small: nothing is lost, every answer is right, and what is wrong is said."""

from __future__ import annotations

from pathlib import Path

import pytest
from django.db import connection

from trace.management.benchmark.rush.run import Rush
from trace.management.benchmark.rush.table import write_rush
from trace.management.benchmark.serving import url_of


@pytest.mark.skipif("connection.vendor != 'postgresql'", reason="PostgreSQL's own; CI runs it there")
def test_a_rush_is_counted_and_checked(tmp_path: Path, django_db_blocker) -> None:
    server = {**connection.settings_dict, "NAME": "postgres"}
    with django_db_blocker.unblock():
        rush = Rush(2, 2_000, tmp_path, url_of(server), lambda said: None)
        results = rush.carry_out()
        assert results["wrong"] == []
        assert {"scan in", "scan out", "rack", "recall"} == set(results["plant"])
        assert results["plant"]["scan in"]["answers"] > 10
        shown = write_rush(results)
        assert "errors and wrong answers: 0" in shown and "| scan in |" in shown
