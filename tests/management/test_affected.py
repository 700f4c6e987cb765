"""`manage.py affected`, against what the queries say."""

import csv
import io
import json
from decimal import Decimal
from types import SimpleNamespace

import pytest
from django.core.management import ManagementUtility, call_command

from tests.factories import Plant, ticks
from trace.core.keys import label_text
from trace.costing.queries import summarise_rework, summarise_scrap
from trace.engineering.models import Part, Site, Station, Step
from trace.floor.operations.dispatch import define_customer, load_shipment, send_shipment
from trace.floor.operations.feeds import load_feed, top_up_feed
from trace.floor.operations.fittings import fit_child, fit_part
from trace.genealogy.forward import summarise_population, trace_forward
from trace.genealogy.stock import list_stock
from trace.genealogy.suspicion import Suspicion
from trace.management.answers import WIDTH, Refused
from trace.material.models import Lot
from trace.material.operations.stock import define_supplier

pytestmark = pytest.mark.django_db


@pytest.fixture
def plant() -> SimpleNamespace:
    """Lot LOT-7 in a shipped product and on the floor, possible in two boards, cleared in one."""
    plant = Plant()
    Part.objects.update(standard_cost=Decimal("0.07"), replace_minutes=Decimal("2.5"))
    Step.objects.update(minutes=3)
    Station.objects.update(rate_per_hour=Decimal("41.13"))
    bad = plant.reel("BAD", lot="LOT-7", number="K7731")
    plant.do(load_feed, 1, feed=plant.slot_r, container=bad)
    plant.do(load_feed, 1, feed=plant.slot_c, container=plant.reel("CAPS", plant.capacitor))
    boards = plant.boards(6)
    for minute, board in enumerate(boards[:4]):
        plant.run(board, plant.insertion, 2 + minute, 2.5 + minute)
    plant.do(top_up_feed, 7, feed=plant.slot_r, container=plant.reel("OTHER"))
    for minute, board in enumerate(boards[4:]):
        plant.run(board, plant.insertion, 8 + minute, 8.5 + minute)
    fresh = plant.reel("FRESH")
    for designator in ("R1", "R2"):
        plant.do(fit_part, 11, unit=boards[1], designator=designator, container=fresh, reason="drifted at test")
    plant.run(boards[0], plant.test, 12, 13)
    (product,) = plant.products(1)
    plant.do(fit_child, 14, unit=product, designator="M1", child=boards[0])
    plant.run(product, plant.final, 15, 16)
    carton = plant.carton([product], 17, "BOX-1")
    customer = plant.do(define_customer, key="NORTH", name="North Air")
    shipment = plant.do(load_shipment, 18, shipment="SH-1", customer=customer, cartons=[carton])
    plant.do(send_shipment, 19, shipment=shipment)
    return SimpleNamespace(here=plant, bad=bad, boards=boards, product=product)


def run(*arguments: str, command: str = "affected") -> str:
    out = io.StringIO()
    call_command(command, *arguments, stdout=out, no_color=False)
    return out.getvalue()


def test_the_answer_comes_first_in_the_words_of_the_page(plant) -> None:
    lines = run("K7731").splitlines()
    population = trace_forward(Suspicion.of(lots=[plant.bad.lot]))
    assert lines[0] == summarise_population(population).sentence("Lot LOT-7")
    assert lines[0] == (
        "Lot LOT-7 is in 5 units: 3 certain, 2 possible. 1 has shipped, to 1 customer. 1 carried it and no longer does."
    )
    assert lines[1] == "  LOT-7: RES from Acme, lot number K7731"
    assert max(map(len, lines[1:])) <= WIDTH
    text = "\n".join(lines)
    assert "\x1b" not in text
    assert "  mixed: suspect and other material were mixed before it was drawn." in lines
    for piece in ("How sure", "Where they are", "North Air", "on feed SLOT-R", "internal failure", "--csv", "asbuilt"):
        assert piece in text


def test_json_agrees_with_the_queries(plant) -> None:
    population = trace_forward(Suspicion.of(lots=[plant.bad.lot]))
    answer = json.loads(run("LOT-7", "--json"))
    summary = summarise_population(population)
    assert answer["suspicion"]["lots"] == [
        {"key": "LOT-7", "number": "K7731", "part": "RES", "supplier": "ACME", "date_code": ""}
    ]
    assert answer["at"] is None
    assert answer["sentence"] == summary.sentence("Lot LOT-7")
    assert answer["counts"] == {
        "units": 5, "certain": 3, "possible": 2, "cleared": 1, "shipped": 1, "customers": 1,
    }  # fmt: skip
    assert answer["places"] == summary.places
    assert answer["customers"] == [{"key": "NORTH", "name": "North Air", "certain": 1, "possible": 0}]
    told = {(c["key"], c["sureness"], tuple(c["reasons"]), c["top"], c["direct"], c["where"]["words"])
            for c in answer["carriers"]}  # fmt: skip
    assert told == {(c.key, c.sureness, c.reasons, c.top, c.direct, str(c.where)) for c in population.carriers}
    assert [item["key"] for item in answer["stock"]] == [item.key for item in list_stock(population.evidence)]
    for name, cost in (("scrap", summarise_scrap(population)), ("rework", summarise_rework(population))):
        told = answer["cost"][name]
        assert Decimal(told["total"]) == cost.total == sum(Decimal(line["amount"]) for line in told["lines"])
        assert Decimal(told["certain"]) + Decimal(told["possible"]) == cost.total
        assert Decimal(told["in_plant"]) + Decimal(told["shipped"]) == cost.total
        assert len(told["lines"]) == len(cost.lines) > 0


