"""How late an appointment was cancelled."""

from datetime import UTC, date, datetime, time, timedelta, tzinfo

LATE_HOURS = 24  # common practice; what a clinic charges or asks for is its own affair


def latest_in_time(day: date, at: time, zone: tzinfo) -> datetime:
    """The last instant (UTC) at which cancelling is in time: so many hours before, on the clock.

    On the clock, so that "the same time the day before" holds when the clocks change; of a time
    that they show twice the second, and one that they skip moves with them, for the client's
    good. Source: RFC 5545, 3.3.5, for the skipped time; rule of this clinic.
    """
    wall = datetime.combine(day, at) - timedelta(hours=LATE_HOURS)
    return max(wall.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))


def notice_words(cancelled_at: datetime, starts_at: datetime) -> str:
    """How long before the start, rounded down: minutes, hours up to two days, then days.

    By definition, counted between the instants.
    """
    minutes = int((starts_at - cancelled_at).total_seconds() // 60)
    if minutes < 0:
        return "after the start"
    if minutes < 60:
        return f"{_counted(minutes, 'minute')} before"
    if minutes < 48 * 60:
        return f"{_counted(minutes // 60, 'hour')} before"
    return f"{_counted(minutes // (24 * 60), 'day')} before"


def _counted(number: int, unit: str) -> str:
    return f"{number} {unit}" if number == 1 else f"{number} {unit}s"
