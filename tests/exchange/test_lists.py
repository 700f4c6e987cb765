"""Lists of master data: out, mended, in again; all of a file or nothing."""

from __future__ import annotations

import csv
import io
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from tests.approvals.signing import approved
from tests.built_once import built_once
from tests.factories import make_person
from tests.refusals import contents
from trace.core.clock import now
from trace.core.errors import Refusal
from trace.core.permissions import Role
from trace.engineering.models import Part, StandardCost, Station
from trace.engineering.operations import release_revision, revise_part
from trace.engineering.shifts import Shift
from trace.exchange.lists.files import ListRefused, compare_parts, export_list, import_list, write_csv
from trace.exchange.lists.kinds import KINDS
from trace.floor.models import Customer
from trace.floor.operations.dispatch import define_customer
from trace.ledger.models import Event

pytestmark = pytest.mark.django_db

LISTS: dict[str, str] = {
    "sites": "key,name,zone,currency\nWORKS,The works,Europe/Dublin,EUR\n",
    "shifts": "since,name,weekdays,begins,ends\n2026-01-05,Early,Monday Tuesday,06:00,14:00\n"
    "2026-01-05,Night,Monday,22:00,06:00\n",
    "days-off": "year,day,name\n2026,2026-12-25,Christmas Day\n2026,2026-12-26,Boxing Day\n",
    "people": "key,name,roles\nP-7,Bea,operator technician\nP-8,Cleo,supervisor\n",
    "stations": "key;name;site;area;scan_mode;rate_per_hour;yield_limit\nINS;Insertion;WORKS;boards;gated;31.50;97.5\n"
    "TEST;Test;WORKS;boards;one at a time;40\n",
    "equipment": "key,name,kind,station,calibrate_every,caution\n"
    "HV-1,High-voltage tester,hv tester,TEST,365,High voltage\n",
    "check-pieces": "key,name,good,kind\nGOOD-1,a good board,yes,hv tester\nBAD-1,a bad board,no,hv tester\n",
    "programs": "key,kind,name,revision\nPRG-1,hv tester,board test,3\n",
    "suppliers": "key,name,is_plant\nACME,Acme,\nOWN,The works,yes\n",
    "customers": "key,name\nCUST,A customer\n",
    "racks": "key,slots,ordered\nRACK-1,12,yes\nRACK-2,20,\n",
    "parts": "number,name,kind,level,serialised,unit_of_measure,standard_cost,shelf_life,moisture_level,time_on_label\n"
    "RES,Resistor,component,,,,0.01,365,3,\nRES2,Resistor,,,,,,,6,12\nBOARD,Board,assembly,1,yes,,,,,\n"
    "PANEL,Panel,assembly,2,yes,,,,,\n",
    "serial-rules": "number,prefix,digits,next_number\nBOARD,CB-{YY}{WW}-,5,\nPANEL,P,4,17\n",
    "sources": "part,supplier,number\nRES,ACME,A-10K\n",
    "qualifications": "key,name\nTEST,testing live boards\n",
    "qualified": "person,qualification,since,until,vouched_by,remark\n"
    "P-7,TEST,2026-01-05T00:00:00+00:00,2028-01-05T00:00:00+00:00,P-8,certificate 7\n",
    "fault-codes": "key,name,retired\nBRIDGE,solder bridge,\nLIFTED,lifted pad,yes\n",
    "cause-codes": "key,name,retired\nWAVE,wave too slow,\n",
    "bom": "assembly,part,quantity,designators,each,step_number\nBOARD,RES,2,R1 R2,1,10\n",
    "routes": "part,number,name,stations,minutes,caution,free_order,attempts,verification\n"
    'BOARD,10,Insert,INS,1.5,"Sharp, hot",,,another\nBOARD,20,Test,INS TEST,,,LAST,3,\nBOARD,30,Look,TEST,,,LAST,,\n',
    "substitutes": "assembly,part,substitute\nBOARD,RES,RES2\n",
    "characteristics": "part,step_number,name,unit_of_measure,lower,target,upper,judge\n"
    "BOARD,20,Ripple,mV,,5,20,\nBOARD,30,Gloss,,,,,inspector\n",
    "sample-rules": "number,name,kind,demand,step_number,chooses,every,level,aql,ships,days\n"
    "BOARD,Life test,hours,500,20,one in,50,,,,30\nBOARD,Shock,drops,10,30,plan,,II,1,yes,\n",
    "panels": "panel,number,board,x,y,rotation\nPANEL,1,BOARD,0,0,\nPANEL,2,BOARD,80.5,0,180\n",
    "packing": "product,part,quantity\nBOARD,BOARD,4\nBOARD,RES2,1\n",
    "placements": "assembly,designator,x,y,rotation,side\nBOARD,R1,1,2,90,top\nBOARD,R2,3,2.5,0,top\n",
    "inspection-plans": "part,name,manner,aql,level,pieces,unit_of_measure,lower,upper,equipment\n"
    "RES,Marking,sample,0.65,II,,,,,\nRES,Body length,gauged,,,5,mm,6.2,6.8,calliper\n",
    "costs": "part,since,standard_cost,replace_minutes\nRES,2027-01-01,0.012,4\n",
    "rates": "station,since,rate_per_hour\nINS,2027-01-01,33\n",
}
"""A small plant, in the order in which one list needs another."""


