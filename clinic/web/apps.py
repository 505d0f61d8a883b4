from django.apps import AppConfig


class WebConfig(AppConfig):
    """The roof: pages and commands that need all apps."""

    name = "clinic.web"
    label = "web"

    def ready(self) -> None:
        from clinic.web import checks, health  # noqa: F401  # app ready
