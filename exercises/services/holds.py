"""The floor's holds, kept in step with what the evaluation says."""

from collections.abc import Mapping
from datetime import date

from django.db import transaction

from assessments.models import ScreeningAnswer
from clinic.domain.vocabulary import HoldEnd, TrailAction
from clinic.models import Client, Hold, Staff
from clinic.services import trail
from exercises.domain.edition import Edition
from exercises.domain.holds import Hold as HoldValue
from exercises.domain.proposals import Proposal
from exercises.domain.sentences import hold_sentence

Told = Mapping[str, ScreeningAnswer]


@transaction.atomic
def refresh_holds(
    *,
    client: Client,
    proposal: Proposal,
    edition: Edition,
    on: date,
    by: Staff,
    untold: frozenset[str] = frozenset(),
) -> None:
    """Open the holds that are new, end those that are lifted or no longer true; the rest stays.

    The newest round has the last word on a flag, whichever round was evaluated: what it does not
    ask stays held, what it denies or has lifted is not held again.
    untold: codes of which the proposal knows nothing, such as R04 where no pain was asked.
    """
    told = _told(client)
    standing = {row.code: row for row in client.holds.open() if row.code not in untold}
    wanted = {hold.code: hold for hold in proposal.holds if not _settled(told.get(hold.code))}
    for code, row in standing.items():
        if code not in wanted and not _still_held(code, told, proposal, edition):
            _end(row, _lift(client, code, told, proposal), on, by)
    for code, hold in wanted.items():
        _keep(standing.get(code), hold, client=client, edition=edition, on=on, by=by)


def _told(client: Client) -> Told:
    """Answers yes and no of the newest round by flag; what was not asked is left out."""
    newest = client.screenings.newest_first().first()
    if newest is None:
        return {}
    asked = newest.answers.exclude(answer="not_asked").select_related("lifted_by")
    return {one.flag_id: one for one in asked}


def _settled(answer: ScreeningAnswer | None) -> bool:
    """Whether a flag is denied or lifted whole."""
    return answer is not None and (answer.answer == "no" or answer.keeps == "nothing")


def _still_held(code: str, told: Told, proposal: Proposal, edition: Edition) -> bool:
    """Whether a flag's hold stands although the evaluated round does not make it."""
    flag = edition.tables.flags.get(code)
    if flag is None:
        return False
    if code in told:
        return flag.stops_something and not _settled(told[code])
    # a round that has not come to this question yet says nothing about it
    return all(one.code != code for one in proposal.lifted)


def _lift(client: Client, code: str, told: Told, proposal: Proposal) -> ScreeningAnswer | None:
    """The answer whose lift ends a hold, None if it ends because it is no longer true."""
    if code in told:
        return told[code] if told[code].lifted_on else None
    if all(one.code != code for one in proposal.lifted):
        return None
    lifts = ScreeningAnswer.objects.filter(
        screening__client=client, flag=code, lifted_on__isnull=False
    )
    return lifts.select_related("lifted_by").order_by("-lifted_on", "-pk").first()


def _keep(  # a row, its value and the four facts of every service
    row: Hold | None, hold: HoldValue, *, client: Client, edition: Edition, on: date, by: Staff
) -> None:
    fields = {
        "scope": hold.scope.value,
        "sentence": hold_sentence(hold, edition).page,
        "refer_to": hold.to or "",
        "urgency": hold.urgency.value if hold.urgency else "",
    }
    if row is None:
        row = Hold(site_id=client.site_id, client=client, code=hold.code, since=on, **fields)
        action = TrailAction.CREATE
    elif all(getattr(row, name) == value for name, value in fields.items()):
        return
    else:
        for name, value in fields.items():
            setattr(row, name, value)
        action = TrailAction.CHANGE
    # the site is the client's, and that no open hold has this code was just looked up
    row.full_clean(exclude=["site"])
    row.save()
    trail.record(action, by=by, row=row, client=client, code=hold.code, scope=fields["scope"])


def _end(row: Hold, lift: ScreeningAnswer | None, on: date, by: Staff) -> None:
    row.ended_on = max(on, row.since)
    if lift is None:
        row.end = HoldEnd.NO_LONGER_TRUE.value
    else:
        row.end, row.reason, row.lifted_by = HoldEnd.LIFTED.value, lift.reason, lift.lifted_by
    row.full_clean()
    row.save(update_fields=["ended_on", "end", "reason", "lifted_by"])
    trail.record(TrailAction.CHANGE, by=by, row=row, client=row.client, code=row.code, end=row.end)
