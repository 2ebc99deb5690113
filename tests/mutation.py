"""Breaks a module in small ways, one at a time, and says which of them no test notices.

    python -m tests.mutation collector/sheet/walk.py --tests tests/test_sheet_hostile.py --mutants 40 --seed 1

Every mutant lives in a copy of the tree in a temporary folder, and is tested in a process of its own with a limit on
its processor time. What is known of each stands in the file ``--out``; begun again, only the rest is tried.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import json
import multiprocessing
import os
import random
import resource
import shutil
import sys
import tempfile
from collections.abc import Iterator, Sequence
from importlib.util import cache_from_source
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parent.parent
PRELOADED = ["pytest", "_hypothesis_pytestplugin", "hypothesis.strategies", "numpy", "scipy.stats", "scipy.optimize"]
PRELOADED += ["polars", "duckdb", "pydantic", "msgspec", "click", "paho.mqtt.client", "statsmodels.stats.rates"]
"""Imported once, before the processes of the mutants part from the one that starts them."""
REWRITTEN = "ignore::pytest.PytestAssertRewriteWarning"
"""What is imported before pytest sees it has plain assertions: of no matter here."""

SWAPPED: dict[type[ast.AST], type[ast.AST]] = {
    **{ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq},
    **{ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.And: ast.Or, ast.Or: ast.And},
    **{ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult},
}
SKIPPED = (ast.AnnAssign, ast.arguments, ast.JoinedStr, ast.Import, ast.ImportFrom)
"""Where a change is of types, of defaults or of words (values of annotated assignments are changed all the same)."""


class Mutator(ast.NodeTransformer):
    """Walks a module and meets every place that can be broken; breaks the one that was chosen, if any."""

    def __init__(self, chosen: int | None = None) -> None:
        self.sites: list[str] = []
        self._chosen = chosen

    def visit(self, node: ast.AST) -> Any:
        """Offer each change that this node allows, then those within it."""
        if isinstance(node, ast.AnnAssign) and node.value is not None:
            node.value = self.visit(node.value)
        if isinstance(node, SKIPPED):
            return node
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            node.body = [one for statement in node.body for one in [self.visit(statement)]]
            return node
        self.generic_visit(node)
        return self._changed(node)

    def _changed(self, node: ast.AST) -> ast.AST:
        match node:
            case ast.Compare(ops=[*ops]):
                for place, op in enumerate(ops):
                    if self._meet(node, f"{_sign(op)} becomes {_sign(SWAPPED[type(op)]())}"):
                        node.ops[place] = SWAPPED[type(op)]()  # type: ignore[call-overload]
            case ast.BinOp(op=op) | ast.BoolOp(op=op) | ast.AugAssign(op=op) if type(op) in SWAPPED:
                if self._meet(node, f"{_sign(op)} becomes {_sign(SWAPPED[type(op)]())}"):
                    node.op = SWAPPED[type(op)]()  # type: ignore[assignment]
            case ast.Constant(value=bool(value)):
                if self._meet(node, f"{value} becomes {not value}"):
                    node.value = not value
            case ast.Constant(value=int(value) | float(value)):
                other = value + 1 if abs(value) < 10 else value * 2
                if self._meet(node, f"{value} becomes {other}"):
                    node.value = other
            case ast.UnaryOp(op=ast.Not(), operand=operand):
                if self._meet(node, "not is removed"):
                    return operand
            case ast.If(orelse=[]) | ast.Raise() | ast.Continue() | ast.Break() | ast.Expr(value=ast.Call()):
                if self._meet(node, f"{ast.unparse(node).splitlines()[0][:60]} is removed"):
                    return ast.copy_location(ast.Pass(), node)
        return node

    def _meet(self, node: Any, said: str) -> bool:
        self.sites.append(f"{node.lineno}: {said}")
        return len(self.sites) - 1 == self._chosen


def _sign(op: ast.AST) -> str:
    return type(op).__name__


def mutated(source: str, chosen: int) -> str:
    """The module with one place broken."""
    return ast.unparse(ast.fix_missing_locations(Mutator(chosen).visit(ast.parse(source))))


def places(source: str) -> list[str]:
    """Every place that can be broken: line and what would become of it."""
    found = Mutator()
    found.visit(ast.parse(source))
    return found.sites


def digest_of(source: str) -> str:
    """What tells one version of a module from another."""
    return hashlib.sha256(source.encode()).hexdigest()[:12]


def attempt(tree: Path, tests: Sequence[str], cpu_s: int) -> None:
    """Run the tests in a copy of the tree; the process ends with what pytest says, or at its limit."""
    resource.setrlimit(resource.RLIMIT_CPU, (cpu_s, cpu_s))
    os.chdir(tree)
    sys.path[:] = [str(tree), *(place for place in sys.path if Path(place or ".").resolve() != ROOT)]
    with (tree.parent / "said.txt").open("w") as said:
        os.dup2(said.fileno(), 1)
        os.dup2(said.fileno(), 2)
    os._exit(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-W", REWRITTEN, *tests]))


def outcome(tree: Path, tests: Sequence[str], cpu_s: int) -> str:
    """``survived``, ``killed`` by a test, or ``ran away`` beyond its limit."""
    process = multiprocessing.get_context("forkserver").Process(target=attempt, args=(tree, tests, cpu_s))
    process.start()
    process.join(20 * cpu_s)
    if process.exitcode is None:
        process.kill()
        process.join()
    code = process.exitcode or 0
    return "survived" if code == 0 else "killed" if code > 0 else "ran away"


def trials(
    root: Path, module: Path, tests: Sequence[str], *, mutants: int, seed: int, cpu_s: int, out: Path
) -> Iterator[dict[str, str]]:
    """Try so many mutants of a module, drawn by the seed; give each with what became of it, the known ones too.

    Raises
    ------
    ValueError
        If the tests fail without any mutant.
    """
    source = (root / module).read_text(encoding="utf-8")
    known = {one["mutant"]: one for one in map(json.loads, out.read_text().splitlines())} if out.exists() else {}
    name = f"{module}@{digest_of(source)}"
    sites = places(source)
    drawn = sorted(random.Random(seed).sample(range(len(sites)), min(mutants, len(sites))))
    multiprocessing.get_context("forkserver").set_forkserver_preload(PRELOADED)
    with tempfile.TemporaryDirectory(prefix="mutants") as folder:
        tree = Path(folder) / "tree"
        left_out = shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache", ".hypothesis")
        shutil.copytree(root, tree, ignore=left_out)
        target = tree / module
        if (
            any(f"{name}:{site}" not in known for site in drawn)
            and (first := outcome(tree, tests, cpu_s)) != "survived"
        ):
            raise ValueError(f"without a mutant: {first}\n{(tree.parent / 'said.txt').read_text()}")
        for site in drawn:
            if (this := f"{name}:{site}") not in known:
                target.write_text(mutated(source, site), encoding="utf-8")
                # Two mutants may have the same size and the same second: what was compiled of one is not the other.
                Path(cache_from_source(target)).unlink(missing_ok=True)
                known[this] = {"mutant": this, "change": sites[site], "outcome": outcome(tree, tests, cpu_s)}
                with out.open("a") as lines:
                    lines.write(json.dumps(known[this]) + "\n")
            yield known[this]


def main() -> None:
    """Try the mutants of one module; say the survivors, and how many there were of each."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("module", type=Path, help="below --root, as are the tests")
    parser.add_argument("--root", type=Path, default=ROOT)
    parser.add_argument("--tests", nargs="+", required=True)
    parser.add_argument("--mutants", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cpu-s", type=int, default=60, help="of each mutant [s]")
    parser.add_argument("--out", type=Path, default=Path("mutants.jsonl"))
    asked = parser.parse_args()
    counts: dict[str, int] = {}
    limits = {"mutants": asked.mutants, "seed": asked.seed, "cpu_s": asked.cpu_s}
    for one in trials(asked.root.resolve(), asked.module, asked.tests, out=asked.out, **limits):
        counts[one["outcome"]] = counts.get(one["outcome"], 0) + 1
        if one["outcome"] == "survived":
            print(f"{asked.module}:{one['change']}", flush=True)
    print(f"{asked.module}: {sum(counts.values())} mutants, {counts}", flush=True)


if __name__ == "__main__":
    main()
