"""The record: every filter alone and together, what is refused, one entry whole, how many queries it takes."""

from __future__ import annotations

import json
from datetime import datetime
from html import unescape

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from tests.approvals.signing import quality, sign_as
from tests.factories import Plant, make_person
from tests.web.conftest import Suspects
from tests.web.test_answers import rows_of, text_of
from trace.core.clock import telling
from trace.core.models import Person
from trace.engineering.models import Site
from trace.floor.operations.orders import scrap_unit
from trace.holds.models import Hold
from trace.holds.operations import place_holds, release_hold
from trace.ledger.models import Event
from trace.ledger.queries import list_kinds, list_verbs
from trace.web.cells import kind_words
from trace.web.tables import PAGE_SIZE

pytestmark = pytest.mark.django_db


@pytest.fixture
def bob(suspects: Suspects) -> Person:
    """Somebody else, who scraps a unit on the third day, enters it on the fourth, and releases the hold."""
    bob = make_person("BOB")
    with telling(datetime.fromisoformat("2026-03-05T10:00:00+00:00")):
        scrap_unit(
            unit=suspects.clean,
            reason="cracked, “edge” 100% \\",
            by=bob,
            at=datetime.fromisoformat("2026-03-04T09:30:20Z"),
        )
    with telling(datetime.fromisoformat("2026-03-05T11:00:00+00:00")):
        release_hold(
            hold=Hold.objects.get(), reason='said "fine"', by=bob, at=datetime.fromisoformat("2026-03-05T11:00:00Z")
        )
    return bob


def ask(visitor: Client, **filters: str) -> list[dict[str, str]]:
    """The rows of the download."""
    # The names `from` and `to` can't be given as keywords.
    asked = {name.rstrip("_"): value for name, value in filters.items()}
    response = visitor.get("/record/", {**asked, "csv": "entries"})
    assert response.status_code == 200, text_of(response.content.decode())
    return rows_of(response)


def verbs(rows: list[dict[str, str]]) -> list[str]:
    return [row["What"] for row in rows]


def page_of(visitor: Client, **filters: str) -> str:
    return text_of(
        visitor.get("/record/", {name.rstrip("_"): value for name, value in filters.items()}).content.decode()
    )


# Filters -------------------------------------------------------------------------------------------------------------


def test_all_of_it_stands_there_the_last_recorded_first(visitor: Client, bob: Person) -> None:
    rows = ask(visitor)
    assert [int(row["Entry"]) for row in rows] == list(
        Event.objects.order_by("-recorded", "-id").values_list("pk", flat=True)
    )
    assert f"{len(rows)} entries, the last recorded on" in page_of(visitor)


def test_by_who(visitor: Client, bob: Person) -> None:
    assert verbs(ask(visitor, who="BOB")) == ["release a hold", "scrap a unit"]
    assert verbs(ask(visitor, who=" bob.c ")) == ["release a hold", "scrap a unit"]  # as a badge is scanned
    assert "2 entries fit: by BOB Bob. The last was recorded on 2026-03-05 11:00." in page_of(visitor, who="BOB")


def test_by_what(visitor: Client, bob: Person) -> None:
    (row,) = ask(visitor, what="scrap_unit")
    assert row["Who"] == "BOB Bob" and row["Reason"] == "cracked, “edge” 100% \\"
    assert (row["Recorded"], row["Happened"]) == ("2026-03-05T10:00:00Z", "2026-03-04T09:30:20Z")
    assert {row["What"] for row in ask(visitor, what="load_feed")} == {"load a feed"}
    assert "1 entry fits: scrap a unit." in page_of(visitor, what="scrap_unit")


def test_by_thing(visitor: Client, bob: Person, suspects: Suspects) -> None:
    serial = suspects.clean.key
    about = ask(visitor, kind="unit", key=serial)
    put = "put a unit into a rack"
    assert {"release an order", put, "scrap a unit", "scan a unit in", "scan a unit out"} == set(verbs(about))
    pks = Event.objects.filter(subjects__kind="unit", subjects__key=serial).values_list("pk", flat=True)
    assert {int(row["Entry"]) for row in about} == set(pks)
    assert ask(visitor, key=serial.lower()) == about
    assert verbs(ask(visitor, kind="unit", key=serial, who="BOB")) == ["scrap a unit"]
    assert f"about unit {serial}." in page_of(visitor, kind="unit", key=serial)


