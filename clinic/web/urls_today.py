"""Address of the first page."""

from django.urls import path

from clinic.web.views import today

urlpatterns = [path("", today.today, name="today")]
