"""The shape of the project: what may import what, what the top level and the folders hold; and that what documents,
docstrings and comments name exists."""

from __future__ import annotations

import ast
import io
import re
import subprocess
import tokenize
from collections.abc import Iterator
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TOP = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "ingest",
    "analysis",
    "ui",
    "firmware_notes",
    "tests",
    "compose.yaml",
}
PACKAGES = ("ingest", "analysis", "ui")
ENTRANCES = {"ui/app.py", "ui/tidetray"}
"""Where the pages and the command begin: they import any folder, and no folder imports them."""

PARTS = (*PACKAGES, "firmware_notes")
_INGEST = "core wire store notebook files cycles alarms settings influx recorder home nursery"
_ANALYSIS = "base stats conditions growth compare relations dose plan live record pictures questions"
_UI = "web charts prints report cache changes parts views demo cli"
FOLDERS = {"ingest": _INGEST.split(" "), "analysis": _ANALYSIS.split(" "), "ui": _UI.split(" ")}
"""The folders of a package, each importing only those before it."""

RUNS_SQL = {"ingest/store", "ingest/notebook", "ingest/alarms", "ingest/home", "ingest/influx"}
"""The folders that run SQL: the record's own two, and three that keep tables of their own."""

STORES_TABLES = {
    *("series", "reading", "hourly", "message_range", "message_gap", "node", "boot_start", "cycle", "cycles_due"),
    "cycle_chart",
    *("quarantine", "quarantine_tray", "quarantine_day", "counter", "sealed", "sealed_part", "migration"),
    *("tail", "tail_folded", "tail_state"),
}
"""What only `ingest/store` names in SQL."""

MODULES_IN_A_FOLDER = 18
READS_RECORD = {"record", "questions"}
"""The folders of `analysis` that know the record on disk; everything else there works on frames."""

IO_MODULES = {"sqlite3", "pathlib", "os", "time", "tidetray.ingest.store", "tidetray.ingest.notebook.notebook"}


@cache
def _tracked() -> tuple[str, ...]:
    """The files of the project, also those that are not committed yet."""
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return tuple(name for name in listed.stdout.splitlines() if (ROOT / name).is_file())


def _sources(*folders: str) -> Iterator[Path]:
    for folder in folders:
        yield from (ROOT / folder).rglob("*.py")


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text())


@cache
def _imports(path: Path) -> set[str]:
    """Names imported anywhere in a file, except under `if TYPE_CHECKING`."""
    tree = _tree(path)
    typing_only = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"
        for inner in ast.walk(node)
    }
    names: set[str] = set()
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def _folder(name: str) -> tuple[str, str] | None:
    """('ingest', 'store') of 'tidetray.ingest.store.recording'; None for what is in no folder."""
    parts = name.split(".")
    return (parts[1], parts[2]) if len(parts) > 2 and parts[0] == "tidetray" and parts[1] in FOLDERS else None


def test_everything_is_imported_by_its_one_name() -> None:
    bare = re.compile(r"^\s*(from|import) (ingest|analysis|ui|firmware_notes)\b", re.MULTILINE)
    assert not [str(path) for path in _sources(*PACKAGES, "tests") if bare.search(path.read_text())]


def test_imports_go_one_way_between_packages() -> None:
    for place, package in enumerate(PACKAGES):
        later = {f"tidetray.{each}" for each in PACKAGES[place + 1 :]}
        for path in _sources(package):
            upwards = {name for name in _imports(path) if ".".join(name.split(".")[:2]) in later}
            assert not upwards, f"{path.relative_to(ROOT)} imports {upwards}"


@pytest.mark.parametrize("package", FOLDERS)
def test_a_folder_imports_only_folders_before_it(package: str) -> None:
    order = FOLDERS[package]
    present = {path.parent.name for path in (ROOT / package).glob("*/*.py") if _folder_of(path) not in ENTRANCES}
    assert present <= set(order), f"{package}: folders that have no place in the order: {present - set(order)}"
    wrong = []
    for path in _sources(package):
        own = path.relative_to(ROOT / package).parts[0]
        for name in _imports(path):
            other = _folder(name)
            if own in order and other and other[0] == package and other[1] in order[order.index(own) + 1 :]:
                wrong.append(f"{path.relative_to(ROOT)} imports {name}")
    assert not wrong


def test_what_lies_beside_the_folders_imports_none_of_them() -> None:
    """Words, columns and the like are there for every folder of their package. A package's own `__init__` gathers."""
    beside = [path for package in PACKAGES for path in (ROOT / package).glob("*.py") if path.name != "__init__.py"]
    assert {path.name for path in beside} > {"words.py", "columns.py"}
    wrong = [
        f"{path.relative_to(ROOT)} imports {name}"
        for path in beside
        if _folder_of(path) not in ENTRANCES
        for name in _imports(path)
        if (other := _folder(name)) and other[0] == path.parent.name and other[1] in FOLDERS[other[0]]
    ]
    assert not wrong