def test_by_kind_alone_and_key_alone(visitor: Client, bob: Person) -> None:
    shipped = ask(visitor, kind="shipment")
    assert verbs(shipped) == ["send a shipment", "load a shipment"]
    assert "about any shipment" in page_of(visitor, kind="shipment")
    # A key that two kinds share shows what is about either, and nothing twice.
    station = ask(visitor, kind="station", key="INSERT")
    assert ask(visitor, key="INSERT") == station
    assert len({row["Entry"] for row in station}) == len(station) > 5


def test_by_when_it_happened(visitor: Client, bob: Person) -> None:
    assert verbs(ask(visitor, from_="2026-03-04", to="2026-03-04")) == ["scrap a unit"]
    assert verbs(ask(visitor, from_="2026-03-04T09:30:20")) == ["release a hold", "scrap a unit"]
    assert verbs(ask(visitor, from_="2026-03-04T09:31")) == ["release a hold"]
    assert len(ask(visitor, to="2026-03-04 09:30")) == Event.objects.count() - 1  # with all of the minute
    assert len(ask(visitor, to="2026-03-04T09:29")) == Event.objects.count() - 2
    assert len(ask(visitor, to="2026-03-04T09:30:19")) == Event.objects.count() - 2
    rows = ask(visitor, from_="2026-03-02")
    times = [row["Happened"] for row in rows]
    assert times == sorted(times, reverse=True) and len(rows) == Event.objects.count()
    ours = page_of(visitor, from_="2026-03-04")
    assert "2 entries fit: happened from 2026-03-04. The last happened on 2026-03-05 11:00." in ours
    assert "happened on 2026-03-04." in page_of(visitor, from_="2026-03-04", to="2026-03-04")
    assert "happened from 2026-03-02 to 2026-03-04." in page_of(visitor, from_="2026-03-02", to="2026-03-04")
    assert "happened up to 2026-03-04." in page_of(visitor, to="2026-03-04")


def test_by_when_it_was_recorded(visitor: Client, bob: Person) -> None:
    recorded = {"time": "recorded", "from_": "2026-03-05", "to": "2026-03-05"}
    assert verbs(ask(visitor, **recorded)) == ["release a hold", "scrap a unit"]
    assert ask(visitor, time="recorded", from_="2026-03-04", to="2026-03-04") == []
    assert "recorded on 2026-03-05. The last was recorded on 2026-03-05 11:00." in page_of(visitor, **recorded)


def test_days_are_the_plants(visitor: Client, bob: Person) -> None:
    Site.objects.update(zone="Asia/Tokyo")  # nine hours ahead
    assert verbs(ask(visitor, from_="2026-03-04T18:30", to="2026-03-04T18:30")) == ["scrap a unit"]
    Site.objects.update(zone="Pacific/Kiritimati")  # fourteen: the fifth had begun there
    assert ask(visitor, from_="2026-03-04T23:29", to="2026-03-04T23:29") == []
    assert "scrap a unit" not in verbs(ask(visitor, to="2026-03-03"))
    assert verbs(ask(visitor, from_="2026-03-05", to="2026-03-05", who="BOB")) == []
    assert verbs(ask(visitor, from_="2026-03-06", who="BOB")) == ["release a hold"]


def test_by_words_of_what_was_written(visitor: Client, bob: Person) -> None:
    assert verbs(ask(visitor, words="CRACKED")) == ["scrap a unit"]
    assert verbs(ask(visitor, words='said "fine"')) == ["release a hold"]
    assert verbs(ask(visitor, words="100% \\")) == ["scrap a unit"]
    assert ask(visitor, words="100_ \\") == []  # a wildcard for the database is none here
    assert "No entry fits: with “tin pest” in it." in page_of(visitor, words="tin pest")
    assert "reads every entry of the period" in page_of(visitor)


