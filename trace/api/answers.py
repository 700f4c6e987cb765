"""The questions: which units carry what is suspect, what is in a unit, when feeds run out."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from django.http import StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.urls import path
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.response import Response
from rest_framework.views import APIView

from trace.api.problems import problems
from trace.containment.population import get_containment
from trace.core.clock import from_ticks, now
from trace.core.errors import NotFound
from trace.core.keys import read_label
from trace.core.permissions import COSTS, check_reads, may, roles_of
from trace.costing.quality_cost import CHOICES as QUALITY_PERIODS
from trace.costing.quality_cost import ask_quality_cost
from trace.engineering.models import Part
from trace.engineering.queries import get_station
from trace.exchange.backward import describe_unit
from trace.exchange.flow import describe_line
from trace.exchange.forward import CSV_COLUMNS, AlarmAnswer, ForwardAnswer, PopulationAnswer, read_window
from trace.exchange.plant_time import PlantTime
from trace.exchange.quality_cost import describe_quality_cost
from trace.floor.naming import get_named_unit
from trace.floor.remaining import find_pace, forecast_feeds
from trace.genealogy.known import as_known
from trace.material.floor_life import HOUR
from trace.material.models import Feed
from trace.material.queries import Stocked, get_container, get_lot, list_offers
from trace.quality.periods import CHOICES
from trace.quality.standing import ask_line

TIMES = [
    OpenApiParameter("at", str, description="As of then; in the plant's time, or with an offset."),
    OpenApiParameter("known", str, description="As known then: nothing recorded later is believed."),
]

POPULATION = {
    (200, "application/json"): OpenApiTypes.OBJECT,
    (200, "text/csv"): OpenApiTypes.STR,
    (200, "application/x-ndjson"): OpenApiTypes.STR,
    **problems(400, 404, 406, 409),
}

LINE = [
    OpenApiParameter("area", str, description="The stations of an area; empty: all."),
    OpenApiParameter("product", str, description="A part's key; empty: all. Without both: what stands highest."),
    OpenApiParameter("period", str, enum=list(CHOICES), description="Empty: today, or the last day worked."),
    OpenApiParameter("from", OpenApiTypes.DATE, description="Of the period days the first."),
    OpenApiParameter("to", OpenApiTypes.DATE, description="Of the period days the last."),
]


class Rows(BaseRenderer):
    """A row per carrier, sent as they come."""

    def render(self, data: Any, *context: Any) -> bytes:
        """A problem, where there is one instead."""
        return JSONRenderer().render(data)


class CsvRows(Rows):
    media_type, format = "text/csv", "csv"

    @staticmethod
    def lines(rows: Iterable[list[object]]) -> Iterator[str]:
        writer = csv.writer(_Echo(), lineterminator="\n")
        yield writer.writerow(CSV_COLUMNS)
        for row in rows:
            yield writer.writerow(row)


class JsonRows(Rows):
    media_type, format = "application/x-ndjson", "ndjson"

    @staticmethod
    def lines(rows: Iterable[list[object]]) -> Iterator[str]:
        for row in rows:
            yield json.dumps(dict(zip(CSV_COLUMNS, row, strict=True)), ensure_ascii=False, default=str) + "\n"


class _Echo:
    """Of a file only what `csv` needs: what is written is given back."""

    def write(self, text: str) -> str:
        return text


class Affected(APIView):
    """Which units carry what is suspect, how sure that is, and where they are."""

    renderer_classes = [JSONRenderer, CsvRows, JsonRows]

    @extend_schema(
        operation_id="list_affected",
        tags=["answers"],
        summary="Which units carry what is suspect",
        parameters=[
            OpenApiParameter("lot", str, many=True, description="A lot's key, or its supplier's number."),
            OpenApiParameter("container", str, many=True, description="A single reel, box or bag."),
            OpenApiParameter("passed", str, many=True, description="Work at a station: STATION,SINCE,UNTIL."),
            *TIMES,
        ],
        responses=POPULATION,
    )
    def get(self, request: Any) -> HttpResponseBase:
        """The answer as JSON with its sentence, counts, customers, carriers, stock and cost (that for those who
        may see it); as text/csv or application/x-ndjson a row per carrier, which comes as it is made."""
        asked = request.query_params
        lots, containers, passed = (asked.getlist(name) for name in ("lot", "container", "passed"))
        if not (lots or containers or passed):
            raise ValidationError({"lot": ["Name a lot, a container, or the work at a station with passed."]})
        if wrong := [text for text in passed if text.count(",") != 2]:
            raise ValidationError({"passed": [f"“{wrong[0][:80]}”: write STATION,SINCE,UNTIL."]})
        known = PlantTime().read(asked.get("known"))
        with as_known(known):
            return _give(
                request,
                ForwardAnswer(
                    list({lot.pk: lot for lot in map(get_lot, lots)}.values()),
                    [get_container(key) for key in dict.fromkeys(map(read_label, containers))],
                    [read_window(*text.split(",")) for text in passed],
                    asked.get("at"),
                    known,
                ),
            )


class Contained(APIView):
    """The population of a containment."""

    renderer_classes = [JSONRenderer, CsvRows, JsonRows]

    @extend_schema(
        operation_id="get_containment_population",
        tags=["answers"],
        summary="Which units carry what a containment suspects",
        parameters=TIMES,
        responses=POPULATION,
    )
    def get(self, request: Any, key: str) -> HttpResponseBase:
        """As the question which units carry what is suspect is answered; in place of lots, containers and work its
        terms, each with what it selects by itself."""
        known = PlantTime().read(request.query_params.get("known"))
        with as_known(known):
            return _give(request, AlarmAnswer(get_containment(read_label(key)), request.query_params.get("at"), known))


def _give(request: Any, answer: PopulationAnswer) -> HttpResponseBase:
    """An answer in the shape that is asked for, reckoned inside `as_known`."""
    shape = request.accepted_renderer
    if shape.format == "json":
        return Response(answer.as_data(costs=may(roles_of(request.user), COSTS)))
    return StreamingHttpResponse(shape.lines(answer.as_rows()), content_type=f"{shape.media_type}; charset=utf-8")


class Built(APIView):
    """What is in a unit, and where it is."""

    @extend_schema(
        operation_id="get_built",
        tags=["answers"],
        summary="What is in a unit",
        parameters=TIMES,
        responses={200: OpenApiTypes.OBJECT, **problems(400, 404, 409)},
    )
    def get(self, request: Any, key: str) -> Response:
        """The whole tree, at every place the lots that may be there, and what happened there before."""
        time = PlantTime()
        at, known = (time.read(request.query_params.get(name)) for name in ("at", "known"))
        with as_known(known):
            return Response(describe_unit(get_named_unit(key).unit, at, known, time))


class RunOuts(APIView):
    """When the feeds of a station run out."""

    @extend_schema(
        operation_id="list_run_outs",
        tags=["answers"],
        summary="When the feeds of a station run out",
        responses={200: OpenApiTypes.OBJECT, **problems(400, 404)},
    )
    def get(self, request: Any, key: str) -> Response:
        """For how many boards more each feed gives, at least and at most, and for how many minutes the least at the
        station's pace; a feed on which is what nobody counted is left out."""
        station, at = get_station(key), now()
        pace = find_pace(station, at)
        feeds = {feed.pk: feed for feed in Feed.objects.filter(axis__station=station)}
        found = forecast_feeds(list(feeds.values()), pace)
        return Response(
            {
                "station": station.key,
                "minutes_per_board": None if pace is None else round(float(pace), 3),
                "feeds": [
                    {"feed": feed.key, "at_least": out.least, "at_most": out.most, "minutes": out.minutes}
                    for pk, feed in feeds.items()
                    if (out := found.get(pk))
                ],
            }
        )


