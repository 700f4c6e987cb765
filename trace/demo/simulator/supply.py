"""Material in an ordinary shift: it is received, loaded, runs out and is replaced."""

from __future__ import annotations

import random
from decimal import Decimal
from typing import Any

from trace.core.errors import Refusal
from trace.demo.simulator.physics import Box, Piece, SupplyPlace
from trace.demo.simulator.plant import SimPlant, Skip
from trace.floor.operations.feeds import charge_bath, clear_feed, dump_bath, load_feed
from trace.floor.operations.tapes import load_head
from trace.material.inspecting import list_tasks
from trace.material.models import Container, Lot
from trace.material.operations.inspection import record_inspection, release_lot
from trace.material.operations.receipts import Package, PackageLot, receive_package
from trace.material.operations.stock import receive_lot

LOTS = {"RES": ["LA", "LB", "LH"], "RES2": ["LC"], "CAP": ["LD", "LE"], "SOLDER": ["LF", "LG"]}


def receive(
    plant: SimPlant, chance: random.Random, part: str, *, lot: str = "", least: int = 4, at: int | None = None
) -> Box:
    """A package of a lot; another delivery of a lot known before joins it."""
    lot = lot or plant.pick(chance, LOTS[part])
    label, size = plant.new_key(lot), max(_size(chance, part), least)
    inside = PackageLot(lot, quantity=_count(chance, size), lot=lot, container=label)
    package = Package(part, [inside], package=label)
    plant.tell(receive_package, at=at, supplier=plant.layout.supplier, package=package)
    return _fill(plant, label, part, lot, size)


def _size(chance: random.Random, part: str) -> int:
    return 1 if part == "SOLDER" else chance.randint(4, 9)


def _count(chance: random.Random, size: int) -> Decimal | None:
    """What the label says is in it, if it does."""
    return Decimal(size) if chance.random() < 0.8 else None


def _fill(plant: SimPlant, label: str, part: str, lot: str, size: int) -> Box:
    box = plant.boxes[label] = Box(label, part)
    box.pour_in(Piece(lot, []) for _ in range(size))
    plant.delivered += [piece for piece in box.pieces if piece]
    plant.lots[label] = lot
    return box


def stock_up(plant: SimPlant, chance: random.Random) -> None:
    """The first stock: every lot of every part. The bath is clean."""
    plant.tell(dump_bath, feed=plant.feeds["WAVE-S"], cleaned=True)
    for part, lots in LOTS.items():
        for lot in lots:
            sizes = {plant.new_key(lot): _size(chance, part) for _ in range(3)}
            plant.tell(
                receive_lot,
                key=lot,
                supplier=plant.layout.supplier,
                part=plant.layout.parts[part],
                number=lot,
                containers=[(label, _count(chance, size)) for label, size in sizes.items()],
            )
            for label, size in sizes.items():
                _fill(plant, label, part, lot, size)
            if part == "RES2":
                inspect(plant, lot)
                plant.tell(release_lot, lot=Lot.objects.get(key=lot), evidence="the sample was good")


def inspect(plant: SimPlant, lot: str, bad: int = 0) -> None:
    """The sample that is planned of a lot is drawn from one of its boxes in the store; `bad` of it are thrown away."""
    boxes = [box for key, box in plant.boxes.items() if plant.lots[key] == lot and box.at is None and any(box.pieces)]
    if not boxes:
        raise Skip
    box = max(boxes, key=lambda box: len(box.pieces))
    record, size = Lot.objects.select_related("part", "supplier").get(key=lot), sum(len(box.pieces) for box in boxes)
    (task,) = list_tasks(record, size)
    counts = [(plant.container(box.key), task.pieces or 0, bad)]
    plant.tell(record_inspection, lot=record, name="Marking", counts=counts, size=size)
    for piece in [piece for piece in box.pieces if piece][:bad]:
        box.pieces.remove(piece)


def choose_box(plant: SimPlant, chance: random.Random, *parts: str, least: int = 1) -> Box:
    """A box from the store, or from a new delivery."""
    stored = plant.stored(*parts, least=least)
    if stored:
        return plant.pick(chance, stored)
    return receive(plant, chance, parts[0])


def load(plant: SimPlant, chance: random.Random, feed: str, *, inside: bool = False) -> Box:
    """A place is emptied and another box loaded, recorded at its very moment, on a head while its tape stands; what the
    system refuses stays away."""
    head = plant.places[feed].kind == "head"
    said: dict[str, Any] = {} if head else {"position": plant.position(feed, inside=inside)}
    for _ in range(6):
        box = choose_box(plant, chance, *plant.fitting(feed))
        try:
            plant.tell(
                load_head if head else load_feed,
                feed=plant.feeds[feed],
                container=plant.container(box.key),
                **said,
            )
        except Refusal:
            box.gone = True  # set aside: somebody would have to find out what is wrong with it
            continue
        put_on(plant.places[feed], box)
        return box
    raise Skip


def clear(plant: SimPlant, chance: random.Random) -> None:
    """A place is emptied, and what lay there thrown away; whoever draws next will find it empty."""
    place = plant.pick(chance, [p for p in plant.places.values() if p.left and p.kind != "head"])
    plant.tell(clear_feed, feed=plant.feeds[place.key], position=plant.position(place.key))
    place.empty_out()
    place.untold = []


def put_on(place: SupplyPlace, box: Box) -> None:
    """The parts move, as was told: whatever lay there is thrown away."""
    place.empty_out()
    place.untold = []
    add_on(place, box)


def add_on(place: SupplyPlace, box: Box) -> None:
    """What is in a box goes behind what lies there."""
    place.queue.extend(box.pieces)
    box.pieces = []
    box.at = place.key
    place.boxes.append(box.key)


def put_back(plant: SimPlant, place: SupplyPlace, record: Container) -> Box:
    """The parts at a place go into a box, which may be new, with all that was done to them there."""
    kinds, causes = set(place.kinds), list(place.causes)
    pieces = place.empty_out()
    place.untold = []
    for piece in pieces:
        if piece:
            piece.kinds |= kinds
            piece.causes += causes
    box = plant.boxes.get(record.key)
    if box is None:
        return plant.new_box(record, pieces)
    box.pieces, box.at = [], None
    box.pour_in(pieces)
    return box


def charge(plant: SimPlant, chance: random.Random) -> None:
    """A bar goes into the bath."""
    box = choose_box(plant, chance, "SOLDER")
    plant.tell(charge_bath, feed=plant.feeds["WAVE-S"], container=plant.container(box.key))
    for piece in box.pieces:
        if piece:
            plant.bath.charge(piece, 1.0)
    box.pieces, box.gone = [], True
