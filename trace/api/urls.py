"""The addresses under /api/v1/."""

from django.urls import path

from trace.api import answers, approvals, files, lists, operations
from trace.api.docs import Docs, Schema
from trace.api.intake import Intake
from trace.api.problems import Nowhere
from trace.api.things import make_router

app_name = "api"

urlpatterns = [
    *operations.make_routes(),
    *files.make_routes(),
    *lists.make_routes(),
    *approvals.make_routes(),
    *answers.make_routes(),
    path("intake/", Intake.as_view(), name="intake"),
    *make_router().urls,
    path("schema/", Schema.as_view(), name="schema"),
    path("<path:rest>", Nowhere.as_view(), name="nowhere"),
    path("", Docs.as_view(), name="docs"),
]
