"""Forms that carry what their page showed, so that only what was changed on it is saved."""

import json
from typing import Any


class SeenMixin:
    """Carries what the page showed, so that only what was changed on it is saved."""

    cleaned_data: dict[str, Any]

    def clean_seen(self) -> dict[str, Any]:
        try:
            found = json.loads(self.cleaned_data["seen"] or "{}")
        except ValueError:
            found = {}
        return found if isinstance(found, dict) else {}
