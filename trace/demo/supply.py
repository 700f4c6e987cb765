"""Material comes in, is loaded, runs out and is replaced; the solder bath is kept."""

from __future__ import annotations

import zlib
from collections import defaultdict
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from functools import partial
from itertools import pairwise
from typing import Any

from trace.demo import stories
from trace.demo.calendar import PREPARED, SLOTS_PER_RACK, ZONE, Act, moment
from trace.demo.plant import Plant, rows
from trace.demo.tapes import BOARD, INSERTER, TAPES, plan_mount, plan_tape, tape_slot
from trace.demo.verifying import VERIFIED, plan_sighting
from trace.exchange.packages import make_package
from trace.exchange.shipping_list import import_shipping_list
from trace.exchange.supplier_label import read_label_text, write_label
from trace.floor.operations.bags import open_bag, seal_bag
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.feeds import charge_bath, load_feed
from trace.material.models import Container, Feed
from trace.material.operations.receipts import receive_package
from trace.material.operations.setups import define_feed
from trace.material.operations.stock import discard_container

FITTER, GOODS_IN, HANDLER = "P06", "P08", "P09"
RADIAL, WAVE = "RD1", "WS1"
BATH_PART = "SLD-BAR"
COUNTRIES = {"ARDL": "IE", "TAMS": "EE", "CORV": "PT", "OSTL": "DE", "BRIN": "GB", "FENN": "GB"}
"""Where each supplier makes what it delivers."""
LAST_SLOT = 64
IDLE = 232
"""Minute of a slot at which every station stands still: bins and reels are changed then."""


def feed_key(station: str, part: str) -> str:
    return f"{station}-{part}"


def receive() -> Iterator[tuple[datetime, dict[str, str]]]:
    """Every delivery with its moment."""
    for row in rows("lots"):
        yield datetime.fromisoformat(row["received"]).replace(hour=10, tzinfo=ZONE), row


def plan_receipts(plant: Plant) -> Iterator[Act]:
    """Deliveries, as the goods-in desk scans them, package by package; of the last one a package is missing."""
    numbers = {(row["part"], row["supplier"]): row["number"] for row in rows("sources")}
    by = plant.people[GOODS_IN]
    last_at, last = max(receive(), key=lambda delivery: delivery[0])

    def scan(row: dict[str, str], container: str, at: datetime) -> None:
        number = numbers[row["part"], row["supplier"]]
        package = make_package(read_label_text(label_of(row, number, container)), number)
        supplier = plant.suppliers[row["supplier"]]
        told: dict[str, Any] = {"supplier": supplier, "kind": row["kind"], "store": "main store"}
        plant.tell(receive_package, package=package, **told, by=by, at=at)

    def announce(at: datetime) -> None:
        lines = ["package,part number,lot,date code,quantity"]
        for container in [*containers_in(last), f"{last['lot']}-{int(last['last']) + 1}"]:
            number = numbers[last["part"], last["supplier"]]
            lines.append(f"{package_id(last, container)},{number},{last['lot']},{last['date_code']},{last['quantity']}")
        supplier, number = plant.suppliers[last["supplier"]], f"{last_at:%y%m%d}-1"
        import_shipping_list(supplier=supplier, number=number, content="\n".join(lines), by=by, at=at)

    yield Act(last_at - timedelta(days=1), announce)
    for at, row in receive():
        yield from (Act(at, partial(scan, row, container)) for container in containers_in(row))


def package_id(row: dict[str, str], container: str) -> str:
    """A supplier's own id of a package."""
    return f"{row['supplier']}{zlib.crc32(container.encode()) % 10**8:08}"


def label_of(row: dict[str, str], number: str, container: str) -> str:
    """The 2D label of a delivery's package, as its supplier printed it."""
    return write_label(
        [
            ("1P", number),
            ("Q", row["quantity"]),
            ("10D", row["date_code"]),
            ("1T", row["lot"]),
            ("K", f"QW-{row['received'].replace('-', '')[2:]}"),
            ("4L", COUNTRIES[row["supplier"]]),
            ("3S", package_id(row, container)),
        ]
    )


def containers_in(row: dict[str, str]) -> list[str]:
    """What a delivery's containers are called here."""
    return [f"{row['lot']}-{n}" for n in range(int(row["first"]), int(row["last"]) + 1)]


def plan_stations(plant: Plant) -> Iterator[Act]:
    """A feed for each part at each station that draws it, and what serves what."""

    def fit_out(at: datetime) -> None:
        done: dict[str, Any] = {"by": plant.people[FITTER], "at": at}
        feeds: dict[str, Feed] = {}
        for (assembly, station), parts in plant.places.items():
            if station == INSERTER:
                continue
            serving: dict[str, Feed] = {}
            for part, designators in parts.items():
                key = feed_key(station, part)
                if key not in feeds:
                    kind = Feed.Kind.SLOT if station == RADIAL else Feed.Kind.BIN
                    kind = Feed.Kind.BATH if part == BATH_PART else kind
                    feeds[key] = define_feed(key=key, station=plant.stations[station], kind=kind, **done)
                serving |= dict.fromkeys(designators, feeds[key])
            plant.tell(
                start_setup,
                key=f"{station}-{assembly}",
                station=plant.stations[station],
                assembly=plant.parts[assembly],
                feeds=serving,
                position=0 if station == RADIAL else None,
                **done,
            )

    yield Act(PREPARED, fit_out)


