"""Norms of tests by sex and age."""

import re
from collections.abc import Iterable
from decimal import Decimal

from assessments.domain.record import Record
from assessments.domain.tables import Equation, Norm
from assessments.domain.vocabulary import NormSex

TERM = re.compile(r"([+-])(\d+(?:\.\d+)?)(?:\*(age_years|male))?")


def norm_for(test: str, record: Record, norms: Iterable[Norm]) -> Norm | None:
    """The norm row for the client's sex and age, None if there is none.

    Not given age or sex, an age outside every band, or a formula that needs a sex which the
    client does not have: none. Source: EVALUATION.md, 7.
    """
    age, sex = record.number("age_years"), record.word("sex")
    if age is None or sex is None:
        return None
    for norm in norms:
        if norm.test == test and norm.ages.holds(age) and _for_sex(norm, sex):
            return norm
    return None


def why_no_norm(test: str, record: Record, norms: Iterable[Norm]) -> str:
    """Why there is no norm for the client, empty if there is one.

    Says what was not given, or what the rows of the test cover. Source: EVALUATION.md, 7.
    """
    rows = tuple(norm for norm in norms if norm.test == test)
    if norm_for(test, record, rows) is not None:
        return ""
    age, sex = record.number("age_years"), record.word("sex")
    if not rows:
        return "no norm: none is published for this test"
    if age is None or sex is None:
        return f"no norm: the {'age' if age is None else 'sex'} was not given"
    own = tuple(norm for norm in rows if _for_sex(norm, sex))
    if not own:
        return "no norm: it differs by sex, and none is published for the one recorded"
    bands = ", ".join(f"{norm.ages.low} to {norm.ages.high}" for norm in own)
    return f"no norm: it covers the ages {bands}, not {age}"


def norm_value(test: str, record: Record, norms: Iterable[Norm]) -> Decimal | None:
    """The norm of a test for the client in the unit of the test, None if there is none.

    Source: norms.csv, whose rows name theirs.
    """
    norm, age = norm_for(test, record, norms), record.number("age_years")
    if norm is None or age is None:
        return None
    return norm.value.at(age, man=record.word("sex") == NormSex.MALE)


def parsed_equation(text: str) -> Equation | None:
    """The equation that a text like `1.6 - 0.005 * age_years + 0.215 * male` writes.

    None if it is not a sum of numbers, each alone or times age_years or male. Source:
    fixtures/README.md.
    """
    tight = "+" + text.replace(" ", "")
    tight = tight.replace("+-", "-").replace("++", "+")
    if not re.fullmatch(f"(?:{TERM.pattern})+", tight):
        return None
    sums: dict[str, Decimal] = {}
    for sign, number, name in TERM.findall(tight):
        sums[name] = sums.get(name, Decimal(0)) + Decimal(sign + number)
    constant, per_year = sums.get("", Decimal(0)), sums.get("age_years", Decimal(0))
    return Equation(constant, per_year, sums.get("male"))


def _for_sex(norm: Norm, sex: str) -> bool:
    if norm.sex is NormSex.ANY:
        return norm.value.male is None or sex in (NormSex.MALE, NormSex.FEMALE)
    return norm.sex == sex
