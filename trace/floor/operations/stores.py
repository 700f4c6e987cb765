"""Where containers are kept."""

from __future__ import annotations

from datetime import datetime

from trace.core.clock import to_ticks
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.floor.away import take_as_left
from trace.holds.gate import moving
from trace.holds.rules import Move
from trace.material.models import Container
from trace.material.operations.stock import lock_containers


@moving
def store_container(*, container: Container, store: str, by: Person, at: datetime) -> Container:
    """A container is moved to another store, quarantine among them. Where it was on record at a feed it
    had left that unseen, which is recorded there. Refuses with Held."""
    store = clean_text(store, 60, "The store")
    (container,) = lock_containers([container], Move.STORE, at)
    container.store = store
    container.save(update_fields=["store"])
    take_as_left(container, to_ticks(at), 0, by)
    return container
