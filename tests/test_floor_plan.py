"""The floor plan of the package, as a test: imports point down, heavy libraries have one owner each.

Everything is read from the syntax tree, so an import inside a function or under ``TYPE_CHECKING``
counts as much as one at the top. The second half plants one violation of each rule in a copy of a
small package and asks that it is found, so that the first half cannot pass by seeing nothing.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

#: Lowest first. Rooms on the same floor do not know one another.
FLOORS = [
    {"errors"},
    {"reference"},
    {"estimates"},
    {"cohort", "stats"},
    {"analysis"},
    {"reporting"},
    {"demo"},
    {"cli"},
    {"__main__"},
]
FLOOR_OF = {room: height for height, rooms in enumerate(FLOORS) for room in rooms}
#: The door: what a user starts.
DOOR = {"demo", "cli", "__main__"}

#: Library -> beginnings of the paths (inside outcomes/) that may name it. Absent: nobody may.
OWNERS = {
    "numpy": ("",),
    "pandas": ("",),
    "scipy": ("stats/", "estimates.py"),
    "statsmodels": ("stats/",),
    "lifelines": ("stats/",),
    "joblib": ("stats/", "analysis/"),
    "matplotlib": ("reporting/figures", "reporting/canvas"),
    "jinja2": ("reporting/html",),
    "openpyxl": ("cohort/", "reporting/workbook"),
    "defusedxml": ("cohort/",),
    "pyarrow": ("cohort/",),
    "docx": ("reporting/word",),
}
#: What the second package may name beside the standard library.
SYNTHETIC_MAY_USE = {"synthetic_cohort", "numpy", "pandas", "scipy", "openpyxl"}

#: Calls and modules that run text as code, or talk to other machines.
RUNS_TEXT = {"eval", "exec", "compile", "__import__"}
RUNS_TEXT_METHODS = {"from_formula", "read_pickle", "to_pickle", "import_module", "query", "eval"}
FORBIDDEN_MODULES = {
    "pickle", "cPickle", "dill", "cloudpickle", "marshal", "shelve",
    "patsy", "formulaic", "statsmodels.formula",
    "socket", "http", "urllib.request", "ftplib", "smtplib", "requests", "httpx", "aiohttp",
}  # fmt: skip


def modules_of(root: Path) -> dict[str, Path]:
    """Return dotted name -> file of every module of both packages under `root`."""
    found = {}
    for package in ("outcomes", "synthetic_cohort"):
        for path in sorted((root / package).rglob("*.py")):
            parts = path.relative_to(root).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def imports_of(tree: ast.AST, known: dict[str, Path]) -> Iterator[tuple[int, str]]:
    """Yield line and full name of everything imported; a member that is a module of ours by its own name."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = "." * node.level + (node.module or "")
            for alias in node.names:
                member = f"{base}.{alias.name}"
                is_module = member in known or base == "statsmodels" or base == "outcomes"
                yield node.lineno, member if is_module else base


def problem_with_import(location: str, imported: str) -> str | None:
    """Say what is wrong when the file at `location` (inside the root) names the module `imported`."""
    package, _, inside = location.partition("/")
    top = imported.split(".")[0]
    if imported.startswith("."):
        return "write absolute imports"
    if any(imported == name or imported.startswith(name + ".") for name in FORBIDDEN_MODULES):
        return f"{imported} runs text as code or talks to other machines"
    if package == "synthetic_cohort":
        allowed = top in SYNTHETIC_MAY_USE or top in sys.stdlib_module_names
        return None if allowed else f"synthetic_cohort may not import {imported}"
    room = inside.split("/")[0].removesuffix(".py")
    if top == "synthetic_cohort":
        return None if room in DOOR else "only the door (cli, demo) may import synthetic_cohort"
    if top == "outcomes":
        return problem_between_rooms(inside, room, imported)
    if top in sys.stdlib_module_names:
        return None
    owners = OWNERS.get(top, ())
    return None if inside.startswith(owners) else f"only {', '.join(owners) or 'nobody'} may import {top}"


