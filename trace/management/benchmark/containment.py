"""What a containment takes: the first answer, the stop, pages of its units, and a CSV of all that the plant built."""

from __future__ import annotations

import gc
import tracemalloc
from base64 import b64encode
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any
from urllib.parse import urlencode

from django.contrib.auth import get_user_model
from django.db import connection, transaction
from django.test import Client

from trace.api.things import Pages
from trace.containment.holding import is_at_hand, list_holds
from trace.containment.models import Containment, Join, Snapshot
from trace.containment.operations.alarms import add_term, open_containment
from trace.containment.operations.stop import stop_containment
from trace.containment.population import reckon
from trace.containment.terms import Told
from trace.core.clock import Ticks, now
from trace.core.models import Person
from trace.core.sql import insert_rows
from trace.genealogy.forward import Population, summarise_population
from trace.holds.models import Hold
from trace.management.benchmark.answers import AnswersDiffer
from trace.management.benchmark.floors import fetch_floor, fetch_floor_page
from trace.management.benchmark.history import History
from trace.management.benchmark.measure import time_together
from trace.management.benchmark.plan import STATIONS, TEST
from trace.material.models import Container, Lot
from trace.web.tables import PAGE_SIZE

SETTLED = 10_000
"""Rows after which a stream has what it needs once: what it takes from then on, it takes for its rows."""
HELD = ("target_kind", "target_key")
SAID = tuple(f.name for f in Hold._meta.concrete_fields if not f.primary_key and f.name not in (*HELD, "under"))
"""Fields of a hold: what is held; what is said of it, of all the same."""
HTMX = {"HX-Request": "true", "HX-Target": "table-units"}


@dataclass(frozen=True)
class Page:
    """One page of a list: its rows, how to ask for it, and how many rows of the list come before it."""

    rows: Sequence[str]
    ask: Callable[[], bytes]
    before: int

    def check(self, name: str) -> None:
        """Refuse with AnswersDiffer a page that shows other units than it should."""
        shown = self.ask().decode()
        if missing := [key for key in self.rows if key not in shown]:
            raise AnswersDiffer(f"{name}: {len(missing)} of {len(self.rows)} units are missing, such as {missing[0]}.")


