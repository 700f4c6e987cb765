"""The application with the page of `bench.py`, for a server that a test starts and stops."""

from django.conf import settings

import config.wsgi
from trace.core.permissions import PAGES, STATIONS

settings.ROOT_URLCONF = "tests.web.bench"
PAGES["bench"] = STATIONS  # type: ignore[index]
application = config.wsgi.application
