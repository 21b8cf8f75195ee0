"""The order of the house, read from the imports; and a proof that each rule can be broken.

cli, web -> job -> report -> check, model, samples -> wax -> arms -> surveying -> teeth -> drawn
-> cast -> case, kernel -> ground floor (single files)
"""

from __future__ import annotations

import ast
import functools
import importlib
import inspect
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

PROJECT = Path(__file__).parent.parent
PACKAGE = PROJECT / "blockout"

FLOOR = {
    "cli": 11, "web": 11,
    "job": 10,
    "report": 9,
    "check": 8, "model": 8, "samples": 8, "choosing": 8, "recording": 8, "comparing": 8,
    "trying": 8, "printing": 8, "history": 8,
    "wax": 7,
    "arms": 6,
    "surveying": 5,
    "teeth": 4,
    "drawn": 3,
    "cast": 2,
    "case": 1, "kernel": 1,
    "errors": 0, "units": 0, "mesh": 0, "runs": 0, "progress": 0, "writing": 0, "tolerances": 0,
}  # fmt: skip
GROUND = {name for name, floor in FLOOR.items() if floor == 0}
TOP = 11
SAME_FLOOR_ALLOWED = {("cli", "web")}
"""The command line starts the page; nothing else goes sideways."""

KERNEL_ONLY = {
    "CGAL", "OCP", "embreex", "fast_simplification", "igl", "lib3mf", "manifold3d", "meshio",
    "open3d", "plyfile", "potpourri3d", "pygeodesic", "pyvista", "shapely", "trimesh", "vtk",
}  # fmt: skip
ONE_FILE_EACH = KERNEL_ONLY | {"cmcrameri", "matplotlib"}
INSTALLED_AS = {"libigl": "igl", "pillow": "PIL", "cgal": "CGAL"}
EMPTY_NAMES = {"util", "utils", "helper", "helpers", "misc", "common"}
SPEAKING = {"print", "exit", "quit"}
SPEAKING_OF = {("sys", "exit"), ("sys", "stdout"), ("sys", "stderr"), ("os", "_exit")}


@dataclass(frozen=True)
class Import:
    """One imported module; ``name`` is what was taken from it, if anything."""

    line: int
    module: str
    name: str | None
    at_start: bool
    """Loaded together with the file: not in a function, not for the type checker only."""


@dataclass(frozen=True)
class Source:
    """One file of the package, read but not run."""

    path: Path
    module: str
    tree: ast.Module

    @property
    def room(self) -> str:
        parts = self.module.split(".")
        return parts[1] if len(parts) > 1 else ""

    @property
    def is_door(self) -> bool:
        return self.room == ""

    @property
    def may_speak(self) -> bool:
        return self.room in ("cli", "__main__")


@functools.cache
def read_sources(package: Path) -> dict[str, Source]:
    """Every file of a package by its module name; a package is read once."""
    sources = {}
    for path in sorted(package.rglob("*.py")):
        parts = [package.name, *path.relative_to(package).with_suffix("").parts]
        module = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        sources[module] = Source(path, module, ast.parse(path.read_text("utf-8")))
    return sources


def imports_of(source: Source) -> Iterator[Import]:
    """Every import of a file: in functions, for the type checker only, and by import_module."""
    package = source.module.split(".")
    if source.path.name != "__init__.py":
        package = package[:-1]

    def walk(node: ast.AST, at_start: bool) -> Iterator[Import]:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.Import):
                for alias in child.names:
                    yield Import(child.lineno, alias.name, None, at_start)
            elif isinstance(child, ast.ImportFrom):
                base = package[: len(package) - child.level + 1] if child.level else []
                module = ".".join([*base, *([child.module] if child.module else [])])
                for alias in child.names:
                    yield Import(child.lineno, module, alias.name, at_start)
            elif isinstance(child, ast.Call) and _called(child) in ("import_module", "__import__"):
                named = child.args[0] if child.args else None
                literal = named.value if isinstance(named, ast.Constant) else "?"
                yield Import(child.lineno, str(literal), None, at_start)
            later = isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
            later = later or (isinstance(child, ast.If) and "TYPE_CHECKING" in ast.dump(child.test))
            yield from walk(child, at_start and not later)

    yield from walk(source.tree, at_start=True)


