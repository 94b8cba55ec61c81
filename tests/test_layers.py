"""A layer knows itself and what stands below it, and nothing above."""

import ast
import sys
from pathlib import Path

import pytest

QC = Path(__file__).parent.parent / "qc"
# each layer with all that it may import of this package, besides itself
BELOW_JUDGEMENT = {"statistics", "physics", "catalog", "records"}
BELOW_LEDGER = {"judgement", *BELOW_JUDGEMENT, "readers"}
BELOW_VIEWS = {"ledger", *BELOW_LEDGER}
BELOW_SCREENS = {"figures", "views", *BELOW_VIEWS}
MAY_IMPORT = {
    "records": set(),
    "readers": set(),
    "catalog": {"records"},
    "physics": {"catalog", "records"},
    "statistics": {"catalog", "records"},
    "judgement": BELOW_JUDGEMENT,
    "ledger": BELOW_LEDGER,
    "devices": BELOW_VIEWS,
    "people": BELOW_VIEWS,
    "views": BELOW_VIEWS,
    "figures": BELOW_VIEWS | {"views"},
    "reports": BELOW_SCREENS,
    "dashboard": BELOW_SCREENS,
    "stations": BELOW_SCREENS | {"devices", "people"},
    "commands": BELOW_SCREENS | {"dashboard", "devices", "people", "reports", "stations"},
}
# no layer: the package, its entry, and what everybody may know
SHARED = {"errors", "resources"}
MODULES = sorted(QC.rglob("*.py"))


def layer_of(module):
    inside = module.relative_to(QC).parts
    return inside[0] if len(inside) > 1 else None


def imports(module):
    """Every module that a file imports anywhere in it, by its full name."""
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}: relative import"
            if node.module == "qc":
                yield from (f"qc.{name.name}" for name in node.names)
            else:
                yield node.module


def test_every_folder_of_the_package_is_a_layer_with_a_place():
    assert {layer_of(module) for module in MODULES} - {None} <= MAY_IMPORT.keys()
    assert len(MODULES) > 50


@pytest.mark.parametrize("layer", MAY_IMPORT)
def test_a_layer_imports_only_itself_and_what_stands_below_it(layer):
    allowed = MAY_IMPORT[layer] | SHARED | {layer}
    above = [
        f"{module.relative_to(QC)} imports {name}"
        for module in MODULES
        if layer_of(module) == layer
        for name in imports(module)
        if name.startswith("qc.") and name.split(".")[1] not in allowed
    ]
    assert above == []


@pytest.mark.parametrize("layer", ["physics", "statistics"])
def test_physics_and_statistics_know_neither_tables_nor_databases(layer):
    heavy = {"pandas", "sqlalchemy", "alembic", "psycopg", "sqlite3", "plotly", "streamlit"}
    found = {
        name.split(".")[0]
        for module in MODULES
        if layer_of(module) == layer
        for name in imports(module)
    }
    assert found & heavy == set()
    assert found - set(sys.stdlib_module_names) <= {"numpy", "scipy", "qc"}


def test_judgement_knows_no_database():
    found = {n.split(".")[0] for m in MODULES if layer_of(m) == "judgement" for n in imports(m)}
    assert found & {"sqlalchemy", "pandas", "psycopg", "sqlite3"} == set()


def test_readers_use_the_standard_library_only():
    found = {n.split(".")[0] for m in MODULES if layer_of(m) == "readers" for n in imports(m)}
    assert found - set(sys.stdlib_module_names) <= {"qc"}


def test_shared_modules_import_nothing_of_the_package():
    for name in SHARED:
        assert not [n for n in imports(QC / f"{name}.py") if n.startswith("qc")]


def test_no_module_is_longer_than_320_lines():
    long = {
        str(module.relative_to(QC)): count
        for module in MODULES
        if (count := len(module.read_text(encoding="utf-8").splitlines())) > 320
    }
    assert long == {}