def test_no_folder_imports_an_entrance() -> None:
    entrances = {"tidetray." + at.removesuffix(".py").replace("/", ".") for at in ENTRANCES}
    for path in _sources(*PACKAGES):
        assert _folder_of(path) in ENTRANCES or not _imports(path) & entrances, path.relative_to(ROOT)


def test_no_folders_import_each_other_in_a_circle() -> None:
    """Over all packages at once: also what each folder's order allows is walked as a graph."""
    graph: dict[str, set[str]] = {}
    for path in _sources(*PACKAGES):
        own = ".".join(path.parent.relative_to(ROOT).parts)
        others = {
            ".".join(found) for name in _imports(path) if (found := _folder(name)) and found[1] in FOLDERS[found[0]]
        }
        if path.name != "__init__.py" and _folder_of(path) not in ENTRANCES:
            graph.setdefault(own, set()).update(others - {own})
    assert len(graph) > 30
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as circle:
        pytest.fail(f"folders import each other: {' -> '.join(circle.args[1])}")


def test_no_modules_import_each_other_in_a_circle() -> None:
    modules = {
        "tidetray." + ".".join(path.relative_to(ROOT).with_suffix("").parts): path for path in _sources(*PACKAGES)
    }
    graph = {name: (_imports(path) & set(modules)) - {name} for name, path in modules.items()}
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as circle:
        pytest.fail(f"modules import each other: {' -> '.join(circle.args[1])}")


OFFERED = {("tidetray.ui.tag", "Markup"), ("tidetray.ui.tag", "escape")}
"""Others' names that a module passes on: what `tag` makes is a `Markup`."""


def _file(module: str) -> Path | None:
    """The file of a module of ours; None for a folder, whose `__init__` may offer what its modules hold."""
    path = ROOT.joinpath(*module.split(".")[1:]).with_suffix(".py")
    return path if path.is_file() else None


@cache
def _defined(path: Path) -> frozenset[str]:
    names: set[str] = set()
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.FunctionDef | ast.ClassDef | ast.AsyncFunctionDef):
            names.add(node.name)
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            names.add(node.id)
    return frozenset(names)


def test_a_name_is_imported_from_where_it_is_defined() -> None:
    """So that a name has one place, and no import is of what is gone (benches are run seldom)."""
    wrong = [
        f"{path.relative_to(ROOT)}: {alias.name} is not defined in {node.module}"
        for path in _sources(*PACKAGES, "tests")
        for node in ast.walk(_tree(path))
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("tidetray.")
        for source in [_file(str(node.module))]
        if source is not None
        for alias in node.names
        if alias.name not in _defined(source) and (node.module, alias.name) not in OFFERED
    ]
    assert not wrong


def test_a_class_has_its_name_for_itself() -> None:
    """The node's program, which runs elsewhere, counts separately."""
    places: dict[str, list[str]] = {}
    for path in _sources(*PACKAGES):
        for node in _tree(path).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                places.setdefault(node.name, []).append(str(path.relative_to(ROOT)))
    assert not {name: where for name, where in places.items() if len(where) > 1}


def test_a_module_gives_a_name_once() -> None:
    """A constant that is given again further down is another one for whoever reads the first."""
    for path in _sources(*PACKAGES):
        given = [
            name.id
            for node in _tree(path).body
            if isinstance(node, ast.Assign)
            for target in node.targets
            for name in (target.elts if isinstance(target, ast.Tuple) else [target])
            if isinstance(name, ast.Name)
        ]
        assert len(given) == len(set(given)), path


def test_analysis_reads_the_record_in_its_own_folders_only() -> None:
    for path in _sources("analysis"):
        if path.relative_to(ROOT / "analysis").parts[0] in READS_RECORD or path.name == "__init__.py":
            continue
        found = {name for name in _imports(path) if any(name == io or name.startswith(io + ".") for io in IO_MODULES)}
        assert not found, f"{path.relative_to(ROOT)} imports {found}"


def test_the_library_of_statistics_loads_when_it_is_used() -> None:
    """A page of a server just started waits a second for it, mostly to show what was worked out before."""
    every = {name for path in _sources("analysis") for name in _imports(path) if name.split(".")[0] == "scipy"}
    assert every == {"scipy"}


def test_the_top_level_is_fixed() -> None:
    top = {name.split("/")[0] for name in _tracked()}
    assert {name for name in top if not name.startswith(".")} <= TOP


def test_a_folder_holds_what_one_can_overlook() -> None:
    held: dict[Path, int] = {}
    for path in _sources(*PACKAGES):
        held[path.parent] = held.get(path.parent, 0) + (path.name != "__init__.py")
    assert not {str(folder.relative_to(ROOT)): n for folder, n in held.items() if n > MODULES_IN_A_FOLDER}