class Alarms:
    """Containments in the plant of a history: each measurement opens its own."""

    def __init__(self, history: History) -> None:
        self.history, self.by = history, Person.objects.get()
        self.client = Client(SERVER_NAME="localhost")
        self.client.force_login(get_user_model().objects.create_user("benchmark", person=self.by))
        contained = history.contained
        lots, reels = Lot.objects.filter(pk__in=contained.lots), Container.objects.filter(pk__in=contained.containers)
        self.suspects = [*(Told("lot", lot.key) for lot in lots), *(Told("container", reel.key) for reel in reels)]
        self.everything = [Told("station", STATIONS[TEST], since=Ticks(history.line.start))]

    def measure(self, repeats: int) -> dict[str, Any]:
        """Plain data: `times`, each beside its floor; bytes at the most while a population of every unit is `reckoned`;
        `streams` of it."""
        population, snapshot = self.answer(), self.stop()
        holds = self.list_held(population, snapshot)
        units = [carrier.unit for carrier in population.carriers]

        def beside(rows: int, work: Callable[[], object], floor: Callable[[], object]) -> dict[str, Any]:
            times = time_together({"project": work, "floor": floor}, repeats)
            return {"answer": rows, **{name: timing.as_data() for name, timing in times.items()}}

        times = {
            "first answer": beside(len(units), self.answer, lambda: fetch_floor("floor_unit", units)),
            "stop": beside(len(holds), self.stop, lambda: hold_bare(holds)),
        }
        for name, page in self.pages(population, snapshot):
            page.check(name)
            size = len(page.rows)
            times[name] = beside(size, page.ask, partial(fetch_floor_page, page.before, size))
        found = {"times": times, **self.measure_streams()}
        with connection.cursor() as cursor:  # the plant works on with other material, among all the units that are held
            cursor.execute(f"DELETE FROM {Hold._meta.db_table} WHERE target_kind <> 'unit'")
        return found

    # From the alarm to the answer, and until nothing moves --------------------------------------------------------

    def open(self, suspects: Iterable[Told]) -> Containment:
        containment = open_containment(problem="It drifts after solder.", by=self.by, at=now())
        for told in suspects:
            add_term(containment=containment, joined=Join.ANY, told=told, by=self.by, at=now())
        return containment

    def answer(self) -> Population:
        """Opened, scoped, reckoned and counted."""
        population = reckon(self.open(self.suspects))
        summarise_population(population)
        return population

    def stop(self) -> Snapshot:
        """Opened, scoped, and everything held that is in the plant."""
        return stop_containment(containment=self.open(self.suspects), by=self.by, at=now())

    def list_held(self, population: Population, snapshot: Snapshot) -> list[tuple[Any, ...]]:
        """The holds of a stop, as rows that can be written again under none. Refuses with AnswersDiffer where the units
        among them are not those that the population has in the plant."""
        holds = list_holds(snapshot.containment)
        held = set(holds.filter(target_kind="unit").values_list("target_key", flat=True))
        wanted = {carrier.key for carrier in population.carriers if is_at_hand(carrier)}
        if held != wanted:
            raise AnswersDiffer(f"The stop holds {len(held)} units, and {len(wanted)} are in the plant.")
        said = holds.values_list(*SAID)[0]
        return [(*subject, *said, "") for subject in holds.values_list(*HELD)]

    # Pages ---------------------------------------------------------------------------------------------------------

    def pages(self, population: Population, snapshot: Snapshot) -> Iterator[tuple[str, Page]]:
        """The first page, one in the middle and the last: of the containment's page, and of the snapshot by the API."""
        outermost = [carrier.key for carrier in population.carriers if carrier.top == carrier.key]
        address = f"/containments/{snapshot.containment}/"
        for name, number in _some(len(outermost), PAGE_SIZE):
            begin = number * PAGE_SIZE
            query = urlencode({"units-page": number + 1})
            yield (
                f"page of units, {name}",
                Page(
                    outermost[begin : begin + PAGE_SIZE],
                    partial(self.fetch, f"{address}?{query}", HTMX),
                    begin,
                ),
            )
        kept = list(snapshot.carriers.order_by("pk").values_list("pk", "unit__key"))
        for name, number in _some(len(kept), Pages.page_size):
            begin = number * Pages.page_size
            after = {"cursor": b64encode(urlencode({"p": kept[begin - 1][0]}).encode()).decode()} if number else {}
            query = urlencode({"snapshot": snapshot.pk, **after})
            yield (
                f"units by the API, {name}",
                Page(
                    [key for _, key in kept[begin : begin + Pages.page_size]],
                    partial(self.fetch, f"/api/v1/containment-snapshot-units/?{query}"),
                    begin,
                ),
            )

    def get(self, address: str, headers: dict[str, str] | None = None) -> Any:
        """The answer of the whole application, as a server would have it send."""
        response = self.client.get(address, headers=headers or {}, secure=True)
        if response.status_code != 200:
            raise AnswersDiffer(f"{address} answers {response.status_code}.")
        return response

    def fetch(self, address: str, headers: dict[str, str] | None = None) -> bytes:
        return bytes(self.get(address, headers).content)

    # Streams -------------------------------------------------------------------------------------------------------

    def measure_streams(self) -> dict[str, Any]:
        """The memory that a population of every unit takes to be reckoned, and its CSV: of the API, of the page."""
        everything = self.open(self.everything)
        asked = {
            "API": f"/api/v1/containments/{everything}/population/?format=csv",
            "page": f"/containments/{everything}/?csv=units&units-counted=",
        }
        settled = min(SETTLED, self.history.boards // 10)
        streams = {name: trace_stream(partial(self.stream, address), settled) for name, address in asked.items()}
        return {"reckoned": trace_peak(partial(reckon, everything)), "streams": streams}

    def stream(self, address: str) -> Iterable[bytes]:
        content: Iterable[bytes] = self.get(address).streaming_content
        return content


def hold_bare(rows: Iterable[Sequence[Any]]) -> None:
    """The rows of holds in one transaction, and nothing else."""
    with transaction.atomic():
        insert_rows(Hold, (*HELD, *SAID, "under"), rows)


def trace_peak(work: Callable[[], object]) -> int:
    """The most bytes that a work holds at once, and all that it gives."""
    gc.collect()
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def trace_stream(ask: Callable[[], Iterable[bytes]], settled: int) -> dict[str, int]:
    """How many `rows` came behind the head, and bytes: `held` when so many rows had come, how much `more` was held at
    most from then until the last, and the `peak` of all from when it was asked for."""
    gc.collect()
    tracemalloc.start()
    try:
        rows, held, before = -1, 0, 0
        for chunk in ask():
            rows += chunk.count(b"\n")
            if not held and rows >= settled:
                held, before = tracemalloc.get_traced_memory()
                tracemalloc.reset_peak()
        peak = tracemalloc.get_traced_memory()[1]
        return {"rows": rows, "settled": settled, "held": held, "more": peak - held, "peak": max(peak, before)}
    finally:
        tracemalloc.stop()


def _some(rows: int, size: int) -> list[tuple[str, int]]:
    """The first, a middle and the last page of so many rows, counted from 0."""
    last = (rows - 1) // size
    return [("first", 0), ("middle", last // 2), ("last", last)]
