"""The rules that hold for the package as a whole: layers, who may import or open what, names, tests."""

import ast
import importlib
import importlib.util
import re
import subprocess
import sys
from pathlib import Path

import pytest

import formlab

HOME = Path(formlab.__file__).parent
TESTS = Path(__file__).parent

# A module imports only from rows above, or from modules to its left in its own row.
LAYERS = [
    ["errors", "html", "progress", "workers"],
    [
        "amounts",
        "recipe",
        "cure",
        "cure_trials",
        "torque",
        "precision",
        "sensory",
        "bench",
        "mill",
        "gates",
        "cautions",
    ],
    ["polytope", "steps", "limits", "parts", "checks", "brief", "bases", "region", "regrind", "terms"],
    ["plans", "surfaces", "suggest"],
    ["series", "cards"],
    ["figures", "report", "panel"],
    ["demo", "cli", "__main__"],
]
ORDER = [name for row in LAYERS for name in row]
NOT_YET: set[str] = set()  # modules of the design that may still be missing
NOT_YET_TESTED: set[str] = set()
NEVER = {("surfaces", "plans"), ("plans", "surfaces")}
ONLY = {
    "pyDOE3": {"plans"},
    "matplotlib": {"figures", "report", "panel"},
    "seaborn": {"figures", "report", "panel"},
    "mpltern": {"figures", "report", "panel"},
    "ipywidgets": {"figures", "report", "panel"},
    "openpyxl": {"series", "cards"},
    "filelock": {"series"},
}
FILES = {
    "open",
    "read_text",
    "write_text",
    "read_bytes",
    "write_bytes",
    "read_csv",
    "to_csv",
    "read_excel",
    "to_excel",
}
MAY_OPEN = {
    "series": "its own task",
    "demo": "plays the bench that fills in results.csv",
}
HEAVY = [
    "scipy",
    "pandas",
    "sklearn",
    "statsmodels",
    "matplotlib",
    "seaborn",
    "mpltern",
    "joblib",
    "pyDOE3",
    "ipywidgets",
    "openpyxl",
    "pydantic",
]

# The public names of the design, and those of them that may still be missing.
CONTRACT = [
    "Brief",
    "Region",
    "extend",
    "fit",
    "lay_out",
    "next_trials",
    "open_series",
    "read_brief",
    "suggest",
]
NOT_YET_NAMES: set[str] = set()


def _sources():
    """Every source file with the name of the module of the layers that it belongs to."""
    for path in sorted(HOME.rglob("*.py")):
        part = path.relative_to(HOME).parts[0].removesuffix(".py")
        if part != "__init__":
            yield pytest.param(part, path, id=str(path.relative_to(HOME)))


every_source = pytest.mark.parametrize("part, path", list(_sources()))