FITS_A_SCREEN = 60
"""Lines of a function without its docstring."""


def _lines(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    documented = ast.get_docstring(function) is not None and len(function.body) > 1
    begin = function.body[1].lineno if documented else function.lineno
    return (function.end_lineno or begin) - begin + 1


def test_a_function_fits_a_screen() -> None:
    assert not {
        f"{path.relative_to(ROOT)}: {node.name}": _lines(node)
        for path in _sources(*PARTS)
        for node in ast.walk(_tree(path))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and _lines(node) > FITS_A_SCREEN
    }


def test_every_folder_says_what_lives_in_it() -> None:
    for folder in {path.parent for path in _sources(*PACKAGES)}:
        about = folder / "__init__.py"
        assert about.exists(), folder
        assert ast.get_docstring(ast.parse(about.read_text())), folder


def test_pyproject_lists_every_folder_as_a_package() -> None:
    listed = set(re.findall(r'"(tidetray(?:\.\w+)*)",', (ROOT / "pyproject.toml").read_text()))
    folders = {
        "tidetray." + ".".join(path.parent.relative_to(ROOT).parts)
        for path in _sources(*PACKAGES, "firmware_notes")
        if path.name == "__init__.py" and path.parent != ROOT / "ui" / "tidetray"
    }
    assert folders | {"tidetray"} == listed


# --- what is written about it ---

SUFFIXES = r"(?:py|md|toml|html|json|csv|png|yaml)"
PATH = re.compile(rf"(?<![\w/.<>-])((?:{'|'.join(PARTS)}|tests)/[\w/.-]+\.{SUFFIXES})\b")
FILE = re.compile(r"`([a-z_]\w*\.py)`")
DOTTED = re.compile(rf"\btidetray\.((?:{'|'.join(PARTS)})(?:\.\w+)*)")
LINK = re.compile(r"\]\(([^)#\s:]+)(?:#[^)]*)?\)")


@cache
def _prose(path: Path) -> str:
    """The whole of a document; the docstrings (also those of constants) and comments of a module."""
    text = path.read_text()
    if path.suffix != ".py":
        return text
    said = [
        node.value.value
        for node in ast.walk(_tree(path))
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str)
    ]
    if "#" in text:
        tokens = tokenize.generate_tokens(io.StringIO(text).readline)
        said += [token.string for token in tokens if token.type == tokenize.COMMENT]
    return "\n".join(said)


def _written() -> Iterator[tuple[str, str]]:
    for name in _tracked():
        if name.endswith((".py", ".md")):
            yield name, _prose(ROOT / name)


@cache
def _top_level(path: Path) -> frozenset[str]:
    """What a module defines or offers at its top level."""
    names: set[str] = set()
    for node in _tree(path).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef | ast.AsyncFunctionDef):
            names.add(node.name)
        elif isinstance(node, ast.Import | ast.ImportFrom):
            names |= {alias.asname or alias.name for alias in node.names}
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            names |= {inner.id for target in targets for inner in ast.walk(target) if isinstance(inner, ast.Name)}
            names |= {
                inner.value
                for inner in (ast.walk(node.value) if node.value else ())
                if isinstance(inner, ast.Constant) and isinstance(inner.value, str)
            }  # `__all__`, and tables of names that are loaded when asked for
    return frozenset(names)


def _exists(dotted: str) -> bool:
    """'ingest.core.readings.Tray': the module or folder, and the name in it."""
    at = ROOT
    parts = dotted.split(".")
    for place, part in enumerate(parts):
        if (at / part).is_dir():
            at = at / part
            continue
        if (at / f"{part}.py").is_file():
            return place + 1 == len(parts) or parts[place + 1] in _top_level(at / f"{part}.py")
        return part in _top_level(at / "__init__.py")
    return True


def test_paths_named_in_documents_and_docstrings_exist() -> None:
    tracked = set(_tracked())
    files = {Path(name).name for name in tracked}
    missing = [
        f"{name}: {path}"
        for name, text in _written()
        for path in PATH.findall(text)
        if path not in tracked and not path.endswith("/NAME.py")
    ]
    missing += [f"{name}: {file}" for name, text in _written() for file in FILE.findall(text) if file not in files]
    assert not missing


def test_modules_named_in_documents_and_docstrings_exist() -> None:
    assert not [
        f"{name}: tidetray.{dotted}"
        for name, text in _written()
        for dotted in DOTTED.findall(text)
        if not _exists(dotted)
    ]


