"""Addresses of the programme and its handout."""

from django.urls import path

from clinic.web.views import programme

urlpatterns = [
    path("assessments/<int:pk>/programme/", programme.programme_open, name="programme-open"),
    path(
        "assessments/<int:pk>/programme/take-over/",
        programme.programme_take,
        name="programme-take",
    ),
    path("programmes/<int:pk>/accept/", programme.programme_accept, name="programme-accept"),
    path("programmes/<int:pk>/add/", programme.programme_add, name="programme-add"),
    path(
        "programmes/<int:pk>/agreement/", programme.programme_agreement, name="programme-agreement"
    ),
    path("programmes/<int:pk>/advice/", programme.programme_advice, name="programme-advice"),
    path("programmes/<int:pk>/issue/", programme.programme_issue, name="programme-issue"),
    path("programmes/<int:pk>/handout.pdf", programme.handout_print, name="handout-print"),
    path("programmes/<int:pk>/handout/", programme.handout_page, name="handout-page"),
    path("programme-items/<int:pk>/", programme.programme_item, name="programme-item"),
]