def test_filters_combine_and_stay_in_the_address(visitor: Client, bob: Person, suspects: Suspects) -> None:
    every = {
        "who": "BOB", "what": "scrap_unit", "kind": "unit", "key": suspects.clean.key, "words": "edge",
        "time": "recorded", "from": "2026-03-05", "to": "2026-03-05 10:00",
    }  # fmt: skip
    assert verbs(ask(visitor, **every)) == ["scrap a unit"]
    for name, other in {
        "who": "ANN", "what": "release_hold", "key": suspects.possible.key, "words": "fine",
        "time": "happened", "from": "2026-03-05T10:01", "to": "2026-03-05T09:59",
    }.items():  # fmt: skip
        response = visitor.get("/record/", {**every, name: other, "csv": "entries"})
        rows = rows_of(response) if response.status_code == 200 else []
        assert rows == [], name
    page = visitor.get("/record/", every).content.decode()
    for name, value in every.items():
        chosen = (f'value="{value}" selected' in page) or (f'name="{name}" type="text" value="{value}"' in page)
        assert chosen, name
    assert f"who=BOB&what=scrap_unit&kind=unit&key={suspects.clean.key}&words=edge" in unescape(page)  # the CSV's


def test_paging_and_sorting_keep_the_filters(visitor: Client, suspects: Suspects) -> None:
    page = unescape(visitor.get("/record/?who=ANN").content.decode())
    assert f"Rows 1–{PAGE_SIZE} of {Event.objects.count()}" in page
    assert 'href="/record/?who=ANN&entries-page=2#entries"' in page
    assert 'href="/record/?who=ANN&entries-sort=happened#entries"' in page
    times = [row["Happened"] for row in ask(visitor, who="ANN", **{"entries-sort": "happened"})]
    assert times == sorted(times) and len(set(times)) > 5


def test_an_empty_record_says_so(visitor: Client) -> None:
    assert "Nothing is on record yet" in page_of(visitor)
    assert list_verbs() == list_kinds() == []


def test_what_was_ever_done_and_to_what_is_offered(visitor: Client, bob: Person) -> None:
    assert list_verbs() == sorted(set(Event.objects.values_list("verb", flat=True)))
    assert list_kinds() == sorted(set(Event.objects.values_list("subjects__kind", flat=True)))
    page = visitor.get("/record/").content.decode()
    assert '<option value="scrap_unit">scrap a unit</option>' in page
    assert '<option value="workorder">work order</option>' in page
    assert '<option value="BOB">Bob</option>' in page


@pytest.mark.parametrize(
    ("kind", "words"),
    [("setup", "set-up"), ("dayoff", "day off"), ("standardcost", "standard cost"), ("user", "account"), ("x", "x")],
)
def test_kinds_are_called_as_people_call_them(kind: str, words: str) -> None:
    assert kind_words(kind) == words


# Refusals ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("filters", "sentence"),
    [
        ({"who": "ZED"}, "No person has the key ZED. Choose one from the list, or leave it empty."),
        ({"who": "B O B"}, "“B O B” is not a key."),
        ({"who": "BOB.X"}, "The check character of BOB should be"),
        ({"who": "BOB\0"}, "is not a key."),
        ({"what": "dance"}, "“dance” was never done here."),
        ({"kind": "teapot"}, "Nothing on record is about a “teapot”."),
        ({"kind": "unit", "key": "NONE"}, "Nothing on record is about unit NONE."),
        ({"key": "NONE"}, "Nothing on record is about NONE. Check the label and scan it again."),
        ({"key": "a/b"}, "“A/B” is not a key."),
        ({"from": "soon"}, "“soon” is no date and time. Give year, month, day"),
        ({"to": "2026-02-30"}, "“2026-02-30” is no date and time."),
        ({"to": "9999-12-31"}, "“9999-12-31” is still to come"),
        ({"from": "0001-01-01"}, "“0001-01-01” lies outside the record."),
        ({"from": "2026-03-04", "to": "2026-03-03"}, "The period ends before it begins. Give a later end."),
        ({"time": "teatime"}, "“teatime” is no time of an entry."),
        ({"words": "x" * 101}, "The text may have 100 characters, not 101."),
        ({"words": "a\0b"}, "The text has a character that can't be stored."),
    ],
)
def test_a_bad_filter_is_refused_beside_the_form(
    visitor: Client, bob: Person, filters: dict[str, str], sentence: str
) -> None:
    for more in ({}, {"csv": "entries"}, {"who": "BOB", "csv": "entries"}):
        response = visitor.get("/record/", {**more, **filters})
        page = response.content.decode()
        assert response.status_code == 400
        assert "Nothing is shown" in page and 'id="table-entries"' not in page
        assert sentence in text_of(page)
    (name,) = [list(filters)[-1]]
    assert f'aria-describedby="{name}-refused"' in page and f'id="{name}-refused"' in page


