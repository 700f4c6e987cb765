from django.apps import AppConfig


class TraceConfig(AppConfig):
    name = "trace"
    label = "trace"
    verbose_name = "Traceability"
