"""The floor's holds, kept in step with what the evaluation says."""

from datetime import date

from django.db import transaction

from clinic.domain.vocabulary import HoldEnd, TrailAction
from clinic.models import Client, Hold, Staff
from clinic.services import trail
from exercises.domain.edition import Edition
from exercises.domain.holds import Hold as HoldValue
from exercises.domain.proposals import Proposal
from exercises.domain.sentences import hold_sentence


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

    untold: codes of which the proposal knows nothing, such as R04 where no pain was asked.
    """
    standing = {row.code: row for row in client.holds.open() if row.code not in untold}
    wanted = {hold.code: hold for hold in proposal.holds}
    for code, row in standing.items():
        if code not in wanted:
            _end(row, proposal, on, by)
    for code, hold in wanted.items():
        _keep(standing.get(code), hold, client=client, edition=edition, on=on, by=by)


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
    row.full_clean()
    row.save()
    trail.record(action, by=by, row=row, client=client, code=hold.code, scope=fields["scope"])


def _end(row: Hold, proposal: Proposal, on: date, by: Staff) -> None:
    lifted = next((one for one in proposal.lifted if one.code == row.code), None)
    row.ended_on = max(on, row.since)
    if lifted is None:
        row.end = HoldEnd.NO_LONGER_TRUE.value
    else:
        row.end, row.reason, row.lifted_by = HoldEnd.LIFTED.value, lifted.reason, by
    row.full_clean()
    row.save(update_fields=["ended_on", "end", "reason", "lifted_by"])
    trail.record(TrailAction.CHANGE, by=by, row=row, client=row.client, code=row.code, end=row.end)