def _called(call: ast.Call) -> str:
    function = call.func
    if isinstance(function, ast.Attribute):
        return function.attr
    return function.id if isinstance(function, ast.Name) else ""


def house_faults(package: Path) -> list[str]:
    """Everything in a package that breaks the house's order, one sentence each."""
    sources = read_sources(package)
    faults: list[str] = []
    users: dict[str, set[str]] = {}
    links: dict[str, set[str]] = {module: set() for module in sources}
    for source in sources.values():
        faults += _name_faults(source, package)
        faults += _speaking_faults(source)
        for found in imports_of(source):
            place = f"{source.path.relative_to(package.parent)}:{found.line}"
            top = found.module.split(".")[0]
            if top == package.name:
                target = found.module
                if f"{target}.{found.name}" in sources:
                    target = f"{target}.{found.name}"
                if source.is_door:
                    if found.at_start:
                        faults.append(f"{place} the door loads {target} at once")
                    continue
                fault = _order_fault(source, target, found)
                if fault:
                    faults.append(f"{place} {fault}")
                if target in sources and target != package.name:
                    links[source.module].add(target)
            elif top == "?" and not source.is_door:
                faults.append(f"{place} imports something that only running it would tell")
            elif top in ONE_FILE_EACH:
                users.setdefault(top, set()).add(source.module)
                if top in KERNEL_ONLY and source.room != "kernel":
                    faults.append(f"{place} imports {top} outside the kernel room")
    for library, modules in sorted(users.items()):
        if len(modules) > 1:
            faults.append(f"{library} is imported in {len(modules)} files: {sorted(modules)}")
    faults += [f"import cycle: {' -> '.join(cycle)}" for cycle in _cycles(links)]
    return faults


def _order_fault(source: Source, target: str, found: Import) -> str | None:
    here = source.room
    there = target.split(".")[1] if "." in target else ""
    if not there:
        if found.name == "__version__" or FLOOR.get(here) == TOP:
            return None
        return "goes through the public door"
    if here not in FLOOR or there not in FLOOR or here == there:
        return None  # a name in no room is a fault of its own
    above, below = FLOOR[here], FLOOR[there]
    if below < above or above == below == 0 or (here, there) in SAME_FLOOR_ALLOWED:
        return None
    return f"{here} imports {there}, which is {'beside' if above == below else 'above'} it"


def _name_faults(source: Source, package: Path) -> list[str]:
    inside = source.path.relative_to(package)
    faults = [
        f"{source.path.relative_to(package.parent)} is called {part}"
        for part in inside.with_suffix("").parts
        if EMPTY_NAMES & set(part.lower().split("_"))
    ]
    if not source.is_door and source.room not in FLOOR | {"__main__": 0}:
        faults.append(f"{source.path.relative_to(package.parent)} stands in no room")
    return faults


def _speaking_faults(source: Source) -> list[str]:
    if source.may_speak:
        return []
    faults = []
    for node in ast.walk(source.tree):
        said = None
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            said = node.func.id if node.func.id in SPEAKING else None
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            pair = (node.value.id, node.attr)
            said = ".".join(pair) if pair in SPEAKING_OF else None
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            taken = [a.name for a in node.names if (node.module, a.name) in SPEAKING_OF]
            said = f"{node.module}.{taken[0]}" if taken else None
        elif isinstance(node, ast.Name) and node.id == "SystemExit":
            said = "SystemExit"
        if said:
            line = getattr(node, "lineno", 0)
            faults.append(f"{source.path.name}:{line} uses {said} outside the cli room")
    return faults


