"""How much of a bath one charge is, over time, by dilution."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from django.db.models import F, Sum

from trace.core.clock import OPEN
from trace.engineering.models import Designator
from trace.floor.models import Pass
from trace.material.models import Container, Feed, FeedRecord, SetUpLine

ZERO, ONE = Decimal(0), Decimal(1)
Amount = tuple[Decimal, Decimal | None]
"""(at least, at most), in the unit of the material; None where nobody knows."""


@dataclass(frozen=True)
class BathShare:
    """From `since` until `until` (microseconds) a charge was between `least` and `most` of what was in a bath (its
    key), by mass; 0 to 1 where nothing is known."""

    feed: str
    since: int
    until: int
    least: Decimal
    most: Decimal


@dataclass
class Mixture:
    """What is in a bath: how much, and the share of the charge asked for. Without any record, nobody knows."""

    amount: Amount = (ZERO, None)
    least: Decimal = ZERO
    most: Decimal = ZERO

    def pour(self, poured: Amount, *, asked: bool) -> None:
        """Of a share s of an amount A, with q poured in, (s A + q) / (A + q) is left of the charge poured, and
        s A / (A + q) of any other. Both rise or fall with each of the three alone, so the bounds are at their ends."""
        (low, high), (some, much) = self.amount, poured
        if asked:
            self.least = self._mix(self.least, high, some, some) if some else self.least
            self.most = self._mix(self.most, low, much, much) if much is not None else ONE
        else:
            self.least = self._mix(self.least, low, much, ZERO) if much is not None else ZERO
            self.most = self._mix(self.most, high, some, ZERO) if some else self.most
        self.amount = low + some, None if high is None or much is None else high + much

    @staticmethod
    def _mix(share: Decimal, amount: Decimal | None, poured: Decimal, of_it: Decimal) -> Decimal:
        if amount is None:  # of an endless bath whatever is poured in is nothing
            return share
        return (share * amount + of_it) / (amount + poured) if amount + poured else share

    def take(self, taken: Decimal) -> None:
        """So much was perhaps taken out: the share stays."""
        self.amount = max(ZERO, self.amount[0] - taken), self.amount[1]

    def empty(self, *, cleaned: bool) -> None:
        """Dumped: cleaned, it holds nothing; else a heel of what was in it, nobody knows how much."""
        if cleaned:
            self.amount, self.least, self.most = (ZERO, ZERO), ZERO, ZERO
        else:
            self.amount = ZERO, self.amount[1]


def list_shares(container: Container, at: int = OPEN) -> list[BathShare]:
    """Of every bath that a container was charged into, how large its share was from each charge and dump to the next,
    up to a moment (microseconds).

    A container that went in once went in whole. Units take out what their bill of material says, at most. What is
    skimmed off as dross, or lost otherwise, is on no record and left out of account. Where the order of two records is
    not known, nothing is known until the bath is emptied and cleaned.
    """
    charged = FeedRecord.objects.filter(container=container, act=FeedRecord.Act.CHARGE, superseded=None)
    feeds = Feed.objects.filter(pk__in=charged.values("feed")).select_related("axis").order_by("key")
    return [share for feed in feeds for share in _follow(feed, container, at)]


CHANGES = (FeedRecord.Act.CHARGE, FeedRecord.Act.DUMP, FeedRecord.Act.CLEAR)


def _follow(feed: Feed, container: Container, at: int) -> Iterator[BathShare]:
    records = list(
        FeedRecord.objects.filter(feed=feed, act__in=CHANGES, superseded=None, happened__lte=F("error") + at)
        .select_related("container")
        .order_by("first", "last", "id")
    )
    charges = Counter(record.container_id for record in records if record.act == FeedRecord.Act.CHARGE)
    mixture, known, before = Mixture(), True, 0
    for record, following in pairwise([*records, None]):
        assert record
        mixture.take(_taken(feed, before, record.last))
        before = record.last
        cleaned = record.cleaned or record.act == FeedRecord.Act.CLEAR
        if record.act == FeedRecord.Act.CHARGE and record.container:
            whole = charges[record.container_id] == 1
            mixture.pour(_amount(record.container, whole=whole), asked=record.container_id == container.pk)
        else:
            mixture.empty(cleaned=cleaned)
        in_order = following is None or record.last < following.first
        known = in_order and (known or cleaned)
        least, most = (mixture.least, mixture.most) if known else (ZERO, ONE)
        if most:
            until = min(at, OPEN) if following is None else following.happened
            yield BathShare(feed.key, record.happened, until, round(least, 6), round(most, 6))


def _amount(container: Container, *, whole: bool) -> Amount:
    if container.quantity is None:
        return ZERO, None
    least = container.quantity - container.tolerance if whole else ZERO
    return max(ZERO, least), container.quantity + container.tolerance


def _taken(feed: Feed, first: int, end: int) -> Decimal:
    """What units may have taken out between two positions, at most."""
    lines: Iterable[tuple[int, str]] = SetUpLine.objects.filter(feed=feed).values_list("setup__assembly", "designator")
    served: dict[int, set[str]] = {}
    for assembly, designator in lines:
        served.setdefault(assembly, set()).add(designator)
    taken = ZERO
    for assembly, names in served.items():
        of_one = Designator.objects.filter(parent=assembly, name__in=names).aggregate(all=Sum("quantity"))["all"]
        passes = Pass.objects.filter(
            axis=feed.axis_id, assembly=assembly, superseded=None, last__gte=first, first__lt=end
        ).exclude(drew=Pass.Drew.NONE)
        taken += passes.count() * (of_one or ZERO)
    return taken
