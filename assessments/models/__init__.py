"""Tables of what is asked, seen and measured."""

from assessments.models.addenda import Addendum
from assessments.models.assessments import (
    Assessment,
    Finding,
    Observation,
    ScoreValue,
    TestResult,
    Trial,
)
from assessments.models.episodes import Episode, Goal
from assessments.models.histories import HistoryAnswer, RunningHistory, Screening, ScreeningAnswer
from assessments.models.placements import Placement
from assessments.models.retractions import Retraction
from assessments.models.terms import Fact, Feature, FindingTerm, Flag, Score, Test

__all__ = [
    "Addendum",
    "Assessment",
    "Episode",
    "Fact",
    "Feature",
    "Finding",
    "FindingTerm",
    "Flag",
    "Goal",
    "HistoryAnswer",
    "Observation",
    "Placement",
    "Retraction",
    "RunningHistory",
    "Score",
    "ScoreValue",
    "Screening",
    "ScreeningAnswer",
    "Test",
    "TestResult",
    "Trial",
]
