"""Units and parts are conserved through any sequence of fitting, replacing at repair, and scrapping with salvage.

Beside the plant stands what everybody knows: a board is in one product or in none, a part that was taken out and kept
is in its bag, and what was scrapped holds what nobody took out of it.
"""

from __future__ import annotations

from collections import Counter
from itertools import count
from typing import Any

import pytest
from django.db import transaction
from hypothesis import Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test

from tests.floor.troubleshooting import Trouble
from trace.core.errors import Refusal
from trace.floor.models import Fitting, Pass, Salvage
from trace.floor.operations.faults import record_fault, record_repair
from trace.floor.operations.fittings import fit_child, fit_part
from trace.floor.operations.orders import scrap_unit

pytestmark = pytest.mark.django_db

FEW = settings(max_examples=4, stateful_step_count=15, phases=[Phase.generate])
BOARDS, PRODUCTS = st.integers(0, 2), st.integers(0, 2)


class Conserved(RuleBasedStateMachine):
    """Three boards, three products, and where each board is."""

    def __init__(self) -> None:
        super().__init__()
        self.undone = transaction.atomic()
        self.undone.__enter__()
        self.clock = count(100)

    def teardown(self) -> None:
        transaction.set_rollback(True)
        self.undone.__exit__(None, None, None)

    @initialize()
    def build(self) -> None:
        self.trouble = Trouble()
        plant = self.plant = self.trouble.plant
        self.boards = [plant.finish(board, 10 + 5 * n) for n, board in enumerate(plant.boards(3, minute=5))]
        self.products = plant.products(3)
        self.fuses = plant.reel("FUSES", plant.fuse)
        self.home: dict[int, int] = {}  # board: product
        self.kept: Counter[str] = Counter()
        self.fused: set[int] = set()
        self.scrapped: set[int] = set()

    def do(self, operation: Any, **told: Any) -> bool:
        """Whether it was let through."""
        try:
            with transaction.atomic():
                self.plant.do(operation, next(self.clock), **told)
        except Refusal:
            return False
        return True

    @rule(board=BOARDS, product=PRODUCTS)
    def fit(self, board: int, product: int) -> None:
        may = board not in self.home and product not in {*self.home.values(), *self.scrapped}
        told = {"unit": self.products[product], "designator": "M1", "child": self.boards[board]}
        assert self.do(fit_child, **told) == may
        if may:
            self.home[board] = product

    @rule(product=PRODUCTS)
    def fuse(self, product: int) -> None:
        told = {"unit": self.products[product], "designator": "F1", "container": self.fuses, "reason": "as designed"}
        if self.do(fit_part, **told):
            self.fused.add(product)

    @rule(product=PRODUCTS, board=BOARDS)
    def replace_the_board(self, product: int, board: int) -> None:
        there = next((one for one, home in self.home.items() if home == product), None)
        may = there is not None and board not in self.home and product not in self.scrapped
        if self._mend(product, "M1", child=self.boards[board]) and may:
            del self.home[there]  # type: ignore[arg-type]
            self.home[board] = product
        else:
            assert not may or product in self.scrapped

    @rule(product=PRODUCTS)
    def replace_the_fuse(self, product: int) -> None:
        label = f"OLD-{next(self.clock)}"
        done = self._mend(product, "F1", container=self.fuses, keep=label)
        assert done == (product not in self.scrapped)
        if done:
            self.kept[label] += 1
            self.fused.add(product)

    def _mend(self, product: int, designator: str, **told: Any) -> bool:
        unit = self.products[product]
        fault = {"unit": unit, "fault_code": self.trouble.drift, "station": self.plant.final}
        self.do(record_fault, **fault)  # refused where that is on record already and open
        found = unit.faults.order_by("-pk").first()
        told = {"action": "replaced", "designator": designator, **told}
        return found is not None and self.do(record_repair, unit=unit, faults=[found], **told)

    @rule(product=PRODUCTS, board=st.booleans(), fuse=st.booleans())
    def scrap(self, product: int, board: bool, fuse: bool) -> None:
        there = next((one for one, home in self.home.items() if home == product), None)
        label = f"BAG-{product}"
        kept = {**({"M1": ""} if board and there is not None else {}), **({"F1": label} if fuse else {})}
        done = self.do(scrap_unit, unit=self.products[product], reason="bent", salvage=kept)
        assert done == (product not in self.scrapped)
        if done:
            self.scrapped.add(product)
            if "M1" in kept and there is not None:
                del self.home[there]
            if fuse:
                self.kept[label] += 1

    @invariant()
    def each_board_is_where_it_is(self) -> None:
        standing = Fitting.objects.filter(child__isnull=False, until=None, superseded=None)
        homes = {(one.child_id, one.unit_id) for one in standing}
        assert homes == {(self.boards[board].pk, self.products[home].pk) for board, home in self.home.items()}

    @invariant()
    def each_kept_part_is_in_its_bag(self) -> None:
        assert Counter(Salvage.objects.values_list("result__key", flat=True)) == self.kept

    @invariant()
    def nothing_passed_twice(self) -> None:
        standing = Pass.objects.filter(superseded=None, outcome="passed").values_list("unit", "step")
        assert len(set(standing)) == len(standing)


def test_children_and_parts_are_conserved() -> None:
    run_state_machine_as_test(Conserved, settings=FEW)
