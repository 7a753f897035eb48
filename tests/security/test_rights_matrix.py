"""Who may do what on which page: the whole table, read from the pages themselves, and tried with each role."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.conftest import Figures
from tidetray.ingest.home.accounts import ROLES, Person
from tidetray.ui.web import sign_in
from tidetray.ui.words import PAGES

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


RIGHTS = {
    "views/trays": {},
    "views/alarms": {},  # its buttons go through changes/acknowledging
    "views/weigh": {},  # and these through changes/weighing
    "views/trial": {},
    "views/growth": {},
    "views/pot": {},
    "views/compare": {},
    "views/relate": {},
    "views/positions": {},
    "views/tune": {"begin_form": "manage", "in_force": "manage"},
    "views/report": {},
    "views/notebook": {"_act": "weigh"},
    "views/from_sheet": {"_save": "manage"},
    "views/plan": {"_begin": "manage"},
    "views/set_up": {"_act": "manage", "_record_trays": "manage"},
    "views/settings": {
        "_act": "look manage",  # one's own password; everybody's accounts
        "_add_person": "manage",
        "_change_file": "manage",
        "_listen": "manage",
        "_map": "manage",
        "_save": "manage",
        "_test": "manage",
    },
    "views/tray": {},
    "changes/acknowledging": {"_book": "weigh"},
    "parts/flooding_asked": {"_save": "manage"},
    "changes/weighing": {"_carry_out": "weigh", "note_gone": "weigh"},
    "parts/node_users": {"_act": "manage"},
    "parts/trial_form": {"_add_trays": "manage", "_begin": "manage"},
    "parts/trial_life": {"_do": "manage", "_place": "manage", "_save": "manage"},
}
"""Page, or part of pages, and its actions with the role that each needs. Whoever adds one says it here."""


def test_the_table_has_every_page_and_every_action() -> None:
    found: dict[str, dict[str, str]] = {f"views/{page}": {} for page in PAGES}
    assert {path.stem for path in (UI / "views").glob("*.py")} == {*PAGES, "__init__"}
    for page, action, role in sorted(set(_actions())):
        roles = found.setdefault(page, {})
        roles[action] = f"{roles[action]} {role}" if action in roles else role
    assert found == RIGHTS


def test_each_action_asks_for_the_role_of_the_table(monkeypatch: pytest.MonkeyPatch, figures: Figures) -> None:
    order, lines = list(ROLES), []
    tried = refused = 0
    for page, actions in RIGHTS.items():
        if not actions:
            lines.append(f"{page:<24} shows only")
        for action, needed in [(action, role) for action, roles in actions.items() for role in roles.split()]:
            marks = []
            for role in ROLES:
                monkeypatch.setattr(sign_in, "visitor", lambda role=role: Person("Robin", role))
                try:
                    sign_in.require(needed)
                    marks.append("may")
                except sign_in.NotAllowedError:
                    marks.append("-")
            expected = ["may" if order.index(role) >= order.index(needed) else "-" for role in ROLES]
            assert marks == expected, (page, action)
            tried, refused = tried + len(marks), refused + marks.count("-")
            shown = " ".join(f"{role}={mark:<3}" for role, mark in zip(ROLES, marks, strict=True))
            lines.append(f"{page:<24} {action:<24} {shown}")
    print("\n" + "\n".join(lines))
    figures(f"roles x actions: tried={tried} refused={refused}")
    monkeypatch.setattr(sign_in, "visitor", lambda: None)
    for role in ROLES:
        with pytest.raises(sign_in.NotAllowedError, match="no longer signed in"):
            sign_in.require(role)


def test_who_may_only_look_changes_nothing_but_their_own_password() -> None:
    assert {(page, action) for page, action, needed in _actions() if needed == "look"} == {("views/settings", "_act")}
