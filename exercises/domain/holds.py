"""Holds: what screening answers and safety rules stop, and what has been lifted."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from assessments.domain.record import REGION, Record
from assessments.domain.tables import Flag
from assessments.domain.vocabulary import Answer, Keeps, Scope, Urgency
from exercises.domain.edition import Edition
from exercises.domain.library import Rule
from exercises.domain.situation import Situation

IMPACT = ("impact_1", "impact_2")

# Which tissues a limit of load means (EVALUATION.md, 12, D).
TISSUE_OF_LOAD = {"tendon": "achilles_calf", "painful_bone": "bone"}
TISSUES_OF_REGION = {
    "knee_front": ("patellofemoral",),
    "knee_outer": ("patellofemoral",),
    "shin_inner": ("achilles_calf",),
    "calf": ("achilles_calf",),
    "achilles": ("achilles_calf",),
    "achilles_insertional": ("achilles_calf",),
    "shin_bone": ("bone",),
    "plantar": ("plantar",),
    "ankle_inner": ("achilles_calf", "foot", "plantar"),
    "foot_outer": ("achilles_calf", "foot", "plantar"),
    "midfoot": ("achilles_calf", "foot", "plantar"),
    "hip_side": ("lateral_hip",),
    "hip_front": ("hip_flexor",),
    "groin": ("hip_flexor",),
    "hamstring": ("hamstring",),
    "low_back": ("lumbar",),
}
TENDON_REGIONS = ("knee_front", "plantar", "hip_side", "groin", "hamstring")


@dataclass(frozen=True, slots=True)
class Hold:
    """What one flag or safety rule stops, whom to refer to and how soon."""

    code: str
    scope: Scope
    withholds: tuple[str, ...]
    rules: tuple[str, ...]
    to: str | None
    urgency: Urgency | None
    lifted_in_part: bool = False


@dataclass(frozen=True, slots=True)
class Lifted:
    """A flag that was yes and has been lifted."""

    code: str
    lifted_on: date
    lifted_by: str
    reason: str
    keeps: Keeps


def fired_safety(situation: Situation, edition: Edition) -> list[Rule]:
    """The withholding rows of R01 to R15 that fire."""
    return [rule for rule in edition.safety if situation.fires(rule)]


def own_withholds(flag: Flag, record: Record) -> tuple[str, ...]:
    """What a flag answered yes withholds by its own effect. Source: EVALUATION.md, 12."""
    found = ["all"] if flag.stops_all else []
    found += IMPACT if flag.stops_impact else ()
    if flag.limits_load is not None:
        found += [f"tissue:{tissue}" for tissue in _limited(flag.limits_load, record)]
    return tuple(found)


def _limited(load: str, record: Record) -> list[str]:
    region = record.word(REGION) or ""
    tissues = [TISSUE_OF_LOAD[load]] if load in TISSUE_OF_LOAD else []
    if load == "tendon" and region not in TENDON_REGIONS:
        return tissues
    return tissues + list(TISSUES_OF_REGION.get(region, ()))


def kept_withholds(record: Record, code: str) -> tuple[str, ...]:
    """What a flag lifted in part still withholds; nothing for any other flag."""
    lift = record.assessment.lifts.get(code)
    in_part = lift is not None and lift.keeps is Keeps.NO_IMPACT
    lifted = record.assessment.answer(code) is Answer.YES_LIFTED
    return IMPACT if in_part and lifted else ()


def holds_of(situation: Situation, safety: Sequence[Rule], edition: Edition) -> tuple[Hold, ...]:
    """Holds by code: of flags, of flags lifted in part, and of rules under their number.

    safety: the safety rows that fire. Source: EVALUATION.md, 12.
    """
    record, holds = situation.record, []
    for flag in edition.tables.flags.values():
        if situation.answered_yes(flag.code):
            joined = [rule for rule in safety if _joins(rule, flag)]
            if flag.stops_something or joined:
                holds.append(_of_flag(flag, record, joined))
        elif kept_withholds(record, flag.code):
            holds.append(_in_part(flag))
    holds += _of_rules(safety)
    return tuple(sorted(holds, key=lambda hold: hold.code))


def lifted_of(record: Record) -> tuple[Lifted, ...]:
    """Lifted flags by code."""
    return tuple(
        Lifted(code, lift.lifted_on, lift.lifted_by, lift.reason, lift.keeps)
        for code, lift in sorted(record.assessment.lifts.items())
        if record.assessment.answer(code) is Answer.YES_LIFTED
    )


def _joins(rule: Rule, flag: Flag) -> bool:
    return flag.code in rule.asks_flags or (rule.asks_stop_all and flag.stops_all)


def _of_flag(flag: Flag, record: Record, joined: Sequence[Rule]) -> Hold:
    withholds = _united([own_withholds(flag, record), *(rule.withholds for rule in joined)])
    asks = flag.urgency is not Urgency.NONE
    return Hold(
        code=flag.code,
        scope=_scope(withholds),
        withholds=withholds,
        rules=rule_codes(joined),
        to=flag.refer_to if asks else None,
        urgency=flag.urgency if asks else None,
    )


def _in_part(flag: Flag) -> Hold:
    return Hold(flag.code, Scope.NO_IMPACT, IMPACT, (), None, None, lifted_in_part=True)


def _of_rules(safety: Sequence[Rule]) -> list[Hold]:
    alone = [
        rule
        for rule in safety
        if rule.stops_impact_or_all and not rule.asks_flags and not rule.asks_stop_all
    ]
    return [
        Hold(
            code=code,
            scope=Scope.RULE,
            withholds=_united(rule.withholds for rule in alone if rule.rule == code),
            rules=(code,),
            to=None,
            urgency=None,
        )
        for code in rule_codes(alone)
    ]


def rule_codes(rules: Iterable[Rule]) -> tuple[str, ...]:
    """Numbers of rules, each once, in order."""
    return tuple(sorted({rule.rule for rule in rules}, key=lambda code: int(code[1:])))


def _united(parts: Iterable[Sequence[str]]) -> tuple[str, ...]:
    return tuple(sorted({item for part in parts for item in part}))


def _scope(withholds: Sequence[str]) -> Scope:
    if "all" in withholds:
        return Scope.STOP_ALL
    return Scope.NO_IMPACT if set(IMPACT) & set(withholds) else Scope.LIMIT_LOAD