def problem_between_rooms(inside: str, room: str, imported: str) -> str | None:
    """Say what is wrong when a file of `room` imports a module of outcomes."""
    if inside == "__init__.py" or (imported == "outcomes.__version__" and room in DOOR):
        return None  # the front door names everything, and holds the version
    target = imported.removeprefix("outcomes").lstrip(".").split(".")[0]
    if target not in FLOOR_OF:
        return f"import from the module itself, not from the front door ({imported})"
    if target == room or FLOOR_OF[target] < FLOOR_OF[room]:
        return None
    return f"imports point down: {room} may not import {imported}"


def problem_with_node(inside: str, node: ast.AST) -> str | None:
    """Say what is wrong with one node of a file of outcomes, imports apart."""
    if isinstance(node, ast.Assert):
        return "assert vanishes under -O: raise an OutcomesError"
    if not isinstance(node, ast.Call):
        return None
    name = node.func.id if isinstance(node.func, ast.Name) else ""
    method = node.func.attr if isinstance(node.func, ast.Attribute) else ""
    if name in RUNS_TEXT or (method in RUNS_TEXT_METHODS and inside != "__init__.py"):
        return f"{name or method}() runs text as code"
    if any(keyword.arg in ("formula", "allow_pickle") for keyword in node.keywords):
        return "a formula string or a pickle would be executed"
    if name == "print" and inside.split("/")[0].removesuffix(".py") not in DOOR:
        return "the library does not print"
    return None


def problems_in(root: Path) -> list[str]:
    """Return every violation under `root` as ``file:line: what``; empty when the plan holds."""
    known, problems, edges = modules_of(root), [], {}
    for module, path in known.items():
        location = path.relative_to(root).as_posix()
        package, _, inside = location.partition("/")
        tree = ast.parse(path.read_text(encoding="utf-8"))
        imports = list(imports_of(tree, known))
        found = [(line, problem_with_import(location, imported)) for line, imported in imports]
        if package == "outcomes":
            if inside != "__init__.py" and inside.split("/")[0].removesuffix(".py") not in FLOOR_OF:
                found.append((1, "stands on no floor: add its room to FLOORS"))
            for node in ast.walk(tree):
                found.append((getattr(node, "lineno", 0), problem_with_node(inside, node)))
        problems += [f"{location}:{line}: {what}" for line, what in found if what]
        edges[module] = {imported for _, imported in imports if imported in known}
    return problems + [f"import cycle: {' -> '.join(cycle)}" for cycle in cycles_in(edges)]


def cycles_in(edges: dict[str, set[str]]) -> list[list[str]]:
    """Return the import cycles met by a depth-first walk; the front door, which loads lazily, apart."""
    state: dict[str, int] = {"outcomes": 2}
    cycles: list[list[str]] = []

    def visit(module: str, trail: list[str]) -> None:
        state[module] = 1
        for target in sorted(edges.get(module, ())):
            if state.get(target) == 1:
                cycles.append([*trail[trail.index(target) :], target])
            elif target not in state:
                visit(target, [*trail, target])
        state[module] = 2

    for module in sorted(edges):
        if module not in state:
            visit(module, [module])
    return cycles


def test_the_floor_plan_holds() -> None:
    assert problems_in(ROOT) == []


def test_rooms_of_the_statistics_use_those_listed_before_them() -> None:
    """The docstring of outcomes.stats lists every room, in an order in which none needs a later one."""
    stats = ROOT / "outcomes" / "stats"
    text = ast.get_docstring(ast.parse((stats / "__init__.py").read_text(encoding="utf-8")))
    listed = [line.split()[0] for line in text.splitlines()[3:] if line and not line.startswith("One ")]
    assert set(listed) == {path.parent.name for path in stats.rglob("*.py")} - {"stats"}
    for module, path in modules_of(ROOT).items():
        if module.startswith("outcomes.stats.") and module.count(".") > 2:
            room = module.split(".")[2]
            for _, imported in imports_of(ast.parse(path.read_text(encoding="utf-8")), modules_of(ROOT)):
                if imported.startswith("outcomes.stats."):
                    assert listed.index(imported.split(".")[2]) <= listed.index(room), (module, imported)


def test_every_floor_is_looked_at() -> None:
    rooms = {name.split(".")[1] for name in modules_of(ROOT) if name.startswith("outcomes.")}
    assert {"errors", "reference", "estimates", "cohort", "stats", "analysis", "reporting", "cli"} <= rooms
    assert "synthetic_cohort" in modules_of(ROOT)


