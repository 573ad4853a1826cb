"""The validation pages and the code say the same: nothing unchecked, nothing named that is not there."""

from __future__ import annotations

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[1]
FOLDER = ROOT / "docs" / "validation"
STATS = ROOT / "outcomes" / "stats"
PAGES = {page.name: page.read_text(encoding="utf-8") for page in sorted(FOLDER.glob("*.md"))}

#: Modules that check and shape input; they compute no statistic.
INPUT = {"arrays", "inputs"}
#: What a function returns when it is no statistic: nothing, words, yes or no.
NO_STATISTIC = {"None", "str", "bool"}
#: Names in code spans that belong to other software.
FOREIGN = {"cadjust", "fisher.test"}
#: Words of the files that users write, and letters of formulas, which no class or function bears.
LEVEL_WORDS = {"mean_a", "mean_b", "s_a", "ten_percent"}


def statistics() -> dict[str, str]:
    """Return name -> module of every public function of the statistics that returns a statistic."""
    found = {}
    for path in sorted(STATS.rglob("*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if not isinstance(node, ast.FunctionDef) or node.name.startswith(("_", "check_")):
                continue
            returned = "None" if node.returns is None else ast.unparse(node.returns)
            if path.stem not in INPUT and returned not in NO_STATISTIC:
                found[node.name] = ".".join(path.relative_to(STATS).with_suffix("").parts)
    return found


def rows() -> dict[str, tuple[str, str, str]]:
    """Return function -> (module, checked on, used by) of the table of the index."""
    text = PAGES["index.md"].partition("## Every statistic")[2].partition("\n## ")[0]
    found = re.findall(r"^\| `(\w+)` \| ([\w.]+) \| (.+?) \| (.+?) \|$", text, re.M)
    assert len(found) == len({name for name, *_ in found}), "a function stands twice"
    return {name: (module, checked, used) for name, module, checked, used in found}


def words_of_the_code() -> set[str]:
    """Return every name that the packages or their tests define: functions, classes, attributes, parameters, modules."""
    names: set[str] = set()
    for folder in ("outcomes", "synthetic_cohort", "tests"):
        for path in (ROOT / folder).rglob("*.py"):
            names.add(path.stem)
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.FunctionDef | ast.ClassDef):
                    names.add(node.name)
                elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                    names.add(node.target.id)
    return names


def test_every_statistic_is_in_the_table_with_its_module() -> None:
    assert {name: module for name, (module, *_) in rows().items()} == statistics()


def test_every_statistic_says_where_it_was_checked() -> None:
    listed = rows()
    open_ = []
    for name, (_, checked, _) in listed.items():
        page = re.search(r"\]\((\w+\.md)\)", checked)
        by_test = re.findall(r"`(test_\w+\.py)`", checked)
        if page:
            assert page[1] in PAGES
        elif checked == "below":
            assert name in {"fit_propensity", "wild_cluster_bootstrap"}
        elif by_test:
            assert all(list((ROOT / "tests").rglob(test)) for test in by_test)
        elif not checked.startswith("with "):
            open_.append(name)
    assert open_ == []


def test_group_comparisons_name_each_function_that_they_are_said_to_check() -> None:
    claimed = {name for name, (_, checked, _) in rows().items() if "(group_comparisons.md)" in checked}
    named = set(re.findall(r"`(\w+)", PAGES["group_comparisons.md"]))
    assert claimed - named == set()


def test_used_by_is_what_the_analyses_import() -> None:
    imported = set()
    for path in [*(ROOT / "outcomes/analysis").glob("*.py"), *(ROOT / "outcomes/reporting").glob("*.py")]:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("outcomes.stats"):
                imported |= {alias.name for alias in node.names}
    listed = rows()
    on_the_path = {name for name, (*_, used) in listed.items() if not used.startswith(("within", "offered"))}
    assert on_the_path == imported & set(listed)


def test_within_means_used_by_another_statistic() -> None:
    for name, (module, _, used) in rows().items():
        if used.startswith("within"):
            home = (STATS / module.replace(".", "/")).with_suffix(".py")
            others = [path for path in STATS.rglob("*.py") if path != home]
            own = home.read_text(encoding="utf-8")
            elsewhere = any(re.search(rf"\b{name}\b", path.read_text(encoding="utf-8")) for path in others)
            assert elsewhere or len(re.findall(rf"\b{name}\(", own)) > 1, name


def test_everything_named_in_code_spans_exists() -> None:
    known = words_of_the_code() | FOREIGN
    strange = {}
    for page, text in PAGES.items():
        for span in re.findall(r"`([^`\n]+)`", text):
            if re.fullmatch(r"[a-z_]\w*(\(.*\))?", span):
                name = span.partition("(")[0]
                if name not in known:
                    strange.setdefault(page, set()).add(name)
            elif re.fullmatch(r"outcomes(\.\w+)+", span):
                path = ROOT / span.replace(".", "/")
                if not (path.exists() or path.with_suffix(".py").exists()):
                    strange.setdefault(page, set()).add(span)
            elif re.fullmatch(r"test_\w+\.py", span) and not list((ROOT / "tests").rglob(span)):
                strange.setdefault(page, set()).add(span)
    assert strange == {}


def test_every_line_of_a_check_says_where_it_is_used() -> None:
    allowed = re.compile(r"\b(answer|comparison|baseline|gates|few clusters|report|within|offered|all)\b")
    silent = []
    for page, text in PAGES.items():
        for table in re.findall(r"(?:^\|.*\n)+", text, re.M):
            header, _, *lines = table.strip().split("\n")
            if header.rstrip(" |").endswith("used by"):
                silent += [
                    f"{page}: {line}"
                    for line in lines
                    if not allowed.search(line.rstrip(" |").split(" | ")[-1])
                ]
    assert silent == []


def exists(dotted: str) -> bool:
    """Return whether a dotted name is a module of the package, or stands in the module before its last dot."""
    path = ROOT / dotted.replace(".", "/")
    module = path.parent.with_suffix(".py")
    if path.is_dir() or path.with_suffix(".py").exists():
        return True
    return module.exists() and bool(re.search(rf"\b{path.name}\b", module.read_text(encoding="utf-8")))


def test_methods_name_what_exists() -> None:
    known = words_of_the_code()
    strange = {}
    for page in sorted((ROOT / "docs" / "methods").glob("*.md")):
        for span in re.findall(r"`([^`\n]+)`", page.read_text(encoding="utf-8")):
            dotted = re.fullmatch(r"(outcomes(?:\.\w+)+)", span)
            # a plain word with an underscore is a name of the code; an ending in .toml is a file
            named = re.fullmatch(r"([a-z]+_\w*)(?:\(.*\))?", span)
            wrong = (dotted and not exists(dotted[1])) or (named and named[1] not in known | LEVEL_WORDS)
            if wrong:
                strange.setdefault(page.name, set()).add(span)
    assert strange == {}


def test_the_page_of_questions_names_the_module_of_every_function() -> None:
    homes, page = rows(), (ROOT / "docs/methods/which_statistic.md").read_text(encoding="utf-8")
    lines = re.findall(r"^\| .+? \| (.*`.+) \| ([\w.; ]+) \|$", page, re.M)
    assert len(lines) > 50
    for functions, modules in lines:
        named = re.findall(r"`(\w+)`", functions)
        assert list(dict.fromkeys(homes[name][0] for name in named)) == modules.split("; "), functions
