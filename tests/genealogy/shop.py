"""A plant on which random histories run: made once, then every history is rolled back to it."""

from __future__ import annotations

from copy import deepcopy

from tests.factories import approve_substitute, make_assembly, make_part, make_person, make_site, make_station, ticks
from tests.factories import moment as moment_at
from tests.genealogy.feedlog import FeedLog
from tests.genealogy.plantlog import Box, Log
from trace.core.clock import to_ticks
from trace.engineering.models import Part, ScanMode
from trace.floor.models import Unit
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.dispatch import define_customer
from trace.floor.operations.orders import release_order
from trace.floor.sheets import SAME
from trace.material.models import Container, Feed
from trace.material.operations.setups import define_feed
from trace.material.operations.stock import define_supplier, receive_lot

MINUTE = 60 * 1_000_000

PAPER = "PAPER"
"""The station at which everything is written on one paper sheet, with no clock near; and within how many minutes."""

PAPER_ERROR = 1.25


class Shop:
    """Stations of every kind of scan, a tape, a bath; boards go into modules, both into products.

    BOARD takes R1 and R2 (resistors) and C1 (a capacitor) at one of four stations, T1 and T2 from a sequenced tape,
    S1 (solder) from a bath. MODULE has M1 (a board) and R5 from a bin, PRODUCT N1 (a module) and M2 (a board).
    """

    def __init__(self) -> None:
        self.log = Log()
        self.ann = make_person("ANN")
        self.supplier = define_supplier(key="ACME", name="Acme", by=self.ann, at=moment_at(0))
        define_supplier(key="OWN", name="The plant", is_plant=True, by=self.ann, at=moment_at(0))
        self.customer = define_customer(key="CUST", name="A customer", by=self.ann, at=moment_at(0))
        self.parts: dict[str, Part] = {key: make_part(key) for key in ("RES", "RES2", "CAP")}
        self.parts["SOLDER"] = make_part("SOLDER", kind="process")
        self.stations = {
            "GATED": make_station("GATED"),
            "ONE": make_station("ONE", mode=ScanMode.ONE_AT_A_TIME),
            "LOOSE": make_station("LOOSE", mode=ScanMode.LOOSE),
            "COUNT": make_station("COUNT", counts_cycles=True),
            PAPER: make_station(PAPER),
        }
        insertion = list(self.stations.values())
        for key in ("TAPER", "WAVE", "FINAL", "PROOF"):
            self.stations[key] = make_station(key)
        self.log.modes = {key: str(station.scan_mode) for key, station in self.stations.items()}
        res, cap = self.parts["RES"], self.parts["CAP"]
        board = make_assembly(
            "BOARD",
            places={"R1": res, "R2": res, "C1": cap, "T1": res, "T2": cap, "S1": self.parts["SOLDER"]},
            route={10: insertion, 20: [self.stations["TAPER"]], 30: [self.stations["WAVE"]]},
        )
        approve_substitute(board, "R1", self.parts["RES2"])
        module = make_assembly("MODULE", places={"M1": board, "R5": res}, route={10: [self.stations["FINAL"]]})
        product = make_assembly(
            "PRODUCT", places={"N1": module, "M2": board}, route={10: [self.stations["PROOF"]]}, kind=Part.Kind.PRODUCT
        )
        self.assemblies = {"BOARD": board, "MODULE": module, "PRODUCT": product}
        self.feeds: dict[str, Feed] = {}
        for station in ("GATED", "ONE", "LOOSE", "COUNT", PAPER):
            for what, kind in (("R", "slot"), ("X", "slot"), ("C", "slot")):
                self._feed(f"{station}-{what}", station, "bin" if station == "LOOSE" else kind)
            self.change_over(station, 0, moment_at(-60), key=f"{station}-0")
        self._feed("WAVE-S", "WAVE", "bath")
        self._feed("FINAL-R", "FINAL", "bin")
        self.change_over("WAVE", 0, moment_at(0), key="WAVE-0")
        self.change_over("FINAL", 0, moment_at(0), key="FINAL-0")
        self.units: dict[str, Unit] = {}
        for prefix, number in (("BOARD", 7), ("MODULE", 2), ("PRODUCT", 2)):
            serials = [f"{prefix[0]}{i}" for i in range(number)]
            order = release_order(
                key=f"WO-{prefix}",
                part=self.assemblies[prefix],
                site=make_site(),
                serials=serials,
                by=self.ann,
                at=moment_at(0),
            )
            self.units |= {unit.key: unit for unit in order.units.select_related("part")}
            self.log.created |= dict.fromkeys(serials, ticks(0))
        for part, lots in {"RES": ("LA", "LB"), "RES2": ("LC",), "CAP": ("LD", "LE"), "SOLDER": ("LF", "LG")}.items():
            for lot in lots:
                self.receive(self.log, part, lot, 2, 0)

    def _feed(self, key: str, station: str, kind: str) -> None:
        self.feeds[key] = define_feed(key=key, station=self.stations[station], kind=kind, by=self.ann, at=moment_at(0))
        slack = round(PAPER_ERROR * MINUTE) + SAME if station == PAPER else 0
        self.log.feeds[key] = FeedLog(on_clock=station != "COUNT", kind=kind, slack=slack)

    def serves(self, station: str, variant: int) -> tuple[str, dict[str, str]]:
        """(assembly, {designator: feed}) of a set-up; in the second R2 has a feed of its own, in the third none."""
        if station in ("WAVE", "FINAL"):
            return ("BOARD", {"S1": "WAVE-S"}) if station == "WAVE" else ("MODULE", {"R5": "FINAL-R"})
        second = {0: {"R2": f"{station}-R"}, 1: {"R2": f"{station}-X"}, 2: {}}[variant]
        return "BOARD", {"R1": f"{station}-R", "C1": f"{station}-C", **second}

    def change_over(
        self, station: str, variant: int, at, *, key: str, position: int = 0, log: Log | None = None
    ) -> None:
        """Start a set-up; whatever its feeds serve may from now on be unknown material there."""
        assembly, feeds = self.serves(station, variant)
        start_setup(
            key=key,
            station=self.stations[station],
            assembly=self.assemblies[assembly],
            feeds={designator: self.feeds[feed] for designator, feed in feeds.items()},
            position=position if station == "COUNT" else None,
            by=self.ann,
            at=at,
        )
        log = log or self.log
        log.change_over(station, position if station == "COUNT" else to_ticks(at), feeds)
        for designator, feed in feeds.items():
            log.feeds[feed].fitting |= self.fitting(assembly, designator)

    def fitting(self, assembly: str, designator: str) -> set[str]:
        """Parts that belong at a designator."""
        part = {"C": "CAP", "S": "SOLDER"}.get(designator[0], "CAP" if designator == "T2" else "RES")
        return {part, "RES2"} if part == "RES" and assembly == "BOARD" else {part}

    def receive(self, log: Log, part: str, lot: str, containers: int, minute: float) -> None:
        """A lot, or more of it, in containers named after it."""
        before = sum(box.lot == lot for box in log.boxes.values())
        labels = [f"{lot}-{before + i}" for i in range(containers)]
        receive_lot(
            key=lot,
            supplier=self.supplier,
            part=self.parts[part],
            number=lot,
            containers=[(label, None) for label in labels],
            by=self.ann,
            at=moment_at(minute),
        )
        for label in labels:
            log.boxes[label] = Box(part, lot, True, ticks(minute))

    def fresh_log(self) -> Log:
        return deepcopy(self.log)

    def container(self, key: str) -> Container:
        return Container.objects.select_related("lot", "part").get(key=key)