def imports(path):
    """Every module that a file imports, wherever in the file, as dotted names."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}, line {node.lineno}: a relative import"
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


def ours(path):
    """The modules of the layers that a file imports."""
    found = {name.split(".")[1] for name in imports(path) if name.startswith("formlab.")}
    return {
        name for name in found if name in ORDER or (HOME / f"{name}.py").exists() or (HOME / name).is_dir()
    }


def test_every_module_has_a_layer():
    present = {
        path.stem for path in HOME.iterdir() if path.suffix == ".py" or (path / "__init__.py").exists()
    }
    present -= {"__init__"}
    assert present <= set(ORDER)
    assert set(ORDER) - present <= NOT_YET


@every_source
def test_imports_point_down(part, path):
    below = set(ORDER[: ORDER.index(part)])
    inside = {part} if path.parent != HOME else set()
    assert ours(path) <= below | inside
    assert not {(part, name) for name in ours(path)} & NEVER


@every_source
def test_only_some_may_import(part, path):
    roots = {name.split(".")[0] for name in imports(path)}
    assert [root for root in roots if part not in ONLY.get(root, {part})] == []


@every_source
def test_only_the_series_opens_files(part, path):
    calls = [n for n in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(n, ast.Call)]
    names = [(getattr(call.func, "attr", getattr(call.func, "id", "")), call.lineno) for call in calls]
    assert part in MAY_OPEN or [found for found in names if found[0] in FILES] == []


@every_source
def test_a_package_has_no_circle_of_imports(part, path):
    """Inside a package a module may be imported only by modules that it does not itself need."""
    if path.parent == HOME or path.stem == "__init__":
        return
    reached, ahead = set(), {path.stem}
    while ahead:
        here = HOME / part / f"{ahead.pop()}.py"
        tree = ast.parse(here.read_text(encoding="utf-8"))
        top = [n.module for n in tree.body if isinstance(n, ast.ImportFrom) and n.module]
        found = {name.split(".")[2] for name in top if name.startswith(f"formlab.{part}.")}
        ahead |= found - reached
        reached |= found
    assert path.stem not in reached


def loaded_after(code):
    """The heavy modules in a fresh interpreter after some code."""
    check = f"import sys\n{code}\nprint(*[m for m in {HEAVY} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", check], capture_output=True, text=True, check=True)
    return done.stdout.splitlines()[-1].split()


def test_importing_the_package_loads_nothing_heavy():
    assert loaded_after("import formlab; dir(formlab)") == []


def test_help_loads_nothing_heavy():
    run = "from formlab.cli import main\ntry:\n    main(['--help'])\nexcept SystemExit:\n    pass"
    assert loaded_after(run) == []


def test_the_brief_needs_no_heavy_statistics():
    assert set(loaded_after("from formlab import Brief, Region, ModelSpace")) <= {"pandas", "pydantic"}


def test_public_names_are_listed_and_sorted():
    assert formlab.__all__ == sorted(set(formlab.__all__))
    assert set(CONTRACT) <= set(formlab.__all__)
    assert set(formlab.__all__) <= set(dir(formlab))


@pytest.mark.parametrize("name", formlab.__all__)
def test_public_names_resolve(name):
    if name in NOT_YET_NAMES and not hasattr(formlab, name):
        pytest.skip(f"{name} is not written yet")
    found = getattr(formlab, name)
    assert found.__name__ == name
    assert found.__doc__


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError) as caught:
        _ = formlab.lay_it_out
    assert str(caught.value) == "module 'formlab' has no attribute 'lay_it_out'"


def test_suggest_stays_the_function_beside_the_package_of_its_name():
    importlib.import_module("formlab.suggest")
    assert callable(formlab.suggest)


@every_source
def test_what_a_module_lists_exists(part, path):
    name = ".".join(("formlab", *path.relative_to(HOME).with_suffix("").parts)).removesuffix(".__init__")
    if part in ONLY["ipywidgets"] and importlib.util.find_spec("ipywidgets") is None:
        pytest.skip("ipywidgets comes with the extra `lab`")
    module = importlib.import_module(name)
    assert [listed for listed in getattr(module, "__all__", []) if not hasattr(module, listed)] == []


def test_every_test_file_collects_something():
    empty = []
    for path in sorted(TESTS.rglob("test_*.py")):
        names = [
            node.name
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if hasattr(node, "name")
        ]
        if not any(name and name.startswith(("test_", "Test")) for name in names):
            empty.append(path.name)
    assert empty == []


def test_every_module_has_tests():
    tested = " ".join(path.stem for path in TESTS.glob("test_*.py"))
    elsewhere = NOT_YET_TESTED | {"__main__"}  # two lines, in test_cli
    assert [name for name in ORDER if name not in tested and name not in elsewhere] == []


def test_the_architecture_on_one_page_names_every_module():
    page = (TESTS.parent / "DEVELOPERS.md").read_text()
    rows = [
        re.findall(r"`(\w+)/?`", line.split("|")[2])
        for line in page.splitlines()
        if re.match(r"\| [0-6] ?[a-z ]*\|", line)
    ]
    assert rows == [[name for name in row if name != "__main__"] for row in LAYERS]
