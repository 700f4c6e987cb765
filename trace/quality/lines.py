"""Which steps and stations a line is of."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from trace.core.errors import NotFound
from trace.core.keys import clean_key
from trace.engineering.models import Part, Station, Step
from trace.floor.route import list_turns


@dataclass(frozen=True)
class Line:
    """A product's way through the plant, or all ways; of an area only the stations there. `routes` are whole, in their
    order, by the part's id."""

    area: str
    product: Part | None
    parts: Mapping[int, Part]
    routes: Mapping[int, Sequence[Step]]

    @property
    def name(self) -> str:
        """What it is called in a sentence."""
        where = self.area and f"the {self.area}{'' if self.area.endswith('line') else ' line'}"
        return " on ".join(filter(None, [self.product.key if self.product else "", where])) or "the plant"

    @cached_property
    def stations(self) -> list[Station]:
        """Its stations, in the order in which units come by."""
        found = {station.pk: station for step in self.steps.values() for station in self.stations_of(step)}
        return list(found.values())

    @cached_property
    def steps(self) -> dict[int, Step]:
        """Its steps by id: those of its routes that some station of it does."""
        return {step.pk: step for route in self.routes.values() for step in route if self.stations_of(step)}

    def stations_of(self, step: Step) -> list[Station]:
        """The stations of the line that do a step."""
        return [station for station in step.stations.all() if self.area in ("", station.area)]

    @cached_property
    def turns(self) -> dict[int, list[list[Step]]]:
        """By the part's id, its steps on the line in turn, with what goes together."""
        return {
            part: list(list_turns(step for step in route if step.pk in self.steps))
            for part, route in self.routes.items()
        }

    @cached_property
    def last(self) -> list[int]:
        """The ids of the steps with which a unit leaves the line."""
        return [step.pk for turns in self.turns.values() for step in turns[-1]]


def get_line(area: str | None = None, product: str | None = None) -> Line:
    """The line of an area, by its name, and of a product, by its key; where one is empty, of all. Where neither is
    said, of the product that stands highest. Refuses with NotFound."""
    routes: dict[Part, list[Step]] = defaultdict(list)
    for step in (
        Step.objects.select_related("part").prefetch_related("stations").order_by("-part__level", "part", "number")
    ):
        routes[step.part].append(step)
    if area is None and product is None:
        product = next((part.key for part in routes if part.released and not part.retired), "")
    chosen = next((part for part in routes if part.key == clean_key(product)), None) if product else None
    if product and chosen is None:
        raise NotFound(f"No product with a route has the key {product[:60]}.", action="Choose one of those offered.")
    area = (area or "").strip()
    if area and area not in list_areas():
        raise NotFound(f"No station is in an area {area[:60]}.", action="Choose one of those offered.")
    kept = {part: route for part, route in routes.items() if chosen in (None, part)}
    line = Line(area, chosen, {part.pk: part for part in kept}, {part.pk: route for part, route in kept.items()})
    on = {part: line.routes[part] for part, turns in line.turns.items() if turns}
    return Line(area, chosen, {part: line.parts[part] for part in on}, on)


def list_areas() -> list[str]:
    """The areas of the plant's stations."""
    return sorted(set(Station.objects.exclude(area="").values_list("area", flat=True)))


def list_products() -> list[Part]:
    """What has a route, the highest first."""
    return list(Part.objects.filter(steps__isnull=False).distinct().order_by("-level", "key"))
