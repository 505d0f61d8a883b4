"""The invented diary: past visits, and a fortnight around the day it is prepared."""

from collections import defaultdict, deque
from collections.abc import Sequence
from datetime import date, time, timedelta
from random import Random

from clinic.models import Appointment, AppointmentKind, Client, Room, Staff
from clinic.services import diary
from clinic.web.demo.places import Clinic

# each has room for the longest kind before the next or the end of the hours
TIMES = (time(9), time(10, 15), time(11, 30), time(13, 30), time(14, 45), time(16))
SHORT = ("follow_up", "telephone")
BACK, AHEAD = 7, 10  # days shown before and after today
MISSED_EVERY, CANCELLED_EVERY = 11, 9


class Diary:
    """Books one visit after the other, so that none overlap."""

    def __init__(self, clinic: Clinic, today: date) -> None:
        self.today, self.reception = today, clinic.staff["rose"]
        self.kinds = {(one.site_id, one.code): one for one in AppointmentKind.objects.all()}
        self.rooms: dict[tuple[int, bool], Room] = {}
        for code, site in clinic.sites.items():
            for treadmill in (True, False):
                rooms = Room.objects.filter(site=site, has_treadmill=treadmill)
                for person, room in zip(clinic.clinicians(code), rooms, strict=False):
                    self.rooms[person.pk, treadmill] = room
        self.taken: defaultdict[tuple[int, date], int] = defaultdict(int)
        self.busy: set[tuple[int, date]] = set()
        self.short = 0

    def visit(self, client: Client, clinician: Staff, code: str, day: date) -> Appointment:
        """Book the first free time from that day on; the client was seen if it is past."""
        appointment = self._book(client, clinician, code, day)
        if appointment.local_date < self.today:
            diary.mark_seen(appointment=appointment, by=clinician)
        return appointment

    def _book(self, client: Client, clinician: Staff, code: str, day: date) -> Appointment:
        while self.taken[clinician.pk, day] == len(TIMES):
            day += timedelta(days=1)
        number = self.taken[clinician.pk, day]
        self.taken[clinician.pk, day] += 1
        self.busy.add((client.pk, day))
        kind = self.kinds[client.site_id, code]
        return diary.book(
            client=client,
            kind=kind,
            clinician=clinician,
            room=self.rooms[clinician.pk, kind.needs_treadmill],
            local_date=day,
            local_time=TIMES[number],
            by=self.reception,
        )

    def fill(self, clinician: Staff, clients: Sequence[Client], random: Random) -> None:
        """Two short visits a day, in turn, of clients who were looked at."""
        turns = deque(random.sample(clients, len(clients)))
        for day in (self.today + timedelta(days=offset) for offset in range(-BACK, AHEAD)):
            has_time = len(TIMES) - self.taken[clinician.pk, day] >= len(SHORT)
            if has_time:
                for code in SHORT:
                    client = next(one for one in turns if (one.pk, day) not in self.busy)
                    turns.remove(client)
                    turns.append(client)
                    self._end(self._book(client, clinician, code, day))

    def _end(self, appointment: Appointment) -> None:
        """What became of a short visit: every few ones were missed or are cancelled."""
        self.short += 1
        past = appointment.local_date < self.today
        if past and self.short % MISSED_EVERY == 0:
            diary.mark_missed(appointment=appointment, by=self.reception, reason="No message")
        elif past:
            diary.mark_seen(appointment=appointment, by=appointment.clinician)
        elif self.short % CANCELLED_EVERY == 0:
            diary.cancel(appointment=appointment, reason="Has a cold", by=self.reception)
