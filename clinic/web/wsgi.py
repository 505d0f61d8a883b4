"""Entry point of a production server."""

import os

from django.core.wsgi import get_wsgi_application

from clinic.web.limits import keep_limits
from clinic.web.starting import hold_data_folder, refuse_unsafe_database

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.web.settings")
application = get_wsgi_application()
keep_limits()
refuse_unsafe_database()
hold_data_folder()
