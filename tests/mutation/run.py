"""Do tests of meaning notice small changes of meaning? ``python -m tests.mutation.run --help``."""

import os

os.environ.update({"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MPLBACKEND": "agg"})

import argparse
import csv
import hashlib
import itertools
import json
import sys
import tempfile
from collections import Counter
from pathlib import Path

from statsmodels.stats.proportion import proportion_confint

from tests.mutation.mutants import Mutant, mutants_of, named_mutants
from tests.mutation.places import DESELECTED, NAMED, SUITE, TARGETS
from tests.mutation.server import OPTIONS, forked, judge, warm
from tests.mutation.trace import Map, digest_of, kept_trace, trace

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent
KEPT = Path(tempfile.gettempdir()) / "onsetstudy-mutation"
"""Traces, by digest of source and test file."""
COLUMNS = ("path", "line", "start", "before", "after", "digest", "named", "verdict", "by", "seconds")


def target_files(globs: tuple[str, ...] = TARGETS) -> list[Path]:
    """What is changed, in the order of the paths.

    Raises
    ------
    FileNotFoundError
        If a glob fits nothing.
    """
    found: set[Path] = set()
    for glob in globs:
        fits = {p for p in ROOT.glob(glob) if p.name != "__init__.py"}
        if not fits:
            raise FileNotFoundError(f"{glob} fits nothing: mend the table in tests/mutation/places.py")
        found |= fits
    return sorted(found)


def lot(mutant: Mutant, text: bytes, seed: int, nth: int) -> str:
    """The lot of a mutant: of the seed, file name, text of its line, change, and which of the same it is.

    Lots, not places in a list, are drawn, so that a change elsewhere leaves the draw of all other lines as it was.
    """
    line = text.split(b"\n")[mutant.line - 1].strip()
    told = (str(seed), Path(mutant.path).name, mutant.before, mutant.after, str(nth))
    return hashlib.sha256(b"\0".join((*(t.encode() for t in told), line))).hexdigest()


def draw(number: int, seed: int, files: list[Path] | None = None) -> tuple[list[Mutant], int]:
    """The ``number`` mutants with the lowest lots, and of how many; by default of all targets."""
    lots: list[tuple[str, Mutant]] = []
    for file in target_files() if files is None else files:
        path, text, seen = file.relative_to(ROOT).as_posix(), file.read_bytes(), Counter[tuple[bytes, str, str]]()
        for mutant in mutants_of(ROOT, path):
            alike = (text.split(b"\n")[mutant.line - 1].strip(), mutant.before, mutant.after)
            lots.append((lot(mutant, text, seed, seen[alike]), mutant))
            seen[alike] += 1
    lots.sort(key=lambda pair: (pair[0], pair[1].path, pair[1].start))
    return [mutant for _, mutant in lots[:number]], len(lots)


def key_of(mutant: Mutant, digest: str) -> tuple[str, ...]:
    """What makes a verdict that of this mutant."""
    return (mutant.path, str(mutant.start), mutant.before, mutant.after, digest, mutant.name)


def read_rows(file: Path) -> dict[tuple[str, ...], dict[str, str]]:
    """Verdicts kept so far, by key."""
    if not file.exists():
        return {}
    with file.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    return {tuple(row[c] for c in ("path", "start", "before", "after", "digest", "named")): row for row in rows}


def equivalents() -> dict[tuple[str, ...], str]:
    """Reasons why a change changes nothing, by path, line without margin, place in it, before and after."""
    with (HERE / "equivalent.csv").open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    return {tuple(row[c] for c in ("path", "text", "at", "before", "after")): row["reason"] for row in rows}


def _in_line(mutant: Mutant, text: bytes) -> tuple[str, str]:
    """The line without its margin, and where in it the change begins."""
    line = text.split(b"\n")[mutant.line - 1]
    margin = len(line) - len(line.lstrip())
    return line.strip().decode(), str(mutant.start - (text.rfind(b"\n", 0, mutant.start) + 1) - margin)


