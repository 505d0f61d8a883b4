"""Proposals for files: reads one assessment and the reference tables, writes nothing."""

import json
from collections.abc import Mapping
from pathlib import Path

from assessments.domain.assessment import Assessment
from clinic.json_files import load_json, text_of
from exercises.assessment_file import read_assessment
from exercises.domain.edition import FILES, Edition, build_edition
from exercises.domain.printing import proposal_json
from exercises.domain.proposals import Proposal, propose

SCHEMA = "assessment.schema.json"


def reference_texts(folder: Path) -> dict[str, str]:
    """Texts of the reference tables by file name; what is missing is named by BadTables."""
    paths = {name: folder / name for name in FILES}
    return {
        name: path.read_text(encoding="utf-8") for name, path in paths.items() if path.exists()
    }


def assessment_of(path: Path, texts: Mapping[str, str], edition: Edition) -> Assessment:
    """The assessment that a file holds.

    Raises BadFile with every error, also for a file that cannot be read.
    """
    return read_assessment(load_json(text_of(path)), load_json(texts[SCHEMA]), edition)


def evaluated(path: Path, folder: Path) -> tuple[Assessment, Proposal, Edition]:
    """The assessment in a file, its proposal, and the edition in a folder that judged it.

    Raises BadFile for the file and BadTables for the folder.
    """
    texts = reference_texts(folder)
    edition = build_edition(texts)
    assessment = assessment_of(path, texts, edition)
    return assessment, propose(assessment, edition), edition


def printed(proposal: Proposal) -> str:
    """The proposal as JSON text, the same bytes for the same proposal."""
    return json.dumps(proposal_json(proposal), ensure_ascii=False, indent=1)
