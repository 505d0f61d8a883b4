"""Addresses of the client record and of episodes."""

from django.urls import path

from clinic.web.views import episodes, progress, record

urlpatterns = [
    path("clients/<int:pk>/", record.client_open, name="client-open"),
    path("clients/<int:pk>/progress/", progress.progress_open, name="progress-open"),
    path("clients/<int:pk>/episodes/new/", episodes.episode_new, name="episode-new"),
    path("episodes/<int:pk>/edit/", episodes.episode_edit, name="episode-edit"),
    path("episodes/<int:pk>/discharge/", episodes.episode_discharge, name="episode-discharge"),
]
