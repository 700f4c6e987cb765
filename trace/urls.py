"""Routes, and who answers when there is none."""

from django.contrib import admin
from django.urls import include, path

from trace.web.views import (
    approvals,
    building,
    calendar,
    entry,
    equipment,
    home,
    kiosk,
    lists,
    mounting,
    record,
    revisions,
    suspects,
    tapes,
    things,
    units,
)

handler403 = "trace.web.views.entry.forbidden"
handler404 = "trace.web.views.entry.not_found"

THINGS = {
    "part": ("parts", "part"),
    "station": ("stations", "station"),
    "feed": ("feeds", "feed"),
    "setup": ("set-ups", "setup"),
    "workorder": ("orders", "order"),
    "carton": ("cartons", "carton"),
    "shipment": ("shipments", "shipment"),
    "customer": ("customers", "customer"),
    "supplier": ("suppliers", "supplier"),
    "person": ("people", "person"),
}
"""Kinds with a thin page: the address it stands under, the route's name."""

urlpatterns = [
    path("", home.home, name="home"),
    path("floor/", home.floor, name="floor"),
    path("sign-in/", entry.SignIn.as_view(), name="sign-in"),
    path("sign-out/", entry.SignOut.as_view(), name="sign-out"),
    path("badge/", kiosk.BadgePage.as_view(), name="badge"),
    path("device/", kiosk.DevicePage.as_view(), name="device"),
    path("scan/", entry.scan, name="scan"),
    path("record/", record.record, name="record"),
    path("record/<int:number>/", record.entry, name="entry"),
    path("lots/<str:key>/", suspects.lot, name="lot"),
    path("lots/<str:key>/cost/", suspects.lot_cost, name="lot-cost"),
    path("lots/<str:key>/units/<str:serial>/", suspects.lot_unit, name="lot-unit"),
    path("containers/<str:key>/", suspects.container, name="container"),
    path("containers/<str:key>/cost/", suspects.container_cost, name="container-cost"),
    path("containers/<str:key>/units/<str:serial>/", suspects.container_unit, name="container-unit"),
    path("units/<str:key>/", units.unit, name="unit"),
    path("parts/<str:key>/revisions/", revisions.revisions, name="revisions"),
    path("parts/<str:key>/revisions/<str:other>/", revisions.compared, name="compared"),
    path("lists/", lists.lists, name="lists"),
    path("lists/<str:name>/", lists.one_list, name="list"),
    path("lists/<str:name>/csv/", lists.download, name="list-csv"),
    path("calendar/", calendar.calendar, name="calendar"),
    path("calendar/set/", calendar.set_calendar, name="set-calendar"),
    path("tapes/", tapes.tapes, name="tapes"),
    path("tapes/new/", tapes.plan, name="plan-tape"),
    path("tapes/<str:key>/", tapes.tape, name="tape"),
    path("tapes/<str:key>/build/", building.build, name="build-tape"),
    path("tapes/<str:key>/mount/", mounting.mount, name="mount-tape"),
    path("equipment/", equipment.equipment_list, name="equipment-list"),
    path("equipment/<str:key>/", equipment.equipment, name="equipment"),
    path("equipment/<str:key>/use/", equipment.use, name="use-equipment"),
    path("deviations/", approvals.deviations, name="deviations"),
    path("deviations/open/", approvals.new_deviation, name="open-deviation"),
    path("deviations/<str:key>/", approvals.deviation, name="deviation"),
    path("deviations/<str:key>/revoke/", approvals.revoke, name="revoke-deviation"),
    path("sign/<str:kind>/<str:key>/", approvals.sign_record, name="sign"),
    path("attach/<str:kind>/<str:key>/", approvals.attach, name="attach"),
    path("attachments/<str:key>/", approvals.attachment, name="attachment"),
    *(
        path(f"{address}/<str:key>/", things.thing, {"kind": kind}, name=name)
        for kind, (address, name) in THINGS.items()
    ),
    path("admin/", admin.site.urls),
    path("api/v1/", include("trace.api.urls")),
]