def traced(workers: int) -> Map:
    """The map of the suite; test files whose text and source are as before are not run again."""
    KEPT.mkdir(exist_ok=True)
    source = digest_of(*(p.read_bytes() for p in sorted((ROOT / "onsetstudy").rglob("*.py"))))
    keys = {file: digest_of(source.encode(), (ROOT / file).read_bytes(), file.encode()) for file in SUITE}
    watched = sorted({*target_files(), *(ROOT / m.path for n in NAMED for m in named_mutants(ROOT, n))})
    missing = [file for file in SUITE if kept_trace(KEPT, keys[file]) is None]
    options = [*(o for o in OPTIONS if o != "-x"), *(f"--deselect={d}" for d in DESELECTED)]

    def one(file: str) -> str:
        found = trace(file, options, watched, ROOT)
        (KEPT / f"{keys[file]}.json").write_text(json.dumps(found), encoding="utf-8")
        return "traced"

    for number, said, seconds in forked((((lambda f=f: one(f)), 900.0) for f in missing), workers):
        print(f"{said:9}{seconds:6.1f} s  {missing[number]}", flush=True)
    maps = [kept_trace(KEPT, key) for key in keys.values()]
    if None in maps:
        raise RuntimeError("the suite fails on the unchanged source: nothing can be said")
    return Map(tuple(m for m in maps if m is not None))


def write_score(
    out: Path, seed: int, drawn: list[tuple[Mutant, str]], of: int, named: list[tuple[Mutant, str]]
) -> None:
    """The score with its interval, every named change and every survivor."""
    reasons = equivalents()
    texts = {path: (ROOT / path).read_bytes() for path in {m.path for m, _ in drawn}}
    same = {m: reasons.get((m.path, *_in_line(m, texts[m.path]), m.before, m.after), "") for m, _ in drawn}
    survivors = sorted((m.told, same[m]) for m, v in drawn if v == "survived")
    equal = sum(bool(reason) for _, reason in survivors)
    killed = sum(v in ("killed", "timeout") for _, v in drawn)
    rows = [("seed", str(seed)), ("mutants there are", str(of)), ("drawn and judged", str(len(drawn)))]
    rows += [("killed", str(killed)), ("of these by timeout", str(sum(v == "timeout" for _, v in drawn)))]
    rows += [("survived", str(len(survivors))), ("of these equivalent (equivalent.csv)", str(equal))]
    for what, base in (("score", len(drawn)), ("score without equivalents", len(drawn) - equal)):
        low, high = proportion_confint(killed, base, method="wilson") if base else (0.0, 1.0)
        rows += [(what, f"{killed / max(base, 1):.4f}"), (f"{what}, low (Wilson 95 %)", f"{low:.4f}")]
        rows += [(f"{what}, high (Wilson 95 %)", f"{high:.4f}")]
    by_file = Counter(m.path for m, v in drawn)
    lost = Counter(m.path for m, v in drawn if v == "survived")
    rows += [(f"killed of {path}", f"{n - lost[path]} of {n}") for path, n in sorted(by_file.items())]
    rows += [(f"named, {verdict}: {m.name}", m.told) for m, verdict in named]
    rows += [
        ("equivalent" if reason else "survivor", told + (f" ({reason})" if reason else ""))
        for told, reason in survivors
    ]
    with out.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, lineterminator="\n").writerows([("what", "value"), *rows])


