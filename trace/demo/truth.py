"""What is really where in the demo plant, part by part.

It follows what the demo tells the system, and moves the parts. Where what happened is more than, or other
than, what was told, the plan says so beside the operation: see `Plant.tell`. A board of a rack draws at its own
moment within the rack's visit.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from trace.core.clock import to_ticks
from trace.demo.plant import Plant
from trace.demo.simulator.physics import Bath, Piece, SimUnit, World
from trace.demo.supply import BATH_PART, feed_key
from trace.demo.tapes import INSERTER

HEEL = 0.05

MOVES_NOTHING = {
    "add_term",
    "approve_first_piece",
    "attach_file",
    "close_carton",
    "decide_contained",
    "decide_disposition",
    "diagnose_fault",
    "discard_container",
    "find_on_feed",
    "finish_sample",
    "keep_refused_scan",
    "load_program",
    "load_shipment",
    "mount_tape",
    "open_bag",
    "open_carton",
    "open_containment",
    "open_deviation",
    "open_shipment",
    "pack_units",
    "place_holds",
    "put_in_rack",
    "receive_return",
    "reconcile",
    "record_calibration",
    "record_check",
    "record_empty",
    "record_fault",
    "record_inspection",
    "record_sample",
    "record_serial",
    "release_lot",
    "replace_label",
    "resume_tape",
    "retire_equipment",
    "return_container",
    "scrap_unit",
    "send_shipment",
    "sign",
    "stack_pallet",
    "start_pallet",
    "start_sample",
    "start_setup",
    "stop_containment",
    "stop_tape",
    "take_off_tape",
    "unpack_unit",
    "waive_sample",
}
"""What puts no part into a unit, nor takes one out."""

Run = tuple[Piece, int | None]
"""Parts that lie in a row in a supply place: what each is, and how many (None: more than will be drawn)."""


@dataclass
class Truth(World):
    """The plant's physical truth once `settle` has moved everything in the order in which it happened."""

    plant: Plant = field(kw_only=True)
    boxes: dict[str, Piece] = field(default_factory=dict)
    places: dict[str, deque[Run]] = field(default_factory=lambda: defaultdict(deque))
    bath: Bath = field(default_factory=Bath)
    cells: dict[tuple[str, int, str], Piece] = field(default_factory=dict)
    by_hand: dict[tuple[str, int, str], str] = field(default_factory=dict)
    heads: dict[str, list[tuple[int, Callable[[], None]]]] = field(default_factory=lambda: defaultdict(list))
    tapes: dict[str, dict[str, Any]] = field(default_factory=dict)
    events: list[tuple[int, int, Callable[[], None]]] = field(default_factory=list)

    def follow(self, verb: str, told: Mapping[str, Any], result: Any, really: Mapping[str, Any]) -> None:
        """Take in one operation, as told and as it really was. AttributeError for one that it does not know."""
        if verb not in MOVES_NOTHING:
            getattr(self, f"_{verb}")({**told, **really}, result)

    def settle(self, moments: Iterable[datetime] = ()) -> None:
        """Move everything; keep what was in the units at these moments."""
        for at in moments:
            self._at(at, lambda at=at: self.keep(to_ticks(at)))  # type: ignore[misc]
        for _, _, do in sorted(self.events, key=lambda event: event[:2]):
            do()
        self.events.clear()

    def _at(self, at: datetime, do: Callable[[], None]) -> None:
        self.events.append((to_ticks(at), len(self.events), do))

    # Material ----------------------------------------------------------------------------------------------------

    def _receive_package(self, told: Mapping[str, Any], result: Any) -> None:
        for container in result.containers.select_related("lot"):
            self.boxes[container.key] = Piece(container.lot.key, [container.key])

    def _load_feed(self, told: Mapping[str, Any], result: Any, *, lead: int | None = None) -> None:
        feed, label = told["feed"].key, told["container"].key

        def put_on() -> None:
            old = [(self.places[feed][0][0], lead)] if lead else []
            self.places[feed] = deque([*old, (self.boxes[label], None)])

        if "link" in told:
            self.heads[feed].append((told["link"], put_on))
        else:
            self._at(told["at"], put_on)

    def _splice_feed(self, told: Mapping[str, Any], result: Any) -> None:
        self._load_feed(told, result, lead=told["lead"])

    _load_head, _splice_head = _load_feed, _splice_feed

    def _fill_by_hand(self, told: Mapping[str, Any], result: Any) -> None:
        self.by_hand[told["feed"].axis.tape.key, told["board_set"], told["designator"]] = told["container"].key

    def _take_off_feed(self, told: Mapping[str, Any], result: Any) -> None:
        def take_off() -> None:
            piece, _ = self.places.pop(told["feed"].key)[0]
            if result.key not in piece.labels:
                piece = Piece(piece.lot, [*piece.labels, result.key])
            self.boxes[result.key] = piece
            if result.lot.supplier.is_plant:
                self.plant_lots.setdefault(result.lot.key, set()).add(result.key)

        self._at(told["at"], take_off)

    def _charge_bath(self, told: Mapping[str, Any], result: Any) -> None:
        self._at(told["at"], lambda: self.bath.charge(self.boxes[told["container"].key], 1.0))

    def _dump_bath(self, told: Mapping[str, Any], result: Any) -> None:
        self._at(told["at"], lambda: self.bath.dump(0 if told["cleaned"] else HEEL))

    def _draw(self, feed: str) -> Piece:
        place = self.places[feed]
        piece, left = place[0]
        if left is not None:
            place.popleft()
            if left > 1:
                place.appendleft((piece, left - 1))
        return piece.as_now()

    # The tape ----------------------------------------------------------------------------------------------------

    def _start_tape(self, told: Mapping[str, Any], result: Any) -> None:
        self.tapes[told["key"]] = dict(told)

    def _finish_tape(self, told: Mapping[str, Any], result: Any) -> None:
        tape = self.tapes[told["tape"].key]
        self._at(told["at"], lambda: self._sequence(tape, told["board_sets"]))

    def _sequence(self, tape: Mapping[str, Any], board_sets: int) -> None:
        """Each head drops its components link by link, but for places filled by hand; its reel is changed before the
        link that the plan says."""
        sequence = tape["sequence"]
        for name, (_, designators) in tape["heads"].items():
            feed = f"{tape['key']}-{name}"
            changes = deque(sorted(self.heads[feed], key=lambda change: change[0]))
            for link in range(board_sets * len(sequence)):
                while changes and changes[0][0] <= link:
                    changes.popleft()[1]()
                board_set, place = divmod(link, len(sequence))
                if sequence[place] in designators:
                    cell = tape["key"], board_set, sequence[place]
                    by_hand = self.by_hand.get(cell)
                    self.cells[cell] = self.boxes[by_hand].as_now() if by_hand else self._draw(feed)

    # Units -------------------------------------------------------------------------------------------------------

    def _release_order(self, told: Mapping[str, Any], result: Any) -> None:
        self.units |= {unit.key: SimUnit(unit.key, told["part"].key) for unit in result.units.all()}

    def _record_passes(self, told: Mapping[str, Any], result: Any) -> None:
        """The units of a rack one after the other, evenly over its visit."""
        station, count, began = told["station"].key, len(told["units"]), told.get("began", told["at"])
        for number, unit in enumerate(told["units"]):
            board_set = told["positions"][number][0] if station == INSERTER else 0
            tape = told["setup"].axis.tape.key if station == INSERTER else ""
            self._visit(unit.key, station, began + (told["at"] - began) * ((number + 0.5) / count), tape, board_set)

    def _record_test(self, told: Mapping[str, Any], result: Any) -> None:
        self._record_passes({**told, "units": [one.unit for one in told["results"]]}, result)

    def _start_pass(self, told: Mapping[str, Any], result: Any) -> None:
        """Where the story stops in the middle of a visit some have drawn."""
        if told["draws"]:
            tape = told["setup"].axis.tape.key if told["setup"] else ""
            self._visit(told["unit"].key, told["station"].key, told["draws"], tape, (told["position"] or (0,))[0])

    def _visit(self, key: str, station: str, at: datetime, tape: str, board_set: int) -> None:
        unit = self.units[key]
        drawn = self.plant.places.get((unit.kind, station), {})

        def draw() -> None:
            for part, designators in drawn.items():
                for designator in designators:
                    if part == BATH_PART:
                        unit.places[designator] = [piece.as_now() for piece in self.bath.shares]
                    elif tape:
                        unit.places[designator] = [self.cells.pop((tape, board_set, designator))]
                    else:
                        unit.places[designator] = [self._draw(feed_key(station, part))]

        if drawn:
            self._at(at, draw)

    def _fit_children(self, told: Mapping[str, Any], result: Any) -> None:
        for parent, designator, child in told["fits"]:
            self._at(
                told["at"],
                lambda p=parent.key, d=designator, c=child.key: self.units[p].put_in(d, self.units[c]),  # type: ignore[misc]
            )

    def _fit_part(self, told: Mapping[str, Any], result: Any) -> None:
        def fit() -> None:
            self.units[told["unit"].key].places[told["designator"]] = [self.boxes[told["container"].key].as_now()]

        self._at(told["at"], fit)

    def _record_repair(self, told: Mapping[str, Any], result: Any) -> None:
        if told.get("container"):
            self._fit_part(told, result)

    def _remove_part(self, told: Mapping[str, Any], result: Any) -> None:
        def take_out() -> None:
            self.units[told["unit"].key].take_out(told["designator"])

        self._at(told["at"], take_out)
