"""Addresses of letters, papers and slips."""

from django.urls import path

from clinic.web.views import papers, slips

urlpatterns = [
    path("clients/<int:pk>/letters/new/", papers.letter_new, name="letter-new"),
    path("assessments/<int:pk>/referral/", papers.referral_new, name="referral-new"),
    path("papers/<int:pk>/", papers.paper_open, name="paper-open"),
    path("papers/<int:pk>/sign/", papers.paper_sign, name="paper-sign"),
    path("papers/<int:pk>/pdf/", papers.paper_pdf, name="paper-pdf"),
    path("papers/<int:pk>/page/", papers.paper_page, name="paper-page"),
    path("papers/<int:pk>/send/", papers.paper_send, name="paper-send"),
    path("papers/<int:pk>/version/", papers.paper_version, name="paper-version"),
    path("appointments/<int:pk>/slip.pdf", slips.slip_print, name="slip-print"),
    path("appointments/<int:pk>/slip/", slips.slip_page, name="slip-page"),
]