def test_each_bad_filter_is_named_at_once(visitor: Client, bob: Person) -> None:
    page = page_of(visitor, who="ZED", what="dance", to="never")
    assert "No person has the key ZED." in page and "“dance” was never done" in page and "“never” is no date" in page


# One entry -----------------------------------------------------------------------------------------------------------


def entry_of(verb: str) -> Event:
    event = Event.objects.filter(verb=verb).last()
    assert event is not None
    return event


def test_an_entry_says_who_when_why_and_about_what(visitor: Client, bob: Person, suspects: Suspects) -> None:
    event = entry_of("scrap_unit")
    html = visitor.get(f"/record/{event.pk}/").content.decode()
    page = text_of(html)
    assert "Bob, 2026-03-04 09:30: scrap a unit." in page
    assert "Who BOB Bob What scrap a unit Happened 2026-03-04 09:30 Recorded 2026-03-05 10:00 Reason cracked" in page
    assert f"unit: {suspects.clean.key}" in page and "reason: cracked, “edge” 100% \\" in page
    assert f'href="/record/?kind=unit&amp;key={suspects.clean.key}"' in html
    assert 'href="/record/?who=BOB&amp;from=2026-03-04&amp;to=2026-03-04"' in html
    assert event.payload in unescape(html)
    subjects = {(row["Kind"], row["Thing"]) for row in rows_of(visitor.get(f"/record/{event.pk}/?csv=about"))}
    assert {("unit", suspects.clean.key), ("person", "BOB")} <= subjects
    assert len(subjects) == event.subjects.count()


def test_what_was_written_is_nested_and_names_of_things_are_links(visitor: Client, suspects: Suspects) -> None:
    order = visitor.get(f"/record/{Event.objects.filter(verb='release_order').first().pk}/").content.decode()
    serials = json.loads(Event.objects.filter(verb="release_order").first().payload)["arguments"]["serials"]
    for serial in serials:
        assert f'<a class="key" href="/units/{serial}/">{serial}</a>' in order[order.index("What was told") :]
    entry = Event.objects.get(verb="receive_lot", payload__contains='"LOT-FUSES"')
    lot = text_of(visitor.get(f"/record/{entry.pk}/").content.decode())
    assert "What was told containers: FUSES, none key: LOT-FUSES number: N-LOT-FUSES part: FUSE" in lot
    fitted = visitor.get(f"/record/{entry_of('fit_child').pk}/").content.decode()
    told = fitted[fitted.index("What was told") :]
    assert f'href="/units/{suspects.shipped.key}/"' in told and f'href="/units/{suspects.product.key}/"' in told
    hold = text_of(visitor.get(f"/record/{entry_of('place_holds').pk}/").content.decode())
    assert "targets: lot K77" in hold and f"What came of it hold {Hold.objects.get().pk}" in hold


def test_what_was_typed_is_shown_and_not_run(visitor: Client, suspects: Suspects) -> None:
    plant: Plant = suspects.plant
    plant.do(scrap_unit, 60, unit=suspects.certain, reason="<script>alert(1)</script>")
    for address in ("/record/", f"/record/{entry_of('scrap_unit').pk}/"):
        page = visitor.get(address).content.decode()
        assert "<script>alert" not in page and "&lt;script&gt;alert(1)" in page


@pytest.mark.parametrize("number", ["0", "999999", "9" * 30])
def test_an_entry_that_is_not_there_says_so(visitor: Client, bob: Person, number: str) -> None:
    response = visitor.get(f"/record/{number}/")
    assert response.status_code == 404
    assert f"The record has no entry {number[:20]}" in response.content.decode()
    assert visitor.get("/record/x/").status_code == 404


# Rows ----------------------------------------------------------------------------------------------------------------


