"""results.json: the published structure, the same bytes for the same input, nothing about patients."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from invented import closed_answer, grip_answer

from outcomes.analysis.run import Analysis, analyse
from outcomes.reporting.inputs import Inputs
from outcomes.reporting.results_json import answer_content, plain, results_bytes
from outcomes.reporting.run_folder import RunFolder

SCHEMA = json.loads(
    (Path(__file__).parents[2] / "docs/schema/results.schema.json").read_text(encoding="utf-8")
)
TYPES = {"object": dict, "array": list, "string": str, "boolean": bool, "null": type(None)}


def is_type(value: Any, name: str) -> bool:
    if name == "integer":
        return isinstance(value, int) and not isinstance(value, bool)
    if name == "number":
        return isinstance(value, int | float) and not isinstance(value, bool)
    return isinstance(value, TYPES[name])


def faults(value: Any, schema: dict[str, Any], where: str = "$") -> list[str]:
    """Return where a value departs from the parts of JSON Schema that our schema uses."""
    if "$ref" in schema:
        return faults(value, SCHEMA["$defs"][schema["$ref"].rsplit("/", 1)[1]], where)
    if "anyOf" in schema:
        tried = [faults(value, each, where) for each in schema["anyOf"]]
        return [] if [] in tried else min(tried, key=len)
    found = []
    names = schema.get("type", [])
    if names and not any(is_type(value, name) for name in ([names] if isinstance(names, str) else names)):
        return [f"{where}: {type(value).__name__} is not {names}"]
    if "const" in schema and value != schema["const"]:
        found.append(f"{where}: is not {schema['const']}")
    if "enum" in schema and value not in schema["enum"]:
        found.append(f"{where}: {value!r} is not one of {schema['enum']}")
    if isinstance(value, list) and "items" in schema:
        found += [f for i, each in enumerate(value) for f in faults(each, schema["items"], f"{where}[{i}]")]
    if isinstance(value, dict):
        known, more = schema.get("properties", {}), schema.get("additionalProperties", True)
        found += [f"{where}: {key!r} is missing" for key in schema.get("required", []) if key not in value]
        for key, each in value.items():
            if key in known or isinstance(more, dict):
                found += faults(each, known.get(key, more), f"{where}.{key}")
            elif more is False:
                found.append(f"{where}: {key!r} is not in the schema")
    return found


def test_the_schema_check_can_fail() -> None:
    content = answer_content(grip_answer())
    assert faults(content, SCHEMA["$defs"]["answer"]) == []
    assert faults({**content, "extra": 1}, SCHEMA["$defs"]["answer"])
    assert faults({**content, "reversed": "no"}, SCHEMA["$defs"]["answer"])
    assert faults({key: content[key] for key in content if key != "n"}, SCHEMA["$defs"]["answer"])


def test_results_follow_the_published_schema(run: RunFolder) -> None:
    content = json.loads((run.folder / "results.json").read_text(encoding="utf-8"))
    assert faults(content, SCHEMA) == []
    promised = {"format", "ledger", "flow", "tags", "comparisons", "answers", "sensitivity", "warnings"}
    assert promised <= set(content)


def test_an_answer_has_the_promised_parts() -> None:
    content = answer_content(closed_answer())
    promised = "outcome margin population n reduction strategy total interaction shares overall pathway robustness reasons"
    assert set(promised.split()) <= set(content)
    assert {"estimate", "conf_low", "conf_high", "state", "by_strategy"} <= set(content["reduction"])
    assert {"pairs", "not_judged", "state"} <= set(content["strategy"])
    assert content["gates"][0]["limit"] == 20


def test_numbers_are_those_of_the_analysis(analysis: Analysis, run: RunFolder) -> None:
    content = json.loads((run.folder / "results.json").read_text(encoding="utf-8"))
    for told, answer in zip(content["answers"], analysis.answers, strict=True):
        assert told["overall"] == answer.overall
        assert told["n"]["used"] == answer.n_used
        for pair, effect in zip(told["strategy"]["pairs"], answer.pairs, strict=True):
            assert pair["estimate"] == effect.estimate.value
            assert pair["conf_low_90"] == effect.ordinary.conf_low


def test_same_input_same_bytes(inputs: Inputs, analysis: Analysis) -> None:
    assert results_bytes(analyse(inputs.cohort, inputs.study)) == results_bytes(analysis)


def test_there_is_no_nan_and_keys_are_sorted(run: RunFolder) -> None:
    text = (run.folder / "results.json").read_text(encoding="utf-8")

    def refuse(name: str) -> None:
        raise AssertionError(name)

    content = json.loads(text, parse_constant=refuse)
    assert text == json.dumps(content, indent=2, sort_keys=True, ensure_ascii=False) + "\n"


@pytest.mark.parametrize(
    ("value", "made"),
    [
        (np.float64("nan"), None), (math.inf, None), (np.int64(3), 3), (np.bool_(True), True), (pd.NaT, None),
        (pd.NA, None), (pd.Timestamp("2026-01-15"), "2026-01-15"), ((1, 2.5), [1, 2.5]), ({"b", "a"}, ["a", "b"]),
    ],
)  # fmt: skip
def test_plain_values(value: object, made: object) -> None:
    assert plain(value) == made
