"""The labels of racks and panels."""

from __future__ import annotations

from trace.core.keys import code_of, label_text
from trace.floor.models import Carrier
from trace.labels.label import Label


def make_carrier_label(carrier: Carrier) -> Label:
    """What goes on a rack or a panel (with its part): what it is, how many it takes, whether in order; that it was
    parted, where it was."""
    part = carrier.part
    lines = (
        "PARTED: scan the boards" if carrier.parted is not None else "",
        f"Panel {part.number} {part.revision}".strip() if part else f"Rack, {carrier.slots} slots",
        "In the order of its slots" if carrier.ordered else "",
        part.name if part else "Scan it, and all that is in it goes",
    )
    return Label(code_of("carrier", carrier.key), label_text(carrier.key), tuple(filter(None, lines)))
