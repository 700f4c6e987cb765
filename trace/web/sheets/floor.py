"""Cartons, pallets, shipments, and who is behind them."""

from __future__ import annotations

from django.db.models import QuerySet

from trace.core.clock import now
from trace.core.models import Person
from trace.core.permissions import Role
from trace.engineering.models import Qualified
from trace.floor.models import Carton, Closing, Consignment, Customer, Packing, Pallet, Shipment, Stacking, Unit
from trace.floor.packing import find_closings, find_pallets, find_shipment_of
from trace.ledger.models import Event
from trace.material.models import Lot, Supplier
from trace.web.cells import Moment, Ref, Several
from trace.web.dispatch import departed_cell
from trace.web.sheets.base import Fact, Sheet, count
from trace.web.tables import Column, Table
from trace.web.timeline import events_table


def units_table(units: QuerySet[Unit]) -> Table:
    """Units of a part or an order."""
    return Table(
        "units",
        "Units",
        [
            Column("serial", "Serial", lambda u: Ref("unit", u.key), "key"),
            Column("order", "Work order", lambda u: Ref("workorder", u.order.key), "order__key", choose=True),
            Column("created", "Ordered", lambda u: Moment(u.created), "created"),
            Column("scrapped", "Scrapped", lambda u: Moment(u.scrapped), "scrapped"),
        ],
        units.order_by("key"),
        "No unit was ordered yet.",
        search=("key", "order__key"),
    )


def lots_table(lots: QuerySet[Lot]) -> Table:
    """Lots of a part or a supplier."""
    return Table(
        "lots",
        "Lots",
        [
            Column("lot", "Lot", lambda lot: Ref("lot", lot.key), "key"),
            Column("part", "Part", lambda lot: Ref("part", lot.part.key), "part__key", choose=True),
            Column("supplier", "Supplier", lambda lot: Ref("supplier", lot.supplier.key), "supplier__key", choose=True),
            Column("number", "Supplier’s lot number", lambda lot: lot.number, "number"),
            Column("date_code", "Date code", lambda lot: lot.date_code, "date_code"),
            Column("expiry", "Expiry", lambda lot: lot.expiry, "expiry"),
            Column("received", "Received", lambda lot: Moment.of(lot.received), "received"),
        ],
        lots.select_related("part", "supplier").order_by("-received"),
        "No lot was received yet.",
        search=("key", "number", "date_code"),
    )


def carton_sheet(it: Carton) -> Sheet:
    """A carton: what is in it, where it went."""
    packings = Packing.objects.filter(carton=it).select_related("unit__part", "by").order_by("unit__key")
    inside = packings.filter(until=None).count()
    load = Consignment.objects.filter(carton=it, until=None).select_related("shipment__customer").first()
    facts: list[Fact] = [("First packed", Moment(it.made))]
    closing = find_closings([it]).get(it.pk)
    facts.append(("Closed", Moment(closing.since) if closing else "not closed"))
    if closing and closing.contents:
        told = (Several((number, "×", Ref("part", part)), " ") for part, number in closing.contents)
        facts.append(("Counted in", Several(tuple(told))))
    if pallet := find_pallets([it]).get(it.pk):
        facts.append(("Pallet", Ref("pallet", pallet.key)))
    if load:
        facts.append(("Shipment", Ref("shipment", load.shipment.key)))
        facts.append(("Customer", Ref("customer", load.shipment.customer.key, load.shipment.customer.name)))
        facts.append(("Departed", departed_cell(load.shipment)))
    table = Table(
        "packings",
        "Units packed in it",
        [
            Column("unit", "Unit", lambda p: Ref("unit", p.unit.key), "unit__key"),
            Column("part", "Part", lambda p: Ref("part", p.unit.part.key), "unit__part__key", choose=True),
            Column("since", "Packed", lambda p: Moment(p.since), "since"),
            Column("until", "Taken out", lambda p: Moment(p.until), "until"),
            Column("by", "By", lambda p: Ref("person", p.by.key, p.by.name), "by__key"),
        ],
        packings,
        "Nothing was packed in it.",
        search=("unit__key",),
    )
    return Sheet(f"{count(inside, 'unit')} in it.", facts, [table, _closings_table(it)])


def _closings_table(carton: Carton) -> Table:
    return Table(
        "closings",
        "When it was closed, and opened again",
        [
            Column("since", "Closed", lambda c: Moment(c.since), "since"),
            Column("by", "By", lambda c: Ref("person", c.by.key, c.by.name), "by__key"),
            Column("short", "Why it was not full", lambda c: c.short, "short"),
            Column("until", "Opened", lambda c: Moment(c.until), "until"),
            Column("opened_by", "Opened by", _opener, "opened_by__key"),
            Column("reason", "Why", lambda c: c.reason, "reason"),
        ],
        Closing.objects.filter(carton=carton).select_related("by", "opened_by").order_by("-since", "-pk"),
        "It was not closed yet.",
    )


def _opener(closing: Closing) -> Ref | str:
    return Ref("person", closing.opened_by.key, closing.opened_by.name) if closing.opened_by else ""


