"""What the system says beside what is true: carriers missed, false certainties, lost origins, and answers that a
disturbance made wider than an exact record would have been."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from decimal import Decimal

from trace.core.clock import OPEN
from trace.demo.simulator.narrowest import Narrowest, TooMany
from trace.demo.simulator.physics import Piece, SimUnit, World, clock
from trace.demo.simulator.plant import SimPlant
from trace.floor.left import find_all_left
from trace.floor.models import Unit
from trace.genealogy.backward import AsBuilt, Origin, trace_backward
from trace.genealogy.forward import trace_forward
from trace.genealogy.rules import CARRYING
from trace.genealogy.suspicion import Suspicion
from trace.material.models import Container, Lot


@dataclass(frozen=True)
class Question:
    """One suspicion: a `lot` or a `container` by key, as of a moment (microseconds)."""

    what: str
    key: str
    at: int = OPEN

    def __str__(self) -> str:
        when = "" if self.at == OPEN else f" as of {clock(self.at)}"
        return f"{self.what} {self.key}{when}"


@dataclass(frozen=True)
class Fault:
    """Something that the system said and that is not so, about a unit or container: `missed`, `falsely certain`, `lost`
    (backward) or `miscounted`."""

    what: str
    key: str
    about: str
    truth: str

    def __str__(self) -> str:
        return f"{self.what}: {self.key}, {self.about}: {self.truth}"


@dataclass
class Tally:
    """What one plant, or many together, showed."""

    plants: int = 0
    deeds: int = 0
    questions: int = 0
    answers: int = 0
    carriers: int = 0
    certain: int = 0
    possible: int = 0
    wide: int = 0
    reasoned: int = 0
    unreasoned: int = 0
    named: int = 0
    allowed: int = 0
    excess: int = 0
    unnamed: int = 0
    impossible: int = 0
    counted: int = 0
    faults: list[Fault] = field(default_factory=list)
    hidden: Counter[str] = field(default_factory=Counter)
    played: Counter[str] = field(default_factory=Counter)
    changed: Counter[str] = field(default_factory=Counter)
    alone: Counter[str] = field(default_factory=Counter)
    wider: Counter[str] = field(default_factory=Counter)
    beyond: Counter[str] = field(default_factory=Counter)
    refused: Counter[tuple[str, str]] = field(default_factory=Counter)

    def add(self, other: Tally) -> None:
        for name, value in vars(other).items():
            mine = getattr(self, name)
            setattr(self, name, mine + value)


def questions(plant: SimPlant, chance: random.Random, *, most: int = 4) -> Iterator[Question]:
    """Every lot now; some containers; some lots as of some of the moments at which truth was kept."""
    lots = sorted(Lot.objects.values_list("key", flat=True))
    yield from (Question("lot", key) for key in lots)
    boxes = sorted(key for key, box in plant.boxes.items() if box.part != "SOLDER" or box.gone)
    yield from (Question("container", key) for key in chance.sample(boxes, min(most, len(boxes))))
    for moment in chance.sample(plant.moments, min(2, len(plant.moments))):
        yield from (Question("lot", key, moment.at) for key in chance.sample(lots, min(most, len(lots))))


def answer(question: Question) -> tuple[set[str], set[str]]:
    """(certain, possible) as the system says."""
    if question.what == "lot":
        suspicion = Suspicion.of(lots=Lot.objects.filter(key=question.key))
    else:
        suspicion = Suspicion.of(containers=Container.objects.filter(key=question.key))
    population = trace_forward(suspicion, question.at)
    certain, possible = ({c.key for c in population.of(s)} for s in CARRYING)
    return certain, possible


def inside_at(plant: World, at: int) -> dict[str, tuple[Piece, ...]]:
    """Every piece that was in each unit."""
    if at == OPEN:
        return {unit.key: tuple(unit.pieces()) for unit in plant.units.values()}
    return next(moment.inside for moment in plant.moments if moment.at == at)


def judge_question(plant: World, question: Question, tally: Tally) -> tuple[set[str], set[str], set[str]]:
    """Hold one answer against the truth; returns (carriers, certain, possible)."""
    inside = inside_at(plant, question.at)
    certain, possible = answer(question)
    carriers = set()
    for unit, pieces in inside.items():
        found = [piece for piece in pieces if plant.carries(piece, question.what, question.key)]
        if found:
            carriers.add(unit)
        if found and unit not in certain | possible:
            _blame(tally, "missed", plant.units[unit], str(question), found, at=question.at)
    for unit in sorted(certain - carriers):
        pieces = inside.get(unit, ())
        _blame(tally, "falsely certain", plant.units[unit], str(question), pieces, every=False, at=question.at)
    tally.questions += 1
    tally.answers += len(inside)
    tally.carriers += len(carriers)
    tally.certain += len(certain)
    tally.possible += len(possible)
    tally.wide += len(possible - carriers)
    for key in possible:
        kinds = plant.units[key].touched()
        tally.changed.update(kinds)
        if len(kinds) == 1:
            tally.alone.update(kinds)
        if key not in carriers:
            tally.wider.update(kinds)
    return carriers, certain, possible


def weigh(
    plant: SimPlant, reasoning: Narrowest, question: Question, carriers: set[str], named: set[str], tally: Tally
) -> None:
    """Hold an answer against the narrowest that the records allow; who is named beyond it is counted by the kinds of
    disturbance that touched it."""
    try:
        allowed = reasoning.carriers(question.what, question.key)
    except TooMany:
        tally.unreasoned += 1
        return
    tally.reasoned += 1
    tally.named += len(named)
    tally.allowed += len(allowed)
    tally.excess += len(named - allowed)
    tally.unnamed += len(allowed - named)
    for key in named - allowed:
        tally.beyond.update(plant.units[key].touched() or {"nothing"})
    for key in carriers - allowed:
        found = [p for p in plant.units[key].pieces() if plant.carries(p, question.what, question.key)]
        tally.impossible += not (plant.units[key].hidden(OPEN) or all(piece.hidden for piece in found))


def _blame(
    tally: Tally,
    what: str,
    unit: SimUnit,
    about: str,
    pieces: Iterable[Piece],
    *,
    every: bool = True,
    at: int = OPEN,
) -> None:
    """A fault, unless what no evidence could reveal put those pieces there: all that were missed, or any of those in
    what was called certain; or it moved a child."""
    causes = [piece.hidden for piece in pieces]
    cause = unit.hidden(at)
    if cause is None and causes and (all(causes) if every else any(causes)):
        cause = next(filter(None, causes))
    if cause:
        tally.hidden[f"{what}: {cause}"] += 1
        tally.changed[cause] += 1
        return
    truth = ", ".join(sorted({f"{p.lot} from {'/'.join(p.labels)}" for p in pieces})) or "nothing inside"
    tally.faults.append(Fault(what, unit.key, about, truth))


def judge_backward(plant: World, unit: SimUnit, tally: Tally) -> None:
    """Hold one unit as built against the truth: at every place the true container, or unknown, is a candidate, with
    the true lot at the bottom; at every child's place the child."""
    built = trace_backward(Unit.objects.select_related("part").get(key=unit.key))
    tally.questions += 1
    for each in built.walk():
        _judge_places(plant, plant.units[each.key], each, tally)


