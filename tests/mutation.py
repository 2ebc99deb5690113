"""Breaks a module in small ways, one at a time, and says which of them no test notices.

    python -m tests.mutation collector/sheet/walk.py --tests tests/test_sheet_hostile.py --mutants 40 --seed 1

The tree is copied to a temporary folder, where the tests are gathered once and seen to run which lines. Each mutant is
a function exchanged in a process that parts from there, with a limit on its processor time, and is tested by the tests
that run its line, quickest first; what is broken outside of functions is tested from the start, by all. What is known
of each stands in the file ``--out``; begun again, only the rest is tried.
"""

from __future__ import annotations

import argparse
import ast
import gc
import hashlib
import inspect
import json
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from functools import partial
from importlib.util import cache_from_source
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

import coverage
import pytest
from hypothesis.internal.conjecture import engine

ROOT = Path(__file__).parent.parent
REWRITTEN = "ignore::pytest.PytestAssertRewriteWarning"
"""What is imported before pytest sees it has plain assertions: of no matter here."""

SWAPPED: dict[type[ast.AST], type[ast.AST]] = {
    **{ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq},
    **{ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.And: ast.Or, ast.Or: ast.And},
    **{ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult},
}
OTHERS = {"min": "max", "max": "min", "any": "all", "all": "any", "floor": "ceil", "ceil": "floor"}
OTHERS |= {"bisect_left": "bisect_right", "bisect_right": "bisect_left"}
"""Functions that are easily taken one for the other."""
SKIPPED = (ast.AnnAssign, ast.arguments, ast.JoinedStr, ast.Import, ast.ImportFrom)
"""Where a change is of types, of defaults or of words (values of annotated assignments are changed all the same)."""


class Mutator(ast.NodeTransformer):
    """Walks a module and meets every place that can be broken; breaks the one that was chosen, if any."""

    def __init__(self, chosen: int | None = None) -> None:
        self.sites: list[str] = []
        self.spans: list[range] = []
        self._chosen = chosen
        self._span = range(0)

    def visit(self, node: ast.AST) -> Any:
        """Offer each change that this node allows, then those within it."""
        around = self._span
        if isinstance(node, ast.stmt):
            self._span = _span(node)
        changed = self._visited(node)
        self._span = around
        return changed

    def _visited(self, node: ast.AST) -> Any:
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
                for other in (value + 1 if abs(value) < 10 else value * 2, *([value - 1] if value > 0 else [])):
                    if self._meet(node, f"{value} becomes {other}"):
                        return ast.copy_location(ast.Constant(other), node)
            case ast.UnaryOp(op=ast.Not() | ast.USub(), operand=operand):
                if self._meet(node, f"{_sign(node.op)} is removed"):
                    return operand
            case ast.Name(id=name) if name in OTHERS:
                if self._meet(node, f"{name} becomes {OTHERS[name]}"):
                    node.id = OTHERS[name]
            case ast.If(orelse=[]) | ast.Raise() | ast.Continue() | ast.Break() | ast.Expr(value=ast.Call()):
                if self._meet(node, f"{ast.unparse(node).splitlines()[0][:60]} is removed"):
                    return ast.copy_location(ast.Pass(), node)
            case ast.If(test=test) | ast.IfExp(test=test):
                if self._meet(node, f"if {ast.unparse(test)[:60]} is turned round"):
                    node.test = ast.UnaryOp(ast.Not(), test)
        return self._shortened(node)

    def _shortened(self, node: ast.AST) -> ast.AST:
        match node:
            case ast.BoolOp(values=parts) | ast.comprehension(ifs=parts):
                for place, part in enumerate(parts):
                    if self._meet(part, f"{ast.unparse(part)[:60]} is left out"):
                        del parts[place]
                        return parts[0] if isinstance(node, ast.BoolOp) and len(parts) == 1 else node
        return node

    def _meet(self, node: Any, said: str) -> bool:
        self.sites.append(f"{node.lineno}: {said}")
        self.spans.append(self._span)
        return len(self.sites) - 1 == self._chosen


def _span(node: ast.stmt) -> range:
    """The lines of a statement itself, without those of the statements within it."""
    end = node.end_lineno or node.lineno
    body = getattr(node, "body", None)
    return range(node.lineno, max(node.lineno, body[0].lineno - 1 if body else end) + 1)


def _sign(op: ast.AST) -> str:
    return type(op).__name__


def mutated(source: str, chosen: int) -> ast.Module:
    """The module with one place broken."""
    tree: ast.Module = Mutator(chosen).visit(ast.parse(source))
    return ast.fix_missing_locations(tree)