def position(plant: Plant, station: str, slot: int) -> tuple[int, int] | None:
    """Where on a counting station's axis the end of a slot is: boards it has counted."""
    boards = max(slot, 0) // SLOTS_PER_RACK * plant.rack
    return (boards, boards) if station == RADIAL else None


def plan_supply(plant: Plant) -> Iterator[Act]:
    """Loads of every feed and tape head, with containers in order of their delivery."""
    wants: list[tuple[int, str, str]] = []
    feeds = sorted({(s, p) for (_, s), parts in plant.places.items() for p in parts if s != INSERTER})
    for index, (station, part) in enumerate(feeds):
        if part != BATH_PART and (station, part) not in stories.CHANGED_BY_STORY:
            changes = range(13 + index * 5 % 17, LAST_SLOT, 27 + index % 7)
            wants += [(slot, feed_key(station, part), part) for slot in (-1, *changes)]
    heads = [part for part in plant.places[BOARD, INSERTER] if part != stories.DRIFTING_PART]
    wants += [(tape_slot(tape), tape, part) for tape in TAPES for part in heads]
    store: dict[str, list[str]] = defaultdict(list)
    for _, row in sorted(receive(), key=lambda delivery: delivery[0]):
        if not row["use"]:
            store[row["part"]] += containers_in(row)
    loaded: dict[str, str] = {}
    reels: dict[str, dict[str, str]] = {tape: {} for tape in TAPES}
    for slot, place, part in sorted(wants):
        container = store[part].pop(0)
        if place in TAPES:
            reels[place][part] = container
        else:
            yield from plan_change(plant, place, loaded.get(place), container, slot)
            loaded[place] = container
    for tape in TAPES:
        yield from plan_tape(plant, tape, {**reels[tape], stories.DRIFTING_PART: stories.DRIFTING_REELS[tape]})
        yield from plan_mount(plant, tape)


def plan_change(plant: Plant, feed: str, before: str | None, container: str, slot: int) -> Iterator[Act]:
    """A feed is emptied and loaded while its station stands still, out of a dry pack that is opened for it; the old
    container is used up."""
    station = feed.partition("-")[0]

    def change(at: datetime) -> None:
        taken, by = plant.find(Container, container), plant.people[HANDLER]
        if taken.part.moisture_level:
            plant.tell(open_bag, container=taken, by=by, at=at)
        where = position(plant, station, slot)
        plant.tell(load_feed, feed=plant.find(Feed, feed), container=taken, position=where, by=by, at=at)

    yield Act(moment(slot, IDLE), change)
    if before:
        yield plan_discard(plant, before, moment(slot, IDLE + 1))
    if station in VERIFIED:
        yield plan_sighting(plant, feed, container, position(plant, station, slot), moment(slot, IDLE + 3))


def plan_discard(plant: Plant, container: str, at: datetime) -> Act:
    return Act(
        at,
        lambda at: plant.tell(
            discard_container,
            container=plant.find(Container, container),
            reason="used up",
            by=plant.people[HANDLER],
            at=at,
        ),
    )


DRY_PACKS = ((30, open_bag, "U5999-2"), (34, seal_bag, "U5999-2"), (52, open_bag, "U5999-1"))
"""Dry packs of drivers that were opened, and sealed again; the third is as it came."""


def plan_dry_packs(plant: Plant) -> Iterator[Act]:
    """One dry pack lies open, one has some of its floor life left."""

    def handle(operation: Callable[..., object], key: str, at: datetime) -> None:
        operation(container=plant.find(Container, key), by=plant.people[HANDLER], at=at)

    yield from (Act(moment(slot, 20), partial(handle, operation, key)) for slot, operation, key in DRY_PACKS)


def plan_bath(plant: Plant) -> Iterator[Act]:
    """Bars go into the cleaned solder bath every fourth day; the story of the bad charge is among them."""

    def charge(bar: str, at: datetime) -> None:
        bath, by = plant.find(Feed, feed_key(WAVE, BATH_PART)), plant.operator(WAVE, at)
        plant.tell(charge_bath, feed=bath, container=plant.find(Container, bar), by=by, at=at)

    # Half a minute after the one before: of two at once nobody knows the order, and so nothing of the bath.
    late = {bar for (before, _), (slot, bar) in pairwise(stories.CHARGES) if before == slot}
    yield from (Act(moment(slot, 225.5 if bar in late else 225), partial(charge, bar)) for slot, bar in stories.CHARGES)
