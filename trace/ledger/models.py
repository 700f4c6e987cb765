"""The append-only record of every state change. Triggers refuse to change or delete its rows."""

from __future__ import annotations

from collections.abc import Iterable

from django.db import models

from trace.core.models import KeyField, Person


class Event(models.Model):
    """One operation that was carried out.

    `payload` is canonical text (sorted keys, no floats, a version), so that a seal over it can be
    checked on any machine for ever.
    """

    verb = models.CharField(max_length=60)
    by = models.ForeignKey(Person, models.PROTECT, related_name="+", db_index=False)
    happened = models.DateTimeField()
    recorded = models.DateTimeField(db_index=True)
    payload = models.TextField()

    class Meta:
        verbose_name = "entry"
        verbose_name_plural = "entries"
        indexes = [
            models.Index(fields=["by", "recorded"], name="events_by_person"),
            models.Index(fields=["verb", "recorded"], name="events_by_verb"),
            models.Index(fields=["happened"], name="events_by_happening"),
        ]

    def __str__(self) -> str:
        return f"{self.verb} {self.recorded:%Y-%m-%d %H:%M:%S}"

    def tells(self, fields: Iterable[str]) -> bool:
        """Whether the payload has one of these fields, however deep."""
        return any(written(name) in self.payload for name in fields)


def written(field: str) -> str:
    """A field as it stands in a payload; in a text the quotation mark would have a backslash before it."""
    return f'"{field}":'


class EventSubject(models.Model):
    """Something an event was about, by kind and key: no foreign key, so that no area is tied to it."""

    event = models.ForeignKey(Event, models.PROTECT, related_name="subjects")
    kind = models.CharField(max_length=20)
    key = KeyField(unique=False, max_length=120)

    class Meta:
        verbose_name = "subject of an entry"
        verbose_name_plural = "subjects of entries"
        indexes = [models.Index(fields=["kind", "key", "event"], name="subject_events")]
        constraints = [models.UniqueConstraint(fields=["event", "kind", "key"], name="subject_once_per_event")]


class Answer(models.Model):
    """The idempotency record: what was answered to a client's request.

    A repeat of the same request gets the same answer; another request under the same key is refused.
    """

    client = models.CharField(max_length=80)
    key = models.CharField(max_length=80)
    digest = models.CharField(max_length=64)
    response = models.TextField(blank=True)
    recorded = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["client", "key"], name="one_answer_per_request")]
