"""Write the API reference as HTML pages: ``python notebooks/api_reference.py [--to FOLDER]``; a reference that leads nowhere stops it.

Needs pdoc (the extra ``docs``). Any warning of pdoc's is an error.
"""

from __future__ import annotations

import argparse
import ast
import builtins
import dataclasses
import importlib
import inspect
import pkgutil
import re
import sys
import typing
import warnings
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pdoc.doc
import pdoc.render

import camcalc
from camcalc.array_record import ArrayRecord, ScalarMeasure
from camcalc.results import Measure, Record

ROOT = Path(__file__).resolve().parents[1]
# Runs the command line when imported.
LEFT_OUT = "camcalc.cli.__main__"
# What counts as a reference to be found: a dotted name of the package, a class by its name, a function by its name and brackets, a file.
QUOTED = re.compile(r"``([^`]+)``")
DOTTED = re.compile(r"camcalc(\.\w+)+$")
CLASS = re.compile(r"([A-Z][a-z0-9]+){2,}(\.\w+)*$")
CALL = re.compile(r"([a-z_]\w*)\(\)$")
FILE = re.compile(r"[\w/]+\.py$")


def modules() -> dict[str, ModuleType]:
    """Return every module of the package, its lazy names in place."""
    # Not by pdoc's own walk, which keeps to the names that the front door lists.
    names = ["camcalc", *(module.name for module in pkgutil.walk_packages(camcalc.__path__, "camcalc."))]
    return {name: opened(name) for name in names if name != LEFT_OUT and not name.startswith("camcalc.examples")}


def pages(found: dict[str, ModuleType]) -> dict[str, pdoc.doc.Module]:
    """Return what pdoc reads in the modules, types in place of their names, measured fields with their units."""
    classes = {name: thing for module in found.values() for name, thing in vars(module).items() if inspect.isclass(thing)}
    for module in found.values():
        # An alias of types in quotes is read where it is used, where its own module's names are not known.
        for name, thing in classes.items():
            vars(module).setdefault(name, thing)
    for module in found.values():
        name_types(module)
    read = {name: pdoc.doc.Module(module) for name, module in found.items()}
    for page in read.values():
        for kind in classes_in(page):
            describe_fields(kind)
    return read


def opened(name: str) -> ModuleType:
    """Return a module with its lazy names and those it needs for types alone in place; what another library made is not explained here."""
    module = importlib.import_module(name)
    for node in ast.parse(inspect.getsource(module)).body:
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            exec(compile(ast.Module(body=node.body, type_ignores=[]), name, "exec"), vars(module))
    for item in getattr(module, "__all__", ()):
        setattr(module, item, getattr(module, item))
    if hasattr(module, "__all__"):
        module.__all__ = [item for item in module.__all__ if getattr(getattr(module, item), "__module__", "camcalc").startswith("camcalc")]
    return module


def name_types(module: ModuleType) -> None:
    """Put types in place of their names in constructors that were made elsewhere, of named tuples and dataclasses: there the names are not known."""
    for kind in vars(module).values():
        if not inspect.isclass(kind) or kind.__module__ != module.__name__:
            continue
        makers = [kind.__new__] if issubclass(kind, tuple) else [kind.__init__] if dataclasses.is_dataclass(kind) else []
        for maker in makers:
            hints = typing.get_type_hints(kind)
            maker.__annotations__ = {name: hints.get(name, given) for name, given in maker.__annotations__.items()}


def classes_in(module: pdoc.doc.Module) -> Iterator[pdoc.doc.Class]:
    """Yield every class that a module's page shows."""
    left = [member for member in module.members.values() if isinstance(member, pdoc.doc.Class)]
    while left:
        kind = left.pop()
        yield kind
        left += [member for member in kind.members.values() if isinstance(member, pdoc.doc.Class)]


def describe_fields(kind: pdoc.doc.Class) -> None:
    """Say of each measured field what its declaration says: the unit shown, array or number, and what it is."""
    if not (inspect.isclass(kind.obj) and issubclass(kind.obj, Record)):
        return
    for name, declared in kind.obj.measures().items():
        member = kind.members.get(name)
        if isinstance(member, pdoc.doc.Variable):
            member.docstring = field_text(kind.obj, name, declared)
            member.default_value = inspect.Parameter.empty