@pytest.fixture
def by(request):
    return build_plant() if "plant" in request.fixturenames else make_person("ANN", roles=Role.values)


def bring(name: str, content: str | bytes, by: Any, **more: Any):
    try:
        return import_list(KINDS[name], content=content, by=by, at=now(), **more)
    except ListRefused as refused:
        refused.add_note("\n".join(map(str, refused.problems)))
        raise


def out(name: str) -> str:
    return write_csv(export_list(KINDS[name]))


@built_once
def build_plant():
    """The plant of the lists, and who brought them in."""
    by = make_person("ANN", roles=Role.values)
    for name, content in LISTS.items():
        bring(name, content, by)
    return by


@pytest.fixture
def plant(by) -> None:
    """`by` brought it in."""


def test_every_kind_has_its_example() -> None:
    assert list(LISTS) == list(KINDS)


def test_what_was_brought_in_comes_out_and_brought_in_again_changes_nothing(plant, by) -> None:
    assert Part.objects.get(number="BOARD").designators.count() == 2
    assert Station.objects.get(key="INS").area == "boards"
    before, events = contents(), Event.objects.count()
    for name, content in LISTS.items():
        rows = list(csv.DictReader(io.StringIO(out(name))))
        delimiter = ";" if name == "stations" else ","
        for line in csv.DictReader(io.StringIO(content), delimiter=delimiter):
            told = {column: text for column, text in line.items() if text}
            assert any(_same(told, row) for row in rows), (name, told, rows)
        assert bring(name, out(name), by).changes == []
        assert bring(name, content, by).changes == []
    assert Event.objects.count() == events
    assert contents() == before


def _same(told: dict[str, str], row: dict[str, str]) -> bool:
    """Numbers may be written otherwise."""
    return all(row[name] == text or _number(row[name]) == _number(text) is not None for name, text in told.items())


def _number(text: str) -> Decimal | None:
    try:
        return Decimal(text)
    except InvalidOperation:
        return None


@pytest.mark.parametrize("name", KINDS)
def test_a_dry_run_says_the_same_and_changes_nothing(by, name) -> None:
    for earlier in list(LISTS)[: list(LISTS).index(name)]:
        bring(earlier, LISTS[earlier], by)
    before = contents()
    would = bring(name, LISTS[name], by, dry_run=True)
    assert contents() == before and would.changes and {change.what for change in would.changes} == {"new"}
    assert bring(name, LISTS[name], by).changes == would.changes
    assert contents() != before


def test_what_a_list_changes_is_shown_and_the_ledger_keeps_what_was(plant, by) -> None:
    report = bring("stations", "key,name,area\nTEST,Final test,\nINS,Insertion,boards\n", by, dry_run=False)
    (change,) = report.changes
    assert (change.what, change.name) == ("changed", "TEST")
    assert change.cells == {"name": ("Test", "Final test"), "area": ("boards", "")}
    event = Event.objects.get(verb="amend_record")
    assert '"before":{"area":"boards","name":"Test"}' in event.payload
    report = bring("bom", "assembly,part,quantity,designators,step_number\nBOARD,RES2,1,R1,10\n", by)
    assert [(change.what, change.name) for change in report.changes] == [("gone", "BOARD RES"), ("new", "BOARD RES2")]


def test_a_released_revision_is_not_changed_by_a_list(plant, by) -> None:
    bring("placements", LISTS["placements"], by)
    release_revision(part=approved(Part.objects.get(number="BOARD")), by=by, at=now())
    before = contents()
    for name in ("bom", "routes", "characteristics", "placements"):
        text = (
            out(name)
            .replace("R1 R2", "R1 R3")
            .replace("Insert", "Place")
            .replace("Ripple", "Noise")
            .replace("90", "45")
        )
        with pytest.raises(ListRefused) as refused:
            bring(name, text, by)
        (problem,) = refused.value.problems
        assert "is released since" in problem.what and "new revision" in problem.mend
    assert contents() == before


