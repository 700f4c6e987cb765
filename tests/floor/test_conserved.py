"""Children and parts are conserved through any sequence of fit, remove, swap, salvage, scrap: each is in one place."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from tests.factories import Plant, ticks
from trace.core.errors import Refusal
from trace.floor.models import Fitting, Salvage, Unit
from trace.floor.operations.fittings import fit_child, fit_part, remove_part
from trace.floor.operations.orders import scrap_unit
from trace.floor.operations.swaps import swap_child
from trace.genealogy.backward import trace_backward
from trace.genealogy.whereabouts import Place, find_whereabouts
from trace.material.models import Container

DEEDS = st.tuples(
    st.sampled_from(["fit", "fit", "remove", "swap", "swap", "scrap", "fuse", "fuse", "pull", "keep", "pour"]),
    st.integers(0, 1),
    st.integers(0, 2),
)


class Conserved(TestCase):
    """Two products, three boards, a box of fuses, beside plain books of where each of them is."""

    @settings(max_examples=5, phases=[Phase.generate])
    @given(st.lists(DEEDS, min_size=4, max_size=16))
    def test_nothing_is_lost_and_nothing_is_in_two_places(self, deeds: list[tuple[str, int, int]]) -> None:
        plant = Plant()
        boards, products = plant.boards(3), plant.products(2)
        for board in boards:
            plant.finish(board, 1)
        fuses, bag = plant.reel("FUSES", plant.fuse), plant.reel("BAG", plant.fuse)
        home: dict[int, int] = {}  # board: product
        scrapped: set[int] = set()
        fuse: dict[int, str] = {}  # product: the container of the fuse that it has
        taken: Counter[str] = Counter()
        kept: list[tuple[str, str]] = []  # from which container, into which
        minute = 10

        def tell(operation: Callable, may: bool, **told: object) -> bool:
            try:
                plant.do(operation, minute, **told)
            except Refusal as refusal:
                assert not may, refusal
                return False
            assert may, (operation, told)
            return True

        for deed, p, b in deeds:
            minute += 1
            product, board = products[p], boards[b]
            there = next((one for one, where in home.items() if where == product.pk), None)
            loose = board.pk not in home and board.pk not in scrapped
            place = {"unit": product, "designator": "M1"}
            whole = product.pk not in scrapped
            if deed == "fit":
                if tell(fit_child, there is None and loose and whole, **place, child=board):
                    home[board.pk] = product.pk
            elif deed == "remove":
                if tell(remove_part, there is not None, **place, reason="noisy", goes_to="RW1"):
                    del home[there or 0]
            elif deed == "swap":
                may = there is not None and loose and whole
                if tell(swap_child, may, **place, child=board, reason="noisy", goes_to="RW1"):
                    del home[there or 0]
                    home[board.pk] = product.pk
            elif deed == "scrap":
                unit = board if b else product
                if tell(scrap_unit, unit.pk not in scrapped, unit=unit, reason="dropped"):
                    scrapped.add(unit.pk)
            elif deed == "fuse":
                box = (fuses, bag)[b % 2]
                if tell(fit_part, whole, unit=product, designator="F1", container=box, reason="as designed"):
                    fuse[product.pk] = box.key
                    taken[box.key] += 1
            elif deed in ("pull", "keep", "pour"):
                had = fuse.get(product.pk)
                told = {"keep": {"salvage": f"KEPT-{minute}"}, "pour": {"into": bag}}.get(deed, {})
                gone = Fitting.objects.filter(unit=product, designator="F1", holds="nothing", until=None).exists()
                if tell(remove_part, not gone, unit=product, designator="F1", reason="blown", **told):
                    fuse.pop(product.pk, None)
                    if told:
                        kept.append((had or "", "BAG" if deed == "pour" else f"KEPT-{minute}"))
        self.compare(products, boards, home, scrapped, fuse, taken, kept, minute)

    def compare(
        self,
        products: list[Unit],
        boards: list[Unit],
        home: dict[int, int],
        scrapped: set[int],
        fuse: dict[int, str],
        taken: Counter[str],
        kept: list[tuple[str, str]],
        minute: int,
    ) -> None:
        """The record against the books."""
        standing = Fitting.objects.filter(child__in=boards, until=None, superseded=None)
        assert sorted(standing.values_list("child", "unit")) == sorted(home.items())
        where = find_whereabouts([board.pk for board in boards], ticks(minute + 1))
        names = {product.pk: product.key for product in products}
        for board in boards:
            place = where[board.pk]
            if board.pk in scrapped:
                assert place.kind == Place.SCRAPPED
            elif board.pk in home:
                assert (place.kind, place.key) == (Place.FITTED, names[home[board.pk]])
            else:
                assert place.kind == Place.FINISHED
        for product in products:
            built = trace_backward(product)
            assert {child.key for child in built.children} == {
                board.key for board in boards if home.get(board.pk) == product.pk
            }
            (place,) = [one for one in built.places if one.designator == "F1"]
            assert [o.container for e in place.standing for o in e.origins] == [*filter(None, [fuse.get(product.pk)])]
        fitted = Fitting.objects.filter(designator="F1", holds="container", superseded=None)
        assert Counter(fitted.values_list("container__key", flat=True)) == taken
        assert sorted(Salvage.objects.values_list("result__key", flat=True)) == sorted(into for _, into in kept)
        assert {key for _, key in kept} <= set(Container.objects.values_list("key", flat=True))
