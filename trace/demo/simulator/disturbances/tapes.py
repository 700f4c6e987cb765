"""The sequenced tape: heads at different distances along the chain; places filled by hand."""

from __future__ import annotations

import random
from functools import partial

from trace.demo.simulator.disturbances.table import kind
from trace.demo.simulator.layout import LINKS
from trace.demo.simulator.physics import Chain
from trace.demo.simulator.plant import SimPlant, Skip
from trace.demo.simulator.supply import choose_box, load
from trace.demo.simulator.tapes import advance, begin_tape, mounted_tape, stand
from trace.floor.operations.corrections import correct_board_sets
from trace.floor.operations.feeds import fill_by_hand


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
    for _ in range(len(LINKS)):
        chain = plant.chain or begin_tape(plant, chance)
        cells = {head: cell for head in chain.heads if (cell := chain.cell_at(head))}
        if cells:
            break
        advance(plant, chance)
    else:
        raise Skip
    head, cell = plant.pick(chance, sorted(cells.items()))
    box = choose_box(plant, chance, *plant.fitting(head))
    plant.tell(fill_by_hand, feed=plant.feeds[head], container=plant.container(box.key), board_set=cell[0])
    piece = next(piece for piece in box.pieces if piece)
    box.pieces.remove(piece)
    piece.kinds.add("filled by hand")
    plant.places[head].kinds.add("filled by hand")
    advance(plant, chance, by_hand={head: piece})


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
            chain.cells.pop((chain.next_set, designator))
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
