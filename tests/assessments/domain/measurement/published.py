"""Published numbers of the data folder as arrays; sources stand in each file's first lines."""

import csv
import json
from pathlib import Path

import numpy as np

DATA = Path(__file__).parent / "data"


def rows(name):
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def columns(name):
    """Column name to array of floats; words and gaps are NaN."""
    table = rows(name)
    return {key: np.array([number(row[key]) for row in table]) for key in table[0]}


def number(text):
    try:
        return float(text)
    except ValueError:
        return np.nan


def pairs(table, start, end):
    """Landmark array of shape (n, 2) from the columns start x end and start y end."""
    return np.column_stack([table[f"{start}x{end}"], table[f"{start}y{end}"]])


def document(name):
    return json.loads((DATA / name).read_text(encoding="utf-8"))
