"""Which mistakes in the mathematics would the tests notice? A sample of mutants of each file, made by mutmut 2.

    pip install "mutmut<3" pytest-cov
    python tests/bench/mutate.py [--files GLOB ...] [--sample 6] [--seed 1] [--at FOLDER]

First the suite runs once under coverage: which test runs which line, and for how long (kept in FOLDER/map.json; delete
it to learn anew). A mutant then meets the tests that run its line, those that run least else first, up to --seconds
of them, and if it survives the next of them up to --wider seconds; it is noticed when one fails, or takes ten times
its time of the processor. Passed over are mutants of texts, which are words and not mathematics, of annotations, which
are never evaluated, and those that are no Python. Works on a clone in FOLDER, never on the checkout. One line a
survivor, the share noticed by file. One mutant of each file, then a second of each, and so on: Ctrl-C ends it early
and fairly.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import difflib
import importlib
import json
import os
import random
import re
import resource
import signal
import subprocess
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
FILES = ("demand/*.py", "solve/*.py", "parts/*/*.py")
WORDS_AND_PAPER = re.compile(
    r"(sheets?|prints|cards?|labels?|command|page|list|sentences|because|values|__init__)\.py$")
"""Files of parts that write sheets, prints and words, or only hold values: no mathematics."""
TESTS = ("tests/demand", "tests/solve", "tests/parts", "tests/published", "tests/commands/test_round.py",
         "tests/commands/test_smallest_cases.py", "tests/commands/test_changes.py", "tests/test_plan.py",
         "tests/test_plan_value.py", "tests/test_structure.py", "tests/write/test_round_sheets.py",
         "tests/write/test_explanation.py", "tests/write/test_story.py")
"""Tests that may answer: those that run in this process, where coverage sees them, and not through whole commands."""
WARM = ("numpy", "pandas", "scipy.stats", "scipy.optimize", "scipy.sparse", "scipy.signal", "pulp", "highspy",
        "openpyxl", "xlsxwriter", "reportlab.pdfgen.canvas", "hypothesis", "pytest", "simpy", "biip", "click.testing")
"""Loaded once; each mutant is tried in a fork of it."""

OF_ALL = "::test_what_goes_between_stages_is_frozen"
"""A test that looks at every module, and so answers too for lines that run when a module is loaded."""

LEARN = "import sys, pathlib, mutate; mutate.learn_map(pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2]))"


@dataclass
class Known:
    """One test: seconds of its call and of its fixtures, and the lines of each file of kitplan that it runs."""

    call: float = 0.0
    setup: float = 0.0
    passed: bool = True
    lines: dict[str, set[int]] = field(default_factory=lambda: defaultdict(set))

    @property
    def breadth(self) -> int:
        """Lines of kitplan that it runs: few for a test that is about one thing."""
        return sum(map(len, self.lines.values()))


class Recorder:
    """A plugin of pytest that keeps how long each phase of each test took, and whether all went well."""

    def __init__(self) -> None:
        self.tests: dict[str, Known] = defaultdict(Known)

    def pytest_runtest_logreport(self, report: Any) -> None:
        known = self.tests[report.nodeid]
        known.passed &= report.passed
        known.call += report.duration if report.when == "call" else 0.0
        known.setup += report.duration if report.when == "setup" else 0.0


def learn_map(clone: Path, kept: Path) -> None:
    """Run the suite once under coverage and keep what each test runs, and for how long."""
    import pytest

    os.chdir(clone)
    os.environ["COVERAGE_FILE"] = str(kept.with_suffix(".coverage"))
    recorder = Recorder()
    pytest.main(["-n", "0", "-q", "-p", "no:cacheprovider", "-p", "pytest_cov", "--cov=kitplan", "--cov-context=test",
                 "--cov-report=", *TESTS], plugins=[recorder])
    keep_map(kept.with_suffix(".coverage"), recorder.tests, clone, kept)


def _path(clone: Path) -> str:
    return os.pathsep.join([str(clone), *filter(None, [os.environ.get("PYTHONPATH")])])


def keep_map(data: Path, tests: dict[str, Known], clone: Path, kept: Path) -> None:
    """Join the lines that coverage saw with the seconds, and write both."""
    import coverage

    found = coverage.CoverageData(str(data))
    found.read()
    for file in found.measured_files():
        name = Path(file).relative_to(clone).as_posix()
        for line, contexts in found.contexts_by_lineno(file).items():
            for context in contexts:
                test, _, phase = context.rpartition("|")
                if phase in ("run", "setup") and test in tests:
                    tests[test].lines[name].add(line)
    plain = {name: [t.call, t.setup, {f: sorted(v) for f, v in t.lines.items()}]
             for name, t in tests.items() if t.passed}
    kept.write_text(json.dumps(plain))


def read_map(kept: Path) -> dict[str, Known]:
    plain = json.loads(kept.read_text())
    return {name: Known(call, setup, True, {f: set(v) for f, v in lines.items()})
            for name, (call, setup, lines) in plain.items()}


def in_functions(source: str) -> set[int]:
    """Lines that run when something is called. All others (constants, fields, defaults of arguments, decorators) run
    when the module is loaded: in whichever test comes first, which alone says nothing.
    """
    found = (node for node in ast.walk(ast.parse(source)) if isinstance(node, ast.FunctionDef))
    return {line for node in found for line in range(node.body[0].lineno, (node.end_lineno or 0) + 1)}


def tests_of_line(tests: Mapping[str, Known], file: str, line: int, seconds: float, called: bool) -> list[str]:
    """The tests that answer for a line: those that run it; for one that runs on loading, or in no test, those that run
    its file; the narrowest first.
    """
    able = [n for n, t in tests.items() if called and line in t.lines.get(file, ())]
    able = able or [n for n, t in tests.items() if t.lines.get(file) or n.endswith(OF_ALL)]
    chosen: list[str] = []
    left, counted = seconds, defaultdict(int)
    fixtures = defaultdict(float)
    for name, test in tests.items():
        fixtures[_module(name)] = max(fixtures[_module(name)], test.setup)
    for name in sorted(able, key=lambda n: (not n.endswith(OF_ALL), tests[n].breadth, n)):
        module = _module(name)
        cost = tests[name].call + 0.02 + (0 if counted[module] else fixtures[module])
        if cost <= left and counted[module] < 40:
            chosen.append(name)
            counted[module] += 1
            left -= cost
    return chosen or sorted(able, key=lambda n: tests[n].call + fixtures[_module(n)])[:1]


def _module(test: str) -> str:
    return test.partition("::")[0]


def tried(clone: Path, names: Sequence[str], cpu_seconds: float) -> bool:
    """True when all these tests pass, in a fork, within so many seconds of the processor."""
    child = os.fork()
    if child == 0:
        _run_in_child(clone, names, cpu_seconds)
    _, status = os.waitpid(child, 0)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    return os.waitstatus_to_exitcode(status) == 0


def _run_in_child(clone: Path, names: Sequence[str], cpu_seconds: float) -> None:
    code = 1
    try:
        os.setsid()
        resource.setrlimit(resource.RLIMIT_CPU, (int(cpu_seconds) + 1,) * 2)
        quiet = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(quiet, stream)
        os.chdir(clone)
        sys.path.insert(0, str(clone))
        os.environ["PYTHONPATH"] = _path(clone)
        import pytest

        code = int(pytest.main(["-x", "-q", "-n", "0", "-p", "no:cacheprovider", *names]))
    finally:
        os._exit(code)


def without_annotations(source: str) -> str:
    """The syntax tree of a module but for its annotations, which `from __future__ import annotations` leaves alone; ""
    where it is no Python.
    """
    try:
        tree = ast.parse(source)
    except SyntaxError:
        return ""
    for node in ast.walk(tree):
        if isinstance(node, ast.AnnAssign):
            node.annotation = ast.Constant(None)
        elif isinstance(node, ast.FunctionDef):
            node.returns = None
        elif isinstance(node, ast.arg):
            node.annotation = None
    return ast.dump(tree)


def candidates(path: Path, sample: int, chance: random.Random) -> Iterable[tuple[int, str]]:
    """(line, source with one mistake in it), drawn at random among all that mutmut thinks of."""
    from mutmut import Context, list_mutations, mutate

    source = path.read_text()
    plain = without_annotations(source)
    mutants = list_mutations(Context(source=source, filename=str(path)))
    for mutation in chance.sample(mutants, len(mutants)):
        changed, _ = mutate(Context(source=source, filename=str(path), mutation_id=mutation))
        if changed.count("XX") == source.count("XX") and without_annotations(changed) not in ("", plain):
            yield mutation.line_number + 1, changed
            sample -= 1
        if not sample:
            return


def difference(source: str, changed: str) -> str:
    lines = difflib.unified_diff(source.splitlines(), changed.splitlines(), n=0, lineterm="")
    return " | ".join(x for x in lines if x[:1] in "+-" and x[:3] not in ("---", "+++"))


class Trial:
    """One file and its mutants, tried one at a time."""

    def __init__(self, clone: Path, path: Path, tests: Mapping[str, Known], given: argparse.Namespace) -> None:
        self.clone, self.path, self.tests, self.given = clone, path, tests, given
        self.name, self.source = path.relative_to(clone).as_posix(), path.read_text()
        self.mutants = iter(candidates(path, given.sample, random.Random(f"{given.seed} {self.name}")))
        self.called = in_functions(self.source)
        self.noticed = self.count = 0
        self.used: set[str] = set()

    def try_next(self) -> None:
        """Try the next mutant, where there is one; a survivor is printed."""
        line, changed = next(self.mutants, (0, ""))
        if not changed:
            return
        chosen, wider = (tests_of_line(self.tests, self.name, line, seconds, line in self.called)
                         for seconds in (self.given.seconds, self.given.wider))
        more = [n for n in wider if n not in chosen]
        self.path.write_text(changed)
        try:
            survived = all(
                tried(self.clone, stage, 10 * sum(self.tests[n].call + self.tests[n].setup for n in stage) + 30)
                for stage in (chosen, more) if stage)
        finally:
            self.path.write_text(self.source)
        self.count, self.noticed = self.count + 1, self.noticed + (not survived)
        self.used |= {*chosen, *more}
        if survived:
            print(f"  survived {len(chosen) + len(more)} tests, {self.name}:{line}: "
                  f"{difference(self.source, changed)}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--files", nargs="+", default=FILES)
    parser.add_argument("--sample", type=int, default=6)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=15)
    parser.add_argument("--wider", type=float, default=0)
    parser.add_argument("--at", type=Path, default=Path(tempfile.gettempdir()) / "kitplan-mutants")
    given = parser.parse_args()
    signal.signal(signal.SIGINT, signal.default_int_handler)
    given.at.mkdir(parents=True, exist_ok=True)
    clone, kept = given.at / "clone", given.at / "map.json"
    if not clone.exists():
        subprocess.run(["git", "clone", "-q", str(ROOT), str(clone)], check=True)
    if not kept.exists():
        subprocess.run([sys.executable, "-c", LEARN, str(clone), str(kept)], cwd=clone, check=True,
                       env=os.environ | {"PYTHONPATH": os.pathsep.join([str(Path(__file__).parent), _path(clone)])})
    sys.dont_write_bytecode = True
    os.environ |= {"PYTHONDONTWRITEBYTECODE": "1", "OMP_NUM_THREADS": "1"}
    subprocess.run([sys.executable, "-m", "compileall", "-q", "--invalidation-mode", "checked-hash",
                    str(clone / "kitplan")], check=False)
    for module in WARM:
        importlib.import_module(module)
    tests = read_map(kept)
    paths = dict.fromkeys(p for glob in given.files for p in sorted((clone / "kitplan").glob(glob)))
    trials = [Trial(clone, p, tests, given) for p in paths if not WORDS_AND_PAPER.search(p.name)]
    with contextlib.suppress(KeyboardInterrupt):
        for _ in range(given.sample):
            for trial in trials:
                trial.try_next()
    for trial in trials:
        print(f"{trial.name}: {trial.noticed} of {trial.count}")
    noticed, count = sum(t.noticed for t in trials), sum(t.count for t in trials)
    print(f"all: {noticed} of {count}, {noticed / max(count, 1):.0%}", flush=True)
    if not tried(clone, sorted({name for trial in trials for name in trial.used}), 3600):
        print("but its tests do not pass unchanged")


if __name__ == "__main__":
    main()
