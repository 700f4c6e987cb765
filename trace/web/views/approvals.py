"""Deviations, signing, files with a thing."""

from __future__ import annotations

from datetime import datetime

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.urls import reverse
from django.utils import timezone
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_GET

from trace.approvals.content import content_digest, content_of, find_record
from trace.approvals.files import MOST, FileTooLong, read, store
from trace.approvals.models import Attachment, Deviation, Meaning
from trace.approvals.operations import AttachmentRefused, SignRefused, attach_file, revoke_deviation, sign
from trace.approvals.queries import (
    find_deviation_approval,
    find_state,
    get_deviation,
    list_attachments,
    list_signatures,
)
from trace.containment.models import Notice
from trace.core.clock import Planned, from_ticks, now, to_ticks
from trace.core.errors import NotFound
from trace.core.keys import clean_key
from trace.exchange.credentials import check_credentials
from trace.floor.operations.deviations import DeviationRefused, open_deviation
from trace.floor.rules import DEVIABLE
from trace.ledger.canonical import subject_of
from trace.web.approvals import (
    RULE_WORDS,
    approval_links,
    attachments_table,
    deviations_table,
    read_components,
    remember_signing,
    rules_words,
    scope_cell,
    signatures_table,
    signed_lately,
    skips_table,
)
from trace.web.cells import Moment, Ref, kind_words, page_of
from trace.web.forms import asking, fill_in
from trace.web.moments import Asof
from trace.web.tables import respond
from trace.web.timeline import record_table
from trace.web.written import read_content

# Deviations ----------------------------------------------------------------------------------------------------------


@require_GET
def deviations(request: HttpRequest) -> HttpResponseBase:
    """Every deviation, the last first."""
    every = list(Deviation.objects.select_related("opened_by").order_by("-opened"))
    table = deviations_table(every, now())
    count = sum(find_state(one, now()) == "in force" for one in every)
    return respond(request, "deviations.html", {"in_force": count}, [table], name="deviations")


@require_GET
def deviation(request: HttpRequest, key: str) -> HttpResponseBase:
    """One deviation: what it permits, who approved it, what made use of it."""
    it = get_deviation(clean_key(key))
    approval = find_deviation_approval(it)
    facts = [
        ("Permits, although", rules_words(it.rules)),
        ("Limited to", scope_cell(it.scope)),
        ("Reason", it.reason),
        ("Opened", Moment.of(it.opened)),
        ("Opened by", Ref("person", it.opened_by.key, it.opened_by.name)),
        ("Until", Moment.of(it.expires)),
        ("Used", f"{it.used} of {it.most}"),
    ]
    if it.revoked and it.revoked_by:
        facts += [
            ("Revoked", Moment.of(it.revoked)),
            ("Revoked by", Ref("person", it.revoked_by.key, it.revoked_by.name)),
            ("Why it was revoked", it.revoke_reason),
        ]
    context = {
        "it": it,
        "state": find_state(it, now()),
        "approval": approval,
        "facts": facts,
        "links": approval_links(request, "deviation", it.key),
    }
    tables = [
        signatures_table(list_signatures("deviation", it.key)),
        skips_table(it),
        attachments_table(list_attachments("deviation", it.key)),
        record_table("deviation", it.key, Asof(), "Uses of it, and what else was done with it"),
    ]
    return respond(request, "deviation.html", context, tables, name=f"deviation-{it.key}")


def new_deviation(request: HttpRequest) -> HttpResponse:
    """Open a deviation."""

    def do() -> str:
        sent = request.POST
        made = open_deviation(
            key=sent.get("key", ""),
            rules=sent.getlist("rules"),
            scope=[line for line in sent.get("scope", "").splitlines() if line.strip()],
            reason=sent.get("reason", ""),
            expires=_read_end(sent.get("expires", "")),
            most=int(most) if (most := sent.get("most", "")).isdecimal() and len(most) < 10 else 0,
            **asking(request),
        )
        return reverse("deviation", args=[made.key])

    rules = [(code, RULE_WORDS[code], ", ".join(kinds)) for code, kinds in DEVIABLE.items()]
    context = {"rules": rules, "chosen": request.POST.getlist("rules")}
    return fill_in(request, "open_deviation.html", context, do)