def main() -> int:
    """Run what has no verdict yet; 1 if a named mutant survives or is not found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("-n", "--number", type=int, default=400, help="mutants drawn (named ones come on top)")
    parser.add_argument("--seed", type=int, default=20261)
    parser.add_argument("-w", "--workers", type=int, default=2)
    parser.add_argument("--timeout", type=float, default=90.0, help="seconds a mutant may take")
    parser.add_argument("--again", action="store_true", help="judge survivors anew, after tests were added")
    parser.add_argument("--verdicts", type=Path, default=HERE / "verdicts.csv")
    parser.add_argument("--out", type=Path, default=HERE / "score.csv")
    asked = parser.parse_args()
    os.chdir(ROOT)
    digests = {f.relative_to(ROOT).as_posix(): digest_of(f.read_bytes()) for f in ROOT.glob("onsetstudy/**/*.py")}
    drawn, of = draw(asked.number, asked.seed)
    named = {n.name: named_mutants(ROOT, n) for n in NAMED}
    missing = [name for name, found in named.items() if not found]
    for name in missing:
        print(f"NAMED MUTANT NOT FOUND: {name}; mend its patterns in places.py")
    everyone = [m for found in named.values() for m in found] + drawn
    rows = read_rows(asked.verdicts)
    keys = {m: key_of(m, digests[m.path]) for m in everyone}
    # Rows of other texts and other draws are dropped, so that the file holds this run only.
    asked_for = set(keys.values())
    again = {k for k, r in rows.items() if asked.again and r["verdict"] == "survived"}
    rows = {k: r for k, r in rows.items() if k in asked_for - again}
    with asked.verdicts.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows.values())
        todo = [m for m in everyone if keys[m] not in rows]
        for mutant, row in _judged(todo, digests, asked.timeout, asked.workers) if todo else ():
            rows[keys[mutant]] = row
            writer.writerow(row)
            file.flush()
    # Of a run cut short the lots up to the first without a verdict: what lasts long must not fall out of the count.
    judged = list(itertools.takewhile(lambda m: keys[m] in rows, drawn))
    told = [(m, rows[keys[m]]["verdict"]) for m in judged]
    first = [(m, rows[keys[m]]["verdict"]) for m in everyone if m.name and keys[m] in rows]
    write_score(asked.out, asked.seed, told, of, first)
    return int(bool(missing) or any(v == "survived" for _, v in first))


def _unchanged_survives(found, imported, paths):
    """What is not changed at all must survive in a fork, or every verdict would be one about the forks.

    Asked of a few modules in each run.

    Raises
    ------
    RuntimeError
        If it does not.
    """
    for path in paths:
        same = Mutant(path=path, line=1, start=0, end=0, before="", after="")
        text = (ROOT / path).read_bytes()
        tests = found.heard(same, text)[:3]
        for _, said, _ in forked([(lambda m=same, t=tests: judge(m, t, ROOT, imported), 120.0)], 1):
            if not said.startswith("survived"):
                raise RuntimeError(f"{path}, unchanged: {said}")


def _judged(todo, digests, timeout, workers):
    """Each mutant with its row, as it comes."""
    found = traced(workers)
    imported = warm("onsetstudy")
    texts = {path: (ROOT / path).read_bytes() for path in {m.path for m in todo}}
    chosen = [found.heard(m, texts[m.path]) for m in todo]

    _unchanged_survives(found, imported, sorted(texts)[:: max(1, len(texts) // 2)])

    def task(mutant, tests):
        return lambda: judge(mutant, tests, ROOT, imported) if tests else "survived,no test runs it"

    work = ((task(m, tests), timeout) for m, tests in zip(todo, chosen, strict=True))
    for number, said, seconds in forked(work, workers):
        mutant = todo[number]
        verdict, _, by = said.partition(",")
        print(f"{verdict:10}{seconds:6.1f} s  {mutant.told}  {by}", flush=True)
        if verdict == "no verdict":
            continue
        yield mutant, dict(zip(COLUMNS, (
            mutant.path, mutant.line, mutant.start, mutant.before, mutant.after, digests[mutant.path], mutant.name,
            verdict, by, f"{seconds:.1f}",
        ), strict=True))  # fmt: skip


if __name__ == "__main__":
    sys.exit(main())
