"""Consents: the texts that are read out, who may answer, and what a withdrawal stops."""

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from clinic.domain.vocabulary import ConsentFooting, ConsentPurpose

# the age from which a person answers alone. Sources: GB, Family Law Reform Act 1969, s. 8, and
# Age of Legal Capacity (Scotland) Act 1991, s. 1; IE, Non-Fatal Offences against the Person Act
# 1997, s. 23; all from memory. Any other country: 18, the United Nations' Convention on the Rights
# of the Child, article 1. Local law and the clinician's judgement come first.
OF_AGE = 18
ALONE_FROM = {"GB": 16, "IE": 16}

# what may not be done once no answer that was given stands
STOPS = {
    ConsentPurpose.ASSESSMENT: "No new assessment can be opened.",
    ConsentPurpose.FILMING: (
        "Nothing new can be measured from film. What was measured before stays in the record."
    ),
    ConsentPurpose.SHARING: (
        "No letter can be noted as sent to anybody but the client, and no export goes to another "
        "professional. What was sent before cannot be called back."
    ),
    ConsentPurpose.TEACHING: "Film of the client is no longer shown for teaching.",
    ConsentPurpose.REMINDING: "No e-mail about appointments goes out.",
}


@dataclass(frozen=True, slots=True)
class ConsentText:
    """One version of what is read out before an answer."""

    purpose: ConsentPurpose
    version: int
    in_use_from: date
    text: str


def read_texts(table: str) -> tuple[ConsentText, ...]:
    """The texts of a CSV table with purpose, version, in_use_from and text.

    table: the whole file. Raises ValueError for an unknown purpose, an empty text, a version that
    stands twice, and a purpose without a text.
    """
    found: dict[tuple[ConsentPurpose, int], ConsentText] = {}
    for row in csv.DictReader(io.StringIO(table)):
        one = ConsentText(
            ConsentPurpose(row["purpose"]),
            int(row["version"]),
            date.fromisoformat(row["in_use_from"]),
            row["text"].strip(),
        )
        if not one.text:
            raise ValueError(f"{one.purpose}, version {one.version}: the text is empty")
        if (one.purpose, one.version) in found:
            raise ValueError(f"{one.purpose}, version {one.version} stands twice")
        found[one.purpose, one.version] = one
    missing = set(ConsentPurpose) - {purpose for purpose, _ in found}
    if missing:
        raise ValueError(f"no text for {', '.join(sorted(missing))}")
    return tuple(found.values())


def newest_text(texts: Iterable[ConsentText], purpose: ConsentPurpose) -> ConsentText:
    """The text with the highest version; raises ValueError where there is none."""
    return max((one for one in texts if one.purpose == purpose), key=lambda one: one.version)


def alone_from(country: str) -> int:
    """The age in whole years from which a person answers alone; country: ISO 3166, two letters."""
    return ALONE_FROM.get(country, OF_AGE)


def refused_giver(
    *, age: int, country: str, given: bool, footing: ConsentFooting, name: str
) -> tuple[str, str] | None:
    """The field and the reason why this person cannot give this answer; None where they can.

    age: of the client in whole years on the day of the answer. A child may always say no alone.
    """
    limit = alone_from(country)
    if footing is ConsentFooting.SELF:
        if name:
            return "given_as", "Choose on what footing this person answers."
        if given and age < limit:
            return "given_by", (
                f"The client was {age} that day. Below {limit} a child does not give this consent "
                "alone: name the parent or guardian who answers. Local law comes first; where it "
                "lets this child decide, ask the clinic's lead before going on."
            )
        return None
    if footing is ConsentFooting.UNSTATED:
        return "given_as", "Choose on what footing this person answers."
    if not name:
        return "given_by", "Name the person who answers."
    if footing in (ConsentFooting.PARENT, ConsentFooting.GUARDIAN) and age >= OF_AGE:
        return "given_as", (
            f"The client was {age} that day and answers alone, or through somebody with legal "
            "authority."
        )
    return None
