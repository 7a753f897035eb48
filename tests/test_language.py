"""Plain English: phrases that no screen, message, help text or document may hold.

Checked are the strings with a space of all packages, the help of commands, and the documents that users read; not
docstrings and comments, SQL and scripts.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
BANNED = (
    r"\bhangs? on\b",
    r"\bby lot\b",
    r"\banew\b",
    r"\bis over\b",
    r"\bmend\b",
    r"\blook first\b",
    r"\bsays so\b",
    r"said hello",
    r"sign of life",
    r"\bso many (days|hours|trays)\b",
    r"as heavy\b",
    r"told apart",
    r"points of %",
    r"\bcannot be$",
    r"95 times in 100",
    r"\bby seed\b",
    r"[;,] else ",
    r"\bspeaks of\b",
    r"\b(NOT TOLD|node says|float says|whom to tell)\b",
    r"\bwent with\b",
    r"tells? (the treatments )?apart",
    r"as equal for now",
    r"\bof (its|their) own:?$",
    r"\b(set|put) aside\b",  # into quarantine
)
DOCUMENTS = ("README.md", "ui/guide/*.md")


def _strings(path: Path) -> Iterator[str]:
    tree = ast.parse(path.read_text())
    alone = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in alone:
            if " " in node.value and not re.search(r"\b(SELECT|INSERT|UPDATE|CREATE|DELETE)\b|<script", node.value):
                yield node.value
        elif isinstance(node, ast.FunctionDef) and any(
            re.search(r"\b(command|group)\b", ast.unparse(each)) for each in node.decorator_list
        ):
            yield ast.get_docstring(node) or ""


@cache
def _said() -> tuple[tuple[str, str], ...]:
    """File and text of all that people read, found once for all phrases."""
    in_code = [
        (str(path.relative_to(ROOT)), said)
        for package in ("ui", "ingest", "analysis")
        for path in sorted((ROOT / package).rglob("*.py"))
        for said in _strings(path)
    ]
    in_documents = [
        (str(path.relative_to(ROOT)), line)
        for pattern in DOCUMENTS
        for path in sorted(ROOT.glob(pattern))
        for line in path.read_text().splitlines()
    ]
    return (*in_code, *in_documents)


@pytest.mark.parametrize("phrase", BANNED)
def test_no_string_for_people_holds_it(phrase: str) -> None:
    banned = re.compile(phrase, re.IGNORECASE)
    assert len(_said()) > 2000
    assert not [f"{path}: {said}" for path, said in _said() if banned.search(said)]
