"""Clients from a file: bring it, say what its columns are, look at each row, import."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from http import HTTPStatus
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from clinic import kept_files
from clinic.access import StaffRequest, allowed
from clinic.domain.client_rows import FIELDS, DayOrder, Reading, guessed, readings
from clinic.domain.tables_from_files import (
    ENCODINGS,
    SEPARATORS,
    FileTable,
    UnreadableError,
    read_table,
    written_table,
)
from clinic.domain.vocabulary import Role
from clinic.forms.imports import ColumnsForm, FileForm
from clinic.saving import once
from clinic.services.imports import (
    Done,
    Planned,
    RowEnd,
    RowState,
    counted,
    import_clients,
    imported_before,
    plan,
    report,
    stamp_of,
)
from clinic.services.people import StaleError
from clinic.telephones import international, region_of

KEY = "import"  # in the session: names of what waits and what was chosen, nothing of the file
SHOWN = 200  # rows of one kind on the page; all stand in the report
SAMPLES = 3
CHANGED = (
    "The record has changed since this page was made: look at the rows again. "
    "Nothing was imported."
)


@dataclass(frozen=True)
class Waiting:
    """The file of this person's import and what they chose."""

    data: bytes
    table: FileTable
    choices: dict[str, Any]

    @property
    def checksum(self) -> str:
        return sha256(self.data).hexdigest()

    @property
    def columns(self) -> list[str]:
        return list(self.choices.get("columns", ()))

    def readings(self) -> list[Reading]:
        region = self.choices["region"]
        return readings(
            self.table,
            self.columns,
            order=DayOrder(self.choices["order"]),
            today=timezone.localdate(),
            telephone=lambda typed: international(typed, region),
        )


def waiting(request: StaffRequest) -> Waiting | None:
    """The file that was brought; None if there is none, or it waited for too long."""
    choices = request.session.get(KEY, {})
    data = kept_files.kept(choices.get("file", ""), request.user)
    if data is None:
        return None
    separator = choices.get("separator", "")
    table = read_table(data, encoding=choices["encoding"], separator=separator)
    return Waiting(data, table, choices)


def _back_to_start(request: StaffRequest) -> HttpResponse:
    messages.warning(request, "No file is waiting: bring it again. A file waits for one hour.")
    return redirect("client-import")


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(Role.MANAGER)
def client_import(request: StaffRequest) -> HttpResponse:
    form = FileForm(request.POST, request.FILES) if request.method == "POST" else FileForm()
    if form.is_valid():
        data, encoding = form.cleaned_data["file"], form.cleaned_data["encoding"]
        try:
            table = read_table(data, encoding=encoding)
        except UnreadableError as refused:
            form.add_error("file", ValidationError(str(refused)))
        else:
            _drop_waiting(request)
            request.session[KEY] = {
                "file": kept_files.keep(data, request.user),
                "encoding": table.encoding,
            }
            return redirect("client-import-columns")
    done = request.session.get(KEY, {}).get("done")
    return render(request, "clinic/client_import.html", {"form": form, "done": done})


def _drop_waiting(request: StaffRequest) -> None:
    """Forget the file and the report of an import before."""
    for name in ("file", "report"):
        kept_files.drop(request.session.get(KEY, {}).get(name, ""))
    request.session.pop(KEY, None)


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(Role.MANAGER)
def client_import_columns(request: StaffRequest) -> HttpResponse:
    if "drop" in request.POST:
        _drop_waiting(request)
        messages.success(request, "The file was dropped; nothing was imported.")
        return redirect("client-import")
    found = waiting(request)
    if found is None:
        return _back_to_start(request)
    parted = request.POST.get("separator", "")
    if parted in SEPARATORS and parted != found.table.separator:
        return _parted_anew(request, parted)
    form = ColumnsForm(
        request.POST or None,
        headings=found.table.headings,
        initial=_initial(request, found),
    )
    if form.is_valid():
        chosen = {name: form.cleaned_data[name] for name in ("separator", "order", "region")}
        request.session[KEY] = {**found.choices, **chosen, "columns": form.columns}
        return redirect("client-import-check")
    context = {
        "form": form,
        "columns": list(zip(_samples(found.table), _bound(form), strict=True)),
        "table": found.table,
        "encoding": ENCODINGS[found.table.encoding],
    }
    return render(request, "clinic/client_import_columns.html", context)


def _parted_anew(request: StaffRequest, separator: str) -> HttpResponse:
    """Read the file with another separator: its columns are others now."""
    choices = request.session[KEY]
    request.session[KEY] = {
        "file": choices["file"],
        "encoding": choices["encoding"],
        "separator": separator,
    }
    try:
        waiting(request)
    except UnreadableError as refused:
        request.session[KEY] = choices
        messages.error(request, str(refused))
    return redirect("client-import-columns")


