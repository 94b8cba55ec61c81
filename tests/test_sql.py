"""Values reach a database as bound parameters only; what builds a statement is named here."""

import ast
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
FOLDERS = ("qc", "dashboard", "schemas", "sample_logs")
# what takes a statement as text
TAKES = {"text", "exec_driver_sql", "execute", "executemany", "executescript", "scalar", "scalars",
         "literal_column", "copy", "DDL", "run_sql"}  # fmt: skip
FROM = "from sqlalchemy import text\n"
# of these no argument ever comes from outside: names of our own tables, columns and triggers
BUILT = {
    "qc/ledger/bulk.py:insert_new": "a table's own columns, and arrays of their types",
    "qc/ledger/bulk.py:insert_rows": "names of our columns, and as many marks as values",
    "qc/ledger/bulk.py:select_in": "names of our columns, and as many marks as values",
    "qc/ledger/engine.py:_set_up_sqlite": "a number of our own; a PRAGMA binds nothing",
    "qc/ledger/base.py:partial_index": "a column of ours, in the condition of an index",
    "qc/ledger/engine.py:give_room": "a number of our own; a PRAGMA binds nothing",
    "qc/ledger/triggers.py:_drop": "names of our triggers and tables",
    "qc/ledger/triggers.py:_members": "a query of this module",
    "qc/ledger/triggers.py:inserting": "the name of one of our triggers, and its own statement",
    "schemas/migrations/versions/0008_months.py:_into_months": "months and positions of our own",
    "schemas/migrations/versions/0008_months.py:_journal": "names of our columns and indexes",
    "qc/ledger/triggers.py:create": "our triggers, whole statements of this module",
}


def statements(tree):
    """Every call that takes a statement, with the function around it and its first argument."""
    others = is_no_statement(tree)
    for function in ast.walk(tree):
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef | ast.Module):
            name = getattr(function, "name", "module")
            for node in inside(function):
                if (
                    isinstance(node, ast.Call)
                    and node.args
                    and called(node) in TAKES
                    and not (called(node) == "text" and others(node))
                ):
                    yield name, function, node.args[0]


def is_no_statement(tree):
    """Of calls of something named `text`, those that are not SQLAlchemy's."""
    imports = {
        alias.asname or alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom | ast.Import)
        and (getattr(node, "module", None) or node.names[0].name).startswith("sqlalchemy")
        for alias in node.names
    }

    def others(call):
        first = call.func.value if isinstance(call.func, ast.Attribute) else call.func
        return getattr(first, "id", None) not in imports

    return others


def inside(function):
    """What stands in a function itself, not in one within it."""
    waiting = list(ast.iter_child_nodes(function))
    while waiting:
        node = waiting.pop()
        yield node
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            waiting += ast.iter_child_nodes(node)


def called(call):
    return getattr(call.func, "attr", getattr(call.func, "id", None))


def is_built(node, function, seen=()):
    """Whether text is put together: an f-string with a hole, + or % on text, format, join, or a
    name that was given such a value in the same function."""
    if isinstance(node, ast.JoinedStr):
        return any(isinstance(part, ast.FormattedValue) for part in node.values)
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add | ast.Mod):
        return any(is_text(side, function, seen) for side in (node.left, node.right))
    if isinstance(node, ast.Call):
        joined = called(node) in ("format", "join", "replace", "format_map", "substitute")
        return joined or (
            called(node) in TAKES and any(is_built(one, function, seen) for one in node.args)
        )
    if isinstance(node, ast.IfExp):
        return is_built(node.body, function, seen) or is_built(node.orelse, function, seen)
    return isinstance(node, ast.Name) and any(
        is_built(value, function, (*seen, node.id))
        for value in given(node.id, function)
        if node.id not in seen
    )


def is_text(node, function, seen):
    constant = isinstance(node, ast.Constant) and isinstance(node.value, str)
    return constant or is_built(node, function, seen)


def given(name, function):
    return [value for names, value in assignments(function) if name in names]


@cache
def assignments(function):
    found = []
    for node in inside(function):
        if isinstance(node, ast.Assign | ast.AugAssign | ast.AnnAssign) and node.value:
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            found.append(({getattr(target, "id", None) for target in targets}, node.value))
    return found


def built_in(source, name="here"):
    """The functions of a module that build a statement."""
    tree = ast.parse(source)
    return {
        f"{name}:{function}"
        for function, node, statement in statements(tree)
        if is_built(statement, node)
    }


@pytest.mark.parametrize(
    "line",
    [
        'connection.execute(text(f"SELECT {name}"))', 'text("SELECT " + name)',
        'connection.exec_driver_sql("SELECT %s" % name)', 'text("SELECT {}".format(name))',
        'cursor.execute(f"DELETE FROM {name}")', 'literal_column(f"{name} + 1")',
        'query = f"SELECT {name}"\n    driver.execute(query + " LIMIT 1")',
    ],
)  # fmt: skip
def test_a_statement_that_is_built_is_found(line):
    assert built_in(f"{FROM}def ask(name):\n    {line}\n") == {"here:ask"}


def test_a_statement_with_bound_parameters_is_fine():
    fine = 'connection.execute(text("SELECT a FROM b WHERE c = :c"), {"c": name})'
    assert built_in(f"{FROM}def ask(name):\n    {fine}\n") == set()


def test_statements_are_built_only_where_it_is_known_why():
    found = set()
    for folder in FOLDERS:
        for file in (ROOT / folder).rglob("*.py"):
            found |= built_in(file.read_text("utf-8"), file.relative_to(ROOT).as_posix())
    assert found == set(BUILT)


def test_the_linter_looks_for_it_too_and_every_exception_says_why():
    told = (ROOT / "pyproject.toml").read_text("utf-8")
    assert "S608" not in told
    for folder in FOLDERS:
        for file in (ROOT / folder).rglob("*.py"):
            for line in file.read_text("utf-8").splitlines():
                if "noqa: S608" in line:
                    assert "noqa: S608 - " in line, f"{file}: {line}"
