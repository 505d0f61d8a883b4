"""Passwords: what is refused, with its reason, and how they are stored."""

from functools import cache

from django.contrib.auth.hashers import Argon2PasswordHasher
from django.contrib.auth.password_validation import CommonPasswordValidator
from django.core.exceptions import ValidationError

from clinic.domain.passwords import SHORTEST, is_common, is_of_the_clinic, is_short, normalised
from clinic.models import Site, Staff

ADVICE = "three or four words that do not belong together are easy to keep"


class Argon2Hasher(Argon2PasswordHasher):
    """argon2id over the normalised password; stronger than the least that is asked for.

    Source of the least: OWASP ASVS 5.0.0, appendix C: argon2id with t=2 and m of 19 MiB.
    """

    time_cost = 2
    memory_cost = 102_400  # KiB
    parallelism = 8

    def encode(self, password: str, salt: str) -> str:
        return str(super().encode(normalised(password), salt))

    def verify(self, password: str, encoded: str) -> bool:
        return bool(super().verify(normalised(password), encoded))


@cache
def common_passwords() -> frozenset[str]:
    """The 20 000 most common ones of public lists, as they come with Django."""
    return frozenset(CommonPasswordValidator().passwords)


class ClinicPassword:
    """Refuses what is short, common, or made of the clinic's own names; nothing else."""

    def validate(self, password: str, user: Staff | None = None) -> None:
        reasons = []
        if is_short(password):
            reasons.append(
                f"It has {len(normalised(password))} of at least {SHORTEST} characters: {ADVICE}."
            )
        if is_common(password, common_passwords()):
            reasons.append(
                "It is among the first that anybody tries: a common password, a row of keys or a "
                "repetition."
            )
        if is_of_the_clinic(password, names_around(user)):
            reasons.append("It is made of a name of the clinic, of a site or of your own.")
        if reasons:
            raise ValidationError(reasons)

    def get_help_text(self) -> str:
        return f"At least {SHORTEST} characters; {ADVICE}."


def names_around(user: Staff | None) -> list[str]:
    """Names that somebody who knows the clinic or the person would try."""
    names = ["gait clinic records"]
    for site in Site.objects.only("clinic_name", "name"):
        names += [site.clinic_name, site.name]
    if isinstance(user, Staff):
        own = [user.get_full_name(), user.username, user.email.partition("@")[0]]
        names += [*own, user.first_name, user.last_name]
    return names
