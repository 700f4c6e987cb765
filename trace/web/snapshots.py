"""A population as a snapshot kept it, for pages: read row by row from the snapshot, never reckoned again."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property, partial
from urllib.parse import urlencode

from django.db.models import Case, Count, Q, QuerySet, Value, When
from django.urls import reverse

from trace.containment.models import Containment, Snapshot, SnapshotStock, SnapshotUnit
from trace.core.errors import NotFound
from trace.floor.models import Customer
from trace.genealogy.forward import Summary
from trace.genealogy.rules import CARRYING
from trace.genealogy.whereabouts import Place, Whereabouts
from trace.ledger.models import Event
from trace.web.answer import INSIDE, OUTERMOST, where_cell
from trace.web.cells import Link, Mark, Moment, Ref, Several, Why
from trace.web.tables import Column, Table

MANY = 5_000
"""Units. A population of more takes seconds to reckon: its page shows the latest snapshot, and reckons when asked."""


def find_snapshot(containment: Containment, number: int) -> Snapshot:
    """A snapshot by its number. Refuses with NotFound."""
    found = containment.snapshots.select_related("by").filter(number=number).first()
    if found is None:
        raise NotFound(f"{containment} has no snapshot {number}.", action="Choose one from its list of snapshots.")
    return found


def find_kept(containment: Containment) -> Snapshot | None:
    """The latest snapshot, where it has more units than a page reckons each time, and what is suspect is the same."""
    latest = containment.snapshots.select_related("by", "containment").order_by("-number").first()
    if latest is None or latest.units + latest.cleared <= MANY:
        return None
    about = Q(subjects__kind="containment", subjects__key=containment.key)
    reworded = Event.objects.filter(about, pk__gt=latest.event, verb__in=("add_term", "remove_term"))
    return None if reworded.exists() else latest


@dataclass(frozen=True)
class Kept:
    """What a snapshot says; `what` is the subject of its sentence."""

    snapshot: Snapshot
    what: str

    @property
    def sentence(self) -> str:
        """The answer in words, as of then."""
        it = self.snapshot
        return Summary(it.certain, it.possible, it.cleared, it.shipped, it.customers, {}).sentence(self.what)

    @cached_property
    def since(self) -> int:
        """How many entries the ledger has since, but for snapshots."""
        return Event.objects.filter(pk__gt=self.snapshot.event).exclude(verb="take_snapshot").count()

    @property
    def href(self) -> str:
        return reverse("containment-snapshot", args=[self.snapshot.containment.key, self.snapshot.number])

    def link(self, **filters: str) -> str:
        """The units table, filtered."""
        query = urlencode({f"units-{name}": value for name, value in filters.items()})
        return f"{self.href}?{query}#table-units"

    @cached_property
    def names(self) -> dict[str, str]:
        """Customers' names by key."""
        return dict(Customer.objects.values_list("key", "name"))

    @cached_property
    def units(self) -> QuerySet[SnapshotUnit]:
        """Every unit of it, with whether it is in another."""
        own = When(outermost=True, then=Value(OUTERMOST))
        rows = self.snapshot.carriers.select_related("unit")
        return rows.annotate(counted=Case(own, default=Value(INSIDE))).order_by("pk")

    @property
    def carrying(self) -> QuerySet[SnapshotUnit]:
        """The outermost units that carry the suspect."""
        return self.snapshot.carriers.filter(outermost=True, sureness__in=CARRYING)

    def where(self, row: SnapshotUnit) -> Whereabouts:
        """Where the outermost unit of a row was."""
        return Whereabouts(
            Place(row.place),
            row.place_key,
            row.customer,
            self.names.get(row.customer, ""),
            row.since,
            row.step,
            row.carton,
            row.pallet,
            row.shipment,
            begun=bool(row.place_key),
        )

    def tables(self) -> list[Table]:
        """Places, customers, stock and units."""
        return [_places_table(self), _customers_table(self), _stock_table(self.snapshot), _units_table(self)]