def _judge_places(plant: World, unit: SimUnit, built: AsBuilt, tally: Tally) -> None:
    standing = {place.designator: place.standing for place in built.places}
    for designator, pieces in unit.places.items():
        origins = [origin for entry in standing.get(designator, []) for origin in entry.origins]
        for piece in pieces:
            tally.answers += 1
            if not any(_may_be(origin, piece) for origin in origins):
                _blame(tally, "lost", unit, f"at {designator}", [piece])
    for designator, child in unit.children.items():
        tally.answers += 1
        if not any(entry.child == child.key or entry.kind == "unknown" for entry in standing.get(designator, [])):
            _blame(tally, "lost", unit, f"{child.key} at {designator}", child.pieces())


def _may_be(origin: Origin, piece: Piece) -> bool:
    if origin.container is None:
        return True
    return origin.container == piece.labels[-1] and any(first.lot in (None, piece.lot) for first in origin.first_lots())


def judge_left(plant: SimPlant, tally: Tally) -> None:
    """Hold what the system says is left in each container against the number of parts that really are in it, or hang
    from it on a feed."""
    truly: Counter[str] = Counter()
    for box in plant.boxes.values():
        truly[box.key] += sum(piece is not None for piece in box.pieces)
    for place in plant.places.values():
        if place.kind != "bin":
            truly.update(piece.labels[-1] for piece in place.queue if piece and not piece.poured)
    drawn_unseen = {piece.labels[-1]: piece.hidden for piece in plant.delivered if piece.hidden}
    containers = Container.objects.filter(key__in=plant.boxes).order_by("pk")
    said = find_all_left(containers)
    for container in containers:
        key, left = container.key, said[container.pk]
        if left is None:
            continue
        tally.counted += 1
        if Decimal(truly[key]) in left:
            continue
        if cause := plant.astray(key) or drawn_unseen.get(key):
            tally.hidden[f"miscounted: {cause}"] += 1
        else:
            tally.faults.append(Fault("miscounted", key, f"{left} left", f"{truly[key]} are"))
