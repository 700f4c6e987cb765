"""The seal of a signature: everything that it says, under the plant's secret key. Keys that were in use before
(`SECRET_KEY_FALLBACKS`) still open it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.core.signing import BadSignature, Signer

from trace.approvals.models import Signature
from trace.ledger.canonical import plain

SALT = "trace.approvals.signature"


def facts_of(signature: Signature) -> dict[str, Any]:
    """What a signature's row says, as the seal holds it."""
    return {
        "kind": signature.target_kind,
        "key": signature.target_key,
        "meaning": signature.meaning,
        "digest": signature.digest,
        "person": signature.person.key,
        "name": signature.name,
        "roles": list(signature.roles),
        "signed": plain(signature.signed),
    }


def seal(facts: Mapping[str, Any]) -> str:
    """These facts sealed."""
    return Signer(salt=SALT).sign_object(dict(facts))


def unseal(text: str) -> Mapping[str, Any] | None:
    """The facts in a seal; None where it is none of ours."""
    try:
        facts = Signer(salt=SALT).unsign_object(text)
    except (BadSignature, ValueError):
        return None
    return facts if isinstance(facts, dict) else None
