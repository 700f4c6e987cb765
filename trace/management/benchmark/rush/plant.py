"""The plant of a rush: fifty stations in five steps after a machine, beside the history of an invented plant."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from trace.core.clock import now
from trace.core.models import Person, Token
from trace.core.permissions import Role
from trace.core.secrecy import secret_digest
from trace.engineering.models import BomLine, Designator, Part, Site, Station, Step
from trace.floor.models import Unit
from trace.floor.operations.changeovers import start_setup
from trace.floor.operations.feeds import load_feed
from trace.floor.operations.orders import release_order
from trace.management.benchmark.history import History
from trace.management.benchmark.load import load_history
from trace.material.models import Container, Lot, Supplier
from trace.material.operations.setups import define_feed
from trace.material.operations.stock import receive_lot

STEPS, ABREAST, FEEDS = 5, 10, 4
"""Steps by hand, stations at each, feeds of each station."""
ENGINEERS = 5
RACK = 20
"""Boards that the machine reports at once."""


@dataclass
class RushPlant:
    """Built on the current, empty database."""

    history: History
    units: list[Unit] = field(default_factory=list)

    def build(self, boards: int) -> None:
        load_history(self.history)
        self.by = Person.objects.get(key="ANN")
        self.at: datetime = now() - timedelta(days=1)
        self.machine = self._station("MACHINE")
        self.stations = [[self._station(f"HAND-{n}-{m}") for m in range(ABREAST)] for n in range(STEPS)]
        self._part()
        for station in [self.machine, *(one for step in self.stations for one in step)]:
            self._set_up(station)
        order = release_order(
            key="RUSH", part=self.part, site=Site.objects.get(), by=self.by, at=self.at,
            serials=[f"RUSH-{n:06}" for n in range(boards)],
        )  # fmt: skip
        self.units = list(order.units.order_by("pk"))
        for key in self.clients:
            person = Person.objects.create(key=key, name=key.title(), roles=Role.values, is_machine=key == "M-MACHINE")
            Token.objects.create(person=person, name="rush", digest=secret_digest(key), issued=self.at)

    @property
    def clients(self) -> list[str]:
        """Who asks, by the secret of the token of each: the machine, an operator at each station, the engineers."""
        operators = [f"O-{station.key}" for step in self.stations for station in step]
        return ["M-MACHINE", *operators, *(f"E-{n}" for n in range(ENGINEERS))]

    @property
    def asked(self) -> str:
        """The lot that engineers ask for."""
        return Lot.objects.get(pk=self.history.questions[0].lots[0]).key

    def _station(self, key: str) -> Station:
        mode = "one at a time" if key == "MACHINE" else "gated"
        return Station.objects.create(key=key, name=key.title(), site=Site.objects.get(), scan_mode=mode)

    def _part(self) -> None:
        made: dict[str, Any] = {"kind": "assembly", "serialised": True, "level": 1, "released": self.at}
        self.part = Part.objects.create(key="RUSH-BOARD", number="RUSH-BOARD", name="A board in a hurry", **made)
        child = Part.objects.get(key="PART-001")
        for number, stations in enumerate([[self.machine], *self.stations], 1):
            step = Step.objects.create(part=self.part, number=number * 10, name=f"Step {number}")
            step.stations.set(stations)
            line = BomLine.objects.create(
                parent=self.part, child=child, parent_level=1, child_level=0, number=number, quantity=FEEDS
            )
            for place in range(FEEDS):
                Designator.objects.create(
                    parent=self.part, line=line, name=f"R{number}-{place}", step_number=number * 10
                )

    def _set_up(self, station: Station) -> None:
        number = 1 if station == self.machine else int(station.key.split("-")[1]) + 2
        feeds = {}
        for place in range(FEEDS):
            feed = define_feed(key=f"{station.key}-F{place}", station=station, by=self.by, at=self.at)
            feeds[f"R{number}-{place}"] = feed
        start_setup(key=f"{station.key}-S", station=station, assembly=self.part, feeds=feeds, by=self.by, at=self.at)
        labels = [(f"{feed.key}-REEL", None) for feed in feeds.values()]
        receive_lot(
            key="RUSH-LOT", part=Part.objects.get(key="PART-001"), supplier=Supplier.objects.earliest("pk"),
            number="RUSH", containers=labels, by=self.by, at=self.at,
        )  # fmt: skip
        for feed, (label, _) in zip(feeds.values(), labels, strict=True):
            load_feed(feed=feed, container=Container.objects.get(key=label), by=self.by, at=self.at)
