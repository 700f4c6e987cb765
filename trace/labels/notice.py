"""The notice to a customer: what is suspect of what was shipped to them, serial by serial."""

from __future__ import annotations

from trace.approvals.queries import list_signatures
from trace.containment.models import Notice, SnapshotUnit
from trace.containment.shipped import find_notice_approval, list_shipped
from trace.core.clock import to_ticks
from trace.engineering.models import Site
from trace.labels.history import PrintedSection, PrintedTable, print_sections
from trace.labels.moments import show

NOT_YET = "Not approved: this is a draft. Do not send it."

WORDS = {"certain": "is in it", "possible": "may be in it"}


def print_notice(notice: Notice) -> bytes:
    """A PDF: to whom, what is told, the units with carton, shipment and date, who approved it. A draft says that it is
    one on every page."""
    approval = find_notice_approval(notice)
    site = Site.objects.get()
    gave_up = f"Given up {show(notice.superseded)}: {notice.reason}." if notice.superseded is not None else ""
    state = gave_up or ("" if approval else NOT_YET)
    units = list(list_shipped(notice.snapshot, notice.customer.key))
    top = PrintedSection(
        "",
        [
            *([state] if state else []),
            f"From {site.name}, to {notice.customer.name} ({notice.customer.key}). Our number: {notice.containment}.",
            *notice.text.splitlines(),
            f"{len(units)} unit{'' if len(units) == 1 else 's'} that we shipped to you "
            f"{'is' if len(units) == 1 else 'are'} concerned, by our records of {show(notice.snapshot.taken)}.",
        ],
    )
    listed = PrintedSection(
        "The units",
        tables=[
            PrintedTable(
                "",
                ["Serial", "Your serial", "Part", "What is suspect", "Shipment", "Carton", "Shipped", "Our order"],
                [
                    [
                        *(one.unit.key, _theirs(one), one.unit.part.key),
                        *(WORDS[one.sureness], one.shipment, one.carton, show(one.since), one.unit.order.key),
                    ]
                    for one in units
                ],
                "None.",
            )
        ],
    )
    signed = PrintedSection("Signatures", tables=[_signatures(notice)])
    title = f"Notice {notice.key}"
    foot = f"{title} to {notice.customer.name}. {state}" if state else f"{title} to {notice.customer.name}."
    return print_sections(title, [top, listed, signed], foot)


def _theirs(one: SnapshotUnit) -> str:
    """The serials that the customer gave a unit, as `list_shipped` reads them."""
    return ", ".join(alias.text for alias in getattr(one.unit, "theirs", ()))


def _signatures(notice: Notice) -> PrintedTable:
    """Printed name, date and time, meaning: 21 CFR 11.50."""
    return PrintedTable(
        "",
        ["Name", "Signed", "Meaning", "It stands"],
        [
            [
                *(one.signature.name, show(to_ticks(one.signature.signed))),
                *(one.signature.get_meaning_display(), one.sentence),
            ]
            for one in list_signatures("notice", notice.key)
        ],
        "Nobody has signed it.",
    )