def _units_table(kept: Kept) -> Table:
    key = kept.snapshot.containment.key
    return Table(
        "units",
        "Units",
        [
            Column("sureness", "Sureness", lambda row: Mark(row.sureness), "sureness", choose=True),
            Column("serial", "Serial", lambda row: Ref("unit", row.unit.key), "unit__key"),
            Column("part", "Part", lambda row: Ref("part", row.part), "part", choose=True),
            Column("inside", "Is in", lambda row: "" if row.outermost else Ref("unit", row.top), "top"),
            Column("where", "Where", lambda row: where_cell(kept.where(row)), "place_key"),
            Column("since", "Since", lambda row: Moment(row.since or None), "since"),
            Column("reason", "Why only possible", lambda row: row.reasons, "reasons", choose=True),
            Column("why", "Evidence", lambda row: Why("containment-unit", key, row.unit.key)),
            Column("place", "Place", lambda row: row.place, "place", choose=True, hidden=True),
            Column("customer", "Customer", lambda row: row.customer, "customer", choose=True, hidden=True),
            Column("counted", "Counted as", lambda row: row.counted, "counted", choose=True, hidden=True),
        ],
        kept.units,
        "No unit carried it then.",
        search=("unit__key", "top", "place_key", "carton", "shipment"),
        preset={"counted": OUTERMOST},
        note="As kept: where a unit was then. Its evidence is reckoned by the ledger as it is now. Outermost units are "
        "counted; units inside another are shown when you choose them.",
    )


Counts = dict[str, dict[str, int]]


def _count_columns(kept: Kept, counts: Counts, by: str) -> list[Column]:
    """Units by sureness and together, each leading to those units; `by` is what the rows are counted by."""

    def count(key: str, sureness: str) -> Link:
        number = counts[key][sureness]
        href = kept.link(counted=OUTERMOST, sureness=sureness, **{by: key})
        return Link(number, href, f"{number} {sureness}, {key}")

    certain, possible = (partial(count, sureness=name) for name in CARRYING)
    return [
        Column("certain", "Certain", certain, number=True),
        Column("possible", "Possible", possible, number=True),
        Column("units", "Units", lambda key: sum(counts[key].values()), number=True),
    ]


def _places_table(kept: Kept) -> Table:
    counts = _no_counts()
    for row in kept.carrying.order_by().values("place", "sureness").annotate(number=Count("pk")):
        counts[row["place"]][row["sureness"]] = row["number"]
    place = Column("place", "Place", lambda place: place)
    columns = [place, *_count_columns(kept, counts, "place")]
    return Table("places", "Where they were", columns, sorted(counts), "No unit carried it then.", sort="-units")


def _customers_table(kept: Kept) -> Table:
    counts, shipments = _no_counts(), defaultdict[str, set[str]](set)
    shipped = kept.carrying.filter(place=Place.SHIPPED.value).order_by()
    for row in shipped.values("customer", "place_key", "sureness").annotate(number=Count("pk")):
        counts[row["customer"]][row["sureness"]] += row["number"]
        shipments[row["customer"]].add(row["place_key"])

    def list_shipments(key: str) -> Several:
        return Several(tuple(Ref("shipment", one) for one in sorted(shipments[key])))

    columns = [
        Column("customer", "Customer", lambda key: Ref("customer", key, kept.names.get(key, ""))),
        Column("shipments", "Shipments", list_shipments),
        *_count_columns(kept, counts, "customer"),
    ]
    return Table("customers", "Customers", columns, sorted(counts), "None had shipped.", sort="-units")


def _no_counts() -> Counts:
    return defaultdict(lambda: dict.fromkeys(CARRYING, 0))


def _stock_table(snapshot: Snapshot) -> Table:
    def what(item: SnapshotStock) -> Several:
        return Several((item.kind, Ref("tape" if item.kind == "tape" else "container", item.key)), " ")

    return Table(
        "stock",
        "Material in the plant then",
        [
            Column("what", "What", what, "key"),
            Column("part", "Part", lambda item: Ref("part", item.part), "part", choose=True),
            Column("lot", "Lot", lambda item: Ref("lot", item.lot) if item.lot else "", "lot"),
            Column("where", "Where", lambda item: item.place, "place"),
            Column("quantity", "Held at first", lambda item: item.quantity, "quantity", number=True),
            Column("wholly", "Wholly suspect", lambda item: "wholly" if item.wholly else "in part", "wholly"),
        ],
        snapshot.stock.order_by("pk"),
        "No suspect material was in the plant.",
        search=("key", "lot", "place"),
    )
