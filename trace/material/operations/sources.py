"""Which supplier may deliver a part."""

from __future__ import annotations

from datetime import datetime

from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.engineering.models import Part
from trace.ledger.operation import operation
from trace.material.models import Source, Supplier


class SourceRefused(Refusal):
    """A source can't be approved or withdrawn so."""

    code = "source-refused"


@operation()
def approve_source(*, part: Part, supplier: Supplier, number: str, by: Person, at: datetime) -> Source:
    """The supplier may deliver the part, under its own number for it.

    Refuses with SourceRefused what is built here, a retired part, no number, and a number under which the supplier
    delivers a part already; with BadText.
    """
    number = clean_text(number, 60, "The supplier's part number")
    standing = Source.objects.filter(supplier=supplier, number=number, until=None).select_related("part").first()
    reasons = {
        f"{part.number} is built here.": part.level > 0,
        f"{part.number} is retired.": part.retired is not None,
        "A source needs the number that stands on the supplier's labels.": not number,
        f"{supplier.name} delivers {standing and standing.part.number} under {number}.": standing is not None,
    }
    if wrong := [reason for reason, holds in reasons.items() if holds]:
        raise SourceRefused(" ".join(wrong), action="Check part, supplier and number.")
    return Source.objects.create(part=part, supplier=supplier, number=number, since=at)


@operation()
def withdraw_source(*, source: Source, reason: str, by: Person, at: datetime) -> Source:
    """The supplier may deliver the part no longer. Refuses with SourceRefused without a reason, a second time, and
    before it was approved; with BadText."""
    source = Source.objects.select_for_update().get(pk=source.pk)
    reason = clean_text(reason, 300, "The reason")
    if source.until:
        raise SourceRefused(f"{source} was withdrawn before.", action="Nothing needs doing.")
    if not reason or at < source.since:
        raise SourceRefused(
            "Say why it is withdrawn."
            if not reason
            else f"It was approved on {source.since:%-d %B %Y}, later than that.",
            action="Correct the entry.",
        )
    source.until, source.reason = at, reason
    source.save(update_fields=["until", "reason"])
    return source
