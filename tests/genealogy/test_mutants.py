"""A rule that is broken on purpose is found by the comparison with the oracle: otherwise it would prove nothing."""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Callable
from copy import deepcopy
from dataclasses import replace
from typing import Any

import pytest

from tests.genealogy.shop import Shop
from tests.genealogy.test_oracle import Deed, run
from tests.genealogy.world import FAMILIES, FLOOR, FOUND, MATERIAL, REPAIRS, STOCK, UNDONE
from trace.core.clock import OPEN
from trace.floor import draws, when
from trace.floor.operations import corrections, feeds, findings, passes
from trace.floor.when import When
from trace.genealogy import backward, beside, climbing, forward, places, rules, strangers, suspicion, verdicts
from trace.genealogy.intervals import Ranges
from trace.material import rules as material_rules
from trace.material import spans
from trace.material.models import Feed, FeedRecord

pytestmark = [pytest.mark.django_db, pytest.mark.mutants]

MOST = 120
"""So many plants are tried for another that shows a mutant, where the one it names no longer does."""

Patch = Callable[[pytest.MonkeyPatch], None]
MUTANTS: dict[str, tuple[str, int, Patch]] = {}


def mutant(family: str, seed: int) -> Callable[[Patch], Patch]:
    """Registers a mutant, the kind of plants in which it shows, and one that shows it."""

    def register(patch: Patch) -> Patch:
        MUTANTS[patch.__name__] = family, seed, patch
        return patch

    return register


