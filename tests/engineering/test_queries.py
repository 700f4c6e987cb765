"""The parts explosion against published examples and random graphs."""

import itertools
import math
from decimal import Decimal

import networkx as nx
import pytest
from django.db import connection, transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trace.core.errors import NotFound
from trace.engineering.models import BomLine, Part
from trace.engineering.operations import BomRow, approve_substitute, define_part, set_bom
from trace.engineering.queries import (
    RevisionUnclear,
    get_part,
    list_fitting_parts,
    list_places_of,
    trace_explosion,
    trace_indented,
    trace_lines,
    trace_where_used,
)

pytestmark = pytest.mark.django_db

# IBM Db2 documentation, "Recursion example: bill of materials", table PARTLIST (part, subpart, quantity).
PARTLIST = """
00 01 5, 00 05 3, 01 02 2, 01 03 3, 01 04 4, 01 06 3, 02 05 7, 02 06 6, 03 07 6, 04 08 10, 04 09 11, 05 10 10,
05 11 10, 06 12 10, 06 13 10, 07 14 8, 07 12 8
"""
LEVELS = {"00": 4, "01": 3, "02": 2, "03": 2, "04": 2, "05": 1, "06": 1, "07": 1}

# README of the public repository rolerman/BOM-Explosion on GitHub, docs.
BICYCLE = """
Bicycle Handlebar 1, Bicycle Pedal 2, Bicycle Frame 1, Bicycle Wheel 2, Bicycle Saddle 1, Wheel Tire 1,
Wheel Spokes 32, Wheel Hub 1, Spokes Spoke 1, Spokes Nipple 1
"""


def build(text: str, levels: dict[str, int], part, who) -> dict[str, Part]:
    edges = [entry.split() for entry in text.replace("\n", " ").split(",")]
    names = dict.fromkeys(name for parent, child, _ in edges for name in (parent, child))
    parts = {name: part(name, levels.get(name, 0)) for name in names}
    for parent, lines in itertools.groupby(edges, key=lambda edge: edge[0]):
        rows = [BomRow(parts[child], Decimal(quantity)) for _, child, quantity in lines]
        set_bom(assembly=parts[parent], rows=rows, **who)
    return parts


@pytest.fixture
def partlist(part, who) -> dict[str, Part]:
    return build(PARTLIST, LEVELS, part, who)


def totals(assembly: Part, quantity: int = 1) -> dict[str, int]:
    return {part.number: int(total) for part, total in trace_explosion(assembly, Decimal(quantity)).items()}


@pytest.mark.parametrize(
    ("assembly", "expected"),
    [
        ("01", "02 2, 03 3, 04 4, 05 14, 06 15, 07 18, 08 40, 09 44, 10 140, 11 140, 12 294, 13 150, 14 144"),
        (
            "00",
            "01 5, 02 10, 03 15, 04 20, 05 73, 06 75, 07 90, 08 200, 09 220, 10 730, 11 730, 12 1470, 13 750, 14 720",
        ),
    ],
)
def test_total_quantities_over_all_ways_down(partlist, assembly, expected):
    wanted = {number: int(total) for number, total in (entry.split() for entry in expected.split(", "))}
    assert totals(partlist[assembly]) == wanted
    assert totals(partlist[assembly], 3) == {number: 3 * total for number, total in wanted.items()}


@pytest.mark.parametrize(
    ("number", "expected"),
    [
        ("12", {"00", "01", "02", "03", "06", "07"}),
        ("10", {"00", "01", "02", "05"}),
        ("14", {"00", "01", "03", "07"}),
        ("00", set()),
    ],
)
def test_where_used_is_every_assembly_above(partlist, number, expected):
    assert {part.number for part in trace_where_used(partlist[number])} == expected


def test_single_level_list_has_each_line_once(partlist):
    lines = list(trace_lines(partlist["01"]))
    assert len(lines) == len({line.pk for line in lines}) == 15
    assert [line.parent.number for line in lines[:4]] == ["01"] * 4


def test_indented_list_ends_at_its_depth(partlist):
    rows = list(trace_indented(partlist["01"], 2))
    assert len(rows) == 11
    assert [(row.depth, row.line.child.number, int(row.quantity)) for row in rows] == [
        *((1, "02", 2), (2, "05", 14), (2, "06", 12), (1, "03", 3), (2, "07", 18)),
        *((1, "04", 4), (2, "08", 40), (2, "09", 44), (1, "06", 3), (2, "12", 30), (2, "13", 30)),
    ]
    assert len(list(trace_indented(partlist["01"], 1))) == 4
    assert list(trace_indented(partlist["01"], 0)) == []


