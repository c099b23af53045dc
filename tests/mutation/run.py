"""Do tests of meaning notice small changes of meaning? ``python -m tests.mutation.run --help``."""

import argparse
import csv
import functools
import multiprocessing
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from statsmodels.stats.proportion import proportion_confint

from tests.mutation.mutants import Mutant, Named, mutants_of, named_mutants

ROOT = Path(__file__).parents[2]
TARGETS = (
    "onsetstudy/core/quantities.py", "onsetstudy/core/claims.py", "onsetstudy/report/sentences.py",
    "onsetstudy/report/numbers.py", "onsetstudy/study/answer/*.py", "onsetstudy/study/counts/exchange.py",
    "onsetstudy/study/group/*.py", "onsetstudy/study/counts/aggregate_counts.py",
    "onsetstudy/study/counts/counted_estimates.py", "onsetstudy/study/sets/*.py", "onsetstudy/pool/*.py",
)  # fmt: skip
"""Globs of what is changed; those that fit nothing are told."""
SUITE = (
    "tests/core/test_quantities.py", "tests/pool", "tests/report/test_numbers.py", "tests/report/test_sentences.py",
    "tests/report/test_one_answer.py", "tests/study/test_counts_of_meaning.py", "tests/study/test_group_meaning.py",
    "tests/study/test_looks.py", "tests/design/test_looks.py",
)  # fmt: skip
"""The quick tests of meaning; the whole of ``tests/study`` kills more and takes minutes a mutant."""
DESELECTED = (
    # Comparisons with files that contributors make again: they see that something changed, not that it is wrong.
    "tests/report/test_page.py::test_the_page_of_a_small_study_is_as_it_was",
    "tests/files/test_exchange.py::test_shipped_group_report_is_made_again",
    "tests/files/test_exchange.py::test_shipped_files_are_those_of_the_shipped_records",
)
EVERYWHERE = "onsetstudy/**/*.py"
NAMED = (
    Named(
        name="sign of the looks in the group",
        patterns=(
            ("onsetstudy/study/group/interim.py", r"sign = -1\.0 if", "sign = 1.0 if"),
            ("onsetstudy/core/quantities.py", r"return self\.favours \* distance", "return -self.favours * distance"),
        ),
    ),
    Named(
        name="sooner and later on page 1",
        patterns=(
            ("onsetstudy/report/**/*.py", r'"sooner" if (saved >= 0|found\.side < 0) else "later"',
             r'"later" if \1 else "sooner"'),
            ("onsetstudy/core/quantities.py", r"self\.words\[0\] if side > 0", "self.words[0] if side < 0"),
        ),
    ),
    Named(
        name="sign of less pain",
        patterns=(
            ("onsetstudy/report/**/*.py", r'"less" if e\.estimate <= 0 else "more"',
             '"more" if e.estimate <= 0 else "less"'),
            ("onsetstudy/core/quantities.py", r'(key="pain_difference",[^()]*favours=)-1', r"\g<1>1"),
        ),
    ),
    Named(
        name="sign of the share not numb",
        patterns=(
            ("onsetstudy/report/**/*.py", r"(numb_at_all\.pooled, )-1\.0", r"\g<1>1.0"),
            ("onsetstudy/core/quantities.py", r'(key="not_numb_difference",[^()]*favours=)-1', r"\g<1>1"),
        ),
    ),
    Named(
        name="direction of the verdict",
        patterns=(
            ("onsetstudy/design/interim/interim_analyses.py", r'"sooner" if z > 0', '"sooner" if z < 0'),
            ("onsetstudy/report/**/*.py", r'direction != "sooner"', 'direction == "sooner"'),
        ),
    ),
    Named(
        name="funnel counts successes",
        patterns=(
            (EVERYWHERE, r"(failed=np\.where\()not_numb\b", r"\1numb"),
            (EVERYWHERE, r'(np\.where\(frame\["outcome"\] == )"not_numb"', r'\1"numb"'),
        ),
    ),
    Named(
        name="degrees of freedom of the interaction",
        patterns=((EVERYWHERE, r"df = len\(kept\) - 1", "df = len(kept)"),),
    ),
    Named(
        name="exactly as many cases as may be sent",
        patterns=(
            ("onsetstudy/study/counts/exchange.py", r"total >= least\b", "total > least"),
            ("onsetstudy/study/counts/exchange.py", r"cases >= least\b", "cases > least"),
        ),
    ),
)  # fmt: skip
"""Changes that once were noticed by comparisons of bytes alone; always run first."""
LEFT_OUT = shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache", ".hypothesis", "*.egg-info")
KILLED = (1, 2)
"""What pytest returns where a test failed, or a module could not be imported; 3 and above is no verdict."""


def in_order(suite: Sequence[str], path: str) -> list[str]:
    """The suite with the tests of the changed module's own room first, so that most mutants die early."""
    room = f"tests/{Path(path).parts[1]}"
    return sorted(suite, key=lambda p: not p.startswith(room))


def run_suite(tree: Path, suite: Sequence[str], timeout: float | None, seed: int) -> tuple[str, float]:
    """``killed``, ``timeout`` or ``survived``, and seconds."""
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "-p", "no:randomly"]
    command += ["-m", "not slow", f"--hypothesis-seed={seed}", *(f"--deselect={d}" for d in DESELECTED)]
    command += suite
    quiet = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}
    began = time.monotonic()
    job = subprocess.Popen(
        command, cwd=tree, env={**os.environ, **quiet}, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        start_new_session=True,
    )  # fmt: skip
    try:
        told, _ = job.communicate(timeout=timeout)
    except subprocess.TimeoutExpired:
        os.killpg(job.pid, signal.SIGKILL)
        job.communicate()
        return "timeout", time.monotonic() - began
    if job.returncode not in (0, *KILLED):
        raise RuntimeError(f"pytest gave no verdict ({job.returncode}):\n{told[-2000:]}")
    return ("killed" if job.returncode else "survived"), time.monotonic() - began


