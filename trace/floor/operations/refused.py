"""What was scanned during an outage and is refused once it arrives: nobody at the station waits for that answer any
more, so it is kept until a supervisor or quality engineer has looked what became of the unit."""

from __future__ import annotations

from datetime import datetime
from uuid import uuid4

from trace.core.clock import now_ticks, to_ticks
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.engineering.models import Station
from trace.floor.models import RefusedScan, Unit
from trace.ledger.operation import operation


class SettlingRefused(Refusal):
    """A refused scan can't be settled as asked."""

    code = "settling-refused"
    action = "Look what became of the unit, and write it down."


@operation()
def keep_refused_scan(
    *,
    station: Station,
    scanned: str,
    code: str,
    sentence: str,
    action: str = "",
    told: str = "",
    unit: Unit | None = None,
    by: Person,
    at: datetime,
) -> RefusedScan:
    """A scan that came late was refused. `scanned` is what was scanned, `told` how it was sent; `code`, `sentence` and
    `action` are those of the refusal, `by` and `at` those of the scan. Refuses with SettlingRefused where it is not
    said what was scanned, and why it was refused."""
    scanned, sentence = clean_text(scanned, 200, "What was scanned"), clean_text(sentence, 1000, "The refusal")
    if not (scanned and sentence):
        raise SettlingRefused("Say what was scanned, and why it was refused.", action="Send it with both.")
    kept = RefusedScan.objects.create(
        key=uuid4().hex.upper(),
        station=station,
        unit=unit,
        by=by,
        happened=to_ticks(at),
        recorded=now_ticks(),
        scanned=scanned,
        told=clean_text(told, 1000, "What was sent"),
        code=clean_text(code, 40, "The code"),
        sentence=sentence,
        action=clean_text(action, 300, "The next action"),
    )
    kept.key = f"SCAN-{kept.pk:04}"
    kept.save(update_fields=["key"])
    return kept


@operation()
def settle_refused_scan(*, scan: RefusedScan, reason: str, by: Person, at: datetime) -> RefusedScan:
    """Somebody looked what became of the unit; `reason` says it. Refuses with SettlingRefused (no reason, settled
    already, a moment before the scan)."""
    reason = clean_text(reason, 300, "What became of it")
    if not reason:
        raise SettlingRefused("Say what became of it.")
    scan = RefusedScan.objects.select_for_update(of=("self",)).select_related("settled_by", "unit").get(pk=scan.pk)
    if scan.settled is not None:
        raise SettlingRefused(f"{scan.key} was settled already, by {scan.settled_by}: {scan.reason}")
    if to_ticks(at) < scan.happened:
        raise SettlingRefused(f"{scan.key} was scanned only after that moment.", action="Give the right moment.")
    scan.settled, scan.settled_by, scan.reason, scan.ended = to_ticks(at), by, reason, now_ticks()
    scan.save(update_fields=["settled", "settled_by", "reason", "ended"])
    return scan