WRONG = {
    "stations": [
        ("key,name,site\nX,X,NOWHERE\n", "Line 2, column site: “NOWHERE”: No site has the key NOWHERE."),
        ("key,name,site,work_seconds\nX,X,WORKS,soon\n", "Line 2, column work_seconds: “soon”: It is no whole number."),
        ("key,name,site\nX,X,WORKS\nX,Y,WORKS\n", "Line 3: X stands in line 2 too."),
        ("key,name,site\nX,,WORKS\n", "Line 2, column name: It may not be empty."),
        ("name,site\nX,WORKS\n", "No column gives key."),
        ("key,name,site,scan_mode\nX,X,WORKS,psychic\n", "Line 2, column scan_mode: “psychic”: It is none of gated, "),
        ("key,name,site,counts_cycles\nINS,Insertion,WORKS,yes\n", "not counts_cycles"),
        ("", "The file is empty."),
    ],
    "parts": [
        ("number,name,kind\nNEW,n,assembly\n", "Line 2: NEW is built from parts."),
        (
            "number,name,level\nRES,Resistor,1\n",
            "Line 2: Of RES Resistor can be corrected: name, shelf_life, moisture_level, time_on_label; not level.",
        ),
        ("number,name\nA,a\nB\x00,b\n", "Line 3"),
        ("number,name,moisture_level\nNEW,n,6\n", "Line 2: Level 6, and no other, has the hours"),
        ("number,name,moisture_level,time_on_label\nNEW,n,3,12\n", "Line 2: Level 6, and no other, has the hours"),
        ("number,name,moisture_level\nNEW,n,7\n", "Line 2: Moisture level: "),
    ],
    "bom": [
        (
            "assembly,part,quantity,designators\nBOARD,RES,3,R1 R2\n",
            "Line 2: The bill of material of BOARD is not right",
        ),
        ("assembly,part,quantity\nBOARD,RES,1\nRES,RES2,1\n", "Line 3: RES is a component: nothing is in it."),
    ],
    "routes": [
        ("part,number,name,stations\nBOARD,10,Insert,GONE\n", "names station GONE, which does not exist"),
        ("part,number,name,stations,verification\nBOARD,10,Insert,INS,all\n", "Verification: Value 'all' is not"),
    ],
    "people": [("key,name,roles\nP-7,Bea,wizard\n", "Line 2: wizard: there is no such role.")],
    "costs": [("part,since,standard_cost\nRES,tomorrow,1\n", "Line 2, column since: “tomorrow”")],
}


@pytest.mark.parametrize(("name", "content", "says"), [(k, *case) for k, cases in WRONG.items() for case in cases])
def test_what_is_wrong_is_said_by_line_and_nothing_is_changed(plant, by, name, content, says) -> None:
    before = contents()
    for dry_run in (True, False):
        with pytest.raises(ListRefused) as refused:
            bring(name, content, by, dry_run=dry_run)
        assert any(says in str(problem) for problem in refused.value.problems), refused.value.problems
    assert contents() == before


def test_one_line_that_is_wrong_keeps_out_all_others(plant, by) -> None:
    lines = "".join(f"N{n},n\n" for n in range(50))
    with pytest.raises(ListRefused) as refused:
        bring("parts", f"number,name\n{lines}BAD,{'n' * 200}\nWORSE,\n", by)
    assert [problem.line for problem in refused.value.problems] == [52, 53]
    assert not Part.objects.filter(number="N1").exists()


def test_who_may_not_is_told_so(by, plant) -> None:
    operator = make_person("OLA", roles=[Role.OPERATOR])
    for name in KINDS:
        with pytest.raises(Refusal) as refused:
            bring(name, LISTS[name], operator)
        assert refused.value.code == "not-permitted"


def test_revisions_are_compared(plant, by) -> None:
    board = Part.objects.get(number="BOARD")
    release_revision(part=approved(board), by=by, at=now())
    new = revise_part(part=board, revision="B", by=by, at=now())
    assert not any(compare_parts(board, new).values())
    bring("bom", f"assembly,part,quantity,designators,step_number\n{new.key},RES,3,R1 R2 R3,10\n", by)
    bring("characteristics", f"part,step_number,name,unit_of_measure,upper\n{new.key},20,Ripple,mV,15\n", by)
    found = {title: changes for title, changes in compare_parts(board, new).items() if changes}
    (line,) = found["Bills of material"]
    assert line.name == "RES" and line.cells == {"quantity": ("2", "3"), "designators": ("R1 R2", "R1 R2 R3")}
    assert [(c.what, c.name) for c in found["Characteristics"]] == [("changed", "20 Ripple"), ("gone", "30 Gloss")]
    assert found["Characteristics"][0].cells == {"target": ("5", ""), "upper": ("20", "15")}
    (step,) = found["Routes"]
    assert step.cells == {"designators": ("R1 R2", "R1 R2 R3")}


def test_the_demo_comes_from_such_lists() -> None:
    """Its files have columns that only the demo reads: who works where."""
    header = (Path(settings.BASE_DIR) / "fixtures/demo/stations.csv").read_text().splitlines()[0].split(",")
    assert set(KINDS["stations"].columns) <= {*header, "counts_cycles"}