def test_csv_has_a_row_per_carrier(plant) -> None:
    rows = list(csv.DictReader(io.StringIO(run("LOT-7", "--csv"))))
    population = trace_forward(Suspicion.of(lots=[plant.bad.lot]))
    assert [row["key"] for row in rows] == [carrier.key for carrier in population.carriers]
    (board,) = (row for row in rows if row["key"] == plant.boards[0].key)
    assert board == {
        "key": plant.boards[0].key, "part": "BOARD", "sureness": "certain", "reasons": "",
        "outermost": plant.product.key, "own_place": "yes", "place": "shipped", "at": "SH-1",
        "customer": "NORTH", "step": "", "since": "2026-03-02T06:19:00.000000+00:00",
    }  # fmt: skip


def test_a_single_container_and_several_suspects(plant) -> None:
    population = trace_forward(Suspicion.of(containers=[plant.bad]))
    answer = json.loads(run("--container", label_text("BAD"), "--json"))
    assert answer["sentence"] == summarise_population(population).sentence("Container BAD")
    both = json.loads(run("LOT-7", "K7731", "--container", "CAPS", "--container", "bad", "--json"))
    assert [lot["key"] for lot in both["suspicion"]["lots"]] == ["LOT-7"]
    assert [container["key"] for container in both["suspicion"]["containers"]] == ["CAPS", "BAD"]
    assert both["sentence"].startswith("Material of lot LOT-7, container CAPS and container BAD is in 6 units")


def test_as_of_a_moment_in_the_plants_time(plant) -> None:
    Site.objects.update(zone="Europe/Berlin")
    population = trace_forward(Suspicion.of(lots=[plant.bad.lot]), ticks(4))
    answer = json.loads(run("LOT-7", "--at", "2026-03-02 07:04", "--json"))
    assert answer["at"] == "2026-03-02T07:04:00.000000+01:00"
    assert answer["counts"]["units"] == summarise_population(population).units == 3
    assert run("LOT-7", "--at", "2026-03-02 07:04").splitlines()[1] == "As of 2026-03-02 07:04 (Europe/Berlin)."


def test_a_lot_in_no_unit(plant) -> None:
    lot = plant.here.lot("LOT-UNUSED", number="U")
    lines = run(lot.key).splitlines()
    assert lines[0] == "Lot LOT-UNUSED is in no unit."
    assert not any("Cost" in line for line in lines)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["NO-SUCH"], "No lot has the key or the number “NO-SUCH”."),
        (["BAD"], "a single reel, box or bag is asked about by its own (--container KEY)."),
        (["--container", "NO-SUCH"], "No container is labelled NO-SUCH."),
        (["LOT-7", "--at", "soon"], "“soon” is no date and time."),
        (["LOT-7", "--at", ""], "“” is no date and time."),
        (["LOT-7", "--known", " "], "“” is no date and time."),
        ([], "Name a lot"),
    ],
)
def test_a_refusal_is_a_sentence_on_stderr_and_exit_code_1(plant, capsys, arguments, sentence) -> None:
    with pytest.raises(SystemExit) as end:
        ManagementUtility(["manage.py", "affected", *arguments]).execute()
    assert end.value.code == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert sentence in err
    assert "Traceback" not in err


def test_an_ambiguous_number_lists_the_lots(plant) -> None:
    other = plant.here.do(define_supplier, key="BOLT", name="Bolt")
    plant.here.lot("LOT-8", number="K7731", supplier=other)
    with pytest.raises(Refused, match=r"(?s)2 lots have the number K7731.*LOT-7.*LOT-8.*all of them"):
        run("K7731")
    assert Lot.objects.filter(number="K7731").count() == 2
    assert len(json.loads(run("LOT-7", "LOT-8", "--json"))["suspicion"]["lots"]) == 2


# Work at a station ---------------------------------------------------------------------------------------------------


def test_work_at_a_station_may_be_suspect(plant: SimpleNamespace) -> None:
    window = ["INSERT", "2026-03-02 06:02", "2026-03-02 06:03"]
    data = json.loads(run("--passed", *window, "--json"))
    assert data["sentence"].startswith("Work at INSERT 2026-03-02 06:02–06:03 is in 1 unit: 1 certain, 0 possible.")
    assert {c["key"] for c in data["carriers"]} == {plant.boards[0].key, plant.product.key}
    assert [one["station"] for one in data["suspicion"]["passed"]] == ["INSERT"]
    said = run("LOT-7", "--passed", *window)
    assert said.startswith("Material of lot LOT-7 or work at INSERT")
    assert "what the work at a station takes to put right is not in it" in said


@pytest.mark.parametrize(
    ("window", "says"),
    [
        (["NOWHERE", "2026-03-02 06:02", "2026-03-02 06:03"], "There is no station NOWHERE"),
        (["INSERT", "2026-03-02 06:03", "2026-03-02 06:02"], "Give the earlier moment first"),
        (["INSERT", "yesterday", "2026-03-02 06:02"], "yesterday"),
    ],
)
def test_a_window_that_is_none_is_refused(plant: SimpleNamespace, window: list[str], says: str) -> None:
    with pytest.raises(Refused, match=says):
        run("--passed", *window)
