"""Every page in a browser: axe finds nothing, nothing runs out of the side, on a phone and in the dark too."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.web.conftest import Suspects, build_suspects, make_user
from tests.web.test_pages import NO_PAGES, addresses
from trace.engineering.models import Step
from trace.engineering.operations import revise_part

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

SIZES = {
    "desk": (1280, 900, "light", None),
    "dark": (1280, 900, "dark", ["color-contrast"]),
    "tablet": (820, 1180, "light", ["scrollable-region-focusable"]),
    "phone": (390, 844, "light", None),
}
"""And which of axe's rules, where not all: no other can find there what it did not find at a desk or on a phone."""
SHARES = 4
"""The pages are looked at in as many tests, which may run beside each other."""
WIDER = "found => found.filter(e => e.scrollWidth > e.clientWidth).map(e => e.parentElement.id || e.ariaLabel)"


@pytest.fixture
def suspects(transactional_db: None) -> Suspects:
    """With a step of a long name, and so many boards that tables have filters, one of which offers the steps."""
    found = build_suspects()
    Step.objects.update(name="Hand build-up: varistor, fuse, mains capacitor")
    found.plant.boards(20)
    return found


@pytest.mark.parametrize("share", range(SHARES))
def test_every_page_is_accessible_and_fits(
    page, suspects: Suspects, enter_as: Callable, accessible: Callable, shot: Callable, share: int
) -> None:
    enter_as(make_user())
    suspects.plant.do(revise_part, 70, part=suspects.plant.board, revision="B")
    others = {
        "draft": "/parts/BOARD-B/release/",
        "earlier": "/lots/K77/?at=2026-03-02T06:13",
        "cleared": f"/lots/K77/units/{suspects.cleared.key}/",
        "several": f"/units/{suspects.possible.key}/?find=R",
        "replaced": f"/units/{suspects.cleared.key}/?find=R1",
        "line": "/lots/K77/cost/?option=scrap&line=0",
        "choice": "/scan/?q=K7",
        "nowhere": "/nowhere/",
        "refused": "/lots/NONE/",
        "sought": f"/record/?kind=unit&key={suspects.product.key}&from=2026-03-02",
        "unfit": "/record/?who=NOBODY&from=never&kind=unit&key=NONE",
    }
    pages = [(name, path) for name, path in {**addresses(suspects), **others}.items() if name not in NO_PAGES]
    for name, address in pages[share::SHARES]:
        page.goto(address)
        for size, (width, height, scheme, rules) in SIZES.items():
            page.set_viewport_size({"width": width, "height": height})
            page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
            shot(f"{size} {name}")
            accessible(rules)
            assert page.evaluate("document.documentElement.scrollWidth") <= width, (name, size)
        assert page.locator(".scroll").evaluate_all(WIDER) == [], name


def test_on_a_phone_rows_stack_and_stay_a_table_to_be_read_out(page, suspects: Suspects, enter_as: Callable) -> None:
    enter_as(make_user())
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto("/floor/")
    assert page.locator("#floor-step option").count() > 1
    page.goto("/lots/K77/?units-counted=")
    table = page.locator("#table-units").get_by_role("table")
    assert table.get_by_role("row").count() == 6
    assert table.get_by_role("columnheader").first.inner_text() == "Sureness"
    first = table.get_by_role("row").nth(1)
    assert first.get_by_role("rowheader").count() == 1 and first.get_by_role("cell").count() == 7
    tops = first.get_by_role("cell").evaluate_all("cells => cells.map(cell => cell.getBoundingClientRect().top)")
    assert len(set(tops)) > 4  # below one another