def copy_tree(place: Path) -> Path:
    """A private copy of the source tree; the source itself is never changed."""
    return Path(shutil.copytree(ROOT, place / "tree", ignore=LEFT_OUT))


@functools.cache
def _own_tree() -> tuple[tempfile.TemporaryDirectory[str], Path]:
    """One copy for each worker process."""
    place = tempfile.TemporaryDirectory(prefix="mutation-")
    return place, copy_tree(Path(place.name))


def judge(mutant: Mutant, suite: Sequence[str], timeout: float, seed: int) -> tuple[Mutant, str, float]:
    """What the suite says of one mutant, in the worker's own copy."""
    file = _own_tree()[1] / mutant.path
    whole = file.read_bytes()
    file.write_bytes(mutant.of(whole))
    try:
        return mutant, *run_suite(_own_tree()[1], in_order(suite, mutant.path), timeout, seed)
    finally:
        file.write_bytes(whole)


def candidates(targets: tuple[str, ...] = TARGETS) -> list[Mutant]:
    """All mutants of the targets, in order of file and place."""
    found: list[Mutant] = []
    for glob in targets:
        files = sorted(ROOT.glob(glob))
        if not files:
            print(f"no file fits the target {glob}")
        found += [m for f in files for m in mutants_of(ROOT, f.relative_to(ROOT).as_posix())]
    return found


def write_score(
    asked: argparse.Namespace, done: list[tuple[Mutant, str, float]], missing: list[str], took: float
) -> None:
    """Summary, then every named mutant, then every survivor; columns ``what`` and ``value``."""
    drawn = [d for d in done if not d[0].name]
    killed = sum(verdict != "survived" for _, verdict, _ in drawn)
    rows = [("seed", asked.seed), ("suite", " ".join(asked.suite)), ("left out", " ".join(DESELECTED) + " slow tests")]
    rows += [("targets", " ".join(asked.targets)), ("drawn", len(drawn)), ("killed", killed)]
    rows += [("of these by timeout", sum(v == "timeout" for _, v, _ in drawn)), ("survived", len(drawn) - killed)]
    if drawn:
        low, high = proportion_confint(killed, len(drawn), method="wilson")
        rows += [("score", f"{killed / len(drawn):.4f}"), ("score, low (Wilson 95 %)", f"{low:.4f}")]
        rows += [("score, high (Wilson 95 %)", f"{high:.4f}")]
    rows += [("minutes", f"{took / 60:.1f}")]
    rows += [(f"named, NOT FOUND: {name}", "") for name in missing]
    rows += [(f"named, {verdict}: {m.name}", m.told) for m, verdict, _ in done if m.name]
    rows += [("survivor", m.told) for m, verdict, _ in sorted(drawn, key=lambda d: d[0].told) if verdict == "survived"]
    with asked.out.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, lineterminator="\n").writerows([("what", "value"), *rows])


def main() -> int:
    """Run it; 1 if a named mutant survives or is not found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("-n", "--number", type=int, default=400, help="mutants drawn (named ones come on top)")
    parser.add_argument("--seed", type=int, default=20261)
    parser.add_argument("-w", "--workers", type=int, default=1)
    parser.add_argument("--timeout", type=float, help="seconds; default three times the suite's own, 60 at least")
    parser.add_argument("--targets", nargs="+", default=TARGETS)
    parser.add_argument("--suite", nargs="+", default=SUITE)
    parser.add_argument("--out", type=Path, default=Path(__file__).with_name("score.csv"))
    parser.add_argument("--no-named", action="store_true", help="only the mutants drawn")
    asked = parser.parse_args()
    began = time.monotonic()
    everything = candidates(tuple(asked.targets))
    drawn = random.Random(asked.seed).sample(everything, min(asked.number, len(everything)))
    named = {} if asked.no_named else {n.name: named_mutants(ROOT, n) for n in NAMED}
    missing = [name for name, found in named.items() if not found]
    for name in missing:
        print(f"NAMED MUTANT NOT FOUND: {name}; mend its patterns in {Path(__file__).name}")
    with tempfile.TemporaryDirectory(prefix="mutation-") as place:
        verdict, alone = run_suite(copy_tree(Path(place)), asked.suite, None, asked.seed)
    if verdict != "survived":
        print("the suite fails on the unchanged source: nothing can be said")
        return 2
    limit = asked.timeout or max(60.0, 3 * alone)
    print(f"{len(drawn)} of {len(everything)} mutants; the suite takes {alone:.0f} s, the limit is {limit:.0f} s")
    done = []
    with multiprocessing.get_context("spawn").Pool(asked.workers) as pool:
        one = functools.partial(judge, suite=asked.suite, timeout=limit, seed=asked.seed)
        work = [m for found in named.values() for m in found] + drawn
        for result in pool.imap(one, work):
            done.append(result)
            print(f"{result[1]:9}{result[2]:6.1f} s  {result[0].told}", flush=True)
            write_score(asked, done, missing, time.monotonic() - began)
    return int(bool(missing) or any(m.name and v == "survived" for m, v, _ in done))


if __name__ == "__main__":
    sys.exit(main())
