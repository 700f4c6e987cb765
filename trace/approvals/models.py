"""Attachments, electronic signatures and deviations. What they are about is named by kind and key, as holds do."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from trace.core.models import KeyField, Person


class Attachment(models.Model):
    """A file with a thing: a certificate, a photograph, a report. The content is kept by its SHA-256."""

    key = KeyField()
    target_kind = models.CharField(max_length=20)
    target_key = KeyField(unique=False, max_length=120)
    name = models.CharField(max_length=120)
    media_type = models.CharField(max_length=100)
    size = models.PositiveIntegerField(help_text="bytes")
    sha256 = models.CharField(max_length=64)
    attached = models.DateTimeField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["target_kind", "target_key", "sha256"], name="attached_once_to_a_thing"),
            models.CheckConstraint(condition=Q(sha256__regex=r"^[0-9a-f]{64}$"), name="attachment_named_by_sha256"),
        ]

    def __str__(self) -> str:
        return self.name


class Meaning(models.TextChoices):
    """What somebody says with a signature (21 CFR 11.50(a)(3))."""

    AUTHORED = "authored", "authorship"
    REVIEWED = "reviewed", "review"
    APPROVED = "approved", "approval"
    RESPONSIBLE = "responsible", "responsibility"


class Signature(models.Model):
    """Somebody signed what a record said. `digest` is the SHA-256 of that, as canonical text; `name` and `roles`
    are those of the signer as of then; `seal` holds all of it once more, under a key of the plant's.
    The ledger's triggers refuse to change or delete a row (21 CFR 11.70)."""

    target_kind = models.CharField(max_length=20)
    target_key = KeyField(unique=False, max_length=120)
    meaning = models.CharField(max_length=11, choices=Meaning)
    digest = models.CharField(max_length=64)
    person = models.ForeignKey(Person, models.PROTECT, related_name="+")
    name = models.CharField(max_length=120)
    roles = models.JSONField(default=list)
    signed = models.DateTimeField()
    seal = models.TextField()

    class Meta:
        ordering = ["id"]
        indexes = [models.Index(fields=["target_kind", "target_key"], name="signatures_of_a_thing")]
        constraints = [
            models.UniqueConstraint(fields=["person", "meaning", "digest"], name="signed_once_with_a_meaning"),
            models.CheckConstraint(condition=~Q(name=""), name="signature_has_a_printed_name"),
        ]

    def __str__(self) -> str:
        return f"{self.name}, {self.get_meaning_display()}"


class Deviation(models.Model):
    """A permission to depart from rules of the interlock: within a scope, for a reason, for a while, so many times.

    `scope` is a list of `kind:key`: of each kind that it names, what is scanned must be among those named.
    It counts once a quality engineer other than its author has approved it by signature, and until it is revoked.
    """

    key = KeyField()
    rules = models.JSONField(help_text="codes of the interlock's rules that it permits to break")
    scope = models.JSONField(help_text="to what it is limited: a list of kind:key")
    reason = models.CharField(max_length=300)
    expires = models.DateTimeField()
    most = models.PositiveIntegerField(help_text="how many units may make use of it")
    used = models.PositiveIntegerField(default=0)
    opened = models.DateTimeField()
    opened_by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    recorded = models.DateTimeField()
    revoked = models.DateTimeField(null=True, blank=True)
    revoked_by = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="+")
    revoke_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["key"]
        constraints = [
            models.CheckConstraint(
                condition=Q(used__lte=F("most"), most__gt=0), name="deviation_used_within_its_count"
            ),
            models.CheckConstraint(condition=Q(expires__gt=F("opened")), name="deviation_expires_after_opening"),
            models.CheckConstraint(condition=~Q(reason=""), name="deviation_has_a_reason"),
            models.CheckConstraint(
                condition=Q(revoked=None, revoked_by=None, revoke_reason="")
                | Q(revoked__isnull=False, revoked_by__isnull=False) & ~Q(revoke_reason=""),
                name="revocation_is_signed_and_reasoned",
            ),
        ]

    def __str__(self) -> str:
        return self.key
