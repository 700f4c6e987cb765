"""The browser, the live server and the content security policy work together before any page of ours does."""

import pytest

pytestmark = pytest.mark.browser


def test_a_page_loads_with_its_styles_under_the_policy(page, shot) -> None:
    response = page.goto("/admin/login/")
    assert response.status == 200
    assert "script-src 'self'" in response.headers["content-security-policy"]
    assert page.locator("link[rel=stylesheet]").first.evaluate("link => link.sheet !== null")
    assert shot("sign-in").stat().st_size > 1000