def test_a_bicycle_has_64_spokes(part, who):
    parts = build(BICYCLE, {"Bicycle": 3, "Wheel": 2, "Spokes": 1}, part, who)
    leaves = {number: total for number, total in totals(parts["Bicycle"]).items() if not parts[number].level}
    assert leaves == dict(Handlebar=1, Pedal=2, Frame=1, Saddle=1, Tire=2, Spoke=64, Nipple=64, Hub=2)  # noqa: C408


def test_the_explosion_is_one_query(partlist, django_assert_num_queries):
    with django_assert_num_queries(1):
        trace_explosion(partlist["00"])


def test_the_last_decimal_of_a_bulk_quantity_counts(part, who):
    flux = part("FLUX", unit_of_measure="ml", kind=Part.Kind.PROCESS)
    board, case = part("BOARD", 1), part("CASE", 2)
    set_bom(assembly=board, rows=[BomRow(flux, Decimal("0.100001"))], **who)
    set_bom(assembly=case, rows=[BomRow(board, 3), BomRow(flux, Decimal("0.3"))], **who)
    assert trace_explosion(case)[flux] == Decimal("0.600003")


@given(st.data())
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_explosion_is_the_sum_over_all_paths(data):
    """The oracle multiplies along every path of the graph; where-used is its ancestors."""
    size = data.draw(st.integers(2, 7))
    edges = data.draw(
        st.lists(
            st.tuples(st.integers(1, size - 1), st.integers(0, size - 2), st.integers(1, 9_999)),
            unique_by=lambda edge: edge[:2],
        ).map(lambda edges: [edge for edge in edges if edge[0] > edge[1]])
    )
    graph = nx.DiGraph()
    graph.add_nodes_from(range(size))
    graph.add_weighted_edges_from((a, b, Decimal(quantity) / 100) for a, b, quantity in edges)

    with transaction.atomic():
        parts = [
            Part(key=f"N{n}", number=f"N{n}", name="node", level=n, kind="assembly" if n else "component")
            for n in range(size)
        ]
        Part.objects.bulk_create(parts)
        BomLine.objects.bulk_create(
            BomLine(parent=parts[a], child=parts[b], parent_level=a, child_level=b, number=number, quantity=weight)
            for number, (a, b, weight) in enumerate(graph.edges(data="weight"), 1)
        )
        for node in graph:
            found = {int(part.number[1:]): total for part, total in trace_explosion(parts[node]).items()}
            assert found == {
                below: sum(
                    math.prod(graph.edges[edge]["weight"] for edge in itertools.pairwise(path))
                    for path in nx.all_simple_paths(graph, node, below)
                )
                for below in nx.descendants(graph, node)
            }
            assert {int(part.number[1:]) for part in trace_where_used(parts[node])} == nx.ancestors(graph, node)
            assert len(list(trace_indented(parts[node]))) == sum(
                len(list(nx.all_simple_paths(graph, node, below))) for below in nx.descendants(graph, node)
            )
        transaction.set_rollback(True)
    assert not connection.needs_rollback


def test_a_place_may_hold_its_part_or_a_substitute(part, who):
    own, other, third, board = part("OWN"), part("OTHER"), part("THIRD"), part("BOARD", 1)
    set_bom(assembly=board, rows=[BomRow(own, 1, ("R1",)), BomRow(own, 1, ("R2",)), BomRow(third, 1, ("C1",))], **who)
    approve_substitute(assembly=board, part=own, substitute=other, **who)
    assert list_fitting_parts(board.pk, "R2") == {own.pk, other.pk}
    assert list_fitting_parts(board.pk, "C1") == {third.pk}
    assert list_fitting_parts(board.pk, "R9") == set()
    assert sorted(list_places_of([other.pk])) == [(board.pk, "R1", other.pk), (board.pk, "R2", other.pk)]


def test_a_part_is_found_by_number_and_revision(part, who):
    first = part("A")
    assert get_part("A") == first
    b, c = part("B", revision="1"), part("C", revision="1")
    assert get_part("B") == get_part("B", "1") == b
    second = define_part(number="C", revision="2", name="c", **who)
    assert (get_part("C", "1"), get_part("C", "2")) == (c, second)
    with pytest.raises(RevisionUnclear, match="revisions 1, 2"):
        get_part("C")
    for number, revision in (("X", ""), ("B", "2")):
        with pytest.raises(NotFound, match=f"no part {number}"):
            get_part(number, revision)
