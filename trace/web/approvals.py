"""Signatures, files and deviations as pages show them: the same tables wherever a signed thing stands."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime, timedelta
from functools import cache
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest
from django.urls import reverse

from trace.approvals.content import SIGNED
from trace.approvals.models import Deviation, Signature
from trace.approvals.queries import Verified, find_state, list_attachments, list_signatures, verify_signature
from trace.approvals.rules import Verdict
from trace.containment.models import Kind as Suspected
from trace.core.clock import from_ticks, now, to_ticks
from trace.core.permissions import PAGES, may, roles_of
from trace.floor.models import Skip
from trace.floor.rules import RULES
from trace.web.cells import Link, Mark, Moment, Ref, Several, kind_words
from trace.web.tables import Column, Table

SIGNING = timedelta(minutes=15)
"""For so long after a signature the next one of the same session asks for the password alone (21 CFR 11.200(a)(1))."""

DISPOSED = ("unit", "lot", "container")
"""Kinds of things on whose pages it is decided what becomes of them."""

RULE_WORDS = {rule.code: rule.when for rule in RULES}


def approval_tables(kind: str, key: str) -> list[Table]:
    """The signatures on a thing and the files with it, as far as there are any."""
    signatures, files = list_signatures(kind, key), list_attachments(kind, key)
    return [
        *([signatures_table(signatures)] if signatures else []),
        *([attachments_table(files)] if files.exists() else []),
    ]


def approval_links(request: HttpRequest, kind: str, key: str) -> list[Link]:
    """What who asks may do about a thing: sign it, attach a file to it, decide of it, open a containment for it."""
    wanted = [("sign", "Sign it")] if kind in SIGNED else []
    wanted.append(("attach", "Attach a file"))
    if kind in DISPOSED:
        wanted.append(("decide", "Decide what becomes of it"))
    roles = roles_of(request.user)
    links = [Link(words, reverse(page, args=[kind, key])) for page, words in wanted if may(roles, PAGES[page])]
    return links + alarm_links(request, kind, key)


def alarm_links(request: HttpRequest, kind: str, key: str) -> list[Link]:
    """The one step from what may be suspected to its containment."""
    if kind not in Suspected.values or not may(roles_of(request.user), PAGES["open-containment"]):
        return []
    told = urlencode({"kind": kind, "subject": key})
    return [Link("Open a containment for it", f"{reverse('open-containment')}?{told}")]


def _verdict(one: Verified) -> Several:
    return Several((Mark(str(one.verdict)), one.sentence if one.verdict != Verdict.VALID else ""), " ")


def signature_facts(reference: str) -> list[tuple[str, Any]]:
    """What the entry of a signing says (`signature:NUMBER`): who signed what with which meaning, and whether it
    stands."""
    signature = Signature.objects.select_related("person").get(pk=reference.partition(":")[2])
    return [
        ("Signed", Several((kind_words(signature.target_kind), Ref(signature.target_kind, signature.target_key)), " ")),
        ("Printed name", signature.name),
        ("Meaning", signature.get_meaning_display()),
        ("Does it stand?", _verdict(verify_signature(signature))),
    ]


def signatures_table(signatures: Sequence[Verified]) -> Table:
    """Who signed: printed name, date and time, meaning (21 CFR 11.50), and whether the signature stands."""
    return Table(
        "signatures",
        "Signatures",
        [
            Column("name", "Printed name", lambda one: one.signature.name),
            Column("meaning", "Meaning", lambda one: one.signature.get_meaning_display()),
            Column("signed", "Date and time", lambda one: Moment.of(one.signature.signed)),
            Column("person", "Person", lambda one: Ref("person", one.signature.person.key)),
            Column("verdict", "Does it stand?", _verdict),
        ],
        signatures,
        "Nobody has signed it yet.",
    )


def signed_cell(kind: str) -> Callable[[str], Several]:
    """Of a key of this kind: who signed it, when and with which meaning, and where to sign it and see what became of
    that. All signatures on the kind are read at once, when the first is asked for."""

    @cache
    def signatures() -> dict[str, list[Signature]]:
        found: dict[str, list[Signature]] = defaultdict(list)
        for one in Signature.objects.filter(target_kind=kind).order_by("id"):
            found[one.target_key].append(one)
        return found

    def cell(key: str) -> Several:
        signed = tuple(
            Several((f"{one.name}, {one.get_meaning_display()},", Moment.of(one.signed)), " ")
            for one in signatures().get(key, ())
        )
        words = "verify or sign" if signed else "sign"
        return Several(
            (*signed, Link(words, reverse("sign", args=[kind, key]), f"{words}, {kind_words(kind)} {key}")), "; "
        )

    return cell


def attachments_table(files: Any) -> Table:
    """The files with a thing."""
    return Table(
        "attachments",
        "Files",
        [
            Column("name", "File", lambda file: Link(file.name, reverse("attachment", args=[file.key])), "name"),
            Column("size", "Bytes", lambda file: file.size, "size", number=True),
            Column("attached", "Attached", lambda file: Moment.of(file.attached), "attached"),
            Column("by", "By", lambda file: Ref("person", file.by.key, file.by.name), "by__key"),
            Column("sha256", "SHA-256", lambda file: file.sha256, "sha256"),
        ],
        files,
        "No file is with it.",
        search=("name",),
    )


def scope_cell(scope: Iterable[str]) -> Several:
    """What a deviation is limited to, with links."""
    pairs = (text.partition(":")[::2] for text in scope)
    return Several(tuple(Several((kind, Ref(kind, key)), " ") for kind, key in pairs))


def rules_words(codes: Iterable[str]) -> Several:
    """Rules in words: what they stop."""
    return Several(tuple(RULE_WORDS.get(code, code) for code in codes), "; ")


def signed_lately(request: HttpRequest) -> bool:
    """Whoever came by badge has no account in the session: both components are asked for each time."""
    if "badge" in request.session:
        return False
    signed = request.session.get("signed")
    return signed is not None and now() - from_ticks(signed) < SIGNING


def read_components(request: HttpRequest) -> dict[str, str]:
    """The two components of a signature, as the form sent them: after the first of a continuous session the password
    alone."""
    username = request.user.get_username() if signed_lately(request) else request.POST.get("username", "")
    return {"username": username, "password": request.POST.get("password", "")}


def remember_signing(request: HttpRequest) -> None:
    """The session goes on from this signature."""
    request.session["signed"] = to_ticks(now())


def deviations_table(deviations: Sequence[Deviation], at: datetime, title: str = "Deviations") -> Table:
    """Deviations and how each stands at a moment."""
    states = {one.pk: find_state(one, at) for one in deviations}
    return Table(
        "deviations",
        title,
        [
            Column("deviation", "Deviation", lambda d: Ref("deviation", d.key)),
            Column("state", "State", lambda d: Mark(states[d.pk]), choose=True),
            Column("rules", "Permits, although", lambda d: rules_words(d.rules)),
            Column("scope", "Limited to", lambda d: scope_cell(d.scope)),
            Column("used", "Used", lambda d: f"{d.used} of {d.most}"),
            Column("expires", "Until", lambda d: Moment.of(d.expires)),
            Column("by", "Opened by", lambda d: Ref("person", d.opened_by.key, d.opened_by.name)),
        ],
        deviations,
        "No deviation was opened yet.",
    )


def skips_table(deviation: Deviation) -> Table:
    """The steps that units skipped under a deviation."""
    return Table(
        "skips",
        "Steps skipped under it",
        [
            Column("unit", "Unit", lambda s: Ref("unit", s.unit.key), "unit__key"),
            Column("step", "Step", lambda s: f"{s.step.number} {s.step.name}", "step__number"),
            Column("at", "When", lambda s: Moment(s.at), "at"),
            Column("recorded", "Entered", lambda s: Moment(s.recorded), "recorded"),
            Column("by", "By", lambda s: Ref("person", s.by.key, s.by.name), "by__key"),
            Column("counts", "Counts", lambda s: "no: its pass is void" if s.superseded else "yes", "superseded"),
        ],
        Skip.objects.filter(deviation=deviation).select_related("unit", "step", "by").order_by("id"),
        "No unit skipped a step under it.",
        search=("unit__key",),
    )