NAME = re.compile(r"`([A-Za-z_][\w.]*)`")
OTHERS_NAMES = {
    *("mosquitto_passwd", "auth_basic", "TIDETRAY_SITE"),  # of compose.yaml and what it runs
    *("streamlit", "starlette", "extern", "ufit", "pava", "lm", "morantest"),  # of libraries, of R's packages
    *("mb", "ATEbounds", "estimateSigmaSq", "akaike", "weights", "ExpandProbs", "steepest", "qcochran", "getVIF"),
    *("randomisation", "anova_generic", "gamesHowellTest", "multipletests", "ICCest", "TukeyHSD", "pwr", "t", "test"),
    *("test_case_sha256_0", "websockets"),  # of Python's own tests, of a package
    *("_if_dry", "_if_wet"),  # endings of columns
}
"""Names of others, and parts of names, that the code does not hold."""


def _names_in_code() -> set[str]:
    """Every identifier, and every word of a text that is no docstring."""
    names: set[str] = set()
    for path in (ROOT / name for name in _tracked() if name.endswith(".py")):
        names.add(path.stem)
        alone = {id(node.value) for node in ast.walk(_tree(path)) if isinstance(node, ast.Expr)}
        for node in ast.walk(_tree(path)):
            found = [getattr(node, each, None) for each in ("id", "attr", "arg", "name")]
            if isinstance(node, ast.Constant) and id(node) not in alone:
                found.append(node.value)
            names.update(word for text in found if isinstance(text, str) for word in re.findall(r"\w+", text))
    return names


def test_names_in_documents_and_docstrings_exist() -> None:
    known = _names_in_code() | OTHERS_NAMES
    assert not [
        f"{path}: `{name}`"
        for path, text in _written()
        for name in NAME.findall(text)
        if not known.issuperset(name.strip(".").split("."))
    ]


def test_links_of_documents_lead_somewhere() -> None:
    lost = []
    for name in _tracked():
        if name.endswith(".md"):
            folder = (ROOT / name).parent
            lost += [f"{name}: {to}" for to in LINK.findall((ROOT / name).read_text()) if not (folder / to).exists()]
    assert not lost


def _first_sentence(folder: str) -> str:
    about = ast.get_docstring(ast.parse((ROOT / folder / "__init__.py").read_text())) or ""
    return about.split("\n\n")[0].split("\n")[0]


def test_developers_md_lists_the_folders_in_their_own_words() -> None:
    """Its list is what `python tests/test_layout.py` prints, in the order of imports."""
    listed = (ROOT / "DEVELOPERS.md").read_text().split("<!-- folders -->\n```\n")[1].split("```")[0]
    assert listed == folders_listed()


def folders_listed() -> str:
    """Every folder of code with the first line of its docstring; inside a package in the order of imports."""
    lines = []
    for part in PARTS:
        present = {Path(name).parent.name for name in _tracked() if re.fullmatch(rf"{part}/\w+/__init__\.py", name)}
        order = [folder for folder in FOLDERS.get(part, ()) if folder in present]
        order += sorted(present - set(order) - {"tidetray"})
        lines += [f"{part + '/':<17} {_first_sentence(part)}"]
        lines += [f"  {folder + '/':<15} {_first_sentence(f'{part}/{folder}')}" for folder in order]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(folders_listed(), end="")


_RUNS = {"execute", "executemany", "executescript", "read_sql", "read_sql_query"}
_NAMED = re.compile(r"\b(?:FROM|INTO|UPDATE|JOIN|TABLE)\s+([a-z_]+)")


def _runs_sql(path: Path) -> bool:
    tree = ast.parse(path.read_text())
    return any(isinstance(node, ast.Attribute) and node.attr in _RUNS for node in ast.walk(tree))


def _named_tables(path: Path) -> set[str]:
    """What the texts of a file name as a table, where SQL's words are written as such."""
    tree = ast.parse(path.read_text())
    texts = [node.value for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)]
    return {table for text in texts for table in _NAMED.findall(text)}


def _folder_of(path: Path) -> str:
    return "/".join(path.relative_to(ROOT).parts[:2])


def test_sql_runs_where_its_tables_are_kept() -> None:
    sources = [*_sources(*PACKAGES, "firmware_notes")]
    outside = [str(p.relative_to(ROOT)) for p in sources if _folder_of(p) not in RUNS_SQL and _runs_sql(p)]
    assert not outside, f"{len(outside)} modules run SQL that is others': {outside}"
    assert _runs_sql(ROOT / "ingest/store/recording.py")


def test_only_the_store_names_its_tables() -> None:
    wrong = {
        str(path.relative_to(ROOT)): named
        for path in _sources(*PACKAGES)
        if _folder_of(path) != "ingest/store" and (named := _named_tables(path) & STORES_TABLES)
    }
    assert not wrong
    assert _named_tables(ROOT / "ingest/store/quarantine.py") >= {"quarantine", "quarantine_day"}
