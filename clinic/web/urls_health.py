from django.urls import path

from clinic.web.views.health import health

urlpatterns = [path("health/", health, name="health")]
