"""Equipment on pages."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.test import Client

from tests.factories import make_person, moment
from tests.web.conftest import Suspects, make_user
from tests.web.test_answers import rows_of, text_of
from trace.approvals.files import store
from trace.approvals.models import Deviation, Meaning
from trace.approvals.operations import attach_file, sign
from trace.core.clock import now, telling
from trace.core.permissions import Role
from trace.engineering.equipment import Calibration, Equipment, PieceCheck, ProgramLoad
from trace.engineering.operations import (
    define_check_piece,
    define_equipment,
    define_program,
    record_check,
)

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


def read(client: Client, address: str) -> str:
    return text_of(client.get(address).content.decode())


# A check piece that was called wrongly --------------------------------------------------------------------------------


def test_a_failed_check_piece_is_said_until_it_is_called_right(tess: Client, suspects: Suspects) -> None:
    plant, tester = suspects.plant, Equipment.objects.get(key="HV-1")
    bad = plant.do(define_check_piece, key="BAD-1", name="open fuse", kind=KIND, good=False)
    plant.do(define_check_piece, key="GOOD-1", name="whole fuse", kind=KIND, good=True)
    pia = make_person("PIA", roles=[Role.OPERATOR])
    plant.do(record_check, 50, equipment=tester, piece=bad, said_good=False)
    assert "failed" not in read(tess, "/equipment/HV-1/")
    plant.do(record_check, 60, equipment=tester, piece=bad, said_good=True, by=pia)
    for later in (61, 3 * 24 * 60):  # a new shift does not make it good
        with telling(moment(later)):
            page = read(tess, "/equipment/HV-1/")
            assert "HV-1 failed a check piece and must not be used." in page
            assert (
                "BAD-1 (open fuse) is known bad, and HV-1 called it good on 2026-03-02 07:00. PIA Pia ran it." in page
            )
            assert "What HV-1 judged since 2026-03-02 06:50" in page
            for address in ("/equipment/", "/stations/TEST/"):
                assert "it failed check piece BAD-1 and must not be used" in read(tess, address)
            assert "to be checked in this shift: GOOD-1" in read(tess, "/equipment/")
            assert "1 piece of equipment failed a check piece and must not be used." in read(tess, "/")
    plant.do(record_check, 70, equipment=tester, piece=bad, said_good=False)
    with telling(moment(71)):
        assert not any("failed" in read(tess, address) for address in ("/equipment/HV-1/", "/equipment/", "/"))


def test_what_was_never_right_casts_doubt_on_all_it_judged(tess: Client, suspects: Suspects) -> None:
    plant, tester = suspects.plant, Equipment.objects.get(key="HV-1")
    good = plant.do(define_check_piece, key="GOOD-1", name="whole fuse", kind=KIND, good=True)
    plant.do(record_check, 60, equipment=tester, piece=good, said_good=False)
    page = read(tess, "/equipment/HV-1/")
    assert "is known good, and HV-1 called it bad" in page and "whatever it judged is in doubt" in page


# Home, by role --------------------------------------------------------------------------------------------------------


def test_home_says_to_each_role_what_is_due(client: Client, suspects: Suspects) -> None:
    """HV-1 was calibrated on 2 March 2026 for 365 days: it is good up to 2 March 2027, a Tuesday."""
    suspects.plant.do(define_check_piece, key="BAD-1", name="open", kind=KIND, good=False)
    spare = {"name": "Spare", "kind": KIND, "calibrate_every": 365}
    suspects.plant.do(define_equipment, key="HV-2", **spare)
    soon = "2 calibrations are overdue or due within a week."
    owed = "1 piece of equipment still owes check pieces today."  # the spare stands nowhere
    for role, sees in (
        (Role.TECHNICIAN, {soon, owed}),
        (Role.OPERATOR, {"1 calibration is overdue.", owed}),
        (Role.AUDITOR, {"1 calibration is overdue."}),
    ):
        client.force_login(make_user(role, roles=[role]))
        with telling(moment(358 * 24 * 60)):
            page = read(client, "/")
        assert sees == {sentence for sentence in (soon, owed, "1 calibration is overdue.") if sentence in page}, role
        if role == Role.TECHNICIAN:
            with telling(moment(358 * 24 * 60)):
                assert [row["Equipment"] for row in rows_of(client.get("/?csv=calibrations"))] == [
                    "HV-2 Spare",
                    "HV-1 Tester 1",
                ]
                assert [row["Equipment"] for row in rows_of(client.get("/?csv=checks"))] == ["HV-1 Tester 1"]
            with telling(moment(357 * 24 * 60)):  # eight days before
                assert "1 calibration is overdue." in read(client, "/")


def test_a_deviation_waits_for_a_quality_engineer_who_did_not_open_it(client: Client, suspects: Suspects) -> None:
    deviation = Deviation.objects.get(key="DEV-1")
    words = "1 deviation waits for your approval."
    users = {name: make_user(name, roles=[role]) for name, role in (("quinn", Role.QUALITY), ("sue", Role.SUPERVISOR))}
    with telling(moment(60)):
        client.force_login(users["sue"])
        assert words not in read(client, "/")
        client.force_login(users["quinn"])
        assert words in read(client, "/")
        assert [row["Deviation"] for row in rows_of(client.get("/?csv=deviations"))] == ["DEV-1"]
        Deviation.objects.update(opened_by=users["quinn"].person)
        assert words not in read(client, "/")
        Deviation.objects.update(opened_by=suspects.plant.ann)
        sign(subject=deviation, meaning=Meaning.APPROVED, by=users["quinn"].person, at=moment(60))
        assert words not in read(client, "/")
    with telling(moment(501)):
        assert words not in read(client, "/")


# Moving and retiring --------------------------------------------------------------------------------------------------


def test_equipment_is_moved_and_retired(tess: Client, suspects: Suspects) -> None:
    it = Equipment.objects.get(key="HV-1")
    page = read(tess, "/equipment/HV-1/")
    assert "Move it" in page and "Retire it" in page
    for wrong in ("", "NONE", "\0"):
        answer = tess.post("/equipment/HV-1/move/", {"station": wrong})
        assert answer.status_code == 409 and "Choose the station." in answer.content.decode()
    form = tess.get("/equipment/HV-1/move/").content.decode()
    assert 'value="-"' in form and 'value="TEST"' not in form and 'value="FINAL"' in form
    for station in ("FINAL", "-"):
        assert tess.post("/equipment/HV-1/move/", {"station": station})["Location"] == "/equipment/HV-1/"
        it.refresh_from_db()
        assert (it.station.key if it.station else "-") == station
    assert 'value="-"' not in tess.get("/equipment/HV-1/move/").content.decode()
    assert tess.post("/equipment/HV-1/retire/", {"at": "soon"}).status_code == 400
    assert tess.post("/equipment/HV-1/retire/", {"at": "2026-03-03T07:00"})["Location"] == "/equipment/HV-1/"
    it.refresh_from_db()
    assert f"{it.retired:%Y-%m-%d %H:%M}" == "2026-03-03 07:00"
    page = read(tess, "/equipment/HV-1/")
    assert "retired since 2026-03-03 07:00" in page and "Move it" not in page
    for address, form in (("move", {"station": "FINAL"}), ("retire", {})):
        answer = tess.post(f"/equipment/HV-1/{address}/", form)
        assert answer.status_code == 409 and "HV-1 is retired." in answer.content.decode()


def test_what_stops_once_equipment_is_gone_is_said_before(tess: Client, suspects: Suspects) -> None:
    plant = suspects.plant
    assert "No other" not in read(tess, "/equipment/HV-1/retire/")
    plant.board.steps.filter(stations=plant.test).update(equipment_kind=KIND)
    words = (
        "No other high-voltage tester stands at TEST. "
        "With this one gone, step 20 of BOARD stops there until another is brought."
    )
    assert words in read(tess, "/equipment/HV-1/retire/") and words in read(tess, "/equipment/HV-1/move/")
    plant.do(define_equipment, key="HV-2", name="Spare", kind=KIND, station=plant.test)
    assert "No other" not in read(tess, "/equipment/HV-1/move/")


def test_an_operator_sees_what_an_operator_may_record(client: Client, suspects: Suspects) -> None:
    client.force_login(make_user("op", roles=[Role.OPERATOR]))
    page = read(client, USE)
    assert "A check piece was run" in page and "It was calibrated" not in page and "A program was loaded" not in page
    assert "Move it" not in read(client, "/equipment/HV-1/")
    assert client.get("/equipment/HV-1/move/").status_code == client.get("/equipment/HV-1/retire/").status_code == 403


# Certificates ---------------------------------------------------------------------------------------------------------


def test_a_certificate_is_a_file_of_the_equipment_or_a_paper_one(tess: Client, suspects: Suspects) -> None:
    plant, tester = suspects.plant, Equipment.objects.get(key="HV-1")
    passed = {"what": "calibration", "result": "passed"}
    assert "No file is with HV-1 yet." in read(tess, USE)
    sha256 = store([b"within its limits"]).sha256
    file = plant.do(attach_file, subject=tester, sha256=sha256, name="2026.pdf", media_type="application/pdf")
    other = plant.do(attach_file, subject=suspects.lot, sha256=sha256, name="other.pdf", media_type="application/pdf")
    form = tess.get(USE).content.decode()
    assert f'value="{file.key}"' in form and "2026.pdf" in form and other.key not in form
    assert tess.post(USE, {**passed, "file": file.key}).status_code == 302
    assert tess.post(USE, {**passed, "certificate": "NL-26/0940 b"}).status_code == 302
    for wrong in ({"file": other.key}, {"file": file.key, "certificate": "x"}):
        answer = tess.post(USE, {**passed, **wrong})
        page = answer.content.decode()
        assert (
            answer.status_code == 409 and "The calibration was not recorded." in page[page.index('id="calibrated"') :]
        )
    assert set(Calibration.objects.values_list("certificate", flat=True)) == {"", file.key, "NL-26/0940 b"}
    page = tess.get("/equipment/HV-1/").content.decode()
    calibrations = page[page.index('id="table-calibrations"') : page.index('id="table-checks"')]
    assert calibrations.count("/attachments/") == 1 and f"/attachments/{file.key}/" in calibrations
    assert ">2026.pdf</a>" in calibrations and "NL-26/0940 b" in calibrations
