"""The label of a sequenced tape."""

from __future__ import annotations

from django.utils import timezone

from trace.core.clock import OPEN, from_ticks
from trace.core.keys import code_of, label_text
from trace.labels.label import Label
from trace.material.models import Tape


def make_tape_label(tape: Tape) -> Label:
    """What goes on its reel (`tape` with its assembly): for which revision, how many board sets, when it was built in
    the plant's time; that it was given up, where it was."""
    part = tape.assembly
    until = None if tape.built_until >= OPEN else timezone.localtime(from_ticks(tape.built_until))
    lines = (
        "GIVEN UP: not to be mounted" if tape.aborted else "",
        f"For {part.number} {part.revision}".strip(),
        f"{tape.board_sets} board sets of {tape.links} components",
        f"Built {until:%Y-%m-%d %H:%M}" if until else "Being built",
        part.name,
    )
    return Label(code_of("tape", tape.key), label_text(tape.key), tuple(filter(None, lines)))
