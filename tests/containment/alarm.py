"""A tiny plant with an alarm: what was built of a bad lot, where it has got to, and what is done about it.

Of reel BAD (lot LOT-BAD, the only one of it) are FIRST and SECOND, boards; FIRST is in the product GONE, which was
shipped; SECOND is in BOXED, packed in a carton on a pallet on an open shipment; THIRD is tested and waits; FOURTH is
inside its test. BLURRED was inside the insertion while BAD was changed for GOOD: it may be of either. CLEAN is of GOOD,
and in the product FREE, which is finished.
"""

from __future__ import annotations

from typing import Any

from tests.approvals.signing import quality, sign_as
from tests.built_once import built_once
from tests.factories import Plant, moment
from trace.containment.models import Containment, Snapshot
from trace.containment.operations.alarms import add_term, open_containment
from trace.containment.operations.decide import decide_contained
from trace.containment.operations.stop import release_contained, stop_containment
from trace.containment.terms import Told
from trace.core.clock import telling
from trace.floor.models import Unit
from trace.floor.operations.aliases import record_serial
from trace.floor.operations.dispatch import define_customer, load_shipment, send_shipment
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.fittings import fit_child
from trace.floor.operations.pallets import stack_pallet, start_pallet
from trace.floor.operations.passes import finish_pass, start_pass
from trace.holds.models import Disposition, Hold

REASON = "resistors of LOT-BAD drift after solder (containment CM-00001)"


class Alarm:
    """See the module. `containment` is open, its one term is LOT-BAD, nothing is stopped."""

    def __init__(self) -> None:
        vars(self).update(_alarms())

    def _build(self) -> dict[str, Any]:
        self.plant = plant = Plant()
        self.bad, self.good = plant.reel("BAD", lot="LOT-BAD"), plant.reel("GOOD")
        self.caps = plant.reel("CAPS", plant.capacitor)
        plant.do(load_feed, 1, feed=plant.slot_r, container=self.bad)
        plant.do(load_feed, 1, feed=plant.slot_c, container=self.caps)
        self.first, self.second, self.third, self.fourth, self.blurred, self.clean = plant.boards(6)
        self.gone, self.boxed, self.free = plant.products(3)
        for minute, board in enumerate((self.first, self.second, self.third, self.fourth), 2):
            plant.run(board, plant.insertion, minute, minute + 0.5)
        plant.do(start_pass, 6, unit=self.blurred, station=plant.insertion)
        plant.do(load_feed, 7, feed=plant.slot_r, container=self.good)
        plant.do(finish_pass, 8, unit=self.blurred)
        plant.run(self.clean, plant.insertion, 9, 9.5)
        for minute, board in enumerate((self.first, self.second, self.third, self.clean), 10):
            plant.run(board, plant.test, minute, minute + 0.5)
        plant.do(start_pass, 15, unit=self.fourth, station=plant.test)
        for product, board in ((self.gone, self.first), (self.boxed, self.second), (self.free, self.clean)):
            plant.do(fit_child, 16, unit=product, designator="M1", child=board)
            plant.finish(product, 17)
        self.customer = plant.do(define_customer, key="CUST", name="A customer")
        self.other = plant.do(define_customer, key="OTHER", name="Another customer")
        plant.do(record_serial, 18, unit=self.gone, kind="customer", serial="THEIRS-1")
        sent = plant.do(
            load_shipment, 20, shipment="SENT", customer=self.customer, cartons=[plant.carton([self.gone], 19, "CT-1")]
        )
        plant.do(send_shipment, 21, shipment=sent)
        self.carton = plant.carton([self.boxed], 22, "CT-2")
        self.pallet = plant.do(start_pallet, 23, key="PAL")
        plant.do(stack_pallet, 24, pallet=self.pallet, cartons=[self.carton])
        self.shipment = plant.do(
            load_shipment, 25, shipment="OPEN", customer=self.other, pallets=[self.pallet]
        )  # fmt: skip
        self.containment: Containment = plant.do(
            open_containment, 30, problem="resistors of LOT-BAD drift after solder"
        )
        plant.do(add_term, 30, containment=self.containment, joined="any", told=Told("lot", "LOT-BAD"))
        return vars(self)

    def do(self, operation: Any, minute: float = 40, **told: Any) -> Any:
        """An operation on the containment, by Ann, told at once."""
        return self.plant.do(operation, minute, **{"containment": self.containment, **told})

    def stop(self, minute: float = 31, **told: Any) -> Snapshot:
        with telling(moment(minute)):
            return self.do(stop_containment, minute, **told)

    def decide(self, minute: float = 35, *, approved: bool = True, **told: Any) -> Disposition:
        with telling(moment(minute)):
            one: Disposition = self.do(decide_contained, minute, **{"reason": "reviewed", **told})
        if approved:
            sign_as(quality(), one, minute)
        return one

    def release(self, *things: Any, minute: float = 50) -> set[str]:
        """What of it is held still."""
        with telling(moment(minute)):
            self.do(release_contained, minute, things=things, reason="done")
        return self.held()

    def held(self) -> set[str]:
        held = Hold.objects.filter(under=self.containment.key, released=None)
        return {f"{kind} {key}" for kind, key in held.values_list("target_kind", "target_key")}

    def named(self, *units: Unit) -> set[str]:
        return {f"unit {unit.key}" for unit in units}


_alarms = built_once(lambda: Alarm.__new__(Alarm)._build())