def _read_end(text: str) -> Planned:
    """A date and time in the plant's zone that is still to come."""
    try:
        moment = datetime.fromisoformat(text.strip())
        moment = moment if moment.tzinfo else moment.replace(tzinfo=timezone.get_current_timezone())
        return Planned(from_ticks(to_ticks(moment)))
    except (ValueError, OverflowError):
        raise DeviationRefused(f"“{text[:40]}” is no date and time.", action="Say until when it permits.") from None


def revoke(request: HttpRequest, key: str) -> HttpResponse:
    """Revoke a deviation."""
    it = get_deviation(clean_key(key))

    def do() -> str:
        revoke_deviation(deviation=it, reason=request.POST.get("reason", ""), **asking(request))
        return reverse("deviation", args=[it.key])

    return fill_in(request, "revoke.html", {"it": it}, do)


# Signing -------------------------------------------------------------------------------------------------------------


def sign_record(request: HttpRequest, kind: str, key: str) -> HttpResponse:
    """Sign a record: what will be signed, who signed it before, and the two components. After the first signature of a
    continuous session the password alone."""
    record = find_record(kind, key)

    def do() -> str:
        meaning = request.POST.get("meaning", "")
        if meaning not in Meaning.values:
            raise SignRefused("Say what your signature means.")
        done = asking(request)
        check_credentials(request, done["by"], **read_components(request))
        sign(subject=record, meaning=meaning, digest=request.POST.get("digest", ""), **done)
        remember_signing(request)
        if isinstance(record, Notice):  # it has no page but its paper
            return reverse("containment-notices", args=[record.containment.key])
        return page_of(kind, key) or request.path

    content = content_of(*subject_of(record))
    context = {
        "kind": kind_words(kind),
        "key": key,
        "thing": Ref(kind, key),
        "digest": content_digest(content),
        "again": signed_lately(request),
        "meanings": Meaning.choices,
        "content": read_content(content),
        "shown": signatures_table(list_signatures(kind, key)).bind(request.GET, request.path, ""),
    }
    return fill_in(request, "sign.html", context, do)


# Files ---------------------------------------------------------------------------------------------------------------


def attach(request: HttpRequest, kind: str, key: str) -> HttpResponse:
    """Attach a file to a thing."""
    record = find_record(kind, key)

    def do() -> str:
        file = request.FILES.get("file")
        if file is None:
            raise AttachmentRefused("No file was chosen.", action="Choose a file.")
        if (file.size or 0) > MOST:
            raise FileTooLong("The file is too long.")
        sha256 = store(file.chunks()).sha256
        attach_file(
            subject=record, sha256=sha256, name=file.name or "", media_type=file.content_type or "", **asking(request)
        )
        return page_of(kind, key) or request.path

    context = {
        "kind": kind_words(kind),
        "key": key,
        "thing": Ref(kind, key),
        "most": MOST // 1_000_000,
        "shown": attachments_table(list_attachments(kind, key)).bind(request.GET, request.path, ""),
    }
    return fill_in(request, "attach.html", context, do)


@require_GET
def attachment(request: HttpRequest, key: str) -> HttpResponse:
    """A file as it was attached, to be kept and never shown by the browser: what is in it, nobody here vouches for."""
    it = Attachment.objects.filter(key=clean_key(key)).first()
    if it is None:
        raise NotFound(f"There is no file {key[:60]}.", action="Look for it on the page of what it belongs to.")
    return HttpResponse(
        read(it.sha256),
        headers={
            "Content-Type": it.media_type,
            "Content-Disposition": content_disposition_header(True, it.name) or "attachment",
            "Content-Security-Policy": "default-src 'none'; sandbox",
            "X-Content-Type-Options": "nosniff",
        },
    )
