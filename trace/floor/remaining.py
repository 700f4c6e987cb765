"""Which containers may be loaded next, and how long feeds last."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable
from datetime import datetime
from decimal import Decimal

from trace.core.clock import DAY, OPEN, to_ticks
from trace.engineering.models import Part, Station
from trace.floor.away import HANGS
from trace.floor.left import find_all_left
from trace.floor.models import Pass
from trace.material.facts import EMPTY, Left
from trace.material.models import Feed, FeedRecord, SetUpLine, Span
from trace.material.queries import list_offers
from trace.material.sequencing import Offer, RunOut, forecast

MINUTE = DAY // (24 * 60)
LAST_UNITS = 20
"""Of so many passes a station's pace is taken."""


def list_stock(parts: Iterable[Part], at: datetime) -> dict[str, list[Offer]]:
    """What may be loaded of each part, by its key, what is to be used first first, as a plan takes it: with how many
    whole parts are at least left in each."""
    offers = {part: [one.container for one in found] for part, found in list_offers(list(parts), at).items()}
    left = find_all_left([one for containers in offers.values() for one in containers])
    return {
        part: [Offer(one.key, found.whole if (found := left[one.pk]) else None, one.lot.expiry) for one in containers]
        for part, containers in offers.items()
    }


# Feeds ----------------------------------------------------------------------------------------------------------------


def forecast_feeds(feeds: Collection[Feed], pace: Decimal | None = None) -> dict[int, RunOut]:
    """When each of a station's feeds runs out, by id. Those that give what nobody counted are left out, and those into
    which material is poured: what is left in its bag says nothing of what lies there.

    What was spliced on counts with what it was spliced to; of what may be there instead of something else the
    least is taken.
    """
    feeds = [feed for feed in feeds if feed.kind in HANGS]
    on: dict[int, list[Span]] = defaultdict(list)
    for span in Span.objects.filter(feed__in=feeds, end=OPEN, superseded=None).select_related("container__lot"):
        on[span.feed_id].append(span)
    left = find_all_left([span.container for spans in on.values() for span in spans if span.container])
    spliced = set(
        FeedRecord.objects.filter(feed__in=feeds, act=FeedRecord.Act.SPLICE, superseded=None).values_list(
            "feed", "container"
        )
    )
    places: Counter[int] = Counter()
    served = SetUpLine.objects.filter(feed__in=feeds, setup__end=OPEN).values_list("feed", "setup")
    for (feed, _), count in Counter(served).items():
        places[feed] = max(places[feed], count)
    lasting: dict[int, RunOut] = {}
    for feed, spans in on.items():
        # What is unknown only from later on follows from a count: by then it may be used up.
        begun = min(span.first for span in spans)
        there = [span for span in spans if span.container_id or span.first == begun]
        known = [found for span in there if span.container_id and (found := left[span.container_id]) is not None]
        if len(known) < len(there) or not places[feed]:
            continue
        together = any((feed, span.container_id) in spliced for span in there)
        every = sum(known, EMPTY)
        least = every.least if together else min(one.least for one in known)
        lasting[feed] = forecast(Left(least, every.most), places[feed], pace)
    return lasting


def find_pace(station: Station, at: datetime) -> Decimal | None:
    """Minutes from one unit to the next, over a station's last passes that drew; None where they tell nothing."""
    passes = Pass.objects.filter(station=station, superseded=None, scanned_out__lte=to_ticks(at))
    latest = passes.order_by("-scanned_out").values_list("scanned_out", flat=True)[:LAST_UNITS]
    scans = [scan for scan in latest if scan is not None]
    after = sum(scan > scans[-1] for scan in scans) if scans else 0
    if not after:
        return None
    return Decimal(scans[0] - scans[-1]) / MINUTE / after
