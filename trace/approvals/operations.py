"""Attaching files, signing, revoking deviations. (Opening one is in `floor/`: it names rules of the interlock.)"""

from __future__ import annotations

import hashlib
import re
from datetime import datetime

from django.db.models import Model

from trace.approvals.content import AUTHORS, content_digest, content_of, lock_record
from trace.approvals.files import read
from trace.approvals.models import Attachment, Deviation, Meaning, Signature
from trace.approvals.seals import facts_of, seal
from trace.core.clock import now
from trace.core.errors import Refusal
from trace.core.keys import clean_text
from trace.core.models import Person
from trace.ledger.canonical import subject_of
from trace.ledger.operation import note, operation

MEDIA_TYPE = re.compile(r"[a-z0-9][a-z0-9.+-]*/[a-z0-9][a-z0-9.+-]*")
UNKNOWN_TYPE = "application/octet-stream"


class AttachmentRefused(Refusal):
    """A file can't be attached so."""

    code = "attachment-refused"
    action = "Choose the file again, and say to what it belongs."


class SignRefused(Refusal):
    """A record can't be signed so."""

    code = "sign-refused"
    action = "Say what the signature means: authorship, review, approval or responsibility."


class DeviationRefused(Refusal):
    """A deviation can't be opened or revoked so."""

    code = "deviation-refused"
    action = "Correct what is named, and try again."


@operation()
def attach_file(
    *, subject: Model, sha256: str, name: str, media_type: str = "", by: Person, at: datetime
) -> Attachment:
    """Put a file that was stored (`files.store`) with a thing. The file's name loses the folders before it.

    Refuses with AttachmentRefused a file without a name, and one that the thing has already; with ContentLost what
    was not stored; with BadText.
    """
    kind, key = subject_of(subject)
    name = clean_text(re.split(r"[/\\]", name)[-1], 120, "The file's name")
    if not name or not name.isprintable():
        raise AttachmentRefused("The file has no name that can be shown.")
    lock_record(kind, key)
    if Attachment.objects.filter(target_kind=kind, target_key=key, sha256=sha256).exists():
        raise AttachmentRefused(f"This file is with {kind} {key} already.", action="Nothing needs doing.")
    media_type = media_type.strip().lower()
    return Attachment.objects.create(
        key=f"FILE-{hashlib.sha256(f'{kind}:{key}:{sha256}'.encode()).hexdigest()[:20].upper()}",
        target_kind=kind,
        target_key=key,
        name=name,
        media_type=media_type if len(media_type) <= 100 and MEDIA_TYPE.fullmatch(media_type) else UNKNOWN_TYPE,
        size=len(read(sha256)),
        sha256=sha256,
        attached=at,
        by=by,
    )


@operation()
def sign(*, subject: Model, meaning: str, digest: str = "", by: Person, at: datetime) -> Signature:
    """Somebody signs what a record says now, by the server's clock. Who it is was made sure of by account and
    password where the request came in: neither comes here, and no record keeps them.

    What was signed stands in the event, as canonical text. `digest` is the SHA-256 of what the signer was shown.
    Refuses with SignRefused a machine, a meaning that is none, to sign the same twice, to approve a deviation of one's
    own, and what has changed since it was shown; with NotSigned.
    """
    if by.is_machine:
        raise SignRefused(f"{by} is a machine.", action="Let the person sign who answers for it.")
    if meaning not in Meaning.values:
        raise SignRefused(f"“{meaning[:40]}” is no meaning of a signature.")
    kind, key = subject_of(subject)
    lock_record(kind, key)
    content = content_of(kind, key)
    if meaning == Meaning.APPROVED and getattr(subject, AUTHORS.get(kind, ""), None) == by.pk:
        wrote = AUTHORS[kind].removesuffix("_by_id")
        raise SignRefused(f"{by} {wrote} {key}: nobody approves their own.", action="Let another one approve it.")
    if digest and digest != content_digest(content):
        raise SignRefused("The record was changed while you read it.", action="Read what it says now, then sign.")
    signature = Signature(
        target_kind=kind,
        target_key=key,
        meaning=meaning,
        digest=content_digest(content),
        person=by,
        name=by.name,
        roles=list(by.roles),
        signed=now(),
    )
    same = Signature.objects.filter(person=by, meaning=meaning, digest=signature.digest)
    if same.exists():
        raise SignRefused(f"{by} has signed this already.", action="Nothing needs doing.")
    signature.seal = seal(facts_of(signature))
    signature.save()
    note(signed=content)
    return signature


@operation()
def revoke_deviation(*, deviation: Deviation, reason: str, by: Person, at: datetime) -> Deviation:
    """From `at` on a deviation permits nothing more. Refuses with DeviationRefused without a reason, and what was
    revoked before; with BadText."""
    reason = clean_text(reason, 300, "The reason")
    if not reason:
        raise DeviationRefused("Say why it is revoked.", action="Give the reason in a sentence.")
    deviation = Deviation.objects.select_for_update(of=("self",)).get(pk=deviation.pk)
    if deviation.revoked:
        raise DeviationRefused(f"{deviation} was revoked before.", action="Nothing needs doing.")
    deviation.revoked, deviation.revoked_by, deviation.revoke_reason = at, by, reason
    deviation.save(update_fields=["revoked", "revoked_by", "revoke_reason"])
    return deviation
