"""Lists through the API: out as CSV, in with what they change."""

from __future__ import annotations

import pytest

from tests.factories import Plant, make_person
from trace.core.clock import now
from trace.core.permissions import Role
from trace.engineering.models import Station

pytestmark = pytest.mark.django_db


@pytest.fixture
def ask(client):
    """As a planner, with a session."""
    from tests.web.conftest import make_user

    Plant()
    client.force_login(make_user("pia", roles=[Role.PLANNER]))
    return client


def test_a_list_is_taken_out_and_brought_in(ask) -> None:
    taken = ask.get("/api/v1/lists/stations/")
    assert taken["Content-Type"] == "text/csv; charset=utf-8"
    sent = {"content": taken.content.decode().replace("Insert,", "Insertion,", 1), "at": now().isoformat()}
    looked = ask.post("/api/v1/lists/stations/", {**sent, "dry_run": True}, content_type="application/json").json()
    assert looked["changes"] == [{"what": "changed", "name": "INSERT", "cells": {"name": ["Insert", "Insertion"]}}]
    assert Station.objects.get(key="INSERT").name == "Insert"
    done = ask.post("/api/v1/lists/stations/", sent, content_type="application/json")
    assert done.status_code == 200 and done.json() == {**looked, "dry_run": False}
    assert Station.objects.get(key="INSERT").name == "Insertion"


def test_what_is_wrong_is_a_problem_with_every_line(ask) -> None:
    sent = {"content": "key,name,site\nX,X,NOWHERE\n,Y,PLANT\n", "at": now().isoformat()}
    answer = ask.post("/api/v1/lists/stations/", sent, content_type="application/json")
    assert answer.status_code == 409 and answer["Content-Type"] == "application/problem+json"
    assert [problem["line"] for problem in answer.json()["extra"]["problems"]] == [2, 3]
    assert make_person("OLA", roles=[Role.OPERATOR])