def field_text(kind: type[Record], name: str, declared: Measure) -> str:
    """Return the words on a measured field."""
    annotation = next((str(own[name]) for own in map(inspect.get_annotations, kind.__mro__) if name in own), "")
    shape = "array" if issubclass(kind, ArrayRecord) and annotation != ScalarMeasure.__name__ else "number"
    unit = f"quantity [{declared.show}]" if declared.show else "ratio"
    return f"{shape}, {unit}" + (f": {declared.doc}" if declared.doc else "")


def docstrings(module: ModuleType) -> Iterator[tuple[str, str]]:
    """Yield where and what every docstring of a module says that stands in its own source."""
    yield module.__name__, module.__doc__ or ""
    for name, thing in vars(module).items():
        own = inspect.unwrap(thing) if callable(thing) else thing
        if getattr(own, "__module__", None) != module.__name__ or not (inspect.isclass(own) or inspect.isroutine(own)):
            continue
        yield f"{module.__name__}.{name}", own.__doc__ or ""
        if inspect.isclass(own):
            yield from ((f"{module.__name__}.{name}.{n}", m.__doc__ or "") for n, m in vars(own).items() if inspect.isroutine(m) or isinstance(m, property))


def broken_references(found: dict[str, ModuleType]) -> list[str]:
    """Return each reference of a docstring that leads to nothing, with where it stands."""
    names = {name for module in found.values() for name in vars(module)} | set(vars(builtins))
    classes = {name: thing for module in found.values() for name, thing in vars(module).items() if inspect.isclass(thing)}
    methods = {name for kind in classes.values() if kind.__module__.startswith("camcalc") for name in dir(kind)}
    files = {str(path.relative_to(ROOT)) for folder in ("camcalc", "tests", "notebooks") for path in (ROOT / folder).rglob("*.py")}
    broken = []
    for where, text in (one for module in found.values() for one in docstrings(module)):
        for quoted in QUOTED.findall(text):
            if DOTTED.match(quoted):
                good = resolves(quoted, found)
            elif CLASS.match(quoted):
                head, *rest = quoted.split(".")
                good = head in names and (not rest or head not in classes or is_member(classes[head], rest[0]))
            elif call := CALL.match(quoted):
                good = call[1] in names | methods
            elif FILE.match(quoted):
                good = any(path == quoted or path.endswith(f"/{quoted}") for path in files)
            else:
                continue
            if not good:
                broken.append(f"{where}: ``{quoted}``")
    return broken


def is_member(kind: type, name: str) -> bool:
    """Whether a class has a member or declares a field of a name."""
    return hasattr(kind, name) or any(name in inspect.get_annotations(base) for base in kind.__mro__)


def resolves(dotted: str, found: dict[str, ModuleType]) -> bool:
    """Whether a dotted name is a module of the package, something in one, or a member of a class in one."""
    home, names = dotted, list[str]()
    while home not in found and "." in home:
        home, _, name = home.rpartition(".")
        names.insert(0, name)
    thing: object = found.get(home)
    for name in names:
        if inspect.isclass(thing) and is_member(thing, name):
            return True
        if not hasattr(thing, name):
            return False
        thing = getattr(thing, name)
    return True


def write(folder: Path) -> int:
    """Write a page for each module, and how to search them; return how many."""
    sources = modules()
    broken = broken_references(sources)
    if broken:
        raise SystemExit("references that lead nowhere:\n  " + "\n  ".join(broken))
    found = pages(sources)
    pdoc.render.configure(docformat="numpy", footer_text=f"camcalc {camcalc.__version__}", show_source=False)
    folder.mkdir(parents=True, exist_ok=True)
    for name, module in found.items():
        page = folder / f"{name.replace('.', '/')}.html"
        page.parent.mkdir(parents=True, exist_ok=True)
        page.write_text(pdoc.render.html_module(module, found), encoding="utf-8")
    (folder / "index.html").write_text(pdoc.render.html_index(found), encoding="utf-8")
    (folder / "search.js").write_text(pdoc.render.search_index(found), encoding="utf-8")
    return len(found)


def main(arguments: list[str] | None = None) -> int:
    """Read the arguments and write the reference."""
    parser = argparse.ArgumentParser(description="Write the API reference as HTML pages.")
    parser.add_argument("--to", metavar="FOLDER", type=Path, default=ROOT / ".reference", help="where to; .reference when left out")
    options = parser.parse_args(arguments)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        print(f"{write(options.to)} modules written to {options.to}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