def _cycles(links: dict[str, set[str]]) -> list[list[str]]:
    """One cycle for each place where a walk along the imports comes back to itself."""
    done: set[str] = set()
    cycles: list[list[str]] = []

    def walk(module: str, trail: list[str]) -> None:
        if module in trail:
            ring = trail[trail.index(module) :]
            start = ring.index(min(ring))
            cycles.append([*ring[start:], *ring[:start], ring[start]])
            return
        if module in done:
            return
        for target in sorted(links[module]):
            walk(target, [*trail, module])
        done.add(module)

    for module in sorted(links):
        walk(module, [])
    return cycles


# --- the house as it stands ----------------------------------------------------------------------
def test_the_house_is_in_order() -> None:
    assert house_faults(PACKAGE) == []


def test_every_file_was_read_and_most_import_something_of_ours() -> None:
    # a reader that sees nothing would find nothing wrong
    sources = read_sources(PACKAGE)
    assert len(sources) == len(list(PACKAGE.rglob("*.py")))
    ours = [
        module
        for module, source in sources.items()
        if any(found.module.startswith("blockout") for found in imports_of(source))
    ]
    assert len(ours) > len(sources) / 2
    assert {source.room for source in sources.values()} >= {"cli", "case", "kernel", "mesh", "job"}


def test_each_declared_geometry_library_is_imported_in_exactly_one_file() -> None:
    declared = tomllib.loads((PROJECT / "pyproject.toml").read_text("utf-8"))["project"]
    names = {entry.split(">")[0].split("=")[0].strip() for entry in declared["dependencies"]}
    libraries = {INSTALLED_AS.get(name, name) for name in names} & ONE_FILE_EACH
    assert len(libraries) >= 6
    users = {library: [] for library in libraries}  # type: dict[str, list[str]]
    for module, source in read_sources(PACKAGE).items():
        for library in {found.module.split(".")[0] for found in imports_of(source)} & libraries:
            users[library].append(module)
    assert {library: found for library, found in users.items() if len(found) != 1} == {}


def test_every_public_function_and_class_says_what_it_is() -> None:
    silent = []
    for module, source in read_sources(PACKAGE).items():
        if source.tree.body and not ast.get_docstring(source.tree):
            silent.append(module)
        for node in source.tree.body:
            named = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)
            if named and not node.name.startswith("_") and not ast.get_docstring(node):
                silent.append(f"{module}.{node.name}")
    assert silent == []


# --- the public door -----------------------------------------------------------------------------
def test_the_public_names_are_real_and_are_all_that_is_public() -> None:
    import blockout

    names = list(blockout.__all__)
    assert len(set(names)) == len(names)
    assert set(dir(blockout)) >= set(names)
    for name in names:
        found = getattr(blockout, name)
        if inspect.isclass(found) or inspect.isfunction(found):
            home = importlib.import_module(found.__module__)
            assert found.__module__.startswith("blockout."), name
            # a verb may be shorter at the door than at home: build is job.build_case
            assert getattr(home, found.__name__) is found, name


