"""Every public function that judges or measures says where it comes from."""

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
NAMED = re.compile(r"Source:|[Bb]y definition")


def public_functions(folder):
    for path in sorted(folder.glob("*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                yield f"{path.name} {node.name}", ast.get_docstring(node) or ""


def test_every_public_function_of_the_domain_names_its_source():
    said = dict(public_functions(ROOT / "assessments" / "domain"))

    assert len(said) > 130
    assert [name for name, words in said.items() if not NAMED.search(words)] == []


def test_function_without_a_source_is_found(tmp_path):
    (tmp_path / "one.py").write_text(
        'def bare():\n    """A number."""\n\n\ndef _own():\n    """."""\n'
    )

    assert [name for name, words in public_functions(tmp_path) if not NAMED.search(words)] == [
        "one.py bare"
    ]
