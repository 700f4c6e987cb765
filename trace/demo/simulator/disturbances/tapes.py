"""The sequenced tape: heads at different distances along the chain; places that a head missed."""

from __future__ import annotations

import random
from functools import partial

from trace.core.clock import OPEN
from trace.demo.simulator.disturbances.repairs import mend
from trace.demo.simulator.disturbances.table import kind
from trace.demo.simulator.layout import LINKS
from trace.demo.simulator.physics import Cause, Chain
from trace.demo.simulator.plant import SimPlant, Skip
from trace.demo.simulator.supply import choose_box, load
from trace.demo.simulator.tapes import advance, begin_tape, fill_empties, mounted_tape, stand, take_by_hand
from trace.floor.operations.corrections import correct_board_sets
from trace.floor.operations.tapes import record_empty, resume_tape
from trace.material.models import TapeStop


@kind(
    "heads apart",
    does="a head's reel is changed while the chain stands: the heads are over different board sets",
    recorded="where the head's next component lands, by its distance",
)
def heads_apart(plant: SimPlant, chance: random.Random) -> None:
    advance(plant, chance, chance.randint(1, 5))
    chain = plant.chain or begin_tape(plant, chance)
    stand(plant, chance, "end of shift")
    head = plant.pick(chance, sorted(chain.heads))
    load(plant, chance, head)
    plant.places[head].kinds.add("heads apart")


@kind(
    "filled by hand",
    does="a head misses its link, and the place is filled from a container in the hand",
    recorded="the container and the board set",
)
def filled_by_hand(plant: SimPlant, chance: random.Random) -> None:
    _, head, cell = _next_drop(plant, chance)
    piece = take_by_hand(plant, chance, head, cell[0])
    piece.kinds.add("filled by hand")
    plant.places[head].kinds.add("filled by hand")
    advance(plant, chance, by_hand={head: piece})


def _next_drop(plant: SimPlant, chance: random.Random, of: str = "") -> tuple[Chain, str, tuple[int, str]]:
    """The chain, a head that drops next, or that one, and the place into which it would."""
    for _ in range(2 * len(LINKS)):
        chain = plant.chain or begin_tape(plant, chance)
        cells = {head: cell for head in chain.heads if (cell := chain.cell_at(head))}
        if drops := [(head, cell) for head, cell in sorted(cells.items()) if of in ("", head)]:
            return chain, *plant.pick(chance, drops)
        advance(plant, chance)
    raise Skip


@kind(
    "found empty",
    does="a head misses a place, or two in a row, which stop the tape until its reel is changed; hands fill them",
    recorded="each empty place, and what filled it, at the latest before the tape is finished",
)
def found_empty(plant: SimPlant, chance: random.Random) -> None:
    head = ""
    for _ in range(chance.choice([1, 1, 2])):
        chain, head, cell = _next_drop(plant, chance, head)
        plant.tell(record_empty, feed=plant.feeds[head], designator=cell[1], board_set=cell[0])
        chain.empty.append((head, cell))
        plant.places[head].kinds.add("found empty")
        plant.wait(chance)
        if not chain.stands and TapeStop.objects.filter(tape__key=chain.key, until=OPEN).exists():
            stand(plant, chance, "two missing")
            plant.try_to(resume_tape, tape=plant.tapes[chain.key])
            load(plant, chance, head)
        advance(plant, chance, by_hand={head: None})
    if chance.random() < 0.5:
        fill_empties(plant, chance, chain)


@kind(
    "empty and never seen",
    does="a head misses a place, or what it gave drops off; a board goes on without it, until somebody puts one in",
    recorded="no more than what is put in",
    hidden=True,
)
def never_seen(plant: SimPlant, chance: random.Random) -> None:
    chain, head, cell = _next_drop(plant, chance)
    place = plant.places[head]
    cause = chain.lacking[cell] = plant.hide("empty and never seen")
    plant.hidden[cause.kind] += 1
    plant.say(f"untold: {head} leaves set {cell[0]} empty")
    if not place.left:
        load(plant, chance, head)
    if chance.random() < 0.5:
        place.draw()  # it lies on the floor
    else:
        plant.lead_astray(cause.kind, *place.boxes)
        place.causes.append(cause)
    advance(plant, chance, by_hand={head: None})
    plant.pending.append(partial(_put_in, plant, chance.getrandbits(32), cell[1], cause))


def _put_in(plant: SimPlant, seed: int, designator: str, cause: Cause) -> None:
    """The board without it is found, if it is still at hand."""
    chance = random.Random(seed)
    for unit in plant.units.values():
        if cause in unit.causes.get(designator, []) and not (unit.gone or unit.inside or unit.parent):
            box = choose_box(plant, chance, "RES" if designator == "T1" else "CAP")
            container = plant.container(box.key)
            mend(plant, chance, unit, designator, container=container)
            piece = next(piece for piece in box.pieces if piece)
            box.pieces.remove(piece)
            piece.kinds.add(cause.kind)
            unit.places[designator] = [piece]
            cause.until = plant.now


@kind(
    "board set slipped",
    does="a board set is skipped, or counted twice, and boards go on being recorded by the wrong count",
    recorded="wrong board sets, put right once somebody finds out",
)
def slipped(plant: SimPlant, chance: random.Random) -> None:
    chain = mounted_tape(plant, chance)
    if chain.slip or chain.next_set < 1 or chain.next_set + 2 > chain.board_sets:
        raise Skip
    good = chain.next_set - 1
    chain.slip = chance.choice([1, -1])
    if chain.slip > 0:
        for designator in chain.links:
            chain.cells.pop((chain.next_set, designator), None)
        chain.next_set += 1
    chain.cause = plant.hide("board set slipped")
    plant.say(f"untold: from board set {good + 1} on the count is off by {chain.slip}")
    plant.pending.append(partial(_put_right, plant, chain, good))


def _put_right(plant: SimPlant, chain: Chain, good: int) -> None:
    assert chain.cause
    found, slip, chain.slip = chain.counted, chain.slip, 0
    plant.tell(
        correct_board_sets,
        tape=plant.tapes[chain.key],
        good=good,
        found=found,
        slip=slip,
        reason="the count had slipped",
    )
    chain.cause.revealed = True
