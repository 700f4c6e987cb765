"""Equipment on pages."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.test import Client

from tests.web.conftest import Suspects, make_user
from trace.core.clock import now
from trace.core.permissions import Role
from trace.engineering.equipment import Calibration, PieceCheck, ProgramLoad
from trace.engineering.operations import define_check_piece, define_equipment, define_program

pytestmark = pytest.mark.django_db

KIND = "high-voltage tester"
USE = "/equipment/HV-1/use/"


@pytest.fixture
def tess(client: Client, suspects: Suspects) -> Client:
    client.force_login(make_user("tess", roles=[Role.TECHNICIAN]))
    return client


def test_what_is_due_first_stands_first_and_on_the_home_page(tess: Client, suspects: Suspects) -> None:
    plant = suspects.plant
    plant.do(define_equipment, key="A-1", name="Ruler", kind="ruler")
    plant.do(define_equipment, key="Z-1", name="Gauge", kind="gauge", calibrate_every=30)
    page = tess.get("/equipment/").content.decode()
    assert "1 piece of equipment is to be calibrated" in page
    assert page.index("/equipment/Z-1/") < page.index("/equipment/HV-1/") < page.index("/equipment/A-1/")
    home = tess.get("/").content.decode()
    assert "1 calibration is overdue" in home and "/equipment/Z-1/" in home and "/equipment/HV-1/" not in home


def test_its_page_has_its_caution_its_history_and_what_is_due(tess: Client, suspects: Suspects) -> None:
    suspects.plant.do(define_check_piece, key="BAD-1", name="open", kind=KIND, good=False)
    page = tess.get("/equipment/HV-1/").content.decode()
    assert "Caution: High voltage." in page
    assert "Follow site procedure and local code; only qualified people may do this step." in page
    assert "to be checked in this shift: BAD-1" in page and "2027-03-02" in page
    assert "/equipment/HV-1/" in tess.get("/stations/TEST/").content.decode()
    assert tess.get("/scan/?q=HV-1").headers["Location"] == "/equipment/HV-1/"
    assert tess.get("/equipment/NONE/").status_code == 404


def test_checks_calibrations_and_programs_are_recorded(tess: Client, suspects: Suspects) -> None:
    plant = suspects.plant
    plant.do(define_check_piece, key="BAD-1", name="open", kind=KIND, good=False)
    plant.do(define_program, key="P-1", kind=KIND, name="Board test", revision="1")
    assert "only qualified people" in tess.get(USE).content.decode()
    for form in (
        {"what": "check", "piece": "BAD-1", "said": "bad"},
        {"what": "program", "program": "P-1", "at": "2026-03-02T07:00"},
        {"what": "calibration", "result": "passed", "due": "2099-01-01"},
        {"what": "calibration", "result": "failed"},
    ):
        assert tess.post(USE, form).headers["Location"] == "/equipment/HV-1/", form
    assert (PieceCheck.objects.count(), ProgramLoad.objects.count(), Calibration.objects.count()) == (1, 1, 3)
    assert f"{ProgramLoad.objects.get().since:%Y-%m-%d %H:%M}" == "2026-03-02 07:00"
    page = tess.get("/equipment/HV-1/").content.decode()
    assert "not fit" in page and "failed its last calibration" in page and "Board test" in page and "right" in page


@pytest.mark.parametrize(
    ("form", "status"),
    [
        ({}, 409),
        ({"what": "check", "piece": "NONE", "said": "bad"}, 409),
        ({"what": "check"}, 409),
        ({"what": "program", "program": ""}, 409),
        ({"what": "calibration"}, 409),
        ({"what": "calibration", "result": "passed", "due": "soon"}, 400),
        ({"what": "calibration", "result": "passed", "at": "2099-01-01T00:00"}, 400),
    ],
)
def test_what_can_not_be_recorded_is_said_on_the_form(tess: Client, form: dict, status: int) -> None:
    before = Calibration.objects.count()
    answer = tess.post(USE, form)
    assert answer.status_code == status and 'role="alert"' in answer.content.decode()
    assert (Calibration.objects.count(), PieceCheck.objects.count()) == (before, 0)


def test_an_operator_runs_check_pieces_and_calibrates_nothing(client: Client, suspects: Suspects) -> None:
    client.force_login(make_user("op", roles=[Role.OPERATOR]))
    piece = suspects.plant.do(define_check_piece, key="GOOD-1", name="short", kind=KIND, good=True)
    assert client.post(USE, {"what": "check", "piece": piece.key, "said": "good"}).status_code == 302
    assert client.post(USE, {"what": "calibration", "result": "passed"}).status_code == 403


def test_what_no_database_takes_is_no_piece_and_no_program(tess: Client) -> None:
    for form in ({"what": "check", "piece": "\0", "said": "bad"}, {"what": "program", "program": "\0"}):
        answer = tess.post(USE, form)
        assert answer.status_code == 409 and "Choose the" in answer.content.decode()


def test_a_page_is_told_no_moment_by_a_device(tess: Client, suspects: Suspects) -> None:
    suspects.plant.do(define_check_piece, key="BAD-1", name="open", kind=KIND, good=False)
    for off in (timedelta(hours=-23), timedelta(hours=23)):
        headers = {"Device-Time": (now() + off).isoformat()}
        assert tess.post(USE, {"what": "check", "piece": "BAD-1", "said": "bad"}, headers=headers).status_code == 302
        assert abs(PieceCheck.objects.latest("id").at - now()) < timedelta(minutes=1)
