"""The simulated plants, and that what they prove they would not prove of broken rules.

A few plants with every commit, of a seed of its own that the run's header prints; `manage.py prove --deep` tries
many.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from django.db import transaction

from tests.seeds import seed_of_commit
from trace.core.clock import OPEN
from trace.demo.simulator.bulk import record_many
from trace.demo.simulator.disturbances import KINDS
from trace.demo.simulator.layout import Layout, lay_out
from trace.demo.simulator.narrowest import Narrowest
from trace.demo.simulator.proof import Size, judge, plan, play, prove, try_plant
from trace.demo.simulator.report import report, tell_failure
from trace.demo.simulator.shrinking import shrink
from trace.demo.simulator.truth import Tally, answer, questions
from trace.floor import draws
from trace.genealogy import places, rules, verdicts
from trace.material import rules as material_rules
from trace.material import spans

pytestmark = pytest.mark.django_db

SMALL = Size(20, 8)


def test_some_plants_of_this_commit() -> None:
    seed, total = seed_of_commit(), Tally()
    for verdict in prove(range(seed, seed + 5), SMALL):
        assert not verdict.faults, "\n" + tell_failure(verdict, "small")
        total.add(verdict.tally)
    assert total.carriers and total.certain and total.possible and total.reasoned, report(total)
    assert total.impossible == 0, "true carriers that the reasoning did not allow"


@pytest.fixture
def layout() -> Layout:
    return lay_out()


def test_a_plant_comes_out_the_same_from_its_seed(layout: Layout) -> None:
    stories = []
    for _ in range(2):
        with transaction.atomic():
            stories.append(play(layout, plan(3, SMALL)).story)
            transaction.set_rollback(True)
    assert stories[0] == stories[1] and len(stories[0]) > 50


def test_a_swap_that_nothing_shows_is_counted_apart(layout: Layout) -> None:
    total = Tally()
    for seed in range(12):
        total.add(try_plant(layout, seed, plan(seed, Size(16, 5), ["swap never seen"]))[0])
        assert not total.faults
        if total.hidden:
            return
    pytest.fail("no swap changed an answer")


def test_repairs_salvage_and_swaps_go_through_the_floors_operations(layout: Layout) -> None:
    wanted = {
        "diagnose_fault", "record_repair with container", "record_repair with child", "record_repair with keep",
        "record_repair with returns", "salvage of a part", "salvage of a child", "swap_child",
    }  # fmt: skip
    told: set[str] = set()
    for seed in range(MOST):
        with transaction.atomic():
            plant = play(layout, plan(seed, Size(10, 8), ["replaced", "salvaged", "child moved"]))
            transaction.set_rollback(True)
        for one in plant.told:
            given = one.arguments
            told |= {one.verb, *(f"{one.verb} with {name}" for name, value in given.items() if value)}
            kept = given.get("salvage", {}).values() if one.verb == "scrap_unit" else ()
            told |= {f"salvage of a {'part' if label else 'child'}" for label in kept}
        if told >= wanted:
            return
    pytest.fail(f"never done: {wanted - told}")


def test_an_answer_is_held_against_what_the_records_allow(layout: Layout) -> None:
    """Where nothing went wrong the system names whom the records allow, and no others."""
    with transaction.atomic():
        plant = play(layout, [deed for deed in plan(4, Size(24, 0)) if deed.name != "verify"])
        reasoning = Narrowest(plant)
        for question in questions(plant, random.Random(0)):
            if question.at == OPEN and question.what == "lot":
                certain, possible = answer(question)
                assert certain <= reasoning.carriers("lot", question.key) <= certain | possible
        transaction.set_rollback(True)


def test_a_large_run_in_batches_is_answered_exactly(layout: Layout) -> None:
    bulk = record_many(layout, 1_100)
    assert bulk.boards == 1_100 and not bulk.wrong


def test_shrinking_keeps_what_fails() -> None:
    assert sorted(shrink(list(range(40)), lambda kept: {3, 31} <= set(kept))) == [3, 31]


def test_every_kind_says_what_happens_and_what_is_recorded() -> None:
    assert all(kind.does and kind.recorded for kind in KINDS.values())


# Mutants -------------------------------------------------------------------------------------------------------------

MOST = 12
"""The most plants that a broken rule may survive."""

Patch = Callable[[pytest.MonkeyPatch], None]
MUTANTS: dict[str, tuple[list[str], Patch]] = {}


def mutant(*kinds: str) -> Callable[[Patch], Patch]:
    """Registers a mutant and the disturbances in which it shows."""

    def register(patch: Patch) -> Patch:
        MUTANTS[patch.__name__] = list(kinds), patch
        return patch

    return register


@mutant("found later")
def there_is_no_unknown(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(verdicts, "where_unknown", lambda *_: {})
    reckon = draws.reckon

    def known_only(*a: Any, **k: Any) -> Any:
        found = reckon(*a, **k)
        return replace(found, spans=[span for span in found.spans if span.container])

    patch.setattr(draws, "reckon", known_only)


@mutant("recorded late", "change with a board open")
def a_change_is_never_blurred(patch: pytest.MonkeyPatch) -> None:
    reckon = draws.reckon
    patch.setattr(
        draws, "reckon", lambda records, *a, **k: reckon([replace(r, first=r.last) for r in records], *a, **k)
    )


@mutant("part-used, returned")
def nothing_derives_from_what_is_taken_off(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(spans, "_keep_remainders", lambda *_: None)


@mutant("splice")
def a_splice_settles_too_early(patch: pytest.MonkeyPatch) -> None:
    used_up = material_rules._used_up
    patch.setattr(material_rules, "_used_up", lambda parts, *rest: used_up(max(parts - 2, 0), *rest))


@mutant("top-up", "miscount")
def a_pour_ends_what_was_there(patch: pytest.MonkeyPatch) -> None:
    reckon, act = draws.reckon, {"top-up": "load"}
    patch.setattr(
        draws,
        "reckon",
        lambda records, *a, **k: reckon([replace(r, act=act.get(r.act, r.act)) for r in records], *a, **k),
    )


@mutant("top-up", "merge")
def certain_when_any_candidate_is_suspect(patch: pytest.MonkeyPatch) -> None:
    judge_feed = verdicts.judge_feed

    def any_of(*a: Any, **k: Any) -> Any:
        verdict = judge_feed(*a, **k)
        return replace(verdict, certain=verdict.possible)

    patch.setattr(verdicts, "judge_feed", any_of)


@mutant("aborted", "repeated")
def an_unsure_pass_drew_surely(patch: pytest.MonkeyPatch) -> None:
    happening = places.Happening
    patch.setattr(places, "Happening", lambda began, ended, _, *rest: happening(began, ended, True, *rest))


@mutant("child moved")
def a_parent_carries_nothing_of_its_children(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(rules.Finding, "while_inside", lambda *_, sure: rules.NOTHING)


@pytest.mark.mutants
@pytest.mark.parametrize("name", MUTANTS)
def test_a_broken_rule_is_found(layout: Layout, name: str) -> None:
    kinds, patch = MUTANTS[name]

    def fails(seed: int) -> bool:
        with transaction.atomic():
            faults = judge(play(layout, plan(seed, Size(30, 10), kinds)), seed).faults
            transaction.set_rollback(True)
        return bool(faults)

    for seed in range(MOST):
        with pytest.MonkeyPatch.context() as broken:
            patch(broken)
            found = fails(seed)
        if found:
            assert not fails(seed), "the rules themselves are found wanting"
            return
    pytest.fail(f"{MOST} plants do not tell {name} from the rules")