def places(source: str) -> Mutator:
    """Every place that can be broken: line, what would become of it, and the lines of its statement."""
    found = Mutator()
    found.visit(ast.parse(source))
    return found


def digest_of(source: str) -> str:
    """What tells one version of a module from another."""
    return hashlib.sha256(source.encode()).hexdigest()[:12]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """One place of one module, to be broken; ``key`` is its own for this version of the module."""

    module: Path
    site: int
    key: str
    change: str
    span: range
    broken: ast.Module


def drawn(root: Path, module: Path, mutants: int, seed: int) -> list[Mutant]:
    """So many mutants of a module, drawn by the seed, in the order of its lines."""
    source = (root / module).read_text(encoding="utf-8")
    found, name = places(source), f"{module}@{digest_of(source)}"
    sites = sorted(random.Random(seed).sample(range(len(found.sites)), min(mutants, len(found.sites))))
    return [
        Mutant(
            module=module,
            site=site,
            key=f"{name}:{site}",
            change=found.sites[site],
            span=found.spans[site],
            broken=mutated(source, site),
        )
        for site in sites
    ]


def functions_in(code: CodeType) -> dict[tuple[str, int], CodeType]:
    """The code of each function written in a module, by name and line; not what runs when it is imported."""
    found: dict[tuple[str, int], CodeType] = {}
    for inner in (one for one in code.co_consts if isinstance(one, CodeType)):
        if inner.co_flags & inspect.CO_OPTIMIZED:
            found[inner.co_qualname, inner.co_firstlineno] = inner
        found |= functions_in(inner)
    return found


