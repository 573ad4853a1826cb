"""Chains side by side against one chain at a time, written plainly from the papers, with the same random numbers."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

import outcomes.stats.missing.imputation as imputation
from outcomes.stats.missing.imputation import ColumnModel, DerivedColumn, Imputations, impute
from outcomes.stats.missing.imputation_levels import fit_levels

Columns = dict[str, np.ndarray]


class PlainChain:
    """One imputation, a column, a row and a donor at a time; rows in the order of their keys."""

    def __init__(
        self, values: Columns, models: list[ColumnModel], derived=(), not_applicable=None, n_donors=5
    ):
        self.n = len(next(iter(values.values())))
        self.given = {name: np.array(values[name], dtype=float) for name in sorted(values)}
        self.models = {name: ColumnModel(name=name) for name in values} | {m.name: m for m in models}
        self.derived = sorted(derived, key=lambda d: d.name)
        never = {name: np.zeros(self.n, dtype=bool) for name in values} | (not_applicable or {})
        self.gap = {name: np.isnan(column) & ~never[name] for name, column in self.given.items()}
        self.visits = sorted(
            (name for name in values if self.gap[name].any()), key=lambda name: (self.gap[name].sum(), name)
        )
        self.n_donors = n_donors

    def limits(self, name: str, what: str) -> np.ndarray:
        return np.broadcast_to(np.asarray(getattr(self.models[name], what), dtype=float), (self.n,))

    def run(self, generator: np.random.Generator, n_cycles: int) -> Columns:
        self.state = {name: column.copy() for name, column in self.given.items()}
        for name in self.visits:
            gap, column = self.gap[name], self.state[name]
            start = generator.choice(column[~np.isnan(column)], gap.sum())
            column[gap] = np.clip(start, self.limits(name, "low")[gap], self.limits(name, "high")[gap])
        self.derive()
        self.scale = {name: (np.nanmean(c), np.nanstd(c) or 1.0) for name, c in self.state.items()}
        for _ in range(n_cycles):
            for name in self.visits:
                within = self.models[name].within
                groups = np.zeros(self.n) if within is None else self.given[within]
                for level in np.unique(groups[self.gap[name]]):
                    self.impute(name, groups == level, generator)
                self.derive()
        return self.state

    def derive(self) -> None:
        for d in self.derived:
            self.state[d.name] = d.compute(*(self.state[part] for part in d.parts))

    def predictors(self, name: str, known: np.ndarray) -> np.ndarray:
        chosen = self.models[name].predictors
        made = [np.ones(self.n)]
        parts = {d.name: d.parts for d in self.derived}
        for other, column in self.state.items():
            if other == name or name in parts.get(other, ()) or (chosen is not None and other not in chosen):
                continue
            if other in self.models and self.models[other].kind == "category":
                seen = np.unique(self.given[other][~np.isnan(self.given[other])])
                block = [(column == level).astype(float) for level in seen[1:]]
            else:
                centre, spread = self.scale[other]
                block = [np.nan_to_num((column - centre) / spread)]
            if np.isnan(column).any():
                block.append(np.isnan(column).astype(float))
            made += [b for b in block if np.ptp(b[known]) > 1e-12]
        return np.column_stack(made)

    def impute(self, name: str, inside: np.ndarray, generator: np.random.Generator) -> None:
        gap = self.gap[name] & inside
        known = ~np.isnan(self.given[name]) & inside
        X, y, low, high = self.predictors(name, known), self.given[name][known], *(
            self.limits(name, what)[gap] for what in ("low", "high")
        )  # fmt: skip
        shift = self.limits(name, "shift")[gap]
        if self.models[name].kind == "number":
            drawn = self.numbers(X[known], y, X[gap], low, high, generator)
            self.state[name][gap] = [
                d if s == 0 else min(max(d + s, a), b)
                for d, s, a, b in zip(drawn, shift, low, high, strict=True)
            ]
        else:
            self.state[name][gap] = self.levels(X[known], y, X[gap], shift, generator)

    def numbers(self, X, y, target, low, high, generator) -> list[float]:
        n, p = X.shape
        z = generator.standard_normal(p)
        b = np.linalg.lstsq(X, y, rcond=None)[0]
        sigma = np.sqrt(np.square(y - X @ b).sum() / generator.chisquare(n - p))
        drawn = b + sigma * np.linalg.inv(np.linalg.cholesky(X.T @ X)).T @ z
        u, chosen = generator.random(len(target)), []
        for i, row in enumerate(target):
            allowed = np.flatnonzero((y >= low[i]) & (y <= high[i]))
            near = allowed[np.argsort(np.abs(X[allowed] @ b - row @ drawn), kind="stable")[: self.n_donors]]
            chosen.append(y[near[int(u[i] * len(near))]])
        return chosen

    def levels(self, X, y, target, shift, generator) -> list[float]:
        levels = np.unique(y)
        if len(levels) == 1:
            return [levels[0]] * len(target)
        p, k = X.shape[1], len(levels) - 1
        prior = np.diag(np.tile([0.0] + [1 / 2.5**2] * (p - 1), k))
        b, step = np.zeros(k * p), np.ones(1)
        while np.abs(step).max() > 1e-13:
            slope, information = -prior @ b, prior.copy()
            for x, value in zip(X, y, strict=True):
                odds = np.exp(np.append(0.0, b.reshape(k, p) @ x))
                share = (odds / odds.sum())[1:]
                slope += np.kron((levels[1:] == value) - share, x)
                information += np.kron(np.diag(share) - np.outer(share, share), np.outer(x, x))
            step = np.linalg.solve(information, slope)
            b = b + step / max(1.0, np.abs(step).max() / 2)
        z = generator.standard_normal(k * p)
        drawn = b + np.linalg.inv(np.linalg.cholesky(information)).T @ z
        result = []
        for x, s, u in zip(target, shift, generator.random(len(target)), strict=True):
            odds = np.exp(np.append(0.0, drawn.reshape(k, p) @ x + s))
            result.append(levels[int((u > np.cumsum(odds / odds.sum())[:-1]).sum())])
        return result


def table(n: int, seed: int) -> Columns:
    """Return invented columns: numbers x, y, z; yes/no b; levels k; a complete arm of two."""
    rng = np.random.default_rng(seed)
    arm = rng.integers(0, 2, n).astype(float)
    x = rng.normal(5, 2, n) + arm
    z = 0.5 * x + rng.normal(size=n)
    k = np.digitize(z + rng.normal(size=n), [1.8, 3.2]).astype(float)
    b = (rng.random(n) < 1 / (1 + np.exp(2.5 - z))).astype(float)
    y = 100 * (x - b + k + rng.normal(size=n))
    made = {"y": y, "x": x, "z": z, "k": k, "b": b}
    for j, name in enumerate(("x", "z", "k", "b")):
        made[name] = np.where(rng.random(n) < 0.1 + 0.05 * j, np.nan, made[name])
    return made | {"arm": arm}


KINDS = [ColumnModel(name="b", kind="yes_no"), ColumnModel(name="k", kind="category")]
SQUARE = DerivedColumn(name="square", parts=("x",), compute=lambda x: x * x)
PRODUCT = DerivedColumn(name="product", parts=("b", "z"), compute=lambda b, z: b * z)


def cases() -> dict[str, dict[str, Any]]:
    free = [*KINDS, ColumnModel(name="x"), ColumnModel(name="z")]
    rows = np.where(np.arange(150) % 3 == 0, 4.0, -np.inf)
    values, some = table(150, 2), np.arange(150) % 40 == 7
    values["x"] = np.where(values["x"] < rows, np.nan, values["x"])
    without = {"z": np.where(some, np.nan, table(150, 3)["z"])}
    rare = table(150, 4)
    # no row with b or x known has a level 3, but rows without k may be given it, and so it predicts b and x or not
    both = np.arange(150) % 50 == 4
    rare |= {"x": np.where(both, np.nan, rare["x"]), "b": np.where(both, np.nan, rare["b"])}
    rare["k"] = np.where(both, 3.0, rare["k"])
    return {
        "plain": {"values": table(150, 1), "models": free},
        "limits and shifts": {
            "values": values,
            "models": [
                ColumnModel(name="b", kind="yes_no", shift=0.5), KINDS[1], ColumnModel(name="x", low=rows),
                ColumnModel(name="z", shift=-0.3, low=-5.0, high=9.0),
            ],
        },
        "not applicable": {"values": table(150, 3) | without, "models": free, "not_applicable": {"z": some}},
        "derived": {"values": table(150, 5), "models": free, "derived": [PRODUCT, SQUARE]},
        "within": {
            "values": table(150, 6),
            "models": [KINDS[0], ColumnModel(name="k", kind="category", within="arm"),
                       ColumnModel(name="x", within="arm"), ColumnModel(name="z", predictors=("x", "y"))],
        },
        "levels not seen": {"values": rare, "models": free},
    }  # fmt: skip


@pytest.mark.parametrize("case", cases())
def test_side_by_side_as_one_by_one(case: str) -> None:
    given = cases()[case]
    values, models, more = given.pop("values"), given.pop("models"), given
    result = impute(values, models, keys=np.arange(150), seed=7, n_imputations=3, n_cycles=3, **more)
    n_values = 0
    for i, stream in enumerate(np.random.SeedSequence(7).spawn(3)):
        plain = PlainChain(values, models, **more).run(np.random.default_rng(stream), 3)
        for name, rows in result.rows.items():
            assert np.allclose(result.imputed[name][i], plain[name][rows], rtol=1e-12), (i, name)
            n_values += len(rows)
    assert n_values > 200


def same(a: Imputations, b: Imputations, n: int) -> bool:
    return all(
        getattr(a, what)[name][:n].tobytes() == getattr(b, what)[name][:n].tobytes()
        for what in ("imputed", "trace_mean", "trace_sd")
        for name in a.rows
    )


@pytest.mark.parametrize("case", cases())
def test_chains_do_not_depend_on_those_beside_them(case: str, monkeypatch: pytest.MonkeyPatch) -> None:
    given = cases()[case]
    given["columns"] = given.pop("models")
    common: dict[str, Any] = {"keys": np.arange(150), "seed": 3, "n_cycles": 4, **given}
    together = impute(n_imputations=12, **common)
    assert same(impute(n_imputations=1, **common), together, 1)
    monkeypatch.setattr(imputation, "_AT_ONCE", 5 * 150 * 8)
    assert same(impute(n_imputations=12, **common), together, 12)
    monkeypatch.setattr(imputation, "_AT_ONCE", 1)
    assert same(impute(n_imputations=12, **common), together, 12)


def test_a_chain_in_trouble_leaves_those_beside_it_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Columns that repeat others, and one that does so up to what is imputed, take another road through the algebra."""
    values = table(150, 8)
    values["x copy"] = values["x"].copy()
    values["x copy"][np.flatnonzero(~np.isnan(values["x"]))[:2]] = np.nan
    values["arm copy"] = 1.0 - values["arm"]
    models = [*KINDS, *(ColumnModel(name=name) for name in ("x", "z", "x copy"))]
    common: dict[str, Any] = {"keys": np.arange(150), "seed": 3, "n_cycles": 4, "n_imputations": 6}
    together = impute(values, models, **common)
    monkeypatch.setattr(imputation, "_AT_ONCE", 1)
    assert same(impute(values, models, **common), together, 6)
    assert all(np.isfinite(column).all() for column in together.imputed.values())


def test_a_fit_that_ends_early_waits_for_those_beside_it() -> None:
    rng = np.random.default_rng(9)
    design = np.concatenate([np.ones((4, 1, 90)), rng.normal(size=(4, 2, 90))], axis=1)
    # the last chain's predictor nearly separates the levels and takes more steps
    codes = (design[3, 1] > 0).astype(np.int64)
    used = np.ones((4, 3), dtype=bool)
    together = fit_levels(design, codes, 2, used, "b")
    for i in range(4):
        alone = fit_levels(design[i : i + 1], codes, 2, used[:1], "b")
        for a, b in zip(alone, together, strict=True):
            assert a[0].tobytes() == b[i].tobytes()
