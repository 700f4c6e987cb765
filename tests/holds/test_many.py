"""Many things are held at once, and the database is told so."""

from __future__ import annotations

import pytest
from django.db import connection

from tests.factories import make_person, moment
from trace.holds.models import Hold
from trace.holds.operations import MANY, hold_population

pytestmark = pytest.mark.django_db


@pytest.mark.skipif("connection.vendor != 'postgresql'", reason="PostgreSQL's own; CI runs it there")
def test_postgresql_knows_at_once_how_many_holds_there_are() -> None:
    """Else whoever looked for a hold before there were any would read every one of them at each scan."""
    held = {("unit", f"U-{number}"): () for number in range(MANY)}
    hold_population(held, "It drifts after solder.", make_person(), moment(1), "C-1")
    assert Hold.objects.count() == MANY
    with connection.cursor() as cursor:
        cursor.execute("SELECT reltuples FROM pg_class WHERE relname = %s", [Hold._meta.db_table])
        assert cursor.fetchone() == (MANY,)
