"""What is written of an alarm beside what is counted."""

from __future__ import annotations

from datetime import datetime

from trace.containment.models import Containment, Heading, Remark
from trace.containment.operations.alarms import ContainmentRefused, lock_open
from trace.core.clock import now_ticks, to_ticks
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.ledger.operation import operation


@operation()
def write_remark(*, containment: Containment, heading: Heading, text: str, by: Person, at: datetime) -> Remark:
    """What the report says under a heading from now on. Refuses with ContainmentRefused without a text, and a closed
    containment; with BadText."""
    containment = lock_open(containment)
    text = clean_text(text, 2000, "The text")
    if not text:
        raise ContainmentRefused("Say what the report is to say.", action="Write a sentence or more.")
    Remark.objects.filter(containment=containment, heading=heading, superseded=None).update(superseded=now_ticks())
    return Remark.objects.create(
        containment=containment, heading=Heading(heading), text=text, written=to_ticks(at), by=by
    )
