"""The node's program is typed for mypy, at no cost on the board, which has no `typing`."""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path

import pytest

from tests.node.workbench import NODE

PROJECT = NODE.parents[1]
MODULES = sorted(NODE.glob("*.py"))


def test_mypy_reads_every_module_of_the_node() -> None:
    settings = tomllib.loads((PROJECT / "pyproject.toml").read_text())["tool"]["mypy"]
    assert settings["strict"]
    assert settings["modules"] == [path.stem for path in MODULES]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_what_only_mypy_has_is_imported_for_mypy_only(path: Path) -> None:
    """MicroPython looks at no annotation, but would fail on these imports."""
    only_for_mypy = {"typing", "collections.abc", "io", "micropython_types", "__future__"}
    tree = ast.parse(path.read_text())
    imported = {node.module for node in tree.body if isinstance(node, ast.ImportFrom)}
    imported |= {name.name for node in tree.body if isinstance(node, ast.Import) for name in node.names}
    assert not imported & only_for_mypy
