"""`manage.py screenshot`: the README's picture, a lot's page of the demo plant, taken by a headless browser."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.core.servers.basehttp import ThreadedWSGIServer, WSGIRequestHandler, get_internal_wsgi_application
from django.test import Client, override_settings

from trace.core.models import User
from trace.demo.stories import DRIFTING_LOT
from trace.material.models import Lot

PICTURE = Path(settings.BASE_DIR) / "fixtures" / "readme" / "lot-page.png"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]
FLAGS += ["--disable-component-update", "--disable-sync", "--disable-dev-shm-usage"]
BROWSERS = ("chromium", "chromium-browser", "google-chrome")


class Quiet(WSGIRequestHandler):
    """Serves without a line per request."""

    def log_message(self, format: str, *args: Any) -> None:
        pass


class Command(BaseCommand):
    help = "Take the README's picture from the demo plant: build that first, with manage.py demo."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--lot", default=DRIFTING_LOT, help=f"the lot whose page is shown ({DRIFTING_LOT})")
        parser.add_argument("--output", type=Path, default=PICTURE, help="where to write the picture")
        parser.add_argument("--width", type=int, default=1280)
        parser.add_argument("--height", type=int, default=1000)
        parser.add_argument("--dark", action="store_true", help="in the dark theme")

    def handle(self, *args: Any, **options: Any) -> None:
        user = User.objects.filter(is_active=True, person__isnull=False).order_by("pk").first()
        if user is None or not Lot.objects.filter(key=options["lot"]).exists():
            raise CommandError("The demo plant is not here. Build it first: python3 manage.py demo --no-serve")
        client = Client()
        client.force_login(user)
        cookie = client.cookies[settings.SESSION_COOKIE_NAME].value
        try:
            with override_settings(SECURE_SSL_REDIRECT=False), serving() as address:
                take(f"{address}/lots/{options['lot']}/", address, cookie, options)
        finally:
            client.logout()
        self.stdout.write(f"{options['output']}")


@contextmanager
def serving() -> Iterator[str]:
    """The pages on a free port of this machine, while it lasts."""
    server = ThreadedWSGIServer(("127.0.0.1", 0), Quiet)
    server.set_app(get_internal_wsgi_application())
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def take(page: str, address: str, cookie: str, options: dict[str, Any]) -> None:
    """Open a page signed in and write what it shows at first sight. CommandError without a browser."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        raise CommandError("Playwright is not installed; python3 manage.py test installs it.") from None
    browser = next(filter(None, map(shutil.which, BROWSERS)), None)
    if browser is None:
        raise CommandError("There is no browser: apt-get install chromium")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=browser, args=FLAGS)
        context = chromium.new_context(
            viewport={"width": options["width"], "height": options["height"]},
            color_scheme="dark" if options["dark"] else "light",
            locale="en-GB",
            reduced_motion="reduce",
        )
        context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": cookie, "url": address}])
        shown = context.new_page()
        response = shown.goto(page)
        if response is None or response.status != 200:
            raise CommandError(f"{page} answered {response.status if response else 'nothing'}.")
        # The scan line's cursor blinks: the picture is to be the same each time.
        shown.evaluate("document.activeElement.blur()")
        options["output"].parent.mkdir(parents=True, exist_ok=True)
        shown.screenshot(path=options["output"])
        chromium.close()
