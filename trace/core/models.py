"""Who may sign in, and who did it."""

from __future__ import annotations

from typing import Any

from django.contrib.auth.models import AbstractUser
from django.db import models

from trace.core.keys import KEY_LENGTH


class KeyField(models.CharField):
    """An immutable upper-case key, unique among its kind."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**{"max_length": KEY_LENGTH, "unique": True, **options})

    def deconstruct(self) -> Any:
        """`unique` too where it is false: Django leaves that out, and a migration would bring it back."""
        name, path, arguments, options = super().deconstruct()
        return name, path, arguments, {**options, "unique": self.unique}


class TickField(models.BigIntegerField):
    """A position on an axis: microseconds, cycles or board sets; `clock.OPEN` where it has no end."""


class Person(models.Model):
    """Somebody, or a named machine, that does things in the plant: the `by` of every record.

    Kept apart from the user: an operator may have no password, a leaver's records keep their name,
    and a machine signs for itself.
    """

    key = KeyField()
    name = models.CharField(max_length=120)
    is_machine = models.BooleanField(default=False)
    retired = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["key"]
        verbose_name_plural = "people"

    def __str__(self) -> str:
        return self.name


class User(AbstractUser):
    """An account that signs in. What it does is recorded under its person."""

    person = models.OneToOneField(Person, models.PROTECT, null=True, blank=True, related_name="user")
