"""One suspicion answered for a page: the population, what to say of it, and the tables under it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property, partial
from urllib.parse import urlencode

from django.db.models import Q, QuerySet

from trace.genealogy.forward import (
    Carrier,
    Population,
    Summary,
    count_places,
    group_shipped,
    summarise_population,
    trace_forward,
)
from trace.genealogy.rules import REASONS, Reason, Sureness
from trace.genealogy.stock import StockItem, list_population_stock
from trace.genealogy.suspicion import Suspicion
from trace.genealogy.whereabouts import Named, Whereabouts
from trace.holds.models import Hold
from trace.material.models import Container, Lot
from trace.web.approvals import signed_cell
from trace.web.cells import Link, Mark, Moment, Ref, Several, Why, page_of
from trace.web.moments import Asof
from trace.web.tables import Column, Table

OUTERMOST = "outermost"
INSIDE = "inside another"


@dataclass
class Answer:
    """What is asked about (its kind and key, and as the subject of a sentence), and everything a page says of it as of
    a moment. `reckon` makes its population as of one; it is asked once, when first needed.
    """

    kind: str
    key: str
    subject: str
    reckon: Callable[[int], Population]
    asof: Asof

    @classmethod
    def of(cls, thing: Lot | Container, asof: Asof) -> Answer:
        """The answer about a lot or a container."""
        of_lot = isinstance(thing, Lot)
        kind = "lot" if of_lot else "container"
        suspicion = Suspicion(frozenset([thing.pk] if of_lot else []), frozenset([] if of_lot else [thing.pk]))
        return cls(kind, thing.key, f"{kind.capitalize()} {thing.key}", partial(trace_forward, suspicion), asof)

    @cached_property
    def population(self) -> Population:
        """Every carrier."""
        return self.reckon(self.asof.ticks)

    @property
    def what(self) -> str:
        """What a unit carries, before the key."""
        return "what is suspect in containment" if self.kind == "containment" else self.kind

    @property
    def href(self) -> str:
        """The page that answers."""
        return page_of(self.kind, self.key, self.asof.query)

    @cached_property
    def summary(self) -> Summary:
        """The population in numbers."""
        return summarise_population(self.population)

    @property
    def sentence(self) -> str:
        """The answer in words."""
        return self.summary.sentence(self.subject)

    @cached_property
    def carrying(self) -> list[Carrier]:
        """The outermost units that carry it."""
        return self.population.carrying()

    def reasons(self) -> list[tuple[str, str]]:
        """The reasons why carriers are only possible, as far as they occur, each with its sentence."""
        occurring = {word for carrier in self.population.carriers for word in carrier.reasons}
        return [(reason.words()[0], REASONS[reason]) for reason in Reason if reason.words()[0] in occurring]

    def link(self, **filters: str) -> str:
        """The address of the units table with these filters."""
        query = {f"units-{name}": value for name, value in filters.items()}
        return f"?{urlencode({**self.asof.fields, **query})}#units"

    def links(self) -> dict[str, str]:
        """Where the numbers of the sentence lead."""
        return {
            "units": self.link(carried="yes"),
            "certain": self.link(sureness="certain"),
            "possible": self.link(sureness="possible"),
            "cleared": self.link(sureness="cleared"),
            "shipped": self.link(place="shipped", carried="yes"),
            "customers": "#customers",
        }


def pieces_cell(pieces: Iterable[str | Named]) -> Several:
    """A place in words, with links."""
    return Several(tuple(piece if isinstance(piece, str) else Ref(*piece) for piece in pieces), " ")


def where_cell(where: Whereabouts) -> Several:
    """Where a unit is."""
    return pieces_cell(where.pieces)


def list_open_holds(targets: Iterable[tuple[str, str]], asof: Asof) -> QuerySet[Hold]:
    """The holds on these things (kind, key) that are open, or were at the moment."""
    wanted = Q(pk=None)
    for kind, key in targets:
        wanted |= Q(target_kind=kind, target_key=key)
    holds = Hold.objects.filter(wanted).select_related("placed_by", "released_by").order_by("placed")
    if asof.moment is None:
        return holds.filter(released=None)
    return holds.filter(Q(released=None) | Q(released__gt=asof.moment), placed__lte=asof.moment)


# Tables --------------------------------------------------------------------------------------------------------------


def units_table(answer: Answer) -> Table:
    """Every unit of the population: which, how sure, why, where."""
    why = f"{answer.kind}-unit"
    return Table(
        "units",
        "Units",
        [
            Column("sureness", "Sureness", lambda c: Mark(c.sureness.value), choose=True),
            Column("serial", "Serial", lambda c: Ref("unit", c.key)),
            Column("part", "Part", lambda c: Ref("part", c.part), choose=True),
            Column("inside", "Is in", lambda c: Ref("unit", c.top) if c.top != c.key else ""),
            Column("where", "Where", lambda c: where_cell(c.where)),
            Column("since", "Since", lambda c: Moment(c.where.since or None)),
            Column("reason", "Why only possible", lambda c: ", ".join(c.reasons), choose=True),
            Column("why", "Evidence", lambda c: Why(why, answer.key, c.key)),
            Column("place", "Place", lambda c: c.where.group, choose=True, hidden=True),
            Column("customer", "Customer", lambda c: c.where.customer, choose=True, hidden=True),
            Column(
                "counted", "Counted as", lambda c: OUTERMOST if c.top == c.key else INSIDE, choose=True, hidden=True
            ),
            Column("carried", "Carries it", lambda c: c.sureness != Sureness.CLEARED, choose=True, hidden=True),
        ],
        answer.population.carriers,
        "No unit carries it, and none did.",
        preset={"counted": OUTERMOST},
        note="Outermost units are counted: each physical thing that must be found, once. "
        "Units inside another are shown when you choose them.",
    )


def places_table(answer: Answer) -> Table:
    """How many carriers are in each place."""
    counts = count_places(answer.population)

    def count(place: str, sureness: str) -> Link:
        filters = {"sureness": sureness} if sureness else {"carried": "yes"}
        number = counts[place][Sureness(sureness)] if sureness else counts[place].total()
        return Link(number, answer.link(place=place, **filters), f"{number} {sureness or 'units'}, {place}")

    return Table(
        "places",
        "Where they are",
        [
            Column("place", "Place", lambda place: place),
            Column("certain", "Certain", lambda place: count(place, "certain"), number=True),
            Column("possible", "Possible", lambda place: count(place, "possible"), number=True),
            Column("units", "Units", lambda place: count(place, ""), number=True),
        ],
        sorted(counts),
        "No unit carries it, so there is nothing to find.",
        sort="-units",
    )


def customers_table(answer: Answer) -> Table:
    """To whom carriers were shipped."""
    shipped = group_shipped(answer.population)

    def count(customer: str, sureness: str) -> Link:
        number = sum(sureness in ("", top.sureness.value) for top in shipped[customer])
        filters = {"sureness": sureness} if sureness else {"carried": "yes"}
        return Link(number, answer.link(customer=customer, **filters), f"{number} {sureness or 'units'} at {customer}")

    def shipments(customer: str) -> Several:
        return Several(tuple(Ref("shipment", key) for key in sorted({top.where.key for top in shipped[customer]})))

    return Table(
        "customers",
        "Customers",
        [
            Column("customer", "Customer", lambda key: Ref("customer", key, shipped[key][0].where.customer_name)),
            Column("shipments", "Shipments", shipments),
            Column("certain", "Certain", lambda key: count(key, "certain"), number=True),
            Column("possible", "Possible", lambda key: count(key, "possible"), number=True),
            Column("units", "Units", lambda key: count(key, ""), number=True),
        ],
        sorted(shipped),
        "None has shipped.",
        sort="-units",
    )


def stock_table(answer: Answer) -> Table:
    """Suspect material that is in no unit yet."""
    return Table(
        "stock",
        "Still in the plant",
        [
            Column("what", "What", lambda item: Several((item.kind, _item_ref(item)), " ")),
            Column("part", "Part", lambda item: Ref("part", item.part)),
            Column("lot", "Lot", lambda item: Ref("lot", item.lot) if item.lot else ""),
            Column("where", "Where", lambda item: pieces_cell(item.pieces)),
            Column("quantity", "Held at first", lambda item: item.sets_left or item.quantity, number=True),
            Column("wholly", "Wholly suspect", lambda item: "wholly" if item.wholly else "in part", choose=True),
        ],
        list_population_stock(answer.population),
        "No suspect material is left in the plant.",
    )


def _item_ref(item: StockItem) -> Ref:
    return Ref("tape" if item.kind == "tape" else "container", item.key)


def holds_table(holds: QuerySet[Hold], empty: str = "Nothing is held.") -> Table:
    """Holds: on what, why, by whom, signed by whom."""
    signed = signed_cell("hold")
    return Table(
        "holds",
        "Holds",
        [
            Column("target", "On", lambda h: Ref(h.target_kind, h.target_key), "target_key"),
            Column("kind", "Kind", lambda h: h.target_kind, "target_kind", choose=True),
            Column("reason", "Reason", lambda h: h.reason, "reason"),
            Column("permits", "Still permits", lambda h: ", ".join(h.permits) or "nothing"),
            Column("placed", "Placed", lambda h: Moment.of(h.placed), "placed"),
            Column("by", "By", lambda h: Ref("person", h.placed_by.key, h.placed_by.name), "placed_by__key"),
            Column("signed", "Signed", lambda h: signed(str(h.pk))),
        ],
        holds,
        empty,
        search=("target_key", "reason", "placed_by__name"),
    )