def pallet_sheet(it: Pallet) -> Sheet:
    """A pallet: what is and was on it."""
    stackings = Stacking.objects.filter(pallet=it).select_related("carton", "by")
    shipment = find_shipment_of(it)
    facts: list[Fact] = [("Begun", Moment(it.made))]
    if shipment:
        facts.append(("Shipment", Ref("shipment", shipment.key)))
        facts.append(("Customer", Ref("customer", shipment.customer.key, shipment.customer.name)))
        facts.append(("Departed", departed_cell(shipment)))
    table = Table(
        "stackings",
        "Cartons stacked on it",
        [
            Column("carton", "Carton", lambda s: Ref("carton", s.carton.key), "carton__key"),
            Column("since", "Stacked", lambda s: Moment(s.since), "since"),
            Column("until", "Taken off", lambda s: Moment(s.until), "until"),
            Column("by", "By", lambda s: Ref("person", s.by.key, s.by.name), "by__key"),
        ],
        stackings.order_by("carton__key", "since"),
        "Nothing was stacked on it.",
        search=("carton__key",),
    )
    return Sheet(f"{count(stackings.filter(until=None).count(), 'carton')} on it.", facts, [table])


def shipment_sheet(it: Shipment) -> Sheet:
    """A shipment: its cartons and the units in them."""
    packings = Packing.objects.filter(
        until=None, carton__consignments__shipment=it, carton__consignments__until=None
    ).select_related("unit__part", "carton")
    facts: list[Fact] = [
        ("Customer", Ref("customer", it.customer.key, it.customer.name)),
        ("Opened", Moment(it.opened)),
        ("Departed", departed_cell(it)),
    ]
    table = Table(
        "units",
        "Units on it",
        [
            Column("unit", "Unit", lambda p: Ref("unit", p.unit.key), "unit__key"),
            Column("part", "Part", lambda p: Ref("part", p.unit.part.key), "unit__part__key", choose=True),
            Column("carton", "Carton", lambda p: Ref("carton", p.carton.key), "carton__key", choose=True),
        ],
        packings.order_by("carton__key", "unit__key"),
        "No carton is on it.",
        search=("unit__key", "carton__key"),
    )
    state = "recalled: it never departed" if it.recalled else "being loaded" if it.departed is None else "departed"
    return Sheet(f"{count(packings.count(), 'unit')} for {it.customer.name}, {state}.", facts, [table])


def customer_sheet(it: Customer) -> Sheet:
    """A customer and what went there."""
    shipments = Shipment.objects.filter(customer=it)
    table = Table(
        "shipments",
        "Shipments",
        [
            Column("shipment", "Shipment", lambda s: Ref("shipment", s.key), "key"),
            Column("opened", "Opened", lambda s: Moment(s.opened), "opened"),
            Column("departed", "Departed", departed_cell, "departed"),
        ],
        shipments.prefetch_related("consignments").order_by("-opened"),
        "Nothing was shipped there yet.",
        search=("key",),
    )
    return Sheet(f"{it.name}: {count(shipments.count(), 'shipment')}.", [], [table])


def supplier_sheet(it: Supplier) -> Sheet:
    """A supplier and the lots delivered."""
    lots = Lot.objects.filter(supplier=it)
    made = "made or mixed here" if it.is_plant else "received"
    return Sheet(f"{it.name}: {count(lots.count(), 'lot')} {made}.", [], [lots_table(lots)])


def person_sheet(it: Person) -> Sheet:
    """A person or machine: what they did lately."""
    events = Event.objects.filter(by=it).select_related("by").order_by("-happened", "-id")
    roles = ", ".join(str(Role(role).label) for role in it.roles)
    facts: list[Fact] = [("Kind", "machine" if it.is_machine else "person"), ("Roles", roles or "none")]
    if it.retired:
        facts.append(("Left", Moment.of(it.retired)))
    tables = [events_table(events, "What they did, the latest first", "They have done nothing yet.", who=it.key)]
    if not it.is_machine:
        tables.insert(0, _qualifications_table(it))
    return Sheet(
        f"{it.name}: {count(events.count(), 'entry').replace('entrys', 'entries')} on the record.", facts, tables
    )


def _qualifications_table(person: Person) -> Table:
    def state(period: Qualified) -> str:
        if period.until and period.until <= now():
            return "ran out"
        return "not yet" if period.since > now() else "in force"

    periods = Qualified.objects.filter(person=person, superseded=None).select_related("qualification", "vouched_by")
    return Table(
        "qualifications",
        "Qualifications",
        [
            Column("qualification", "Qualification", lambda p: p.qualification.name, "qualification__name"),
            Column("state", "Now", state),
            Column("since", "From", lambda p: Moment.of(p.since), "since"),
            Column("until", "Until", lambda p: Moment.of(p.until) if p.until else "no end", "until"),
            Column("by", "Vouched for by", lambda p: Ref("person", p.vouched_by.key, p.vouched_by.name)),
            Column("note", "On what", lambda p: p.note),
        ],
        periods.order_by("-since", "-pk"),
        "None is on record: steps that ask for one stop here.",
    )
