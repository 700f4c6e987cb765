"""Which lots and containers a supplier, or a part, stands for."""

from __future__ import annotations

from collections import defaultdict
from typing import NamedTuple

from django.db.models import Q

from trace.core.clock import OPEN
from trace.engineering.models import Part
from trace.material.date_codes import read_date_code
from trace.material.models import Container, Lot, Supplier

Code = tuple[int, int] | None


class Named(NamedTuple):
    """Ids of whole lots, and of single containers; and of the lots how many have no date code that can be read."""

    lots: set[int]
    containers: set[int]
    undated: int = 0


def name_supplier(
    supplier: Supplier, code_from: Code = None, code_to: Code = None, since: int = 0, until: int = OPEN
) -> Named:
    """What a supplier delivered with a date code in a range, both ends included, and received in `since..until`.

    A lot with no date code that can be read can't be excluded, and is in. A lot of which some containers came at
    another time is named by those that came then.
    """
    dated = bool(code_from or code_to)
    codes = dict(Lot.objects.filter(supplier=supplier).values_list("pk", "date_code"))
    read = {pk: read_date_code(code) for pk, code in codes.items()}
    lots = {pk for pk, code in read.items() if code is None or (code_from or code) <= code <= (code_to or code)}
    undated = sum(read[pk] is None for pk in lots) if dated else 0
    if not since and until >= OPEN:
        return Named(lots, set(), undated)
    came: dict[int, dict[int, bool]] = defaultdict(dict)
    containers = Container.objects.filter(Q(own=True) | Q(lot__supplier__is_plant=True), lot__in=lots)
    for pk, lot, received in containers.values_list("pk", "lot", "received"):
        came[lot][pk] = since <= received < until
    whole = {lot for lot, those in came.items() if all(those.values())}
    some = {pk for lot, those in came.items() if lot not in whole for pk, then in those.items() if then}
    return Named(whole, some, undated)


def name_part(part: Part, since: int = 0, until: int = OPEN) -> Named:
    """Every container of a part that was in the plant at some time in `since..until`."""
    here = Container.objects.filter(Q(gone=None) | Q(gone__gte=since), part=part, received__lt=until)
    return Named(set(), set(here.values_list("pk", flat=True)))