def _initial(request: StaffRequest, found: Waiting) -> dict[str, Any]:
    site = request.user.home_site
    columns = found.columns or guessed(found.table.headings)
    return {
        "separator": found.table.separator,
        "order": found.choices.get("order", DayOrder.UNKNOWN.value),
        "region": found.choices.get("region") or (region_of(site) if site else ""),
        **{f"column-{place}": field for place, field in enumerate(columns)},
    }


def _bound(form: ColumnsForm) -> list[Any]:
    return [form[name] for name in form.names]


def _samples(table: FileTable) -> list[list[str]]:
    """The first texts of each column."""
    found = []
    for place in range(len(table.headings)):
        texts = (row.cells[place].strip() for row in table.rows[:50] if place < len(row.cells))
        found.append([text for text in texts if text][:SAMPLES])
    return found


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(Role.MANAGER)
@once(lambda line: reverse("client-import"))
def client_import_check(request: StaffRequest) -> HttpResponse:
    found = waiting(request)
    if found is None or not found.columns:
        return _back_to_start(request)
    rows = found.readings()
    refusal = ""
    if request.method == "POST":
        try:
            done = _imported(request, found, rows)
        except ValidationError as refused:
            refusal = " ".join(refused.messages)
        except StaleError:
            refusal = CHANGED
        else:
            _finish(request, done)
            return redirect("client-import")
    planned = plan(rows, request.user)
    context = _seen(planned) | {
        "refusal": refusal,
        "anyway": request.POST.getlist("anyway"),
        "before": imported_before(found.checksum, request.user.home_site)
        if request.user.home_site
        else None,
        "table": found.table,
        "region": found.choices["region"],
        "fields": [FIELDS[field] for field in dict.fromkeys(found.columns) if field],
        "leave_out": "leave_out" in request.POST,
    }
    status = HTTPStatus.UNPROCESSABLE_ENTITY if refusal else HTTPStatus.OK
    return render(request, "clinic/client_import_check.html", context, status=status)


def _imported(request: StaffRequest, found: Waiting, rows: Sequence[Reading]) -> list[Done]:
    anyway = (line for line in request.POST.getlist("anyway") if line.isdecimal())
    return import_clients(
        readings=rows,
        checksum=found.checksum,
        anyway=frozenset(int(line) for line in anyway),
        leave_out="leave_out" in request.POST,
        seen=request.POST.get("seen", ""),
        by=request.user,
    )


def _seen(planned: Sequence[Planned]) -> dict[str, Any]:
    """The rows by what would come of them, the first of each kind, and how many there are."""
    count = counted(planned)
    doubtful = [one for one in planned if one.doubtful]
    faulty = [one for one in planned if one.state is RowState.FAULTY]
    noted = [one for one in planned if one.reading.notes and one.state is not RowState.FAULTY]
    return {
        "seen": stamp_of(planned),
        "rows": len(planned),
        "ready": count[RowState.READY],
        "doubtful": doubtful[:SHOWN],
        "doubtful_count": len(doubtful),
        "faulty": faulty[:SHOWN],
        "faulty_count": len(faulty),
        "noted": noted[:SHOWN],
        "noted_count": len(noted),
        "shown": SHOWN,
    }


def _finish(request: StaffRequest, done: Sequence[Done]) -> None:
    """Drop the file and keep the report for an hour."""
    _drop_waiting(request)
    ends = [row.end for row in done]
    text = json.dumps(report(done)).encode()
    request.session[KEY] = {
        "report": kept_files.keep(text, request.user),
        "done": {end.value: ends.count(end) for end in RowEnd},
    }


@require_safe
@allowed(Role.MANAGER)
def client_import_report(request: StaffRequest) -> HttpResponse:
    """What came of each row, or what would, as a file for a spreadsheet."""
    finished = kept_files.kept(request.session.get(KEY, {}).get("report", ""), request.user)
    if finished is not None:
        return _report_file(json.loads(finished))
    found = waiting(request)
    if found is None or not found.columns:
        return _back_to_start(request)
    return _report_file(report(plan(found.readings(), request.user)))


def _report_file(rows: Sequence[Sequence[str]]) -> HttpResponse:
    # with a byte order mark, or spreadsheets read it as another encoding
    text = "\ufeff" + "".join(written_table(rows))
    response = HttpResponse(text, content_type="text/csv; charset=utf-8")
    name = f"import-{timezone.localdate()}.csv"
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response