cells = st.one_of(
    st.sampled_from(["", "RES", "BOARD", "INS", "10", "-1", "yes", "R1 R2", "1e9", "=1+1", "2027-01-01", "A", "NaN"]),
    st.text(max_size=12),
)


@pytest.mark.once
@pytest.mark.parametrize("name", KINDS)
def test_whatever_a_file_holds_it_is_a_sentence_by_line_or_success(plant, by, name) -> None:
    """Fuzzed by hypothesis: never another exception, never half of it."""

    @hypothesis_settings(max_examples=10, deadline=None, suppress_health_check=list(HealthCheck))
    @given(st.lists(st.lists(cells, min_size=1, max_size=len(KINDS[name].columns)), max_size=4), st.booleans())
    def play(rows: list[list[str]], mangled: bool) -> None:
        before = contents()
        text = write_csv([KINDS[name].columns, *rows])
        try:
            bring(name, text[1:] if mangled else text, by)
        except ListRefused as refusal:
            assert refusal.problems and all(str(problem).startswith("Line ") for problem in refusal.problems)
            assert contents() == before
        else:
            assert contents() == before or Event.objects.count()

    play()


def test_a_year_of_costs_is_there_by_day(plant, by) -> None:
    bring("costs", "part,since,standard_cost\nRES,2027-01-01,0.02\nRES,2027-02-01,0.03\n", by)
    assert list(StandardCost.objects.values_list("standard_cost", flat=True)) == [Decimal("0.02"), Decimal("0.03")]


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("R1,1,1,90,left", "R1, side: Value 'left' is not a valid choice."),
        ("R1,1,1,360,top", "R1, rotation: 360 is not within one turn."),
        ("R1,1,1,-1,top", "R1, rotation: -1 is not within one turn."),
        ("R1,1234567,1,0,top", "R1, x: "),
    ],
)
def test_a_placement_that_the_record_does_not_take_is_a_problem_of_its_line(plant, by, line: str, says: str) -> None:
    before = contents()
    with pytest.raises(ListRefused) as refused:
        bring("placements", f"assembly,designator,x,y,rotation,side\nBOARD,{line}\n", by)
    ((problem,),) = (refused.value.problems,)
    assert problem.what.startswith(says) and contents() == before


@pytest.mark.parametrize("name", ["=1+1", "+1", "@SUM(A1)", "-2+3", "'=1", "''+x", "'quoted", "- dash", "-5"])
def test_a_spreadsheet_finds_no_formula_in_a_list_and_it_says_what_it_said(plant, by, name: str) -> None:
    define_customer(key="ODD", name=name, by=by, at=now())
    (line,) = [row for row in csv.DictReader(io.StringIO(out("customers"))) if row["key"] == "ODD"]
    assert not line["name"].startswith(("=", "+", "@")) and (name == "-5" or not line["name"].startswith("-"))
    assert bring("customers", out("customers"), by).changes == []
    bring("customers", out("customers").replace("ODD", "ODD-2"), by)
    assert Customer.objects.get(key="ODD-2").name == name


def test_shifts_and_days_off_take_the_place_of_those_there_were(plant, by) -> None:
    late = "since,name,weekdays,begins,ends\n2026-02-02,Late,Friday,14:00,22:30\n"
    changes = bring("shifts", late, by).changes
    assert [(change.what, change.name) for change in changes] == [
        ("gone", "2026-01-05 Early"), ("gone", "2026-01-05 Night"), ("new", "2026-02-02 Late"),
    ]  # fmt: skip
    assert Shift.objects.filter(until="2026-02-02").count() == 2, "what held before stays for the days before"
    changes = bring("days-off", "year,day,name\n2026,2026-12-25,Christmas\n2027,2027-01-01,New Year\n", by).changes
    assert [(change.what, change.name) for change in changes] == [
        ("changed", "2026 2026-12-25"), ("gone", "2026 2026-12-26"), ("new", "2027 2027-01-01"),
    ]  # fmt: skip
    for name, lines, says in (
        (
            "shifts",
            "since,name,weekdays,begins,ends\n2026-03-02,Odd,Monday,6,14:00\n",
            "It is no time such as 06:00.",
        ),
        ("shifts", "since,name,weekdays,begins,ends\n2026-03-02,Odd,Caturday,06:00,14:00\n", "no such weekday"),
        ("shifts", "since,name,weekdays,begins,ends\n2026-01-12,Odd,Monday,06:00,14:00\n", "hold from 2026-02-02 on"),
        ("days-off", "year,day,name\n2028,2027-01-01,New Year\n", "2027-01-01 is not in 2028."),
    ):
        with pytest.raises(ListRefused) as refused:
            bring(name, lines, by)
        assert says in refused.value.problems[0].what
