"""An edition: one whole version of criteria, rules and library, built from its files."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

from assessments.domain.reading import read_assessment_tables
from assessments.domain.tables import AssessmentTables
from assessments.domain.vocabulary import Urgency
from clinic.domain.tables import Reader
from exercises.domain.library import (
    Effect,
    Exercise,
    PolicyRow,
    QualifierKind,
    Rule,
    Sentence,
    SentenceKind,
)
from exercises.domain.reading import read_exercises, read_policy, read_sentences
from exercises.domain.reading_rules import MODIFIERS, read_rules
from exercises.domain.schemas import (
    OUTCOMES,
    SCOPES,
    check_assessment_schema,
    check_poses,
    check_proposal_schema,
)

# Rules that step 1 reads as holds: screening and safety (EVALUATION.md, 12).
SAFETY_RULES = range(1, 16)
# Notes and states that the order itself gives (EVALUATION.md, 9, 12, 15 and 16).
OWN_NOTES = ("cadence_not_measured", "screening_incomplete", "screening_out_of_date")
OWN_STATES = (
    "stop_all", "draft", "proposed", "no_impact", "limit_load", "rule", "lifted",
    "lifted_in_part", "not_reliable", "not_assessed", "withheld", "missing_kit", "later",
    "nothing_found", "no_exercise",
)  # fmt: skip
SCREENING_AGE = "screening_age_days"
FILES = (
    "reference_values.csv", "features.csv", "tests.csv", "scores.csv", "history.csv",
    "screening.csv", "pain_zones.csv", "norms.csv", "findings.csv", "criteria.csv",
    "exercises.csv", "rules.csv", "notes.csv", "policy.csv", "poses.json",
    "assessment.schema.json", "proposal.schema.json",
)  # fmt: skip


@dataclass(frozen=True)
class Edition:
    """Tables, library, rules, sentences and policy that belong together."""

    tables: AssessmentTables
    exercises: Mapping[str, Exercise]
    rules: tuple[Rule, ...]
    sentences: Mapping[tuple[str, SentenceKind], Sentence]
    policy: tuple[PolicyRow, ...]

    @cached_property
    def by_effect(self) -> Mapping[Effect, tuple[Rule, ...]]:
        """Rows of each effect in file order."""
        return {
            effect: tuple(rule for rule in self.rules if rule.effect is effect)
            for effect in Effect
        }

    @cached_property
    def safety(self) -> tuple[Rule, ...]:
        """Withholding rows of the safety rules R01 to R15."""
        return tuple(one for one in self.by_effect[Effect.WITHHOLD] if one.number in SAFETY_RULES)

    @cached_property
    def withholding(self) -> tuple[Rule, ...]:
        """Withholding rows of all other rules."""
        safety = set(self.safety_lines)
        return tuple(one for one in self.by_effect[Effect.WITHHOLD] if one.line not in safety)

    @cached_property
    def safety_lines(self) -> frozenset[int]:
        """File lines of the safety rows."""
        return frozenset(rule.line for rule in self.safety)

    @cached_property
    def modifiers(self) -> tuple[Rule, ...]:
        """Priority rows that act on entries, before the merge."""
        return tuple(
            one for one in self.rules if one.effect in MODIFIERS and not _after_merge(one)
        )

    @cached_property
    def merge_modifiers(self) -> tuple[Rule, ...]:
        """Priority rows that ask how many rules name a line: they act after the merge."""
        return tuple(one for one in self.rules if one.effect in MODIFIERS and _after_merge(one))

    @cached_property
    def prescribers(self) -> frozenset[str]:
        """Rules with at least one prescribing row."""
        return frozenset(one.rule for one in self.by_effect[Effect.PRESCRIBE])

    @cached_property
    def screening_days(self) -> int:
        """Days after which screening answers no longer count, by the rows that ask for their age.

        The shortest of several. Source: rules.csv, R15.
        """
        ages = [
            one.limit.number
            for rule in self.rules
            for one in rule.qualifiers
            if one.code == SCREENING_AGE and one.limit.number is not None
        ]
        return int(min(ages))

    def sentence(self, code: str, kind: SentenceKind) -> Sentence:
        """What is said about a note, a referral or a state; KeyError for an unknown one."""
        return self.sentences[code, kind]


def build_edition(texts: Mapping[str, str]) -> Edition:
    """The edition that the files make.

    texts: file name to its whole text, for every name in FILES. Raises BadTables with every
    problem as file, line and reason: a table that does not load whole is refused whole.
    """
    reader = Reader(texts)
    tables = read_assessment_tables(reader)
    exercises = read_exercises(reader, tables)
    rules = read_rules(reader, tables, exercises)
    sentences = read_sentences(reader)
    numbers = {rule.rule: rule for rule in rules}
    policy = read_policy(reader, tables, numbers)
    edition = Edition(tables, exercises, rules, sentences, policy)
    _check_makers(reader, edition)
    _check_safety(reader, edition)
    _check_sentences(reader, edition)
    check_poses(reader, exercises)
    check_assessment_schema(reader, tables)
    check_proposal_schema(reader, _codes(edition, reader))
    reader.finish()
    return edition


def note_codes(edition: Edition) -> set[str]:
    """Codes of every note that the tables can give."""
    noting = (Effect.NOTE, Effect.RECORD_ONLY)
    rows = {one.note_code for one in edition.rules if one.effect in noting and one.note_code}
    flags = {flag.code for flag in edition.tables.flags.values() if flag.notes}
    return {*rows, *flags, *OWN_NOTES}


def referral_codes(edition: Edition) -> set[str]:
    """Codes of every referral note: those of the refer rows and every flag."""
    rows = {one.note_code for one in edition.by_effect[Effect.REFER] if one.note_code}
    return {*rows, *edition.tables.flags}


def _check_makers(reader: Reader, edition: Edition) -> None:
    for code, rules in edition.tables.makers_of.items():
        if not rules:
            reader.refuse_file("criteria.csv", f"no row makes the finding {code}")
    for rule in edition.rules:
        if rule.effect is Effect.REFER and rule.urgency is Urgency.NONE:
            reader.refuse_line("rules.csv", rule.line, "urgency: a referral cannot have none")


def _check_safety(reader: Reader, edition: Edition) -> None:
    """Safety rows are read before anything is judged, so they cannot ask for findings."""
    after = (QualifierKind.FINDING, QualifierKind.SIDE_OF)
    for rule in edition.safety:
        asks = any(one.kind in after or one.code == "all_borderline" for one in rule.qualifiers)
        if rule.findings or asks:
            text = "a withholding row of R01 to R15 cannot ask for findings"
            reader.refuse_line("rules.csv", rule.line, text)


def _check_sentences(reader: Reader, edition: Edition) -> None:
    """Refuse notes.csv where a code has no sentence, or a sentence no code."""
    states = {*OWN_STATES, *(one.rule for one in edition.safety if _holds_by_rule(one))}
    wanted = {
        SentenceKind.NOTE: note_codes(edition),
        SentenceKind.REFERRAL: referral_codes(edition),
        SentenceKind.STATE: states,
    }
    for kind, codes in wanted.items():
        found = {code for code, of in edition.sentences if of is kind}
        for code in sorted(codes - found):
            reader.refuse_file("notes.csv", f"{kind} {code} has no sentence")
        for code in sorted(found - codes):
            reader.refuse_file("notes.csv", f"{kind} {code} is given by no table")


def _holds_by_rule(rule: Rule) -> bool:
    return rule.stops_impact_or_all and not rule.asks_flags and not rule.asks_stop_all


def _after_merge(rule: Rule) -> bool:
    return any(one.kind is QualifierKind.ENTRY and one.code == "rules" for one in rule.of_entry)


def _codes(edition: Edition, reader: Reader) -> dict[str, set[str]]:
    rules = set(_rule_numbers(edition))
    facts = edition.tables.facts
    return {
        "outcomes": set(OUTCOMES),
        "scopes": set(SCOPES),
        "rules": rules,
        "flags": set(edition.tables.flags),
        "holders": {*rules, *edition.tables.flags},
        "findings": set(edition.tables.findings),
        "exercises": set(edition.exercises),
        "kit": set(facts["equipment"].choices) if "equipment" in facts else set(),
        "referrals": referral_codes(edition),
        "notes": note_codes(edition),
    }


def _rule_numbers(edition: Edition) -> Iterator[str]:
    yield from (rule.rule for rule in edition.rules)
    yield from (criterion.rule for criterion in edition.tables.criteria)
