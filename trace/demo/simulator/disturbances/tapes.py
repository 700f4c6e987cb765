"""The sequenced tape: heads at different distances along the chain; places filled by hand."""

from __future__ import annotations

import random

from trace.demo.simulator.disturbances.table import kind
from trace.demo.simulator.plant import SimPlant, Skip
from trace.demo.simulator.supply import advance, begin_tape, choose_box, load
from trace.floor.operations.feeds import fill_by_hand


@kind(
    "heads apart",
    does="a head's reel is changed while the chain stands: the heads are over different board sets",
    recorded="where the head's next component lands, by its distance",
)
def heads_apart(plant: SimPlant, chance: random.Random) -> None:
    chain = plant.chain or begin_tape(plant, chance)
    advance(plant, chance, chance.randint(1, 5))
    head = plant.pick(chance, sorted(chain.heads))
    load(plant, chance, head)
    plant.places[head].kinds.add("heads apart")


@kind(
    "filled by hand",
    does="a head misses its link, and the place is filled from a container in the hand",
    recorded="the container and the board set",
)
def filled_by_hand(plant: SimPlant, chance: random.Random) -> None:
    chain = plant.chain or begin_tape(plant, chance)
    for _ in range(len(chain.links)):
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
