"""Entry point of a production server."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.web.settings")
application = get_wsgi_application()
