"""The package as a whole: names, documentation, and the direction in which data flows."""

from __future__ import annotations

import ast
import importlib
import inspect
import pkgutil
import re
from pathlib import Path
from types import ModuleType

import pytest

import fragarea
from fragarea.doubts import DOUBTS, Doubt

ROOT = Path(fragarea.__file__).parent
SOURCES = sorted(ROOT.rglob("*.py"))


def parts_in_order() -> list[str]:
    """The parts that the package docstring lists, in its order."""
    return re.findall(r"^``(\w+)``  ", fragarea.__doc__ or "", flags=re.MULTILINE)


def parts_on_disk() -> set[str]:
    return {part.name for part in pkgutil.iter_modules([str(ROOT)])}


def modules() -> list[str]:
    return [
        part.name
        for part in pkgutil.walk_packages([str(ROOT)], "fragarea.")
        if ".migrations" not in part.name  # run by the migration tool, which sets up what they need
    ]


def imported_parts(path: Path) -> set[str]:
    """Parts of the package that a file imports, anywhere in it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "fragarea":
            names = node.module.split(".")[1:2] or [alias.name for alias in node.names]
            found.update(names)
        if isinstance(node, ast.Import):
            found.update(name.name.split(".")[1] for name in node.names if name.name.startswith("fragarea."))
    return found & parts_on_disk()


def test_package_docstring_names_every_part_and_no_other() -> None:
    assert set(parts_in_order()) == parts_on_disk()


def test_imports_point_upwards() -> None:
    rank = {name: number for number, name in enumerate(parts_in_order())}
    wrong = []
    for path in SOURCES:
        own = path.relative_to(ROOT).parts[0].removesuffix(".py")
        if own == "__init__":
            continue
        wrong += [
            f"{path.relative_to(ROOT)} imports {used}" for used in imported_parts(path) if rank[used] > rank[own]
        ]
    assert wrong == []


def test_only_the_logbook_knows_sql() -> None:
    knows = {
        path.relative_to(ROOT).parts[0]
        for path in SOURCES
        if re.search(
            r"^\s*(import|from) (sqlalchemy|sqlite3|alembic)\b", path.read_text(encoding="utf-8"), re.MULTILINE
        )
    }
    assert knows == {"logbook"}


def test_only_the_command_line_prints() -> None:
    prints = {
        path.relative_to(ROOT).parts[0]
        for path in SOURCES
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "print"
    }
    assert prints <= {"cli"}


@pytest.mark.parametrize("name", modules())
def test_module_says_what_it_is_and_loads(name: str) -> None:
    module = importlib.import_module(name)
    assert module.__doc__, f"{name} has no docstring"
    for public in getattr(module, "__all__", []):
        assert hasattr(module, public), f"{name}.__all__ lists {public}, which is not there"


@pytest.mark.parametrize(
    "name", sorted(name for name in modules() if hasattr(importlib.import_module(name), "__path__"))
)
def test_all_of_a_package_lists_what_it_brings_in(name: str) -> None:
    package = importlib.import_module(name)
    brought = {
        alias.asname or alias.name
        for node in ast.parse(inspect.getsource(package)).body
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("fragarea.")
        for alias in node.names
    }
    if name == "fragarea.cli":  # its one public name is made in the file itself
        assert package.__all__ == ["main"]
        return
    public = getattr(package, "__all__", [])
    assert brought <= set(public)
    assert bool(public) == bool(brought or "__getattr__" in vars(package))
    assert len(set(public)) == len(public)


def public_functions(module: ModuleType) -> list[tuple[str, object]]:
    """Public functions and classes that a module defines, with the public methods of the classes."""
    found: list[tuple[str, object]] = []
    for name, value in vars(module).items():
        if name.startswith("_") or getattr(value, "__module__", "") != module.__name__:
            continue
        if inspect.isfunction(value) or inspect.isclass(value):
            found.append((name, value))
        if inspect.isclass(value):
            found += [
                (f"{name}.{inner}", method.fget if isinstance(method, property) else method)
                for inner, method in vars(value).items()
                if not inner.startswith("_") and (inspect.isfunction(method) or isinstance(method, property))
            ]
    return found


def inherits_its_words(module: ModuleType, name: str) -> bool:
    """A method that overrides one of a documented base class says nothing new."""
    if "." not in name:
        return False
    owner, method = name.split(".")
    return any(getattr(getattr(base, method, None), "__doc__", None) for base in getattr(module, owner).__mro__[1:])


@pytest.mark.parametrize("name", modules())
def test_public_functions_are_documented(name: str) -> None:
    module = importlib.import_module(name)
    bare = [
        public
        for public, value in public_functions(module)
        if not (getattr(value, "__doc__", None) or "").strip() and not inherits_its_words(module, public)
    ]
    assert bare == []


def test_docstrings_of_dataclasses_are_written_by_people() -> None:
    for name in modules():
        for public, value in public_functions(importlib.import_module(name)):
            assert not (value.__doc__ or "").startswith(f"{public}("), f"{name}.{public} has a generated docstring"


@pytest.mark.parametrize("key", sorted(DOUBTS))
def test_doubt_is_complete(key: str) -> None:
    kind = DOUBTS[key]
    assert kind.key == key
    assert re.fullmatch(r"[a-z][a-z_]*[a-z]", key)
    assert kind.weight in (1, 2, 3)
    for text in (kind.title, kind.seen, kind.do):
        assert text.strip() == text
        assert text
        assert not text.endswith(".")
    assert len(kind.title) <= 40  # stands on an overlay beside an area


@pytest.mark.parametrize("key", sorted(DOUBTS))
def test_doubt_is_raised_somewhere(key: str) -> None:
    raised = [
        path
        for path in SOURCES
        if path.name != "doubts.py" and re.search(rf'["\']{key}["\']', path.read_text(encoding="utf-8"))
    ]
    assert raised, f"no part of the package raises {key}"


def test_doubt_of_no_known_kind_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="unknown doubt 'odd'"):
        Doubt("odd")


def test_version_is_that_of_the_project_file() -> None:
    project = (ROOT.parent / "pyproject.toml").read_text(encoding="utf-8")
    assert f'version = "{fragarea.__version__}"' in project