@mutant("feeds", 0)
def unknown_is_nothing(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(verdicts, "where_unknown", lambda *_: {})


@mutant("proved", 37)
def unknown_may_be_what_is_proved_elsewhere(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(suspicion, "_prove_elsewhere", lambda _: None)


@mutant("feeds", 5)
def a_blurred_change_is_taken_as_exact(patch: pytest.MonkeyPatch) -> None:
    reckon = draws.reckon
    patch.setattr(
        draws, "reckon", lambda records, *a, **k: reckon([replace(r, first=r.last) for r in records], *a, **k)
    )


@mutant("feeds", 29)
def a_splice_settles_a_part_too_early(patch: pytest.MonkeyPatch) -> None:
    used_up = material_rules._used_up
    patch.setattr(material_rules, "_used_up", lambda parts, *rest: used_up(max(parts - 1, 0), *rest))


@mutant("feeds", 4)
def a_top_up_ends_what_was_there(patch: pytest.MonkeyPatch) -> None:
    reckon = draws.reckon
    act = {"top-up": "load"}
    patch.setattr(
        draws,
        "reckon",
        lambda records, *a, **k: reckon([replace(r, act=act.get(r.act, r.act)) for r in records], *a, **k),
    )


@mutant("feeds", 6)
def the_error_of_a_change_is_forgotten(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(when, "to_error", lambda error: 0)


@mutant("floor", 7)
def the_error_of_a_pass_is_forgotten(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(passes, "to_error", lambda error: 0)


@mutant("feeds", 79)
def the_order_of_a_sheet_is_forgotten(patch: pytest.MonkeyPatch) -> None:
    for module in (when, passes):
        patch.setattr(module, "place", lambda axis, began, ended, **_: (began, ended))


@mutant("feeds", 51)
def what_was_poured_on_shows_what_was_there(patch: pytest.MonkeyPatch) -> None:
    def last_done(feed: Feed, when: When) -> int:
        done = FeedRecord.objects.filter(feed=feed, last__lte=when.last).exclude(act=FeedRecord.Act.SEEN_AWAY)
        return max(done.values_list("last", flat=True), default=0)

    patch.setattr(feeds, "_last_shown", last_done)


@mutant("feeds", 14)
def what_was_seen_away_is_still_there(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(material_rules, "_left_since", lambda *_: None)


@mutant("feeds", 29)
def nothing_goes_with_what_left_unseen(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(material_rules, "_gone_with", lambda *_: set())


@mutant("feeds", 2)
def what_was_counted_lasts_for_ever(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(material_rules, "_exhausted", lambda *_: None)


@mutant("tapes", 0)
def a_slipped_count_is_off_from_the_finding_only(patch: pytest.MonkeyPatch) -> None:
    count_anew = corrections._count_anew
    patch.setattr(
        corrections,
        "_count_anew",
        lambda entry, found, slip: (
            count_anew(entry, found, slip) if entry.first >= found else (entry.first, entry.last)
        ),
    )


@mutant("repairs", 73)
def nothing_derives_from_what_is_taken_off(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(spans, "_keep_remainders", lambda *_: None)


@mutant("relays", 0)
def certain_by_container_and_not_by_the_whole_set(patch: pytest.MonkeyPatch) -> None:
    judge = verdicts.judge_feed

    def alone(supplies: Any, suspects: dict[int, Any], **details: Any) -> Any:
        whole = judge(supplies, suspects, **details)
        each = [judge(supplies, {pk: suspect}, **details).certain for pk, suspect in suspects.items()]
        return replace(whole, certain=Ranges(r for certain in each for r in certain))

    patch.setattr(verdicts, "judge_feed", alone)


@mutant("feeds", 0)
def certain_when_any_candidate_is_suspect(patch: pytest.MonkeyPatch) -> None:
    judge = verdicts.judge_feed

    def any_of(*a: Any, **k: Any) -> Any:
        verdict = judge(*a, **k)
        return replace(verdict, certain=verdict.possible)

    patch.setattr(verdicts, "judge_feed", any_of)


@mutant("feeds", 10)
def a_charge_is_always_surely_in_the_bath(patch: pytest.MonkeyPatch) -> None:
    supply = beside.Supply
    patch.setattr(beside, "Supply", lambda c, first, end, _, *rest: supply(c, first, end, first, *rest))


@mutant("floor", 13)
def an_unsure_pass_drew_surely(patch: pytest.MonkeyPatch) -> None:
    happening = places.Happening
    patch.setattr(places, "Happening", lambda began, ended, _, *rest: happening(began, ended, True, *rest))


@mutant("repairs", 0)
def what_was_displaced_still_rules(patch: pytest.MonkeyPatch) -> None:
    for module in (rules, backward):
        patch.setattr(module, "split_standing", lambda happenings: (list(happenings), []))


@mutant("repairs", 0)
def salvage_is_forgotten(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(forward, "salvage_judge", lambda at: lambda evidence: set())


@mutant("stock", 1)
def a_merge_counts_from_the_beginning(patch: pytest.MonkeyPatch) -> None:
    close = verdicts.close_over_derivations
    patch.setattr(
        verdicts, "close_over_derivations", lambda *a: {pk: replace(s, since=0) for pk, s in close(*a).items()}
    )


@mutant("stock", 46)
def what_is_mixed_is_wholly_suspect(patch: pytest.MonkeyPatch) -> None:
    close = verdicts.close_over_derivations
    patch.setattr(
        verdicts, "close_over_derivations", lambda *a: {pk: replace(s, whole_until=OPEN) for pk, s in close(*a).items()}
    )


@mutant("changeovers", 14)
def a_pass_draws_under_its_last_set_up_only(patch: pytest.MonkeyPatch) -> None:
    by_pass = places._by_pass
    patch.setattr(
        places, "_by_pass", lambda rows: {p: {max(under): under[max(under)]} for p, under in by_pass(rows).items()}
    )
    join = verdicts.join_verdicts
    patch.setattr(verdicts, "join_verdicts", lambda runs: join([(v, 0, OPEN) for v, _, end in runs if end == OPEN]))


@mutant("families", 0)
def a_parent_carries_nothing_of_its_children(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(rules.Finding, "while_inside", lambda *_, sure: rules.NOTHING)


@mutant("families", 0)
def a_parent_keeps_what_its_children_took_away(patch: pytest.MonkeyPatch) -> None:
    inherit = rules.Finding.while_inside
    patch.setattr(rules.Finding, "while_inside", lambda child, since, _, sure: inherit(child, since, OPEN, sure=sure))


@mutant("found", 0)
def an_unknown_child_is_no_unit_at_all(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(climbing, "find_strangers", lambda *_: [])


@mutant("found", 41)
def an_unknown_child_is_any_unit_of_the_part(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(strangers, "_list_proofs", lambda *_: defaultdict(list))


@mutant("found", 39)
def a_child_that_was_lost_stays_where_it_was(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(findings, "_end", lambda fitting, moment, gone: end(fitting, moment, gone=False))


@mutant("found", 0)
def what_was_found_had_just_come(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(findings, "_since", lambda standing, unit: OPEN)


@mutant("undone", 1)
def what_a_voided_fitting_ended_stays_ended(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(corrections, "_stood_before", lambda fitting: None)


@mutant("undone", 61)
def what_a_voided_fitting_bounded_stays_bounded(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(corrections, "end_anew", lambda *_: None)


end = findings._end

PLANTS_OF = {
    "feeds": (["load", "charge", "visit"], MATERIAL + ["visit"] * 6 + ["finish"]),
    "proved": (["load", "load", "load"], [*["load"] * 4, *["visit"] * 7, "finish"]),
    "relays": (["load", "load"], ["load", "load", "visit", "visit", "relay", "relay", "merge"]),
    "floor": (["load", "load", "load", "visit"], ["load", "visit", "visit", "visit", "rack", "finish", "repair"]),
    "stock": (["load", "load", "load"], [*STOCK, "merge", "merge", "split", *MATERIAL, *FLOOR, "repair", "repair"]),
    "tapes": (
        ["start_tape", "load_head", "load_head", *["finish"] * 5, "load_head"],
        ["load_head", "finish", "slip", "slip"],
    ),
    "repairs": (["load", "load", "finish", "finish"], REPAIRS),
    "changeovers": (["load", "load", "load"], [*["visit"] * 4, "finish", "load", "change_over", "repair", "take_off"]),
    "families": (["load", "finish", "finish", "finish", "child", "child"], FAMILIES),
    "found": (["load", *["finish"] * 7, "child", "child", "child"], FOUND),
    "undone": (["load", *["finish"] * 4, "child", "child"], UNDONE),
    "inside": (["load", "load", "load"], [*["enter", "leave"] * 3, "visit", "load", "void"]),
}


def history(family: str, seed: int) -> list[Deed]:
    chance = random.Random(seed)
    first, deeds = PLANTS_OF[family]
    names = [*first, *chance.choices(deeds, k=18)]
    return [(name, *(chance.randrange(60) for _ in range(3))) for name in names]  # type: ignore[misc]


Play = Callable[[Shop, list[Deed]], object]


def shows(shop: Shop, family: str, seed: int, play: Play = run) -> bool:
    """Whether playing a plant finds something wanting."""
    log = deepcopy(shop.log)
    try:
        play(shop, history(family, seed))
    except AssertionError:
        return True
    finally:
        shop.log = log
    return False


def check_found(shop: Shop, family: str, seed: int, break_rule: Callable[[], None], play: Play = run) -> None:
    """What is broken shows in this plant, in which nothing was found wanting before."""
    assert not shows(shop, family, seed, play), "the rules themselves are found wanting"
    break_rule()
    if not shows(shop, family, seed, play):
        another = next((seed for seed in range(MOST) if shows(shop, family, seed, play)), None)
        pytest.fail(f"it is told from the rules by another plant now, to be named in its place: {another}")


@pytest.mark.parametrize("name", MUTANTS)
def test_a_mutant_is_found(shop: Shop, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    family, seed, patch = MUTANTS[name]
    check_found(shop, family, seed, lambda: patch(monkeypatch))
