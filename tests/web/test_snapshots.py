"""A population as it was kept: a page of each snapshot, and what a large alarm shows instead of reckoning each time."""

from __future__ import annotations

import pytest
from django.test import Client

from tests.web.conftest import Suspects
from tests.web.test_answers import rows_of, text_of
from tests.web.test_containments import add, alarm, page_of  # noqa: F401
from trace.containment import population
from trace.containment.following import follow
from trace.containment.models import Containment, Watch
from trace.web import alarms, snapshots

pytestmark = pytest.mark.django_db

SHARED = ("Sureness", "Serial", "Part", "Is in", "Where", "Since", "Customer", "Counted as")


@pytest.fixture
def kept(visitor: Client, alarm: Containment, suspects: Suspects) -> str:  # noqa: F811
    """The address of an alarm of which a snapshot was taken."""
    address = f"/containments/{alarm.key}/"
    assert visitor.post(address, {"do": "take_snapshot", "why": "first look"}).status_code == 302
    return address


def test_a_snapshot_says_unit_by_unit_what_the_page_said(visitor: Client, kept: str) -> None:
    every = "&units-counted="
    live = rows_of(visitor.get(f"{kept}?csv=units{every}"))
    then = rows_of(visitor.get(f"{kept}snapshots/1/?csv=units{every}"))
    assert len(then) == len(live) > 3
    assert [[row[name] for name in SHARED] for row in then] == [[row[name] for name in SHARED] for row in live]
    for table, by in (("customers", "Customer"), ("stock", "What")):
        live, then = (rows_of(visitor.get(f"{one}?csv={table}")) for one in (kept, f"{kept}snapshots/1/"))
        assert {row[by] for row in then} == {row[by] for row in live}
    shown = text_of(visitor.get(f"{kept}snapshots/1/").content.decode())
    assert "is in 3 units: 2 certain, 1 possible. 1 has shipped, to 1 customer." in shown
    assert "Nothing was recorded since." in shown
    (places,) = [visitor.get(f"{kept}snapshots/1/?csv=places")]
    assert sum(int(row["Units"]) for row in rows_of(places)) == 3
    assert visitor.get(f"{kept}snapshots/2/").status_code == 404


def test_a_large_alarm_shows_its_latest_snapshot_and_reckons_only_when_asked(
    visitor: Client,
    kept: str,
    alarm: Containment,  # noqa: F811
    suspects: Suspects,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    live = page_of(visitor, alarm)
    monkeypatch.setattr(snapshots, "MANY", 3)
    asked: list[str] = []

    def reckon(containment: Containment, at: int) -> object:
        asked.append(containment.key)
        return population.reckon(containment, at)

    monkeypatch.setattr(alarms, "reckon", reckon)
    shown = page_of(visitor, alarm)
    assert "As snapshot 1 kept it" in shown and not asked
    (said,) = [line for line in live.split(". ") if "is in 3 units" in line]
    assert said in shown
    assert "Reckon it now, and wait" in shown
    assert visitor.get(f"{kept}?units-page=1", HTTP_HX_REQUEST="true", HTTP_HX_TARGET="table-units").status_code == 200
    assert not asked
    assert "As snapshot 1 kept it" not in page_of(visitor, alarm, "?anew=yes") and asked
    asked.clear()
    add(visitor, alarm, "container", "GOOD")  # no snapshot knows of that
    assert "As snapshot 1 kept it" not in page_of(visitor, alarm) and asked


def test_a_large_alarm_is_reckoned_beside_the_work(
    visitor: Client,
    kept: str,
    alarm: Containment,  # noqa: F811
    suspects: Suspects,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(snapshots, "MANY", 3)
    plant = suspects.plant
    (board,) = plant.boards(1)
    plant.run(board, plant.insertion, 200, 201)
    assert "more entries" in page_of(visitor, alarm)
    assert visitor.post(kept, {"do": "ask"}).status_code == 302
    assert "Asked for" in page_of(visitor, alarm)
    follow(plant.ann)
    shown = page_of(visitor, alarm)
    assert "As snapshot" in shown and "Asked for" not in shown
    assert Watch.objects.get().asked is None
