"""Routes, and who answers when there is none."""

from django.contrib import admin
from django.urls import include, path

from trace.web.views import (
    approvals,
    calendar,
    entry,
    equipment,
    feeding,
    home,
    inspection,
    kiosk,
    lists,
    material,
    receiving,
    record,
    revisions,
    stock,
    suspects,
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
    "tape": ("tapes", "tape"),
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
    path("material/containers/<str:key>/", stock.stock, name="stock"),
    path("feeds/<str:key>/do/", feeding.feeding, name="feeding"),
    path("material/counts/", stock.counts, name="counts"),
    path("material/calls/", stock.calls, name="calls"),
    path("units/<str:key>/", units.unit, name="unit"),
    path("parts/<str:key>/revisions/", revisions.revisions, name="revisions"),
    path("parts/<str:key>/revisions/<str:other>/", revisions.compared, name="compared"),
    path("parts/<str:key>/release/", revisions.release, name="release"),
    path("parts/<str:key>/retire/", revisions.retire, name="retire"),
    path("lists/", lists.lists, name="lists"),
    path("lists/<str:name>/", lists.one_list, name="list"),
    path("lists/<str:name>/csv/", lists.download, name="list-csv"),
    path("material/", material.material, name="material"),
    path("material/receive/", receiving.receive, name="receive"),
    path("material/deliveries/", material.deliveries, name="deliveries"),
    path("material/deliveries/<str:key>/", material.delivery, name="delivery"),
    path("material/inspect/", inspection.inspections, name="inspections"),
    path("material/inspect/<str:key>/", inspection.inspect, name="inspect"),
    path("material/early-use/", inspection.early_use, name="early-use"),
    path("calendar/", calendar.calendar, name="calendar"),
    path("calendar/set/", calendar.set_calendar, name="set-calendar"),
    path("equipment/", equipment.equipment_list, name="equipment-list"),
    path("equipment/<str:key>/", equipment.equipment, name="equipment"),
    path("equipment/<str:key>/use/", equipment.use, name="use-equipment"),
    path("equipment/<str:key>/move/", equipment.move, name="move-equipment"),
    path("equipment/<str:key>/retire/", equipment.retire, name="retire-equipment"),
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
