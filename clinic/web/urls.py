"""Addresses of the whole site."""

from django.urls import include, path

urlpatterns = [path("accounts/", include("allauth.account.urls"))]
