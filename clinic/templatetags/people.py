"""What pages about people count."""

from datetime import date

from django import template

from clinic.models import Client

register = template.Library()


@register.filter
def age(client: Client, day: date) -> int:
    """Whole years on that day."""
    return client.age_on(day)


@register.filter
def days_until(day: date, later: date) -> int:
    """Days from one day to a later one."""
    return (later - day).days