class Bench:
    """Gathers the tests once; then breaks function after function, each in a process of its own, and runs the tests."""

    def __init__(self, tree: Path, mutants: Sequence[Mutant], cpu_s: int, out: Path) -> None:
        self._tree, self._mutants, self._cpu_s, self._out = tree, mutants, cpu_s, out
        self._watch: coverage.Coverage | None = None
        self._failed = False

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Run all tests once to see which of them run which lines; then those of each mutant, quickest first."""
        engine.MAX_SHRINKS = 0  # What kills a mutant need not be made small.
        items = {item.nodeid: item for item in session.items}
        if session.testsfailed or apart(lambda: self._watched(list(items.values())), 10 * self._cpu_s) != 0:
            session.testsfailed += 1
            return True
        seen = json.loads((self._tree.parent / "seen.json").read_text())
        for mutant in self._mutants:
            of_line = seen[str(mutant.module)]
            names = dict.fromkeys(name for line in mutant.span for name in of_line.get(str(line), []))
            some = [items[name] for name in names] if "" not in names else list(items.values())
            code = apart(partial(self._tried, mutant, some), self._cpu_s)
            if code != ELSEWHERE:
                note(self._out, mutant, code)
        return True

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> Generator[None, object, object]:
        """Take down what runs for more than one test as nobody's."""
        if self._watch is None or fixturedef.scope == "function":
            return (yield)
        self._watch.switch_context("")
        said = yield
        self._watch.switch_context(request._pyfuncitem.nodeid)
        return said

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Take down whether a test failed."""
        self._failed = self._failed or report.failed

    def _passes(self, items: Sequence[pytest.Item]) -> bool:
        """Whether the first of the tests passes; the second, if any, is what follows, so that what they share stays."""
        item, following = items[0], next(iter(items[1:]), None)
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
        return not self._failed

    def _watched(self, items: Sequence[pytest.Item]) -> int:
        files = {str(one.module): str(self._tree / one.module) for one in self._mutants}
        self._watch = coverage.Coverage(data_file=None, config_file=False, include=list(files.values()))
        took: dict[str, float] = {"": 0.0}
        self._watch.start()
        for number, item in enumerate(items):
            self._watch.switch_context(item.nodeid)
            begun = time.process_time()
            if not self._passes(items[number : number + 2]):
                return 1
            took[item.nodeid] = time.process_time() - begun
        self._watch.stop()
        data = self._watch.get_data()
        seen = {
            module: {line: sorted(tests, key=took.__getitem__) for line, tests in data.contexts_by_lineno(file).items()}
            for module, file in files.items()
        }
        (self._tree.parent / "seen.json").write_text(json.dumps(seen))
        return 0

    def _tried(self, mutant: Mutant, items: Sequence[pytest.Item]) -> int:
        file = str(self._tree / mutant.module)
        whole = functions_in(compile((self._tree / mutant.module).read_text(encoding="utf-8"), file, "exec"))
        broken = functions_in(compile(mutant.broken, file, "exec"))
        changed = {key for key in whole if whole[key] != broken.get(key)}
        functions = [one for one in gc.get_objects() if isinstance(one, FunctionType)]
        replaced = [one for one in functions if one.__code__.co_filename == file and key_of(one) in changed]
        if not replaced:
            return ELSEWHERE
        for one in replaced:
            one.__code__ = broken[key_of(one)]
        return 0 if all(self._passes(items[n : n + 2]) for n in range(len(items))) else 1


ELSEWHERE = 77
"""A process ends so if what is broken is no function that can be exchanged, or the tests could not be run."""


def key_of(function: FunctionType) -> tuple[str, int]:
    """What tells a function from all others of its module."""
    return function.__code__.co_qualname, function.__code__.co_firstlineno


def apart(work: Callable[[], int], cpu_s: int) -> int:
    """What a piece of work gives that is done in a process of its own; negative if it went beyond its limit."""
    child = os.fork()
    if not child:
        resource.setrlimit(resource.RLIMIT_CPU, (cpu_s, cpu_s))
        signal.alarm(20 * cpu_s)
        code = ELSEWHERE
        try:
            code = work()
        finally:
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def note(out: Path, mutant: Mutant, code: int) -> None:
    """Take down what became of a mutant."""
    became = "survived" if code == 0 else "killed" if code > 0 else "ran away"
    with out.open("a") as lines:
        lines.write(json.dumps({"mutant": mutant.key, "change": mutant.change, "outcome": became}) + "\n")


def run_tests(tree: Path, tests: Sequence[str], plugins: Sequence[Bench] = ()) -> int:
    """Run the tests in a copy of the tree; give what pytest says."""
    os.chdir(tree)
    sys.path[:] = [str(tree), *(place for place in sys.path if Path(place or ".").resolve() != ROOT)]
    with (tree.parent / "said.txt").open("w") as said:
        os.dup2(said.fileno(), 1)
        os.dup2(said.fileno(), 2)
    return int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-W", REWRITTEN, *tests], plugins=list(plugins)))


def put(target: Path, text: str) -> None:
    """Write a module anew."""
    target.write_text(text, encoding="utf-8")
    # Two mutants may have the same size and the same second: what was compiled of one is not the other.
    Path(cache_from_source(target)).unlink(missing_ok=True)


def told(out: Path) -> dict[str, dict[str, str]]:
    """What is known of each mutant, by its key."""
    return {one["mutant"]: one for one in map(json.loads, out.read_text().splitlines())} if out.exists() else {}


def trials(root: Path, mutants: Sequence[Mutant], tests: Sequence[str], *, cpu_s: int, out: Path) -> None:
    """Try the mutants of which nothing is known yet.

    Raises
    ------
    ValueError
        If the tests fail without any mutant.
    """
    left = [one for one in mutants if one.key not in told(out)]
    with tempfile.TemporaryDirectory(prefix="mutants") as folder:
        tree = Path(folder) / "tree"
        left_out = shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache", ".hypothesis")
        shutil.copytree(root, tree, ignore=left_out)
        if left and apart(lambda: run_tests(tree, tests, [Bench(tree, left, cpu_s, out)]), DAY_S):
            raise ValueError(f"without a mutant:\n{(tree.parent / 'said.txt').read_text()}")
        known = told(out)
        for one in left:
            if one.key not in known:
                put(tree / one.module, ast.unparse(one.broken))
                note(out, one, apart(lambda: run_tests(tree, tests), cpu_s))
                put(tree / one.module, (root / one.module).read_text(encoding="utf-8"))


DAY_S = 86_400


def main() -> None:
    """Try the mutants of some modules; say the survivors, and how many there were of each."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("modules", type=Path, nargs="+", help="below --root, as are the tests")
    parser.add_argument("--root", type=Path, default=ROOT)
    parser.add_argument("--tests", nargs="+", required=True)
    parser.add_argument("--mutants", type=int, default=20, help="of each module")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cpu-s", type=int, default=60, help="of each mutant [s]")
    parser.add_argument("--out", type=Path, default=Path("mutants.jsonl"))
    asked = parser.parse_args()
    root, out = asked.root.resolve(), asked.out.resolve()
    mutants = [one for module in asked.modules for one in drawn(root, module, asked.mutants, asked.seed)]
    trials(root, mutants, asked.tests, cpu_s=asked.cpu_s, out=out)
    known = told(out)
    for module in asked.modules:
        became = [(known[one.key]["outcome"], one.change) for one in mutants if one.module == module]
        print("".join(f"{module}:{change}\n" for outcome, change in became if outcome == "survived"), end="")
        print(f"{module}: {len(became)} mutants, {dict(Counter(outcome for outcome, _ in became))}")


if __name__ == "__main__":
    main()
