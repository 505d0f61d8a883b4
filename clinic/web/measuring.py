"""Measures for files: reads one file of landmarks and events, writes nothing."""

import json
from pathlib import Path

from assessments.domain.measured import EventError
from assessments.domain.measurement import measurement
from assessments.measurement_file import SCHEMA, event_error, read_measurement
from clinic.json_files import BadFile, load_json, text_of


def measured(path: Path, folder: Path) -> str:
    """The measures of one file as JSON text, the same bytes for the same file.

    folder: holds measurement.schema.json. Raises BadFile with every error, also for a file that
    cannot be read and for events that contradict each other.
    """
    schema = load_json((folder / SCHEMA).read_text(encoding="utf-8"))
    trial = read_measurement(load_json(text_of(path)), schema)
    try:
        result = measurement(trial)
    except EventError as error:
        raise BadFile([event_error(error)]) from error
    return json.dumps(result, ensure_ascii=False, indent=1, allow_nan=False)
