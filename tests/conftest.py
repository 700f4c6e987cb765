"""What every test stands on: quick passwords, a ledger that can be emptied, a browser with a page.

Which database a run used is in its header, `database: …`; CI reads it there.
"""

import gc
import os
import re
import shutil
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import hypothesis
import pytest
from django.conf import settings
from django.db import connection, transaction
from django.test import TransactionTestCase
from django.test.utils import override_settings

from tests.built_once import empty_tables
from tests.migrated import copy_database, remove_database
from tests.seeds import seed_of_commit

ARTIFACTS = Path(settings.BASE_DIR) / ".artifacts"

# A slow example is no failure: plants take long to build, and CI's machine may be slow. A run in CI is repeatable.
hypothesis.settings.register_profile("here", deadline=None)
hypothesis.settings.register_profile("ci", deadline=None, derandomize=True, print_blob=True)
hypothesis.settings.load_profile("ci" if os.environ.get("CI") else "here")


def pytest_report_header() -> str:
    return f"database: {connection.vendor}\nproof of this commit: PROOF_SEED={seed_of_commit()}"


def pytest_collection_finish() -> None:
    """What is there once tests are found stays to the end: the search for garbage leaves it out, and is made seldom."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(100_000, 50, 100)


@pytest.fixture(scope="session")
def django_db_keepdb() -> bool:
    """What `django_db_modify_db_settings` made is taken as it is."""
    return True


@pytest.fixture(scope="session")
def django_db_modify_db_settings(
    request: pytest.FixtureRequest, django_db_modify_db_settings_parallel_suffix: None, django_db_blocker
) -> Iterator[None]:
    with django_db_blocker.unblock():
        copy_database(request.config.cache.mkdir("migrated"))
    yield
    with django_db_blocker.unblock():
        remove_database()


@pytest.fixture(autouse=True, scope="session")
def _quick() -> Iterator[None]:
    """Passwords are hashed in no time, and no client of a test looks through all static files before its first page."""
    hashers = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    with override_settings(PASSWORD_HASHERS=hashers, WHITENOISE_AUTOREFRESH=True):
        yield


@pytest.fixture(autouse=True, scope="session")
def _emptied_ledger() -> Iterator[None]:
    """Transactional tests empty the tables afterwards, which the ledger's triggers refuse."""
    from trace.ledger import triggers

    def teardown(self: TransactionTestCase) -> None:
        with transaction.atomic():
            triggers.drop(connection)
            empty_tables()
            connection.check_constraints()  # no trigger is made on PostgreSQL before
            triggers.install(connection)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(TransactionTestCase, "_fixture_teardown", teardown)
        yield


@pytest.fixture(autouse=True, scope="session")
def _files_apart(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What tests attach is kept nowhere but in a folder of the run."""
    with override_settings(DATA_DIR=tmp_path_factory.mktemp("data")):
        yield


@pytest.fixture
def hardware() -> Callable[[str], bytes]:
    """The content of an open-hardware file kept beside the repository; without it CI fails, others skip."""

    def read(name: str) -> bytes:
        path = Path(settings.BASE_DIR).parent / "shared" / "data" / "hardware" / name
        if not path.exists():
            (pytest.fail if os.environ.get("CI") else pytest.skip)(f"{path} is not here")
        return path.read_bytes()

    return read


# Browser -------------------------------------------------------------------------------------------------------------

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
]


def find_chromium() -> str:
    """Where Debian's Chromium is. Without one: a failure in CI, elsewhere a skip."""
    found = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    return found or (pytest.fail if os.environ.get("CI") else pytest.skip)("no browser: apt-get install chromium")


@pytest.fixture(scope="session")
def browser():
    """Debian's Chromium, started once."""
    found = find_chromium()
    from playwright.sync_api import sync_playwright

    with pytest.MonkeyPatch.context() as patch, sync_playwright() as playwright:
        # Playwright runs an event loop in this thread, and Django refuses the database there unless told otherwise.
        patch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "true")
        chromium = playwright.chromium.launch(executable_path=found, args=FLAGS)
        yield chromium
        chromium.close()


LONGEST = 400
"""Seconds that a browser test may take, if it is not marked with another number: some calls of Playwright wait without
an end."""


@pytest.fixture
def _in_time(request: pytest.FixtureRequest) -> Iterator[None]:
    marked = request.node.get_closest_marker("longest")
    longest: int = marked.args[0] if marked else LONGEST

    def stop(*_: object) -> None:
        raise TimeoutError(f"a browser test took longer than {longest} s")

    signal.signal(signal.SIGALRM, stop)
    signal.alarm(longest)
    yield
    signal.alarm(0)


@pytest.fixture
def page(browser, live_server, _in_time):
    """A fresh page on the live server. A script error, a CSP violation, a lost file or a 5xx fails the test."""
    context = browser.new_context(
        base_url=live_server.url,
        viewport={"width": 1280, "height": 900},
        locale="en-GB",
        timezone_id="UTC",
        reduced_motion="reduce",
    )
    context.set_default_timeout(20_000)
    errors: list[str] = []
    page = context.new_page()

    def heed_console(message):
        # The console repeats every 4xx, a well-meant refusal too; `heed_response` tells them apart.
        if message.type == "error" and not message.text.startswith("Failed to load resource"):
            errors.append(message.text)

    def heed_response(response):
        if response.status >= 500 or (response.status == 404 and settings.STATIC_URL in response.url):
            errors.append(f"{response.status} {response.url}")

    page.on("console", heed_console)
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("response", heed_response)
    yield page
    context.close()
    assert not errors, errors


@pytest.fixture
def shot(page, request) -> Callable[[str], Path]:
    """`shot("answer")` keeps what the page shows now, whole, as a numbered picture under `.artifacts/`."""
    count = 0

    def take(step: str) -> Path:
        nonlocal count
        count += 1
        name = re.sub(r"[\W_]+", "-", f"{request.node.name} {count} {step}".lower())
        path = ARTIFACTS / f"{name}.png"
        page.screenshot(path=path, full_page=True)
        return path

    return take


@pytest.fixture
def enter_as(page, client, live_server) -> Callable[[object], None]:
    """`enter_as(user)`: the page's visitor is signed in, without the sign-in page."""

    def enter(user: object) -> None:
        client.force_login(user)
        session = client.cookies[settings.SESSION_COOKIE_NAME].value
        page.context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": session, "url": live_server.url}])

    return enter


@pytest.fixture
def accessible(page) -> Callable[..., None]:
    """`accessible()` fails with what axe finds wrong on the page as it is now, `accessible(rules)` by these alone."""
    from axe_playwright_python.sync_playwright import Axe

    axe = Axe()

    def check(rules: list[str] | None = None) -> None:
        only = {"runOnly": rules} if rules else {}
        results = axe.run(page, options={"resultTypes": ["violations"], **only})
        assert not results.violations_count, results.generate_report()

    return check
