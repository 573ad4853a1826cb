"""Small changes to a module, one at a time: what a slip of the keyboard or of the mind would leave behind."""

from __future__ import annotations

import ast
import copy
import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass

SWAPPED: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.And: ast.Or, ast.Or: ast.And, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """One changed module.

    Attributes
    ----------
    line : int
    before, after : str
        The expression that was changed.
    source : str
        The whole module with the change.
    """

    line: int
    before: str
    after: str
    source: str


def mutants(source: str) -> list[Mutant]:
    """Return every mutant of a module: operators, constants, conditions, signs; never words or annotations.

    Nor whether lengths or finite numbers are checked once more (`strict`, `check_finite`): where that could matter, the
    input was refused before.

    Examples
    --------
    >>> [m.after for m in mutants("def f(n):\\n    return n - 1 if n > 0 else -n\\n")]
    ['n - 1 if not n > 0 else -n', 'n >= 0', '1', 'n + 1', '2', 'n']
    """
    return [mutant(source, at) for at in range(count(source))]


def count(source: str) -> int:
    """Return how many mutants a module has.

    Examples
    --------
    >>> count("def f(n):\\n    return -n\\n")
    1
    """
    return sum(len(_changes(node)) for _, node in _places(ast.parse(source)))


def mutant(source: str, at: int) -> Mutant:
    """Return one mutant of a module: making all of them takes long.

    Examples
    --------
    >>> mutant("def f(n):\\n    return -n\\n", 0).after
    'n'
    """
    tree = ast.parse(source)
    every = ((path, node, change) for path, node in _places(tree) for change in _changes(node))
    path, node, change = next(itertools.islice(every, at, None))
    before, line = ast.unparse(node), node.lineno
    parent: ast.AST = tree
    for field, index in path[:-1]:
        value = getattr(parent, field)
        parent = value if index is None else value[index]
    field, index = path[-1]
    holder = getattr(parent, field)
    new = change(copy.deepcopy(holder if index is None else holder[index]))
    if index is None:
        setattr(parent, field, new)
    else:
        holder[index] = new
    return Mutant(
        line=line, before=before, after=ast.unparse(new), source=ast.unparse(ast.fix_missing_locations(tree))
    )


def planted_texts(source: str) -> set[tuple[str, str, str]]:
    """Return expression, changed expression and line of every mutant, without making the modules, which takes long.

    Examples
    --------
    >>> sorted(planted_texts("def f(n):\\n    return -n\\n"))
    [('-n', 'n', 'return -n')]
    """
    lines = [line.strip() for line in source.splitlines()]
    return {
        (ast.unparse(node), ast.unparse(change(copy.deepcopy(node))), lines[node.lineno - 1])
        for _, node in _places(ast.parse(source))
        for change in _changes(node)
    }


def _places(tree: ast.AST) -> Iterator[tuple[list[tuple[str, int | None]], ast.expr]]:
    """Yield every expression that may be changed, with the way to it."""

    def walk(
        node: ast.AST, path: list[tuple[str, int | None]]
    ) -> Iterator[tuple[list[tuple[str, int | None]], ast.expr]]:
        for field, value in ast.iter_fields(node):
            if field in ("annotation", "returns", "decorator_list", "type_params"):
                continue
            for index, child in enumerate(value) if isinstance(value, list) else [(None, value)]:
                if not isinstance(child, ast.AST) or isinstance(
                    child, ast.Raise | ast.JoinedStr | ast.Import | ast.ImportFrom
                ):
                    continue
                if isinstance(child, ast.keyword) and child.arg in ("strict", "check_finite"):
                    continue
                # words are no numbers; what shows results is tested as text elsewhere
                if isinstance(child, ast.FunctionDef) and child.name in ("__str__", "_repr_html_"):
                    continue
                here = [*path, (field, index)]
                if isinstance(child, ast.expr):
                    yield here, child
                yield from walk(child, here)

    yield from walk(tree, [])


def _changes(node: ast.expr) -> list[Callable[[ast.expr], ast.expr]]:
    """Return the ways to change one expression."""
    changes: list[Callable[[ast.expr], ast.expr]] = []
    if isinstance(node, ast.BinOp) and type(node.op) in SWAPPED and not _of_text(node):
        changes.append(_swap_operator)
    elif isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in SWAPPED:
        changes.append(_swap_comparison)
    elif isinstance(node, ast.BoolOp):
        changes.append(_swap_operator)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Not | ast.Invert):
        changes.append(lambda old: old.operand)  # type: ignore[attr-defined]
    elif isinstance(node, ast.IfExp):
        changes.append(_negate_test)
    elif isinstance(node, ast.Constant) and type(node.value) in (bool, int, float):
        changes.append(_other_constant)
    return changes


def _of_text(node: ast.BinOp) -> bool:
    """Return whether an operation joins words or types."""
    sides = [node.left, node.right]
    return any(
        isinstance(s, ast.JoinedStr) or (isinstance(s, ast.Constant) and not isinstance(s.value, int | float))
        for s in sides
    )


def _swap_operator(old: ast.expr) -> ast.expr:
    old.op = SWAPPED[type(old.op)]()  # type: ignore[attr-defined]
    return old


def _swap_comparison(old: ast.expr) -> ast.expr:
    old.ops = [SWAPPED[type(old.ops[0])]()]  # type: ignore[attr-defined]
    return old


def _negate_test(old: ast.expr) -> ast.expr:
    old.test = ast.UnaryOp(op=ast.Not(), operand=old.test)  # type: ignore[attr-defined]
    return old


def _other_constant(old: ast.expr) -> ast.expr:
    value = old.value  # type: ignore[attr-defined]
    if isinstance(value, bool):
        return ast.Constant(not value)
    return ast.Constant(value + 1 if isinstance(value, int) else (value * 1.5 if value else 0.1))
