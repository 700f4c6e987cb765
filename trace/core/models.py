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
    roles = models.JSONField(default=list, blank=True, help_text="what it may do: a list of Role")
    retired = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["key"]
        verbose_name_plural = "people"

    def __str__(self) -> str:
        return self.name


class User(AbstractUser):
    """An account that signs in. What it does is recorded under its person."""

    person = models.OneToOneField(Person, models.PROTECT, null=True, blank=True, related_name="user")

    class Meta(AbstractUser.Meta):
        verbose_name = "account"
        verbose_name_plural = "accounts"


class Token(models.Model):
    """What a machine or program shows to be taken for a person. Only the SHA-256 of the secret is kept."""

    person = models.ForeignKey(Person, models.PROTECT, related_name="tokens")
    name = models.CharField(max_length=60, help_text="where it is used")
    stations = models.JSONField(default=list, blank=True, help_text="keys of those it may record at; none: anywhere")
    digest = models.CharField(max_length=64, unique=True)
    issued = models.DateTimeField()
    ended = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=models.Q(digest__regex=r"^[0-9a-f]{64}$"), name="token_digest_is_sha256"),
            models.UniqueConstraint(
                fields=["person", "name"], condition=models.Q(ended=None), name="one_token_per_place"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} of {self.person}"


class Badge(models.Model):
    """What somebody shows at a device to say who they are, and the PIN that proves it.

    Of the code only the SHA-256 is kept, of the PIN the hash by Django's password hasher. Who may record what they
    do at stations needs no account.
    """

    person = models.ForeignKey(Person, models.PROTECT, related_name="badges")
    digest = models.CharField(max_length=64)
    pin = models.CharField(max_length=128)
    issued = models.DateTimeField()
    ended = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=models.Q(digest__regex=r"^[0-9a-f]{64}$"), name="badge_digest_is_sha256"),
            models.CheckConstraint(condition=~models.Q(pin=""), name="badge_has_a_pin"),
            models.UniqueConstraint(fields=["person"], condition=models.Q(ended=None), name="one_badge_per_person"),
            models.UniqueConstraint(fields=["digest"], condition=models.Q(ended=None), name="one_badge_per_code"),
        ]

    def __str__(self) -> str:
        return f"badge of {self.person}"


class Device(models.Model):
    """A screen at stations. The browser that was once shown its secret, of which the SHA-256 is kept, is this device;
    what is recorded there by who came by badge is at its stations."""

    key = KeyField()
    name = models.CharField(max_length=120)
    stations = models.JSONField(help_text="their keys")
    digest = models.CharField(max_length=64, unique=True)
    issued = models.DateTimeField(help_text="when the secret was made")
    bound = models.DateTimeField(null=True, blank=True, help_text="when a browser was last bound by it")
    ended = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["key"]
        constraints = [
            models.CheckConstraint(condition=models.Q(digest__regex=r"^[0-9a-f]{64}$"), name="device_digest_is_sha256"),
            models.CheckConstraint(condition=~models.Q(stations=[]), name="device_has_stations"),
        ]

    def __str__(self) -> str:
        return f"{self.key} {self.name}"
