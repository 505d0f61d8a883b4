"""Papers that rest on an assessment which was retracted: they stay, and are not used any more."""

from django.db.models import Exists, ExpressionWrapper, F, OuterRef, QuerySet, Value
from django.db.models.fields import CharField
from django.db.models.functions import Cast, Concat

from assessments.models import Assessment, Retraction
from clinic.models import Paper
from exercises.models import Programme

NOT_USED = (
    "The assessment that this paper rests on was retracted: it is not signed, sent or continued."
)


def letters_about(assessment: Assessment) -> str:
    """How the key of a letter about this assessment begins; the reader follows."""
    return f"assessment-{assessment.pk}-"


def handout_about(programme: Programme) -> str:
    """The key of what is handed out of a programme."""
    return f"programme-{programme.pk}"


def _gone() -> tuple[Exists, Exists]:
    """Whether a retraction stands for a letter, and for a handout; keys as above, in SQL."""
    retractions = Retraction.objects.filter(assessment__client=OuterRef("client"))
    about = ExpressionWrapper(OuterRef("about"), output_field=CharField())
    retractions = retractions.annotate(about=about)
    letter = Concat(Value("assessment-"), Cast("assessment_id", CharField()), Value("-"))
    handout = Concat(Value("programme-"), Cast("assessment__programme__pk", CharField()))
    return (
        Exists(retractions.annotate(key=letter).filter(about__startswith=F("key"))),
        Exists(retractions.annotate(key=handout).filter(about=F("key"))),
    )


def with_rest(papers: QuerySet[Paper]) -> QuerySet[Paper]:
    """Papers that know as `retracted` whether their assessment was retracted: no further query."""
    letter, handout = _gone()
    return papers.annotate(retracted=letter | handout)


def without_retracted(papers: QuerySet[Paper]) -> QuerySet[Paper]:
    """Papers that may be signed, sent or handed over."""
    letter, handout = _gone()
    return papers.exclude(letter | handout)


def is_retracted(paper: Paper) -> bool:
    """Whether the assessment that a paper rests on was retracted, asked now."""
    return not without_retracted(Paper.objects.filter(pk=paper.pk)).exists()
