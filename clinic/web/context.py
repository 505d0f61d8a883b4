from typing import Any

from django.http import HttpRequest


def page(request: HttpRequest) -> dict[str, Any]:
    return {}