SOUND = {
    "outcomes/__init__.py": "from outcomes.analysis import answer\n",
    "outcomes/errors.py": "class OutcomesError(Exception): ...\n",
    "outcomes/estimates.py": "import scipy.stats\nfrom outcomes.errors import OutcomesError\n",
    "outcomes/cohort/__init__.py": "",
    "outcomes/cohort/table.py": "import pandas\nfrom outcomes.cohort import visits\n",
    "outcomes/cohort/visits.py": "from outcomes import estimates\n",
    "outcomes/stats/__init__.py": "",
    "outcomes/stats/regression/linear.py": "from scipy import stats\nimport statsmodels.api\n",
    "outcomes/analysis/__init__.py": "",
    "outcomes/analysis/answer.py": "from outcomes.cohort.table import x\nfrom outcomes.stats import linear\n",
    "outcomes/reporting/figures.py": "def draw():\n    import matplotlib.pyplot\n",
    "outcomes/cli.py": "import synthetic_cohort\nprint('hello')\n",
    "synthetic_cohort/__init__.py": "import numpy\n",
}

PLANTED = {
    "upwards": ("outcomes/stats/regression/linear.py", "import outcomes.analysis.answer", "point down"),
    "sideways": ("outcomes/cohort/table.py", "from outcomes.stats import linear", "import outcomes.stats"),
    "in a function": ("outcomes/stats/regression/linear.py", "def f():\n    import outcomes.cohort.table", "point down"),
    "for types": ("outcomes/errors.py", "if TYPE_CHECKING:\n    import outcomes.estimates", "point down"),
    "front door": ("outcomes/analysis/answer.py", "from outcomes import read_cohort", "front door"),
    "relative": ("outcomes/cohort/table.py", "from . import visits", "absolute"),
    "owner of scipy": ("outcomes/analysis/answer.py", "from scipy import stats", "may import scipy"),
    "owner of statsmodels": ("outcomes/reporting/figures.py", "import statsmodels.api", "may import stats"),
    "owner of matplotlib": ("outcomes/cli.py", "import matplotlib", "may import matplotlib"),
    "not declared": ("outcomes/stats/regression/linear.py", "import sklearn", "nobody may import sklearn"),
    "formula module": ("outcomes/stats/regression/linear.py", "import statsmodels.formula.api", "runs text"),
    "formula module, from": ("outcomes/stats/regression/linear.py", "from statsmodels import formula", "runs text"),
    "formula keyword": ("outcomes/stats/regression/linear.py", "fit(formula='y ~ x')", "formula string"),
    "eval": ("outcomes/cohort/table.py", "eval('1')", "runs text"),
    "exec": ("outcomes/cohort/table.py", "exec('1')", "runs text"),
    "query": ("outcomes/cohort/table.py", "frame.query('age > 50')", "runs text"),
    "pickle": ("outcomes/reporting/figures.py", "from pickle import loads", "runs text"),
    "network": ("outcomes/cohort/table.py", "import urllib.request", "other machines"),
    "assert": ("outcomes/cohort/table.py", "assert True", "assert"),
    "print": ("outcomes/analysis/answer.py", "print('x')", "does not print"),
    "cycle": ("outcomes/cohort/visits.py", "import outcomes.cohort.table", "import cycle: outcomes"),
    "synthetic cohort knows": ("synthetic_cohort/__init__.py", "import outcomes", "synthetic_cohort may"),
    "library knows": ("outcomes/analysis/answer.py", "import synthetic_cohort", "only the door"),
    "room on no floor": ("outcomes/attic.py", "x = 1", "no floor"),
}  # fmt: skip


def build(root: Path, files: dict[str, str]) -> None:
    for name, text in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")


def test_a_sound_tree_has_no_problem(tmp_path: Path) -> None:
    build(tmp_path, SOUND)
    assert problems_in(tmp_path) == []


@pytest.mark.parametrize("planted", PLANTED.values(), ids=PLANTED.keys())
def test_a_planted_violation_is_found(tmp_path: Path, planted: tuple[str, str, str]) -> None:
    name, line, said = planted
    build(tmp_path, {**SOUND, name: SOUND.get(name, "") + line + "\n"})
    problem, *others = problems_in(tmp_path)
    assert said in problem
    # An import upwards may close a circle as well; nothing else may be blamed.
    assert all(other.startswith("import cycle") for other in others)