def test_a_row_names_a_few_of_the_things_and_says_how_many_more(visitor: Client, suspects: Suspects) -> None:
    plant: Plant = suspects.plant
    boards = plant.boards(30)
    plant.do(place_holds, 50, targets=boards, reason="scratched")
    event = Event.objects.get(verb="place_holds", subjects__key=boards[0].key)
    (row,) = ask(visitor, what="place_holds", key=boards[0].key)
    # The 30 units have pages; the holds have none, and ANN, who did it, stands beside.
    assert event.subjects.count() == 61
    first = ", ".join(f"unit {board.key}" for board in boards[:4])
    assert row["About"] == f"{first}, and 26 more"
    page = visitor.get("/record/?what=place_holds").content.decode()
    assert f'<a href="/record/{event.pk}/">and 26 more</a>' in page


def test_when_it_happened_stands_there_where_it_differs(visitor: Client, bob: Person) -> None:
    late = text_of(visitor.get("/record/?what=scrap_unit").content.decode())
    assert "2026-03-05 10:00 2026-03-04 09:30 BOB" in late
    live = text_of(visitor.get("/record/?what=release_hold").content.decode())
    assert "2026-03-05 11:00 BOB" in live
    (row,) = ask(visitor, what="release_hold")
    assert row["Happened"] == "2026-03-05T11:00:00Z"


def test_queries_do_not_grow_with_entries(visitor: Client, suspects: Suspects) -> None:
    def cost(address: str) -> int:
        with CaptureQueriesContext(connection) as queries:
            assert visitor.get(address).status_code == 200
        return len(queries)

    few, entry = cost("/record/?what=send_shipment"), cost(f"/record/{entry_of('send_shipment').pk}/")
    assert Event.objects.filter(verb="start_pass").count() > 5
    assert few == cost("/record/?what=start_pass") <= 16
    suspects.plant.boards(40)
    assert few == cost("/record/?what=release_order")
    assert entry == cost(f"/record/{entry_of('release_order').pk}/") <= 10


# Ways in -------------------------------------------------------------------------------------------------------------


def test_other_pages_lead_to_the_record(visitor: Client, suspects: Suspects) -> None:
    assert '<a href="/record/">The record</a>' in visitor.get("/").content.decode()
    serial = suspects.product.key
    for address, link in {
        f"/units/{serial}/": f"/record/?kind=unit&key={serial}",
        "/stations/INSERT/": "/record/?kind=station&key=INSERT",
        "/people/ANN/": "/record/?who=ANN",
        "/lots/K77/": "/record/?kind=lot&key=K77",
        "/containers/BAD/": "/record/?kind=container&key=BAD",
    }.items():
        assert f'href="{link}"' in unescape(visitor.get(address).content.decode()), address
        assert visitor.get(link).status_code == 200
    pk = Event.objects.filter(subjects__kind="unit", subjects__key=serial).last().pk
    assert f'href="/record/{pk}/"' in visitor.get(f"/units/{serial}/").content.decode()


def test_the_making_of_a_unit_and_the_receipt_of_a_container_are_about_them(
    visitor: Client, suspects: Suspects
) -> None:
    for kind, key, verb in (("unit", suspects.certain.key, "release an order"), ("container", "BAD", "receive a lot")):
        page = visitor.get(f"/record/?kind={kind}&key={key}").content.decode()
        assert verb in page.lower().replace("\u00a0", " "), key


def test_an_entry_of_a_signature_says_who_signed_what_and_whether_it_stands(
    visitor: Client, suspects: Suspects
) -> None:
    """21 CFR 11.50(a) and (b): printed name, date and time, meaning, wherever a signature is shown."""
    sign_as(quality(), suspects.lot)
    address = f"/record/{entry_of('sign').pk}/"
    html = visitor.get(address).content.decode()
    shown, _, text = html.partition("The text as it was written")
    page = text_of(shown)
    assert "Quinn, 2026-03-02 06:05: sign a record." in page and 'href="/lots/K77/"' in shown
    assert "Printed name Quinn Meaning approval Does it stand? valid" in page
    assert "what was signed:" in page and "part: RES" in page and "number: 2406/A" in page
    assert "&quot;content&quot;" not in shown and "&quot;content" in text, "as it was written it stands below"
    suspects.lot.number = "2406/B"
    suspects.lot.save()
    assert "Does it stand? changed since The record was changed since" in text_of(visitor.get(address).content.decode())