def test_the_public_names_stay_what_they_are_however_often_they_are_asked_for() -> None:
    # a room and a verb may share a name: loading the room must not hide the verb
    code = (
        "import importlib, pkgutil, types, blockout\n"
        "first = {name: getattr(blockout, name) for name in blockout.__all__}\n"
        "for found in pkgutil.walk_packages(blockout.__path__, 'blockout.'):\n"
        "    if not found.name.endswith('__main__'): importlib.import_module(found.name)\n"
        "for name, value in first.items():\n"
        "    again = getattr(blockout, name)\n"
        "    assert again is value, f'{name} has become {again!r}'\n"
        "    assert not isinstance(value, types.ModuleType), name\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-400:]


def test_what_the_type_checker_sees_is_what_is_public() -> None:
    import blockout

    door = read_sources(PACKAGE)["blockout"]
    typed = {
        alias.asname or alias.name: (node.module, alias.name)
        for node in ast.walk(door.tree)
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("blockout")
        for alias in node.names
    }
    assert set(typed) == set(blockout.__all__) - {"__version__"}
    for name, (module, at_home) in typed.items():
        found = getattr(importlib.import_module(str(module)), at_home)
        assert getattr(blockout, name) is found, f"{name} is another thing when it runs"
        if inspect.isclass(found) or inspect.isfunction(found):
            assert found.__module__ == module, f"{name} lives elsewhere"


def test_opening_the_door_loads_nothing() -> None:
    code = (
        "import sys, blockout\n"
        "heavy = {'numpy', 'scipy', 'pydantic'} & set(sys.modules)\n"
        "ours = [name for name in sys.modules if name.startswith('blockout.')]\n"
        "assert not heavy and not ours, (heavy, ours)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-400:]


# --- each rule can be broken ---------------------------------------------------------------------
SOUND = {
    "__init__.py": "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n"
    "    from house.job import run as run\n"
    "def __getattr__(name):\n    from importlib import import_module\n"
    "    return getattr(import_module(name), name)\n",
    "errors.py": "",
    "units.py": "from house.errors import X",
    "mesh.py": "import numpy",
    "progress.py": "",
    "writing.py": "from .errors import X",
    "case/__init__.py": "",
    "case/settings.py": "from house.units import length",
    "kernel/__init__.py": "",
    "kernel/solids.py": "import manifold3d\nfrom ..mesh import Mesh",
    "cast/__init__.py": "",
    "cast/cast.py": "from house.case import settings\nimport house.kernel.solids",
    "surveying/__init__.py": "",
    "surveying/survey.py": "from house.cast.cast import Cast",
    "wax/__init__.py": "",
    "wax/parallel.py": "from house.surveying.survey import survey",
    "model/__init__.py": "",
    "model/build.py": "from house.wax import parallel",
    "check/__init__.py": "",
    "check/warnings.py": "from house.wax.parallel import x",
    "report/__init__.py": "",
    "report/facts.py": "from house.model.build import x\nfrom house.check.warnings import y\n"
    "from house import __version__",
    "job.py": "from house.report.facts import x",
    "web/__init__.py": "",
    "web/page.py": "from house.job import run",
    "cli/__init__.py": "",
    "cli/main.py": "import sys\nprint('x')\nsys.exit(0)\nfrom house.web import page\nimport house",
}


def _built(tmp_path: Path, **changes: str) -> Path:
    package = tmp_path / "house"
    for name, text in (SOUND | changes).items():
        path = package / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text + "\n")
    return package


def test_a_sound_house_has_no_faults(tmp_path: Path) -> None:
    assert house_faults(_built(tmp_path)) == []


BREAKS = [
    # file, its text, words of the fault
    ("errors.py", "import house.case.settings", "errors imports case, which is above it"),
    ("mesh.py", "def f():\n    from house.kernel import solids", "mesh imports kernel, which is"),
    ("case/settings.py", "import house.kernel.solids", "case imports kernel, which is beside it"),
    ("kernel/solids.py", "from ..case.settings import x", "kernel imports case, which is beside"),
    ("kernel/solids.py", "from ..case import settings", "kernel imports case, which is beside it"),
    ("cast/cast.py", "from house.surveying import survey", "cast imports surveying, which is"),
    ("surveying/survey.py", "from house.wax import parallel", "surveying imports wax, which is"),
    ("wax/parallel.py", "import house.model.build", "wax imports model, which is above it"),
    ("model/build.py", "import house.check.warnings", "model imports check, which is beside it"),
    ("check/warnings.py", "import house.model.build", "check imports model, which is beside it"),
    ("model/build.py", "import house.report.facts", "model imports report, which is above it"),
    ("report/facts.py", "import house.job", "report imports job, which is above it"),
    ("job.py", "import house.cli.main", "job imports cli, which is above it"),
    ("web/page.py", "import house.cli.main", "web imports cli, which is beside it"),
    ("wax/parallel.py", "if TYPE_CHECKING:\n    from house.job import x", "wax imports job"),
    ("wax/parallel.py", "class A:\n    def f(self):\n        import house.job", "wax imports job"),
    ("wax/parallel.py", "import importlib as i\ni.import_module('house.job')", "wax imports job"),
    ("wax/parallel.py", "__import__('house.job')", "wax imports job, which is above it"),
    ("wax/parallel.py", "try:\n    import house.job\nfinally:\n    pass", "wax imports job"),
    ("wax/parallel.py", "from .. import job", "wax imports job, which is above it"),
    ("wax/parallel.py", "from importlib import import_module\nimport_module(name)", "only running"),
    ("wax/parallel.py", "import house", "goes through the public door"),
    ("wax/parallel.py", "from house import prepare", "goes through the public door"),
    ("__init__.py", "from house.job import run", "the door loads house.job at once"),
    ("__init__.py", "try:\n    import house.mesh\nfinally:\n    pass", "the door loads house.mesh"),
    ("cast/cast.py", "import trimesh", "imports trimesh outside the kernel room"),
    ("cast/cast.py", "def f():\n    import igl.predicates", "imports igl outside the kernel room"),
    ("report/facts.py", "from shapely.geometry import P", "imports shapely outside the kernel"),
    ("job.py", "import embreex", "imports embreex outside the kernel room"),
    ("writing.py", "from plyfile import PlyData", "imports plyfile outside the kernel room"),
    ("cast/cast.py", "if TYPE_CHECKING:\n    import manifold3d", "imports manifold3d outside"),
    ("kernel/more.py", "import manifold3d", "manifold3d is imported in 2 files"),
    ("job.py", "print('done')", "job.py:1 uses print outside the cli room"),
    ("job.py", "import sys\ndef f():\n    sys.exit(1)", "job.py:3 uses sys.exit outside the cli"),
    ("job.py", "from sys import exit\nexit(1)", "job.py:1 uses sys.exit outside the cli room"),
    ("job.py", "raise SystemExit", "uses SystemExit outside the cli room"),
    ("job.py", "raise SystemExit(2)", "uses SystemExit outside the cli room"),
    ("job.py", "import os\nos._exit(1)", "uses os._exit outside the cli room"),
    ("job.py", "import sys\nsys.stderr.write('x')", "uses sys.stderr outside the cli room"),
    ("web/page.py", "print(1)", "page.py:1 uses print outside the cli room"),
    ("wax/utils.py", "", "is called utils"),
    ("wax/mesh_util.py", "", "is called mesh_util"),
    ("wax/helpers.py", "", "is called helpers"),
    ("cast/misc.py", "", "is called misc"),
    ("common/thing.py", "", "is called common"),
    ("attic/thing.py", "", "stands in no room"),
    ("loose.py", "", "stands in no room"),
    ("errors.py", "import house.units", "cycle: house.errors -> house.units -> house.errors"),
    ("cast/cast.py", "def f():\n    from house.cast import cast", "cycle: house.cast.cast ->"),
]  # fmt: skip


@pytest.mark.parametrize(("file", "text", "words"), BREAKS)
def test_a_broken_rule_is_found(tmp_path: Path, file: str, text: str, words: str) -> None:
    faults = house_faults(_built(tmp_path, **{file: text}))
    assert any(words in fault for fault in faults), faults


def test_a_longer_cycle_and_two_files_of_one_plot_library_are_found(tmp_path: Path) -> None:
    package = _built(
        tmp_path,
        **{
            "wax/a.py": "from house.wax.b import x",
            "wax/b.py": "def f():\n    from house.wax import c",
            "wax/c.py": "if TYPE_CHECKING:\n    from .a import y",
            "report/one.py": "from matplotlib import cm",
            "cli/two.py": "import matplotlib.cm",
        },
    )
    assert house_faults(package) == [
        "matplotlib is imported in 2 files: ['house.cli.two', 'house.report.one']",
        "import cycle: house.wax.a -> house.wax.b -> house.wax.c -> house.wax.a",
    ]
