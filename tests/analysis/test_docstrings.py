"""Every function that other folders use says in numpydoc form what goes in, what comes out, and what it refuses.

Public is what a module outside its own folder imports, and what a folder's `__all__` lists.
"""

from __future__ import annotations

import ast
import builtins
import re
from functools import cache
from pathlib import Path

HOUSE = Path(__file__).parents[2]
FOLDERS = ("ingest", "analysis", "ui")


@cache
def trees() -> dict[Path, ast.Module]:
    return {path: ast.parse(path.read_text()) for folder in FOLDERS for path in (HOUSE / folder).rglob("*.py")}


def _public() -> list[tuple[Path, ast.FunctionDef]]:
    asked: set[tuple[str, str]] = set()
    for path, tree in trees().items():
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("tidetray.analysis."):
                *folder, module = str(node.module).split(".")[1:]
                if path.parent != HOUSE.joinpath(*folder):
                    asked |= {("/".join([*folder, module]), each.name) for each in node.names}
    found = []
    for path, tree in trees().items():
        module = path.relative_to(HOUSE).with_suffix("").as_posix()
        listed = {name for node in tree.body for name in _listed(node)}
        found += [
            (path, node)
            for node in tree.body
            if isinstance(node, ast.FunctionDef) and ((module, node.name) in asked or node.name in listed)
        ]
    return [(path, node) for path, node in found if path.is_relative_to(HOUSE / "analysis")]


def _listed(node: ast.stmt) -> list[str]:
    """The names of an `__all__`."""
    if isinstance(node, ast.Assign) and any(isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets):
        return [each.value for each in ast.walk(node.value) if isinstance(each, ast.Constant)]
    return []


def lacking(node: ast.FunctionDef) -> list[str]:
    """What the docstring of a function does not say."""
    text = ast.get_docstring(node) or ""
    sections = dict(re.findall(r"^(\w+)\n-+\n(.*?)(?=^\w+\n-+\n|\Z)", text, flags=re.MULTILINE | re.DOTALL))
    heads = re.findall(r"^(\S.*?)(?: :.*)?$", sections.get("Parameters", ""), flags=re.MULTILINE)
    named = {name.strip() for head in heads for name in head.split(",")}
    arguments = [each.arg for each in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)]
    out = [f"parameter {name}" for name in arguments if name not in named]
    nothing = isinstance(node.returns, ast.Constant) and node.returns.value is None
    if not nothing and not {"Returns", "Yields"} & sections.keys():
        out.append("what it returns")
    if any(isinstance(each, ast.Raise) for each in ast.walk(node)) and "Raises" not in sections:
        out.append("what it raises")
    return out


def test_public_functions_say_what_goes_in_and_comes_out() -> None:
    public = _public()
    assert len(public) > 100
    assert not [
        f"{path.relative_to(HOUSE)}: {node.name} does not say {', '.join(missing)}"
        for path, node in public
        if (missing := lacking(node))
    ]


TYPE = re.compile(r"^(?:\w[\w, ]* : )?(?:\w+ of )?([A-Z][a-z]\w+)(?: or None|, optional)?$", re.MULTILINE)
HEADINGS = {"Parameters", "Returns", "Raises", "Yields", "Attributes", "Notes", "Examples", "References"}


def test_types_that_docstrings_name_exist() -> None:
    """A class that was given another name keeps the old one in docstrings otherwise."""
    known = HEADINGS | set(dir(builtins))
    for tree in trees().values():
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef):
                known.add(node.name)
            elif isinstance(node, ast.Name):
                known.add(node.id)
            elif isinstance(node, ast.Attribute):
                known.add(node.attr)
            elif isinstance(node, ast.alias):
                known.add(node.asname or node.name)
    assert not [
        f"{path.relative_to(HOUSE)}: {node.name}: {name}"
        for path, tree in trees().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef | ast.ClassDef)
        for name in TYPE.findall(ast.get_docstring(node) or "")
        if name not in known
    ]


def test_what_is_missing_is_found() -> None:
    bare = ast.parse("def f(x: int, y: int, z: int) -> int:\n    '''A.'''\n    raise ValueError\n").body[0]
    assert isinstance(bare, ast.FunctionDef)
    assert lacking(bare) == ["parameter x", "parameter y", "parameter z", "what it returns", "what it raises"]
    whole = ast.parse(
        "def f(x: int, y: int) -> None:\n"
        "    '''A.\n\n    Parameters\n    ----------\n    x, y : int\n        Numbers.\n    '''\n"
    ).body[0]
    assert isinstance(whole, ast.FunctionDef)
    assert lacking(whole) == []
