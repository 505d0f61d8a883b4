"""One trial measured from its frames: events, camera, landmarks, and what they give."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from assessments.domain.camera import Up, View
from assessments.domain.tables import AssessmentTables
from assessments.editions import tables_of
from assessments.facts import facts_of
from assessments.forms.placements import (
    CameraForm,
    EventsForm,
    FileForm,
    FrameForm,
    Placed,
    event_lists,
)
from assessments.measured_rows import Preview, content_of, preview
from assessments.models import Placement, Trial
from assessments.services.assessments import why_fixed
from assessments.services.placements import put_features, save_placement
from assessments.stored_answers import Stored
from clinic.access import StaffRequest, allowed
from clinic.domain.vocabulary import Role, TrailAction
from clinic.forms.people import show_refusal
from clinic.json_files import BadFile, load_json
from clinic.models.limits import of_my_clients
from clinic.services import trail
from clinic.web.views.consult import consult_or_404

OF_RUNNER = ("mass_kg", "height_m", "sex")
CAMERA = ("facing", "y_axis", "plumb_deg", "click_sd", "standing_foot_deg", "leg_length_m")


@dataclass
class Desk:
    """One view of one trial with what was placed on it."""

    request: StaffRequest
    held: Stored
    trial: Trial
    view: str
    placement: Placement | None

    @property
    def version(self) -> int:
        return self.placement.version if self.placement else 0

    @property
    def content(self) -> dict[str, Any]:
        return content_of(self.placement)

    @property
    def moments(self) -> list[Any]:
        return self.placement.moments if self.placement else []

    @property
    def tables(self) -> AssessmentTables:
        return tables_of(self.held.assessment.edition_id)

    @property
    def address(self) -> str:
        return f"{reverse('trial-measure', args=[self.trial.pk])}?view={self.view}"

    def saved(self, form: Placed, change: Mapping[str, Any], **more: Any) -> bool:
        """Save the content with what changed; False with the reasons in the form.

        change: names of the schema, None for what is taken out.
        """
        content = {**self.content, **self.runner(), **change}
        for name in ("frame_rate_hz", "speed_m_s", "grade_percent"):
            if name not in change:  # the trial says these
                content.pop(name, None)
        return self.kept(form, content, more.get("moments", self.moments))

    def kept(self, form: Placed, content: Mapping[str, Any], moments: list[Any]) -> bool:
        try:
            save_placement(
                trial=self.trial,
                view=self.view,
                content={name: one for name, one in content.items() if one is not None},
                moments=moments,
                seen=form.cleaned_data.get("seen") or 0,
                by=self.request.user,
            )
        except BadFile as refusal:
            form.refuse(refusal.errors)
        except ValidationError as refusal:
            show_refusal(form, refusal)
        return not form.errors

    def runner(self) -> dict[str, Any]:
        """Mass, height and sex as the record has them on that day."""
        facts = facts_of(self.held.assessment)
        return {name: facts[name] for name in OF_RUNNER if name in facts}


def events_form(desk: Desk, data: Any) -> EventsForm:
    first = event_lists(desk.content.get("events", []))
    return EventsForm(data, initial={**first, "seen": desk.version}, auto_id="events_%s")


def camera_form(desk: Desk, data: Any) -> CameraForm:
    held = desk.content
    first = {name: held.get(name) for name in CAMERA} | {
        "y_axis": held.get("y_axis", Up.DOWN.value),
        "segment_table": held.get("segment_table"),
        "seen": desk.version,
    }
    scale = held.get("scale_m_per_unit")
    return CameraForm(data, initial=first, auto_id="camera_%s", scale=scale)


def frame_form(desk: Desk, data: Any) -> FrameForm:
    return FrameForm(data, view=desk.view, initial=_frame_shown(desk), auto_id="frame_%s")


def _frame_shown(desk: Desk) -> dict[str, Any]:
    """The stored frame that the address names, to be changed."""
    wanted, side = desk.request.GET.get("frame"), desk.request.GET.get("side") or None
    first: dict[str, Any] = {"seen": desk.version}
    for frame in desk.content.get("frames", []):
        if (str(frame["frame"]), frame.get("side")) == (wanted, side):
            first |= {"frame": frame["frame"], "side": side}
            for name, place in frame["points"].items():
                if place is not None:
                    first |= {f"{name}.x": place[0], f"{name}.y": place[1]}
    for number, leg, moment in desk.moments:
        if (str(number), leg) == (wanted, side):
            first["moment"] = moment
    return first


def file_form(desk: Desk, data: Any) -> FileForm:
    files = desk.request.FILES if data is not None else None
    return FileForm(data, files, initial={"seen": desk.version}, auto_id="file_%s")


def save_events(desk: Desk, form: EventsForm) -> bool:
    return desk.saved(form, {"events": form.events()})


def save_camera(desk: Desk, form: CameraForm) -> bool:
    return desk.saved(form, form.content())


def save_frame(desk: Desk, form: FrameForm) -> bool:
    frame = form.content()
    key = (frame["frame"], frame.get("side"))
    held = desk.content.get("frames", [])
    others = [one for one in held if (one["frame"], one.get("side")) != key]
    moments = [one for one in desk.moments if (one[0], one[1]) != key]
    if "remove" in desk.request.POST:
        return desk.saved(form, {"frames": others}, moments=moments)
    for one in held:
        if (one["frame"], one.get("side")) == key:
            # landmarks that this view does not ask for came with a file and stay
            rest = {name: at for name, at in one["points"].items() if name not in form.names}
            frame["points"] = {**rest, **frame["points"]}
    if form.cleaned_data["moment"]:
        moments.append([*key, form.cleaned_data["moment"]])
    frames = sorted([*others, frame], key=lambda one: (one["frame"], one.get("side") or ""))
    first = {"y_axis": Up.DOWN.value} if "y_axis" not in desk.content else {}
    return desk.saved(form, {"frames": frames, **first}, moments=moments)


def save_file(desk: Desk, form: FileForm) -> bool:
    try:
        data = load_json(form.cleaned_data["json"])
    except BadFile as refusal:
        form.refuse(refusal.errors)
        return False
    if not isinstance(data, dict):
        form.add_error(form.cleaned_data["given"], "The file is not a JSON object.")
        return False
    if data.get("view", desk.view) != desk.view:
        text = f"/view: {data['view']}, this page is for the view from the {desk.view}."
        form.add_error(form.cleaned_data["given"], text)
        return False
    return desk.kept(form, {**desk.runner(), **data}, desk.moments)


FORMS: dict[str, Callable[[Desk, Any], Any]] = {
    "events": events_form,
    "camera": camera_form,
    "frame": frame_form,
    "file": file_form,
}
SAVES: dict[str, Callable[[Desk, Any], bool]] = {
    "events": save_events,
    "camera": save_camera,
    "frame": save_frame,
    "file": save_file,
}


@allowed(Role.CLINICIAN)
@require_http_methods(["GET", "POST"])
def trial_measure(request: StaffRequest, pk: int) -> HttpResponse:
    desk = _desk_or_404(request, pk)
    part = request.POST.get("part", "")
    if request.method == "POST" and part == "put":
        return _put(desk)
    forms = {
        name: make(desk, request.POST if name == part else None) for name, make in FORMS.items()
    }
    if part in SAVES and forms[part].is_valid() and SAVES[part](desk, forms[part]):
        messages.success(request, "Saved. What follows from it stands below.")
        return redirect(f"{desk.address}#{part}")
    if request.method == "GET":
        trail.record(
            TrailAction.VIEW, by=request.user, row=desk.trial, client=desk.held.assessment.client
        )
    return _page(desk, forms, _preview(desk), status=422 if request.method == "POST" else 200)


def _desk_or_404(request: StaffRequest, pk: int) -> Desk:
    mine = of_my_clients(Trial.objects.all(), request.user, "assessment__client__")
    consult = consult_or_404(request, get_object_or_404(mine, pk=pk).assessment_id)
    trial = next(one for one in consult.held.trials if one.pk == pk)
    trial.assessment = consult.assessment
    wanted = request.POST.get("view") or request.GET.get("view")
    view = wanted if wanted in list(View) else View.SIDE.value
    return Desk(request, consult.held, trial, view, Placement.objects.newest(trial, view))


def _preview(desk: Desk) -> Preview | None:
    if desk.placement is None:
        return None
    return preview(desk.placement, desk.held, desk.trial, desk.tables)


def _put(desk: Desk) -> HttpResponse:
    """Values into the assessment; those that are refused come back with the reason."""
    post = desk.request.POST
    if desk.placement is None or str(desk.version) != post.get("seen"):
        messages.error(desk.request, "Other landmarks or events were saved meanwhile. Look again.")
        return redirect(f"{desk.address}#values")
    over = frozenset(
        name.removesuffix(".over")
        for name in post
        if name.endswith(".over") and post[name] == "take"
    )
    try:
        put = put_features(
            held=desk.held,
            trial=desk.trial,
            placement=desk.placement,
            seen={
                name.removesuffix(".seen"): post[name] for name in post if name.endswith(".seen")
            },
            over=over,
            by=desk.request.user,
            tables=desk.tables,
        )
    except BadFile as refusal:
        messages.error(desk.request, " ".join(map(str, refusal.errors)))
        return redirect(f"{desk.address}#values")
    except ValidationError as refusal:
        messages.error(desk.request, " ".join(refusal.messages))
        return redirect(f"{desk.address}#values")
    messages.success(desk.request, _put_words(len(put.saving.saved), len(put.kept), put.steps))
    if not put.saving.refused:
        return redirect(f"{desk.address}#values")
    shown = _preview(desk)
    offers = [
        replace(one, refused=" ".join(put.saving.refused.get(one.key, {}).values()))
        for one in (shown.offers if shown else [])
    ]
    forms = {name: make(desk, None) for name, make in FORMS.items()}
    return _page(desk, forms, shown and replace(shown, offers=offers), status=422)


def _put_words(saved: int, kept: int, steps: int | None) -> str:
    words = [f"{saved} value{'' if saved == 1 else 's'} put into the assessment."]
    if kept:
        words.append(f"{kept} given by hand kept.")
    if steps is not None:
        words.append(f"The trial now says: mean of {steps} steps.")
    return " ".join(words)


def _page(
    desk: Desk, forms: dict[str, Any], shown: Preview | None, *, status: int
) -> HttpResponse:
    assessment = desk.held.assessment
    content = desk.content
    context: dict[str, Any] = {
        "assessment": assessment,
        "client": assessment.client,
        "trial": desk.trial,
        "view": desk.view,
        "views": [one.value for one in View],
        "placement": desk.placement,
        "editable": not why_fixed(assessment),
        "forms": forms,
        "form": next((one for one in forms.values() if one.is_bound), None),
        "preview": shown,
        "frames": _frames(desk),
        "given": {name: content.get(name) for name in OF_RUNNER},
        "events": len(content.get("events", [])),
    }
    return render(desk.request, "assessments/trial_measure.html", context, status=status)


def _frames(desk: Desk) -> list[dict[str, Any]]:
    moments = {(one[0], one[1]): one[2].replace("_", " ") for one in desk.moments}
    return [
        {
            "number": one["frame"],
            "side": one.get("side", ""),
            "points": sum(place is not None for place in one["points"].values()),
            "moment": moments.get((one["frame"], one.get("side")), ""),
        }
        for one in desk.content.get("frames", [])
    ]
