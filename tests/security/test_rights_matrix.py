"""Who may do what on which page: the whole table, read from the pages themselves, and tried with each role."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from tidetray.ingest.home.accounts import ROLES, Person
from tidetray.ui.web import sign_in

UI = Path(__file__).parents[2] / "ui"
WRITERS = {"writing", "require"}


def _actions() -> Iterator[tuple[str, str, str]]:
    """Page or part, function, role: every place where something is written or asked to be allowed."""
    folders = ("views", "parts", "changes", "cache")
    for path in sorted(path for folder in folders for path in (UI / folder).glob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for function in [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]:
            for call in [node for node in ast.walk(function) if isinstance(node, ast.Call)]:
                module, _, named = ast.unparse(call.func).rpartition(".")
                if module == "sign_in" and named in WRITERS:
                    for role in _roles(call.args[0], function, tree):
                        yield str(path.relative_to(UI).with_suffix("")), function.name, role


def _roles(asked: ast.expr, function: ast.FunctionDef, tree: ast.Module) -> list[str]:
    """The role that is written out; or, of a parameter, its default and what is handed to that function."""
    if isinstance(asked, ast.Constant):
        return [str(asked.value)]
    handed = [
        str(each.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.keyword) and node.arg == "args" and isinstance(node.value, ast.Tuple)
        for each in node.value.elts
        if isinstance(each, ast.Constant) and each.value in ROLES
    ]
    return [*(str(each.value) for each in function.args.defaults if isinstance(each, ast.Constant)), *handed]


def test_each_action_asks_for_the_role_of_the_table(monkeypatch: pytest.MonkeyPatch) -> None:
    actions = sorted(set(_actions()))
    assert len(actions) >= 5
    lines, refused = [], 0
    for page, action, needed in actions:
        marks = []
        for role in ROLES:
            monkeypatch.setattr(sign_in, "visitor", lambda role=role: Person("Robin", role))
            try:
                sign_in.require(needed)
                marks.append("may")
            except sign_in.NotAllowedError:
                marks.append("-")
                refused += 1
        order = list(ROLES)
        assert marks == ["may" if order.index(role) >= order.index(needed) else "-" for role in ROLES], (page, action)
        lines.append(
            f"{page:<24} {action:<24} " + " ".join(f"{role}={mark:<3}" for role, mark in zip(ROLES, marks, strict=True))
        )
    print("\n" + "\n".join(lines))
    print(f"roles x actions: tried={3 * len(actions)} refused={refused}")
    monkeypatch.setattr(sign_in, "visitor", lambda: None)
    for role in ROLES:
        with pytest.raises(sign_in.NotAllowedError, match="no longer signed in"):
            sign_in.require(role)


def test_who_may_only_look_changes_nothing_but_their_own_password() -> None:
    assert {(page, action) for page, action, needed in _actions() if needed == "look"} == {("views/settings", "_act")}