class Offers(APIView):
    """Which container of a part is to be used first."""

    @extend_schema(
        operation_id="list_offers",
        tags=["answers"],
        summary="Which container of a part is to be used first",
        responses={200: OpenApiTypes.OBJECT, **problems(400, 404)},
    )
    def get(self, request: Any, key: str) -> Response:
        """Its containers that may be fetched now, in the order in which they are to be used: open bags with the least
        floor life left, then what expires first, then what came first. What is held, not released, expired, past its
        floor life or on a feed is not among them."""
        part = Part.objects.filter(key=read_label(key)).first()
        if part is None:
            raise NotFound(f"No part has the key {key[:60]}.")
        return Response(
            {"part": part.key, "offers": [_describe(offer) for offer in list_offers([part], now())[part.key]]}
        )


def _describe(offer: Stocked) -> dict[str, Any]:
    it, clock = offer.container, offer.clock
    return {
        "container": it.key,
        "kind": it.kind,
        "store": it.store,
        "lot": it.lot.key,
        "quantity": it.quantity,
        "open": offer.opened,
        "floor_life_hours_left": round(clock.remaining / HOUR, 2) if clock else None,
        "until": from_ticks(offer.ends).isoformat() if offer.ends is not None else None,
        "expiry": it.lot.expiry,
        "received": from_ticks(it.received).isoformat(),
    }


class Standings(APIView):
    """How a line stands."""

    @extend_schema(
        operation_id="get_line",
        tags=["answers"],
        summary="How a line stands",
        parameters=LINE,
        responses={200: OpenApiTypes.OBJECT, **problems(400, 404)},
    )
    def get(self, request: Any) -> Response:
        """What is to be built and done against plan, what is in process, and for each station what is inside and
        waits for it, its pace, cycle and takt, and what passed the first time. Times are in seconds, shares between
        0 and 1, lead times of working time."""
        sent = request.query_params
        period, first, last = (sent.get(name, "") for name in ("period", "from", "to"))
        return Response(describe_line(ask_line(now(), sent.get("area"), sent.get("product"), period, first, last)))


class QualityCosts(APIView):
    """What quality cost in a period."""

    @extend_schema(
        operation_id="get_quality_cost",
        tags=["answers"],
        summary="What quality cost in a period",
        parameters=[
            OpenApiParameter(
                "period", str, enum=list(QUALITY_PERIODS), description="Empty: the thirty days up to today."
            ),
            *LINE[-2:],
            OpenApiParameter("sales", OpenApiTypes.DECIMAL, description="Of the same time, for percentages."),
        ],
        responses={200: OpenApiTypes.OBJECT, **problems(400)},
    )
    def get(self, request: Any) -> Response:
        """Prevention, appraisal, internal and external failure, with the lines behind them: what follows from the
        records, and what was entered. For those who may see costs."""
        check_reads(str(request.user.person), roles_of(request.user), "what quality cost", COSTS)
        sent = request.query_params
        asked = {name: sent.get(name, "") for name in ("period", "from", "to", "sales")}
        return Response(describe_quality_cost(ask_quality_cost(now(), asked)))


def make_routes() -> list[Any]:
    """The addresses of the questions."""
    views: dict[str, Callable[..., Any]] = {
        "affected/": Affected.as_view(),
        "containments/<str:key>/population/": Contained.as_view(),
        "built/<str:key>/": Built.as_view(),
        "run-outs/<str:key>/": RunOuts.as_view(),
        "offers/<str:key>/": Offers.as_view(),
        "line/": Standings.as_view(),
        "quality/cost/": QualityCosts.as_view(),
    }
    return [
        path(address, view, name=address.replace("<str:key>/", "").strip("/").replace("/", "-"))
        for address, view in views.items()
    ]
