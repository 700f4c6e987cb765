"""What was spent on quality that no other record tells of."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

from trace.core.clock import now, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.engineering.models import QualityHeading, QualityOutlay
from trace.engineering.operations.common import save_checked
from trace.engineering.queries import get_zone
from trace.ledger.operation import note, operation


class OutlayRefused(Refusal):
    """Money spent on quality can't be recorded, or voided, so."""

    code = "outlay-refused"
    action = "Give the day, the heading, for what it was, and an amount above 0."


@operation()
def record_outlay(
    *, day: date, heading: QualityHeading, words: str, amount: Decimal, by: Person, at: datetime
) -> QualityOutlay:
    """So much was spent on a day, `words` say for what. What follows from other records (tests, repairs, scrap) is not
    entered here again. Refuses with OutlayRefused without words, an amount that is not above 0 or is finer than a
    thousandth, and a day to come; with BadText."""
    words = clean_text(words, 200, "What it was for")
    if not words:
        raise OutlayRefused("Say for what it was spent.")
    if day > at.astimezone(get_zone()).date():
        raise OutlayRefused(f"{day} is yet to come.", action="Enter what was spent.")
    if not amount.is_finite() or amount <= 0:
        raise OutlayRefused(f"{amount} is no amount that was spent.")
    heading = QualityHeading(heading)
    outlay = QualityOutlay(day=day, heading=heading, words=words, amount=amount, by=by, recorded=to_ticks(now()))
    save_checked(outlay, OutlayRefused)
    return outlay


@operation()
def void_outlay(*, outlay: QualityOutlay, reason: str, by: Person, at: datetime) -> QualityOutlay:
    """It was not spent so. Refuses with OutlayRefused without a reason, and when it was voided before; with BadText."""
    reason = clean_text(reason, 300, "The reason")
    outlay = QualityOutlay.objects.select_for_update().get(pk=outlay.pk)
    if not reason:
        raise OutlayRefused("Say what was wrong.", action="Such as: it was entered twice.")
    if outlay.superseded is not None:
        raise OutlayRefused(f"“{outlay.words}” was voided before.", action="Nothing needs doing.")
    outlay.superseded = to_ticks(now())
    outlay.save(update_fields=["superseded"])
    note(reason=reason)
    return outlay
