"""Text stays text, whatever it holds, and pages are drawn by nothing else."""

from __future__ import annotations

import ast
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidetray.ui.parts import look
from tidetray.ui.tag import joined, tag

UI = Path(__file__).parents[2] / "ui"


class Parsed(HTMLParser):
    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed("".join(html))  # plain: pieces of `Markup` would be escaped again
        self.close()

    def handle_starttag(self, name: str, attributes: list[tuple[str, str | None]]) -> None:
        self.elements.append((name, dict(attributes)))

    def handle_data(self, text: str) -> None:
        self.text += text


# a parser may join or change line ends and control characters, which is not what is looked at here
names = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=40)


@given(names, names, names)
def test_whatever_a_name_holds_it_makes_no_element_and_no_attribute(inside: str, beside: str, value: str) -> None:
    found = Parsed(tag("p", inside, tag("b", beside), aria_label=value))
    assert [name for name, _ in found.elements] == ["p", "b"]
    assert found.elements[0][1] == {"aria-label": value}
    assert found.text == inside + beside


def test_a_script_in_a_name_is_shown_as_it_was_typed() -> None:
    name = "<script>alert(1)</script> ![](http://evil.example/x.png) & \"'"
    assert Parsed(joined((name, tag("br"), name))).text == name + name
    assert "<script" not in tag("div", name, title=name)


def test_attributes_without_a_value_and_left_out() -> None:
    assert tag("input", required=True, autofocus=False, value=None, for_="x") == '<input required for="x">'
    assert tag("div", css="a b", aria_label="c") == '<div class="a b" aria-label="c"></div>'


def test_only_what_was_made_so_is_drawn() -> None:
    with pytest.raises(TypeError):
        look.draw("<b>typed by hand</b>")  # type: ignore[arg-type]


def _by_hand(tree: ast.AST) -> list[str]:
    """Calls that put HTML or Markdown of one's own on a page, and HTML with places for values to fall into."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and ast.unparse(node.func) == "st.html":
            if not any(keyword.arg == "unsafe_allow_javascript" for keyword in node.keywords):
                found.append(f"{node.lineno}: st.html")
        elif isinstance(node, ast.Call) and ast.unparse(node.func) in {"st.markdown", "st.write"}:
            if node.args and isinstance(node.args[0], ast.JoinedStr):
                found.append(f"{node.lineno}: Markdown with a value in it")
        elif isinstance(node, ast.ImportFrom) and node.module == "html":
            found.append(f"{node.lineno}: html.escape")
    return found


@pytest.mark.parametrize("path", sorted(UI.rglob("*.py")), ids=lambda path: str(path.relative_to(UI)))
def test_pages_make_their_html_by_tag(path: Path) -> None:
    allowed = {"parts/look.py": 2}  # the style sheet, and `draw` itself
    found = _by_hand(ast.parse(path.read_text(encoding="utf-8")))
    assert len(found) <= allowed.get(str(path.relative_to(UI)), 0), found
